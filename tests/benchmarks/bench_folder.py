"""Whole-folder grading against bare decoding: how much more than reading the pictures does a graded board cost?

    python tests/benchmarks/bench_folder.py [--boards 60] [--pictures FOLDER] [--jobs 2] [--rounds 3]

In one run, the same PNG files are decoded by OpenCV in as many processes, and graded as `meniscope grade` does (worker
processes, SQLite with full synchronisation, a transaction a board). Start-up of the processes is left out of both.
Goal: at most 1.6 times the decoding. FOLDER is one that this benchmark rendered before (a lot of the demonstration
family); without it the boards are rendered first. A sheet of the workmanship criteria judges.
"""

from __future__ import annotations

import argparse
import functools
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[2])]

import cv2  # noqa: E402

from models.criteria import workmanship_rules  # noqa: E402
from models.limits import LimitSheet  # noqa: E402
from synthetic_images.demo import demo_family, demo_station  # noqa: E402
from synthetic_images.lot import render_lot  # noqa: E402
from vision.pipeline.folder import BoardFiles, scan_folder  # noqa: E402
from vision.records import open_database  # noqa: E402
from vision.records.batch import Job, grade_folder  # noqa: E402
from vision.records.workers import BoardGrader, processes  # noqa: E402

GOAL = 1.6


def decode(files: BoardFiles) -> int:
    """Decode a board's pictures and nothing else."""
    cv2.setNumThreads(1)
    return sum(cv2.imread(str(path), cv2.IMREAD_UNCHANGED).size for path in files.pictures.values())


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


class Warm(Executor):
    """Hands the same running worker processes to every batch, so that their start is not measured."""

    def __init__(self, executor: Executor) -> None:
        self._executor = executor

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Pass the work on."""
        return self._executor.submit(fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Keep the workers."""


def _grade(boards: list[BoardFiles], grader: BoardGrader, pool: Executor, job: Job) -> None:
    for _ in grade_folder(boards, grader, lambda: Warm(pool), job):
        pass


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=60)
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    family, station = demo_family(), demo_station()
    sheet = LimitSheet(workmanship_rules(2), family.name, 2)
    with tempfile.TemporaryDirectory() as temporary:
        folder = args.pictures or Path(temporary) / "pictures"
        if not folder.is_dir() or not scan_folder(folder, station, family):
            print(f"rendering {args.boards} boards into {folder}", file=sys.stderr)
            render_lot(family, station, folder, boards=args.boards, seed=3, defect_rate=0.1, workers=args.jobs)
        boards = scan_folder(folder, station, family)
        picture = cv2.imread(str(next(iter(boards[0].pictures.values()))))
        pool = processes(args.jobs)
        grader = BoardGrader(family, station, sheet)
        list(pool.map(decode, boards[: 2 * args.jobs]))
        list(pool.map(grader, boards[: 2 * args.jobs]))
        reading, grading = [], []
        for number in range(args.rounds):
            engine = open_database(Path(temporary) / f"results{number}.sqlite")
            job = Job(engine, family, station, sheet, in_flight=2 * args.jobs + 1)
            reading.append(timed(lambda: list(pool.map(decode, boards))))
            grading.append(timed(functools.partial(_grade, boards, grader, pool, job)))
            engine.dispose()
        pool.shutdown()
    ratio = statistics.median(grading) / statistics.median(reading)
    print(f"{len(boards)} boards, {len(family.joints)} joints each, pictures {picture.shape[1]} x {picture.shape[0]}, "
          f"{args.jobs} processes")
    for name, times in (("decoding", reading), ("grading", grading)):
        middle = statistics.median(times)
        print(f"  {name:<9} {middle:7.2f} s   {1000 * middle / len(boards):6.1f} ms a board")
    print(f"  ratio     {ratio:7.2f}     {'ok' if ratio <= GOAL else 'MISSED'} (goal {GOAL})")
    sys.exit(0 if ratio <= GOAL else 1)


if __name__ == "__main__":
    main()
