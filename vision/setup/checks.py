"""What will hurt later: findings about a family before the first picture is taken, with severity and advice."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.errors import some
from vision.setup.family import Chip, Family, Joint
from vision.setup.geometry import nominal_view
from vision.setup.station import Station
from vision.setup.views import answering_view, close_pairs

Severity = Literal["fault", "caution", "hint"]
SEVERITIES: tuple[Severity, ...] = ("fault", "caution", "hint")

#: Pixels that a gap between lands needs so that a bridge can be told from none (common practice: three and more).
FEWEST_PX_IN_GAP = 4.0
#: Pixels across the copper ring between lead and land's edge, where the fillet is measured (common practice).
FEWEST_PX_IN_RING = 6.0
#: Usual clearance of a lead in its hole is 0.20 to 0.45 mm (a trade handbook, not a standard).
#: A square lead touches with its corners only, so half of that is still usual.
TIGHT_MM, LOOSE_MM = 0.05, 0.70
MIN_FIDUCIALS, MIN_LANDS = 2, 6
#: A fiducial is looked for this far from its place; another mark of its size there may be taken for it.
MARK_SEARCH_MM = 1.6
#: Boards put in turned over look right when every mark lands this near to another one.
SYMMETRY_MM = 0.4
#: A place so far from everything else, and farther than all else is large, is rather a slip of the pen (no source).
FAR_MM = 50.0
#: So few of all places may be such slips; more of them are a part of the board. One of a handful must lie so many
#: times farther out, as boards with few joints have fiducials far from them.
FEW, ALONE_TIMES = 0.1, 3.0


@dataclass(frozen=True)
class Advice:
    """One finding: how bad, what it is about, what is wrong and what to do."""

    severity: Severity
    kind: str
    parts: tuple[str, ...]
    text: str
    advice: str

    def __str__(self) -> str:
        return f"{self.severity}: {some(self.parts, 6)}: {self.text}; {self.advice}"


def check_family(family: Family, station: Station | None = None) -> tuple[Advice, ...]:
    """Return what will hurt later, the worst first.

    A fault means joints that cannot be graded; a caution, that grading will be worse; a hint, that something is
    worth a look. What depends on the scale needs the station; what depends on the picture's size needs its
    `picture_px`.
    """
    found = [*_leads(family.joints), *_gaps(family.joints, station), *_hidden(family), *_marks(family),
             *_symmetry(family), *_nets(family.joints), *_far(family)]
    if station is not None:
        found += [*_rings(family.joints, station), *_views(family, station)]
        found += _split_pairs(family, station)
    return tuple(sorted(found, key=lambda advice: SEVERITIES.index(advice.severity)))


def land_polygon(joint: Joint, grow_mm: float = 0.0, steps: int = 64) -> NDArray[np.float64]:
    """Return points (n, 2) on the outline of a land in board mm, grown by a margin."""
    width, height = joint.land_w_mm / 2.0 + grow_mm, joint.land_h_mm / 2.0 + grow_mm
    if joint.land_shape == "rect":
        local = np.array([(-width, -height), (width, -height), (width, height), (-width, height)])
    else:
        azimuth = np.arange(steps) * (2.0 * np.pi / steps)
        end = min(width, height)
        ring = end * np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
        local = ring + np.sign(np.round(ring, 9)) * np.array([width - end, height - end])
    return _placed(local, joint.x_mm, joint.y_mm, joint.land_rotation_deg)


def chip_polygon(chip: Chip) -> NDArray[np.float64]:
    """Return the corners (4, 2) of a chip's body in board mm."""
    width, height = chip.body_w_mm / 2.0, chip.body_h_mm / 2.0
    local = np.array([(-width, -height), (width, -height), (width, height), (-width, height)])
    return _placed(local, chip.x_mm, chip.y_mm, chip.rotation_deg)


def _placed(local: NDArray[np.float64], x: float, y: float, rotation_deg: float) -> NDArray[np.float64]:
    turn = math.radians(rotation_deg)
    matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    return np.asarray(local @ matrix.T + np.array([x, y]), dtype=np.float64)


