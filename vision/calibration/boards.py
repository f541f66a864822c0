"""What a day's boards say about the station: fiducials and mask under each light, scale, focus, saturation."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import MeniscopeError
from vision.calibration.ball import edge_points
from vision.calibration.pictures import CalibrationError
from vision.calibration.reference import BoardReference
from vision.pipeline.folder import BoardFiles
from vision.pipeline.light.lights import find_fault, sample
from vision.pipeline.measure import ViewSurfaces, see_view
from vision.pipeline.view.capture import Capture, load_view
from vision.setup.family import Family
from vision.setup.station import Station


@dataclass(frozen=True)
class BoardDay:
    """The boards that were looked at. fiducial and mask [light] are medians; NaN where no fiducial was seen.

    faults: what is wrong with the lights, and on how many boards; lost: reasons why boards could not be read.
    """

    boards: int
    read: int
    scale: float
    blur_px: float
    fiducial: NDArray[np.float64]
    mask: NDArray[np.float64]
    saturated_pct: float
    faults: tuple[tuple[str, str, str, int], ...]  # kind, light, words, boards
    lost: tuple[tuple[str, int], ...]


def look_at_boards(boards: Sequence[BoardFiles], family: Family, station: Station, most: int = 20,
                   step: Callable[[], None] = lambda: None) -> BoardDay:
    """Read boards spread evenly over the sequence, at most `most`."""
    count = min(most, len(boards))
    chosen = [boards[int(place)] for place in np.linspace(0, len(boards) - 1, count)] if count else []
    rows: list[tuple[float, float, NDArray[np.float64], NDArray[np.float64], float]] = []
    faults: Counter[tuple[str, str, str]] = Counter()
    lost: Counter[str] = Counter()
    read = 0
    for board in chosen:
        try:
            if board.problems:
                raise CalibrationError("; ".join(board.problems))
            for view in family.views:
                capture = load_view(view.name, board.pictures, station)
                seen = see_view(capture, family, view, station, as_lit=True)  # how strong lights are is asked here
                rows.append(_numbers(seen, family, station))
                faults.update(_faults(seen, station))
            read += 1
        except MeniscopeError as error:
            lost[str(error)] += 1
        step()
    if not rows:
        nan = np.full(len(station.lights), np.nan)
        return BoardDay(len(chosen), 0, np.nan, np.nan, nan, nan, np.nan, (), tuple(lost.most_common(3)))
    scale, blur, fiducial, mask, clipped = zip(*rows, strict=True)
    return BoardDay(len(chosen), read, float(np.median(scale)), _median(blur), _columns(fiducial), _columns(mask),
                    _median(clipped), tuple((*key, number) for key, number in faults.most_common()),
                    tuple(lost.most_common(3)))


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if np.isfinite(value)]
    return float(np.median(known)) if known else float("nan")


def _columns(rows: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    return np.array([_median([float(value) for value in column]) for column in zip(*rows, strict=True)])


def _numbers(seen: ViewSurfaces, family: Family, station: Station
             ) -> tuple[float, float, NDArray[np.float64], NDArray[np.float64], float]:
    """Return scale, fiducials' blur in px, fiducial and mask response [light], and the joints' median saturation."""
    land = seen.surface.land_response
    fiducial = np.full(len(station.lights), np.nan) if land is None else land.astype(np.float64)
    beside = seen.surface.mask_response.astype(np.float64)
    mask = np.median(beside, axis=0) if len(beside) else np.full(len(station.lights), np.nan)
    clipped = _median(seen.patches.saturated_pct.tolist())
    return seen.registration.scale, _blur(seen.capture, seen, family), fiducial, mask, clipped


def _blur(capture: Capture, seen: ViewSurfaces, family: Family) -> float:
    """Return the sigma of the fiducials' edges in px: the median over the fiducials in the picture."""
    place = seen.registration.to_picture
    found = []
    for fiducial in family.fiducials:
        x, y = place.to_px((fiducial.x_mm, fiducial.y_mm))
        radius = fiducial.diameter_mm / 2.0 * place.px_per_mm
        reach = 2.0 * radius
        left, top, right, bottom = int(x - reach), int(y - reach), int(x + reach) + 1, int(y + reach) + 1
        if left < 0 or top < 0 or right > capture.size_px[0] or bottom > capture.size_px[1] or radius < 8.0:
            continue
        window = np.ascontiguousarray(capture.responses[:, top:bottom, left:right].max(axis=0))
        window = np.minimum(window, np.float32(8.0 * float(np.median(window))))
        for sign in (-1, 1):
            points, blur = edge_points(window, (x - left, y - top, radius), min(6.0, 0.4 * radius), sign)
            if len(points) > 90 and np.isfinite(blur):
                found.append(blur)
                break
    return _median(found)


def _faults(seen: ViewSurfaces, station: Station) -> list[tuple[str, str, str]]:
    centres = seen.registration.to_picture.to_px(
        np.array([(joint.x_mm, joint.y_mm) for joint in seen.joints]).reshape(-1, 2))
    taken = sample(seen.capture, seen.owners, len(seen.joints))
    fault = find_fault(taken, station, seen.surface.land_response, centres)
    if fault is None:
        return []
    return [(fault.kind, ", ".join(light.name for light in fault.lights), fault.words)]


def board_reference(day: BoardDay, family: Family) -> BoardReference:
    """Return what a later day's boards are compared with.

    Raises CalibrationError where the boards cannot serve.
    """
    if day.faults:
        raise CalibrationError(f"the boards cannot be a reference: {day.faults[0][2]}")
    if not day.read:
        raise CalibrationError("the boards cannot be a reference: none could be read"
                               + (f": {day.lost[0][0]}" if day.lost else ""))
    if not np.isfinite(day.fiducial).all():
        raise CalibrationError("the boards cannot be a reference: no fiducial was seen")
    return BoardReference(family.name, day.read, day.scale, day.blur_px, tuple(float(v) for v in day.fiducial),
                          tuple(float(v) for v in day.mask))
