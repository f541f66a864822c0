"""Find a mirror ball in a picture: its outline to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration.pictures import CalibrationError, Shot

SEARCH_PX = 900  # the longer side of the picture in which the ball is first looked for
SMALLEST_PX = 40.0  # radius: below, a degree of zenith is less than a third of a pixel
AZIMUTHS = 72
FLANK_PX = 5  # so far from its crest an edge has fallen off
OUTLINE_SUPPORT = 0.5  # share of the outline that must be seen
HIDDEN_SUPPORT = 0.3  # the same where the radius is known beforehand
HORIZON = 0.7  # of the radius: further out a mirror ball shows what lies below the horizon (sin 45 degrees = 0.707)
#: Variance of a Gaussian of which the 15 % of its height next to the ground is cut off, in its own.
TRIMMED = 0.588
ROUND_SHARE = 0.012  # largest scatter of the outline against its circle, of the radius


@dataclass(frozen=True)
class Ball:
    """A circle in picture px (centre of the first pixel is (0.5, 0.5)).

    blur_px: sigma of the outline's edge, NaN where the outline is not seen and the radius comes from the known
    diameter. scatter_px: of the outline's points against the circle; uncertainty_px: of the radius and the centre.
    """

    x_px: float
    y_px: float
    radius_px: float
    blur_px: float
    scatter_px: float
    uncertainty_px: float
    outline: bool


@dataclass(frozen=True)
class _Ring:
    """A circle of edges round a centre: its radius, the sign of its step outward and the share that is seen."""

    radius: float
    sign: int
    support: float


def find_ball(shot: Shot, expected_px: float | None = None) -> Ball:
    """Return the outline of the one ball in the pictures. `expected_px` is its radius where its diameter is known.

    Raises CalibrationError: no ball, two balls, one that is cut off, too small or not round.
    """
    picture = edge_picture(shot)
    scale = min(1.0, SEARCH_PX / max(picture.shape))
    small = picture if scale == 1.0 else cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    edges = _edges(np.asarray(small, dtype=np.float32))
    limits = (0.35 * SMALLEST_PX * scale, 0.5 * max(small.shape))
    centre, votes = _vote(edges, small.shape, limits)
    if centre is None:
        raise CalibrationError(_no_ball(shot.name))
    rings = _rings(edges, centre, limits)
    expected = None if expected_px is None else expected_px * scale
    fits = [ball for ring in _outlines(rings, expected)
            if (ball := _refined(shot, centre / scale, ring, scale, True)) is not None]
    # Noise on the ball's shadow may look like a faint wide circle, but not like a round one.
    found = next((ball for ball in fits if _round(ball)), fits[0] if fits else None)
    if (found is None or not _round(found)) and expected_px is not None:
        _not_another(shot, _outlines(rings, None), scale, expected_px)
        found = _by_highlights(shot, centre / scale, rings, scale, expected_px) or found
    if found is None:
        raise CalibrationError(_no_ball(shot.name))
    _only_one(shot, edges, centre, votes, found.radius_px * scale, limits)
    _check(shot, found)
    return found


def _not_another(shot: Shot, rings: list[_Ring], scale: float, expected_px: float) -> None:
    """Refuse a ball whose outline is well seen but not of the size that it should have.

    In the dark the outermost circle is a highlight's edge: within the sky's part of the ball, and bright inside.
    """
    if rings and (rings[0].sign > 0 or rings[0].radius / scale > HORIZON * 1.03 * expected_px):
        raise CalibrationError(f"{shot.name}: the ball is {2 * rings[0].radius / scale:.0f} px across, one of the "
                               f"diameter given would be {2 * expected_px:.0f} px at the station's scale; check "
                               "--ball-mm and mm_per_px")


def _round(ball: Ball) -> bool:
    return ball.scatter_px <= max(ROUND_SHARE * ball.radius_px, 1.0)


def _by_highlights(shot: Shot, centre: NDArray[np.float64], rings: list[_Ring], scale: float,
                   expected_px: float) -> Ball | None:
    """Return a ball whose outline is lost in the dark: the highlights' middle, and the radius that is known."""
    for ring in sorted(rings, key=lambda ring: -ring.support):
        ball = _refined(shot, centre, ring, scale, False)
        if ball is not None:
            spread = float(np.hypot(ball.uncertainty_px, 0.004 * expected_px))
            return Ball(ball.x_px, ball.y_px, expected_px, np.nan, ball.scatter_px, spread, False)
    return None


