"""Know an open hole by a dark spot in the midst of solder, where a lead's end would have to be.

A ring of solder round a small hole has a dark rim and something brighter on both sides of it, as a lead's end has.
But the end itself would have to be dark as a hole in one part and bright beside it. A dark end is dark all over.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.signs import grows

SPOT_MM = 0.26  # side of the square that is dark throughout
NEAR = 0.45  # of it: its middle lies at least so far within the lead's outline
#: Between these each sign grows from none to full: how dark the spot is, and how bright the brighter quarter of the
#: end, both of lit solder's energy.
DARK, LIT = (0.18, 0.12), (0.35, 0.5)
BRIGHTER = 75.0  # percentile


def pierced(energy: NDArray[np.float32], inside: NDArray[np.bool_], deep: NDArray[np.bool_],
            step_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Say how surely a hole is open where the lead's end was found, 0 to 1 [joint].

    energy: [joint, row, column], the found end in each grid's middle; `inside` are the samples of the end, `deep`
    those round which the spot lies within it; step_mm: [joint], distance of neighbouring samples.
    """
    darkest, brighter = np.ones(len(energy)), np.zeros(len(energy))
    dark = np.count_nonzero((energy < np.float32(DARK[0])) & inside, axis=(1, 2)) * step_mm**2
    for joint in np.flatnonzero((dark > 0.5 * SPOT_MM**2) & deep.any(axis=(1, 2))).tolist():
        side = max(3, round(SPOT_MM / step_mm[joint]) | 1)
        darkest[joint] = cv2.blur(energy[joint], (side, side))[deep[joint]].min()
        brighter[joint] = np.percentile(energy[joint][inside[joint]], BRIGHTER)
    return grows(darkest, DARK) * grows(brighter, LIT)