def gap_between(one: NDArray[np.float64], two: NDArray[np.float64]) -> float:
    """Return the distance between two convex outlines, mm; negative where they overlap (depth unknown: -1e-6).

    Separating axes tell overlap, corners against edges the distance.
    """
    if _overlap(one, two):
        return -1e-6
    return min(_corners_to_edges(one, two), _corners_to_edges(two, one))


def _overlap(one: NDArray[np.float64], two: NDArray[np.float64]) -> bool:
    for shape in (one, two):
        edges = np.roll(shape, -1, axis=0) - shape
        normals = np.stack([-edges[:, 1], edges[:, 0]], axis=1)
        a, b = one @ normals.T, two @ normals.T
        if ((a.max(axis=0) <= b.min(axis=0) + 1e-9) | (b.max(axis=0) <= a.min(axis=0) + 1e-9)).any():
            return False
    return True


def _corners_to_edges(corners: NDArray[np.float64], shape: NDArray[np.float64]) -> float:
    edges = np.roll(shape, -1, axis=0) - shape
    delta = corners[:, None] - shape[None]
    share = np.clip((delta * edges).sum(axis=2) / (edges**2).sum(axis=1), 0.0, 1.0)
    return float(np.hypot(*(delta - share[..., None] * edges).transpose(2, 0, 1)).min())


def _leads(joints: Sequence[Joint]) -> Iterator[Advice]:
    groups: dict[tuple[Severity, str, str, str], list[str]] = {}

    def note(severity: Severity, kind: str, text: str, advice: str, joint: Joint) -> None:
        groups.setdefault((severity, kind, text, advice), []).append(joint.name)

    for joint in joints:
        across = max(joint.lead_w_mm, joint.lead_h_mm) if joint.lead_shape == "round" else math.hypot(
            joint.lead_w_mm, joint.lead_h_mm)
        clearance = joint.hole_mm - across
        if joint.hole_mm >= min(joint.land_w_mm, joint.land_h_mm):
            note("fault", "hole_over_land", f"the hole ({joint.hole_mm:g} mm) is as large as the land",
                 "correct the hole or the land in joints.csv", joint)
        if clearance < -0.001:
            note("fault", "lead_over_hole", f"the lead ({across:.2f} mm across) is larger than the hole "
                 f"({joint.hole_mm:g} mm)", "correct the lead's size, or the hole's", joint)
        elif clearance < TIGHT_MM:
            note("caution", "lead_tight", f"the lead ({across:.2f} mm across) leaves {max(clearance, 0.0):.2f} mm in "
                 f"its hole of {joint.hole_mm:g} mm", "check the lead's size: holes are usually 0.2 mm wider", joint)
        elif clearance > LOOSE_MM:
            note("caution", "lead_loose", f"the lead ({across:.2f} mm across) is thin for its hole of "
                 f"{joint.hole_mm:g} mm", "check the lead's size: holes are usually at most 0.45 mm wider", joint)
    for (severity, kind, text, advice), names in groups.items():
        yield Advice(severity, kind, tuple(names), text, advice)


def _gaps(joints: Sequence[Joint], station: Station | None) -> Iterator[Advice]:
    """Overlapping lands, and gaps of too few pixels."""
    least = 0.0 if station is None else FEWEST_PX_IN_GAP * station.mm_per_px
    centers = np.array([(joint.x_mm, joint.y_mm) for joint in joints])
    reach = np.array([math.hypot(joint.land_w_mm, joint.land_h_mm) / 2.0 for joint in joints])
    distance = np.hypot(*(centers[:, None] - centers[None]).transpose(2, 0, 1))
    near = np.triu(distance - reach[:, None] - reach[None] < max(least, 1e-6), 1)
    shapes = {int(k): land_polygon(joints[k]) for k in np.unique(np.concatenate(np.nonzero(near)))}
    for a, b in zip(*(ends.tolist() for ends in np.nonzero(near)), strict=True):
        one, two = joints[a], joints[b]
        gap = gap_between(shapes[a], shapes[b])
        same_net = bool(one.net) and one.net == two.net
        names = (one.name, two.name)
        if distance[a, b] < 0.2:
            yield Advice("fault", "same_place", names, f"lie {distance[a, b]:.2f} mm apart", "remove one of them")
        elif gap < 0.0:
            yield Advice("caution" if same_net else "fault", "lands_overlap", names, "the lands overlap",
                         "correct position or size" if not same_net else
                         "they are one net and may be so; solder is measured on each land by itself")
        elif gap < least and not same_net:
            yield Advice("caution", "gap_narrow", names, f"the gap between the lands is {gap:.2f} mm, "
                         f"{gap / station.mm_per_px if station else 0.0:.1f} px at this scale",
                         f"a bridge needs {FEWEST_PX_IN_GAP:.0f} px to be told apart: take a finer scale, "
                         f"{gap / FEWEST_PX_IN_GAP:.3f} mm a pixel or less")


