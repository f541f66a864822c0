"""What looks like flat bare land, of responses that are written down."""

from __future__ import annotations

import numpy as np
import pytest

from vision.pipeline.light.surface import LIKE_FIDUCIAL, like_land

LAND = np.array([2.7, 0.4, 0.08], dtype=np.float32)


@pytest.mark.parametrize(("factors", "is_land"), [
    ((1.0, 1.0, 1.0), True), ((1.2, 1.1, 1.0), True), ((0.75, 1.0, 1.0), True), ((1.0, 1.38, 1.3), True),
    ((1.4, 0.8, 0.9), False), ((0.65, 1.0, 1.0), False), ((1.0, 2.0, 1.0), False)])
def test_land_gives_less_of_its_strongest_light_than_a_flat_toe(factors: tuple[float, ...], is_land: bool) -> None:
    """Solder that is nearly flat mirrors the light next to the lens as land does, and more of it."""
    planes = (LAND * np.array(factors, dtype=np.float32))[:, None]
    assert bool(like_land(planes, LAND, LIKE_FIDUCIAL)[0]) is is_land
