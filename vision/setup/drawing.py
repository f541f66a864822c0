"""A map of a board family: joints by kind of land, pots, chips, fiducials, views. SVG, or PNG of the same shapes.

What it must answer at a glance: which joint is where in the picture that the camera takes, which lands are of one
kind, what each pot solders, and what each view shows. So the board lies as the camera sees it, lands are drawn to
scale, and every colour is doubled by a letter.
"""

from __future__ import annotations

import string
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.errors import MeniscopeError
from vision.setup.checks import chip_polygon, land_polygon
from vision.setup.family import Family, Joint, View
from vision.setup.shapes import CAPITAL, LETTER, Line, Point, Polygon, Shape, Text, box, circle, picture, svg

#: Colours of kinds of land, from the Okabe-Ito palette without those that stand for verdicts elsewhere.
KIND_COLOURS = ("#56B4E9", "#F0E442", "#CC79A7", "#009E73")
INK, SOFT, FAINT, CHIP, VIEW, POT = "#000000", "#555555", "#DDDDDD", "#E6E6E6", "#0072B2", "#666666"
POT_DASHES: tuple[tuple[float, ...], ...] = ((9, 4), (2, 3), (12, 3, 2, 3), (5, 2))
MAP_PX, LEGEND_PX, EDGE_PX = 1100, 330, 46
BOARD_EDGE_MM = 2.5


@dataclass(frozen=True)
class _Frame:
    """How board mm become px of the drawing."""

    to_px: Callable[[NDArray[np.float64]], NDArray[np.float64]]
    px_per_mm: float
    low: NDArray[np.float64]  # corners of the map in board mm
    high: NDArray[np.float64]
    width: int
    height: int

    def points(self, outline: NDArray[np.float64]) -> tuple[Point, ...]:
        """Carry an outline."""
        return tuple((float(x), float(y)) for x, y in self.to_px(outline))

    def point(self, x: float, y: float) -> Point:
        """Carry one place."""
        return self.points(np.array([[x, y]]))[0]


def draw_family(family: Family, field_mm: tuple[float, float] | None = None, *,
                seen: Literal["camera", "component"] = "camera") -> tuple[list[Shape], int, int]:
    """Return the shapes of the map and its width and height in px.

    `field_mm` is what one picture shows (width, height); without it views are marked by their centres. `seen` is
    the side from which the map is looked at.
    """
    mirrored = family.seen_from == "bottom" and seen == "camera"
    frame = _frame(family, field_mm, mirrored=mirrored)
    kinds = [kind for kind, _ in Counter(joint.land_kind for joint in family.joints).most_common()]
    taken = _Room([(x - 14, y - 14, x + 30, y + 14) for x, y in (
        frame.point(mark.x_mm, mark.y_mm) for mark in family.fiducials)])
    taken.parts = _part_boxes(family, frame)
    names = [*_view_names(family, frame, field_mm, taken), *_refs(family, frame, taken),
             *_pot_names(family, frame, taken)]
    shapes: list[Shape] = [*_grid(frame, mirrored=mirrored), *_pots(family, frame),
                           *_views(family, frame, field_mm), *_chips(family, frame), *_lands(family, frame, kinds),
                           *_fiducials(family, frame), *_view_marks(family, frame), *names]
    shapes += _legend(family, frame, kinds, field_mm, seen, mirrored=mirrored)
    return shapes, frame.width, frame.height


def write_map(family: Family, path: Path, field_mm: tuple[float, float] | None = None, *,
              seen: Literal["camera", "component"] = "camera") -> None:
    """Write the map as .svg or .png, by the file's ending."""
    shapes, width, height = draw_family(family, field_mm, seen=seen)
    if path.suffix.lower() == ".svg":
        path.write_text(svg(shapes, width, height, f"Map of board family {family.name}"), encoding="utf-8")
    elif path.suffix.lower() == ".png":
        import cv2

        good, data = cv2.imencode(".png", picture(shapes, width, height))
        if not good:
            raise MeniscopeError(f"{path}: the picture could not be written")
        path.write_bytes(data.tobytes())
    else:
        raise MeniscopeError(f"{path}: got the ending {path.suffix or '(none)'!r}, wanted .svg or .png")


def view_outline(family: Family, view: View, field_mm: tuple[float, float]) -> NDArray[np.float64]:
    """Return the corners (4, 2) of what a view shows, in board mm."""
    turn = np.deg2rad(view.rotation_deg)
    half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * np.asarray(field_mm) / 2.0
    # The board appears turned counter-clockwise in the picture, so the picture lies turned clockwise on the board.
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    mirror = np.array([-1.0 if family.seen_from == "bottom" else 1.0, 1.0])
    return np.asarray(half @ matrix.T * mirror + np.asarray(view.center_mm), dtype=np.float64)


