"""Where each light stands in the sky, read from where it lights a mirror ball.

A mirror of slope alpha shows a straight-down camera the sky at zenith 2 alpha, and on a ball of radius R the slope at
distance d from the centre is asin(d / R): so the sky's zenith there is 2 asin(d / R), its azimuth that of the place.
Through a lens at a finite distance, and for lights nearby, the rays are followed one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.calibration.ball import HORIZON, Ball
from vision.calibration.pictures import CalibrationError, Shot
from vision.setup.station import Light, Station

AZIMUTH_BINS = 180
USUAL_BLUR_PX = 1.1  # sigma of a lens in focus, where no outline tells it
CLIPPED_SHARE = 0.02  # of the ball's sky at full scale
LIT_SHARE = 0.03  # of full scale: a light that gives less on a mirror ball does not light it
FLOODED_SHARE = 0.6  # of the sky's part of the ball at full scale: no band can be read


@dataclass(frozen=True)
class Sky:
    """What sky each pixel of the ball shows: pixel rows and columns, and zenith and azimuth in radians."""

    row: NDArray[np.intp]
    col: NDArray[np.intp]
    zenith: NDArray[np.float64]
    azimuth: NDArray[np.float64]


@dataclass(frozen=True)
class LightSeen:
    """One light as it lights the ball. Angles in degrees; level in grey levels above black, of the lit part.

    uncertainty_deg: standard uncertainty of the band's edges. full_pct: share of the lit part at full scale.
    off_axis_deg: how far a full ring's middle lies from the camera's axis, NaN for a sector. pieces: lit arcs.
    profile: grey level at zenith 0, 1, ... 90 degrees.
    """

    name: str
    zenith_deg: tuple[float, float]
    azimuth_deg: tuple[float, float]
    uncertainty_deg: float
    level: float
    blur_px: float
    full_pct: float
    off_axis_deg: float
    pieces: int
    profile: tuple[float, ...] = ()


def ball_sky(ball: Ball, size_px: tuple[int, int], station: Station, distance_mm: float | None = None) -> Sky:
    """Return the sky that each pixel on the ball shows, without those that show what lies below the horizon.

    `distance_mm` is the light's distance from the middle of the field; None means far away.
    """
    left, right = int(ball.x_px - ball.radius_px), int(ball.x_px + ball.radius_px) + 2
    top, bottom = int(ball.y_px - ball.radius_px), int(ball.y_px + ball.radius_px) + 2
    row, col = np.mgrid[max(top, 0):min(bottom, size_px[1]), max(left, 0):min(right, size_px[0])]
    keep = np.hypot(col + 0.5 - ball.x_px, row + 0.5 - ball.y_px) < ball.radius_px
    row, col = row[keep], col[keep]
    to_mm, middle = station.mm_per_px, np.asarray(size_px) / 2.0
    x, y = (col + 0.5 - middle[0]) * to_mm, -(row + 0.5 - middle[1]) * to_mm
    centre, radius = _in_space(ball, size_px, station)
    ray = np.zeros((len(x), 3))
    ray[:, 2] = -1.0
    start = np.column_stack([x, y, np.zeros(len(x))])
    if station.working_distance_mm is not None:
        lens = np.array([0.0, 0.0, station.working_distance_mm])
        ray = start - lens
        ray /= np.linalg.norm(ray, axis=1)[:, None]
        start = np.broadcast_to(lens, start.shape)
    else:
        start = start + np.array([0.0, 0.0, 1000.0 * radius])
    to_centre = centre - start
    along = (to_centre * ray).sum(axis=1)
    inside = radius**2 - ((to_centre**2).sum(axis=1) - along**2)
    hit = inside > 0.0
    point = start[hit] + (along[hit] - np.sqrt(inside[hit]))[:, None] * ray[hit]
    normal = (point - centre) / radius
    look = ray[hit] - 2.0 * (ray[hit] * normal).sum(axis=1)[:, None] * normal
    if distance_mm is not None:
        # The place on a sphere of that radius round the middle of the field where the mirrored ray ends.
        half = (point * look).sum(axis=1)
        reach = -half + np.sqrt(np.maximum(half**2 - (point**2).sum(axis=1) + distance_mm**2, 0.0))
        look = (point + reach[:, None] * look) / distance_mm
    zenith = np.arccos(np.clip(look[:, 2], -1.0, 1.0))
    return Sky(row[hit], col[hit], zenith, np.arctan2(look[:, 1], look[:, 0]))


def _in_space(ball: Ball, size_px: tuple[int, int], station: Station) -> tuple[NDArray[np.float64], float]:
    """Return the ball's centre (x, y, z above the plane that it lies on) and radius in mm."""
    x = (ball.x_px - size_px[0] / 2.0) * station.mm_per_px
    y = -(ball.y_px - size_px[1] / 2.0) * station.mm_per_px
    radius = ball.radius_px * station.mm_per_px
    lens = station.working_distance_mm
    if lens is None:
        return np.array([x, y, radius]), radius
    # The outline is where rays from the lens touch the ball: sin(half angle) = R / distance to its centre. In a
    # picture off the axis the circle's middle lies a little outside the ray to the centre; its two ends along the
    # line from the picture's middle give both exactly.
    away = float(np.hypot(x, y))
    near, far = np.arctan2(away - radius, lens), np.arctan2(away + radius, lens)
    half, tilt = (far - near) / 2.0, (far + near) / 2.0
    # Centre at height R: lens - R = distance cos(tilt), R = distance sin(half).
    distance = lens / (np.cos(tilt) + np.sin(half))
    true = float(distance * np.sin(half))
    turn = np.arctan2(y, x)
    out = distance * np.sin(tilt)
    return np.array([out * np.cos(turn), out * np.sin(turn), true]), true


