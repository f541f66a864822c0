"""A batch loses no board, doubles none, and goes on whatever happens to one of them."""

from __future__ import annotations

import multiprocessing
import re
import signal
import threading
import time
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import fake_graders as fake
import invented_boards as invented
import pytest
from postgres_server import PostgresServer, programs
from sqlalchemy import Engine

from vision.pipeline.folder import BoardFiles
from vision.records import Filter, RecordsError, list_inspections
from vision.records.batch import CRASHED, BoardResult, Job, grade_folder, once_each
from vision.records.verify import Tally, verify
from vision.records.workers import processes


def job(engine: Engine, **more: Any) -> Job:
    return Job(engine, invented.family(), invented.station(), invented.sheet(), **more)


def threads() -> Executor:
    return ThreadPoolExecutor(2)


def run(engine: Engine, boards: list[BoardFiles], workers: Callable[[], Executor] = threads,
        **more: Any) -> dict[str, BoardResult]:
    return {result.serial: result for result in grade_folder(boards, fake.grade, workers, job(engine, **more))}


def test_processes_grade_and_a_second_run_skips(engine: Engine, tmp_path: Path) -> None:
    boards = fake.boards(tmp_path, [f"B{k}{'bad' if k % 3 == 0 else ''}" for k in range(9)])
    first = run(engine, boards, lambda: processes(2))
    assert {serial: result.verdict for serial, result in first.items()} == {
        board.serial: "reject" if "bad" in board.serial else "accept" for board in boards}
    assert not any(result.skipped for result in first.values())
    second = run(engine, boards, lambda: processes(2))
    assert all(result.skipped for result in second.values())
    assert {s: r.inspection_id for s, r in first.items()} == {s: r.inspection_id for s, r in second.items()}
    assert list(verify(engine, Filter(superseded=True), Tally())) == []


def test_again_grades_again(engine: Engine, tmp_path: Path) -> None:
    boards = fake.boards(tmp_path, ["B1", "B2"])
    run(engine, boards)
    assert not any(result.skipped for result in run(engine, boards, again=True).values())
    assert len(list_inspections(engine)) == 2
    assert len(list_inspections(engine, Filter(superseded=True))) == 4


def test_a_changed_picture_is_graded(engine: Engine, tmp_path: Path) -> None:
    boards = fake.boards(tmp_path, ["B1", "B2"])
    run(engine, boards)
    boards[0].pictures["v1", "a"].write_bytes(b"another picture")
    results = run(engine, boards)
    assert (results["B1"].skipped, results["B2"].skipped) == (False, True)


def test_back_to_an_earlier_sheet_grades_again(engine: Engine, tmp_path: Path) -> None:
    """What counts is the sheet of the last run, also when it was used before."""
    boards = fake.boards(tmp_path, ["B1"])
    run(engine, boards)
    other = invented.inspection("B1", by=invented.sheet(355.0), pictures=fake.grade(boards[0]).pictures)
    assert invented.save(engine, other, by=invented.sheet(355.0)).fresh
    assert list_inspections(engine)[0]["verdict"] == "reject"
    assert not run(engine, boards)["B1"].skipped
    assert list_inspections(engine)[0]["verdict"] == "accept"
    assert run(engine, boards)["B1"].skipped


def test_a_crashing_worker_costs_its_own_board_only(file_engine: Engine, tmp_path: Path) -> None:
    boards = fake.boards(tmp_path, ["B1", "B2", "B3crash", "B4", "B5", "B6crash", "B7bad", "B8"])
    results = run(file_engine, boards, lambda: processes(2), in_flight=5)
    assert {serial: result.verdict for serial, result in results.items()} == {
        "B1": "accept", "B2": "accept", "B3crash": "ungraded", "B4": "accept", "B5": "accept", "B6crash": "ungraded",
        "B7bad": "reject", "B8": "accept"}
    reasons = {row["serial"]: row["reason"] for row in list_inspections(file_engine) if row["verdict"] == "ungraded"}
    assert reasons == {"B3crash": CRASHED, "B6crash": CRASHED}
    again = run(file_engine, boards, lambda: processes(2))
    assert {serial for serial, result in again.items() if not result.skipped} == {"B3crash", "B6crash"}
    assert len(list_inspections(file_engine)) == 8


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="tells held-back signals by Linux's /proc")
def test_ctrl_c_reaches_no_worker_even_while_it_starts() -> None:
    before = set(multiprocessing.active_children())
    with processes(3) as pool:
        tasks = [pool.submit(time.sleep, 0.5) for _ in range(6)]  # more than one worker has to be started for them
        workers = set(multiprocessing.active_children()) - before
        status = [Path(f"/proc/{worker.pid}/status").read_text() for worker in workers]
        for task in tasks:
            task.result()
    assert len(workers) == 3
    held_back = [int(re.findall(r"^SigBlk:\s*(\w+)$", text, re.M)[0], 16) for text in status]
    assert all(mask >> (signal.SIGINT - 1) & 1 for mask in held_back)
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])  # and this process goes on as before


