"""Projections: spikes and flags of solder, found as ridges that run outward from the joint."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cache, lru_cache, partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.defects.ridges import (
    DIM_BRIGHTNESS,
    DIM_MASS,
    LEAST_BRIGHTNESS,
    LEAST_MASS,
    LEAST_MM,
    ON_LEAD_MM,
    Ridge,
    ridges_of,
    tangential_bend,
)
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.grids import SIDE, FineGrid, cells_off
from vision.pipeline.view.lands import corners_seen, edges_towards
from vision.pipeline.view.unwrap import AZIMUTHS
from vision.setup.family import Joint

RIDGE_BEND = 700.0  # deg/mm^2; on a fillet without spike the steepness hardly changes along a circle
MASS = 1100.0  # deg/mm: mean bend by length of a ridge that is a spike or a flag wherever it begins
FOOT_MM = 0.38  # unless it begins further than this from the lead's edge
LEAD_MASS, LEAD_BEND = 700.0, 1400.0  # of a ridge that begins on the lead, where no fillet has creases
#: A slight ridge needs at least this brightness and a crest that is, on the mean, no steeper; it falls by so
#: much to both sides, and by so much more where a corner of the lead reaches out: a fillet may have a crease there.
SLIGHT_BRIGHTNESS, SLIGHT_CREST_DEG = 0.88, 30.0
SLIGHT_RISE_DEG, AT_CORNER_RISE_DEG, CORNER_MM = 15.0, 22.0, 0.03
DIM_RISE_DEG, DIM_CREST_DEG = 20.0, 45.0  # of a dim one
CREASE_RISE_DEG = 5.0  # to both sides of a crease
ALONE = 0.67  # of its mass: as much as another ridge of the joint may have; creases of a fillet come in sets
APART_RAD, RIVAL_FOOT_MM = 0.4, 0.45  # another ridge points elsewhere by this much and begins at most this far out
SHARPER = 1.7  # a ridge on the lead that bends by this factor more than another has no rival in it
MASSIVE, LESS_SHARP = 2.0, 1.45  # with so many times the mass of any other it is no crease from this factor on
#: Ridges of this mass together that cross the land's edge, from so far inside to so far outside, are no fillet's.
CROSSING_MASS, CROSSED_MM = 1500.0, (0.12, 0.15)
CHAIN_RAD, CHAIN_FOOT_MM = 0.2, 0.7  # pieces of one crease point alike and begin no further out
#: Creases to a rectangular land's corners: how near they point to them, how much of one's bend the others have and by
#: what share of its reach theirs differs, and how many others there are.
CORNER_RAD, CREASE_BEND, CREASE_REACH, CREASES = 0.2, 0.75, 0.25, 2
EXACTLY_RAD, FAR_BEYOND_MM = 0.08, 0.25  # how near, where a ridge runs so far on beyond the land's edge
#: To either side of a crest the surface gets steeper by at least this; a flag's two edges do so to the flag's outer
#: sides. Where a shade or a skin of flux begins, steepness changes to one side only.
CREST_RISE_DEG, FLAG_RAD = 9.0, 0.45
ACROSS_MM, FLANK, OFF = 0.02, 10, 3  # samples across a ridge: their distance, a flank's and by how many it may be off
ALONG = 12  # samples along it
#: A ridge of less mass that is steeper than this is no spike, unless it begins on the lead and falls by so much to both
#: sides beyond it.
STEEP_MASS, STEEP_CREST_DEG, STEEP_RISE_DEG = 1500.0, 32.0, 20.0


def find_projections(joints: Sequence[Joint], grid: FineGrid, joined: NDArray[np.bool_], leads: Leads,
                     reach_mm: NDArray[np.float64], chips: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return how far (mm) a spike of solder reaches out from the lead's edge, 0 for none, [joint].

    Along the crest of a spike the surface is flatter than on its flanks, whichever way it leans: going round the
    lead, steepness has a sharp minimum there. The second derivative of steepness along circles around the lead
    shows it; a fillet, whose steepness changes mainly outward, has next to none. `joined` [joint, azimuth] are
    the directions of bridges and of gaps, which look alike and are told apart by where they lead; `reach_mm`
    [joint, azimuth] is how far from the hole metal may lie on the board: print is as bright as a crest. `chips`
    [joint, azimuth] are the directions in which a chip's land may lie.
    """
    x, y = (np.broadcast_to((places - offset[:, None, None]).astype(np.float32), grid.energy.shape)
            for places, offset in ((grid.x_mm[:, :1], leads.offset_x_mm), (grid.y_mm[:, :, :1], leads.offset_y_mm)))
    away_squared = x[:, :1] * x[:, :1] + y[:, :, :1] * y[:, :, :1]
    bend = tangential_bend(grid, x, y, away_squared)
    ridge = bend > np.float32(RIDGE_BEND)
    ridge[:, 0] = False  # keeps neighbours in the mosaic apart
    place = np.flatnonzero(ridge)
    number, cell = np.divmod(place, SIDE * SIDE)
    owner = grid.owner.at(place)
    azimuth = _azimuth_index().ravel()[cell]
    on_board = (owner == 0) & (cells_off().ravel()[cell] * grid.step_mm[number] <= reach_mm[number, azimuth])
    own = (on_board | (owner == number + 1)) & ~joined[number, azimuth]
    own &= away_squared.ravel()[place] > (0.25 * leads.nominal_radius_mm**2).astype(np.float32)[number]
    ridge.flat[place[~own]] = False
    ridges: dict[int, list[Ridge]] = {}
    for joint, one in ridges_of(ridge, place[own], (x, y, bend, grid.radiance), joints, leads.nominal_radius_mm):
        ridges.setdefault(joint, []).append(one)
    longest = np.zeros(len(joints))
    for joint, found in ridges.items():
        longest[joint] = max((one.end_mm for one in _spikes(found, joints[joint], joint, grid, leads, chips[joint])),
                             default=0.0)
    return longest