def ball_diameter_mm(ball: Ball, size_px: tuple[int, int], station: Station) -> float:
    """Return the ball's diameter at the station's scale."""
    return 2.0 * _in_space(ball, size_px, station)[1]


def expected_radius_px(diameter_mm: float, station: Station) -> float:
    """Return the radius that a ball of known diameter has in the middle of the picture."""
    radius = diameter_mm / 2.0
    if station.working_distance_mm is not None:
        # Tangent rays from the lens to the ball's outline, carried on to the board's plane.
        away = station.working_distance_mm - radius
        radius = station.working_distance_mm * np.tan(np.arcsin(min(radius / away, 0.9)))
    return float(radius / station.mm_per_px)


def read_lights(shot: Shot, ball: Ball, station: Station) -> list[LightSeen]:
    """Return where every light stands.

    Raises CalibrationError that names lights which do not light the ball or flood it.
    """
    found = see_lights(shot, ball, station)
    dark = [light for light, seen in zip(station.lights, found, strict=True) if seen is None]
    if dark:
        names = ", ".join(light_words(light) for light in dark)
        raise CalibrationError(f"{shot.name}: never lit by {names}; is the light on, its cable in, and its exposure "
                               "and channel as station.toml says?")
    return [seen for seen in found if seen is not None]


def see_lights(shot: Shot, ball: Ball, station: Station) -> list[LightSeen | None]:
    """Return where every light stands, None for one that does not light the ball. Raises CalibrationError."""
    return [_light(shot, row, ball, light, ball_sky(ball, shot.size_px, station, light.distance_mm))
            for row, light in enumerate(station.lights)]


def light_words(light: Light) -> str:
    """Return which light it is, and where pictures show it: `light high (exposure a, blue)`."""
    exposure = f"exposure {light.exposure}, " if light.exposure else ""
    return f"light {light.name} ({exposure}{light.channel})"


