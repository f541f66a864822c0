"""Balance a view's lights by its white print or mask, where no flat-field says how strong each light is.

Without flat-fields every light is taken to make a white surface equally bright (see capture). On stations whose lamps
are not set so, and where one has aged, every slope would be read as too near to the stronger lights' own. White print
scatters all lights alike, and most boards bear some or are white; solder must bear it out, for both may be coloured.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.ranks import percentile
from vision.pipeline.light.optics import (
    ROUGHNESS,
    SLOPES_DEG,
    Optics,
    light_moment,
    slope_from_moment,
)
from vision.pipeline.light.surface import solder_roughness
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.unwrap import RING, JointPatches
from vision.setup.station import Light, Station

FEW = 40  # samples
IN_BALANCE = 0.2  # natural logarithm of a light's strength: less may be the print's own tint and gloss
MOST = 1.6  # the same: five times as strong as the others is no lamp's setting
#: Solder bears print out where it says the same, by the cosine between both, and at least so much of it: what few
#: samples show is held back. Of many lights fewer agree so well by chance.
ALIKE, ALIKE_MANY, AS_MUCH = 0.8, 0.7, 0.35
MANY = 4  # lights
#: What solder says of the lights: of samples lit between these shares of the usual, where as much of what it mirrors is
#: light as this; so many rounds; and how firmly lights are held in balance that few samples show.
LIT, MIRRORS, ROUNDS, HELD = (0.5, 1.8), 0.75, 4, 0.005
SHOWN = 0.02  # of all samples, in which a light is the strongest: then solder shows it
FLATTEST_DEG, FROM_TOP_DEG = 5.0, 2.0  # flatter solder mirrors the lens, and steeper than so far from the top the board
LOOSE, LEAST_SCATTER = 1.5, 0.03  # what is off by more than so many times the usual scatter counts less


def light_gains(white: NDArray[np.float64] | None, patches: JointPatches, optics: Optics,
                station: Station) -> NDArray[np.float32] | None:
    """Return how strong every light is against their geometric mean, [light]; None where they are in balance.

    `white` is what print, or else a white board, gives under each light, None where neither was seen (printing). None
    also where flat-fields say it, where the lights are further apart than lamps are set, and where solder does not bear
    out what the white says.
    """
    if all(light.flat_field for light in station.lights) or white is None or len(patches.responses) == 0:
        return None
    by_white = np.log(white) - np.mean(np.log(white))
    if not IN_BALANCE < float(np.abs(by_white).max()) < MOST:
        return None
    strengths, known = strengths_by_solder(patches, optics, station.lights)
    # Of lights that no solder shows it says nothing.
    one, other = (part[known] - part[known].mean() for part in (by_white, np.log(strengths)))
    length, its = float(np.linalg.norm(one)), float(np.linalg.norm(other))
    alike = ALIKE_MANY if known.sum() >= MANY else ALIKE
    if known.sum() < 2 or its < AS_MUCH * length or float(one @ other) < alike * length * its:
        return None
    return np.asarray(np.exp(by_white), dtype=np.float32)


def balanced(capture: Capture, gains: NDArray[np.float32]) -> Capture:
    """Return a capture whose lights are made equally strong, given their strengths [light]."""
    factor = (1.0 / gains).astype(np.float32)
    together, light = [], 0
    for picture in capture.interleaved:
        count = 1 if picture.ndim == 2 else picture.shape[2]
        together.append(picture * (factor[light:light + count] if picture.ndim == 3 else factor[light]))
        light += count
    if len(together) == 1 and together[0].ndim == 3:
        return replace(capture, responses=np.moveaxis(together[0], 2, 0), interleaved=tuple(together))
    return replace(capture, responses=capture.responses * factor[:, None, None], interleaved=tuple(together))


def strengths_by_solder(patches: JointPatches, optics: Optics, lights: tuple[Light, ...]
                        ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return how strong lights are against their geometric mean by what solder mirrors, and which it shows, [light].

    As long as some light shines where it looks, solder mirrors as much light however steep it is. Weighted least
    squares for the factors that make it so, round by round, for slopes are told by balanced lights. Samples count less
    the more their brightness is off, and every light's samples together count alike.
    """
    some = patches.responses[:, :, ::6, RING.start:RING.stop:3]
    shares = np.moveaxis(some * optics.white[:, None, None], 1, 3)  # [joint, azimuth, radius, light]
    factor, known = np.ones(len(lights)), np.zeros(len(lights), dtype=bool)
    for _ in range(ROUNDS):
        energy = shares @ factor.astype(np.float32)
        usual = float(np.median(percentile(energy.reshape(len(energy), -1), 75.0)))
        now = (some * factor[:, None, None]).astype(np.float32)
        balanced_ring = (patches.responses * factor[:, None, None]).astype(np.float32)
        roughness = solder_roughness(balanced_ring, optics)
        slope = slope_from_moment(light_moment(now, optics)[0], optics, roughness)
        usual_class = int(np.abs(ROUGHNESS - float(np.median(roughness))).argmin())
        mirrored = np.interp(slope, SLOPES_DEG, optics.lit[usual_class])
        asked = (energy > LIT[0] * usual) & (energy < LIT[1] * usual) & (mirrored > MIRRORS)
        asked &= (slope > FLATTEST_DEG) & (slope < optics.max_slope_deg - FROM_TOP_DEG)
        if np.count_nonzero(asked) < FEW * len(lights):
            return np.ones(len(lights)), np.zeros(len(lights), dtype=bool)
        bright = shares[asked].astype(np.float64) / usual
        known = np.bincount((bright * factor).argmax(axis=1), minlength=len(lights)) >= SHOWN * len(bright)
        factor = _solved(bright, mirrored[asked], factor)
        factor /= np.exp(np.mean(np.log(factor)))
    return 1.0 / factor, known


def _solved(shares: NDArray[np.float64], mirrored: NDArray[np.float64],
            factor: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the factors [light] by which shares [sample, light] come nearest to what is mirrored [sample]."""
    strongest = (shares * factor).argmax(axis=1)
    number = np.bincount(strongest, minlength=len(factor))
    alike = 1.0 / np.maximum(number, SHOWN * len(shares))[strongest]
    for _ in range(ROUNDS):
        rest = shares @ factor - mirrored
        scatter = max(1.4826 * float(np.median(np.abs(rest))), LEAST_SCATTER)
        weight = alike / (1.0 + (rest / (LOOSE * scatter)) ** 2)
        weight /= weight.sum()
        weighted = shares * weight[:, None]
        factor = np.linalg.solve(weighted.T @ shares + HELD * np.eye(len(factor)), weighted.T @ mirrored + HELD)
        factor = np.clip(factor, np.exp(-MOST), np.exp(MOST))
    return factor