def _hidden(family: Family) -> Iterator[Advice]:
    """Lands under chips."""
    for chip in family.chips:
        body = chip_polygon(chip)
        reach = math.hypot(chip.body_w_mm, chip.body_h_mm) / 2.0
        for joint in family.joints:
            far = math.hypot(joint.x_mm - chip.x_mm, joint.y_mm - chip.y_mm)
            if far > reach + math.hypot(joint.land_w_mm, joint.land_h_mm) / 2.0:
                continue
            if gap_between(body, land_polygon(joint)) >= 0.0:
                continue
            hole = land_polygon(Joint(joint.ref, joint.pin, joint.x_mm, joint.y_mm, "round", joint.hole_mm,
                                      joint.hole_mm, 0.0, joint.hole_mm, "round", joint.lead_w_mm, joint.lead_w_mm))
            worst = gap_between(body, hole) < 0.0
            yield Advice("fault" if worst else "caution", "land_hidden", (joint.name, chip.ref),
                         f"chip {chip.ref} hides {'the lead' if worst else 'part of the land'}",
                         "check place, rotation and body size of the chip; a chip on the other side does not belong "
                         "into chips.csv")


def _marks(family: Family) -> Iterator[Advice]:
    """Fiducials that may be mistaken for a neighbour of like size."""
    if len(family.fiducials) < MIN_FIDUCIALS and len(family.joints) < MIN_LANDS:
        yield Advice("fault", "few_marks", (family.name,), f"{len(family.fiducials)} fiducials and "
                     f"{len(family.joints)} joints", f"boards are found by {MIN_FIDUCIALS} fiducials or {MIN_LANDS} "
                     "lands: add fiducials to family.toml")
    elif len(family.fiducials) < MIN_FIDUCIALS:
        yield Advice("hint", "few_marks", (family.name,), f"{len(family.fiducials)} fiducials",
                     "boards are found by their lands, less surely: add fiducials where the board has some")
    others = [(j.name, j.x_mm, j.y_mm, j.land_w_mm) for j in family.joints if j.land_shape == "round"]
    others += [(f"fiducial {k}", f.x_mm, f.y_mm, f.diameter_mm) for k, f in enumerate(family.fiducials, start=1)]
    for number, mark in enumerate(family.fiducials, start=1):
        for name, x, y, size in others:
            far = math.hypot(x - mark.x_mm, y - mark.y_mm)
            if 0.0 < far < MARK_SEARCH_MM and abs(size - mark.diameter_mm) < 0.3 * mark.diameter_mm:
                yield Advice("caution", "mark_doubtful", (f"fiducial {number}", name), f"{name} lies {far:.2f} mm away "
                             "and looks like it", "use another fiducial")


def _symmetry(family: Family) -> Iterator[Advice]:
    """Boards that look right when they are put in turned by 180 degrees or, bare of marks, in any way."""
    marks = np.array([(f.x_mm, f.y_mm) for f in family.fiducials], dtype=np.float64).reshape(-1, 2)
    lands = np.array([(j.x_mm, j.y_mm) for j in family.joints], dtype=np.float64).reshape(-1, 2)
    points = marks if len(marks) >= MIN_FIDUCIALS else lands
    if len(points) < 2:
        return
    middle = (points.min(axis=0) + points.max(axis=0)) / 2.0
    if not _same_set(2.0 * middle - points, points):
        return
    if _same_set(2.0 * middle - lands, lands):
        yield Advice("fault" if len(marks) >= MIN_FIDUCIALS else "caution", "symmetric", (family.name,),
                     "fiducials and lands look the same when the board is turned by 180 degrees",
                     "a board put in the wrong way round will be graded under wrong names: use a third fiducial "
                     "that breaks the symmetry, or make sure that the carrier takes the board one way only")
    elif len(marks) > 2:
        yield Advice("hint", "symmetric", (family.name,), "the fiducials look the same when the board is turned by "
                     "180 degrees", "the lands tell it apart; an uneven set of fiducials would do so at once")


