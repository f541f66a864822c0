"""Look closely at where solder seems to end on its land: whether it ends there at all, and where exactly.

Solder that thins out towards the land's edge is nearly as flat as bare land.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import of_some, radius_first, running_sum, taken
from vision.pipeline.light.optics import FAINT
from vision.pipeline.light.surface import Surface
from vision.pipeline.view.unwrap import AZIMUTHS, EDGE_STEPS, RING, RING_STEPS, JointPatches

INNER_STEPS = 5  # solder must reach this far onto the ring to count as running onto the land
BLUR_MM = 0.045  # at toe and land edge so much of the land shows what lies beyond
START_STEPS = 4  # ring samples just inside what looks bare
GAP_STEPS = 8  # ring samples: a fillet reaches further onto the land
FLATTENING_DEG = 0.3  # of the lights' mean slope, over what looks bare; a flat land stays within half of it
ENOUGH = AZIMUTHS // 18  # azimuths that show a course across a toe
NEAR_STEPS, NEAR_PX = 3, 1.5  # within this of a toe solder and land mix
#: Natural logarithm by which some light changes across a toe at least, and where there can be no doubt that it is one.
STEP, SHARP_STEP = 0.9, 1.6
#: Where no light changes by so much no toe is seen; then it is enough that some light answers by so much otherwise.
NO_STEP, A_LITTLE_UNLIKE = 0.6, 0.08
UNLIKE_LAND = 0.12  # natural logarithm by which some light answers otherwise than on flat land
#: And by which it does so whatever else is seen, if all lights together differ by so much of what land gives: a light
#: that land hardly sends back changes by much where little else does.
CLEARLY_UNLIKE, UNLIKE_SHARE = 0.33, 0.3
LEVEL_DEG = 0.2  # a flat land's mean slope stays within this over three samples, by the median over azimuths
#: A toe is a smooth line, where its place is known to so much from azimuth to azimuth; where thin solder begins to look
#: bare hangs on its grain. Single azimuths count for so much at most.
RAGGED_MM, RAGGED_PX, RAGGED_MOST_MM = 0.024, 1.0, 0.3
UNEVEN = 1.4  # times the scatter of neighbouring pixels on the fiducials
#: A shelf: what lies beyond a drop of radiance stays level over so many samples, within this share and so many degrees.
SHELF_STEPS, SHELF_SHARE, SHELF_DEG = 4, 0.04, 0.5
SHELF_DROP = (3, 10, 1.25)  # the drop begins and ends so many samples before, and falls by this factor at least
#: On a shelf every light answers as flat land does within this natural logarithm, on so many of all bare azimuths.
SHELF_LIKE, SHELF_MOST = 0.25, 0.5
SOFT_STEPS = 2  # so many more samples answer as nothing at all where the edge of a land is soft
LAND_STOP = RING_STEPS - EDGE_STEPS
LEAST = np.float32(1e-3)  # of a response whose logarithm is taken


@dataclass(frozen=True)
class Toes:
    """Where solder ends on the land, counted in samples of the ring; RING_STEPS for an end at the land's edge."""

    bare_from: NDArray[np.int64]  # [joint, azimuth] from here on the land looks bare
    ends: NDArray[np.int64]  # [joint, azimuth] the same without what is solder that thins out
    back: NDArray[np.float32]  # [joint, azimuth] so many samples further in than `ends` the toe lies, 0 at the edge


