"""Sectors of bare land that no light tells from solder, on slopes that are written down, not rendered."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pipeline.fillets.test_gaps import patches
from vision.pipeline.arrays.radial import by_radius
from vision.pipeline.light.sectors import bare_sectors
from vision.pipeline.view.unwrap import AZIMUTHS, HOLE_STEPS, OUTSIDE, RING, RING_STEPS

PLACES = patches()
JOINT = 2


def seen(*gaps: tuple[int, int, int], within_deg: float = 6.0, toe_deg: float = 20.0,
         edge_rays: int = 0) -> NDArray[np.bool_]:
    """Bare samples [joint, azimuth, radius] of fillets from 50 degrees to the toe's angle.

    One joint has gaps (first azimuth, how many, first ring sample) of a slope; `edge_rays` azimuths lie between the gap
    and the fillet where the slope changes evenly.
    """
    steps = np.clip((np.arange(OUTSIDE.stop) - HOLE_STEPS) / RING_STEPS, 0.0, 1.0)
    slope = np.broadcast_to(50.0 - (50.0 - toe_deg) * steps, PLACES.radius_mm.shape).astype(np.float32)
    for first, count, inner in gaps:
        off = np.minimum((np.arange(AZIMUTHS) - first) % AZIMUTHS, (first + count - 1 - np.arange(AZIMUTHS)) % AZIMUTHS)
        inside = (np.arange(AZIMUTHS) - first) % AZIMUTHS < count
        share = np.where(inside, np.clip((off + 1) / (edge_rays + 1), 0.0, 1.0), 0.0)[:, None]
        flat = (1.0 - share) * slope[JOINT] + share * np.float32(within_deg)
        slope[JOINT] = np.where(np.arange(OUTSIDE.stop) >= RING.start + inner, flat, slope[JOINT])
    slope = by_radius(slope)
    return bare_sectors(slope, by_radius(np.zeros(slope.shape, dtype=bool)), PLACES)


@pytest.mark.parametrize(("first", "count"), [(20, 20), (60, 50), (150, 90), (10, 150)])
@pytest.mark.parametrize("within_deg", [0.0, 10.0])
def test_a_gap_is_bare_from_edge_to_edge(first: int, count: int, within_deg: float) -> None:
    found = seen((first, count, 6), within_deg=within_deg)
    truth = np.zeros(AZIMUTHS, dtype=bool)
    truth[(first + np.arange(count)) % AZIMUTHS] = True
    shown = found[JOINT, :, RING.start + 20]
    assert np.count_nonzero(shown ^ truth) <= 4
    assert not np.delete(found, JOINT, axis=0).any()
    assert not found[JOINT, :, :RING.start + 6].any()


def test_fillets_have_no_bare_sectors() -> None:
    for toe_deg in (3.0, 10.0, 16.0, 25.0):
        assert not seen(toe_deg=toe_deg).any()


def test_slopes_that_change_little_by_little_are_no_edge() -> None:
    """A lead off the middle leaves one side of a fillet long and flat."""
    assert not seen((20, 120, 0), edge_rays=50).any()
    assert seen((20, 120, 0), edge_rays=1).any()


def test_a_narrow_or_steep_or_small_place_is_no_gap() -> None:
    assert not seen((20, 8, 0)).any()
    assert not seen((20, 40, 0), within_deg=19.0).any()
    assert not seen((20, 40, RING_STEPS - 8)).any()


def test_beside_a_gap_a_land_is_not_as_flat() -> None:
    """Grain on a flat film begins and ends at once, too."""
    assert not seen((20, 40, 4), within_deg=0.0, toe_deg=2.0).any()
