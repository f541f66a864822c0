"""Where a fillet ends, on surfaces that are written down."""

from __future__ import annotations

import numpy as np

from tests.pipeline.test_gaps import patches, surface
from vision.pipeline.thin import thins_out
from vision.pipeline.unwrap import AZIMUTHS, HOLE_STEPS, RING_STEPS


def test_solder_that_flattens_outward_thins_out_but_not_behind_something_steep() -> None:
    """The same gentle fall of the lights' mean slope, by 2 degrees towards the land's edge, on three joints.

    On the first it follows a fillet that is lit all the way, so it is solder that has become nearly flat. On the second
    it begins behind solder too steep to be lit: a ball's brim, and land that lies partly in its shade. On the third
    nothing falls at all: bare land.
    """
    places = patches()
    toe = 14
    ring = np.clip((np.arange(RING_STEPS) - toe) / (RING_STEPS - toe), 0.0, 1.0)
    slope = np.full(places.radius_mm.shape, 25.0, dtype=np.float32)
    energy = np.ones(places.radius_mm.shape, dtype=np.float32)
    beyond = slice(HOLE_STEPS + toe, HOLE_STEPS + RING_STEPS)
    slope[:, :, beyond] = 11.0 - 2.0 * ring[toe:]
    slope[2, :, beyond] = 10.0
    energy[1, :, HOLE_STEPS + 6:HOLE_STEPS + toe] = 0.3
    ends = np.full((len(slope), AZIMUTHS), toe)
    found = thins_out(places, surface(slope, energy), ends)
    assert found[0] and not found[1] and not found[2]