def _light(shot: Shot, row: int, ball: Ball, light: Light, sky: Sky) -> LightSeen | None:
    """Measure one light, or return None where it does not light the ball."""
    values = shot.planes[row][sky.row, sky.col].astype(np.float64)
    full = shot.clipped[row][sky.row, sky.col]
    place = np.sin(sky.zenith / 2.0)  # like d / R: even in picture px, so that blur is the same everywhere
    above = sky.zenith < np.pi / 2
    if full[above].mean() > FLOODED_SHARE:
        raise CalibrationError(f"{shot.name}: {100.0 * full[above].mean():.0f} % of the ball is at full scale in "
                               f"{light_words(light)}; take the ball with a shorter exposure")
    step = 0.5 / ball.radius_px
    bins = int(0.85 / step)
    index = np.minimum((place / step).astype(int), bins)
    lit_azimuths = _lit_azimuths(values, place, sky.azimuth)
    chosen = lit_azimuths[_azimuth_bin(sky.azimuth)]
    count = np.bincount(index[chosen], minlength=bins + 1)[:bins]
    total = np.bincount(index[chosen], values[chosen], bins + 1)[:bins]
    clipped = np.bincount(index[chosen], full[chosen], bins + 1)[:bins]
    at = np.asarray((np.arange(bins) + 0.5) * step, dtype=np.float64)
    good = count > 0
    profile = np.asarray(np.interp(at, at[good], total[good] / count[good]), dtype=np.float64)
    weight = np.sqrt(np.maximum(count, 0.25))
    blur = (ball.blur_px if np.isfinite(ball.blur_px) else USUAL_BLUR_PX) / ball.radius_px
    fit = _fit_band(at, profile, weight, 1.0 / ball.radius_px, blur, float(full[above].mean()) > CLIPPED_SHARE)
    if fit is None or fit.height < LIT_SHARE * shot.full:
        return None
    _within_horizon(shot, row, ball, light, float(profile[(at > 0.75) & (at < 0.84)].max(initial=0.0)), fit.height)
    edges = np.minimum(np.rad2deg(2.0 * np.arcsin(np.clip([fit.low, fit.high], 0.0, 1.0))), 90.0)
    inside = (place > fit.low) & (place < fit.high)
    half = (fit.high - fit.low) / 2.0
    about = (place > fit.low - half) & (place < min(fit.high + half, HORIZON)) & (values > 0.5 * fit.height)
    azimuth, pieces = _sector(values, inside, sky.azimuth)
    slope_cos = np.sqrt(1.0 - min(fit.high, 0.99) ** 2)
    position = np.hypot(fit.uncertainty, ball.uncertainty_px / ball.radius_px * np.hypot(fit.high, 0.7))
    within = clipped[(at > fit.low) & (at < fit.high)].sum() / max(count[(at > fit.low) & (at < fit.high)].sum(), 1)
    full_ring = azimuth[1] - azimuth[0] >= 360.0
    return LightSeen(light.name, (float(edges[0]), float(edges[1])), azimuth,
                     float(np.rad2deg(2.0 * position / slope_cos)), float(fit.height),
                     float(fit.sigma * ball.radius_px), 100.0 * float(within),
                     _off_axis(values, about, sky) if full_ring else float("nan"), pieces, _course(at, profile))


def _course(at: NDArray[np.float64], profile: NDArray[np.float64]) -> tuple[float, ...]:
    """Return the profile at whole degrees of zenith."""
    return tuple(float(v) for v in np.interp(np.sin(np.deg2rad(np.arange(91) / 2.0)), at, profile))


def _azimuth_bin(azimuth: NDArray[np.float64]) -> NDArray[np.intp]:
    return ((azimuth / (2 * np.pi) % 1.0) * AZIMUTH_BINS).astype(np.intp) % AZIMUTH_BINS


