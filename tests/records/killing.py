"""Kills batches at random moments and looks at what is left. Used by a test and by the crash benchmark."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import func, select

from vision.records import Filter, list_inspections, open_database
from vision.records.database import reading
from vision.records.schema import Handover, InspectionRow
from vision.records.verify import Tally, verify

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


@dataclass(frozen=True)
class Left:
    """What a kill left behind."""

    boards: int
    differences: int


def run_batch(database: str, folder: Path, count: int) -> subprocess.Popen[str]:
    """Start a batch and wait until it grades."""
    path = os.pathsep.join([str(HERE), str(ROOT)])
    batch = subprocess.Popen([sys.executable, str(HERE / "killed_batch.py"), database, str(folder), str(count)],
                             stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
                             env=os.environ | {"PYTHONPATH": path})
    assert batch.stdout is not None
    assert batch.stdout.readline() == "started\n"
    return batch


def kills(database: str, folder: Path, count: int, times: int, seed: int) -> Iterator[Left]:
    """Kill a batch (SIGKILL, no warning) so many times at random moments; yield what is left each time."""
    chance = random.Random(seed)
    for _ in range(times):
        batch = run_batch(database, folder, count)
        assert batch.stdout is not None
        # Once in a while before any board is done, else somewhere among them.
        for _ in range(chance.choice((0, 1, 2, 4, 7, 12))):
            batch.stdout.readline()
        time.sleep(chance.uniform(0.0, 0.1))
        batch.send_signal(signal.SIGKILL)
        batch.wait()
        batch.stdout.close()
        yield look(database)


def look(database: str) -> Left:
    """Count the boards recorded, and what verification finds."""
    engine = open_database(database)
    try:
        found = list(verify(engine, Filter(superseded=True), Tally()))
        return Left(len(list_inspections(engine, Filter(superseded=True))), len(found))
    finally:
        engine.dispose()


def finish(database: str, folder: Path, count: int) -> tuple[int, int, int]:
    """Let the batch run to its end; return inspections, different serials, and disposition lines written."""
    batch = run_batch(database, folder, count)
    batch.communicate(timeout=300)
    assert batch.returncode == 0
    engine = open_database(database)
    try:
        with reading(engine) as connection:
            total = connection.execute(select(func.count()).select_from(InspectionRow.__table__)).scalar_one()
            lines = connection.execute(select(func.count()).select_from(Handover.__table__)).scalar_one()
        return total, len({row["serial"] for row in list_inspections(engine)}), lines
    finally:
        engine.dispose()
