"""Line drawings for the pages, as inline SVG without styles or scripts: board map, value scale, spread of values.

Classes are for style sheets (`page.css`, or the style block of a printed sheet). All text is escaped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from models.vocabulary import MEASURE, limit_text, plain_name, with_unit
from vision.review.boards import Found
from vision.setup import Family, Joint
from vision.setup.geometry import drawn_turn_deg

#: Drawing units a millimetre, and the board shown beyond the outermost part.
SCALE, EDGE_MM = 12.0, 2.0
#: Kinds of marks, the mildest first: of two at one place the worse one lies on top.
KINDS = ("place", "indicator", "review", "reject", "stop")


@dataclass(frozen=True)
class Mark:
    """One mark on the map: where, what kind (reject, review, indicator, stop), and what it says when asked."""

    x_mm: float
    y_mm: float
    kind: str
    title: str
    label: str = ""  # a number in the mark
    here: bool = False  # the place in question


class Map:
    """Board coordinates to drawing units for a person at one side, the board turned by 0, 90, 180 or 270 degrees."""

    def __init__(self, family: Family, side: str, turn: int = 0) -> None:
        mirror = -1.0 if side == "bottom" else 1.0
        angle = np.deg2rad(turn % 360)
        turned = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        self.matrix: NDArray[np.float64] = np.diag([1.0, -1.0]) @ turned @ np.diag([mirror, 1.0]) * SCALE
        points = [(j.x_mm, j.y_mm, max(j.land_w_mm, j.land_h_mm) / 2.0) for j in family.joints]
        points += [(c.x_mm, c.y_mm, max(c.body_w_mm, c.body_h_mm) / 2.0) for c in family.chips]
        points += [(f.x_mm, f.y_mm, f.diameter_mm / 2.0) for f in family.fiducials]
        table = np.asarray(points)
        drawn, reach = table[:, :2] @ self.matrix.T, (table[:, 2:] + EDGE_MM) * SCALE
        self.low = (drawn - reach).min(axis=0)
        self.size = (drawn + reach).max(axis=0) - self.low

    def __call__(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Return a board place in drawing units."""
        x, y = self.matrix @ np.array([x_mm, y_mm]) - self.low
        return float(x), float(y)



def board_map(family: Family, marks: Sequence[Mark], title: str, *, side: str, turn: int = 0,
              way: Sequence[tuple[float, float]] = (), origin: bool = False) -> str:
    """Return the board as seen from a side, with marks and, for the bench, the iron's way."""
    to = Map(family, side, turn)
    width, height = to.size
    parts = [f'<svg class="map" viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{escape(title)}">',
             f"<title>{escape(title)}</title>",
             f'<rect class="board" x="1" y="1" width="{width - 2:.0f}" height="{height - 2:.0f}" rx="6"/>']
    for mark in family.fiducials:
        x, y = to(mark.x_mm, mark.y_mm)
        parts.append(f'<circle class="fiducial" cx="{x:.1f}" cy="{y:.1f}" r="{mark.diameter_mm * SCALE / 2:.1f}"/>')
    for chip in family.chips:
        parts.append(_box("chip", to(chip.x_mm, chip.y_mm), chip.body_w_mm, chip.body_h_mm,
                          drawn_turn_deg(to.matrix, chip.rotation_deg), 0.0))
    for joint in family.joints:
        parts += _joint(joint, to)
    if way:
        places = [to(*point) for point in way]
        parts.append(f'<polyline class="way" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in places)}"/>')
        parts.append(f'<circle class="way-start" cx="{places[0][0]:.1f}" cy="{places[0][1]:.1f}" r="6"/>')
    if origin:
        parts += _axes(to)
    in_order = sorted(marks, key=lambda mark: (mark.here, KINDS.index(mark.kind)))
    parts += [_mark(item, *to(item.x_mm, item.y_mm), width, height) for item in in_order]
    parts.append("</svg>")
    return "".join(parts)


def _joint(joint: Joint, to: Map) -> list[str]:
    x, y = to(joint.x_mm, joint.y_mm)
    corner = min(joint.land_w_mm, joint.land_h_mm) * SCALE / 2 if joint.land_shape != "rect" else 0.0
    angle = drawn_turn_deg(to.matrix, joint.land_rotation_deg)
    return [_box("land", (x, y), joint.land_w_mm, joint.land_h_mm, angle, corner),
            f'<circle class="hole" cx="{x:.1f}" cy="{y:.1f}" r="{joint.hole_mm * SCALE / 2:.1f}"/>']


