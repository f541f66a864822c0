"""Fit a chip's outline with two metal ends into pictures: where, how turned, and how well.

A two-terminal chip is a dark or printed body between two metal ends that lie flat, so each end mirrors the flattest
light more than the body does, whatever the body's colour. All round runs an edge: to the mask beside it and to the
steep solder or the land beyond its ends. Bare lands of a missing chip shine too, but lie further apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision.pipeline.arrays.ranks import median
from vision.pipeline.arrays.signs import grows
from vision.pipeline.chips.boxes import find_box
from vision.pipeline.chips.doubts import (
    INNER,
    PLAIN,
    PLATED,
    TIPS,
    Array,
    Plane,
    is_something_else,
    like_board,
    mean_of,
    shine_along,
    unlike_ends,
)
from vision.pipeline.chips.turns import turn_left
from vision.pipeline.chips.windows import (
    GRID,
    Fit,
    Half,
    Place,
    axes_about,
    edges_across,
    fit_at,
    halved,
    in_own_axes,
    part_within,
    turn_into,
    window_round,
)
from vision.pipeline.light.optics import Optics
from vision.pipeline.view.capture import Capture
from vision.setup.family import Chip
from vision.setup.geometry import Similarity

MARGIN_MM = 1.5  # the window reaches this far beyond the chip's long side
NEAR_TURNS, MORE_TURNS = (-5.0, 0.0, 5.0), (-10.0, 10.0)
FAR_TURNS = tuple(float(turn) for turn in range(-90, 90, 6) if abs(turn) > 12)
FINE_TURNS = (-3.0, -1.5, 1.5, 3.0)
LOOKED_AT = 16  # so many of the far turns at most
HALF_FINE_LOSS = 0.2  # at most so much less evidence than in full is seen in a picture half as fine
WORTH = 0.5  # less evidence than this is no chip, whatever its place
FURTHEST = 0.8  # a chip further off than this share of its length is not looked for
SURE = 0.9  # evidence that ends the search
DOUBTLESS = 0.75  # evidence that needs no other
BETTER, ONWARD = 0.05, 0.03  # evidence more for a far turn; the same the way that a sure one is turned
SETTLED = 0.85  # evidence of a nearly straight chip near its place that none further off surpasses
NEAR = 8.0  # samples: so far off a chip that is in its place is looked for first
DOUBTED = 0.5  # what is left of the evidence where ends cannot be a chip's
WHOLE_PCT = (91.0, 95.0)  # cover of what lies far turned: below the first it is no chip, from the second on it is whole
ALIKE_WIDTHS, MOST_OFF = 1.5, 0.25  # of both ends' plating, one against the other; in shares of half the length
BARE = 0.3  # no end's plating reaches further in, in such shares
ROUNDED = 0.9  # from here on, in shares of half the length and width, a chip's edges may be rounded
TURN_COST = 0.003  # evidence for a degree
#: Places on an end, shares of half the length, of which two must shine; or, for this share of evidence, both of these:
#: plating may reach in by no more than an eighth of the length (common practice, no published source).
ENDS, NARROW_ENDS, NARROW_SHARE = (0.66, 0.77, 0.89), (0.8, 0.89), 0.9
BRIM = 6  # samples that edges and means reach beyond an outline


def fit_chip(capture: Capture, chip: Chip, to_picture: Similarity, optics: Optics) -> Fit:
    """Find a chip near its nominal place, by the shine of its ends, or else by the straight edges all round it."""
    long, short = max(chip.body_w_mm, chip.body_h_mm), min(chip.body_w_mm, chip.body_h_mm)
    step = (long + 2.0 * MARGIN_MM) / GRID
    window = window_round(capture, chip, to_picture, step)
    flat = int(np.argmin(optics.slope_deg))
    half = (0.5 * long / step, 0.5 * short / step)
    found = _by_plating(window, flat, half, step)
    if found.evidence >= DOUBTLESS:
        return found
    box = find_box(window, half, step)
    return box if box.evidence > found.evidence else found


def _by_plating(window: Plane, flat: int, half: Half, step: float) -> Fit:
    """Find a chip by its ends: first in its place and nearly straight, then further off, then turned any way.

    Turns any way are first compared in a picture half as fine; the best of them are then looked at in full.
    """
    best, reach = _nearly_straight(window, flat, half, NEAR), NEAR
    if best[0] < SETTLED or max(abs(best[1]), abs(best[2])) > NEAR - 1.0:
        reach = FURTHEST * 2.0 * half[0]
        best = _nearly_straight(window, flat, half, reach)
    seen = best
    trust = DOUBTED if best[0] > 0.0 and _is_doubtful(window, flat, half, best, TIPS) else 1.0
    best = (trust * best[0], *best[1:])
    other = best
    # What fits better and better the further it is turned is turned further than was looked.
    if best[0] < SURE or best[3] != 0.0:
        # A chip that seems settled may lie turned there, its lands passing for its ends, but not somewhere else.
        settled = best[0] >= SETTLED and abs(best[3]) <= NEAR_TURNS[-1]
        other = _any_turn(window, flat, half, best, NEAR if settled else FURTHEST * 2.0 * half[0])
        # Ends may be rounded: then they only seem unlike where they are seen off the middle.
        if trust < 1.0 and other[0] <= seen[0] and not _is_doubtful(window, flat, half, seen, PLATED):
            trust, best, other = 1.0, seen, seen
    found = _fine_fit(window, flat, half, best, trust, reach, step)
    if other == best:
        return found
    turned = _fine_fit(window, flat, half, other, 1.0, reach, step)
    # Solder on two lands may seem a chip across them, but what lies between its ends is no body.
    turned = replace(turned, evidence=turned.evidence * float(grows(np.array(turned.cover_pct), WHOLE_PCT)))
    return turned if turned.evidence > found.evidence else found


def _fine_fit(window: Plane, flat: int, half: Half, place: Place, trust: float, reach: float,
              step_mm: float) -> Fit:
    """Return what fits best about a place, seen more finely; evidence found beside it counts by its share `trust`."""
    fine = _places(window, flat, half, tuple(place[3] + by for by in FINE_TURNS), reach)
    best = max((place, *((trust * other[0], *other[1:]) for other in fine)), key=_worth)
    evidence, u, v, turn = best
    if evidence <= 0.0:
        return Fit(0.0, np.nan, np.nan, np.nan, 0.0)
    shown, along, across = in_own_axes(window, half, best)
    cover, left = _cover(shown, along, across, flat), turn_left(shown, along, across)
    u = u + _off_middle(shown, along, across, flat) * half[0]
    along, across = axes_about(window, half, u, v)
    if is_something_else(shown, along, across, flat, evidence):
        evidence *= DOUBTED
    return fit_at((evidence, u, v, turn), left, step_mm, cover)


def _off_middle(shown: Plane, along: Array, across: Array, flat: int) -> float:
    """Return how far the middle between both ends' plating lies from a chip's place along its axis, in half lengths.

    Solder makes edges beyond the ends, so that they alone say little about where a chip ends. Both ends are plated
    alike; 0 where they do not seem to be. Axes as in_own_axes gives them.
    """
    course = shine_along(shown, across, flat)
    body = float(course[np.abs(along) <= INNER[0]].mean())
    sides = [np.flatnonzero((sign * along > BARE) & (sign * along < PLATED[1]))[::int(sign)] for sign in (-1.0, 1.0)]
    if not all(len(outward) for outward in sides):
        return 0.0
    # Of both ends the duller tells what plating gives: a land beyond the other may shine more.
    limit = 0.5 * (min(float(course[outward].max()) for outward in sides) + body)
    middles, widths, begins = [], [], []
    for outward in sides:
        bright = course >= limit
        first = last = int(outward[bright[outward].argmax()])
        begins.append(float(along[first]))
        while first > 0 and bright[first - 1]:
            first -= 1
        while last < len(bright) - 1 and bright[last + 1]:
            last += 1
        middles.append(0.5 * float(along[first] + along[last]))
        widths.append(last + 1 - first)
    # Where a land shines on beyond an end, only where the plating begins tells.
    both = middles if max(widths) <= ALIKE_WIDTHS * min(widths) else begins
    return 0.5 * sum(both) if abs(sum(both)) <= 2.0 * MOST_OFF else 0.0


def _is_doubtful(window: Plane, flat: int, half: Half, place: Place,
                 ends: tuple[float, float]) -> bool:
    """Say whether what is found may be two lands with solder on them, or a chip on its end beside a bare land.

    `ends` says where on a chip's ends shine is looked for, in shares of half the length.
    """
    shown, along, across = in_own_axes(window, half, place)
    return unlike_ends(shown, along, across, flat, ends) or (
        place[0] < PLAIN and like_board(shown, along, across))


def _nearly_straight(window: Plane, flat: int, half: Half, reach: float) -> Place:
    """Return the best place within reach (samples) among small turns; the larger of them follow from the smaller."""
    best = max(_places(window, flat, half, NEAR_TURNS, reach), key=_worth)
    if best[3] == 0.0 and best[0] >= SETTLED:
        return best
    return max((best, *_places(window, flat, half, MORE_TURNS, reach)), key=_worth)


def _worth(place: Place) -> float:
    """Return a place's evidence, a little less for a turn: of fits as good as each other the straightest stands."""
    return place[0] - TURN_COST * abs(place[3])


