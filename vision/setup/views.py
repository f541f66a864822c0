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
#: Joints nearer than this may be bridged, so one picture should show both: only there a bridge is looked for.
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
    min_fiducials: int
    min_lands: int

    def shown(self, centers: NDArray[np.float64]) -> tuple[Flags, Flags]:
        """Return which joints and which fiducials pictures at (n, 2) centres show whole: (picture, item)."""
        low, high = centers - self.size / 2.0 - 2e-3, centers + self.size / 2.0 + 2e-3
        joints, marks = (np.asarray((boxes[None, :, :2] >= low[:, None]).all(axis=2)
                                    & (boxes[None, :, 2:] <= high[:, None]).all(axis=2), dtype=np.bool_)
                         for boxes in (self.joints, self.fiducials))
        return joints, marks

    def usable(self, shown: Flags, seen: Flags) -> Flags:
        """Say which pictures have enough to register on."""
        return np.asarray((seen.sum(axis=1) >= self.min_fiducials) | (shown.sum(axis=1) >= self.min_lands),
                          dtype=np.bool_)


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
    scene = _Scene(joints, marks, pairs[(room <= size + 1e-9).all(axis=1)], size, min_fiducials,
                   min_lands)
    shown, seen = _candidates(scene)
    usable = scene.usable(shown, seen)
    groups = _groups(len(family.joints), scene.pairs)
    chosen, at_least = _cover(shown, usable, seen.sum(axis=1), scene.pairs, groups)
    centers = _centers(family, scene, shown[chosen], seen[chosen], groups)
    order, way = _short_way(centers)
    planned = []
    for number, index in enumerate(order, start=1):
        view = View(f"v{number}", centers[index], float(rotation_deg))
        planned.append(_planned(family, view, scene, stage_origin_mm))
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


def _candidates(scene: _Scene) -> tuple[Flags, Flags]:
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
    keep = _not_dominated(joints, scene.usable(joints, marks))
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


def _cover(shown: Flags, usable: Flags, marks: NDArray[np.int64], pairs: NDArray[np.int64],
           groups: Flags) -> tuple[list[int], int]:
    """Choose the fewest pictures that show all joints and pairs; returns them and a bound that none can beat.

    Of plans with equally many pictures the one that shows most groups whole, then the one with most fiducials.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_matrix, hstack, identity

    together = shown[:, pairs[:, 0]] & shown[:, pairs[:, 1]]
    wanted = np.concatenate([shown, together[:, together.any(axis=0)]], axis=1)
    whole = (shown.astype(np.float32) @ groups.T.astype(np.float32)) >= groups.sum(axis=1) - 0.5
    whole = whole[:, whole.any(axis=0)]
    count, extra = len(shown), whole.shape[1]
    # Second thoughts cost less than one picture in all: 0.5 for groups, 0.1 for fiducials.
    cost = np.where(usable, 1.0, BLIND_COST) - 0.1 / (4.0 * count) * np.minimum(marks, 4)
    greedy = _greedy(wanted, cost)
    bonus = 0.5 / max(extra, 1)
    cover = hstack([csr_matrix(wanted.T.astype(float)), csr_matrix((wanted.shape[1], extra))])
    shows = hstack([csr_matrix(whole.T.astype(float)), -identity(extra)])
    solved = milp(np.concatenate([cost, np.full(extra, -bonus)]), integrality=np.ones(count + extra, dtype=np.int64),
                  constraints=[LinearConstraint(cover, lb=1.0), LinearConstraint(shows, lb=0.0)],
                  bounds=Bounds(0, 1), options={"time_limit": TIME_LIMIT_S})
    if solved.x is None:
        return greedy, 1
    chosen = [int(k) for k in np.nonzero(solved.x[:count] > 0.5)[0]]
    if len(greedy) < len(chosen) and usable[greedy].all():
        chosen = greedy
    blind = int(np.sum(~usable[chosen]))
    # Second thoughts only lower a plan's cost, so no plan has fewer pictures than the least cost, rounded up.
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


def _groups(joints: int, pairs: NDArray[np.int64]) -> Flags:
    """Joints that hang together by close pairs: the pins of a header, of a relay's side; (group, joint)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(joints, joints))
    count, label = connected_components(links, directed=False)
    table = label[None, :] == np.arange(count)[:, None]
    return np.asarray(table[table.sum(axis=1) > 1], dtype=np.bool_)


def _centers(family: Family, scene: _Scene, shown: Flags, seen: Flags, groups: Flags) -> list[tuple[float, float]]:
    """Place the chosen pictures so that seams between them run between groups of joints.

    A joint belongs to the picture to whose centre it is nearest. Pictures are first laid on the middle of all that
    they show; then every group is given to one picture that shows it whole, and pictures are laid on what they
    were given, as long as that splits fewer close pairs and leaves as many marks to register on.
    """
    places = np.array([(joint.x_mm, joint.y_mm) for joint in family.joints])

    def harm(at: NDArray[np.float64]) -> tuple[int, int]:
        owner = _owners(places, at, scene.size)
        blind = int((~scene.usable(*scene.shown(at))).sum())
        return blind, int((owner[scene.pairs[:, 0]] != owner[scene.pairs[:, 1]]).sum())

    middle = [_middle(np.concatenate([scene.joints[j], scene.fiducials[m]])) for j, m in zip(shown, seen, strict=True)]
    centers = best = np.array(middle)
    for _ in range(8):
        given = _given(places, centers, scene, shown, groups)
        centers = np.array([_laid(scene, given[k], seen[k], centers[k]) for k in range(len(centers))])
        if harm(centers) < harm(best):
            best = centers
    return [(round(float(x), 3), round(float(y), 3)) for x, y in best]


def _middle(boxes: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((boxes[:, :2].min(axis=0) + boxes[:, 2:].max(axis=0)) / 2.0, dtype=np.float64)


def _given(places: NDArray[np.float64], centers: NDArray[np.float64], scene: _Scene, shown: Flags,
           groups: Flags) -> Flags:
    """Give every joint to one picture that shows it, groups as a whole where one picture does; (picture, joint)."""
    reach = np.abs(places[None] - centers[:, None]) / scene.size
    distance = np.where(shown, reach.max(axis=2), np.inf)
    owner = distance.argmin(axis=0)
    for group in groups:
        farthest = distance[:, group].max(axis=1)
        if np.isfinite(farthest.min()):
            owner[group] = int(farthest.argmin())
    return np.asarray(owner[None, :] == np.arange(len(centers))[:, None], dtype=np.bool_)


def _laid(scene: _Scene, given: Flags, seen: Flags, before: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the middle of the joints that a picture was given, moved no further than its fiducials stay in it."""
    if not given.any():
        return before
    own = scene.joints[given]
    target = _middle(own)
    keep = np.concatenate([own, scene.fiducials[seen]])
    low, high = keep[:, 2:].max(axis=0) - scene.size / 2.0, keep[:, :2].min(axis=0) + scene.size / 2.0
    return np.clip(target, low, np.maximum(low, high))


def _planned(family: Family, view: View, scene: _Scene, origin: tuple[float, float]) -> PlannedView:
    center = np.asarray(view.center_mm)
    (shown,), marks = scene.shown(center[None])
    seen = int(marks.sum())
    register_on = ("fiducials" if seen >= scene.min_fiducials else
                   "lands" if shown.sum() >= scene.min_lands else "nothing")
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
