"""Rendering a lot of boards into a folder, in parallel, with truth.csv beside the pictures."""

from __future__ import annotations

import csv
import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from synthetic_images.board import plan_board, render_view
from synthetic_images.camera import Picture
from synthetic_images.canvas import LABELS
from synthetic_images.recipe import Recipe
from synthetic_images.truth import HEADER, TruthRow
from vision.setup import Family, InputError, Problem, Station

MAPS = "maps"  # the sub-folder of label and slope maps
DEEP_ENDINGS = (".png", ".tif", ".tiff")  # hold 16 bit
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class LotSummary:
    """What was rendered: counts over all boards, and where it lies."""

    folder: Path
    boards: int
    pictures: int
    joints: int
    defective_joints: int
    findings: dict[str, int]  # finding -> rows


@dataclass(frozen=True)
class _Task:
    family: Family
    station: Station
    folder: Path
    serial: str
    seed: tuple[int, ...]
    defect_rate: float
    recipe: Recipe | None
    look_seed: int | None
    maps: bool


def render_lot(family: Family, station: Station, folder: Path | str, *, boards: int, seed: int, defect_rate: float,
               first_serial: int = 1, prefix: str = "B", workers: int = 1, progress: Progress | None = None,
               recipe: Recipe | None = None, one_look: bool = False, maps: bool = False) -> LotSummary:
    """Render boards named `prefix` + number into a folder, with truth.csv.

    A board depends on `seed` and its own number only, so equal seeds give byte-identical files whatever `workers` is.
    `one_look` gives all boards of the lot the same mask, finish and lamps, as a real lot has. `maps` also writes, into
    the folder's sub-folder maps, SERIAL_VIEW_labels.png (what each pixel shows: numbers of labels.csv there) and
    SERIAL_VIEW_slope.png (16 bit, hundredths of a degree).

    Raises InputError where numbers make no sense or the pictures cannot be written.
    """
    folder = Path(folder)
    if boards < 1 or workers < 1 or not 0.0 <= defect_rate <= 1.0:
        raise InputError([Problem("render", "boards, workers, defect_rate", f"{boards}, {workers}, {defect_rate}",
                                  "at least 1, at least 1, 0 to 1")])
    folder.mkdir(parents=True, exist_ok=True)
    look = int(np.random.default_rng([seed, 1]).integers(2**31)) if one_look else None
    if maps:
        (folder / MAPS).mkdir(exist_ok=True)
        lines = [f"{number},{label}\n" for number, label in enumerate(LABELS)]
        (folder / MAPS / "labels.csv").write_text("number,label\n" + "".join(lines), encoding="utf-8")
    tasks = [_Task(family, station, folder, f"{prefix}{number:04d}", (seed, number), defect_rate, recipe, look, maps)
             for number in range(first_serial, first_serial + boards)]
    rows: list[TruthRow] = []
    for done, board_rows in enumerate(_run(tasks, workers), start=1):
        rows += board_rows
        if progress is not None:
            progress(done, boards)
    write_truth(rows, folder / "truth.csv")
    return _summary(rows, folder, boards, boards * len(family.views) * len(station.exposures))


def _run(tasks: list[_Task], workers: int) -> Iterator[list[TruthRow]]:
    if workers == 1 or len(tasks) == 1:
        yield from map(_render_board, tasks)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(workers, len(tasks)), mp_context=context, initializer=_one_thread) as pool:
        yield from pool.map(_render_board, tasks)


def _one_thread() -> None:
    cv2.setNumThreads(1)


def _render_board(task: _Task) -> list[TruthRow]:
    rng = np.random.default_rng(task.seed)
    plan = plan_board(task.family, rng, recipe=task.recipe, defect_rate=task.defect_rate, look_seed=task.look_seed)
    rows: list[TruthRow] = []
    for view in task.family.views:
        rendered = render_view(plan, view, task.station, serial=task.serial, maps=task.maps)
        rows += rendered.rows
        for exposure, picture in rendered.pictures.items():
            name = task.station.files.format(serial=task.serial, view=view.name, exposure=exposure)
            _write(task.folder / name, picture)
        if rendered.labels is not None and rendered.slope_deg is not None:
            stem = f"{task.serial}_{view.name}"
            _write(task.folder / MAPS / f"{stem}_labels.png", rendered.labels)
            _write(task.folder / MAPS / f"{stem}_slope.png", np.rint(rendered.slope_deg * 100.0).astype(np.uint16))
    return rows


def _write(path: Path, picture: Picture) -> None:
    if picture.dtype == np.uint16 and path.suffix.lower() not in DEEP_ENDINGS:
        raise InputError([Problem(str(path), "files", f"pictures of more than 8 bit as {path.suffix}",
                                  f"names that end in one of {' '.join(DEEP_ENDINGS)}, or camera.bits = 8")])
    try:
        written = cv2.imwrite(str(path), picture)
    except cv2.error:
        written = False
    if not written:
        raise InputError([Problem(str(path), "", "a picture that could not be written", "a writable folder")])


def write_truth(rows: list[TruthRow], path: Path) -> None:
    """Write truth.csv."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEADER)
        writer.writerows(row.cells() for row in rows)


def _summary(rows: list[TruthRow], folder: Path, boards: int, pictures: int) -> LotSummary:
    joints = {(row.serial, row.ref, row.pin) for row in rows if row.pin}
    bad = {(row.serial, row.ref, row.pin) for row in rows if row.pin and row.finding}
    names = sorted({row.finding for row in rows if row.finding})
    return LotSummary(folder, boards, pictures, len(joints), len(bad),
                      {name: sum(row.finding == name for row in rows) for name in names})