def _same_set(moved: NDArray[np.float64], points: NDArray[np.float64]) -> bool:
    distance = np.hypot(*(moved[:, None] - points[None]).transpose(2, 0, 1))
    return bool((distance.min(axis=1) <= SYMMETRY_MM).all())


def _nets(joints: Sequence[Joint]) -> Iterator[Advice]:
    if len(joints) > 1 and not any(joint.net for joint in joints):
        yield Advice("hint", "no_nets", ("all joints",), "no joint has a net",
                     "joints that are joined on purpose cannot be told from bridges: fill the column net")


def _rings(joints: Sequence[Joint], station: Station) -> Iterator[Advice]:
    groups: dict[tuple[str, float], list[str]] = {}
    for joint in joints:
        ring = (min(joint.land_w_mm, joint.land_h_mm) - max(joint.lead_w_mm, joint.lead_h_mm)) / 2.0
        if 0.0 < ring < FEWEST_PX_IN_RING * station.mm_per_px:
            groups.setdefault((joint.land_kind, ring), []).append(joint.name)
    for (kind, ring), names in groups.items():
        yield Advice("caution", "ring_narrow", tuple(names), f"between lead and edge of the land ({kind}) lie "
                     f"{ring:.2f} mm, {ring / station.mm_per_px:.1f} px at this scale",
                     f"the fillet needs {FEWEST_PX_IN_RING:.0f} px: take a finer scale")


def _far(family: Family) -> Iterator[Advice]:
    """Places far outside everything else of the family: a decimal point lost, another origin, another unit."""
    parts = [(joint.name, joint.x_mm, joint.y_mm) for joint in family.joints]
    parts += [(chip.ref, chip.x_mm, chip.y_mm) for chip in family.chips]
    parts += [(f"fiducial {k}", mark.x_mm, mark.y_mm) for k, mark in enumerate(family.fiducials, start=1)]
    places = np.array([part[1:] for part in parts], dtype=np.float64)
    away = _far_from_the_rest(places)
    rest = places[away == 0.0]
    for (name, x, y), far in zip(parts, away.tolist(), strict=True):
        if far > 0.0:
            yield Advice("caution", "place_far", (name,), f"at x {x:g}, y {y:g} mm it lies {far:.0f} mm away from "
                         "everything else of the family", "check its place: millimetres, from the board's origin")
    low, high = rest.min(axis=0), rest.max(axis=0)
    reach = max(FAR_MM, float((high - low).max())) / 2.0
    for view in family.views:
        center = np.asarray(view.center_mm, dtype=np.float64)
        far = float(np.hypot(*(center - np.clip(center, low, high))))
        if far > reach:
            yield Advice("caution", "place_far", (f"view {view.name}",), f"its centre, x {center[0]:g}, y "
                         f"{center[1]:g} mm, lies {far:.0f} mm outside the family's parts", "check center_mm, or lay "
                         "the views anew (family views)")


