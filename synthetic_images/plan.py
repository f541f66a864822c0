"""What one board shall look like: every joint's solder, lead and defects, drawn from the recipe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic_images.outline import land_edge, lead_edge, lead_reach
from synthetic_images.recipe import Recipe, default_recipe
from vision.setup import CHIP_FINDINGS, Family, Joint

Array = NDArray[np.float64]
AZIMUTHS = 120  # of the toe's outline
FILLET, OPEN, CAP, DISH, FILM = 0, 1, 2, 3, 4  # how a joint's solder is shaped
LEAD_ENDS = ("cut", "tinned", "domed", "chamfered")


@dataclass(frozen=True)
class JointShapes:
    """All joints of a board; arrays over joints, lengths in mm, angles in radians, vectors in the board frame."""

    edge: Array  # (joint, azimuth) land edge about the land's centre, etching error included
    hole_shift: Array  # (joint, 2)
    form: NDArray[np.int64]  # FILLET, OPEN, CAP, DISH or FILM
    toe: Array  # (joint, azimuth) toe about the land's centre
    inner: Array  # (joint, azimuth) width of an open gap between lead and solder
    lead_angle: Array
    toe_angle: Array
    fill_bias: Array  # 1/mm
    cap_angle: Array  # contact angle of caps and dishes
    cap_shift: Array  # (joint, 2)
    has_lead: NDArray[np.bool_]
    lead_buried: NDArray[np.bool_]  # solder runs over the lead's end
    lead_shift: Array  # (joint, 2) axis at the board's surface against the land's centre
    lead_tilt: Array  # (joint, 2) sideways mm per mm of height
    lead_turn: Array
    lead_scale: Array
    protrusion: Array
    lead_end: NDArray[np.int64]
    end_tilt: Array  # (joint, 2) slope of the cut


@dataclass(frozen=True)
class Neck:
    """Solder between two joints."""

    first: int
    second: int
    width: float  # at the narrowest place
    bow: float  # sideways bow of its middle
    rise: float  # height at the middle against the half width


@dataclass(frozen=True)
class Ball:
    """A loose solder ball; place in board mm."""

    x: float
    y: float
    diameter: float


@dataclass(frozen=True)
class Pit:
    """A hole blown into a joint's solder; place against the joint's centre."""

    joint: int
    x: float
    y: float
    diameter: float
    depth: float


@dataclass(frozen=True)
class Spike:
    """A projection: from `start` to `end` (x, y, z in mm against the joint's centre), tapering."""

    joint: int
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    width: float  # at its foot
    sag: float  # sideways bend of its middle
    kind: str  # "icicle" or "flag"
    blunt: float = 0.0  # width at its tip against that at its foot


@dataclass(frozen=True)
class ChipState:
    """Where a chip really is: `missing`, or moved and turned, or standing on its end."""

    present: bool
    dx: float
    dy: float
    turn: float
    standing: bool


@dataclass(frozen=True)
class BoardPlan:
    """One board, ready to be drawn. `seed` feeds everything that is drawn while rendering."""

    family: Family
    recipe: Recipe
    seed: int
    joints: JointShapes
    necks: tuple[Neck, ...]
    balls: tuple[Ball, ...]
    pits: tuple[Pit, ...]
    spikes: tuple[Spike, ...]
    chips: tuple[ChipState, ...]
    look_seed: int  # feeds what all boards of one lot share: mask, finish, solder, lamps
    finish: str  # of the bare lands: tin, gold or copper
    land_dome: float  # mm
    mask_gap: float  # mm between land and mask
    mask_shift: tuple[float, float]  # mm
    planned: Mapping[int, tuple[str, float]]  # joint -> (finding, severity); what was asked, not the truth


def azimuths() -> Array:
    """Return the azimuths (rad) of outline tables."""
    return np.arange(AZIMUTHS, dtype=np.float64) * (2.0 * np.pi / AZIMUTHS)


def plan_board(family: Family, rng: np.random.Generator, *, recipe: Recipe | None = None, defect_rate: float = 0.1,
               planned: Mapping[int, tuple[str, float]] | None = None,
               planned_chips: Mapping[int, tuple[str, float]] | None = None,
               look_seed: int | None = None) -> BoardPlan:
    """Draw one board.

    `defect_rate` is the chance of a planned defect per joint and per chip. `planned` fixes findings instead (joint
    index to finding and severity 0 mild to 1 severe; `good` is a finding here), `planned_chips` likewise with
    `chip_missing` and `chip_shifted`. Boards with equal `look_seed` share mask, finish, solder and lamps; None draws
    them anew.
    """
    recipe = recipe or default_recipe()
    if not 0.0 <= defect_rate <= 1.0:
        raise ValueError(f"defect_rate: got {defect_rate}, wanted 0 to 1")
    shapes = _good_joints(family.joints, recipe, rng)
    if planned is None:
        planned = _draw_findings(family, recipe, rng, defect_rate)
    from synthetic_images.defects import Draft

    draft = Draft(family, recipe, shapes, rng)
    for joint, (finding, severity) in sorted(planned.items()):
        draft.add(joint, finding, severity)
    draft.add_harmless(recipe.one("good.harmless", rng), set(planned))
    draft.join_same_nets(recipe.one("rate.same_net_join", rng), set(planned))
    draft.drop_dry_necks()
    chips = _plan_chips(family, recipe, rng, defect_rate, planned_chips)
    seed = int(rng.integers(2**31))
    look_seed = int(rng.integers(2**31)) if look_seed is None else look_seed
    look = np.random.default_rng([look_seed, 0])
    return BoardPlan(
        family, recipe, seed, draft.shapes, tuple(draft.necks), tuple(draft.balls), tuple(draft.pits),
        tuple(draft.spikes), chips, look_seed, recipe.pick("land.finish", look)[0], recipe.one("land.dome", look),
        recipe.one("land.mask_gap", look),
        (recipe.one("land.mask_shift", rng), recipe.one("land.mask_shift", rng)), dict(planned))


def _draw_findings(family: Family, recipe: Recipe, rng: np.random.Generator, rate: float
                   ) -> dict[int, tuple[str, float]]:
    hit = rng.random(len(family.joints)) < rate
    names = recipe.pick("rate.finding", rng, len(family.joints))
    severity = recipe.draw("rate.severity", rng, len(family.joints))
    return {int(j): (names[j], float(severity[j])) for j in np.flatnonzero(hit)}


def _good_joints(joints: tuple[Joint, ...], recipe: Recipe, rng: np.random.Generator) -> JointShapes:
    """Draw every joint as a good one; defects then change single entries."""
    count = len(joints)
    tags = ("toe_angle", "lead_angle", "cover_share", "toe_ripple", "lead_offset", "lead_tilt", "protrusion",
            "lead_scale", "fill_bias")
    draw = {tag: recipe.draw(f"good.{tag}", rng, count) for tag in tags}
    # Neighbouring joints of one board resemble each other: half of the spread of wetting is the board's own.
    board = {tag: recipe.one(f"good.{tag}", rng) for tag in ("toe_angle", "lead_angle", "cover_share", "protrusion")}
    for tag, value in board.items():
        draw[tag] = 0.45 * value + 0.55 * draw[tag]
    fill, = rng.spawn(1)
    for kind in ("full", "domed"):
        much = fill.random(count) < recipe.one(f"good.{kind}", fill)
        for tag in ("toe_angle", "lead_angle"):
            draw[tag] = np.where(much, recipe.draw(f"good.{kind}_{tag}", fill, count), draw[tag])
        draw["fill_bias"] = np.where(much, 0.0, draw["fill_bias"])
    azimuth = azimuths()
    grow = recipe.one("land.size_error", rng) + rng.normal(0.0, 0.004, count)
    edge = land_edge(joints, azimuth, grow)
    hole = np.array([j.hole_mm for j in joints]) / 2.0
    share = np.broadcast_to(draw["cover_share"][:, None], edge.shape) + ripple(rng, draw["toe_ripple"], count) * 2.0
    reach = lead_reach(joints)
    room = np.maximum(hole - reach * draw["lead_scale"], 0.0)
    away = rng.uniform(0, 2 * np.pi, count)
    lean = rng.uniform(0, 2 * np.pi, count)
    tilt = np.tan(np.deg2rad(draw["lead_tilt"]))
    ends = recipe.pick("good.lead_end", rng)[0]  # one kind of component dominates a board
    own = recipe.pick("good.lead_end", rng, count)
    kinds = [ends if mine else other for mine, other in zip(rng.random(count) < 0.5, own, strict=True)]
    shared_shift = recipe.draw("land.hole_shift", rng, (1, 2))
    return JointShapes(
        edge=edge, hole_shift=shared_shift + rng.normal(0.0, 0.006, (count, 2)), form=np.full(count, FILLET),
        toe=toe_from_share(hole, edge, share), inner=np.zeros_like(edge), lead_angle=np.deg2rad(draw["lead_angle"]),
        toe_angle=np.deg2rad(draw["toe_angle"]), fill_bias=draw["fill_bias"], cap_angle=np.zeros(count),
        cap_shift=np.zeros((count, 2)), has_lead=np.ones(count, dtype=np.bool_),
        lead_buried=np.zeros(count, dtype=np.bool_),
        lead_shift=(draw["lead_offset"] * room)[:, None] * np.stack([np.cos(away), np.sin(away)], axis=1),
        lead_tilt=tilt[:, None] * np.stack([np.cos(lean), np.sin(lean)], axis=1),
        lead_turn=np.deg2rad(rng.normal(0.0, 4.0, count)), lead_scale=draw["lead_scale"],
        protrusion=draw["protrusion"], lead_end=np.array([LEAD_ENDS.index(kind) for kind in kinds]),
        end_tilt=rng.normal(0.0, 0.07, (count, 2)))


def ripple(rng: np.random.Generator, amplitude: Array, count: int) -> Array:
    """Return smooth random outlines (joint, azimuth): low harmonics, stronger the lower."""
    order = np.arange(1, 9)
    phase = rng.uniform(0, 2 * np.pi, (count, len(order)))
    size = rng.normal(0.0, 1.0, (count, len(order))) / order
    waves = np.cos(azimuths()[None, None, :] * order[None, :, None] + phase[..., None])
    return np.asarray(amplitude[:, None] * np.einsum("jo,joa->ja", size, waves))


def toe_from_share(hole: Array, edge: Array, share: Array) -> Array:
    """Return the toe radius that covers this share of the ring's area, at most 0.07 mm beyond the land."""
    inner = hole[:, None] ** 2
    toe = np.sqrt(np.maximum(inner + share * (edge**2 - inner), (0.3 * hole[:, None]) ** 2))
    return np.asarray(np.minimum(toe, edge + 0.07))


def lead_outline(joints: tuple[Joint, ...], shapes: JointShapes) -> Array:
    """Return the leads' outlines (joint, azimuth) about their axes."""
    return lead_edge(joints, azimuths(), shapes.lead_scale, shapes.lead_turn)


def _plan_chips(family: Family, recipe: Recipe, rng: np.random.Generator, rate: float,
                planned: Mapping[int, tuple[str, float]] | None) -> tuple[ChipState, ...]:
    chips = []
    for index, chip in enumerate(family.chips):
        jitter = recipe.draw("good.chip_play", rng, 2)
        turn = float(np.deg2rad(recipe.one("good.chip_turn", rng)))
        state = ChipState(True, float(jitter[0]), float(jitter[1]), turn, False)
        hit, kind, severity = rng.random() < rate, recipe.pick("rate.chip", rng)[0], recipe.one("rate.severity", rng)
        if planned is not None:
            finding, severity = planned.get(index, ("good", 0.0))
            if finding not in (*CHIP_FINDINGS, "good"):
                raise ValueError(f"planned_chips: got {finding!r}, wanted one of {CHIP_FINDINGS}")
            hit = finding != "good"
            kind = "missing" if finding == "chip_missing" else kind if kind != "missing" else "shifted"
        if hit:
            narrow = min(chip.body_w_mm, chip.body_h_mm)
            way = rng.uniform(0, 2 * np.pi)
            step = recipe.at("defect.chip_shift", severity) * narrow
            turn = np.deg2rad(recipe.at("defect.chip_turn", severity)) * rng.choice((-1.0, 1.0))
            state = {"missing": replace(state, present=False),
                     "shifted": replace(state, dx=float(step * np.cos(way)), dy=float(step * np.sin(way))),
                     "turned": replace(state, turn=float(turn)),
                     "on end": replace(state, standing=True)}[kind]
        chips.append(state)
    return tuple(chips)
