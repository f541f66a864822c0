"""Plots as inline SVG, drawn by hand: no script, no outside file, readable without colour.

Meaning is always carried by shape, size, pattern or a word as well as by colour; colours are those of Okabe and Ito
(Color Universal Design, 2008) and, for the map, the cividis scale (Nunez and others, PLoS ONE 13, 2018).
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from vision.line.measure_charts import MeasureChart
from vision.line.report import CountChart, FindingRow

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 560, 190
LEFT, RIGHT, TOP, BOTTOM = 58, 10, 12, 34
#: The axis of cumulative sums ends at so many decision values.
CUSUM_AXIS = 4.0
#: Five steps of cividis, dark to bright.
STEPS: tuple[str, ...] = ("#00224e", "#35456c", "#666970", "#a69d75", "#fee838")


def open_svg(width: float, height: float, label: str) -> list[str]:
    """Return the beginning of a drawing with what it says to those who cannot see it."""
    return [f'<svg viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{escape(label)}">',
            f"<title>{escape(label)}</title>"]


def nice_ticks(low: float, high: float, count: int = 4) -> list[float]:
    """Return round numbers that span a range: steps of 1, 2 or 5 times a power of ten."""
    if not high > low:
        high = low + 1.0
    raw = (high - low) / count
    power = 10.0 ** np.floor(np.log10(raw))
    step = float(next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * 0.999))
    first = np.ceil(low / step - 1e-9) * step
    return [float(round(value, 12)) + 0.0 for value in np.arange(first, high + step * 1e-6, step)]


class Frame:
    """Axes of a time chart: maps point numbers and values to the drawing, and draws grid and labels."""

    def __init__(self, points: int, low: float, high: float, unit: str = "", top: float = TOP,
                 height: float = HEIGHT) -> None:
        pad = 0.08 * (high - low) if high > low else 0.5
        self.low, self.high = low - pad, high + pad
        self.points, self.unit, self.top, self.bottom = max(points, 2), unit, top, height - BOTTOM

    def x(self, index: float) -> float:
        """Return the drawing's x of a point number."""
        return LEFT + 8 + (WIDTH - LEFT - RIGHT - 16) * index / (self.points - 1)

    def y(self, value: float) -> float:
        """Return the drawing's y of a value."""
        return self.bottom - (self.bottom - self.top) * (value - self.low) / (self.high - self.low)

    def grid(self, labels: Sequence[tuple[int, str]]) -> list[str]:
        """Return grid lines with numbers, and the labels below the axis."""
        out = []
        for tick in nice_ticks(self.low, self.high):
            y = self.y(tick)
            out.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
            out.append(f'<text class="tick" x="{LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{tick:g}</text>')
        for index, text in labels:
            anchor = "start" if index == 0 else "end" if index >= self.points - 1 else "middle"
            out.append(f'<text class="tick" x="{self.x(index):.1f}" y="{self.bottom + 16:.1f}" '
                       f'text-anchor="{anchor}">{escape(text)}</text>')
        if self.unit:
            out.append(f'<text class="tick" x="2" y="{self.top - 2:.1f}">{escape(self.unit)}</text>')
        return out

    def line(self, values: Floats, kind: str, steps: bool = False) -> str:
        """Return a line through values; `steps` draws each value as a level."""
        corners = []
        for index, value in enumerate(values):
            y = self.y(float(value))
            if steps:
                corners += [(self.x(index - 0.5), y), (self.x(index + 0.5), y)]
            else:
                corners.append((self.x(index), y))
        text = " ".join(f"{min(max(x, LEFT), WIDTH - RIGHT):.1f},{y:.1f}" for x, y in corners)
        return f'<polyline class="{kind}" points="{text}"/>'

    def marks(self, values: Floats, out: NDArray[np.bool_], titles: Sequence[str]) -> list[str]:
        """Return a dot for each point in order and a triangle for each point out of its limits."""
        drawn = []
        for index, value in enumerate(values):
            x, y = self.x(index), self.y(float(value))
            title = f"<title>{escape(titles[index])}</title>"
            if out[index]:
                drawn.append(f'<path class="out" d="M{x:.1f} {y - 6:.1f} l5.5 10 h-11 z">{title}</path>')
            else:
                drawn.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="2.6">{title}</circle>')
        return drawn


def _ends(serials: Sequence[str]) -> list[tuple[int, str]]:
    last = len(serials) - 1
    return [(0, serials[0]), (last, serials[last])] if last else [(0, serials[0])]


def count_plot(item: CountChart) -> str:
    """Return a p or u chart; limits as dashed steps, points beyond them as triangles."""
    chart = item.chart
    scale, unit = (100.0, "%") if chart.kind == "p" else (1.0, "")
    upper, lower, points = chart.upper * scale, chart.lower * scale, chart.points * scale
    frame = Frame(points.size, float(min(lower.min(), points.min())), float(max(upper.max(), points.max())), unit)
    titles = [f"{size} boards from {serial}: {value:.3g}{' %' if unit else ''} (limits {low:.3g} to {high:.3g})"
              for size, serial, value, low, high in zip(item.boards, item.serials, points, lower, upper, strict=True)]
    out = int(chart.out.sum())
    parts = open_svg(WIDTH, HEIGHT, f"{item.title}: {points.size} groups of boards, {out} beyond the limits")
    parts += frame.grid(_ends(item.serials))
    parts += [frame.line(chart.center * scale, "center"), frame.line(upper, "limit", steps=True),
              frame.line(lower, "limit", steps=True), frame.line(points, "trace")]
    parts += frame.marks(points, chart.out, titles)
    return "".join([*parts, "</svg>"])