def _box(kind: str, center: tuple[float, float], w_mm: float, h_mm: float, angle: float, corner: float) -> str:
    (x, y), w, h = center, w_mm * SCALE, h_mm * SCALE
    turn = "" if abs(angle % 180.0) < 1e-6 else f' transform="rotate({angle:.1f} {x:.1f} {y:.1f})"'
    return (f'<rect class="{kind}" x="{x - w / 2:.1f}" y="{y - h / 2:.1f}" width="{w:.1f}" height="{h:.1f}" '
            f'rx="{corner:.1f}"{turn}/>')


def _axes(to: Map) -> list[str]:
    """Return the board's axes beside the map's corner: which way x and y run for the person."""
    corner = np.array([42.0, to.size[1] - 42.0])
    parts = []
    for name, axis in (("x", (1.0, 0.0)), ("y", (0.0, 1.0))):
        way = to.matrix @ np.array(axis)
        tip = corner + way / np.hypot(*way) * 18.0
        parts.append(f'<line class="axis" x1="{corner[0]:.0f}" y1="{corner[1]:.0f}" x2="{tip[0]:.0f}" '
                     f'y2="{tip[1]:.0f}"/>')
        name_at = corner + way / np.hypot(*way) * 26.0
        parts.append(f'<text class="axis-name" x="{name_at[0]:.0f}" y="{name_at[1] + 4:.0f}">{name}</text>')
    return parts


def _mark(mark: Mark, x: float, y: float, width: float, height: float) -> str:
    """Return a mark: a square for reject, a triangle for review, a dot for an indicator, a numbered disc for a stop."""
    r = 12.0 if mark.label else 9.0
    shape = {
        "reject": f'<rect class="m-reject" x="{x - r:.1f}" y="{y - r:.1f}" width="{2 * r:.0f}" height="{2 * r:.0f}"/>',
        "review": f'<path class="m-review" d="M{x:.1f} {y - 1.3 * r:.1f}l{1.25 * r:.1f} {2.2 * r:.1f}'
                  f'h{-2.5 * r:.1f}z"/>',
        "indicator": f'<circle class="m-indicator" cx="{x:.1f}" cy="{y:.1f}" r="{0.7 * r:.1f}"/>',
        "place": f'<circle class="m-place" cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}"/>',
        "stop": f'<circle class="m-stop" cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}"/>',
    }[mark.kind]
    parts = [f"<g><title>{escape(mark.title)}</title>"]
    if mark.here:
        parts.append(f'<path class="m-cross" d="M0 {y:.1f}H{x - 26:.1f}M{x + 26:.1f} {y:.1f}H{width:.0f}'
                     f'M{x:.1f} 0V{y - 26:.1f}M{x:.1f} {y + 26:.1f}V{height:.0f}"/>')
        parts.append(f'<circle class="m-ring" cx="{x:.1f}" cy="{y:.1f}" r="24"/>')
    parts.append(shape)
    if mark.label:
        parts.append(f'<text class="m-label" x="{x:.1f}" y="{y + 5:.1f}">{escape(mark.label)}</text>')
    return "".join([*parts, "</g>"])


