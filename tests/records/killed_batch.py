"""A batch run by a test in a process of its own, to be killed: python killed_batch.py DATABASE FOLDER BOARDS."""

from __future__ import annotations

import sys
from pathlib import Path

import fake_graders as fake
import invented_boards as invented

from vision.records import open_database
from vision.records.batch import Job, grade_folder
from vision.records.workers import processes


def main() -> None:
    """Grade and print each serial as it is done, without those done by an earlier run."""
    database, folder, count = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    boards = fake.boards(folder, [f"B{number:04d}{'bad' if number % 5 == 0 else ''}" for number in range(count)])
    engine = open_database(database)
    job = Job(engine, invented.family(), invented.station(), invented.sheet(), in_flight=5,
              targets=(str(folder / "handed.jsonl"),))
    print("started", flush=True)
    for result in grade_folder(boards, fake.grade, lambda: processes(2), job):
        if not result.skipped:
            print(result.serial, flush=True)
    engine.dispose()


if __name__ == "__main__":
    main()
