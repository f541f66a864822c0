"""Lay the fewest pictures over a board: every joint whole in one of them, neighbours together, marks to register on.

A picture that shows a set of things can be pushed right and up until its left and its lower edge touch one of
them, so pictures with edges on joints and fiducials are all that need be tried. Which of them to take is a set
covering problem, solved exactly by integer programming (scipy's HiGHS) where time allows.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError, MeniscopeError, Problem
from vision.setup.family import Family, Fiducial, Joint, View

Flags = NDArray[np.bool_]
#: A picture without marks to register on costs as much as this many with them.
BLIND_COST = 50.0
#: Joints nearer than this may be bridged, so one picture should show both (bridges are searched in one picture).
PAIR_GAP_MM = 1.5
TIME_LIMIT_S = 30.0
MOST_CANDIDATES = 20_000


@dataclass(frozen=True)
class Field:
    """What one picture shows, mm along the board's x and y when the camera is not turned."""

    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class PlannedView:
    """One picture: the view, where the stage stands, and what the picture shows whole."""

    view: View
    stage_mm: tuple[float, float]
    joints: tuple[str, ...]
    fiducials: int
    register_on: str  # fiducials, lands or nothing


@dataclass(frozen=True)
class Plan:
    """All pictures in the order of a short way, the least number that any plan needs, pairs split over pictures."""

    views: tuple[PlannedView, ...]
    at_least: int
    split_pairs: tuple[tuple[str, str], ...]
    way_mm: float

    @property
    def proven(self) -> bool:
        """Whether no plan has fewer pictures."""
        return self.at_least >= len(self.views)


@dataclass(frozen=True)
class _Scene:
    """Boxes (x0, y0, x1, y1) of joints with margin and of fiducials, in the turned frame of the camera."""

    joints: NDArray[np.float64]
    fiducials: NDArray[np.float64]
    pairs: NDArray[np.int64]  # (pair, 2) joints that belong together
    size: NDArray[np.float64]  # (2,) of the picture


def plan_views(family: Family, field: Field, *, margin_mm: float = 1.5, rotation_deg: float = 0.0,
               min_fiducials: int = 2, min_lands: int = 6, stage_origin_mm: tuple[float, float] = (0.0, 0.0)) -> Plan:
    """Return the fewest pictures that show every joint with `margin_mm` round its land.

    Joints less than PAIR_GAP_MM apart are kept in one picture where that is possible. A picture should show
    `min_fiducials` fiducials or `min_lands` lands whole to register on. `rotation_deg` (a multiple of 90) is the
    camera's. `stage_origin_mm` is the board point under the camera when the stage stands at (0, 0); stage x runs
    along the picture's columns, stage y up.
    Raises MeniscopeError where a joint is larger than the picture.
    """
    if rotation_deg % 90.0:
        raise InputError([Problem("views", "rotation", f"{rotation_deg:g} degrees", "a multiple of 90 degrees")])
    quarter = round(rotation_deg / 90.0) % 2
    size = np.array([field.height_mm, field.width_mm] if quarter else [field.width_mm, field.height_mm])
    joints = _joint_boxes(family.joints, margin_mm)
    _demand_room(family.joints, joints, size, margin_mm)
    marks = np.array([_mark_box(f) for f in family.fiducials], dtype=np.float64).reshape(-1, 4)
    pairs = close_pairs(family.joints)
    room = np.maximum(joints[pairs[:, 0], 2:], joints[pairs[:, 1], 2:]) - np.minimum(
        joints[pairs[:, 0], :2], joints[pairs[:, 1], :2])
    scene = _Scene(joints, marks, pairs[(room <= size + 1e-9).all(axis=1)], size)
    shown, seen = _candidates(scene, min_fiducials, min_lands)
    usable = (seen.sum(axis=1) >= min_fiducials) | (shown.sum(axis=1) >= min_lands)
    chosen, at_least = _cover(shown, usable, seen.sum(axis=1), scene.pairs)
    centers = _centers(family, scene, shown[chosen], seen[chosen])
    order, way = _short_way(centers)
    planned = []
    for number, index in enumerate(order, start=1):
        view = View(f"v{number}", centers[index], float(rotation_deg))
        planned.append(_planned(family, view, scene, stage_origin_mm, min_fiducials, min_lands))
    return Plan(tuple(planned), at_least, _split(family, [p.view for p in planned], scene), way)


