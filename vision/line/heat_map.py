"""The board's joints by their rate of calls, as the camera sees the board: inline SVG, readable without colour."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from vision.line.plots import STEPS, open_svg
from vision.line.report import JointRow, Seen
from vision.setup.family import SIDE_WORDS, Family, View
from vision.setup.geometry import nominal_view
from vision.setup.station import Station

Floats = NDArray[np.float64]

#: Width of the drawing, height of the key below it, largest circle of the key: drawing units.
WIDTH, KEY, KEY_RADIUS = 900.0, 40.0, 13.0
#: A letter of a name is about so wide, a line of text so high: drawing units at 11 px.
LETTER, LINE = 6.3, 11.0
#: What the map shows of each joint.
UNIT = "not false per million"


def heat_map(rows: Sequence[JointRow], seen: Seen) -> str:
    """Return the board's joints where they are, as the camera sees them.

    The rate is that of calls not declared false, and of escapes, per million joints graded. Size and colour grow with
    it; joints above the rest (adjusted p at most 0.05) have a ring and their name. The others have
    their name where there is room for it.
    """
    places = _seen_places(rows, seen)
    low, span = places.min(axis=0), np.ptp(places, axis=0)
    widest = max(float(span.max()), 10.0)
    radius = float(np.clip(0.45 * _nearest(places), 0.006 * widest, 0.03 * widest))
    margin = 4.0 * radius + 0.03 * widest
    scale = WIDTH / (float(span[0]) + 2 * margin)
    height, r = (float(span[1]) + 2 * margin) * scale, radius * scale
    points = (places - low + margin) * scale
    most = max(max((row.dpmo for row in rows), default=0.0), 1e-9)
    parts = open_svg(WIDTH, height + KEY, f"board map of {len(rows)} joints by calls not declared false and escapes "
                                          "per million joints graded, as the camera sees the "
                                          f"{SIDE_WORDS[seen.seen_from]}")
    parts.append(f'<rect class="board" x="1" y="1" width="{WIDTH - 2:.0f}" height="{height - 2:.1f}" rx="6"/>')
    for i in sorted(range(len(rows)), key=lambda i: rows[i].dpmo):
        parts += _joint(rows[i], (float(points[i, 0]), float(points[i, 1])), r, rows[i].dpmo / most)
    parts += _names(rows, points, r, height)
    parts += _key(most, min(r, KEY_RADIUS), height)
    return "".join([*parts, "</svg>"])


def _seen_places(rows: Sequence[JointRow], seen: Seen) -> Floats:
    """Return the joints' places (n, 2) as the camera sees them: x to the right, y downward, mm."""
    board = Family(seen.family, 1, "top" if seen.seen_from == "top" else "bottom", (), (), (), ())
    view = nominal_view(board, View("", (0.0, 0.0), seen.rotation_deg), Station("map", 1.0, "", ()), (0, 0))
    return np.asarray(view.to_px([(row.x_mm, row.y_mm) for row in rows]), dtype=np.float64)


def _joint(row: JointRow, at: tuple[float, float], r: float, level: float) -> list[str]:
    """Return a joint's circle, and a ring where it stands above the rest; `level` is its share of the largest rate."""
    x, y = at
    title = (f"{row.joint}: {row.calls} not false of {row.opportunities} graded, {row.dpmo:,.0f} per "
             f"million ({row.dpmo_low:,.0f} to {row.dpmo_high:,.0f}) {row.top_finding}")
    colour = STEPS[min(int(level * len(STEPS)), len(STEPS) - 1)] if row.calls else "none"
    parts = [f'<circle class="joint" cx="{x:.1f}" cy="{y:.1f}" r="{_size(r, level):.1f}" fill="{colour}">'
             f"<title>{escape(title)}</title></circle>"]
    if _stands_out(row):
        parts.append(f'<circle class="ring" cx="{x:.1f}" cy="{y:.1f}" r="{1.25 * r:.1f}"/>')
    return parts


def _size(r: float, level: float) -> float:
    return r * (0.35 + 0.65 * float(np.sqrt(level)))


def _stands_out(row: JointRow) -> bool:
    return row.calls > 0 and row.q_value <= 0.05


def _names(rows: Sequence[JointRow], points: Floats, r: float, height: float) -> list[str]:
    """Return names above their joints: of all that stand out, and of the others where they hide nothing."""
    circles = np.concatenate([points - r, points + r], axis=1)  # left, top, right, bottom
    taken = np.zeros((0, 4))
    parts = []
    for i in sorted(range(len(rows)), key=lambda i: (not _stands_out(rows[i]), -rows[i].dpmo, i)):
        x, y = points[i].tolist()
        above, half = 1.45 * r if _stands_out(rows[i]) else r + 3.0, LETTER * len(rows[i].joint) / 2.0
        box = np.array([x - half, y - above - LINE, x + half, y - above])
        inside = box[0] >= 2.0 and box[1] >= 2.0 and box[2] <= WIDTH - 2.0 and box[3] <= height - 2.0
        free = inside and not _overlap(box, taken) and not _overlap(box, np.delete(circles, i, axis=0))
        if not free and not _stands_out(rows[i]):
            continue
        taken = np.concatenate([taken, box[None]])
        kind = "name" if _stands_out(rows[i]) else "tick"
        parts.append(f'<text class="{kind}" x="{x:.1f}" y="{y - above:.1f}" text-anchor="middle">'
                     f"{escape(rows[i].joint)}</text>")
    return parts


def _overlap(box: Floats, others: Floats) -> bool:
    return bool(((others[:, :2] < box[2:]) & (others[:, 2:] > box[:2])).all(axis=1).any())


def _key(most: float, r: float, top: float) -> list[str]:
    """Return the key below the board: what the sizes and colours mean, and the ring."""
    middle = top + KEY / 2.0
    parts = [f'<text class="tick" x="8" y="{middle + 4:.1f}">{UNIT}</text>']
    x = 8.0 + LETTER * len(UNIT) + 12.0
    for step, colour in enumerate(STEPS):
        size = _size(r, (step + 0.5) / len(STEPS))
        parts.append(f'<circle class="joint" cx="{x + size:.1f}" cy="{middle:.1f}" r="{size:.1f}" fill="{colour}"/>')
        text = f"to {most * (step + 1) / len(STEPS):,.0f}"
        parts.append(f'<text class="tick" x="{x + 2 * size + 5:.1f}" y="{middle + 4:.1f}">{text}</text>')
        x += 2 * size + 18 + 8.0 * len(text)
    parts.append(f'<circle class="ring" cx="{x + r:.1f}" cy="{middle:.1f}" r="{r:.1f}"/>')
    parts.append(f'<text class="tick" x="{x + 2 * r + 5:.1f}" y="{middle + 4:.1f}">above the rest</text>')
    return parts


def _nearest(places: Floats) -> float:
    """Return the median distance from a joint to its nearest neighbour, mm."""
    if len(places) < 2:
        return 10.0
    best = np.full(len(places), np.inf)
    for start in range(0, len(places), 500):
        d = np.hypot(*(places[start: start + 500, None] - places[None]).transpose(2, 0, 1))
        d[np.arange(d.shape[0]), np.arange(start, start + d.shape[0])] = np.inf
        best[start: start + 500] = d.min(axis=1)
    return float(np.median(best))