def value_scale(found: Found) -> str:
    """Return a small scale: where the measured value lies against the limit, with the guard band between."""
    low, high = sorted((found.value, found.limit))
    known = MEASURE[found.measure]
    spread = max(high - low, found.guard, abs(found.limit) * 0.1, known.step)
    start, stop = low - 0.7 * spread, high + 0.7 * spread
    start = max(start, 0.0) if low >= 0.0 else start

    def at(value: float) -> float:
        return 8.0 + 344.0 * float(np.clip((value - start) / (stop - start), 0.0, 1.0))

    limit, value = at(found.limit), at(found.value)
    bad_from, bad_to = (8.0, limit) if found.side == "below" else (limit, 352.0)
    guard = at(found.limit + (found.guard if found.side == "below" else -found.guard))
    good_from, good_to = (guard, 352.0) if found.side == "below" else (8.0, guard)
    zones = [("review", min(limit, guard), max(limit, guard))] if abs(guard - limit) > 1.0 else []
    zones += [("indicator" if found.verdict == "indicator" else "reject", bad_from, bad_to)]
    zones += [("accept", good_from, good_to)] if good_to - good_from > 1.0 else []
    words = f"Scale: {found.words}"
    place = f'x="{min(limit, guard):.1f}" y="30" width="{abs(guard - limit):.1f}" height="14"'
    hatched = f'<rect class="s-guard" {place}/><rect fill="url(#s-hatch)" {place}/>'
    return (
        f'<svg class="scale" viewBox="0 0 360 82" role="img" aria-label="{escape(words)}">'
        f"<title>{escape(words)}</title>"
        '<defs><pattern id="s-hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path class="s-hatch" d="M0 0V6"/></pattern></defs>'
        f'<rect class="s-good" x="8" y="30" width="344" height="14"/>'
        f'<rect class="s-bad" x="{bad_from:.1f}" y="30" width="{max(bad_to - bad_from, 0):.1f}" height="14"/>'
        f'{hatched}<path class="s-limit" d="M{limit:.1f} 24V48"/>{_zone_words(zones)}'
        f'{_label(limit, 76.0, "limit " + limit_text(found.measure, found.limit))}'
        f'<path class="s-value" d="M{value:.1f} 28l8 -12h-16z"/>'
        f'{_label(value, 12.0, with_unit(found.measure, found.value), strong=True)}</svg>')


#: Width of a letter of the scale's writing, drawing units: rather too wide than cut off.
LETTER = 7.2


def _label(x: float, y: float, words: str, *, strong: bool = False) -> str:
    """Return words centred at x, moved inwards as far as it takes to stay within the scale's 360 units."""
    half = len(words) * (LETTER + 0.6 * strong) / 2.0
    x = min(max(x, half + 2.0), 358.0 - half)
    return (f'<text class="s-text{" s-strong" if strong else ""}" x="{x:.1f}" y="{y:g}" text-anchor="middle">'
            f"{escape(words)}</text>")


def _zone_words(zones: Sequence[tuple[str, float, float]]) -> str:
    """Name the zones (word, from, to) of a scale below them, the most important first; none writes over another."""
    taken: list[tuple[float, float]] = []
    parts = []
    for word, low, high in zones:
        half = len(word) * LETTER / 2.0
        for middle in ((low + high) / 2.0, low + half, high - half):
            x = min(max(middle, half + 2.0), 358.0 - half)
            if all(x + half + 4.0 < start or x - half - 4.0 > stop for start, stop in taken):
                taken.append((x - half, x + half))
                parts.append(_label(x, 59.0, word))
                break
    return "".join(parts)


def value_spread(measure: str, limit: float, side: str, real: Sequence[float], false_calls: Sequence[float]) -> str:
    """Return the values of real defects (squares, upper row) and false calls (circles, lower row) along the measure."""
    values = np.asarray([*real, *false_calls, limit], dtype=np.float64)
    start, stop = float(values.min()), float(values.max())
    margin = max((stop - start) * 0.06, MEASURE[measure].step)
    start, stop = start - margin, stop + margin

    def at(value: float) -> float:
        return 90.0 + 500.0 * (value - start) / (stop - start)

    words = (f"{plain_name(measure)}: {len(real)} real defects and {len(false_calls)} false calls "
             f"along the values measured, limit {limit_text(measure, limit)}")
    dots = [f'<rect class="v-real" x="{at(value) - 4:.1f}" y="14" width="8" height="8"/>' for value in real]
    dots += [f'<circle class="v-false" cx="{at(value):.1f}" cy="44" r="4.5"/>' for value in false_calls]
    return (f'<svg class="spread" viewBox="0 0 600 84" role="img" aria-label="{escape(words)}">'
            f"<title>{escape(words)}</title>"
            '<text class="s-text" x="0" y="22">real</text><text class="s-text" x="0" y="48">false call</text>'
            f'<path class="s-axis" d="M90 60H590"/>{"".join(dots)}'
            f'<path class="s-limit" d="M{at(limit):.1f} 4V66"/>'
            f'<text class="s-text" x="{min(max(at(limit), 170), 500):.1f}" y="80" text-anchor="middle">limit '
            f'{escape(limit_text(measure, limit))} (fires {escape(side)})</text></svg>')