def _frame(family: Family, field_mm: tuple[float, float] | None, *, mirrored: bool) -> _Frame:
    outlines = [land_polygon(joint) for joint in family.joints] + [chip_polygon(chip) for chip in family.chips]
    outlines += [np.array([[f.x_mm, f.y_mm]]) for f in family.fiducials]
    outlines += [view_outline(family, view, field_mm) if field_mm else np.array([view.center_mm])
                 for view in family.views]
    points = np.concatenate(outlines)
    low, high = points.min(axis=0) - BOARD_EDGE_MM, points.max(axis=0) + BOARD_EDGE_MM
    span = high - low
    scale = float(min(MAP_PX / span[0], MAP_PX / span[1]))
    sign = -1.0 if mirrored else 1.0
    left = -high[0] if mirrored else low[0]

    def to_px(places: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.stack([EDGE_PX + (sign * places[:, 0] - left) * scale,
                         EDGE_PX + (high[1] - places[:, 1]) * scale], axis=1)

    kinds = len({joint.land_kind for joint in family.joints})
    pots = len({joint.pot for joint in family.joints if joint.pot})
    height = max(span[1] * scale + 2 * EDGE_PX, 250.0 + 27.0 * kinds + 25.0 * pots)
    return _Frame(to_px, scale, low, high, round(span[0] * scale + EDGE_PX * 1.5 + LEGEND_PX), round(height))


def _corners(frame: _Frame) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of the map, px."""
    (xa, ya), (xb, yb) = frame.points(np.array([frame.low, frame.high]))
    return min(xa, xb), min(ya, yb), max(xa, xb), max(ya, yb)


def _grid(frame: _Frame, *, mirrored: bool) -> Iterator[Shape]:
    """Lines at round board coordinates, with their numbers."""
    left, top, right, bottom = _corners(frame)
    span = frame.high - frame.low
    step = next((s for s in (5, 10, 20, 50, 100, 200) if float(max(span)) / s <= 16), 500)
    for value in np.arange(np.ceil(frame.low[0] / step) * step, frame.high[0], step):
        x = frame.point(float(value), 0.0)[0]
        yield Line(((x, top), (x, bottom)), FAINT, 0.8)
        yield Text((x, bottom + 16), f"{value + 0.0:g}", 11, SOFT, "middle")
    for value in np.arange(np.ceil(frame.low[1] / step) * step, frame.high[1], step):
        y = frame.point(0.0, float(value))[1]
        yield Line(((left, y), (right, y)), FAINT, 0.8)
        yield Text((left - 6, y + 4), f"{value + 0.0:g}", 11, SOFT, "end")
    yield Text((right, bottom + 32), "board x, mm" + (" (runs from right to left)" if mirrored else ""), 11, SOFT,
               "end")
    yield Text((left - 34, top - 10), "board y, mm", 11, SOFT)


def _by_pot(joints: Sequence[Joint]) -> dict[str, list[Joint]]:
    groups: dict[str, list[Joint]] = {}
    for joint in joints:
        if joint.pot:
            groups.setdefault(joint.pot, []).append(joint)
    return dict(sorted(groups.items()))


def _clusters(joints: Sequence[Joint], reach_mm: float = 5.2) -> Iterator[list[Joint]]:
    """Joints of one pot that lie together, so that an outline does not run across the whole board."""
    left = list(joints)
    while left:
        group = [left.pop()]
        for member in group:  # grows while it is walked
            near = [j for j in left if np.hypot(j.x_mm - member.x_mm, j.y_mm - member.y_mm) <= reach_mm]
            group += near
            left = [j for j in left if j not in near]
        yield group


def _pot_outlines(family: Family, frame: _Frame) -> Iterator[tuple[int, str, tuple[Point, ...]]]:
    """Number and name of each pot, with an outline round its joints, one for each cluster."""
    import cv2

    for number, (pot, joints) in enumerate(_by_pot(family.joints).items()):
        for group in _clusters(joints):
            points = np.concatenate([land_polygon(joint, 0.8) for joint in group])
            hull = cv2.convexHull(points.astype(np.float32))[:, 0].astype(np.float64)
            yield number, pot, frame.points(hull)


def _pots(family: Family, frame: _Frame) -> Iterator[Shape]:
    """Soft outlines round the joints of one pot, each pot with its own dashes."""
    for number, pot, outline in _pot_outlines(family, frame):
        yield Polygon(outline, "#EEEEEE", POT, 1.6, POT_DASHES[number % len(POT_DASHES)], 0.7, f"pot {pot}")


def _pot_names(family: Family, frame: _Frame, taken: _Room) -> Iterator[Shape]:
    """The pot's name beside each of its outlines, where it hides no part and no other name."""
    for _, pot, outline in _pot_outlines(family, frame):
        left, right = min(p[0] for p in outline), max(p[0] for p in outline)
        top, bottom = min(p[1] for p in outline), max(p[1] for p in outline)
        across, down = (left + right) / 2, (top + bottom) / 2 + 4
        choices: list[tuple[Point, str]] = []
        for away in (0, 14, 28):  # further away where there is no room close by
            choices += [((right, bottom + 14 + away), "end"), ((left, bottom + 14 + away), "start"),
                        ((across, bottom + 14 + away), "middle"), ((right, top - 5 - away), "end"),
                        ((left, top - 5 - away), "start"), ((across, top - 5 - away), "middle"),
                        ((right + 6 + away, down), "start"), ((left - 6 - away, down), "end")]
        place, anchor = taken.place(choices, f"pot {pot}", 12, clear_of_parts=True)
        yield Text(place, f"pot {pot}", 12, POT, anchor, bold=True)


def _part_boxes(family: Family, frame: _Frame) -> list[tuple[float, float, float, float]]:
    """Boxes (left, top, right, bottom) round lands, chips and the marks of views, px."""
    outlines = [frame.points(land_polygon(joint)) for joint in family.joints]
    outlines += [frame.points(chip_polygon(chip)) for chip in family.chips]
    boxes = [(min(p[0] for p in outline), min(p[1] for p in outline), max(p[0] for p in outline),
              max(p[1] for p in outline)) for outline in outlines]
    return boxes + [(x - 8, y - 8, x + 8, y + 8) for x, y in (frame.point(*view.center_mm) for view in family.views)]


def _views(family: Family, frame: _Frame, field_mm: tuple[float, float] | None) -> Iterator[Shape]:
    for view in family.views:
        if field_mm is not None:
            yield Polygon(frame.points(view_outline(family, view, field_mm)), None, VIEW, 1.6, (14, 5),
                          title=f"view {view.name}")


def _view_marks(family: Family, frame: _Frame) -> Iterator[Shape]:
    """A cross in the middle of each view, with a light edge so that it is seen on lands and chips too."""
    for view in family.views:
        x, y = frame.point(*view.center_mm)
        for colour, width, arm in (("#FFFFFF", 4.6, 8.5), (VIEW, 1.6, 7.0)):
            yield Line(((x - arm, y), (x + arm, y)), colour, width)
            yield Line(((x, y - arm), (x, y + arm)), colour, width)


def _chips(family: Family, frame: _Frame) -> Iterator[Shape]:
    """A body with its diagonals: nothing that is soldered in this step looks so."""
    for chip in family.chips:
        corners = frame.points(chip_polygon(chip))
        yield Polygon(corners, CHIP, SOFT, 1.0, title=f"chip {chip.ref}")
        yield Line((corners[0], corners[2]), "#AAAAAA", 0.8)
        yield Line((corners[1], corners[3]), "#AAAAAA", 0.8)
        middle = frame.point(chip.x_mm, chip.y_mm)
        yield Text((middle[0], middle[1] + 4), chip.ref, 10, INK, "middle")


def _letter(number: int) -> str:
    """A, B ... Z, AA, AB ..."""
    return (_letter(number // 26 - 1) if number >= 26 else "") + string.ascii_uppercase[number % 26]


def _kind_land(outline: tuple[Point, ...], number: int, pen: float, title: str = "") -> Polygon:
    """A land in its kind's colour; where colours come round again, the line grows thicker."""
    return Polygon(outline, KIND_COLOURS[number % len(KIND_COLOURS)], INK,
                   pen * (1.0 + 1.6 * (number // len(KIND_COLOURS))), title=title)


def _lands(family: Family, frame: _Frame, kinds: Sequence[str]) -> Iterator[Shape]:
    """Lands to scale with hole and lead; the kind's letter in the hole where there is room."""
    pen = float(np.clip(frame.px_per_mm / 20.0, 0.3, 0.8))
    size = min(12.0, 0.85 * frame.px_per_mm * min(joint.hole_mm for joint in family.joints) / CAPITAL)
    for joint in family.joints:
        number = kinds.index(joint.land_kind)
        title = f"{joint.name}: {joint.land_kind}" + (f", net {joint.net}" if joint.net else "")
        yield _kind_land(frame.points(land_polygon(joint)), number, pen, title)
        middle = frame.point(joint.x_mm, joint.y_mm)
        yield Polygon(circle(middle, joint.hole_mm / 2.0 * frame.px_per_mm), "#FFFFFF", INK, pen)
        if size >= 7.5:
            yield Text((middle[0], middle[1] + size * CAPITAL / 2.0), _letter(number), round(size, 1), INK, "middle")


def _fiducials(family: Family, frame: _Frame) -> Iterator[Shape]:
    for number, mark in enumerate(family.fiducials, start=1):
        x, y = frame.point(mark.x_mm, mark.y_mm)
        radius = max(mark.diameter_mm / 2.0 * frame.px_per_mm, 3.0)
        yield from _mark((x, y), radius)
        yield Text((x + radius + 9, y - 6), f"F{number}", 11, INK)


def _mark(at: Point, radius: float) -> Iterator[Shape]:
    """A disc in cross hairs."""
    (x, y), arm = at, radius + 8
    yield Polygon(circle(at, radius), INK)
    yield Line(((x - arm, y), (x + arm, y)), INK, 1.0)
    yield Line(((x, y - arm), (x, y + arm)), INK, 1.0)


@dataclass
class _Room:
    """Where labels stand already, and where parts lie: boxes of left, top, right and bottom."""

    boxes: list[tuple[float, float, float, float]] = field(default_factory=list)
    parts: list[tuple[float, float, float, float]] = field(default_factory=list)

    def place(self, choices: Sequence[tuple[Point, str]], text: str, size: float, *,
              clear_of_parts: bool = False) -> tuple[Point, str]:
        """Return the first place that is free of labels (and of parts, if asked), else the first."""
        width = len(text) * size * LETTER
        boxes = []
        for (x, y), anchor in choices:
            left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
            boxes.append((left - 4.0, y - size, left + width + 4.0, y + 3.0))
        others = self.boxes + self.parts if clear_of_parts else self.boxes
        for choice, new in zip(choices, boxes, strict=True):
            if not any(new[0] < b[2] and b[0] < new[2] and new[1] < b[3] and b[1] < new[3] for b in others):
                self.boxes.append(new)
                return choice
        self.boxes.append(boxes[0])
        return choices[0]


def _view_names(family: Family, frame: _Frame, field_mm: tuple[float, float] | None, taken: _Room) -> Iterator[Shape]:
    for view in family.views:
        if field_mm is None:
            x, y = frame.point(*view.center_mm)
            choices: list[tuple[Point, str]] = [((x + 10, y - 8), "start"), ((x + 10, y + 18), "start"),
                                                ((x - 10, y - 8), "end"), ((x - 10, y + 18), "end")]
        else:
            corners = frame.points(view_outline(family, view, field_mm))
            left, top = min(p[0] for p in corners), min(p[1] for p in corners)
            right, bottom = max(p[0] for p in corners), max(p[1] for p in corners)
            choices = [((left + 6, top + 17), "start"), ((right - 6, top + 17), "end"),
                       ((left + 6, bottom - 7), "start"), ((right - 6, bottom - 7), "end")]
        place, anchor = taken.place(choices, view.name, 15, clear_of_parts=True)
        yield Text(place, view.name, 15, VIEW, anchor, bold=True)


def _refs(family: Family, frame: _Frame, taken: _Room) -> Iterator[Shape]:
    """The component's name at the group of its joints, and the number of its first and last pin beside them."""
    groups: dict[str, list[Joint]] = {}
    for joint in family.joints:
        groups.setdefault(joint.ref, []).append(joint)
    size = 13.0 if len(groups) <= 60 else 10.0
    for ref, joints in groups.items():
        points = [p for joint in joints for p in frame.points(land_polygon(joint, 0.25))]
        left, right = min(p[0] for p in points), max(p[0] for p in points)
        top, bottom = min(p[1] for p in points), max(p[1] for p in points)
        middle = (left + right) / 2.0
        place, anchor = taken.place([((middle, top - 2), "middle"), ((middle, bottom + size), "middle"),
                                     ((right + 3, (top + bottom) / 2 + 4), "start"),
                                     ((left - 3, (top + bottom) / 2 + 4), "end")], ref, size)
        yield Text(place, ref, size, INK, anchor, bold=True)
        for joint in (joints[0], joints[-1])[:len(joints)]:
            x, y = frame.point(joint.x_mm, joint.y_mm)
            reach = joint.land_w_mm / 2.0 * frame.px_per_mm
            place, anchor = taken.place([((x - reach - 3, y + 4), "end"), ((x + reach + 3, y + 4), "start"),
                                         ((x, y + reach + 11), "middle"), ((x, y - reach - 3), "middle")], joint.pin, 9)
            yield Text(place, joint.pin, 9, SOFT, anchor)


def _legend(family: Family, frame: _Frame, kinds: Sequence[str], field_mm: tuple[float, float] | None, seen: str,
            *, mirrored: bool) -> Iterator[Shape]:
    """What the map shows, in words, shapes and letters."""
    x, y = frame.width - LEGEND_PX + 10.0, EDGE_PX + 8.0
    yield Text((x, y), family.name, 19, INK, bold=True)
    side = f"{family.seen_from} side" if seen == "camera" else "component side"
    lines = [f"{len(family.joints)} joints, workmanship class {family.workmanship_class}",
             f"seen on the {side}" + (", as the camera does" if seen == "camera" else ""),
             "x is mirrored against the CAD view" if mirrored else "as in the CAD view"]
    for line in lines:
        y += 19.0
        yield Text((x, y), line, 12, SOFT)
    y += 34.0
    yield Text((x, y), "lands", 13, INK, bold=True)
    counts = Counter(joint.land_kind for joint in family.joints)
    samples = {joint.land_kind: joint for joint in reversed(family.joints)}
    for number, kind in enumerate(kinds):
        y += 27.0
        sample = samples[kind]
        scale = min(20.0 / max(sample.land_w_mm, sample.land_h_mm), frame.px_per_mm)
        outline = land_polygon(Joint("", "", 0.0, 0.0, sample.land_shape, sample.land_w_mm, sample.land_h_mm, 0.0,
                                     sample.hole_mm, "round", 0.1, 0.1)) * scale + np.array([x + 12.0, y - 5.0])
        yield _kind_land(tuple((float(a), float(b)) for a, b in outline), number, 0.8)
        yield Text((x + 31, y), _letter(number), 13, INK, bold=True)
        yield Text((x + 52, y), f"{kind}, {counts[kind]} joint{'s' if counts[kind] != 1 else ''}", 12, INK)
    yield from _legend_marks(family, frame, (x, y + 34.0), field_mm)


def _legend_marks(family: Family, frame: _Frame, at: Point, field_mm: tuple[float, float] | None) -> Iterator[Shape]:
    x, y = at
    yield Text((x, y), "marks", 13, INK, bold=True)
    y += 26.0
    if family.fiducials:
        yield from _mark((x + 12, y - 5), 4.0)
        yield Text((x + 52, y), f"fiducial, {len(family.fiducials)}", 12, INK)
        y += 25.0
    if family.chips:
        corners = box(x + 1, y - 11, x + 23, y + 1)
        yield Polygon(corners, CHIP, SOFT, 1.0)
        yield Line((corners[0], corners[2]), "#AAAAAA", 0.8)
        yield Line((corners[1], corners[3]), "#AAAAAA", 0.8)
        yield Text((x + 52, y), f"chip near joints, {len(family.chips)}", 12, INK)
        y += 25.0
    for number, (pot, joints) in enumerate(_by_pot(family.joints).items()):
        yield Polygon(box(x, y - 13, x + 26, y + 3), "#EEEEEE", POT, 1.6, POT_DASHES[number % len(POT_DASHES)])
        yield Text((x + 52, y), f"pot {pot}, {len(joints)} joints", 12, INK)
        y += 25.0
    size = "" if field_mm is None else f" of {field_mm[0]:g} x {field_mm[1]:g} mm"
    yield Polygon(box(x, y - 13, x + 26, y + 3), None, VIEW, 1.6, (14, 5))
    yield Text((x + 52, y), f"view{size}, {len(family.views)}", 12, INK)
    y += 36.0
    length = next(value for value in (50, 20, 10, 5, 2, 1) if value * frame.px_per_mm <= 200 or value == 1)
    end = x + length * frame.px_per_mm
    yield Line(((x, y), (end, y)), INK, 2.0)
    yield Line(((x, y - 5), (x, y + 5)), INK, 2.0)
    yield Line(((end, y - 5), (end, y + 5)), INK, 2.0)
    yield Text((x, y + 19), f"{length} mm", 12, INK)
