"""Margins of bare land narrower than a few samples, on profiles of known make-up that are blurred as by a lens."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from tests.pipeline import drawn
from tests.pipeline.fillets.test_gaps import patches, surface
from vision.pipeline.arrays.radial import by_radius
from vision.pipeline.fillets.margins import bare_margins
from vision.pipeline.light.optics import optics_of, predict

BOARD = np.array([0.1, 0.08, 0.09])
FINE_MM, BLUR_MM = 0.001, 0.016
SLOPES = np.arange(0.0, 61.0)
TABLE = predict(drawn.LIGHTS, SLOPES, 0.14)


def solder(slope_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Response [place, light] of solder of these slopes."""
    return np.stack([np.interp(slope_deg, SLOPES, TABLE[:, light]) for light in range(len(drawn.LIGHTS))], axis=1)


@pytest.mark.parametrize("toe_deg", [12.0, 18.0, 25.0])
@pytest.mark.parametrize("margin_mm", [0.0, 0.015, 0.03, 0.045])
def test_width_of_a_bare_margin(margin_mm: float, toe_deg: float) -> None:
    """A fillet that ends with a contact angle so far inside the land's edge; every sample's light adds up by area.

    Wider margins show as bare samples and are counted as such. Within 0.012 mm, less than a pixel.
    """
    places, lights = patches(), drawn.LIGHTS
    count, azimuths = places.land_edge_mm.shape
    land = predict(lights, np.zeros(1), 0.14)[0]
    responses = np.empty(places.responses.shape, dtype=np.float32)
    for joint in range(count):
        for ray in range(azimuths):
            edge = float(places.land_edge_mm[joint, ray])
            radius = np.arange(0.2, edge + 0.5, FINE_MM)
            toe = edge - margin_mm
            slope = toe_deg + 40.0 * np.maximum(toe - radius, 0.0)
            course = np.where((radius < toe)[:, None], solder(slope), np.where((radius < edge)[:, None], land, BOARD))
            soft = gaussian_filter1d(course, BLUR_MM / FINE_MM, axis=0, mode="nearest")
            for light in range(len(lights)):
                responses[joint, light, ray] = np.interp(places.radius_mm[joint, ray], radius, soft[:, light])
            if ray == 0 and bool(np.ptp(places.land_edge_mm[joint]) < 1e-6):
                responses[joint] = responses[joint][:, :1]  # a round land is the same all round
                break
    shown = replace(places, responses=by_radius(responses))
    flat = np.zeros(places.radius_mm.shape, dtype=np.float32)
    seen = replace(surface(flat, flat + 1.0), lands_response=land[None].astype(np.float32),
                   mask_response=np.tile(BOARD, (count, 1)).astype(np.float32))
    inside, beyond = bare_margins(shown, seen, np.ones((count, azimuths), dtype=bool), optics_of(drawn.station()))
    around = places.land_edge_mm.mean(axis=1) * 2.0 * np.pi
    assert (inside + beyond) / around == pytest.approx(np.full(count, margin_mm), abs=0.012)

