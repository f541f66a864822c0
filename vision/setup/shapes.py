"""Simple shapes and two ways to put them down: as SVG text and as a picture. No drawing library is needed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]

#: Height of a capital letter against the font size, and mean width of a letter, for common sans-serif faces.
CAPITAL, LETTER = 0.72, 0.56


@dataclass(frozen=True)
class Polygon:
    """A closed outline; fill or line may be absent. `dash` is lengths of lines and gaps, px."""

    points: tuple[Point, ...]
    fill: str | None = None
    line: str | None = None
    width: float = 1.0
    dash: tuple[float, ...] = ()
    opacity: float = 1.0  # of the fill
    title: str = ""


@dataclass(frozen=True)
class Line:
    """An open line."""

    points: tuple[Point, ...]
    line: str
    width: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True)
class Text:
    """One line of text with a white seam so that it reads on everything. `anchor` is start, middle or end."""

    at: Point
    text: str
    size: float
    colour: str = "#000000"
    anchor: str = "start"
    bold: bool = False


Shape = Polygon | Line | Text


def circle(center: Point, radius: float, steps: int = 48) -> tuple[Point, ...]:
    """Return points on a circle, counter-clockwise from x; in the unit of centre and radius."""
    azimuth = np.arange(steps) * (2.0 * np.pi / steps)
    return tuple((center[0] + radius * float(np.cos(a)), center[1] + radius * float(np.sin(a))) for a in azimuth)


def box(x0: float, y0: float, x1: float, y1: float) -> tuple[Point, ...]:
    """Return the corners of a rectangle, round it from (x0, y0)."""
    return (x0, y0), (x1, y0), (x1, y1), (x0, y1)


def svg(shapes: Iterable[Shape], width: int, height: int, title: str) -> str:
    """Return the shapes as an SVG document of width x height px."""
    lines = [f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
             f'viewBox="0 0 {width} {height}" font-family="sans-serif" role="img">', f"<title>{escape(title)}</title>",
             f'<rect width="{width}" height="{height}" fill="#ffffff"/>']
    lines += [_svg_shape(shape) for shape in shapes]
    return "\n".join([*lines, "</svg>"]) + "\n"


def _svg_shape(shape: Shape) -> str:
    if isinstance(shape, Text):
        weight = ' font-weight="bold"' if shape.bold else ""
        return (f'<text x="{shape.at[0]:.1f}" y="{shape.at[1]:.1f}" font-size="{shape.size:g}" '
                f'text-anchor={quoteattr(shape.anchor)}{weight} fill="{shape.colour}" stroke="#ffffff" '
                f'stroke-width="{shape.size / 5:.1f}" stroke-linejoin="round" paint-order="stroke">'
                f"{escape(shape.text)}</text>")
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in shape.points)
    dash = f' stroke-dasharray="{",".join(f"{d:g}" for d in shape.dash)}"' if shape.dash else ""
    stroke = f' stroke="{shape.line}" stroke-width="{shape.width:g}"{dash}' if shape.line else ""
    if isinstance(shape, Line):
        return f'<polyline points="{points}" fill="none"{stroke}/>'
    opacity = f' fill-opacity="{shape.opacity:g}"' if shape.fill and shape.opacity < 1.0 else ""
    start = f'<polygon points="{points}" fill="{shape.fill or "none"}"{opacity}{stroke}'
    return f"{start}><title>{escape(shape.title)}</title></polygon>" if shape.title else f"{start}/>"


def picture(shapes: Iterable[Shape], width: int, height: int, finer: int = 2) -> NDArray[np.uint8]:
    """Return the shapes as a colour picture (height, width, 3), blue green red; drawn `finer` times as large first."""
    import cv2

    canvas = np.full((height * finer, width * finer, 3), 255, dtype=np.uint8)
    for shape in shapes:
        if isinstance(shape, Text):
            _paint_text(canvas, shape, finer)
            continue
        points = np.round(np.array(shape.points) * finer * 16.0).astype(np.int32)
        closed = isinstance(shape, Polygon)
        if isinstance(shape, Polygon) and shape.fill:
            _paint_fill(canvas, points, shape)
        if shape.line:
            thick = max(1, round(shape.width * finer))
            for part in _dashes(np.array(shape.points) * finer, shape.dash, finer, closed=closed):
                cv2.polylines(canvas, [np.round(part * 16.0).astype(np.int32)], closed and not shape.dash,
                              _bgr(shape.line), thick, cv2.LINE_AA, 4)
    return np.asarray(cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _paint_fill(canvas: NDArray[np.uint8], points: NDArray[np.int32], shape: Polygon) -> None:
    import cv2

    assert shape.fill is not None
    if shape.opacity >= 1.0:
        cv2.fillPoly(canvas, [points], _bgr(shape.fill), cv2.LINE_AA, 4)
        return
    low = np.maximum(points.min(axis=0) // 16 - 1, 0)
    high = points.max(axis=0) // 16 + 2
    window = canvas[low[1]:high[1], low[0]:high[0]]
    layer = window.copy()
    cv2.fillPoly(layer, [(points - low * 16).astype(np.int32)], _bgr(shape.fill), cv2.LINE_AA, 4)
    window[:] = cv2.addWeighted(layer, shape.opacity, window, 1.0 - shape.opacity, 0.0)


def _paint_text(canvas: NDArray[np.uint8], shape: Text, finer: int) -> None:
    """Hershey letters: 21 units high at scale 1."""
    import cv2

    scale = shape.size * finer * CAPITAL / 21.0
    thick = max(1, round(shape.size * finer * (0.11 if shape.bold else 0.075)))
    text = shape.text.encode("ascii", "replace").decode()
    (wide, _), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)
    shift = {"start": 0, "middle": wide // 2, "end": wide}[shape.anchor]
    place = round(shape.at[0] * finer) - shift, round(shape.at[1] * finer)
    for colour, pen in (("#ffffff", thick + round(shape.size * finer / 5)), (shape.colour, thick)):
        cv2.putText(canvas, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, _bgr(colour), pen, cv2.LINE_AA)


def _dashes(points: NDArray[np.float64], dash: Sequence[float], finer: int, *,
            closed: bool) -> list[NDArray[np.float64]]:
    """Cut a line into its dashes; the whole line where there are none."""
    if not dash:
        return [points]
    path = np.concatenate([points, points[:1]]) if closed else points
    steps = np.hypot(*np.diff(path, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    parts, place, number = [], 0.0, 0
    while place < along[-1]:
        end = min(place + dash[number % len(dash)] * finer, along[-1])
        if number % 2 == 0:
            knots = np.concatenate([[place], along[(along > place) & (along < end)], [end]])
            parts.append(np.stack([np.interp(knots, along, path[:, k]) for k in (0, 1)], axis=1))
        place, number = end, number + 1
    return parts


def _bgr(colour: str) -> tuple[int, int, int]:
    red, green, blue = (int(colour[k:k + 2], 16) for k in (1, 3, 5))
    return blue, green, red
