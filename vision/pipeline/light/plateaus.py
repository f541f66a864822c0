"""Bare lands that are duller than the fiducials: known by being even over a wide area under every light.

Heat and flux leave lands duller than the fiducials on the same board, which no solder wave has touched. A land is flat
all the same, so it answers every light evenly, far along and in all directions. Solder that is as bright somewhere
falls off to its toe, and what it gives under the lights that it hardly mirrors changes most.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import one_of, taken
from vision.pipeline.light.optics import FAINT, Optics
from vision.pipeline.view.unwrap import RING, RING_STEPS, JointPatches

EVERY = 3  # so many azimuths are looked at: one of so many
RUN_MM, RUN_PX, MOST_STEPS = 0.1, 3.0, 34  # a run along a ray is so long, and so many px, at most so many samples
#: Natural logarithms: so little any light changes over a run, and from one looked-at ray to the next; and so near all
#: samples of a plateau lie to their median, and the plateaus of one board to the largest.
EVEN, ALIKE = 0.15, 0.15
WIDE = 0.12  # share of a land's ring that the middles of such runs cover at least
#: Of a plateau so much at least lies on rays that are even over so much of what could be, or where the light that lands
#: give most of changes by this logarithm over a run further in: a flat toe of solder is even, too, but then the fillet
#: rises to its lead.
WHOLE, ALONG, BREAK = 0.3, 0.7, 1.2
ROUGHEST = 1.15  # the lights' mean slope on flat metal is at most so many times that on the roughest one known


def dull_land(responses: NDArray[np.float32], land: NDArray[np.float32], dark: NDArray[np.bool_],
              alike: NDArray[np.bool_], moment_deg: NDArray[np.float32], patches: JointPatches,
              optics: Optics) -> NDArray[np.float32] | None:
    """Return what flat bare land gives under each light [light] where it is duller than the fiducials; None unseen.

    `responses` [joint, light, azimuth, radius]; `land` [light] is what the fiducials give; what is `dark`, and what is
    `alike` to these, is [joint, azimuth, radius], as are the lights' mean slopes `moment_deg`. The widest plateau
    decides, and those of other joints that agree with it take part; where it is like the fiducials, lands are not
    duller. Duller metal gives less of the light that shines most nearly along the view, so solder films, which are
    shinier, are none; it gives most of it all the same, which a slope does not; and it is even up to the
    hole, or to where solder begins.
    """
    even = _even(responses, dark, moment_deg, patches, optics)
    half = _half_runs(patches)
    area = one_of(EVERY, patches.area_mm2[:, :, RING])
    known = even & one_of(EVERY, alike[:, :, RING])
    even &= ~known
    usual = float((area * known).sum(axis=(1, 2)).max())
    least = np.maximum(WIDE * area.sum(axis=(1, 2)), usual)
    strongest = int(land.argmax())
    sizes, plateaus = [], []
    for joint in np.flatnonzero((area * even).sum(axis=(1, 2)) >= least).tolist():
        values = responses[joint, :, ::EVERY, RING][:, even[joint]]
        middle = np.maximum(np.median(values, axis=1), np.float32(0.0))
        plateau = even[joint].copy()
        plateau[plateau] = _off(values, middle[:, None]) <= ALIKE
        by_ray = (area[joint] * plateau).sum(axis=1)
        size, ends = float(by_ray.sum()), _ends(responses[joint, strongest, ::EVERY, RING], plateau, half[joint])
        facing = np.exp(-ALIKE) * middle.max() <= middle[strongest] <= land[strongest]
        if size >= least[joint] and facing and by_ray[ends].sum() >= WHOLE * size:
            sizes.append(size)
            plateaus.append(middle)
    if not sizes:
        return None
    table, weight = np.stack(plateaus, axis=1), np.array(sizes)
    weight *= _off(table, table[:, [int(weight.argmax())]]) <= ALIKE
    return np.asarray(table @ weight / weight.sum(), dtype=np.float32)


def _off(values: NDArray[np.float32], usual: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return by how much (natural logarithm) values [light, n] are off the usual under any light, [n]."""
    ratio = (np.maximum(values, np.float32(0.0)) + np.float32(FAINT)) / (usual + np.float32(FAINT))
    return np.asarray(np.abs(np.log(ratio)).max(axis=0), dtype=np.float32)


def _ends(responses: NDArray[np.float32], plateau: NDArray[np.bool_], half: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Say on which rays a plateau [ray, ring] is even as far in as it can be, or ends at once there, [ray].

    `responses` [ray, ring] are a joint's under one light, `half` [ray] is the length of half a run.
    """
    level = _level(responses)
    first, last = (np.clip(end, 0, RING_STEPS - 1) for end in _run_ends(half))
    change = np.abs(np.take_along_axis(level, last, axis=1) - np.take_along_axis(level, first, axis=1))
    off = plateau.argmax(axis=1)[:, None] - np.arange(RING_STEPS)
    breaks = ((change > BREAK) & (off >= 0) & (off <= half[:, None] + 2)).any(axis=1)
    return np.asarray(breaks | (plateau.sum(axis=1) >= ALONG * np.maximum(RING_STEPS - 2 * half, 1)), dtype=np.bool_)


def _half_runs(patches: JointPatches) -> NDArray[np.intp]:
    """Return how many ring samples half a run is long, [joint, azimuth], of every EVERY-th azimuth."""
    ring_mm = (patches.land_edge_mm - patches.hole_mm[:, None])[:, ::EVERY]
    run = np.minimum(max(RUN_MM, RUN_PX * patches.px_mm) * RING_STEPS / ring_mm, MOST_STEPS)
    return np.asarray(np.ceil(0.5 * run), dtype=np.intp)


def _run_ends(half: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return where a run about each ring sample begins and ends, [..., ring], if half of it is so long [...]."""
    steps = np.arange(RING_STEPS)
    return steps - half[..., None], steps + half[..., None]


def _level(responses: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the logarithm of responses, which are never taken to be less than faint."""
    return np.asarray(np.log(np.maximum(responses, np.float32(0.0)) + np.float32(FAINT)), dtype=np.float32)


def _even(responses: NDArray[np.float32], dark: NDArray[np.bool_], moment_deg: NDArray[np.float32],
          patches: JointPatches, optics: Optics) -> NDArray[np.bool_]:
    """Say which ring samples of every EVERY-th azimuth lie in the middle of a run that is even under every light.

    [joint, azimuth, ring]. What is steeper than any flat metal reads is left out.
    """
    flat = optics.flats[:, 0]
    steepest = ROUGHEST * float((flat @ optics.slope_deg / flat.sum(axis=1)).max())
    even = ~one_of(EVERY, dark[:, :, RING])
    even &= one_of(EVERY, moment_deg[:, :, RING]) <= np.float32(steepest)
    half = _half_runs(patches)
    ends = _run_ends(half)
    even &= (ends[0] >= 0) & (ends[1] < RING_STEPS)
    first, last = (np.clip(end, 0, RING_STEPS - 1) for end in ends)
    for light in range(responses.shape[1]):
        level = _level(one_of(EVERY, responses[:, light, :, RING]))
        beside = np.abs(np.roll(level, 1, axis=1) - level) <= EVEN
        even &= beside & np.roll(beside, -1, axis=1)
        even &= np.abs(taken(level, last) - taken(level, first)) <= EVEN
    return np.asarray(even, dtype=np.bool_)