def _any_turn(window: Plane, flat: int, half: Half, best: Place, reach: float) -> Place:
    """Return the best place within reach at any turn if clearly better than the best nearly straight one, else that."""
    coarse_half = (0.5 * half[0], 0.5 * half[1])
    far = sorted(_places(halved(window), flat, coarse_half, FAR_TURNS, 0.5 * reach))[-LOOKED_AT:]
    least = max(best[0] + ONWARD, WORTH, far[-1][0]) - HALF_FINE_LOSS
    turns = tuple(place[3] for place in far if place[0] >= least)
    other = max(_places(window, flat, half, turns, reach), default=best)
    onward = best[0] >= SURE and best[3] * other[3] > 0.0
    return other if other[0] > best[0] + (ONWARD if onward else BETTER) else best


def _places(window: Plane, flat: int, half: Half, turns: Sequence[float],
            reach: float) -> list[Place]:
    """Return evidence, shift in the turned axes (samples) and turn of the best place within reach at each turn.

    `window` is [light, row, col].
    """
    if not turns:
        return []
    side = window.shape[1]
    reach = min(reach, side / 2.0)
    rows, columns = (part_within(side, reach + extent + BRIM) for extent in (half[1], half[0]))
    turned = np.empty((len(window), len(turns), *window[0, rows, columns].shape), dtype=np.float32)
    for number, turn in enumerate(turns):
        turn_into(turned[:, number], window, turn, rows, columns)
    score = _scores(turned, flat, half, reach, side == GRID)
    middle = (score.shape[0] - 1) / 2.0
    best = score.reshape(-1, len(turns)).argmax(axis=0)
    row, column = np.unravel_index(best, score.shape[:2])
    evidence = score[row, column, np.arange(len(turns))]
    return [(float(found), float(u - middle), float(v - middle), turn)
            for found, u, v, turn in zip(evidence, column, row, turns, strict=True)]


