"""Which joint of a board gets which fault, and where bridges, balls and tongues of solder find room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from vision.setup import Family

from .canvas import span
from .shapes import ROUND_TURN, land_distance, land_reach
from .solder import Plan
from .surroundings import Spot

#: Faults are dealt from a shuffled deck, so that none is missing from a lot of some boards.
DECK = (["partial_wetting"] * 5 + ["non_wetting"] * 3 + ["no_solder"] * 2 + ["excess_solder"] * 3
        + ["lead_missing"] * 2 + ["bridge"] * 2 + ["solder_ball"] * 2 + ["blowhole"] * 3 + ["solder_projection"] * 2)
BRIDGED_MM = 4.1  # longest distance between joints that a bridge spans
NEAR_LIMIT = ("gap", "short", "full")


@dataclass
class BoardPlan:
    """What every joint of a board shall be, and what lies beside joints (the first number is the joint's)."""

    joints: list[Plan]
    taken: list[Spot]  # places where no via or ball may be
    bridges: list[tuple[int, int]] = field(default_factory=list)
    balls: list[tuple[int, float, float, float]] = field(default_factory=list)  # joint, x, y, diameter
    projections: list[tuple[int, float, float, float]] = field(default_factory=list)  # joint, azimuth, reach, edge


def deal(rng: np.random.Generator, deck: list[Any], base: Sequence[str]) -> str:
    """Take one card of a deck, which is filled anew when it is empty."""
    if not deck:
        deck += list(rng.permutation(base))
    return deck.pop()


def plan_board(family: Family, mm_per_px: float, rng: np.random.Generator, deck: list[Any], rate: float) -> BoardPlan:
    """Plan a board; `rate` is the share of joints with a fault. What finds no room goes back under the deck."""
    joints, count = family.joints, len(family.joints)
    plan = BoardPlan(_sound(rng, count), (
        [(j.x_mm, j.y_mm, span(j) / 2 * 1.2) for j in joints] + _chip_spots(family)
        + [(mark.x_mm, mark.y_mm, 1.0) for mark in family.fiducials]))
    free = list(rng.permutation(count))
    for _ in range(rng.binomial(count, rate)):
        if not free:
            break
        what, joint = deal(rng, deck, DECK), free.pop()
        if what == "bridge":
            placed = _bridge(plan, family, joint, free)
        elif what == "solder_ball":
            placed = _ball(plan, family, joint, rng, max(.2, 9 * mm_per_px))
        elif what == "solder_projection":
            placed = _projection(plan, family, joint, rng)
        else:
            placed = True
            plan.joints[joint] = _faulty(rng, what)
        if not placed:
            deck.insert(0, what)
    for one, other in plan.bridges:
        a, b = joints[one], joints[other]
        plan.taken.append(((a.x_mm + b.x_mm) / 2, (a.y_mm + b.y_mm) / 2, .8))
    return plan


def _sound(rng: np.random.Generator, count: int) -> list[Plan]:
    """Return good joints: most whole, some with a small open sector, a few near a limit."""
    plans = [Plan() for _ in range(count)]
    for i in range(count):
        if rng.random() < .04:
            mode = rng.choice(["open", "barrel"])
            plans[i] = Plan(gap=True, mode=mode, width_deg=rng.uniform(12, 40), short=.5)
        elif rng.random() < .03:
            near = NEAR_LIMIT[rng.integers(3)]
            width = rng.uniform(78, 102) if near == "gap" else rng.uniform(120, 200)
            mode = {"gap": "open", "short": "short", "full": ""}[near]
            plans[i] = Plan("near", near, mode=mode, width_deg=width, short=rng.uniform(.2, .5))
    return plans


def _faulty(rng: np.random.Generator, what: str) -> Plan:
    plan = Plan(what, width_deg=rng.uniform(120, 300), short=rng.uniform(.15, .4), on_land=not rng.random() < .8)
    if what == "partial_wetting" and rng.random() < .2:
        plan.mode, plan.width_deg = "short", 400
    return plan


def _chip_spots(family: Family) -> list[Spot]:
    return [(chip.x_mm, chip.y_mm, chip.body_w_mm * .5 + .55) for chip in family.chips]


def _bridge(plan: BoardPlan, family: Family, joint: int, free: list[Any]) -> bool:
    """Bridge a joint to its nearest free neighbour of another net."""
    one = family.joints[joint]

    def away(other: int) -> float:
        return np.hypot(family.joints[other].x_mm - one.x_mm, family.joints[other].y_mm - one.y_mm)

    mates = [k for k in free if away(k) < BRIDGED_MM and family.joints[k].net != one.net]
    if not mates:
        return False
    mate = min(mates, key=away)
    free.remove(mate)
    plan.bridges.append((joint, mate))
    plan.joints[joint] = Plan("bridge")
    plan.joints[mate] = Plan("bridge")
    return True


def _ball(plan: BoardPlan, family: Family, joint: int, rng: np.random.Generator, least_mm: float) -> bool:
    """Lay a ball beside a joint where it is nearest to that joint's land and touches nothing."""
    own = family.joints[joint]
    others = [other for number, other in enumerate(family.joints) if number != joint]
    lands = [(j.x_mm, j.y_mm) for j in family.joints]
    for _ in range(80):
        diameter, azimuth = rng.uniform(least_mm, .6), rng.uniform(0, ROUND_TURN)
        far = land_reach(own, azimuth) + diameter / 2 + rng.uniform(.12, .7)
        x, y = own.x_mm + far * np.cos(azimuth), own.y_mm + far * np.sin(azimuth)
        gap = land_distance(own, x, y)
        if (gap > diameter / 2 + .1
                and all(land_distance(j, x, y) > max(gap + .25, diameter / 2 + .15) for j in others)
                and all(np.hypot(x - j.x_mm, y - j.y_mm) > far + .2 for j in others)
                and all(np.hypot(x - u, y - v) > r + diameter / 2 + .1 for u, v, r in plan.taken
                        if (u, v) not in lands)):
            plan.joints[joint] = Plan("solder_ball")
            plan.balls.append((joint, x, y, diameter))
            plan.taken.append((x, y, diameter / 2 + .15))
            return True
    return False


def _projection(plan: BoardPlan, family: Family, joint: int, rng: np.random.Generator) -> bool:
    """Let a tongue of solder reach from a joint to where there is most room."""
    own = family.joints[joint]
    others = [other for number, other in enumerate(family.joints) if number != joint]
    chips, best = _chip_spots(family), None
    for azimuth in rng.uniform(0, ROUND_TURN, 24):
        edge, reach = land_reach(own, azimuth), 0
        for step in np.arange(.1, 1.35, .05):
            x, y = own.x_mm + (edge + step) * np.cos(azimuth), own.y_mm + (edge + step) * np.sin(azimuth)
            if (any(land_distance(j, x, y) < .35 for j in others)
                    or any(np.hypot(x - u, y - v) < r + .15 for u, v, r in chips)
                    or any(np.hypot(x - mark.x_mm, y - mark.y_mm) < 1.2 for mark in family.fiducials)):
                break
            reach = step
        if best is None or reach > best[1]:
            best = (azimuth, reach, edge)
    azimuth, most, edge = best
    if most < .45:
        return False
    plan.joints[joint] = Plan("solder_projection")
    plan.projections.append((joint, azimuth, rng.uniform(.45, most), edge))
    plan.taken.append((own.x_mm + (edge + .6) * np.cos(azimuth), own.y_mm + (edge + .6) * np.sin(azimuth), .8))
    return True
