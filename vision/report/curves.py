"""Trade-off curves drawn from scratch: one chart a limit, as SVG for a page and as PNG for a slide.

Both come from the same list of strokes, so that they show the same. Only shares up to 10 % are drawn, since a limit
that lets more pass, or turns more away, is out of the question.
"""

from __future__ import annotations

import html
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from models.tradeoff import Curve
from models.vocabulary import FINDING, MEASURE, limit_text, plain_name

WIDTH, HEIGHT = 560, 300
LEFT, RIGHT, TOP, BOTTOM = 56, 20, 46, 50
MOST = 0.10  # largest share drawn
INK, SOFT, LINE, PAPER = "#1d1f22", "#5b6067", "#dcd8cf", "#ffffff"
#: Okabe-Ito vermilion, blue and orange; the lines also differ in dash and carry their names.
ESCAPES, FALSE_CALLS, GUARD = "#d55e00", "#0072b2", "#e69f00"
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True)
class _Path:
    points: tuple[tuple[float, float], ...]
    colour: str
    width: float = 1.0
    dash: float = 0.0


@dataclass(frozen=True)
class _Box:
    x: float
    y: float
    width: float
    height: float
    colour: str
    strength: float = 1.0


@dataclass(frozen=True)
class _Text:
    x: float
    y: float
    text: str
    size: int = 12
    colour: str = INK
    anchor: Anchor = "start"


Stroke = _Path | _Box | _Text


def curve_svg(curve: Curve) -> str:
    """Return the chart as an SVG element."""
    parts = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" '
             f'height="{HEIGHT}" role="img" aria-label="{html.escape(chart_words(curve))}" '
             'font-family="system-ui, sans-serif">']
    for stroke in _strokes(curve):
        if isinstance(stroke, _Box):
            parts.append(f'<rect x="{stroke.x:.1f}" y="{stroke.y:.1f}" width="{stroke.width:.1f}" '
                         f'height="{stroke.height:.1f}" fill="{stroke.colour}" fill-opacity="{stroke.strength:g}"/>')
        elif isinstance(stroke, _Text):
            parts.append(f'<text x="{stroke.x:.1f}" y="{stroke.y:.1f}" font-size="{stroke.size}" '
                         f'fill="{stroke.colour}" text-anchor="{stroke.anchor}">{html.escape(stroke.text)}</text>')
        else:
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in stroke.points)
            dash = f' stroke-dasharray="{stroke.dash:g}"' if stroke.dash else ""
            parts.append(f'<polyline points="{points}" fill="none" stroke="{stroke.colour}" '
                         f'stroke-width="{stroke.width:g}"{dash}/>')
    return "".join(parts) + "</svg>"


