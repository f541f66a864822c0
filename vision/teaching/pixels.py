"""Learning from rendered boards what the lights' mean slope means: a curve of slope for each class of roughness.

The physics of the lights knows a smooth, round-about mirror. Boards rendered with their slope map tell what the
pipeline's own samples show on average, smoothing, neighbours and grain included. Boards that are held back judge.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images.board import RenderedView, plan_board, render_view
from synthetic_images.canvas import LABELS
from synthetic_images.lot import write_truth
from vision.pipeline.folder import scan_folder
from vision.pipeline.light.optics import ROUGHNESS, optics_of, slope_from_moment
from vision.pipeline.measure import ViewSurfaces, see_view
from vision.pipeline.view.capture import PictureError, load_view
from vision.pipeline.view.register import RegistrationError
from vision.pipeline.view.unwrap import RING, azimuths_rad
from vision.setup import Family, Station
from vision.setup.pixels import PixelPoint, PixelTable, pixel_table
from vision.teaching.lots import Progress, in_parallel, measure_one
from vision.teaching.truth import labelled, read_truth

HOLD_BACK = 3  # every third board judges
CLASSES = 3  # of roughness, at most
BIN_DEG = 1.0  # of the lights' mean slope
LEAST_SAMPLES = 200  # that a point of a curve rests on
JUDGED_DEG = (5.0, 50.0)  # true slopes that the samples' error is taken from
WETTING_DEG = (10.0, 45.0)  # true wetting angles that their error is taken from
EVERY = 3  # samples of neighbouring azimuths say the same


@dataclass(frozen=True)
class Samples:
    """Lit samples of solder: one value each."""

    roughness: NDArray[np.float64]
    moment_deg: NDArray[np.float32]
    slope_deg: NDArray[np.float32]  # true

    def __len__(self) -> int:
        return len(self.moment_deg)


@dataclass(frozen=True)
class Judged:
    """Mean absolute errors on boards held back, by physics and by the learned curves."""

    what: str
    unit: str
    physics: float
    learned: float
    n: int

    @property
    def worse(self) -> bool:
        """Whether the learned curves do worse."""
        return self.learned > self.physics


@dataclass(frozen=True)
class LearnedPixels:
    """The curves of one station, and whether boards that were not learned from speak for them."""

    points: tuple[PixelPoint, ...]
    judged: tuple[Judged, ...]
    boards: int
    held_back: int
    unmeasured: tuple[str, ...]

    @property
    def better(self) -> bool:
        """Whether nothing got worse and something was judged at all."""
        return bool(self.points and self.judged) and not any(item.worse or item.n == 0 for item in self.judged)


@dataclass(frozen=True)
class _Board:
    samples: Samples
    errors: dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]]  # measure: (true, measured)
    reason: str


def curve_of(moment_deg: NDArray[np.float32], slope_deg: NDArray[np.float32]) -> list[tuple[float, float, int]]:
    """Return a rising curve through samples: (moment, slope, samples) by bins of the moment.

    The median of each bin, made monotone by isotonic regression weighted by the bins' samples.
    """
    from sklearn.isotonic import IsotonicRegression

    place = np.floor(moment_deg / BIN_DEG).astype(int)
    bins = [(index, place == index) for index in np.unique(place).tolist()]
    kept = [(index, inside) for index, inside in bins if inside.sum() >= LEAST_SAMPLES]
    if len(kept) < 2:
        return []
    moment = np.array([np.median(moment_deg[inside]) for _, inside in kept], dtype=np.float64)
    slope = np.array([np.median(slope_deg[inside]) for _, inside in kept], dtype=np.float64)
    count = np.array([int(inside.sum()) for _, inside in kept])
    rising = np.maximum.accumulate(IsotonicRegression().fit_transform(moment, slope, sample_weight=count))
    return [(round(float(m), 3), round(float(s), 3), int(n))
            for m, s, n in zip(moment, rising, count, strict=True)]


def curves_of(samples: Samples, station: str) -> tuple[PixelPoint, ...]:
    """Return the curves of up to CLASSES classes of roughness, each with as many samples as the others."""
    if not len(samples):
        return ()
    edges = np.unique(np.quantile(samples.roughness, np.linspace(0.0, 1.0, CLASSES + 1)[1:-1]))
    of_class = np.searchsorted(edges, samples.roughness, side="right")
    points: dict[tuple[float, float], PixelPoint] = {}
    for index in np.unique(of_class).tolist():
        own = of_class == index
        roughness = round(float(np.median(samples.roughness[own])), 4)
        for moment, slope, count in curve_of(samples.moment_deg[own], samples.slope_deg[own]):
            points.setdefault((roughness, moment), PixelPoint(station, roughness, moment, slope, count))
    return pixel_table(tuple(points.values())).points


def learn_pixels(family: Family, station: Station, *, boards: int = 12, seed: int = 1, defect_rate: float = 0.2,
                 jobs: int = 1, progress: Progress | None = None) -> LearnedPixels:
    """Render boards, learn the curves from two thirds of them and judge them by the others."""
    family = replace(family, pixels=None, uncertainty=None)
    job = partial(_one_board, family=family, station=station, seed=seed, defect_rate=defect_rate)
    found = in_parallel(job, range(1, boards + 1), jobs, progress)
    held = [number for number in range(1, boards + 1) if number % HOLD_BACK == 0]
    points = curves_of(_joined([found[n - 1].samples for n in range(1, boards + 1) if n not in held]), station.name)
    judged: tuple[Judged, ...] = ()
    if points and held:
        taught = replace(family, pixels=PixelTable(points))
        again = in_parallel(partial(_one_board, family=taught, station=station, seed=seed, defect_rate=defect_rate),
                            held, jobs, None)
        judged = _judged([found[n - 1] for n in held], again, taught, station)
    reasons = tuple(f"B{n:04d}: {board.reason}" for n, board in enumerate(found, start=1) if board.reason)
    return LearnedPixels(points, judged, boards, len(held), reasons)


def _judged(before: Sequence[_Board], after: Sequence[_Board], family: Family, station: Station) -> tuple[Judged, ...]:
    samples = _joined([board.samples for board in before])
    inside = (samples.slope_deg >= JUDGED_DEG[0]) & (samples.slope_deg <= JUDGED_DEG[1])
    off = [float(np.abs(_slopes(samples, station, table)[inside] - samples.slope_deg[inside]).mean())
           if inside.any() else np.nan for table in (None, family.pixels)]
    found = [Judged("slope of a sample", "deg", off[0], off[1], int(inside.sum()))]
    for name, unit, low, high in (("wetting_angle_deg", "deg", *WETTING_DEG), ("fillet_height_mm", "mm", -1.0, 99.0),
                                  ("land_cover_pct", "%", -1.0, 101.0)):
        errors = []
        for boards in (before, after):
            pairs = [board.errors[name] for board in boards if name in board.errors]
            true, seen = (np.concatenate([pair[side] for pair in pairs] or [np.zeros(0)]) for side in (0, 1))
            errors.append(np.abs(seen - true)[np.isfinite(true - seen) & (true >= low) & (true <= high)])
        means = [float(np.mean(part)) if len(part) else float("nan") for part in errors]
        found.append(Judged(name, unit, means[0], means[1], min(len(part) for part in errors)))
    return tuple(found)


def _slopes(samples: Samples, station: Station, table: PixelTable | None) -> NDArray[np.float32]:
    """Return the slopes that the pipeline gives samples."""
    optics = optics_of(station, table)
    grid = np.stack([slope_from_moment(samples.moment_deg.copy(), optics, float(rough)) for rough in ROUGHNESS])
    place = np.interp(samples.roughness, ROUGHNESS, np.arange(len(ROUGHNESS)))
    low = np.minimum(place.astype(int), len(ROUGHNESS) - 2)
    each = np.arange(len(samples))
    share = place - low
    return np.asarray((1 - share) * grid[low, each] + share * grid[low + 1, each], dtype=np.float32)


def _joined(parts: Sequence[Samples]) -> Samples:
    return Samples(np.concatenate([part.roughness for part in parts] or [np.zeros(0)]),
                   np.concatenate([part.moment_deg for part in parts] or [np.zeros(0, np.float32)]),
                   np.concatenate([part.slope_deg for part in parts] or [np.zeros(0, np.float32)]))


def _one_board(number: int, family: Family, station: Station, seed: int, defect_rate: float) -> _Board:
    """Render one board, sample what it shows and what it is, and measure it (in a worker)."""
    plan = plan_board(family, np.random.default_rng((seed, number)), defect_rate=defect_rate)
    with tempfile.TemporaryDirectory(prefix="meniscope-pixels-") as name:
        folder, rows, shown = Path(name), [], {}
        for view in family.views:
            shown[view.name] = render_view(plan, view, station, serial="P", maps=True)
            rows += list(shown[view.name].rows)
            for exposure, picture in shown[view.name].pictures.items():
                cv2.imwrite(str(folder / station.files.format(serial="P", view=view.name, exposure=exposure)), picture)
        write_truth(rows, folder / "truth.csv")
        files = scan_folder(folder, station, family)[0]
        try:
            samples = _joined([board_samples(see_view(load_view(view.name, files.pictures, station), family, view,
                                                      station), shown[view.name]) for view in family.views])
        except (PictureError, RegistrationError) as error:
            return _Board(_joined([]), {}, str(error))
        result = measure_one(files, family, station)
        if isinstance(result, str):
            return _Board(samples, {}, result)
        table = labelled([result], read_truth(folder), "joint")
    return _Board(samples, {name: (np.asarray(table.exact[name]), np.asarray(table.columns[name]))
                            for name in ("wetting_angle_deg", "fillet_height_mm", "land_cover_pct")
                            if name in table.exact}, "")


def board_samples(seen: ViewSurfaces, shown: RenderedView) -> Samples:
    """Return the lit samples over the lands that show solder, with the true slope at each sample's place."""
    assert shown.labels is not None and shown.slope_deg is not None
    if not seen.joints:
        return Samples(np.zeros(0), np.zeros(0, np.float32), np.zeros(0, np.float32))
    azimuth = azimuths_rad()
    direction = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1) @ seen.registration.to_picture.matrix.T
    center = seen.registration.to_picture.to_px([(joint.x_mm, joint.y_mm) for joint in seen.joints]) - 0.5
    radius = seen.patches.radius_mm[:, ::EVERY, RING]
    maps = [(radius * direction[None, ::EVERY, axis, None] + center[:, None, None, axis]).astype(np.float32)
            for axis in (0, 1)]
    x, y = (part.reshape(-1, part.shape[2]) for part in maps)
    label = cv2.remap(shown.labels, x, y, cv2.INTER_NEAREST).reshape(radius.shape)
    slope = cv2.remap(shown.slope_deg, x, y, cv2.INTER_LINEAR).reshape(radius.shape)
    kept = (label == LABELS.index("solder")) & seen.surface.solder[:, ::EVERY, RING]
    rough = np.broadcast_to(seen.surface.roughness[:, None, None], radius.shape)
    return Samples(rough[kept].astype(np.float64), seen.surface.moment_deg[:, ::EVERY, RING][kept],
                   np.asarray(slope[kept], dtype=np.float32))
