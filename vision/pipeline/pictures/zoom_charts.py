"""The two charts of a joint's sheet: response of each light against radius, and the joint unrolled by azimuth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.measure import ViewSurfaces
from vision.pipeline.pictures.paper import (
    DOTTED,
    INK,
    LINE,
    SOFT,
    SOLID,
    WHITE,
    Color,
    Paper,
    runs,
    stroke,
    text_width,
)
from vision.pipeline.pictures.tones import light_lines, toned
from vision.pipeline.pictures.traces import Traces
from vision.pipeline.pictures.zoom_cut import GAP, LAND, TOE
from vision.pipeline.view.unwrap import AZIMUTHS, HOLE_STEPS, OUTSIDE_MM, OUTSIDE_STEPS, RING_STEPS, JointPatches
from vision.setup.station import Light

PROFILE_STEPS = 72
LEAST_SHARE = 0.2  # a radius is shown where at least this share of the azimuths has a sample there


@dataclass(frozen=True)
class Profile:
    """Responses over all azimuths against radius: median and 10 and 90 per cent, [light, step]; NaN: too few."""

    radius_mm: NDArray[np.float64]
    median: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


def radial_profile(patches: JointPatches, index: int) -> Profile:
    """Return the radial profile of each light at one joint.

    Samples lie at other radii in every direction of a land that is not round, so they are interpolated to equal
    radii first.
    """
    edge, hole = patches.land_edge_mm[index].astype(np.float64), float(patches.hole_mm[index])
    radius = np.linspace(0.0, float(edge.max()) + OUTSIDE_MM, PROFILE_STEPS)
    place = np.where(radius < hole, radius / hole * HOLE_STEPS, HOLE_STEPS + (radius - hole)
                     / (edge[:, None] - hole) * RING_STEPS)
    outside = HOLE_STEPS + RING_STEPS + (radius - edge[:, None]) / OUTSIDE_MM * OUTSIDE_STEPS
    place = np.where(radius > edge[:, None], outside, place) - 0.5  # [azimuth, step] in samples
    count = HOLE_STEPS + RING_STEPS + OUTSIDE_STEPS
    known = place <= count - 1
    place = np.clip(place, 0.0, count - 1.0)
    below = np.minimum(place.astype(np.intp), count - 2)
    share = (place - below).astype(np.float32)
    samples = patches.responses[index]
    columns = [np.take_along_axis(samples, np.broadcast_to(at, (len(samples), *at.shape)), axis=2)
               for at in (below, below + 1)]
    values = np.where(known, columns[0] * (1.0 - share) + columns[1] * share, np.inf)
    ordered = np.sort(values, axis=1)  # unknown ones last
    number = known.sum(axis=0)
    enough = number >= LEAST_SHARE * AZIMUTHS
    shares = []
    for part in (0.5, 0.1, 0.9):
        at = np.clip(np.round(part * (number - 1)).astype(np.intp), 0, AZIMUTHS - 1)
        shares.append(np.where(enough, ordered[:, at, np.arange(PROFILE_STEPS)], np.nan).astype(np.float64))
    return Profile(radius, *shares)


@dataclass(frozen=True)
class _Axes:
    """A chart's place on the sheet and its scales."""

    left: float
    top: float
    right: float
    bottom: float
    x_max: float
    y_max: float

    def to_px(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        across = self.left + (self.right - self.left) * np.asarray(x) / self.x_max
        up = self.bottom - (self.bottom - self.top) * np.clip(np.asarray(y) / self.y_max, 0.0, 1.0)
        return np.stack(np.broadcast_arrays(across, up), axis=1)


def draw_profile(paper: Paper, seen: ViewSurfaces, traces: Traces, index: int, lights: Sequence[Light],
                 box: tuple[int, int, int, int]) -> None:
    """Draw the radial profile of all lights into a box (left, top, right, bottom)."""
    profile, lines = radial_profile(seen.patches, index), light_lines(seen.optics.bands)
    left, top, right, bottom = box
    key_end = _light_key(paper, lights, lines, left, top, right)
    highest = float(np.nanmax(profile.high)) if np.isfinite(profile.high).any() else 1.0
    y_max = _round_up(max(highest * 1.05, 0.2))
    axes = _Axes(left + 30, key_end + 22, right, bottom - 32, float(profile.radius_mm[-1]), y_max)
    _grid(paper, axes)
    _places(paper, axes, seen, traces, index)
    for number in range(len(lights)):
        _band(paper, axes, profile, number, lines[number][0])
    for number, (color, pattern) in enumerate(lines):
        known = np.isfinite(profile.median[number])
        stroke(paper.canvas, axes.to_px(profile.radius_mm[known], profile.median[number][known]), color, pattern, 2)
    paper.frame(axes.left, axes.top, axes.right, axes.bottom, SOFT)


def _light_key(paper: Paper, lights: Sequence[Light], lines: Sequence[tuple[Color, tuple[float, ...]]], left: float,
               top: float, right: float) -> int:
    """Draw each light's line with its name and zenith band; return where it ends."""
    x, y = left + 2.0, top + 8.0
    for light, (color, pattern) in zip(lights, lines, strict=True):
        words = f"{light.name} {light.zenith_deg[0]:g}-{light.zenith_deg[1]:g}°"
        width = 34 + text_width(words, 12) + 12
        if x > left + 2 and x + width > right + 12:
            x, y = left + 2.0, y + 17
        stroke(paper.canvas, np.array([(x, y), (x + 28, y)]), color, pattern, 2)
        paper.text(x + 33, y, words, 12, INK, "lm")
        x += width
    return round(y + 10)


def _round_up(value: float) -> float:
    """Return the next round number: 1, 1.5, 2, 3, 4, 5, 6, 8 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next((step * power for step in (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0) if step * power >= value),
                10.0 * power)


def _grid(paper: Paper, axes: _Axes) -> None:
    """Draw scales and thin lines."""
    paper.fill(axes.left, axes.top, axes.right, axes.bottom, WHITE)
    for part in (0.0, 0.5, 1.0):
        y = axes.bottom - part * (axes.bottom - axes.top)
        paper.fill(axes.left, y, axes.right, y + 1, LINE)
        paper.text(axes.left - 4, y, f"{part * axes.y_max:g}", 12, SOFT, "rm")
    step = next(mm for mm in (0.2, 0.5, 1.0, 2.0, 5.0) if axes.x_max / mm <= 7 or mm == 5.0)
    for number in range(int(axes.x_max / step + 1e-6) + 1):
        x = axes.left + (axes.right - axes.left) * number * step / axes.x_max
        paper.fill(x, axes.bottom, x + 1, axes.bottom + 4, SOFT)
        paper.text(x, axes.bottom + 15, f"{number * step:g}", 12, SOFT, "ms")
    paper.text((axes.left + axes.right) / 2.0, axes.bottom + 30, "radius from the hole's centre, mm", 12, SOFT, "ms")


def _places(paper: Paper, axes: _Axes, seen: ViewSurfaces, traces: Traces, index: int) -> None:
    """Mark hole edge, toe and land edge; where they differ by direction, as a range."""
    covered = traces.covered[index]
    edge, hole = seen.patches.land_edge_mm[index], float(seen.patches.hole_mm[index])
    marks = [("hole", hole, hole, INK, DOTTED), ("land edge", float(edge.min()), float(edge.max()), LAND.color,
                                                LAND.pattern)]
    if covered.sum() >= 4:
        low, high = np.percentile(traces.toe_mm[index][covered], (10, 90))
        marks.insert(1, ("toe", float(low), float(high), INK, SOLID))
    taken = -math.inf
    for words, low, high, color, pattern in sorted(marks, key=lambda mark: mark[1] + mark[2]):
        first, last = (axes.left + (axes.right - axes.left) * at / axes.x_max for at in (low, high))
        if last - first > 4.0:
            shade = TOE.color if words == "toe" else LAND.color
            band = paper.canvas[round(axes.top):round(axes.bottom), round(first):round(last)]
            band[:] = (0.75 * band + 0.25 * np.array(shade)).astype(np.uint8)
        for x in (first, last) if last - first > 4.0 else ((first + last) / 2.0,):
            stroke(paper.canvas, np.array([(x, axes.top), (x, axes.bottom)]), color, pattern, 1)
        middle, half = (first + last) / 2.0, text_width(words, 12) / 2.0
        middle = min(max(middle, taken + half + 5, axes.left + half), axes.right - half)
        paper.text(middle, axes.top - 5, words, 12, INK, "ms")
        taken = middle + half


def _band(paper: Paper, axes: _Axes, profile: Profile, number: int, color: Color) -> None:
    """Shade between the 10 and 90 per cent lines of one light."""
    known = np.isfinite(profile.low[number])
    radius = profile.radius_mm[known]
    outline = np.vstack([axes.to_px(radius, profile.low[number][known]),
                         axes.to_px(radius, profile.high[number][known])[::-1]])
    shade = np.zeros(paper.canvas.shape[:2], dtype=np.uint8)
    rows, columns = (slice(round(axes.top), round(axes.bottom)), slice(round(axes.left), round(axes.right)))
    cv2.fillPoly(shade, [np.round(outline).astype(np.int32)], 1)
    part, inside = paper.canvas[rows, columns], shade[rows, columns] > 0
    part[inside] = (0.82 * part[inside] + 0.18 * np.array(color)).astype(np.uint8)


def draw_strip(paper: Paper, seen: ViewSurfaces, traces: Traces, index: int, box: tuple[int, int, int, int]) -> None:
    """Draw the joint unrolled: azimuth across, radius up, with toe line and gaps, into a box.

    The zones of the radius are stretched so that hole edge and land edge are straight lines on any land.
    """
    left, top, right, bottom = box
    left, bottom = left + 62, bottom - 32
    width, height = right - left, bottom - top - 34
    polar = seen.patches.responses[index].transpose(0, 2, 1)[:, ::-1]  # [light, radius from outside in, azimuth]
    planes = np.stack([cv2.resize(plane, (width, height), interpolation=cv2.INTER_LINEAR) for plane in polar])
    paper.paste(toned(planes.astype(np.float32), seen.optics.bands), left, top)
    steps = HOLE_STEPS + RING_STEPS + OUTSIDE_STEPS
    covered = traces.covered[index]
    x = left + (np.arange(AZIMUTHS) + 0.5) * width / AZIMUTHS
    rows = {"hole edge": HOLE_STEPS, "land edge": HOLE_STEPS + RING_STEPS}
    for words, at in rows.items():
        y = top + height * (1.0 - at / steps)
        color, pattern = (LAND.color, LAND.pattern) if words == "land edge" else (WHITE, DOTTED)
        stroke(paper.canvas, np.array([(left, y), (right - 1, y)], dtype=np.float64), color, pattern, 1, casing=INK)
        paper.text(left - 5, y, words, 12, SOFT, "rm")
    paper.text(left - 5, top + height - 5, "centre", 12, SOFT, "rm")
    toe = top + height * (1.0 - _toe_steps(seen.patches, traces, index) / steps)
    for start, stop in _straight_runs(covered):
        stroke(paper.canvas, np.stack([x[start:stop], toe[start:stop]], axis=1), TOE.color, SOLID, 2, casing=INK)
    _gap_bars(paper, covered, left, width, top + height)
    for degrees in range(0, 361, 90):
        tick = left + width * degrees / 360.0
        paper.fill(tick - (degrees == 360), bottom, tick + (degrees < 360), bottom + 4, SOFT)
        paper.text(tick, bottom + 15, f"{degrees}", 12, SOFT, "ms")
    paper.text(left + width / 2.0, bottom + 30, "azimuth on the board, degrees", 12, SOFT, "ms")


def _toe_steps(patches: JointPatches, traces: Traces, index: int) -> NDArray[np.float64]:
    """Return the toe's place along the stretched radius, in samples, [azimuth]."""
    toe, edge, hole = traces.toe_mm[index], patches.land_edge_mm[index], patches.hole_mm[index]
    ring = HOLE_STEPS + (toe - hole) / np.maximum(edge - hole, 1e-6) * RING_STEPS
    beyond = HOLE_STEPS + RING_STEPS + (toe - edge) / OUTSIDE_MM * OUTSIDE_STEPS
    return np.asarray(np.where(toe > edge, beyond, ring), dtype=np.float64)


def _straight_runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (start, stop) of the runs of true flags, not joined across the ends."""
    turns = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(start), int(stop)) for start, stop in zip(turns[::2], turns[1::2], strict=True)]


def _gap_bars(paper: Paper, covered: NDArray[np.bool_], left: float, width: float, top: float) -> None:
    """Draw a bar under every gap, and under the bars how wide the gaps are, the widest first, while there is room."""
    paper.fill(left, top + 3, left + width, top + 15, WHITE)
    pieces = _straight_runs(~covered)
    scale = width / AZIMUTHS
    for piece in pieces:
        first, last = (left + scale * end for end in piece)
        paper.fill(first, top + 7, last, top + 12, GAP.color)
        for tick in (first, last - 2):
            paper.fill(tick, top + 3, tick + 2, top + 16, GAP.color)
    if not pieces:
        paper.text(left + width / 2.0, top + 27, "no gap: solder all the way round", 12, INK, "ms")
        return
    taken: list[tuple[float, float]] = []
    for start, stop in sorted(runs(~covered), key=lambda run: run[0] - run[1]):
        degrees = min(stop - start + 1, AZIMUTHS) * 360.0 / AZIMUTHS
        words = f"gap {degrees:.0f}°"
        half = text_width(words, 12) / 2.0 + 3
        # A gap across 0 degrees is labelled under its longer piece.
        ends = (start, AZIMUTHS) if stop >= AZIMUTHS and AZIMUTHS - start >= stop - AZIMUTHS + 1 else (
            (0, stop - AZIMUTHS + 1) if stop >= AZIMUTHS else (start, stop + 1))
        middle = min(max(left + scale * sum(ends) / 2.0, left + half), left + width - half)
        if all(middle + half < low or middle - half > high for low, high in taken):
            paper.text(middle, top + 27, words, 12, INK, "ms")
            taken.append((middle - half, middle + half))