def find_toes(patches: JointPatches, surface: Surface, bare_from: NDArray[np.int64]) -> Toes:
    """Look at what seems bare land from `bare_from` [joint, azimuth] on."""
    thins = thins_out(patches, surface, bare_from)
    back = np.zeros(bare_from.shape, dtype=np.float32)
    look = _Across.of(patches, bare_from, np.arange(len(bare_from)))
    if look is not None:
        change = look.change(look.wide)
        # At so sharp an end solder ends, however the slopes of what follows run.
        thins[look.joint] &= ~(change >= SHARP_STEP)
        # Where nothing ends at what seems the toe, and what follows is wide enough to be seen not to be land, the
        # solder runs on.
        rows = np.flatnonzero(~(change >= STEP) & (np.count_nonzero(look.wide, axis=1) >= ENOUGH))
        level = look.of_some(rows)
        thins[level.joint] |= _is_no_land(surface, level, change[rows])
        doubted = look.of_some(np.flatnonzero(thins[look.joint]))
        thins[doubted.joint] = ~_is_shelf(surface, doubted)
        clear = np.flatnonzero((look.change(look.usable) >= STEP) & ~thins[look.joint])
        if len(clear):
            closer = look.of_some(clear)
            back[closer.joint] = np.where(closer.usable, closer.back(), np.float32(0.0))
    return Toes(bare_from, np.where(thins[:, None], RING_STEPS, bare_from), back)