def test_workers_that_only_crash_end_the_batch(file_engine: Engine, tmp_path: Path) -> None:
    boards = fake.boards(tmp_path, [f"crash{k}" for k in range(20)])
    with pytest.raises(RecordsError, match=r"^the grading processes ended on each of the first 5 boards; they cannot "):
        run(file_engine, boards, lambda: processes(1), in_flight=1)
    assert len(list_inspections(file_engine)) == 5


@pytest.mark.parametrize("workers", [threads, lambda: processes(1)], ids=["threads", "processes"])
def test_a_fault_of_the_program_costs_its_own_board_only(file_engine: Engine, tmp_path: Path,
                                                         workers: Callable[[], Executor]) -> None:
    boards = fake.boards(tmp_path, ["B1", "B2raise", "B3"])
    results = run(file_engine, boards, workers)
    assert {serial: result.verdict for serial, result in results.items()} == {
        "B1": "accept", "B2raise": "ungraded", "B3": "accept"}
    row = next(row for row in list_inspections(file_engine) if row["serial"] == "B2raise")
    assert re.fullmatch(r"the program failed on this board: ZeroDivisionError: invented fault "
                        r"\(fake_graders\.py, line \d+\)", row["reason"])
    assert not run(file_engine, boards)["B2raise"].skipped  # a later version may do better