def measure_plot(item: MeasureChart, starts: Sequence[tuple[str, str]] = ()) -> str:
    """Return single values, EWMA with limits, and below them both cumulative sums with their decision value.

    `starts` are (serial, alarm id) of drifts; each that lies on the chart is marked where it begins.
    """
    height, split = 300.0, 190.0
    values = np.concatenate([item.charted, item.ewma.upper, item.ewma.lower, item.individuals.upper[:1],
                             item.individuals.lower[:1]])
    frame = Frame(item.points.size, float(values.min()), float(values.max()), item.unit, height=split + 12)
    titles = [f"{serial}: {value:.4g} {item.unit}" for serial, value in zip(item.serials, item.points, strict=True)]
    parts = open_svg(WIDTH, height, f"{item.title}, {item.points.size} boards: {item.state} at the newest board")
    parts += frame.grid(_ends(item.serials))
    parts += [frame.line(item.individuals.upper, "limit"), frame.line(item.individuals.lower, "limit"),
              frame.line(item.ewma.upper, "band"), frame.line(item.ewma.lower, "band")]
    parts += _starts(item, frame, starts, height)
    fired = np.zeros(item.points.size, dtype=np.bool_)
    for at in item.rules.values():
        fired[list(at)] = True
    parts += frame.marks(item.charted, item.individuals.out | fired, titles)
    parts.append(frame.line(item.ewma.points, "trace strong"))
    return "".join([*parts, *_cusum(item, split + 22, height + 20), "</svg>"])


def _cusum(item: MeasureChart, top: float, height: float) -> list[str]:
    """Return both cumulative sums with their decision value.

    The axis ends at CUSUM_AXIS decision values, or the limit would be lost at the bottom after a drift that lasts;
    where a sum goes beyond, triangles stand in its stead, and the largest is named.
    """
    up, down, limit = (np.asarray(values) / item.sigma for values in (item.cusum.high, item.cusum.low,
                                                                      item.cusum.decision))
    most = max(float(up.max()), float(down.max()), float(limit))
    end = min(most, CUSUM_AXIS * float(limit))
    frame = Frame(item.points.size, 0.0, end, "CUSUM, sigma", top=top, height=height)
    frame.low = 0.0
    parts = frame.grid([])
    for values, kind in ((up, "trace up"), (down, "trace down")):
        parts.append(frame.line(np.minimum(values, end), kind))
        for index in np.flatnonzero(values > end).tolist():
            title = f"<title>{escape(item.serials[index])}: {values[index]:.3g} sigma, beyond the axis</title>"
            x, y = frame.x(index), frame.y(end)
            parts.append(f'<path class="out" d="M{x:.1f} {y - 5:.1f} l3.5 6 h-7 z">{title}</path>')
    if most > end:
        parts.append(f'<text class="tick" x="{WIDTH - RIGHT}" y="{top - 2:.1f}" text-anchor="end">&#9650; beyond the '
                     f"axis, up to {most:.3g}</text>")
    parts.append(frame.line(np.full(item.points.size, limit), "limit"))
    return parts


def _starts(item: MeasureChart, frame: Frame, starts: Sequence[tuple[str, str]], height: float) -> list[str]:
    """Return an upright line with the alarm's id where a drift begins; the ids stand on lines of their own."""
    out = []
    for number, (serial, alarm) in enumerate(start for start in starts if start[0] in item.serials):
        x = frame.x(item.serials.index(serial) - 0.5)
        out.append(f'<line class="start" x1="{x:.1f}" x2="{x:.1f}" y1="{frame.top:g}" y2="{height - 14:g}"/>')
        out.append(f'<text class="tick" x="{x - 4:.1f}" y="{frame.bottom - 4 - 13 * (number % 4):.1f}" '
                   f'text-anchor="end">{escape(alarm)}</text>')
    return out


def pareto_plot(rows: Sequence[FindingRow]) -> str:
    """Return bars by finding: confirmed solid, waiting hatched, called false empty; numbers beside them."""
    height = 26.0 * len(rows) + 12.0
    most = max([row.calls + row.escapes for row in rows] + [1])
    parts = open_svg(WIDTH, height, "findings by number of calls and escapes")
    parts.append('<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
                 'patternTransform="rotate(45)"><rect width="6" height="6" class="hatch-ground"/>'
                 '<line x1="0" y1="0" x2="0" y2="6" class="hatch-line"/></pattern></defs>')
    room = WIDTH - 130.0 - 110.0
    for number, row in enumerate(rows):
        y, x = 26.0 * number + 6.0, 130.0
        parts.append(f'<text class="name" x="122" y="{y + 13:.1f}" text-anchor="end">{escape(row.title)}</text>')
        unsure = row.calls - row.real - row.waiting - row.false_calls
        for count, kind, words in ((row.real + row.escapes, "real", "real calls and escapes"),
                                   (row.waiting + unsure, "waiting", "waiting or cannot tell"),
                                   (row.false_calls, "false", "declared false")):
            wide = room * count / most
            if count:
                parts.append(f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="17">'
                             f"<title>{escape(row.title)}: {count} {words}</title></rect>")
            x += wide
        parts.append(f'<text class="tick" x="{x + 6:.1f}" y="{y + 13:.1f}">{row.calls + row.escapes} '
                     f"({100 * row.cumulative:.0f} %)</text>")
    return "".join([*parts, "</svg>"])
