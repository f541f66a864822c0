"""Grading on a Dask cluster: a scheduler and two workers as processes of their own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import fake_graders as fake
import invented_boards as invented
import pytest
from sqlalchemy import Engine

from vision.records import RecordsError, list_inspections
from vision.records.batch import CRASHED, Job, grade_folder
from vision.records.workers import cluster

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Start a scheduler and two workers; gives the scheduler's address."""
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    folder = tmp_path_factory.mktemp("cluster")
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE), str(ROOT)]), "PYTHONWARNINGS": "ignore",
                                "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1"}

    def start(*arguments: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_" + arguments[0], *arguments[1:]],
                                env=environment, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    note = folder / "scheduler.json"
    running = [start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-jupyter",
                     "--scheduler-file", str(note))]
    try:
        invented.wait_until(lambda: note.exists() and note.stat().st_size > 0, 60.0)
        import json

        where = json.loads(note.read_text())["address"]
        running += [start("worker", where, "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1",
                          "--local-directory", str(folder)) for _ in range(2)]
        invented.wait_until(lambda: _workers(where) == 2, 60.0)
        yield where
    finally:
        for process in reversed(running):
            process.terminate()
        for process in running:
            process.wait(30)


def _workers(where: str) -> int:
    try:
        with cluster(where) as (_, cores):
            return cores
    except RecordsError:
        return 0


def job(engine: Engine) -> Job:
    return Job(engine, invented.family(), invented.station(), invented.sheet(), in_flight=5)


def test_a_cluster_grades_and_survives_a_dead_worker(address: str, file_engine: Engine, tmp_path: Path) -> None:
    engine = file_engine
    boards = fake.boards(tmp_path, ["B1", "B2bad", "B3", "B4raise", "B5crash", "B6", "B7"])
    with cluster(address) as (workers, cores):
        assert cores == 2
        results = {result.serial: result for result in grade_folder(boards, fake.grade, workers, job(engine))}
        assert {serial: result.verdict for serial, result in results.items()} == {
            "B1": "accept", "B2bad": "reject", "B3": "accept", "B4raise": "ungraded", "B5crash": "ungraded",
            "B6": "accept", "B7": "accept"}
        reasons = {row["serial"]: row["reason"] for row in list_inspections(engine)}
        assert reasons["B5crash"] == CRASHED
        assert reasons["B4raise"].startswith("the program failed on this board: ZeroDivisionError: invented fault")
        again = list(grade_folder(boards[:4], fake.grade, workers, job(engine)))
        assert {result.serial for result in again if not result.skipped} == {"B4raise"}


def test_nobody_answers() -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    with pytest.raises(RecordsError) as caught, cluster("tcp://127.0.0.1:1"):
        raise AssertionError("must not be reached")
    assert str(caught.value) == ("cluster tcp://127.0.0.1:1: no scheduler answers there; start one with "
                                 "`dask scheduler` and workers with `dask worker`")


def test_an_address_that_is_none() -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    with pytest.raises(RecordsError, match=r"^cluster nonsense: "), cluster("nonsense"):
        raise AssertionError("must not be reached")
