"""A camera that stands still: one picture under several serials is no verdict on the boards after the first."""

from __future__ import annotations

from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import fake_graders as fake
import invented_boards as invented
from sqlalchemy import Engine, event, text

from vision.pipeline.folder import BoardFiles
from vision.records import Filter, list_inspections
from vision.records.batch import BoardResult, Job, grade_folder
from vision.records.twins import find_twins
from vision.records.verify import Tally, verify


class AtOnce(Executor):
    """Grades where it is asked to: boards are done in their own order, all of them before the first is written."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_result(fn(*args, **kwargs))
        return done


def run(engine: Engine, boards: list[BoardFiles], **more: Any) -> dict[str, BoardResult]:
    job = Job(engine, invented.family(), invented.station(), invented.sheet(), **more)
    return {result.serial: result for result in grade_folder(boards, fake.grade, AtOnce, job)}


def frozen(folder: Path, serials: list[str]) -> list[BoardFiles]:
    boards = fake.boards(folder, serials)
    for board in boards:
        board.pictures["v1", "a"].write_bytes(b"the camera hangs")
    return boards


def test_one_picture_under_three_serials_accepts_no_more_than_the_first(engine: Engine, tmp_path: Path) -> None:
    done = run(engine, frozen(tmp_path, ["S1", "S2", "S3"]), in_flight=1)
    assert [done[serial].verdict for serial in ("S1", "S2", "S3")] == ["accept", "ungraded", "ungraded"]
    assert [done[serial].twin for serial in ("S1", "S2", "S3")] == ["", "S1", "S1"]
    rows = {row["serial"]: row for row in list_inspections(engine)}
    assert rows["S2"]["reason"].startswith("its picture S2_v1_a.png is byte for byte that of board S1: the camera may")
    with engine.connect() as connection:  # what was measured is that of another board, and enters no rate
        assert connection.execute(text("SELECT count(*) FROM joint_result")).scalar_one() == 8
    assert list(verify(engine, Filter(superseded=True), Tally())) == []


def test_boards_written_in_one_transaction_are_compared_too(engine: Engine, tmp_path: Path) -> None:
    done = run(engine, frozen(tmp_path, ["S1", "S2", "S3", "S4"]), in_flight=4)
    assert sorted(result.verdict for result in done.values()) == ["accept", *["ungraded"] * 3]


def test_a_board_may_have_its_own_picture_again(engine: Engine, tmp_path: Path) -> None:
    boards = frozen(tmp_path, ["S1"])
    run(engine, boards)
    stricter = Job(engine, invented.family(), invented.station(), invented.sheet(280.0))
    result, = grade_folder(boards, fake.grade, AtOnce, stricter)
    assert (result.verdict, result.skipped, result.twin) == ("accept", False, "")


def test_again_is_the_word_of_a_person(engine: Engine, tmp_path: Path) -> None:
    boards = frozen(tmp_path, ["S1", "S2"])
    run(engine, boards, in_flight=1)
    assert run(engine, boards)["S2"].skipped
    assert {result.verdict for result in run(engine, boards, again=True).values()} == {"accept"}


def test_another_family_may_have_the_picture(engine: Engine, tmp_path: Path) -> None:
    run(engine, frozen(tmp_path, ["S1"]))
    other = invented.inspection("S2", pictures=())
    picture = replace(invented.picture("S2"), sha256=run_hash(engine))
    assert find_twins(engine, "sample-1", [replace(other, pictures=(picture,))], 255) != [None]
    assert find_twins(engine, "sample-2", [replace(other, pictures=(picture,))], 255) == [None]


def test_an_ungraded_board_keeps_its_own_reason(engine: Engine, tmp_path: Path) -> None:
    first, second = frozen(tmp_path, ["S1", "S2"])
    done = run(engine, [first, BoardFiles("S2", second.pictures, ("view v1: too dark",))], in_flight=1)
    assert (done["S2"].verdict, done["S2"].twin) == ("ungraded", "")
    assert {row["serial"]: row["reason"] for row in list_inspections(engine)}["S2"] == "view v1: too dark"


def test_pictures_that_could_not_be_read_are_no_twins(engine: Engine) -> None:
    made = [invented.inspection(serial, pictures=(replace(invented.picture(serial), sha256=""),))
            for serial in ("S1", "S2")]
    invented.save(engine, made[0])
    assert find_twins(engine, "sample-1", made, 255) == [None, None]


def test_a_board_costs_one_query_on_the_index(engine: Engine) -> None:
    for number in range(40):
        invented.save(engine, invented.inspection(f"S{number}"))
    asked: list[tuple[str, Any]] = []
    event.listen(engine, "before_cursor_execute", lambda *given: asked.append((given[2], given[3])))
    assert find_twins(engine, "sample-1", [invented.inspection("S99")], 255) == [None]
    queries = [(statement, values) for statement, values in asked if "FROM picture" in statement]
    assert len(queries) == 1
    if engine.dialect.name == "sqlite":  # PostgreSQL plans by size: a table of forty rows is read as a whole
        with engine.connect() as connection:
            plan = connection.exec_driver_sql("EXPLAIN QUERY PLAN " + queries[0][0], queries[0][1]).all()
        assert any("ix_picture_sha256" in str(row) for row in plan)


def run_hash(engine: Engine) -> str:
    with engine.connect() as connection:
        return str(connection.execute(text("SELECT sha256 FROM picture")).scalar_one())