def _no_ball(name: str) -> str:
    return (f"{name}: no ball found: no circle is seen in most of its round. Put one polished steel ball on matt grey "
            "or white paper in the middle of the picture, well away from the edges; on a dark ground its outline is "
            "lost, then give its diameter with --ball-mm")


def edge_picture(shot: Shot) -> NDArray[np.float32]:
    """Return one picture in which faint and bright edges count alike: the mean logarithm of all lights' planes."""
    total = np.zeros(shot.planes.shape[1:], np.float32)
    for plane in shot.raw:
        smooth = cv2.GaussianBlur(plane, (0, 0), 1.0)
        total += np.log(np.maximum(smooth, 0.0) + np.float32(0.012 * shot.full))
    return np.asarray(total / len(shot.raw), dtype=np.float32)


def _edges(picture: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return edge points as rows (x, y, gradient x, gradient y): clear of the noise, thinned to the ridge's crest."""
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.2)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125)
    size = np.hypot(gx, gy)
    noise = float(np.median(size)) / 1.177  # a Rayleigh distribution's median is 1.177 sigma
    least = max(5.0 * noise, 0.008)
    row, col = np.nonzero(size > least)
    inside = (row > 1) & (col > 1) & (row < size.shape[0] - 2) & (col < size.shape[1] - 2)
    row, col = row[inside], col[inside]
    step_x = np.rint(gx[row, col] / size[row, col]).astype(int)
    step_y = np.rint(gy[row, col] / size[row, col]).astype(int)
    crest = size[row, col] >= np.maximum(size[row + step_y, col + step_x], size[row - step_y, col - step_x])
    row, col, step_x, step_y = row[crest], col[crest], step_x[crest], step_y[crest]
    # A shadow or the lamps' fall is a long slope; an edge falls off on both sides (one may hold the next edge).
    last = size.shape[0] - 1, size.shape[1] - 1
    beside = [size[np.clip(row + side * step_y, 0, last[0]), np.clip(col + side * step_x, 0, last[1])]
              for side in (-FLANK_PX, FLANK_PX)]
    flank = np.minimum(*beside)
    sharp = (size[row, col] > 1.5 * flank) & (size[row, col] - flank > least)
    row, col = row[sharp], col[sharp]
    return np.stack([col + 0.5, row + 0.5, gx[row, col], gy[row, col]], axis=1).astype(np.float64)


