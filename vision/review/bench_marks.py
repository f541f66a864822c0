"""What helps to find a place at the bench: names on the map, pictures turned as the board lies, where a land is open.

Directions are told as a person sees them who looks at a side of the board that lies turned by so many degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from vision.review.drawing import SCALE, Map
from vision.review.stops import Sheet, Stop
from vision.setup import Family, Joint, Station, View, nominal_view

if TYPE_CHECKING:
    from vision.review.pictures import Window

Floats = NDArray[np.float64]
#: A part's middle and half its size, drawing units.
Placed = tuple[tuple[float, float], tuple[float, float]]
#: A letter of a name is about so wide and a line so high on the map, drawing units at the style sheet's size of text.
LETTER, LINE, GAP = 8.6, 13.0, 3.0
#: Half the side of a stop's disc on the map, drawing units.
DISC = 13.0
#: Where the map's axes start, from its left and lower edge, and half the room round the iron's way, drawing units.
AXES, WAY = 42.0, 4.0
#: How a part's first pin may be called.
FIRST_PINS = ("1", "A1")
#: A neighbour this far away at most, and this far off the direction at most, tells a direction: mm and degrees.
NEAR_MM, OFF_DEG = 8.0, 25.0
#: An open part from here on is told as "nearly all round": its middle says nothing, degrees.
ALL_ROUND_DEG = 320.0
#: How far outside the land its open part is drawn, mm.
OUTSIDE_MM = 0.15


def names_on_map(family: Family, stops: Sequence[tuple[float, float]], way: Sequence[tuple[float, float]],
                 to: Map) -> str:
    """Return the parts' names and a `1` at each first pin, where they hide neither lands nor stops.

    They leave the iron's way free where they can. Stops and the corners of the way are board mm.
    """
    discs = [to(*place) for place in stops]
    pins: dict[str, list[Placed]] = {}
    first: dict[str, Placed] = {}
    for joint in family.joints:
        placed = _placed(to, discs, joint.x_mm, joint.y_mm, joint.land_w_mm, joint.land_h_mm, joint.land_rotation_deg)
        pins.setdefault(joint.ref, []).append(placed)
        if joint.pin in FIRST_PINS:
            first[joint.ref] = placed
    chips = {chip.ref: [_placed(to, discs, chip.x_mm, chip.y_mm, chip.body_w_mm, chip.body_h_mm, chip.rotation_deg)]
             for chip in family.chips}
    taken = [_around(at, (DISC, DISC)) for at in discs]
    taken += [_around(*part) for parts in (*pins.values(), *chips.values()) for part in parts]
    taken += [_around(to(f.x_mm, f.y_mm), (f.diameter_mm * SCALE / 2.0,) * 2) for f in family.fiducials]
    taken.append(_around((AXES, float(to.size[1]) - AXES), (AXES - DISC,) * 2))
    on_way = _on_way([to(*place) for place in way])
    middles = np.array([part[0] for parts in (*pins.values(), *chips.values()) for part in parts])
    drawn = [_text("map-pin", "1", [part], middles, taken, on_way, to) for ref, part in first.items()
             if len(pins[ref]) > 1]
    drawn += [_text("map-name", ref, parts, middles, taken, on_way, to) for ref, parts in (pins | chips).items()]
    return "".join(drawn)


def _placed(to: Map, discs: Sequence[tuple[float, float]], x_mm: float, y_mm: float, w_mm: float, h_mm: float,
            rotation_deg: float) -> Placed:
    """Return where a part is drawn and half its size, with the stop's disc if one lies on it."""
    at, (w, h) = to(x_mm, y_mm), _half(to, w_mm, h_mm, rotation_deg)
    if any(np.hypot(at[0] - x, at[1] - y) < DISC for x, y in discs):
        w, h = max(w, DISC), max(h, DISC)
    return at, (w, h)


def _on_way(corners: Sequence[tuple[float, float]]) -> list[Floats]:
    """Return small boxes along the iron's way."""
    boxes = []
    for start, end in pairwise(np.asarray(corners, dtype=np.float64).reshape(-1, 2)):
        steps = max(int(np.hypot(*(end - start)) / WAY), 1)
        boxes += [_around(tuple(start + (end - start) * k / steps), (WAY, WAY)) for k in range(steps + 1)]
    return boxes


def _half(to: Map, w_mm: float, h_mm: float, rotation_deg: float) -> tuple[float, float]:
    """Return half the width and height, in drawing units, of the upright box round a turned rectangle."""
    angle = np.deg2rad(rotation_deg)
    sides = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) * (w_mm, h_mm) / 2.0
    w, h = np.abs(to.matrix @ sides).sum(axis=1)
    return float(w), float(h)


def _around(at: tuple[float, float], half: tuple[float, float]) -> Floats:
    return np.array([at[0] - half[0], at[1] - half[1], at[0] + half[0], at[1] + half[1]])


def _text(kind: str, text: str, parts: Sequence[Placed], middles: Floats, taken: list[Floats],
          on_way: Sequence[Floats], to: Map) -> str:
    """Return a text beside one of some parts, at the first place that is free and no nearer to any other part.

    `middles` are those of all parts. Where no place is free a pin has no text; a name must be there all the same: it
    may stand nearer to another part, or over what lies above its first part.
    """
    w = LETTER * len(text) / 2.0
    boxes = []
    for (x, y), (half_w, half_h) in parts:
        above, beside = half_h + GAP + LINE / 2.0, half_w + GAP + w
        boxes += [_around(place, (w, LINE / 2.0)) for place in (
            (x, y - above), (x, y + above), (x - beside, y), (x + beside, y), (x - beside, y - above),
            (x + beside, y - above), (x - beside, y + above), (x + beside, y + above))]
    inside = [box for box in boxes if (box[:2] > 2.0).all() and (box[2:] < to.size - 2.0).all()]
    free = [box for box in inside if not _hit(box, taken)]
    near = [box for box in free if _nearest(box, np.array([at for at, _ in parts])) <= _nearest(box, middles) + 1e-6]
    clear = [box for box in near if not _hit(box, on_way)]
    if not near and kind == "map-pin":
        return ""
    box = [*clear, *near, *free, boxes[0]][0]
    taken.append(box)
    return f'<text class="{kind}" x="{(box[0] + box[2]) / 2:.1f}" y="{box[3] - 2:.1f}">{escape(text)}</text>'