def _far_from_the_rest(places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far places (n, 2) lie from all others where they are few and far out, mm; 0 for the others.

    Along each axis places beyond an empty stretch count that is wider than FAR_MM and than all on its other side is.
    """
    away = np.zeros(len(places))
    for axis in (0, 1):
        order = np.argsort(places[:, axis])
        sorted_places = places[order, axis]
        for cut in np.flatnonzero(np.diff(sorted_places) > FAR_MM).tolist():
            sides = order[:cut + 1], order[cut + 1:]
            few, most = sorted(sides, key=len)
            wide = max(float(np.ptp(places[most], axis=0).max()), FAR_MM)
            gap = float(sorted_places[cut + 1] - sorted_places[cut])
            if len(few) <= FEW * len(places):
                slipped = gap > wide
            else:
                slipped = len(few) == 1 < len(most) and gap > ALONE_TIMES * wide
            if slipped:
                away[few] = np.maximum(away[few], gap)
    return away


def _views(family: Family, station: Station) -> Iterator[Advice]:
    """Joints outside every picture or at its edge, chips outside, and pictures without marks."""
    if station.picture_px is None:
        yield Advice("caution", "no_picture_size", ("station",), "picture_px is not given: whether the views show "
                     "every land was not checked", "add picture_px = [width, height] to station.toml")
        return
    size = np.asarray(station.picture_px, dtype=np.float64)
    joints = [(j.name, land_polygon(j)) for j in family.joints]
    best = np.full(len(joints), -np.inf)
    chips_seen = np.zeros(len(family.chips), dtype=bool)
    for view in family.views:
        to_px = nominal_view(family, view, station, station.picture_px).to_px
        room = np.array([min(float(p.min()), float((size - p).min())) for p in (to_px(shape) for _, shape in joints)])
        best = np.maximum(best, room)
        chips_seen |= np.array([bool(((p >= 0) & (p <= size)).all()) for p in (
            to_px(chip_polygon(chip)) for chip in family.chips)], dtype=bool)
        marks = to_px(np.array([(f.x_mm, f.y_mm) for f in family.fiducials], dtype=np.float64).reshape(-1, 2))
        reach = np.array([f.diameter_mm / 2.0 for f in family.fiducials]) / station.mm_per_px
        seen = int(((marks >= reach[:, None]) & (marks <= size - reach[:, None])).all(axis=1).sum()) if len(
            marks) else 0
        lands = int((room >= 0).sum())
        if seen < MIN_FIDUCIALS and lands < MIN_LANDS:
            yield Advice("fault" if lands < 4 else "caution", "view_blind", (f"view {view.name}",),
                         f"shows {seen} fiducials and {lands} whole lands",
                         f"it is found by {MIN_FIDUCIALS} fiducials or {MIN_LANDS} lands: lay the views anew "
                         "(family views)")
    outside = tuple(name for (name, _), room in zip(joints, best, strict=True) if room < 0)
    if outside:
        yield Advice("fault", "joint_outside", outside, "no view shows the land whole", "lay the views anew "
                     "(family views)")
    margin = 0.5 / station.mm_per_px
    edge = tuple(name for (name, _), room in zip(joints, best, strict=True) if 0 <= room < margin)
    if edge:
        yield Advice("caution", "joint_at_edge", edge, "less than 0.5 mm from the picture's edge",
                     "boards that lie a little off will lose it: lay the views anew (family views)")
    hidden = tuple(chip.ref for chip, seen_whole in zip(family.chips, chips_seen, strict=True) if not seen_whole)
    if hidden:
        yield Advice("caution", "chip_outside", hidden, "no view shows the chip whole",
                     "lay the views anew, or take the chip out of chips.csv")


def _split_pairs(family: Family, station: Station) -> Iterator[Advice]:
    """Close joints of which no answering view shows both whole: a bridge between them is not looked for."""
    if station.picture_px is None or len(family.views) < 2:
        return
    picture = np.asarray(station.picture_px, dtype=np.float64)
    size = picture * station.mm_per_px
    quarter = round(family.views[0].rotation_deg / 90.0) % 2
    owner = answering_view(family, family.views, size[::-1] if quarter else size)

    def shows(view: int, joint: int) -> bool:
        shape = nominal_view(family, family.views[view], station, station.picture_px or (0, 0)).to_px(
            land_polygon(family.joints[joint]))
        return bool(((shape >= 0.0) & (shape <= picture)).all())

    split = [(family.joints[a].name, family.joints[b].name) for a, b in close_pairs(family.joints).tolist()
             if owner[a] != owner[b] and not shows(int(owner[a]), b) and not shows(int(owner[b]), a)]
    if split:
        yield Advice("caution", "pair_split", tuple(f"{a} and {b}" for a, b in split),
                     "neighbours that no view shows both whole", "a bridge across the seam may go unseen: take a "
                     "larger field of view, or move a view so that both lie in one picture")