def with_plan(family: Family, plan: Plan) -> Family:
    """Return the family with the plan's views."""
    return replace(family, views=tuple(planned.view for planned in plan.views))


def plan_table(plan: Plan) -> list[dict[str, object]]:
    """Return the picture plan as rows: order, board and stage position, what it shows, what to register on."""
    return [{"view": p.view.name, "center_x_mm": p.view.center_mm[0], "center_y_mm": p.view.center_mm[1],
             "rotation_deg": p.view.rotation_deg, "stage_x_mm": p.stage_mm[0], "stage_y_mm": p.stage_mm[1],
             "joints": len(p.joints), "fiducials": p.fiducials, "register_on": p.register_on} for p in plan.views]


def land_reach(joint: Joint) -> tuple[float, float]:
    """Return how far a land reaches from its centre along board x and y, mm."""
    if joint.land_shape == "round":
        return joint.land_w_mm / 2.0, joint.land_w_mm / 2.0
    turn = math.radians(joint.land_rotation_deg)
    cos, sin = abs(math.cos(turn)), abs(math.sin(turn))
    width, height = joint.land_w_mm / 2.0, joint.land_h_mm / 2.0
    if joint.land_shape == "rect":
        return width * cos + height * sin, width * sin + height * cos
    end = min(width, height)  # a straight part with half-round ends
    straight_x, straight_y = width - end, height - end
    return straight_x * cos + straight_y * sin + end, straight_x * sin + straight_y * cos + end


def _joint_boxes(joints: Sequence[Joint], margin: float) -> NDArray[np.float64]:
    rows = []
    for joint in joints:
        reach_x, reach_y = land_reach(joint)
        rows.append((joint.x_mm - reach_x - margin, joint.y_mm - reach_y - margin,
                     joint.x_mm + reach_x + margin, joint.y_mm + reach_y + margin))
    return np.array(rows, dtype=np.float64)


def _mark_box(mark: Fiducial) -> tuple[float, float, float, float]:
    # Registration searches a mark 1.6 mm round its place; half of that is kept free for boards that lie askew.
    reach = mark.diameter_mm / 2.0 + 0.8
    return mark.x_mm - reach, mark.y_mm - reach, mark.x_mm + reach, mark.y_mm + reach


def _demand_room(joints: Sequence[Joint], boxes: NDArray[np.float64], size: NDArray[np.float64],
                 margin: float) -> None:
    wide = boxes[:, 2:] - boxes[:, :2]
    for joint, box in zip(joints, wide, strict=True):
        if (box > size + 1e-9).any():
            raise MeniscopeError(f"joint {joint.name} with {margin:g} mm round its land takes {box[0]:.1f} x "
                                 f"{box[1]:.1f} mm, the picture shows {size[0]:.1f} x {size[1]:.1f} mm; take a larger "
                                 "field of view or a smaller --margin")


def close_pairs(joints: Sequence[Joint], gap_mm: float = PAIR_GAP_MM) -> NDArray[np.int64]:
    """Return pairs (pair, 2) of joints of unlike nets whose lands lie less than a gap apart."""
    centers = np.array([(j.x_mm, j.y_mm) for j in joints])
    reach = np.array([max(land_reach(j)) for j in joints])
    distance = np.hypot(*(centers[:, None] - centers[None]).transpose(2, 0, 1))
    first, second = np.nonzero(np.triu(distance - reach[:, None] - reach[None] < gap_mm, 1))
    unlike = [not joints[a].net or joints[a].net != joints[b].net
              for a, b in zip(first.tolist(), second.tolist(), strict=True)]
    return np.asarray(np.stack([first, second], axis=1)[np.array(unlike, dtype=bool)], dtype=np.int64)


