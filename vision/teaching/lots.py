"""Rendered lots and what is measured on them, kept in a cache so that no board is rendered twice."""

from __future__ import annotations

import csv
import hashlib
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np

import models
import synthetic_images
import vision
from models.table import LabelledTable, join_tables, read_table, write_table
from vision.pipeline.folder import BoardFiles, scan_folder
from vision.pipeline.measure import BoardMeasurements, measure_board
from vision.pipeline.view.capture import PictureError
from vision.pipeline.view.register import RegistrationError
from vision.pipeline.worker import set_up
from vision.setup.family import Family
from vision.setup.station import Station
from vision.teaching.truth import labelled, read_truth

if TYPE_CHECKING:
    from synthetic_images.recipe import Recipe

Progress = Callable[[int, int], None]
Found = TypeVar("Found")
_JOINTS, _CHIPS, _BOARDS = "joints.csv", "chips.csv", "boards.csv"


@dataclass(frozen=True)
class TrainingTables:
    """What was measured on rendered boards, with the truth, and what could not be measured."""

    joints: LabelledTable
    chips: LabelledTable
    boards: int
    unmeasured: tuple[str, ...]  # "B0007: reason"
    reused: int  # boards that came from the cache


@dataclass(frozen=True)
class _Lot:
    """Measured boards 1 to len(reasons) of a lot; `reasons` are empty where a board could be measured."""

    joints: LabelledTable
    chips: LabelledTable
    reasons: tuple[str, ...]


def training_tables(family: Family, station: Station, *, boards: int, seed: int, defect_rate: float = 0.4,
                    jobs: int = 1, cache: Path | None = None, progress: Progress | None = None,
                    recipe: Recipe | None = None) -> TrainingTables:
    """Render boards with planted defects and measure them.

    Parameters
    ----------
    family, station
        What is rendered and how it is seen.
    boards
        How many; they are the first ones of an endless lot that `seed` and `defect_rate` determine.
    seed
        Makes the lot repeatable.
    defect_rate
        Share of joints with a planted defect.
    jobs
        How many processes work at once.
    cache
        A folder that keeps the measured tables. What it holds for the same family, station, seed, rate and program
        is read from it, and only further boards are rendered. None keeps nothing.
    progress
        Called with (done, total) as boards are done.
    recipe
        The family's own recipe for rendering; None is the shipped one.

    """
    family = replace(family, uncertainty=None)  # what is measured does not hang on what is stated about it
    with kept(cache) as folder:
        place = folder / lot_key(family, station, seed, defect_rate, recipe)
        place.mkdir(parents=True, exist_ok=True)
        known = _read(place)
        have = min(boards, len(known.reasons)) if known else 0
        if progress is not None:
            progress(have, boards)
        if known is None or have < boards:
            job = partial(_render_and_measure, family=family, station=station, seed=seed, defect_rate=defect_rate,
                          lot=place.name, recipe=recipe)
            more = in_parallel(job, range(have + 1, boards + 1), jobs,
                                None if progress is None else partial(_shifted, progress, have))
            _write(place, _joined(([known] if known else []) + more))
            # Training always starts from the file, also right after it is written, so that a cached lot and a
            # fresh one give the same sheet to the last digit.
            known = _read(place)
            assert known is not None
        first = [f"{place.name}:{number}" for number in range(1, boards + 1)]
        failed = tuple(f"B{number:04d}: {reason}" for number, reason in enumerate(known.reasons[:boards], start=1)
                       if reason)
        return TrainingTables(_of_boards(known.joints, first), _of_boards(known.chips, first), boards, failed, have)


def _shifted(progress: Progress, before: int, done: int, total: int) -> None:
    progress(before + done, before + total)


def _of_boards(table: LabelledTable, boards: Sequence[str]) -> LabelledTable:
    chosen = set(boards)
    return table.take(np.array([board in chosen for board in table.boards], dtype=bool))


@contextmanager
def kept(cache: Path | None) -> Iterator[Path]:
    """Give the cache folder, or a temporary one that goes away."""
    if cache is not None:
        cache.mkdir(parents=True, exist_ok=True)
        yield cache
        return
    with tempfile.TemporaryDirectory(prefix="meniscope-") as name:
        yield Path(name)