@dataclass(frozen=True)
class _Across:
    """What is seen across the toes of the joints that show enough of them; arrays [joint, azimuth] unless stated."""

    joint: NDArray[np.intp]  # [joint] their numbers
    usable: NDArray[np.bool_]
    end: NDArray[np.int64]
    near: NDArray[np.int64]  # samples within which solder and land mix
    rings: tuple[NDArray[np.float32], ...]  # [light] of all joints' responses [joint, azimuth, ring]
    steps: NDArray[np.float32]  # [light, joint, azimuth] how much every light changes, natural logarithm
    ragged: NDArray[np.bool_]  # [joint] what seems the toe is no smooth line

    @property
    def wide(self) -> NDArray[np.bool_]:
        """Say where what seems bare is wide enough to be looked at by itself."""
        return np.asarray(self.usable & (self.end + self.near + 6 <= LAND_STOP), dtype=np.bool_)

    def change(self, where: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Return how much some light changes at the toe at most, natural logarithm [joint]; NaN where nothing shows.

        Where no light changes by STEP nothing ends there.
        """
        most: NDArray[np.float64] = np.max([np.abs(median_where(step, where)) for step in self.steps], axis=0)
        return most

    @classmethod
    def of(cls, patches: JointPatches, bare_from: NDArray[np.int64], asked: NDArray[np.intp]) -> _Across | None:
        """Look at the joints `asked`; None where none of them shows enough."""
        if len(asked) == 0:
            return None
        step_mm = patches.ring_step_mm[asked]
        near = np.maximum(np.rint(np.float32(NEAR_PX * patches.px_mm) / step_mm).astype(np.int64), NEAR_STEPS)
        end = bare_from[asked]
        usable = (end >= near + INNER_STEPS) & (end + near + 2 <= LAND_STOP)
        some = np.flatnonzero(np.count_nonzero(usable, axis=1) >= ENOUGH)
        if len(some) == 0:
            return None
        joint, usable, end, near = asked[some], usable[some], end[some], near[some]
        rings = tuple(patches.responses.swapaxes(0, 1)[..., RING])
        inside, outside = ([np.maximum(found.mean(axis=0), LEAST) for found in _answers(rings, joint, start, 3)]
                           for start in (end - near - 3, _on_land(end + near, end)))
        ragged = _is_ragged(end, step_mm[some], max(RAGGED_MM, RAGGED_PX * patches.px_mm))
        steps = np.stack([np.log(one / other) for one, other in zip(inside, outside, strict=True)])
        return cls(joint, usable, end, near, rings, steps, ragged)

    def of_some(self, rows: NDArray[np.intp]) -> _Across:
        """Return the same of some of its joints."""
        return _Across(self.joint[rows], self.usable[rows], self.end[rows], self.near[rows], self.rings,
                       self.steps[:, rows], self.ragged[rows])

    def back(self) -> NDArray[np.float32]:
        """Return how many samples further in than `end` the light is half way between solder's and land's.

        Land is told from solder only where hardly any of its light is left, while blur spreads the toe both ways.
        """
        first, count = self.end - self.near - 4, 2 * int(self.near.max()) + 6
        course = np.stack([found.transpose(1, 2, 0) for found in _answers(self.rings, self.joint, first, count)])
        inside, outside = (np.stack([found.mean(axis=0) for found in _answers(self.rings, self.joint, start, 3)])
                           for start in (first, _on_land(self.end + self.near - 1, self.end)))
        change = inside - outside
        share = ((course - outside[..., None]) * change[..., None]).sum(axis=0)
        share /= np.maximum((change**2).sum(axis=0), np.float32(1e-6))[..., None]
        share[np.arange(count) >= (2 * self.near + 6)[:, :, None]] = 0.0
        # Past the last sample with more than half of it.
        past = np.clip(count - (share >= np.float32(0.5))[:, :, ::-1].argmax(axis=2), 1, count - 1)
        above, below = (taken(share, place) for place in (past - 1, past))
        part = np.clip((above - np.float32(0.5)) / np.maximum(above - below, np.float32(1e-3)), 0.0, 1.0)
        half_way = (first + past).astype(np.float32) - np.float32(0.5) + part
        return np.asarray(np.clip(self.end - half_way, 0.0, 5.0), dtype=np.float32)


def _is_ragged(end: NDArray[np.int64], step_mm: NDArray[np.float32], limit_mm: float) -> NDArray[np.bool_]:
    """Say for which joints the line of `end` [joint, azimuth] (ring samples) bends from azimuth to azimuth, [joint]."""
    place = end * step_mm
    here = (end >= INNER_STEPS) & (end < RING_STEPS)
    before, after = np.roll(place, 1, axis=1), np.roll(place, -1, axis=1)
    known = here & np.roll(here, 1, axis=1) & np.roll(here, -1, axis=1)
    bend = np.minimum(np.abs(before - 2.0 * place + after), np.float32(RAGGED_MOST_MM)) * known
    count = np.count_nonzero(known, axis=1)
    return np.asarray((count >= ENOUGH) & (bend.sum(axis=1) > limit_mm * count), dtype=np.bool_)


def _is_no_land(surface: Surface, look: _Across, change: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say for which joints looked at what seems bare answers otherwise than flat land does, [joint].

    Land is flat, as even as the fiducials are, and answers as they do. Solder that thins out goes on flattening, is
    grained, or begins to look bare along a ragged line, and answers a little differently; and there is no toe at all
    where light changes little, by `change` [joint], from what is solder to what seems land. What lies behind solder too
    steep to be lit is land, perhaps in its shade. Only joints are asked where ENOUGH azimuths are `wide`.
    """
    if len(look.joint) == 0:
        return np.zeros(0, dtype=bool)
    after = look.end + look.near
    wide = look.wide
    near, far = (_shown((surface.moment_deg[:, :, RING],), look.joint, start, 3)[0].mean(axis=0)
                 for start in (after, after + 3))
    runs_on = median_where(near - far, wide)
    enough = ~_behind_steep(surface.dark, look.end, look.usable, look.joint)
    found = enough & ((np.abs(runs_on) > LEVEL_DEG) | look.ragged)
    lands = surface.lands_response
    if lands is None:
        return np.asarray(found, dtype=np.bool_)
    flat = np.maximum(lands[look.joint if len(lands) > 1 else np.zeros_like(look.joint)], np.float32(0.0))
    unlike, scatter, off = [], [], np.zeros(len(look.joint))
    answers = _answers(look.rings, look.joint, after, 5)
    for beyond, expected in zip(answers, (flat + np.float32(FAINT)).T, strict=True):
        mean = np.maximum(beyond.mean(axis=0), LEAST)
        unlike.append(np.abs(median_where(np.log(mean / expected[:, None]), wide)))
        off += np.abs(median_where(mean - expected[:, None], wide))
        scatter.append(median_where(beyond.std(axis=0) / mean, wide))
    if surface.land_scatter is not None:
        found |= enough & (np.mean(scatter, axis=0) > UNEVEN * surface.land_scatter)
    most = np.max(unlike, axis=0)
    clearly = enough & (most > CLEARLY_UNLIKE) & (off > UNLIKE_SHARE * flat.sum(axis=1))
    gap = np.count_nonzero(look.end < GAP_STEPS, axis=1) >= ENOUGH
    toeless = enough & ~gap & (change < NO_STEP) & (most > A_LITTLE_UNLIKE)
    return np.asarray((found & (most > UNLIKE_LAND)) | clearly | toeless, dtype=np.bool_)


def _is_shelf(surface: Surface, look: _Across) -> NDArray[np.bool_]:
    """Say for which joints looked at radiance drops to what flat bare land gives and stays there, [joint].

    Bare land is dimmer than lit solder, and even: past the toe, however blurred, its radiance stays level. Solder that
    thins out fades step by step up to the land's edge.
    """
    lands = surface.lands_response
    if lands is None or len(look.joint) == 0:
        return np.zeros(len(look.joint), dtype=bool)
    begins, ends, factor = SHELF_DROP
    radiance, moment = (radius_first(part[:, :, RING]) for part in (surface.radiance, surface.moment_deg))
    rings = [radius_first(ring) for ring in look.rings]
    flat = np.maximum(lands[look.joint if len(lands) > 1 else np.zeros_like(look.joint)], np.float32(0.0))
    near, stop = radiance[:, look.joint], LAND_STOP - SHELF_STEPS + 1
    # Of all runs of so many samples along a ray at once, [start, joint, azimuth], few are level behind a drop.
    run = [near[ends + step:stop + step] for step in range(SHELF_STEPS)]
    mean = reduce(np.add, run) / np.float32(SHELF_STEPS)
    level = reduce(np.maximum, run) - reduce(np.minimum, run) < np.float32(SHELF_SHARE) * mean
    level &= reduce(np.maximum, [near[ends - step:stop - step] for step in range(begins, ends + 1)]
                    ) > np.float32(factor) * mean
    level &= np.arange(ends, stop)[:, None, None] >= look.end
    start, row, azimuth = np.nonzero(level)
    place, joint = start + ends + np.arange(SHELF_STEPS)[:, None], look.joint[row]
    like = np.ptp(moment[place, joint, azimuth], axis=0) < np.float32(SHELF_DEG)
    for ring, land in zip(rings, flat.T, strict=True):
        answer = ring[place, joint, azimuth].mean(axis=0)
        off = np.log((np.maximum(answer, LEAST) + FAINT) / (land[row] + FAINT))
        like &= np.abs(off) < np.float32(SHELF_LIKE)
    shelf = np.zeros(look.usable.shape, dtype=bool)
    shelf[row[like], azimuth[like]] = True
    bare = look.end < LAND_STOP
    count = np.count_nonzero(bare, axis=1)
    enough = np.count_nonzero(shelf & bare, axis=1) >= SHELF_MOST * count
    return np.asarray(enough & (count >= 2 * ENOUGH), dtype=np.bool_)


def _on_land(first: NDArray[np.int64], end: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the first of three samples that lie on the land, from `end` on, even where its edge is soft."""
    return np.maximum(np.minimum(first, LAND_STOP - 3 - SOFT_STEPS), end)


def _shown(tables: Sequence[NDArray[np.float32]], joint: NDArray[np.intp], first: NDArray[np.int64],
           count: int) -> list[NDArray[np.float32]]:
    """Return so many ring samples of some joints from the first on, [sample, joint, azimuth] of each table."""
    place = np.clip(first + np.arange(count)[:, None, None], 0, RING_STEPS - 1)
    place *= len(tables[0]) * AZIMUTHS
    place += joint[:, None] * AZIMUTHS + np.arange(AZIMUTHS)
    return [radius_first(table).reshape(-1).take(place) for table in tables]


def _answers(rings: Sequence[NDArray[np.float32]], joint: NDArray[np.intp], first: NDArray[np.int64],
             count: int) -> list[NDArray[np.float32]]:
    """Return what _shown does of every light's responses, plus FAINT."""
    return [found + np.float32(FAINT) for found in _shown(rings, joint, first, count)]


def thins_out(patches: JointPatches, surface: Surface, ends: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say for which joints what looks bare beyond the fillet is solder that thins out, [joint].

    Bare land is flat: the lights answer alike from its inner to its outer edge. Solder that wets at a small angle
    is nearly as flat, but flattens outward. Compared are the inner and the outer third of what looks bare; the
    median over all such azimuths, those of gaps too, is far less noisy than a single ray. Solder goes on flattening
    in the outer two thirds, where the blur of a toe has died away. Where the solder is too
    steep to be lit just inside, it ends there: land beside a ball or a steep fillet lies partly in its shade.
    """
    step_mm = patches.ring_step_mm
    stop = RING_STEPS - np.maximum(np.ceil(BLUR_MM / step_mm).astype(np.int64), EDGE_STEPS + 1)
    start = ends + np.maximum(np.ceil(BLUR_MM / step_mm).astype(np.int64), 2)
    usable = stop - start >= 5
    enough = usable.sum(axis=1) >= AZIMUTHS // 12
    # Land that is bare from the hole on, over most of where it is bare at all, lies in a gap and not beyond a toe.
    enough &= 2 * np.count_nonzero(ends < GAP_STEPS, axis=1) < np.count_nonzero(ends < RING_STEPS, axis=1)
    some = np.flatnonzero(enough)
    if len(some) == 0:  # solder covers the land of most joints
        return np.asarray(enough, dtype=np.bool_)
    start, stop, usable, ends = start[some], stop[some], usable[some], ends[some]
    third = np.maximum((stop - start) // 3, 1)
    course = running_sum(of_some(surface.moment_deg[:, :, RING], some))

    def mean_between(low: NDArray[np.int64], high: NDArray[np.int64]) -> NDArray[np.float64]:
        low, high = np.clip(low, 0, RING_STEPS - 1), np.clip(high, 1, RING_STEPS)
        upper, lower = (taken(course, place) for place in (high, low))
        return np.asarray((upper - lower) / np.maximum(high - low, 1), dtype=np.float64)

    outer = mean_between(stop - third, stop)
    change, later = (median_where(mean_between(begin, begin + third) - outer, usable)
                     for begin in (start, start + third))
    flattens = (change > FLATTENING_DEG) & (later > 0.5 * FLATTENING_DEG)
    thins = (flattens | (change < -2.5 * FLATTENING_DEG)) & ~_behind_steep(
        surface.dark, ends, usable & (ends >= INNER_STEPS), some)
    enough[some] = thins
    return np.asarray(enough, dtype=np.bool_)


def _behind_steep(dark: NDArray[np.bool_], ends: NDArray[np.int64], where: NDArray[np.bool_],
                  joint: NDArray[np.intp] | None = None) -> NDArray[np.bool_]:
    """Say for which joints solder too steep to be lit lies just inside of `ends` on most azimuths `where`, [joint].

    `dark` is [joint, azimuth, radius], of all joints; the rest may be of the numbers `joint`.
    """
    ring = dark[:, :, RING]
    steep = where & np.logical_or.reduce([taken(ring, np.maximum(ends - 1 - step, 0), joint)
                                          for step in range(START_STEPS)])
    return np.asarray(2 * np.count_nonzero(steep, axis=1) > np.count_nonzero(where, axis=1), dtype=np.bool_)


def median_where(values: NDArray[np.floating[Any]], where: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the median [joint] of values [joint, ...] where some hold; NaN where none does."""
    flat = np.sort(np.where(where, values, values.dtype.type(np.inf)).reshape(len(values), -1), axis=1)
    count = np.count_nonzero(where.reshape(len(values), -1), axis=1)
    middle = np.clip(count // 2, 0, flat.shape[1] - 1)
    found = flat[np.arange(len(flat)), middle].astype(np.float64)
    return np.where(count > 0, found, np.nan)