def _spikes(found: Sequence[Ridge], joint: Joint, index: int, grid: FineGrid, leads: Leads,
            chips: NDArray[np.bool_]) -> list[Ridge]:
    """Return those of a joint's ridges that are spikes or the edges of flags."""
    corners = corners_seen(joint, float(leads.offset_x_mm[index]), float(leads.offset_y_mm[index]))
    crossing = _crossing_edge(found, joint, leads, index, chips, corners)
    over_board = [_is_spike_over_board(ridge, crossing) for ridge in found]
    cross = cache(partial(_slopes_across, joint=index, grid=grid, leads=leads))
    sure = [(over and not _is_dim(ridge)) or _is_sharp(ridge) for ridge, over in zip(found, over_board, strict=True)]
    likely = [number for number, ridge in enumerate(found)
              if (over_board[number] or ((sure[number] or _is_slight(ridge))
                                         and _has_no_like(ridge, _rivals(ridge, found, corners), cross)))
              and not _is_crease(ridge, found, corners) and not _where_lights_change(ridge, index, grid, leads)]
    slopes = [cross(found[number]) for number in likely]
    rises = [_flank_rises(steep) for steep in slopes]
    beside = [found[number] for number in likely]
    return [found[number] for number, steep, own in zip(likely, slopes, rises, strict=True)
            if not _is_steep(found[number], steep) and _has_flanks(found[number], own, beside, rises)
            and (sure[number] or _is_crest(found[number], steep, own))]


