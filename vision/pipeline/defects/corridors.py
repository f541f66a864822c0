"""Look for solder between neighbouring joints: metal that runs unbroken from land to land."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.light.optics import Optics
from vision.pipeline.light.printing import print_part
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.lands import edges_towards
from vision.pipeline.view.outlines import KEPT
from vision.pipeline.view.register import Registration
from vision.pipeline.view.unwrap import AZIMUTHS, azimuths_rad
from vision.setup.family import Joint

MAX_GAP_MM = 2.6  # land edges further apart than this are not expected to be bridged
ALONG, ACROSS = 36, 49
OVERLAP_MM = 0.06  # the corridor begins and ends a little inside the lands' edges
#: Beside the lands, so far and no further than so much of the gap, a bridge may be too steep to be lit.
FOOT_MM, FOOT_SHARE = 0.12, 0.15
UNLIKE_MASK, FLANK_STEPS = 0.10, 10  # so much a bridge's flank differs from the mask, and so many samples wide it is
PRINT, LAMINATE = (0.35, 1.3), (0.2, 0.6)  # least and largest response under all lights
#: Shares of what the mask gives differ by so much from light to light on metal at least so bright against lit solder;
#: a little is added to both, or a dark mask's noise would count.
COLOURED, COLOURED_LIT, COLOUR_FLOOR = 1.8, 0.45, 0.1
ITS_OWN, OWN_FLOOR = 0.25, 0.05  # share of what the mask gives under a light, and a little, that is still its own
#: Metal of which round about, within so many samples each way, more than this share looks like print is print, where
#: it is print for this part at least somewhere there.
NEAR_SAMPLES, MOSTLY_PRINT, IN_FULL = 7, 0.55, 0.75
NARROW_MM = 0.25  # over such a gap the blurred edges of both lands run together
DIP = 0.45  # there, what is darker than this share of both ends is board between two lands, not solder
#: Solder too steep to be lit joins what is metal on both sides over so little of the way, where it has so little, or so
#: much, of what the board gives under some light; a little is added to both.
STEEP_MM, UNLIKE_BOARD, BOARD_FLOOR = 0.16, (0.7, 1.4), 0.03


@dataclass(frozen=True)
class Corridors:
    """Neighbour pairs of a view: indices of both joints, gap between the lands, and corridor sides, all [pair]."""

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    gap_mm: NDArray[np.float64]
    width_mm: NDArray[np.float64]  # extent of the corridor across


def find_corridors(joints: Sequence[Joint]) -> Corridors:
    """Return all pairs of joints whose lands are close and have no third land between them."""
    return _corridors(tuple(joints))


@lru_cache(maxsize=KEPT)
def _corridors(joints: tuple[Joint, ...]) -> Corridors:
    center = np.array([(joint.x_mm, joint.y_mm) for joint in joints]).reshape(-1, 2)
    size = np.array([(joint.land_w_mm, joint.land_h_mm) for joint in joints]).reshape(-1, 2)
    delta = center[None, :, :] - center[:, None, :]
    distance = np.hypot(delta[..., 0], delta[..., 1])
    azimuth = np.arctan2(delta[..., 1], delta[..., 0])
    edge = edges_towards(joints, azimuth)  # from joint i towards joint k
    gap = distance - edge - edge.T
    first, second = np.nonzero(np.triu(gap < MAX_GAP_MM, 1) & (distance > 0))
    if len(first) == 0:
        empty = np.zeros(0)
        return Corridors(first, second, empty, empty)
    aside = edges_towards(joints, azimuth + np.pi / 2.0)
    width = 1.5 * np.minimum(aside[first, second], aside[second, first])
    keep = ~_crossed(center, np.minimum(size[:, 0], size[:, 1]) / 2.0, first, second)
    return Corridors(first[keep], second[keep], np.maximum(gap[first, second][keep], 0.0), width[keep])


def _crossed(center: NDArray[np.float64], radius: NDArray[np.float64], first: NDArray[np.int64],
             second: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say for which pairs another joint's land lies on the line between the two."""
    start, along = center[first], center[second] - center[first]
    length_sq = (along**2).sum(axis=1)
    relative = center[None] - start[:, None]
    place = (relative * along[:, None]).sum(axis=2) / length_sq[:, None]
    aside = np.hypot(*np.moveaxis(relative - place[..., None] * along[:, None], 2, 0))
    between = (place > 0.2) & (place < 0.8) & (aside < 0.9 * radius[None])
    return np.asarray(between.any(axis=1), dtype=np.bool_)


