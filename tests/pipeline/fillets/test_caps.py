"""Caps that end in a dark brim, on courses of slope from the hole's middle outward."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pipeline.fillets.test_gaps import patches, surface
from vision.pipeline.fillets.caps import EVERY, cap_ends
from vision.pipeline.view.unwrap import RING, RING_STEPS

PLACES = patches()
ENDS = 20  # ring samples to a cap's end
DARK = 6


def ends(within_deg: float = 36.0, beyond_deg: float = 20.0, dark: int = DARK, share: float = 1.0,
         to: int = ENDS) -> NDArray[np.int64]:
    """Where caps end that get steeper outward up to their dark brims, at this share of azimuths; a fillet elsewhere."""
    slope = np.empty(PLACES.radius_mm.shape, dtype=np.float32)
    slope[:] = np.linspace(40.0, 12.0, slope.shape[2], dtype=np.float32)
    energy = np.ones(slope.shape, dtype=np.float32)
    caps = slice(0, round(share * slope.shape[1]))
    end = RING.start + to
    slope[:, caps, :end] = np.linspace(3.0, within_deg, end - dark, dtype=np.float32)[
        np.minimum(np.arange(end), end - dark - 1)]
    slope[:, caps, end:] = beyond_deg
    energy[:, caps, end - dark:end] = 0.1
    return cap_ends(PLACES, surface(slope, energy))


@pytest.mark.parametrize("to", [4, ENDS, RING_STEPS - 14])
def test_land_lies_beyond_a_caps_brim_however_dull_it_is(to: int) -> None:
    assert (ends(to=to) == to).all()


def test_where_a_drop_lies_on_the_land_nothing_is_said_but_the_rest_tells_the_cap() -> None:
    found = ends(share=0.5)
    half = found.shape[1] // 2
    assert (found[:, :half] == ENDS).all()
    assert (found[:, half:] == RING_STEPS).all()


@pytest.mark.parametrize("other", [
    {"beyond_deg": 30.0},  # it goes on nearly as steep: a dark streak
    {"within_deg": 20.0},  # it comes into the dark flat: a fillet beside its lead
    {"dark": 2},  # grain
    {"share": 0.9 / EVERY * 0.5},  # a spike's flank
    {"to": RING_STEPS - 2}])  # the land's edge
def test_streaks_grain_and_fillets_end_in_no_brim(other: dict[str, float]) -> None:
    assert (ends(**other) == RING_STEPS).all()  # type: ignore[arg-type]
