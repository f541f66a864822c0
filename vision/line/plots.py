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
from vision.line.report import CountChart, FindingRow, JointRow

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 560, 190
LEFT, RIGHT, TOP, BOTTOM = 58, 10, 12, 34
#: Five steps of cividis, dark to bright.
STEPS: tuple[str, ...] = ("#00224e", "#35456c", "#666970", "#a69d75", "#fee838")


def _open(width: float, height: float, label: str) -> list[str]:
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
    parts = _open(WIDTH, HEIGHT, f"{item.title}: {points.size} groups of boards, {out} beyond the limits")
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
    parts = _open(WIDTH, height, f"{item.title}, {item.points.size} boards: {item.state} at the newest board")
    parts += frame.grid(_ends(item.serials))
    parts += [frame.line(item.individuals.upper, "limit"), frame.line(item.individuals.lower, "limit"),
              frame.line(item.ewma.upper, "band"), frame.line(item.ewma.lower, "band")]
    parts += _starts(item, frame, starts, height)
    fired = np.zeros(item.points.size, dtype=np.bool_)
    for at in item.rules.values():
        fired[list(at)] = True
    parts += frame.marks(item.charted, item.individuals.out | fired, titles)
    parts.append(frame.line(item.ewma.points, "trace strong"))
    sums = np.concatenate([item.cusum.high, item.cusum.low, [item.cusum.decision]]) / item.sigma
    lower = Frame(item.points.size, 0.0, float(sums.max()), "CUSUM, sigma", top=split + 22, height=height + 20)
    lower.low = 0.0
    limit = np.full(item.points.size, item.cusum.decision / item.sigma)
    parts += lower.grid([])
    parts += [lower.line(item.cusum.high / item.sigma, "trace up"),
              lower.line(item.cusum.low / item.sigma, "trace down"), lower.line(limit, "limit")]
    return "".join([*parts, "</svg>"])


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
    parts = _open(WIDTH, height, "findings by number of calls")
    parts.append('<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
                 'patternTransform="rotate(45)"><rect width="6" height="6" class="hatch-ground"/>'
                 '<line x1="0" y1="0" x2="0" y2="6" class="hatch-line"/></pattern></defs>')
    room = WIDTH - 130.0 - 110.0
    for number, row in enumerate(rows):
        y, x = 26.0 * number + 6.0, 130.0
        parts.append(f'<text class="name" x="122" y="{y + 13:.1f}" text-anchor="end">{escape(row.title)}</text>')
        unsure = row.calls - row.real - row.waiting - row.false_calls
        for count, kind in ((row.real + row.escapes, "real"), (row.waiting + unsure, "waiting"),
                            (row.false_calls, "false")):
            wide = room * count / most
            if count:
                parts.append(f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="17">'
                             f"<title>{escape(row.title)}: {count} {kind}</title></rect>")
            x += wide
        parts.append(f'<text class="tick" x="{x + 6:.1f}" y="{y + 13:.1f}">{row.calls + row.escapes} '
                     f"({100 * row.cumulative:.0f} %)</text>")
    return "".join([*parts, "</svg>"])


def board_map(rows: Sequence[JointRow]) -> str:
    """Return the board's joints where they are, as seen from the component side (x right, y up).

    Size and colour grow with the rate; joints above the rest (adjusted p at most 0.05) have a ring and their name.
    """
    x, y = np.array([row.x_mm for row in rows]), np.array([row.y_mm for row in rows])
    span = max(float(np.ptp(x)), float(np.ptp(y)), 10.0)
    near = _nearest(x, y)
    radius = float(np.clip(0.45 * near, 0.006 * span, 0.03 * span))
    margin = 4.0 * radius + 0.03 * span
    width, height = float(np.ptp(x)) + 2 * margin, float(np.ptp(y)) + 2 * margin
    scale = 900.0 / width
    most = max(max((row.dpmo for row in rows), default=0.0), 1e-9)
    parts = _open(900, height * scale + 34, f"board map of {len(rows)} joints by defects per million opportunities")
    parts.append(f'<rect class="board" x="1" y="1" width="898" height="{height * scale - 2:.1f}" rx="6"/>')
    order = sorted(range(len(rows)), key=lambda i: rows[i].dpmo)
    for i in order:
        row = rows[i]
        px, py = (row.x_mm - x.min() + margin) * scale, (y.max() - row.y_mm + margin) * scale
        level = row.dpmo / most
        r = radius * scale * (0.35 + 0.65 * np.sqrt(level))
        title = (f"{row.joint}: {row.calls} of {row.opportunities}, {row.dpmo:,.0f} DPMO "
                 f"({row.dpmo_low:,.0f} to {row.dpmo_high:,.0f}) {row.top_finding}")
        colour = STEPS[min(int(level * len(STEPS)), len(STEPS) - 1)] if row.calls else "none"
        parts.append(f'<circle class="joint" cx="{px:.1f}" cy="{py:.1f}" r="{r:.1f}" fill="{colour}">'
                     f"<title>{escape(title)}</title></circle>")
        if row.calls and row.q_value <= 0.05:
            parts.append(f'<circle class="ring" cx="{px:.1f}" cy="{py:.1f}" r="{radius * scale * 1.25:.1f}"/>')
            parts.append(f'<text class="name" x="{px:.1f}" y="{py - radius * scale * 1.45:.1f}" '
                         f'text-anchor="middle">{escape(row.joint)}</text>')
    parts += _map_legend(most, radius * scale, height * scale)
    return "".join([*parts, "</svg>"])


def _map_legend(most: float, radius: float, top: float) -> list[str]:
    parts = [f'<text class="tick" x="8" y="{top + 24:.1f}">DPMO</text>']
    x = 60.0
    for step, colour in enumerate(STEPS):
        level = (step + 0.5) / len(STEPS)
        r = radius * (0.35 + 0.65 * np.sqrt(level))
        parts.append(f'<circle class="joint" cx="{x + r:.1f}" cy="{top + 19:.1f}" r="{r:.1f}" fill="{colour}"/>')
        text = f"to {most * (step + 1) / len(STEPS):,.0f}"
        parts.append(f'<text class="tick" x="{x + 2 * r + 5:.1f}" y="{top + 24:.1f}">{text}</text>')
        x += 2 * r + 18 + 8.0 * len(text)
    parts.append(f'<circle class="ring" cx="{x + radius:.1f}" cy="{top + 19:.1f}" r="{radius:.1f}"/>')
    parts.append(f'<text class="tick" x="{x + 2 * radius + 5:.1f}" y="{top + 24:.1f}">above the rest</text>')
    return parts


def _nearest(x: Floats, y: Floats) -> float:
    """Return the median distance from a joint to its nearest neighbour, mm."""
    if x.size < 2:
        return 10.0
    best = np.full(x.size, np.inf)
    for start in range(0, x.size, 500):
        d = np.hypot(x[start: start + 500, None] - x[None, :], y[start: start + 500, None] - y[None, :])
        d[np.arange(d.shape[0]), np.arange(start, start + d.shape[0])] = np.inf
        best[start: start + 500] = d.min(axis=1)
    return float(np.median(best))