def _candidates(scene: _Scene, min_fiducials: int, min_lands: int) -> tuple[Flags, Flags]:
    """Return what each worthwhile picture shows: joints (picture, joint) and fiducials (picture, fiducial)."""
    boxes = np.concatenate([scene.joints, scene.fiducials])
    count = len(scene.joints)
    lefts, bottoms = np.unique(np.round(boxes[:, 0], 3)), np.unique(np.round(boxes[:, 1], 3))
    tolerance = 1e-3
    in_x = (boxes[None, :, 0] >= lefts[:, None] - tolerance) & (
        boxes[None, :, 2] <= lefts[:, None] + scene.size[0] + tolerance)
    in_y = (boxes[None, :, 1] >= bottoms[:, None] - tolerance) & (
        boxes[None, :, 3] <= bottoms[:, None] + scene.size[1] + tolerance)
    in_x, in_y = np.unique(in_x, axis=0), np.unique(in_y, axis=0)
    rows = []
    for column in in_x:
        inside = in_y & column
        rows.append(np.unique(inside[inside[:, :count].any(axis=1)], axis=0))
    every = np.unique(np.concatenate(rows), axis=0)
    joints, marks = every[:, :count], every[:, count:]
    usable = (marks.sum(axis=1) >= min_fiducials) | (joints.sum(axis=1) >= min_lands)
    keep = _not_dominated(joints, usable)
    return joints[keep], marks[keep]


def _not_dominated(joints: Flags, usable: Flags) -> NDArray[np.int64]:
    """Leave out pictures whose joints another picture shows too, when that can be registered as well."""
    order = np.lexsort((-usable.astype(int), -joints.sum(axis=1)))[:MOST_CANDIDATES]
    kept: list[int] = []
    table = np.zeros((0, joints.shape[1]), dtype=np.float32)
    good = np.zeros(0, dtype=bool)
    for start in range(0, len(order), 512):
        block = order[start:start + 512]
        rows = joints[block].astype(np.float32)
        sizes = rows.sum(axis=1)
        inside = (rows @ table.T >= sizes[:, None] - 0.5) & (good[None] | ~usable[block][:, None])
        fresh = block[~inside.any(axis=1)]
        rows = joints[fresh].astype(np.float32)
        own = (rows @ rows.T >= rows.sum(axis=1)[:, None] - 0.5) & (
            usable[fresh][None] | ~usable[fresh][:, None])
        fresh = fresh[~np.tril(own, -1).any(axis=1)]  # an earlier one of the block shows at least as much
        kept += fresh.tolist()
        table = np.concatenate([table, joints[fresh].astype(np.float32)])
        good = np.concatenate([good, usable[fresh]])
    return np.array(kept, dtype=np.int64)


def _cover(shown: Flags, usable: Flags, marks: NDArray[np.int64], pairs: NDArray[np.int64]) -> tuple[list[int], int]:
    """Choose the fewest pictures that show all joints and pairs; returns them and a bound that none can beat."""
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_matrix

    together = shown[:, pairs[:, 0]] & shown[:, pairs[:, 1]]
    wanted = np.concatenate([shown, together[:, together.any(axis=0)]], axis=1)
    # Of plans with equally many pictures the one with more fiducials: less than one picture's cost in all.
    cost = np.where(usable, 1.0, BLIND_COST) - 1e-4 * np.minimum(marks, 4)
    greedy = _greedy(wanted, cost)
    solved = milp(cost, constraints=LinearConstraint(csr_matrix(wanted.T.astype(float)), lb=1.0),
                  integrality=np.ones(len(cost), dtype=np.int64), bounds=Bounds(0, 1),
                  options={"time_limit": TIME_LIMIT_S})
    if solved.x is None:
        return greedy, 1
    chosen = [int(k) for k in np.nonzero(solved.x > 0.5)[0]]
    if len(greedy) < len(chosen):
        chosen = greedy
    blind = int(np.sum(~usable[chosen]))
    bound = float(solved.mip_dual_bound) - blind * (BLIND_COST - 1.0)
    return chosen, max(1, min(len(chosen), math.ceil(bound - 0.01)))


def _greedy(wanted: Flags, cost: NDArray[np.float64]) -> list[int]:
    """The plan that takes the picture with most new things a cost, again and again (Chvatal 1979)."""
    left = np.ones(wanted.shape[1], dtype=bool)
    chosen: list[int] = []
    while left.any():
        best = int(np.argmax(wanted[:, left].sum(axis=1) / cost))
        chosen.append(best)
        left &= ~wanted[best]
    return chosen


