"""One self-contained HTML page about a station's calibration: ball, bands, flat-fields, old and new numbers."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import __version__
from vision.calibration.bands import LightSeen, Sky, ball_sky
from vision.calibration.calibrate import BallSeen, Calibration
from vision.calibration.plane import Field
from vision.calibration.reference import Reference
from vision.setup.station import Light, Station

BALL_PX = 460  # the longer side of a ball's picture on the page
FLAT_PX = 420
CHART = (460, 170, 40, 12, 10, 34)  # width, height, left, right, top, bottom
STEPS = 120


@dataclass(frozen=True)
class _Row:
    """One light's old and new numbers."""

    name: str
    exposure: str
    channel: str
    old_zenith: tuple[float, float]
    new_zenith: tuple[float, float]
    old_azimuth: tuple[float, float]
    new_azimuth: tuple[float, float]
    seen: LightSeen | None
    field: Field | None


def calibration_html(found: Calibration, reference: Reference, files: Sequence[str] = ()) -> str:
    """Return the page. `files` are the names of what was written beside it."""
    seen = {light.name: light for light in found.lights}
    fields = {field.light: field for field in found.fields}
    rows = [_Row(old.name, old.exposure, old.channel, old.zenith_deg, new.zenith_deg, old.azimuth_deg, new.azimuth_deg,
                 seen.get(old.name), fields.get(old.name))
            for old, new in zip(found.old.lights, found.station.lights, strict=True)]
    balls = [(taking, [_light_view(taking, row, found.station) for row in range(len(found.station.lights))])
             for taking in found.balls]
    page: str = _template().render(
        c=found, reference=reference, rows=rows, balls=balls, version=__version__, files=files,
        charts=[(light.name, _chart(light)) for light in found.lights if light.profile],
        flats=[(field, _flat_picture(field)) for field in found.fields], colours=("red", "green", "blue"))
    return page


def _light_view(taking: BallSeen, row: int, station: Station) -> dict[str, str]:
    """Return one light's picture of the ball as a data URI, and what was found as SVG on top."""
    ball, light = taking.ball, taking.lights[row]
    reach = 1.25 * ball.radius_px
    left, top = max(int(ball.x_px - reach), 0), max(int(ball.y_px - reach), 0)
    right = min(int(ball.x_px + reach), taking.shot.size_px[0])
    bottom = min(int(ball.y_px + reach), taking.shot.size_px[1])
    plane = taking.shot.raw[row][top:bottom, left:right]
    scale = min(1.0, BALL_PX / max(plane.shape))
    bright = np.clip(plane / max(0.7 * taking.shot.full, 1.0), 0.0, 1.0) ** 0.5 * 255.0
    small = cv2.resize(bright.astype(np.uint8), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    height, width = small.shape
    distance = station.lights[row].distance_mm
    sky = ball_sky(ball, taking.shot.size_px, station, distance)
    paths = [_edge(sky, np.deg2rad(edge), light.azimuth_deg, (left, top), scale) for edge in light.zenith_deg]
    return {"name": light.name, "picture": _uri(small), "width": str(width), "height": str(height),
            "x": f"{(ball.x_px - left) * scale:.1f}", "y": f"{(ball.y_px - top) * scale:.1f}",
            "r": f"{ball.radius_px * scale:.1f}", "low": paths[0], "high": paths[1],
            "words": f"{light.zenith_deg[0]:.1f} to {light.zenith_deg[1]:.1f} deg"}


def _edge(sky: Sky, edge: float, azimuth_deg: tuple[float, float], corner: tuple[int, int], scale: float) -> str:
    """Return the SVG points of the line on the ball where the sky has this zenith, over the lit sector."""
    near = np.abs(sky.zenith - edge) < np.deg2rad(4.0)
    start, end = np.deg2rad(azimuth_deg)
    points = []
    for angle in np.linspace(start, end, STEPS + 1):
        turn = np.abs((sky.azimuth - angle + np.pi) % (2 * np.pi) - np.pi)
        close = near & (turn < np.deg2rad(4.0))
        if close.sum() < 3:
            continue
        weight = 1.0 / (np.deg2rad(0.3) + np.abs(sky.zenith[close] - edge) + turn[close]) ** 4
        x = float((weight * (sky.col[close] + 0.5)).sum() / weight.sum()) - corner[0]
        y = float((weight * (sky.row[close] + 0.5)).sum() / weight.sum()) - corner[1]
        points.append(f"{x * scale:.1f},{y * scale:.1f}")
    return " ".join(points)


def _chart(light: LightSeen) -> str:
    """Return a light's course over the zenith as the inside of an SVG."""
    width, height, left, right, top, bottom = CHART
    peak = max(*light.profile, 1.0)

    def x(zenith: float) -> float:
        return left + zenith / 90.0 * (width - left - right)

    def y(level: float) -> float:
        return top + (1.0 - max(level, 0.0) / peak) * (height - top - bottom)

    low, high = light.zenith_deg
    line = " ".join(f"{x(zenith):.1f},{y(level):.1f}" for zenith, level in enumerate(light.profile))
    ground = height - bottom
    ticks = "".join(f'<line x1="{x(z):.1f}" x2="{x(z):.1f}" y1="{ground}" y2="{ground + 5}" class="axis"/>'
                    f'<text x="{x(z):.1f}" y="{ground + 18}" text-anchor="middle">{z}</text>'
                    for z in range(0, 91, 15))
    return (f'<rect x="{x(low):.1f}" y="{top}" width="{x(min(high, 90.0)) - x(low):.1f}" height="{ground - top}" '
            f'class="band"/><polyline points="{line}" class="course"/>'
            f'<line x1="{left}" x2="{width - right}" y1="{ground}" y2="{ground}" class="axis"/>{ticks}'
            f'<text x="{left - 6}" y="{top + 10}" text-anchor="end">{peak:.0f}</text>'
            f'<text x="{left - 6}" y="{ground}" text-anchor="end">0</text>'
            f'<text x="{width - right}" y="{height - 1}" text-anchor="end">zenith, deg</text>')


def _flat_picture(field: Field) -> str:
    """Return a flat-field in cividis, from its darkest to its brightest place."""
    scale = min(1.0, FLAT_PX / max(field.values.shape))
    small = cv2.resize(field.values, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    low, high = float(small.min()), float(small.max())
    even = ((small - low) / max(high - low, 1e-6) * 255.0).astype(np.uint8)
    return _uri(cv2.applyColorMap(even, cv2.COLORMAP_CIVIDIS))


def _uri(picture: NDArray[Any]) -> str:
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 88])
    assert done
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def moved(old: tuple[float, float], new: tuple[float, float]) -> float:
    """Return the larger move of two edges, with its sign."""
    return max((b - a for a, b in zip(old, new, strict=True)), key=abs)


def slopes(light: Light) -> str:
    """Return the slopes that a light lights, in words."""
    return f"{light.zenith_deg[0] / 2:.1f} to {light.zenith_deg[1] / 2:.1f}"


@lru_cache(maxsize=1)
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(loader=PackageLoader("vision.report"), autoescape=True, undefined=StrictUndefined,
                              trim_blocks=True, lstrip_blocks=True)
    environment.globals |= {"moved": moved, "slopes": slopes}
    return environment.get_template("calibration.html")