def _vote(edges: NDArray[np.float64], shape: tuple[int, ...],
          limits: tuple[float, float]) -> tuple[NDArray[np.float64] | None, float]:
    """Return the point on which most edges' normals meet (x, y), and how many do.

    All circles round a common centre vote for it, whatever their radius: the outline and the highlights' edges.
    """
    if len(edges) < 30:
        return None, 0.0
    most = 12_000
    chosen = edges[:: max(1, len(edges) // most)]
    size = np.hypot(chosen[:, 2], chosen[:, 3])
    reach = np.arange(limits[0], limits[1], 1.5)
    reach = np.concatenate([-reach[::-1], reach])
    votes = np.zeros(shape, np.float32)
    for start in range(0, len(chosen), 2000):
        part = slice(start, start + 2000)
        x = chosen[part, 0, None] + reach * (chosen[part, 2] / size[part])[:, None]
        y = chosen[part, 1, None] + reach * (chosen[part, 3] / size[part])[:, None]
        inside = (x >= 0) & (y >= 0) & (x < shape[1]) & (y < shape[0])
        place = y[inside].astype(np.int64) * shape[1] + x[inside].astype(np.int64)
        votes += np.bincount(place, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float32)
    votes = np.asarray(cv2.GaussianBlur(votes, (0, 0), 1.5), dtype=np.float32)
    peak = int(np.argmax(votes))
    if votes.flat[peak] <= 0.0:
        return None, 0.0
    return np.array([peak % shape[1] + 0.5, peak // shape[1] + 0.5]), float(votes.flat[peak])


def _rings(edges: NDArray[np.float64], centre: NDArray[np.float64], limits: tuple[float, float]) -> list[_Ring]:
    """Return circles round a centre, the largest first: those seen in at least HIDDEN_SUPPORT of their round."""
    dx, dy = edges[:, 0] - centre[0], edges[:, 1] - centre[1]
    away = np.hypot(dx, dy)
    along = (dx * edges[:, 2] + dy * edges[:, 3]) / np.maximum(away * np.hypot(edges[:, 2], edges[:, 3]), 1e-9)
    radial = (np.abs(along) > 0.95) & (away > limits[0]) & (away < limits[1] * 1.05)
    azimuth = (np.arctan2(dy[radial], dx[radial]) / (2 * np.pi) % 1.0 * AZIMUTHS).astype(int) % AZIMUTHS
    bins = int(limits[1] * 1.05) + 2
    found = []
    for sign in (1, -1):
        chosen = np.sign(along[radial]) == sign
        seen = np.zeros((bins, AZIMUTHS), dtype=bool)
        seen[away[radial][chosen].astype(int), azimuth[chosen]] = True
        reach = max(1, round(0.012 * bins))  # a centre known to a pixel or two blurs the circle
        near = cv2.dilate(seen.astype(np.uint8), np.ones((2 * reach + 1, 1), np.uint8))
        support = near.mean(axis=1)
        counts = _smooth(seen.mean(axis=1), reach)
        for radius in range(1, bins - 1):
            window = counts[max(radius - reach - 1, 0):radius + reach + 2]
            if support[radius] >= HIDDEN_SUPPORT and counts[radius] == window.max() > 0.0:
                found.append(_Ring(radius + 0.5, sign, float(support[radius])))
    return sorted(found, key=lambda ring: -ring.radius)


def _smooth(values: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    kernel = np.exp(-0.5 * (np.arange(-3 * reach, 3 * reach + 1) / (0.7 * reach)) ** 2)
    return np.convolve(values, kernel / kernel.sum(), mode="same")


def _outlines(rings: list[_Ring], expected: float | None) -> list[_Ring]:
    """Return what may be the ball's outline, the best first.

    Circles of about the expected radius, the best seen first; or else those well seen, the outermost first.
    """
    if expected is not None:
        near = [ring for ring in rings if abs(ring.radius / expected - 1.0) < 0.06]
        return sorted(near, key=lambda ring: -ring.support)
    return [ring for ring in rings if ring.support >= OUTLINE_SUPPORT]


def _only_one(shot: Shot, edges: NDArray[np.float64], centre: NDArray[np.float64], votes: float, radius: float,
              limits: tuple[float, float]) -> None:
    """Refuse a picture in which the edges outside the ball make another one; lengths in px of the search picture."""
    scale = min(1.0, SEARCH_PX / max(shot.size_px))
    shape = (round(shot.size_px[1] * scale), round(shot.size_px[0] * scale))
    away = np.hypot(edges[:, 0] - centre[0], edges[:, 1] - centre[1])
    rest = edges[away > 1.08 * radius]
    second, others = _vote(rest, shape, limits)
    if second is None or others < 0.2 * votes:
        return
    if np.hypot(*(second - centre)) < radius:
        return
    rings = _rings(rest, second, limits)
    if any(ring.support >= OUTLINE_SUPPORT and ring.radius > 0.3 * radius for ring in rings):
        places = " and ".join(f"({x / scale:.0f}, {y / scale:.0f})" for x, y in (centre, second))
        raise CalibrationError(f"{shot.name}: two balls or round things, near pixel {places}; leave one ball alone in "
                               "the picture")


def _refined(shot: Shot, centre: NDArray[np.float64], seen: _Ring, scale: float,
             outline: bool) -> Ball | None:
    """Fit the circle to the steepest place on rays across it, in the full picture and in true grey levels.

    The logarithm in which it was found would move a blurred edge towards the dark. None where too few rays agree.
    """
    x, y, radius = float(centre[0]), float(centre[1]), seen.radius / scale
    picture = _even_picture(shot, (x, y, radius)) if outline else edge_picture(shot)
    blur = scatter = count = 0.0
    for reach in (max(6.0, 4.0 / scale, 0.05 * radius), max(6.0, 0.03 * radius), max(6.0, 0.03 * radius)):
        points, blur = edge_points(picture, (x, y, radius), reach, seen.sign)
        if len(points) < 60:
            return None
        x, y, radius, scatter, count = _circle(points)
    rays = _rays(radius)
    if count < (OUTLINE_SUPPORT if outline else HIDDEN_SUPPORT) * 0.7 * rays:
        return None
    spread = max(scatter, 0.05) / np.sqrt(max(count / 8.0, 1.0))  # neighbouring rays see the same pixels
    return Ball(x, y, radius, blur, scatter, float(spread), True)


def _even_picture(shot: Shot, circle: tuple[float, float, float]) -> NDArray[np.float32]:
    """Return the mean of the lights' planes, each cut a little above the ground beside the ball."""
    x, y, radius = circle
    angle = np.arange(360) * (2 * np.pi / 360)
    around = np.concatenate([np.stack([x + r * radius * np.cos(angle), y + r * radius * np.sin(angle)], axis=1)
                             for r in (1.04, 1.1)]).astype(int)
    width, height = shot.size_px
    inside = (around >= 0).all(axis=1) & (around < (width, height)).all(axis=1)
    col, row = around[inside].T
    total = np.zeros(shot.raw.shape[1:], np.float32)
    for plane in shot.raw:
        level = float(np.percentile(plane[row, col], 90))
        total += np.minimum(plane, np.float32(max(1.5 * level, 0.01 * shot.full)))
    return np.asarray(total / (len(shot.raw) * shot.full), dtype=np.float32)


def edge_points(picture: NDArray[np.float32], circle: tuple[float, float, float], reach: float,
                 sign: int) -> tuple[NDArray[np.float64], float]:
    """Return the sub-pixel places (x, y) of the step on rays across a circle, and the step's sigma in px."""
    x, y, radius = circle
    rays = _rays(radius)
    angle = (np.arange(rays) + 0.5) * (2 * np.pi / rays)
    step = 0.25
    away = radius + np.arange(-reach - 2.0, reach + 2.0 + step, step)
    xs = (x + away * np.cos(angle)[:, None] - 0.5).astype(np.float32)
    ys = (y + away * np.sin(angle)[:, None] - 0.5).astype(np.float32)
    profile = cv2.remap(picture, xs, ys, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float64)
    # Neighbours along the round are averaged: the outline is one circle, the noise is not.
    even: NDArray[Any] = cv2.GaussianBlur(profile, (0, 0), sigmaX=2.0, sigmaY=3.0, borderType=cv2.BORDER_REFLECT)
    profile = np.asarray(even, dtype=np.float64)
    slope: NDArray[Any] = np.asarray(sign * np.gradient(profile, step, axis=1))
    inner = slope[:, 4:-4]
    best = np.argmax(inner, axis=1) + 4
    height = slope[np.arange(rays), best]
    left, right = slope[np.arange(rays), best - 1], slope[np.arange(rays), best + 1]
    curve = left - 2 * height + right
    shift = np.where(curve < -1e-12, 0.5 * (left - right) / np.minimum(curve, -1e-12), 0.0)
    place = away[best] + step * np.clip(shift, -1, 1)
    noise = 1.4826 * float(np.median(np.abs(slope - np.median(slope, axis=0)))) + 1e-9
    at_end = (best <= 5) | (best >= slope.shape[1] - 6)
    good = (height > 3.0 * noise) & (height > 0.25 * np.median(height)) & ~at_end
    points = np.stack([x + place * np.cos(angle), y + place * np.sin(angle)], axis=1)[good]
    return points, _step_sigma(profile, good, best, sign, step)


def _rays(radius: float) -> int:
    return int(np.clip(2 * np.pi * radius, 180, 1440))


def _step_sigma(profile: NDArray[np.float64], good: NDArray[np.bool_], best: NDArray[np.intp], sign: int,
                step: float) -> float:
    """Return the sigma of the mean step, the smoothing along the ray taken out again."""
    if good.sum() < 10:
        return float("nan")
    reach = 16
    rows = np.flatnonzero(good & (best > reach) & (best < profile.shape[1] - reach))
    if len(rows) < 10:
        return float("nan")
    window = profile[rows[:, None], best[rows, None] + np.arange(-reach, reach + 1)]
    slope = np.maximum(sign * np.gradient(np.median(window, axis=0)), 0.0)
    slope = np.maximum(slope - 0.15 * slope.max(), 0.0)
    at = np.arange(len(slope)) * step
    middle = (slope * at).sum() / slope.sum()
    spread = float((slope * (at - middle) ** 2).sum() / slope.sum()) / TRIMMED
    return float(np.sqrt(max(spread - (2.0 * step) ** 2, 0.04)))


def _circle(points: NDArray[np.float64]) -> tuple[float, float, float, float, float]:
    """Return x, y, radius, scatter and count of the circle through points, those far off left out step by step."""
    used = np.ones(len(points), dtype=bool)
    middle = points.mean(axis=0)
    fit, scatter = np.zeros(3), 0.0
    for _ in range(8):
        rows = points[used] - middle
        table = np.column_stack([2 * rows, np.ones(len(rows))])
        fit = np.linalg.lstsq(table, (rows**2).sum(axis=1), rcond=None)[0]
        radius = float(np.sqrt(max(fit[2] + fit[0] ** 2 + fit[1] ** 2, 0.0)))
        error = np.hypot(*(points - middle - fit[:2]).T) - radius
        scatter = max(1.4826 * float(np.median(np.abs(error[used]))), 0.02)
        kept = np.abs(error) < 3.0 * scatter
        if (kept == used).all() or kept.sum() < 10:
            break
        used = kept
    return float(middle[0] + fit[0]), float(middle[1] + fit[1]), radius, scatter, float(used.sum())


def _check(shot: Shot, ball: Ball) -> None:
    width, height = shot.size_px
    away = min(ball.x_px, ball.y_px, width - ball.x_px, height - ball.y_px) - ball.radius_px
    where = f"the ball near pixel ({ball.x_px:.0f}, {ball.y_px:.0f}), {2 * ball.radius_px:.0f} px across,"
    if away < 2.0:
        raise CalibrationError(f"{shot.name}: {where} is cut off by the picture's edge; move it to the middle")
    if ball.radius_px < SMALLEST_PX:
        raise CalibrationError(f"{shot.name}: {where} is too small to tell angles, wanted at least "
                               f"{2 * SMALLEST_PX:.0f} px; take a larger ball")
    if not _round(ball):
        raise CalibrationError(f"{shot.name}: {where} is not round: its outline scatters by {ball.scatter_px:.1f} px; "
                               "is it a ball, and is it alone and at rest?")