def bridge_widths(capture: Capture, joints: Sequence[Joint], corridors: Corridors, registration: Registration,
                  optics: Optics, mask_response: NDArray[np.float32],
                  printed: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """Return for each pair the narrowest width (mm) of metal that joins the lands, 0 for none.

    mask_response: [joint, light], what the bare board near each joint gives; printed: [light], what print does, if it
    is known.
    """
    if len(corridors.first) == 0:
        return np.zeros(0)
    mask = 0.5 * (mask_response[corridors.first] + mask_response[corridors.second])
    # What runs from land to land passes the middle of the gap. Most corridors show nothing there.
    middle = _sample_corridors(capture, joints, corridors, registration, slice(ALONG // 2, ALONG // 2 + 1))
    passed = is_metal(middle, mask, optics, printed).any(axis=(1, 2))
    some = np.flatnonzero(passed | ~_rows(corridors)[2][:, ALONG // 2])
    widths = np.zeros(len(corridors.first))
    if len(some):
        looked_at = Corridors(corridors.first[some], corridors.second[some], corridors.gap_mm[some],
                              corridors.width_mm[some])
        samples = _sample_corridors(capture, joints, looked_at, registration, slice(None))
        begins, stops = _ends(joints, looked_at)
        metal = is_metal(samples, mask[some], optics, printed)
        widths[some] = _widths(samples, metal, looked_at, optics, mask[some], begins, stops)
    return widths


def _rows(corridors: Corridors) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Say in which rows a path may begin, may end, and has a width, [pair, along] each.

    What lies over the lands themselves, or at a fillet's steep foot beside them, joins anything, and may be dark: only
    rows between have a width.
    """
    row_mm = (np.arange(ALONG) + 0.5) / ALONG * (corridors.gap_mm + 2.0 * OVERLAP_MM)[:, None]
    foot = OVERLAP_MM + np.minimum(FOOT_MM, FOOT_SHARE * corridors.gap_mm)[:, None]
    begins, stops = row_mm < foot, row_mm > corridors.gap_mm[:, None] + 2.0 * OVERLAP_MM - foot
    over_gap = ~(begins | stops)
    return begins, stops, over_gap | ~np.any(over_gap, axis=1, keepdims=True)


def _ends(joints: Sequence[Joint], corridors: Corridors) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Say at which samples a path may begin and may end, [pair, along, across] each: those near the land itself.

    Beside the middle of a corridor a round land's edge draws back, and a spike that ends there short of it joins
    nothing. Where the edge lies further back than the samples reach, the outermost of them stand for it.
    """
    begins, stops, _ = _rows(corridors)
    first, second = ([joints[one] for one in ends.tolist()] for ends in (corridors.first, corridors.second))
    line = np.array([(two.x_mm - one.x_mm, two.y_mm - one.y_mm) for one, two in zip(first, second, strict=True)])
    length = np.hypot(line[:, 0], line[:, 1])
    towards = np.arctan2(line[:, 1], line[:, 0])
    edge = edges_towards(first, towards[:, None])[:, 0]
    along = (edge - OVERLAP_MM)[:, None] + (corridors.gap_mm + 2.0 * OVERLAP_MM)[:, None] * (
        (np.arange(ALONG) + 0.5) / ALONG)
    across = corridors.width_mm[:, None] * ((np.arange(ACROSS) + 0.5) / ACROSS - 0.5)
    foot = np.minimum(FOOT_MM, FOOT_SHARE * corridors.gap_mm)[:, None, None]
    ends = []
    for lands, away, aside, turn, rows, outermost in (
            (first, along, across, towards, begins, 0),
            (second, length[:, None] - along, -across, towards + np.pi, stops, ALONG - 1)):
        asked = np.flatnonzero(rows.any(axis=0))  # few rows are so near to a land
        x, y = away[:, asked, None], aside[:, None, :]
        azimuth = (turn[:, None, None] + np.arctan2(y, x)).reshape(len(lands), -1)
        near = np.hypot(x, y) - edges_towards(lands, azimuth).reshape(len(lands), len(asked), ACROSS) < foot
        near |= (asked == outermost)[:, None]
        there = np.zeros((len(lands), ALONG, ACROSS), dtype=bool)
        there[:, asked] = near & rows[:, asked, None]
        ends.append(there)
    return ends[0], ends[1]


def _widths(samples: NDArray[np.float32], metal: NDArray[np.bool_], corridors: Corridors, optics: Optics,
            mask: NDArray[np.float32], begin: NDArray[np.bool_], stop: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the widths [pair] (mm) of metal, from the corridors' samples [pair, light, along, across].

    Paths may `begin` and `stop` at some of the samples, [pair, along, across].
    """
    narrow = np.flatnonzero(corridors.gap_mm < NARROW_MM)
    metal[narrow] &= ~_dips(samples[narrow], mask[narrow], optics)
    metal |= _steep_between(metal, samples, mask, corridors)
    step_mm = corridors.width_mm / ACROSS
    over_gap = _rows(corridors)[2]
    reach = _paths(metal, begin)
    # A second pass from the far end leaves only what belongs to a complete path.
    back = np.zeros_like(metal)
    through = np.flatnonzero((reach & stop).any(axis=(1, 2)))
    back[through] = _paths(reach[through, ::-1], stop[through, ::-1])[:, ::-1]
    count = back.sum(axis=2)
    whole = np.where(over_gap, count, ACROSS).min(axis=1) > 0
    columns = np.where(whole, np.where(over_gap, _steady(count), ACROSS).min(axis=1), 0)
    joined = np.flatnonzero(columns)
    seen = np.zeros(len(columns))
    if len(joined):
        flanked = _steady(_grown(samples[joined], mask[joined], optics, back[joined]))
        seen[joined] = np.where(over_gap[joined], flanked, ACROSS).min(axis=1)
    # Over a narrow gap, where edges run together, a single column is no more than a meeting of two edges.
    columns = np.where((corridors.gap_mm < NARROW_MM) & (columns < 2), 0, columns)
    # The flanks of a neck steeper than the lights reach look dark: the lit width of a half-round neck is
    # sin(steepest lit slope) of the whole. On a bright mask the flanks themselves are seen.
    lit = columns / np.sin(np.deg2rad(min(optics.max_slope_deg, 45.0)))
    return np.asarray(np.where(columns > 0, np.maximum(lit, seen), 0.0) * step_mm, dtype=np.float64)


def _steep_between(metal: NDArray[np.bool_], samples: NDArray[np.float32], mask: NDArray[np.float32],
                   corridors: Corridors) -> NDArray[np.bool_]:
    """Say which samples between metal, along the way, are no board but too dark or too bright for it, under some light.

    Where a bridge rises steeply out of a fillet it is dark, over little of its length; board between two spikes looks
    like the board. All arrays [pair, along, across], samples [pair, light, along, across].
    """
    between = np.zeros_like(metal)
    rows = np.floor(STEEP_MM / ((corridors.gap_mm + 2.0 * OVERLAP_MM) / ALONG)).astype(np.intp)
    asked = np.flatnonzero((rows >= 1) & (corridors.gap_mm >= NARROW_MM) & metal.any(axis=(1, 2)))
    for pair in asked.tolist():
        column = np.ones((int(rows[pair]) + 1, 1), dtype=np.uint8)
        closed = cv2.morphologyEx(metal[pair].view(np.uint8), cv2.MORPH_CLOSE, column, borderValue=0)
        ratio = (samples[pair] + np.float32(BOARD_FLOOR)) / (mask[pair, :, None, None] + np.float32(BOARD_FLOOR))
        no_board = ((ratio < np.float32(UNLIKE_BOARD[0])) | (ratio > np.float32(UNLIKE_BOARD[1]))).any(axis=0)
        between[pair] = closed.view(np.bool_) & ~metal[pair] & no_board
    return between


def _paths(metal: NDArray[np.bool_], begins: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the metal [pair, along, across] that is reached from where paths begin, of the same shape.

    From row to row two samples aside at most.
    """
    reach = metal & begins
    spread = np.ones((1, 5), dtype=np.uint8)
    for row in range(1, ALONG if len(metal) else 1):
        near = cv2.dilate(reach[:, row - 1].view(np.uint8), spread).view(np.bool_)
        reach[:, row] |= near & metal[:, row]
    return reach


def _steady(count: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the largest of each row and its two neighbours each way, [pair, along]: single rows are lost in noise."""
    padded = np.pad(count, ((0, 0), (2, 2)), mode="edge")
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 5, axis=1).max(axis=2), dtype=np.int64)


def _grown(samples: NDArray[np.float32], mask: NDArray[np.float32], optics: Optics,
           core: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return how many samples of each row [pair, along] differ from the mask and adjoin a bridge's lit core."""
    weight = optics.white[None, :, None, None] / np.float32(optics.lit_energy)
    differs = (np.abs(samples - mask[:, :, None, None]) * weight).max(axis=1) > UNLIKE_MASK
    grown = core.copy()
    for _ in range(FLANK_STEPS):
        wider = grown.copy()
        wider[:, :, 1:] |= grown[:, :, :-1]
        wider[:, :, :-1] |= grown[:, :, 1:]
        grown |= wider & differs
    return np.asarray(grown.sum(axis=2), dtype=np.int64)


def joined_azimuths(joints: Sequence[Joint], corridors: Corridors, widths: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say in which directions solder leads from a joint to a neighbour, [joint, azimuth].

    As wide as the bridge and a third of a radian more, seen from the hole's centre at the land's edge.
    """
    joined = np.zeros((len(joints), AZIMUTHS), dtype=bool)
    azimuth = azimuths_rad()
    for first, second, width in zip(corridors.first.tolist(), corridors.second.tolist(), widths.tolist(), strict=True):
        if width <= 0.0:
            continue
        for here, there in ((first, second), (second, first)):
            one, other = joints[here], joints[there]
            direction = np.arctan2(other.y_mm - one.y_mm, other.x_mm - one.x_mm)
            off = np.abs((azimuth - direction + np.pi) % (2.0 * np.pi) - np.pi)
            joined[here] |= off < width / min(one.land_w_mm, one.land_h_mm) + 0.35
    return joined


def in_bridges(places_mm: NDArray[np.float64], joints: Sequence[Joint], corridors: Corridors,
               widths: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which points (n, 2) on the board lie between two joined lands, no further aside than a bridge's flank."""
    found = widths > 0.0
    center = np.array([(joint.x_mm, joint.y_mm) for joint in joints])
    start, line = center[corridors.first[found]], (center[corridors.second] - center[corridors.first])[found]
    length = np.maximum(np.hypot(line[:, 0], line[:, 1]), 1e-9)
    relative = places_mm[:, None] - start[None]
    along = (relative * line[None]).sum(axis=2) / length**2
    aside = np.abs(relative[..., 0] * line[:, 1] - relative[..., 1] * line[:, 0]) / length
    inside = (along > 0.0) & (along < 1.0) & (aside < 0.5 * widths[found] + 0.12)
    return np.asarray(inside.any(axis=1), dtype=np.bool_)


def is_metal(samples: NDArray[np.float32], mask: NDArray[np.float32], optics: Optics,
             printed: NDArray[np.float64] | None = None) -> NDArray[np.bool_]:
    """Say which samples [n, light, ...] are bare metal and not solder mask or print, given the mask [n, light].

    Metal mirrors some light well above the mask. On a light mask it may not, but it has another colour: of what the
    mask gives under each light it gives very unequal shares; not so a film of flux, which lets the mask through and
    mirrors a little of one light besides. White print is bright under all lights alike (a Lambertian
    surface has about the same response under each), metal seldom is; where it is known what print gives, `printed`
    [light], no other is looked for. Bare laminate, where the openings of the mask run together between near lands, is
    as matt and a good deal darker.
    """
    ones = (1,) * (samples.ndim - 2)
    limit = (1.25 * mask + 0.16 * optics.lit_energy / optics.white).astype(np.float32)
    share = (1.0 / (mask + COLOUR_FLOOR)).astype(np.float32)
    low = high = samples[:, 0]
    metal = low > limit[:, 0].reshape(-1, *ones)
    least = most = (low + np.float32(COLOUR_FLOOR)) * share[:, 0].reshape(-1, *ones)
    energy = np.maximum(low, np.float32(0.0)) * optics.white[0]
    own = (np.float32(ITS_OWN) * mask + np.float32(OWN_FLOOR)).astype(np.float32)
    unlike = (np.abs(low - mask[:, 0].reshape(-1, *ones)) > own[:, 0].reshape(-1, *ones)).astype(np.uint8)
    for light in range(1, samples.shape[1]):
        plane = samples[:, light]
        unlike += np.abs(plane - mask[:, light].reshape(-1, *ones)) > own[:, light].reshape(-1, *ones)
        metal |= plane > limit[:, light].reshape(-1, *ones)
        low, high = np.minimum(low, plane), np.maximum(high, plane)
        ratio = (plane + np.float32(COLOUR_FLOOR)) * share[:, light].reshape(-1, *ones)
        least, most = np.minimum(least, ratio), np.maximum(most, ratio)
        energy += np.maximum(plane, np.float32(0.0)) * optics.white[light]
    metal |= ((most > np.float32(COLOURED) * least) & (unlike > 1)
              & (energy > np.float32(COLOURED_LIT * optics.lit_energy)))
    matt = (low > np.float32(LAMINATE[0])) & (high < np.float32(LAMINATE[1]))
    if printed is None:
        matt |= (low > np.float32(PRINT[0])) & (high < np.float32(PRINT[1]))
    matt &= high < 2.0 * low
    metal &= ~matt
    if printed is not None:
        metal &= ~_mostly_print(metal, samples, mask, printed, optics.aside)
    return np.asarray(metal, dtype=np.bool_)


def _mostly_print(metal: NDArray[np.bool_], samples: NDArray[np.float32], mask: NDArray[np.float32],
                  printed: NDArray[np.float64], aside: Sequence[int]) -> NDArray[np.bool_]:
    """Say of what seems metal where most of it round about looks like print: here and there solder does, too.

    Dull solder may look like print and board in parts, but near a stroke's brim there is print in full.
    """
    asked = np.nonzero(metal)
    part = np.zeros(metal.shape, dtype=np.float32)
    part[asked] = print_part(np.moveaxis(samples, 1, -1)[asked].T, mask[asked[0]].T, printed, aside)
    if part.max(initial=0.0) < IN_FULL:
        return np.zeros_like(metal)
    window = (min(NEAR_SAMPLES, metal.shape[-1]), min(NEAR_SAMPLES, int(np.prod(metal.shape[1:-1]))))
    most = cv2.dilate(part.reshape(-1, metal.shape[-1]), np.ones(window[::-1], dtype=np.uint8)).reshape(metal.shape)
    alike = (part > 0.0) & (most >= np.float32(IN_FULL))
    both = (cv2.blur(flags.reshape(-1, metal.shape[-1]).astype(np.float32), window) for flags in (alike, metal))
    share = next(both) / np.maximum(next(both), np.float32(1e-6))
    return np.asarray(metal & (share.reshape(metal.shape) > np.float32(MOSTLY_PRINT)), dtype=np.bool_)


def _dips(samples: NDArray[np.float32], mask: NDArray[np.float32], optics: Optics) -> NDArray[np.bool_]:
    """Say which samples [pair, along, across] of narrow corridors lie in a dip between two bright ends."""
    above = np.maximum(samples - mask[:, :, None, None], 0.0) * optics.white[None, :, None, None]
    bright = above.max(axis=1)
    ends = np.minimum(bright[:, : ALONG // 4].max(axis=1), bright[:, -(ALONG // 4):].max(axis=1))
    return np.asarray(bright < DIP * ends[:, None], dtype=np.bool_)


def _sample_corridors(capture: Capture, joints: Sequence[Joint], corridors: Corridors,
                      registration: Registration, part: slice) -> NDArray[np.float32]:
    """Return responses [pair, light, along, across] of all corridors, or of a part of their rows."""
    center = np.array([(joint.x_mm, joint.y_mm) for joint in joints])
    start, stop = center[corridors.first], center[corridors.second]
    line = stop - start
    length = np.hypot(line[:, 0], line[:, 1])
    unit = line / length[:, None]
    aside = np.stack([-unit[:, 1], unit[:, 0]], axis=1)
    azimuth = np.arctan2(unit[:, 1], unit[:, 0])
    first_edge = edges_towards([joints[first] for first in corridors.first.tolist()], azimuth[:, None])[:, 0]
    along = first_edge[:, None] - OVERLAP_MM + (corridors.gap_mm + 2 * OVERLAP_MM)[:, None] * (
        (np.arange(ALONG)[part] + 0.5) / ALONG)
    across = corridors.width_mm[:, None] * ((np.arange(ACROSS) + 0.5) / ACROSS - 0.5)
    matrix = registration.to_picture.matrix
    begin, forth, sideways = registration.to_picture.to_px(start) - 0.5, unit @ matrix.T, aside @ matrix.T
    maps = [(begin[:, axis, None] + along * forth[:, axis, None]).astype(np.float32)[:, :, None]
            + (across * sideways[:, axis, None]).astype(np.float32)[:, None, :] for axis in (0, 1)]
    return capture.sample(*maps).swapaxes(0, 1)