def _slopes_across(ridge: Ridge, joint: int, grid: FineGrid, leads: Leads) -> NDArray[np.float32]:
    """Return slopes (deg) at places along a ridge, start and end included, and across it, [along, across].

    From clockwise of it, seen from the lead, to counter-clockwise; the ridge itself is in the middle.
    """
    along = np.linspace(ridge.start_mm, ridge.end_mm, ALONG)[:, None] + leads.nominal_radius_mm[joint]
    across = ACROSS_MM * np.arange(-FLANK - OFF, FLANK + OFF + 1)
    x, y = _on_board(ridge.azimuth_rad, leads, joint, along, across)
    column, row = SIDE // 2 + x / grid.step_mm[joint], SIDE // 2 - y / grid.step_mm[joint]
    return np.asarray(cv2.remap(grid.steep_deg[joint], column.astype(np.float32), row.astype(np.float32),
                                cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)


def _is_steep(ridge: Ridge, steep: NDArray[np.float32]) -> bool:
    """Say whether a ridge that is not sharp for long is steep, on the mean, from the lead's edge out to its end.

    Solder too steep to be lit mirrors leads and lands beside it: bright specks that read as flat crests here and there.
    The crest of a spike is flat all along, unless what lies to both sides of its flanks is not as steep either, or it
    comes from the lead between far steeper flanks.
    """
    if ridge.mass >= STEEP_MASS:
        return False
    outside = steep[:-1][np.linspace(ridge.start_mm, ridge.end_mm, ALONG)[:-1] > 0.0]
    crest, left, right = (float(outside[:, part].mean()) for part in (
        slice(FLANK + OFF, FLANK + OFF + 1), slice(None, OFF), slice(-OFF, None)))
    from_lead = ridge.start_mm <= ON_LEAD_MM and min(_flank_rises(outside)) >= STEEP_RISE_DEG
    return crest > STEEP_CREST_DEG and max(left, right) > STEEP_CREST_DEG and not from_lead


def _flank_rises(steep: NDArray[np.float32]) -> tuple[float, float]:
    """Return by how much (deg) the surface gets steeper on either side of a ridge within a flank's width, mean along.

    First clockwise, then counter-clockwise of it, of slopes across it. The crest is where it is flattest near by.
    """
    crest = steep[:, FLANK:-FLANK].argmin(axis=1)[:, None] + FLANK
    least, flank = np.take_along_axis(steep, crest, axis=1)[:, 0], np.arange(FLANK + 1)
    sides = (np.take_along_axis(steep, crest + sign * flank, axis=1).max(axis=1) - least for sign in (-1, 1))
    clockwise, counter = (float(side.mean()) for side in sides)
    return clockwise, counter


def _is_crest(ridge: Ridge, steep: NDArray[np.float32], rises: tuple[float, float]) -> bool:
    """Say whether a ridge is flat enough along its middle and falls away to both sides as a spike of solder does.

    Its own flanks count: what lies beside a slight ridge may be of a fillet. Slopes across and rises as of the above.
    """
    least, most = (DIM_RISE_DEG, DIM_CREST_DEG) if _is_dim(ridge) else (SLIGHT_RISE_DEG, SLIGHT_CREST_DEG)
    if ridge.corner_mm > CORNER_MM:
        least = max(least, AT_CORNER_RISE_DEG)
    return min(rises) >= least and float(steep[:, FLANK + OFF].mean()) <= most


def _has_flanks(ridge: Ridge, own: tuple[float, float], likely: Sequence[Ridge],
                rises: Sequence[tuple[float, float]]) -> bool:
    """Say whether the surface is steeper on both sides of a ridge, or on the outer sides of it and one beside it."""
    if min(own) >= CREST_RISE_DEG:
        return True
    for other, its in zip(likely, rises, strict=True):
        turn = _turn(ridge, other)
        outer = (own[0], its[1]) if turn > 0.0 else (its[0], own[1])
        if 0.0 < abs(turn) < FLAG_RAD and min(outer) >= CREST_RISE_DEG:
            return True
    return False


def _where_lights_change(ridge: Ridge, joint: int, grid: FineGrid, leads: Leads) -> bool:
    """Say whether a ridge runs whither the steepest lights begin or end: there steepness seems to jump."""
    if grid.lights_change is None:
        return False
    away = leads.nominal_radius_mm[joint] + max(0.5 * (ridge.start_mm + ridge.end_mm), 0.0)
    x, y = _on_board(ridge.azimuth_rad, leads, joint, np.array(away))
    column, row = (int(np.clip(SIDE // 2 + round(part / grid.step_mm[joint]), 0, SIDE - 1)) for part in (x, -y))
    return bool(grid.lights_change[joint, row, column])


def _is_sharp(ridge: Ridge) -> bool:
    """Tell spikes and flags from grain, which gives many short ridges: lit, and sharp for long."""
    if ridge.end_mm < LEAST_MM or ridge.brightness < LEAST_BRIGHTNESS:
        return False
    return (ridge.mass >= MASS and ridge.start_mm <= FOOT_MM) or (
        ridge.mass >= LEAD_MASS and ridge.bend >= LEAD_BEND and ridge.start_mm <= ON_LEAD_MM)


def _is_slight(ridge: Ridge) -> bool:
    """Say whether a ridge is as sharp, as lit and as near to the lead as a thin or short spike is at least."""
    return (((ridge.mass >= LEAST_MASS and ridge.brightness >= SLIGHT_BRIGHTNESS) or _is_dim(ridge))
            and ridge.start_mm <= FOOT_MM)


def _is_alone(ridge: Ridge, others: Sequence[Ridge]) -> bool:
    """Tell spikes and flags from a fillet's creases.

    Creases run from a square lead's corners to a rect land's corners and so come two or four at a time; a joint with
    two spikes is still told by the sharper one.
    """
    # A spike on the lead may be far sharper than any crease.
    as_sharp = ridge.bend / SHARPER if ridge.start_mm <= ON_LEAD_MM else 0.0
    lines = [other for other in others if other.end_mm >= LEAST_MM and other.start_mm < CHAIN_FOOT_MM
             and _apart(other, ridge) > APART_RAD and other.bend >= as_sharp]
    # A crease often breaks in two: what goes on in the same direction counts with it.
    rivals = (sum(other.mass for other in lines if _apart(other, one) < CHAIN_RAD)
              for one in lines if one.start_mm < RIVAL_FOOT_MM)
    return max(rivals, default=0.0) <= ALONE * ridge.mass


def _is_dim(ridge: Ridge) -> bool:
    """Say whether a ridge is dimmer than lit solder mostly is, but so long and sharp that it may be a thin spike.

    Picture and blur mix its crest with its dark flanks.
    """
    return ridge.mass >= DIM_MASS and DIM_BRIGHTNESS <= ridge.brightness < LEAST_BRIGHTNESS


def _has_no_like(ridge: Ridge, others: Sequence[Ridge], cross: Callable[[Ridge], NDArray[np.float32]]) -> bool:
    """Say whether no other of a joint's ridges makes a ridge one of a set.

    What falls to one side only is no crease but where shade, flux or another light begins: it says nothing of a ridge
    that has flanks to both sides. `cross` gives the slopes across a ridge.
    """
    if _is_alone(ridge, others):
        return True
    steep = cross(ridge)
    return (_is_slight(ridge) and _is_crest(ridge, steep, _flank_rises(steep))
            and _is_alone(ridge, [one for one in others if min(_flank_rises(cross(one))) >= CREASE_RISE_DEG]))


def _is_spike_over_board(ridge: Ridge, crossing: Sequence[Ridge]) -> bool:
    """Say whether a ridge is one of those that cross the land's edge, sharp and long enough with others beside it.

    So is a spike or a flag, wherever it begins and whatever other ridges there are.
    """
    return ridge in crossing and sum(other.mass for other in crossing
                                     if _apart(other, ridge) < APART_RAD) >= CROSSING_MASS


def _crossing_edge(found: Sequence[Ridge], joint: Joint, leads: Leads, index: int, chips: NDArray[np.bool_],
                   corners: NDArray[np.float64]) -> Sequence[Ridge]:
    """Return the ridges that cross the land's edge and point to no corner; none where all together are too little."""
    lit = [ridge for ridge in found if ridge.brightness >= LEAST_BRIGHTNESS or _is_dim(ridge)]
    # A little less will do: sums in another order differ in their last digits.
    if sum(ridge.mass for ridge in lit) < 0.999 * CROSSING_MASS:
        return []
    crosses = _cross_edge(lit, joint, leads, index, chips, corners)
    return [ridge for ridge, yes in zip(lit, crosses.tolist(), strict=True) if yes]


def _cross_edge(ridges: Sequence[Ridge], joint: Joint, leads: Leads, index: int, chips: NDArray[np.bool_],
                corners: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which ridges run from the land out over the board, towards no chip's land: no fillet goes there, [ridge].

    What points to a corner is a crease, unless it runs on far beyond the edge and does not point there exactly, as
    creases do and print that frames the land.
    """
    start, end, towards = np.array([(one.start_mm, one.end_mm, one.azimuth_rad) for one in ridges]).T
    away = leads.nominal_radius_mm[index] + np.stack([start, end])
    x, y = _on_board(towards, leads, index, away)
    azimuth = np.arctan2(y, x)
    from_edge = np.hypot(x, y) - edges_towards([joint], azimuth.reshape(1, -1)).reshape(azimuth.shape)
    place = (azimuth[1] % (2.0 * np.pi) * (AZIMUTHS / (2.0 * np.pi))).astype(np.intp) % AZIMUTHS
    to_corner = [_corner_of(ridge, corners, EXACTLY_RAD if beyond >= FAR_BEYOND_MM else CORNER_RAD) >= 0
                 for ridge, beyond in zip(ridges, from_edge[1].tolist(), strict=True)]
    return np.asarray((from_edge[0] <= -CROSSED_MM[0]) & (from_edge[1] >= CROSSED_MM[1])
                      & ~np.array(to_corner, dtype=np.bool_) & ~chips[place], dtype=np.bool_)


def _corner_of(ridge: Ridge, corners: NDArray[np.float64], within_rad: float = CORNER_RAD) -> int:
    """Return the number of the corner that a ridge points to, -1 for none."""
    off = np.abs((corners - ridge.azimuth_rad + np.pi) % (2.0 * np.pi) - np.pi)
    return int(off.argmin()) if len(off) and off.min() <= within_rad else -1


def _rivals(ridge: Ridge, found: Sequence[Ridge], corners: NDArray[np.float64]) -> Sequence[Ridge]:
    """Return the ridges that a ridge may be one of a set with: creases to a land's corners say nothing of a spike.

    That is one which begins on the lead and points elsewhere.
    """
    if ridge.start_mm > ON_LEAD_MM or _corner_of(ridge, corners) >= 0:
        return found
    return [other for other in found if _corner_of(other, corners) < 0]


def _is_crease(ridge: Ridge, others: Sequence[Ridge], corners: NDArray[np.float64]) -> bool:
    """Say whether a ridge is one of a set that runs to the corners of a rectangular land, alike in reach and bend.

    A pit or a lead off the middle may make one of the set longer than the others, or let it run up to the lead: then
    all others must be there, and the one not far sharper, or sharper and far longer.
    """
    own, on_lead = _corner_of(ridge, corners), ridge.start_mm <= ON_LEAD_MM
    if on_lead and all(ridge.mass >= MASSIVE * other.mass and ridge.bend >= LESS_SHARP * other.bend
                       for other in others if other is not ridge):
        return False
    as_sharp = ridge.bend / SHARPER if on_lead else CREASE_BEND * ridge.bend
    alike = {_corner_of(other, corners) for other in others if other.bend >= as_sharp
             and abs(other.end_mm - ridge.end_mm) <= CREASE_REACH * ridge.end_mm}
    return own >= 0 and len(alike - {own, -1}) >= (len(corners) - 1 if on_lead else CREASES)


def _turn(one: Ridge, other: Ridge) -> float:
    """Return how far (rad) the other ridge's direction lies counter-clockwise of the first's, -pi to pi."""
    return (other.azimuth_rad - one.azimuth_rad + math.pi) % (2.0 * math.pi) - math.pi


def _apart(one: Ridge, other: Ridge) -> float:
    return abs(_turn(other, one))


def _on_board(azimuth_rad: NDArray[np.float64] | float, leads: Leads, joint: int, along: NDArray[np.float64],
              across: NDArray[np.floating[Any]] | float = 0.0) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where (mm from the joint's middle) places lie so far from the lead's axis that way, and left of it."""
    cos, sin = np.cos(azimuth_rad), np.sin(azimuth_rad)
    return (leads.offset_x_mm[joint] + along * cos - across * sin,
            leads.offset_y_mm[joint] + along * sin + across * cos)


@lru_cache(maxsize=1)
def _azimuth_index() -> NDArray[np.intp]:
    """Return the azimuth sample that each sample of a fine grid belongs to, seen from the hole, [row, column]."""
    axis = np.arange(SIDE, dtype=np.float64) - SIDE // 2
    turn = np.arctan2(-axis[:, None], axis[None, :]) % (2.0 * np.pi) * (AZIMUTHS / (2.0 * np.pi))
    return np.minimum(turn.astype(np.intp), AZIMUTHS - 1)