def _nearest(box: Floats, points: Floats) -> float:
    """Return how far the nearest point lies from a box's middle."""
    return float(np.hypot(*(points - (box[:2] + box[2:]) / 2.0).T).min())


def _hit(box: Floats, others: Sequence[Floats]) -> bool:
    return any((other[:2] < box[2:]).all() and (other[2:] > box[:2]).all() for other in others)


@dataclass(frozen=True)
class Shown:
    """How a stop's picture lies before the person, and where the land is open on it."""

    lies: str  # classes of the style sheet that turn the picture
    arc: str = ""  # inline SVG over the picture
    words: str = ""  # the same in words


def picture_words(sheet: Sheet, family: Family, turn: int) -> str:
    """Say how the pictures lie where that is not as the camera saw them. Empty where it is."""
    if sheet.side != family.seen_from:
        return ("The pictures were taken from the other side: they are mirrored, as if you saw through the board, so "
                "that left and right on them are those of the map.")
    return "The pictures are turned as the map is." if turn else ""


def shown(stop: Stop, window: Window, sheet: Sheet, family: Family, turn: int) -> Shown:
    """Return how the picture of a stop's window is turned, and the open part of its land."""
    view = next((item for item in family.views if item.name == stop.view), View("", (0.0, 0.0)))
    taken = nominal_view(family, view, Station("bench", 1.0, "", ()), (0, 0)).matrix
    change = Map(family, sheet.side, turn).matrix / SCALE @ np.linalg.inv(taken)
    mirrored = bool(np.linalg.det(change) < 0.0)
    flip = np.diag([-1.0 if mirrored else 1.0, 1.0])
    turned = change @ flip
    quarter = round(float(np.rad2deg(np.arctan2(turned[1, 0], turned[0, 0]))) / 90.0) * 90 % 360
    angle = np.deg2rad(quarter)
    seen = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) @ flip @ taken
    lies = f"turned-{quarter}" + (" mirrored" if mirrored else "")
    joint = next((item for item in family.joints if item.name == stop.places[0]), None)
    if stop.gap is None or joint is None:
        return Shown(lies)
    return Shown(lies, _arc(stop.gap.azimuth_deg, stop.gap.width_deg, joint, window, seen), open_words(
        stop, family, f"at {clock_hour(stop.gap.azimuth_deg, seen)} o'clock on the picture"))


def open_words(stop: Stop, family: Family, where: str = "") -> str:
    """Say where the land of a stop is open: `towards J1.4`; `where` stands before it. Empty where nothing is known."""
    joint = next((item for item in family.joints if item.name == stop.places[0]), None)
    if stop.gap is None or joint is None:
        return ""
    if stop.gap.width_deg >= ALL_ROUND_DEG:
        return f"The land is open nearly all round ({stop.gap.width_deg:.0f}°)."
    ways = [where] if where else []
    neighbour = towards(joint, stop.gap.azimuth_deg, family)
    ways += [f"towards {neighbour}"] if neighbour else []
    ways += [] if ways else [f"at {stop.gap.azimuth_deg:.0f}° counter-clockwise from board x"]
    return f"The land is open {', '.join(ways)}, {stop.gap.width_deg:.0f}° wide."


def clock_hour(azimuth_deg: float, seen: Floats) -> int:
    """Return the hour of a clock's face to which a board direction points, drawn by `seen` (2, 2), y downward."""
    x, y = seen @ np.array([np.cos(np.deg2rad(azimuth_deg)), np.sin(np.deg2rad(azimuth_deg))])
    return round(float(np.rad2deg(np.arctan2(x, -y))) / 30.0) % 12 or 12


def towards(joint: Joint, azimuth_deg: float, family: Family) -> str:
    """Return the name of the nearest joint in a direction (azimuth on the board). Empty where none is near."""
    way = np.array([np.cos(np.deg2rad(azimuth_deg)), np.sin(np.deg2rad(azimuth_deg))])
    best, name = NEAR_MM, ""
    for other in family.joints:
        apart = np.array([other.x_mm - joint.x_mm, other.y_mm - joint.y_mm])
        far = float(np.hypot(*apart))
        if 0.0 < far < best and float(apart @ way) >= far * float(np.cos(np.deg2rad(OFF_DEG))):
            best, name = far, other.name
    return name


def _arc(azimuth_deg: float, width_deg: float, joint: Joint, window: Window, seen: Floats) -> str:
    """Return the open part as a line round the land, over a picture of the window as `seen` turns it."""
    angles = np.deg2rad(azimuth_deg + np.linspace(-0.5, 0.5, 33) * min(width_deg, 359.0))
    radius = max(joint.land_w_mm, joint.land_h_mm) / 2.0 + OUTSIDE_MM
    on_board = np.stack([joint.x_mm - window.x_mm + radius * np.cos(angles),
                         joint.y_mm - window.y_mm + radius * np.sin(angles)])
    points = (seen @ on_board / window.half_mm * 50.0 + 50.0).T
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return ('<svg class="open-part" viewBox="0 0 100 100" aria-hidden="true" focusable="false">'
            f'<path class="open-edge" d="{path}"/><path class="open-line" d="{path}"/></svg>')