def _lit_azimuths(values: NDArray[np.float64], place: NDArray[np.float64],
                  azimuth: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which azimuths hold light at all, [AZIMUTH_BINS]; a bar's dark side would only dilute its profile."""
    usable = (place > 0.02) & (place < HORIZON)
    where = _azimuth_bin(azimuth[usable])
    strength = np.zeros(AZIMUTH_BINS)
    np.maximum.at(strength, where, values[usable])
    wide = np.array([np.roll(strength, shift) for shift in range(-4, 5)]).max(axis=0)
    return np.asarray(wide > 0.4 * np.percentile(wide, 95), dtype=np.bool_)


@dataclass(frozen=True)
class _Band:
    low: float
    high: float
    sigma: float
    height: float
    uncertainty: float


def _fit_band(at: NDArray[np.float64], profile: NDArray[np.float64], weight: NDArray[np.float64],
              pixel: float, blur: float, clipped: bool) -> _Band | None:
    """Fit an evenly bright band, blurred by a Gaussian and cut at the profile's top, to the profile's main peak.

    A ring of single LEDs gives the even band of equal middle and spread; a band at full scale is told by its flanks.
    """
    from scipy.optimize import least_squares
    from scipy.special import ndtr

    sky = at < HORIZON
    trust = 40.0 if clipped else 1.0  # in the outline's blur: where the top is cut off, the flanks alone tell little
    ground = float(np.percentile(profile[sky], 20))
    smooth = np.convolve(profile, np.ones(5) / 5.0, mode="same")
    top = float(smooth[sky].max())
    if top - ground <= 0.0:
        return None
    low, high = _half_height(at, smooth, ground, top, sky)
    near = (at > low - 6 * pixel) & (at < high + 6 * pixel)
    # Half the floor on either side may hold other lights' ghosts, so only the band's own surroundings are fitted.
    side = max(0.35 * (high - low), 4 * pixel)
    near |= (at > low - side) & (at < high + side)
    near &= sky
    cut = float(np.percentile(profile[near], 99)) * 1.01 + 1e-6

    def model(p: NDArray[np.float64]) -> NDArray[np.float64]:
        even = ndtr((at[near] - p[0]) / p[2]) - ndtr((at[near] - p[1]) / p[2])
        # Light on the far side of the ball's middle folds back: a lens-side light is bright down to zero.
        fold = ndtr((-at[near] - p[0]) / p[2]) - ndtr((-at[near] - p[1]) / p[2])
        return np.asarray(np.minimum(p[4] + p[3] * (even + fold), cut), dtype=np.float64)

    def errors(p: NDArray[np.float64]) -> NDArray[np.float64]:
        data = (model(p) - profile[near]) / (top - ground) * weight[near]
        return np.append(data, trust * np.log(p[2] / blur))

    start = np.array([low, max(high, low + pixel), blur, (3.0 if clipped else 1.0) * (top - ground), ground])
    bounds = (np.array([-0.05, 0.0, 0.4 * pixel, 0.2 * (top - ground), -abs(top)]),
              np.array([0.85, 0.9, 8.0 * pixel, (30.0 if clipped else 4.0) * (top - ground), top]))
    found = least_squares(errors, np.clip(start, bounds[0] + 1e-9, bounds[1] - 1e-9), bounds=bounds,
                          loss="linear" if clipped else "soft_l1", f_scale=0.1 * float(np.median(weight[near])))
    low, high, sigma, height = (float(value) for value in found.x[:4])
    if high <= low:
        return None
    jacobian = np.asarray(found.jac, dtype=np.float64)
    square = jacobian.T @ jacobian
    spread = np.linalg.pinv(square)[:2, :2].diagonal() * 2.0 * found.cost / max(near.sum() - 5, 1)
    return _Band(max(low, 0.0), high, sigma, min(height, cut), float(np.sqrt(spread.max())))


def _half_height(at: NDArray[np.float64], smooth: NDArray[np.float64], ground: float, top: float,
                 sky: NDArray[np.bool_]) -> tuple[float, float]:
    """Return where the main peak falls to half; rows of LEDs with a dark gap between them are one light."""
    lit = (smooth > ground + 0.5 * (top - ground)) & sky
    edges = np.flatnonzero(np.diff(np.concatenate([[False], lit, [False]]).astype(int)))
    runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    widest = max(b - a for a, b in runs)
    joined = [runs[0]]
    for a, b in runs[1:]:
        if a - joined[-1][1] <= widest:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    best = max(joined, key=lambda run: float(smooth[run[0]:run[1]].sum()))
    return float(at[best[0]]), float(at[min(best[1], len(at)) - 1])


def _sector(values: NDArray[np.float64], inside: NDArray[np.bool_],
            azimuth: NDArray[np.float64]) -> tuple[tuple[float, float], int]:
    """Return the azimuths that a light takes, (0, 360) for a ring of single LEDs too, and the number of lit arcs."""
    where = _azimuth_bin(azimuth[inside])
    count = np.maximum(np.bincount(where, minlength=AZIMUTH_BINS), 1)
    level = np.bincount(where, values[inside], AZIMUTH_BINS) / count
    level = (np.roll(level, 1) + level + np.roll(level, -1)) / 3.0
    top = float(np.percentile(level, 95))
    if top <= 0.0:
        return (0.0, 360.0), 1
    lit = level > 0.5 * top
    if lit.all() or not lit.any():
        return (0.0, 360.0), 1
    gaps = _dark_arcs(level, 0.5 * top)
    lengths = sorted((length for _, length in gaps), reverse=True)
    # LEDs standing apart leave many gaps alike; a sector leaves one that is wider than all others.
    if lengths[0] < 12.0 or (len(lengths) > 2 and lengths[0] < 1.8 * lengths[1]):
        return (0.0, 360.0), 1
    wide = [gap for gap in gaps if gap[1] >= 0.6 * lengths[0]]
    if len(wide) > 1:
        return (0.0, 360.0), len(wide)
    start, length = wide[0]
    begin = (start + length) % 360.0
    pitch = lengths[1] if len(lengths) > 1 else 0.0
    begin = begin - 360.0 if begin > 180.0 else begin
    return (round(float(begin - pitch / 2.0), 1), round(float(begin + 360.0 - length + pitch / 2.0), 1)), 1


def _dark_arcs(level: NDArray[np.float64], half: float) -> list[tuple[float, float]]:
    """Return dark arcs as (start, length) in degrees; their ends are where the level passes one half."""
    step = 360.0 / AZIMUTH_BINS
    first = int(np.argmax(level > half))
    turned = np.append(np.roll(level, -first), level[first])
    arcs, start = [], None
    for i in range(1, len(turned)):
        before, now = turned[i - 1] > half, turned[i] > half
        if before == now:
            continue
        cross = (i - 1 + (turned[i - 1] - half) / (turned[i - 1] - turned[i])) * step
        if before:
            start = cross
        elif start is not None:
            arcs.append(((start + (first + 0.5) * step) % 360.0, cross - start))
    return arcs


def _off_axis(values: NDArray[np.float64], inside: NDArray[np.bool_], sky: Sky) -> float:
    """Return the angle between the camera's axis and the middle of the ring, in degrees."""
    where = _azimuth_bin(sky.azimuth[inside])
    light = np.maximum(values[inside], 0.0)
    total = np.bincount(where, light, AZIMUTH_BINS)
    middle = np.bincount(where, light * sky.zenith[inside], AZIMUTH_BINS) / np.maximum(total, 1e-9)
    angle = (np.arange(AZIMUTH_BINS) + 0.5) * (2 * np.pi / AZIMUTH_BINS)
    good = total > 0.1 * total.max(initial=1e-9)
    if good.sum() < AZIMUTH_BINS // 15:
        return float("nan")
    table = np.column_stack([np.ones(good.sum()), np.cos(angle[good]), np.sin(angle[good])])
    fit = np.linalg.lstsq(table, middle[good], rcond=None)[0]
    return float(np.rad2deg(np.hypot(fit[1], fit[2])))


def _within_horizon(shot: Shot, row: int, ball: Ball, light: Light, beyond: float, height: float) -> None:
    """Refuse an outline that makes a light stand below the horizon: it was the edge of a highlight.

    `beyond` is the brightest place near the outline. Paper mirrored there is never brighter than the paper itself.
    """
    angle = np.arange(180) * (2 * np.pi / 180)
    col = (ball.x_px + 1.05 * ball.radius_px * np.cos(angle)).astype(int)
    line = (ball.y_px + 1.05 * ball.radius_px * np.sin(angle)).astype(int)
    inside = (col >= 0) & (line >= 0) & (col < shot.size_px[0]) & (line < shot.size_px[1])
    outside = float(np.median(shot.planes[row][line[inside], col[inside]])) if inside.any() else 0.0
    if beyond > max(0.8 * height, 0.1 * shot.full) and outside < 0.6 * beyond:
        raise CalibrationError(
            f"{shot.name}: light {light.name} would stand below the horizon, so the circle found, "
            f"{2 * ball.radius_px:.0f} px across, is not the ball's outline; put the ball on grey or white paper, or "
            "give its diameter with --ball-mm")