def _cover(shown: Plane, along: Array, across: Array, flat: int) -> float:
    """Return how much (%) of the chip's rectangle looks like its own ends or body.

    The ends are known by their shine; body is what shines less than halfway between body and ends, and print on it.
    Its rim is left out. Axes as in_own_axes gives them.
    """
    along, across = np.abs(along)[None, :], np.abs(across)[:, None]
    inside = (along <= ROUNDED) & (across <= ROUNDED)
    shine = shown[flat]
    ends, middle = inside & (along > 0.72) & (along < 0.95), inside & (along < 0.4)
    if not ends.any() or not middle.any():
        return 0.0
    limit = 0.5 * (median(shine[ends]) + median(shine[middle]))
    low, high = shown.min(axis=0), shown.max(axis=0)
    like = np.where(along > 0.65, shine > limit, (shine < limit) | (high < 1.25 * low)) & inside
    # Where the metal ends begin is unknown.
    like |= inside & (along > 0.45) & (along <= 0.72)
    return float(100.0 * like.sum() / max(int(inside.sum()), 1))


def _scores(turned: Plane, flat: int, half: Half, reach: float, fine: bool) -> Plane:
    """Return the evidence [row, col, turn] that a chip's middle lies there, for places up to `reach` off the middle.

    `turned` [light, turn, row, col] are windows around the nominal place, `half` the half sides, all in samples;
    `fine` says that they are no picture half as fine. Places too far off have no evidence.
    """
    half_long, half_short = half
    along, across = edges_across(turned, 3, fine), edges_across(turned, 2, fine)
    shine = np.ascontiguousarray(turned[flat].transpose(1, 2, 0))
    shine = mean_of(shine, 3, 3) if fine else shine
    # Only middles within reach are looked at; what lies beyond the window counts as nothing.
    near = np.arange(-np.floor(reach - 0.5) - 0.5, reach)
    before = [length // 2 - len(near) // 2 for length in shine.shape[:2]]
    beyond = max(0, int(np.ceil(half_long)) + 1 - min(before))
    first = [beyond + count for count in before]

    def at(plane: Plane, column: float, row: float) -> Plane:
        down, right = first[0] + round(row), first[1] + round(column)
        return plane[down:down + len(near), right:right + len(near)]

    def framed(plane: Plane) -> Plane:
        if beyond == 0:
            return plane
        rows, columns, turns = plane.shape
        whole = np.zeros((rows + 2 * beyond, columns + 2 * beyond, turns), dtype=np.float32)
        whole[beyond:beyond + rows, beyond:beyond + columns] = plane
        return whole

    end, body, ends, short_sides, long_sides = (
        framed(mean_of(plane, width, height)) for plane, width, height in (
            (shine, 0.1 * half_long, 1.5 * half_short), (shine, 0.8 * half_long, 1.4 * half_short),
            (along, 1.0, 1.7 * half_short), (across, 0.26 * half_long, 1.0), (across, 1.1 * half_long, 1.0)))
    evidence = np.minimum(at(ends, -half_long, 0.0), at(ends, half_long, 0.0))
    sides = np.zeros_like(evidence)
    shade = at(body, 0.0, 0.0)
    for sign in (-1.0, 1.0):
        # Ends are rounded, and how far they reach in is unknown: two of three places must shine.
        metal = _second(*(at(end, sign * place * half_long, 0.0) for place in ENDS))
        narrow = np.minimum(*(at(end, sign * place * half_long, 0.0) for place in NARROW_ENDS))
        # The body sends back less than half of what a metal end does, in square roots seven tenths.
        plated, plated_narrow = (np.clip((np.float32(0.95) - shade / np.maximum(level, np.float32(0.05)))
                                         * np.float32(4.0), 0.0, 1.0) for level in (metal, narrow))
        evidence = np.minimum(evidence, np.maximum(plated, np.float32(NARROW_SHARE) * plated_narrow))
        for other in (-1.0, 1.0):
            sides += np.float32(0.15) * at(short_sides, sign * 0.84 * half_long, other * half_short)
        sides += np.float32(0.2) * at(long_sides, 0.0, sign * half_short)
    evidence[np.hypot(near[:, None], near[None, :]) > FURTHEST * 2.0 * half_long] = 0.0
    evidence *= sides
    return evidence


def _second(one: Plane, other: Plane, third: Plane) -> Plane:
    """Return the second largest of three."""
    return np.maximum(np.minimum(one, other), np.minimum(np.maximum(one, other), third))