def lot_key(family: Family, station: Station, seed: int, defect_rate: float, recipe: Recipe | None = None) -> str:
    """Return the name of what determines every measured value: setup, seed, rate, recipe and the program itself."""
    from synthetic_images.recipe import default_recipe
    from vision.records.keys import family_content, station_content

    parts = [family_content(family)[1], station_content(station)[1], str(seed), repr(float(defect_rate)),
             program_key()]
    if recipe is not None and recipe != default_recipe():
        parts.append(repr(sorted(recipe.entries.items())))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:24]


@lru_cache(maxsize=1)
def program_key() -> str:
    """Return a hash of the program's version and of the code that renders, measures and writes the tables."""
    digest = hashlib.sha256(vision.__version__.encode())
    for package, parts in ((vision, ("pipeline", "setup", "teaching")), (synthetic_images, (".",)),
                           (models, ("vocabulary.py", "table.py"))):
        root = Path(str(package.__file__)).parent
        places = [root / part for part in parts]
        files = [path for place in places for path in (place.rglob("*") if place.is_dir() else [place])]
        for path in sorted(files):
            if path.suffix in (".py", ".toml", ".csv"):
                digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def _render_and_measure(number: int, family: Family, station: Station, seed: int, defect_rate: float,
                        lot: str, recipe: Recipe | None) -> _Lot:
    """Render one board, measure it, and clear its pictures away (in a worker)."""
    from synthetic_images.lot import render_lot

    with tempfile.TemporaryDirectory(prefix="meniscope-board-") as name:
        folder = Path(name)
        render_lot(family, station, folder, boards=1, seed=seed, defect_rate=defect_rate, first_serial=number,
                   recipe=recipe)
        truth = read_truth(folder)
        files = scan_folder(folder, station, family)[0]
        result = measure_one(files, family, station)
    measured = [] if isinstance(result, str) else [result]
    board = f"{lot}:{number}"
    return _Lot(labelled(measured, truth, "joint", board), labelled(measured, truth, "chip", board),
                (result if isinstance(result, str) else "",))


def measure_one(files: BoardFiles, family: Family, station: Station) -> BoardMeasurements | str:
    """Measure one board; a board that cannot be measured comes back as the reason."""
    set_up()
    try:
        return measure_board(files, family, station)
    except (PictureError, RegistrationError) as error:
        return str(error)


def in_parallel(job: Callable[[int], Found], numbers: Sequence[int], jobs: int, progress: Progress | None
                ) -> list[Found]:
    """Run a job for every board number; return the results in order."""
    from vision.records.workers import processes

    with processes(min(jobs, len(numbers))) if jobs > 1 else ThreadPoolExecutor(1) as pool:
        waiting = [pool.submit(job, number) for number in numbers]
        try:
            for done, future in enumerate(as_completed(waiting), start=1):
                future.result()  # a fault ends the whole work at once
                if progress is not None:
                    progress(done, len(numbers))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
        return [future.result() for future in waiting]


def _joined(lots: Sequence[_Lot]) -> _Lot:
    return _Lot(join_tables([lot.joints for lot in lots]), join_tables([lot.chips for lot in lots]),
                tuple(reason for lot in lots for reason in lot.reasons))


def _write(place: Path, lot: _Lot) -> None:
    """Write a lot's tables, and last the list of boards that says they are whole."""
    (place / _BOARDS).unlink(missing_ok=True)
    write_table(lot.joints, place / _JOINTS)
    write_table(lot.chips, place / _CHIPS)
    with (place / f"{_BOARDS}.new").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["board", "reason"])
        writer.writerows(enumerate(lot.reasons, start=1))
    (place / f"{_BOARDS}.new").replace(place / _BOARDS)


def _read(place: Path) -> _Lot | None:
    """Return the cached lot, or None where there is none that is whole."""
    if not (place / _BOARDS).is_file():
        return None
    with (place / _BOARDS).open(newline="", encoding="utf-8") as file:
        reasons = tuple(row["reason"] for row in csv.DictReader(file))
    return _Lot(read_table(place / _JOINTS, "joint"), read_table(place / _CHIPS, "chip"), reasons)