def curves_png(curves: Sequence[Curve], columns: int = 2) -> bytes:
    """Return charts side by side as one PNG picture, twice as fine as the SVG's units."""
    from PIL import Image, ImageDraw, ImageFont

    fine = 4  # drawn four times as fine and halved: smooth lines
    rows = max(1, math.ceil(len(curves) / columns))
    whole = Image.new("RGB", (WIDTH * fine * min(columns, max(1, len(curves))), HEIGHT * fine * rows), PAPER)
    draw = ImageDraw.Draw(whole, "RGBA")
    for number, curve in enumerate(curves):
        dx, dy = WIDTH * (number % columns), HEIGHT * (number // columns)
        for stroke in _strokes(curve):
            if isinstance(stroke, _Box):
                colour = (*_rgb(stroke.colour), round(255 * stroke.strength))
                draw.rectangle([((stroke.x + dx) * fine, (stroke.y + dy) * fine),
                                ((stroke.x + stroke.width + dx) * fine, (stroke.y + stroke.height + dy) * fine)],
                               fill=colour)
            elif isinstance(stroke, _Text):
                font = ImageFont.load_default(stroke.size * fine)
                anchor = {"start": "ls", "middle": "ms", "end": "rs"}[stroke.anchor]
                draw.text(((stroke.x + dx) * fine, (stroke.y + dy) * fine), stroke.text, _rgb(stroke.colour), font,
                          anchor)
            else:
                moved = [((x + dx) * fine, (y + dy) * fine) for x, y in stroke.points]
                for piece in _dashes(moved, stroke.dash * fine):
                    draw.line(piece, _rgb(stroke.colour), max(1, round(stroke.width * fine)), joint="curve")
    small = whole.resize((whole.width // 2, whole.height // 2), Image.Resampling.LANCZOS)
    file = io.BytesIO()
    small.save(file, "PNG", optimize=True)
    return file.getvalue()


def chart_words(curve: Curve) -> str:
    """Return what the chart says, in one sentence."""
    at = int(np.abs(curve.limits - curve.limit).argmin())
    return (f"{_title(curve)}: {100 * curve.escapes[at]:.1f} % of {curve.defects} defects escape and "
            f"{100 * curve.false_calls[at]:.1f} % of {curve.good} good ones are rejected by this rule")


def _title(curve: Curve) -> str:
    """Return the rule as limit sheets tell it: `bridge: bridge width above 0.10 mm`."""
    return (f"{FINDING[curve.finding].title}: {plain_name(curve.measure)} {curve.side} "
            f"{limit_text(curve.measure, curve.limit)}")


def _strokes(curve: Curve) -> list[Stroke]:
    unit = MEASURE[curve.measure].unit
    low, high = float(curve.limits[0]), float(curve.limits[-1])

    def across(value: float) -> float:
        return LEFT + (value - low) / max(high - low, 1e-12) * (WIDTH - LEFT - RIGHT)

    def up(share: float) -> float:
        return HEIGHT - BOTTOM - min(share, MOST * 1.02) / MOST * (HEIGHT - TOP - BOTTOM)

    strokes: list[Stroke] = [
        _Box(0, 0, WIDTH, HEIGHT, PAPER),
        _Text(LEFT, 18, _title(curve), 14)]
    if curve.guard:
        other = curve.limit + (curve.guard if curve.side == "below" else -curve.guard)
        left, right = sorted((across(curve.limit), across(min(max(other, low), high))))
        strokes.append(_Box(left, TOP, right - left, HEIGHT - TOP - BOTTOM, GUARD, 0.25))
    for share in (0.0, 0.02, 0.04, 0.06, 0.08, 0.10):
        strokes += [_Path(((LEFT, up(share)), (WIDTH - RIGHT, up(share))), LINE),
                    _Text(LEFT - 6, up(share) + 4, f"{100 * share:.0f} %", 11, SOFT, "end")]
    for tick in nice_ticks(low, high):
        strokes += [_Path(((across(tick), HEIGHT - BOTTOM), (across(tick), HEIGHT - BOTTOM + 4)), SOFT),
                    _Text(across(tick), HEIGHT - BOTTOM + 17, f"{tick:g}", 11, SOFT, "middle")]
    strokes += [
        _Text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 12,
              f"limit on {plain_name(curve.measure)}{f', {unit}' if unit else ''}", 12, SOFT, "middle"),
        _Path(((across(curve.limit), TOP - 4), (across(curve.limit), HEIGHT - BOTTOM)), INK, 1.5)]
    for shares, colour, dash in ((curve.false_calls, FALSE_CALLS, 5.0), (curve.escapes, ESCAPES, 0.0)):
        for piece in _visible(curve.limits, shares):
            strokes.append(_Path(tuple((across(x), up(y)) for x, y in piece), colour, 2.5, dash))
    legend = (("escapes, of " + str(curve.defects), ESCAPES, 0.0), ("false calls, of " + str(curve.good), FALSE_CALLS,
                                                                  5.0))
    for place, (text, colour, dash) in enumerate(legend):
        x = LEFT + 170 * place
        strokes += [_Path(((x, 32), (x + 22, 32)), colour, 2.5, dash), _Text(x + 28, 36, text, 12, SOFT)]
    if curve.guard:
        strokes += [_Box(LEFT + 360, 26, 14, 12, GUARD, 0.35), _Text(LEFT + 380, 36, "guard band", 12, SOFT)]
    return strokes


def nice_ticks(low: float, high: float, wanted: int = 6) -> list[float]:
    """Return round numbers between two values, about as many as wanted."""
    if not high > low:
        return [low]
    rough = (high - low) / wanted
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= rough)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _visible(xs: Sequence[float] | np.ndarray[tuple[int, ...], np.dtype[np.float64]],
             ys: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> list[list[tuple[float, float]]]:
    """Cut a line where it leaves the drawn range upward."""
    pieces: list[list[tuple[float, float]]] = [[]]
    for x, y in zip(xs, ys, strict=True):
        if y <= MOST:
            pieces[-1].append((float(x), float(y)))
        elif pieces[-1]:
            pieces[-1].append((float(x), MOST))  # up to the edge, so that the line is seen to leave
            pieces.append([])
    return [piece for piece in pieces if len(piece) > 1]


def _dashes(points: list[tuple[float, float]], dash: float) -> list[list[tuple[float, float]]]:
    """Return the pieces of a dashed line; the whole line where `dash` is 0."""
    if not dash:
        return [points]
    pieces: list[list[tuple[float, float]]] = []
    left, on = dash, True
    piece = [points[0]]
    for (x0, y0), (x1, y1) in pairwise(points):
        length, done = math.hypot(x1 - x0, y1 - y0), 0.0
        while length - done > left:
            done += left
            place = (x0 + (x1 - x0) * done / length, y0 + (y1 - y0) * done / length)
            if on:
                pieces.append([*piece, place])
            piece, left, on = [place], dash, not on
        left -= length - done
        if on:
            piece.append((x1, y1))
    return pieces + ([piece] if on and len(piece) > 1 else [])


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