def test_a_serial_that_occurs_twice(engine: Engine, tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    one.mkdir()
    two.mkdir()
    boards = [*fake.boards(one, ["B1", "B2"]), *fake.boards(two, ["B1"])]
    boards[2].pictures["v1", "a"].write_bytes(b"another board with the same serial")
    results = list(grade_folder(once_each(boards), fake.grade, threads, job(engine)))
    assert sorted((result.serial, result.verdict) for result in results) == [
        ("B1", "accept"), ("B1", "ungraded"), ("B2", "accept")]
    row = next(row for row in list_inspections(engine) if row["verdict"] == "ungraded")
    assert row["reason"] == "serial B1 occurs twice in this batch"


def test_full_paths_are_recorded(file_engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A relative path would mean nothing to a worker elsewhere, nor to who verifies the pictures next year."""
    from vision.records.load import load_inspection

    fake.boards(tmp_path, ["B1"])
    monkeypatch.chdir(tmp_path)
    files = BoardFiles("B1", {("v1", "a"): Path("B1_v1_a.png")})
    result = run(file_engine, [files])["B1"]
    assert load_inspection(file_engine, result.inspection_id).pictures[0].path == str(tmp_path / "B1_v1_a.png")
    monkeypatch.chdir("/")
    tally = Tally()
    assert list(verify(file_engine, Filter(), tally)) == []
    assert tally.pictures == 1


def test_results_that_cannot_be_stored_cost_their_own_board_only(engine: Engine, tmp_path: Path) -> None:
    boards = fake.boards(tmp_path, ["B1", "B2odd", "B3", "B4", "B5odd", "B6"])
    results = run(engine, boards, in_flight=6)
    assert {serial: (result.verdict, result.fault) for serial, result in results.items()} == {
        serial: ("ungraded", True) if "odd" in serial else ("accept", False) for serial in results}
    assert {row["serial"]: row["reason"] for row in list_inspections(engine) if row["reason"]} == {
        serial: "the program failed on this board: its results could not be stored (joint J1.99: family sample-1 has "
                "no such joint)" for serial in ("B2odd", "B5odd")}
    assert list(verify(engine, Filter(), Tally())) == []


class Counting(ThreadPoolExecutor):
    """Counts how many boards are in hand at once."""

    def __init__(self) -> None:
        super().__init__(3)
        self.now = self.most = 0
        self.lock = threading.Lock()

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        with self.lock:
            self.now += 1
            self.most = max(self.most, self.now)
        future = super().submit(fn, *args, **kwargs)
        future.add_done_callback(self._less)
        return future

    def _less(self, _future: Future[Any]) -> None:
        with self.lock:
            self.now -= 1


def test_a_bounded_number_is_in_hand(file_engine: Engine, tmp_path: Path) -> None:
    taken: list[int] = []

    def source() -> Any:
        for number, files in enumerate(fake.boards(tmp_path, [f"B{k}" for k in range(30)])):
            taken.append(number)
            yield files

    executor = Counting()
    done = 0
    for _ in grade_folder(source(), fake.grade, lambda: executor, job(file_engine, in_flight=4)):
        done += 1
        assert len(taken) - done <= 4
    assert done == 30
    assert executor.most <= 4


def test_stop_finishes_the_boards_in_hand(file_engine: Engine, tmp_path: Path) -> None:
    boards = fake.boards(tmp_path, [f"B{k}slow" for k in range(20)])
    stopping = threading.Event()
    done = []
    for result in grade_folder(boards, fake.grade, threads, job(file_engine, in_flight=3, stop=stopping.is_set)):
        done.append(result.serial)
        stopping.set()
    assert 1 <= len(done) <= 5
    assert sorted(row["serial"] for row in list_inspections(file_engine)) == sorted(done)
    rest = run(file_engine, boards)
    assert sum(not result.skipped for result in rest.values()) == 20 - len(done)


def test_two_batches_over_one_folder_at_once(url: str, engine: Engine, tmp_path: Path) -> None:
    """As two computers with one database would: every board is there once."""
    from vision.records import open_database

    boards = fake.boards(tmp_path, [f"B{k}" for k in range(24)])
    errors: list[BaseException] = []

    def other() -> None:
        try:
            own = open_database(url)
            run(own, list(reversed(boards)))
            own.dispose()
        except BaseException as error:
            errors.append(error)

    thread = threading.Thread(target=other)
    thread.start()
    results = run(engine, boards)
    thread.join()
    assert errors == []
    assert len(results) == 24
    assert len(list_inspections(engine, Filter(superseded=True))) == 24


def test_a_server_that_restarts_costs_no_board(tmp_path: Path) -> None:
    """The PostgreSQL server goes away in the middle of a batch and comes back: the batch waits and goes on."""
    from vision.records import open_database

    if programs() is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    pytest.importorskip("psycopg", reason="the extra `postgres` is not installed")
    server = PostgresServer()
    try:
        engine = open_database(server.new_database())
        boards = fake.boards(tmp_path, [f"B{k}" for k in range(12)])
        done = []
        for result in grade_folder(boards, fake.grade, threads, job(engine, in_flight=2, again=True)):
            done.append(result.serial)
            if len(done) == 3:
                server.halt()
                threading.Timer(1.5, server.start).start()
        assert sorted(done) == sorted(files.serial for files in boards)
        assert len(list_inspections(engine)) == 12
        engine.dispose()
    finally:
        server.stop()


def test_a_server_that_stays_away_ends_the_batch_with_one_line(tmp_path: Path) -> None:
    from vision.records import open_database

    if programs() is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    pytest.importorskip("psycopg", reason="the extra `postgres` is not installed")
    server = PostgresServer()
    try:
        engine = open_database(server.new_database())
        boards = fake.boards(tmp_path, [f"B{k}" for k in range(12)])
        with pytest.raises(RecordsError, match=r"^database postgresql://[^\n]+$"):
            for _ in grade_folder(boards, fake.grade, threads, job(engine, in_flight=2, patience=(0.1,))):
                server.halt()
        server.start()
        assert {result.serial for result in run(engine, boards).values()} == {files.serial for files in boards}
        assert len(list_inspections(engine, Filter(superseded=True))) == 12
        engine.dispose()
    finally:
        server.stop()
