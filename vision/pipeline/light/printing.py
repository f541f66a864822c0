"""What the print on the free board looks like: white as a rule, but yellow is made, too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.ranks import median, percentile
from vision.pipeline.view.capture import Capture

EVERY_PX = 4  # strokes of print are at least so wide in most pictures
WHITE = 0.4  # response of a white board, its lights' geometric mean
COARSER = 8  # of these samples every so manyth tells what the board itself is like
TOP, OF_TOP = 99.8, 0.75  # print is the brightest of the free board under its weakest light, and evenly bright
FEW, LEAST, EVEN = 40, 0.12, 0.25  # samples; response; scatter against itself
OVER_BOARD, OVER_ALL = 1.4, 2.0  # against the board's response under any light, for gloss mirrors one; and under all
#: A stroke's brim is board and print in parts. Samples are print where no light is further off such a mixture than
#: this much and this share of what print adds, and print adds so little or so much.
OFF, OFF_SHARE, PARTS = 0.08, 0.3, (0.1, 1.3)


@dataclass(frozen=True)
class BoardSamples:
    """Samples of a whole picture, EVERY_PX apart each way."""

    planes: tuple[NDArray[np.float32], ...]  # [row, column] of each light
    free: NDArray[np.bool_]  # [row, column] which of them are free board

    def of(self, places: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return the samples at some places, counted row by row, [light, place]."""
        return np.stack([plane.ravel().take(places) for plane in self.planes])

    @property
    def usual(self) -> NDArray[np.intp]:
        """Return places that tell what the free board itself is like."""
        return np.flatnonzero(self.free)[::COARSER]


def board_samples(capture: Capture, owners: NDArray[np.uint16]) -> BoardSamples:
    """Sample a picture for print_response and white_board; `owners` is what owner_map gives."""
    grid = (slice(EVERY_PX // 2, None, EVERY_PX), slice(EVERY_PX // 2, None, EVERY_PX))
    free = (owners[grid] == 0) & (capture.saturated[grid] == 0)
    return BoardSamples(tuple(np.ascontiguousarray(plane[grid]) for plane in capture.responses), free)


def print_response(samples: BoardSamples) -> NDArray[np.float64] | None:
    """Return what print gives under each light, [light]; None where the free board shows none.

    Print is bright and even, and brighter than most of the board under every light.
    """
    free, weakest = samples.free, reduce(np.minimum, samples.planes)
    least = np.float32(OF_TOP * percentile(weakest[free], TOP)) if np.count_nonzero(free) >= FEW else np.float32(np.inf)
    there = np.flatnonzero(free & (weakest >= least))
    if len(there) < FEW:
        return None
    bright = samples.of(there)
    low, colour, high = (percentile(bright, rank) for rank in (16.0, 50.0, 84.0))
    if not ((high - low <= 2.0 * EVEN * colour) & (colour >= LEAST)).all():
        return None
    against = colour / np.maximum(median(samples.of(samples.usual)), 1e-3)
    stands_out = (against >= OVER_BOARD).all() and np.exp(np.mean(np.log(against))) >= OVER_ALL
    return np.asarray(colour, dtype=np.float64) if stands_out else None


def white_board(samples: BoardSamples) -> NDArray[np.float64] | None:
    """Return what the free board gives under each light, [light]; None where it is not white, or nearly so."""
    usual = samples.of(samples.usual)
    if usual.shape[1] < FEW:
        return None
    middle = np.asarray(percentile(usual, 50.0), dtype=np.float64)
    if (middle < LEAST).any() or float(np.exp(np.mean(np.log(middle)))) < WHITE:
        return None
    low, high = (percentile(usual, rank) for rank in (16.0, 84.0))
    return middle if (high - low <= 2.0 * EVEN * middle).all() else None


def print_part(samples: NDArray[np.float32], mask: NDArray[np.float32], colour: NDArray[np.float64],
               aside: Sequence[int] = ()) -> NDArray[np.float32]:
    """Return how much of print there is where samples [light, sample] look like it or its brim on the mask, else 0.

    `mask` is what the board beside gives, [light, sample] or [light, 1], and `colour` what print does, [light].
    `aside` are the lights that shine from one side only: what stands beside the print may shade it from one of them.
    """
    more = np.broadcast_to(colour.astype(np.float32)[:, None] - mask, samples.shape)
    above = samples - mask
    part, off = _of_print(above, more, np.ones_like(more))
    like: NDArray[np.bool_] = np.logical_not(off.any(axis=0))
    if len(aside) > 1:
        some = np.flatnonzero(~like)
        above, more = above[:, some], more[:, some]
        answers = above / np.maximum(more, np.float32(1e-6))
        dimmest = np.asarray(aside)[answers[list(aside)].argmin(axis=0)]
        counts = (np.arange(len(more))[:, None] != dimmest).astype(np.float32)
        shaded, off = _of_print(above, more, counts)
        dimmer = np.take_along_axis(answers, dimmest[None], axis=0)[0] < shaded
        like[some] = dimmer & ~(off & (counts > 0.0)).any(axis=0)
        part[some] = shaded
    return np.asarray(part * (like & (part > PARTS[0]) & (part < PARTS[1])), dtype=np.float32)


def _of_print(above: NDArray[np.float32], more: NDArray[np.float32],
              counts: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return the part of print [sample] that best makes what is `above` the mask, and which lights are off.

    `more` is what print adds to the mask, `counts` by how much each light counts; all [light, sample].
    """
    part = (counts * more * above).sum(axis=0) / np.maximum((counts * more * more).sum(axis=0), np.float32(1e-6))
    mixed = part * more
    return part, np.abs(above - mixed) > np.float32(OFF) + np.float32(OFF_SHARE) * np.abs(mixed)