def _centers(family: Family, scene: _Scene, shown: Flags, seen: Flags) -> list[tuple[float, float]]:
    """Place the chosen pictures within the room that their joints and fiducials leave.

    The middle of the room is best for boards that lie askew; pictures are moved off it only where that lets one
    picture answer for both joints of more close pairs.
    """
    middles, rooms = [], []
    for joints, marks in zip(shown, seen, strict=True):
        boxes = np.concatenate([scene.joints[joints], scene.fiducials[marks]])
        low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        middles.append((low + high) / 2.0)
        rooms.append(np.maximum(scene.size - (high - low), 0.0) / 2.0)
    centers = np.round(np.array(middles), 3)
    places = np.array([(joint.x_mm, joint.y_mm) for joint in family.joints])

    def split(at: NDArray[np.float64]) -> int:
        owner = _owners(places, at, scene.size)
        return int((owner[scene.pairs[:, 0]] != owner[scene.pairs[:, 1]]).sum())

    fewest = split(centers)
    steps = [np.array(step) for step in itertools.product((0.0, -0.45, 0.45, -0.9, 0.9), repeat=2)]
    for _, k in itertools.product(range(2), range(len(centers))):
        if fewest == 0:
            break
        for step in steps:
            moved = centers.copy()
            moved[k] = np.round(middles[k] + step * rooms[k], 3)
            count = split(moved)
            if count < fewest:
                fewest, centers = count, moved
    return [(float(x), float(y)) for x, y in centers]


def _planned(family: Family, view: View, scene: _Scene, origin: tuple[float, float], min_fiducials: int,
             min_lands: int) -> PlannedView:
    half = scene.size / 2.0 + 2e-3
    center = np.asarray(view.center_mm)

    def inside(boxes: NDArray[np.float64]) -> Flags:
        return np.asarray((boxes[:, :2] >= center - half).all(axis=1) & (boxes[:, 2:] <= center + half).all(axis=1))

    shown, seen = inside(scene.joints), int(inside(scene.fiducials).sum())
    register_on = "fiducials" if seen >= min_fiducials else "lands" if shown.sum() >= min_lands else "nothing"
    mirror = -1.0 if family.seen_from == "bottom" else 1.0
    turn = math.radians(view.rotation_deg)
    dx, dy = mirror * (center[0] - origin[0]), center[1] - origin[1]
    stage = (round(float(dx * math.cos(turn) - dy * math.sin(turn)), 3),
             round(float(dx * math.sin(turn) + dy * math.cos(turn)), 3))
    names = tuple(joint.name for joint, flag in zip(family.joints, shown, strict=True) if flag)
    return PlannedView(view, (stage[0] + 0.0, stage[1] + 0.0), names, seen, register_on)


def answering_view(family: Family, views: Sequence[View], size_mm: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return for each joint the view that answers for it: the one to whose centre it is nearest, sides scaled."""
    places = np.array([(joint.x_mm, joint.y_mm) for joint in family.joints])
    return _owners(places, np.array([view.center_mm for view in views]), size_mm)


def _owners(places: NDArray[np.float64], centers: NDArray[np.float64],
            size_mm: NDArray[np.float64]) -> NDArray[np.int64]:
    reach = np.abs(places[:, None] - centers[None]) / size_mm
    return np.asarray(np.argmin(reach.max(axis=2), axis=1), dtype=np.int64)


def _split(family: Family, views: Sequence[View], scene: _Scene) -> tuple[tuple[str, str], ...]:
    """Pairs of close joints for which different views answer."""
    owner = answering_view(family, views, scene.size)
    return tuple((family.joints[a].name, family.joints[b].name) for a, b in scene.pairs.tolist()
                 if owner[a] != owner[b])


def _short_way(centers: Sequence[tuple[float, float]]) -> tuple[list[int], float]:
    """Order pictures for a short way of the stage: all orders up to 7, else nearest first, then uncrossed (2-opt)."""
    points = np.array(centers, dtype=np.float64)
    distance = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))

    def length(order: Sequence[int]) -> float:
        return float(sum(distance[a, b] for a, b in itertools.pairwise(order)))

    if len(centers) <= 7:
        best = min(itertools.permutations(range(len(centers))), key=lambda order: (round(length(order), 6), order))
        return list(best), length(best)
    order = [int(np.lexsort((points[:, 1], points[:, 0]))[0])]
    while len(order) < len(centers):
        order.append(min(set(range(len(centers))) - set(order), key=lambda k: (float(distance[order[-1], k]), k)))
    improved = True
    while improved:
        improved = False
        for i, j in itertools.combinations(range(len(order)), 2):
            other = order[:i] + order[i:j + 1][::-1] + order[j + 1:]
            if length(other) < length(order) - 1e-9:
                order, improved = other, True
    return order, length(order)
