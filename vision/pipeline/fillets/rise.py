"""Tell land that no fillet covers by what a fillet cannot lack: it rises towards the lead.

Between the lead, where it stands steep, and its toe a fillet passes through every slope in between. Land without one
is level from the hole's edge on, whether flat or domed, as tin levelled by hot air is; what lies low in the hole is no
fillet either. A fillet may become steep so near to its lead that no picture shows it; but then it is no level land.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import number, radius_first, radius_last
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.surface import Surface, smooth_azimuth
from vision.pipeline.view.unwrap import RING

RISEN_DEG, OF_STEEPEST = 20.0, 0.8  # a fillet is steeper somewhere, where the lights show as much
BESIDE_LEAD_MM = 0.03
LOOKED_AT = RING.start + 24  # samples outward; beyond, a domed land falls off to its edge
LIT_BESIDE, LIT_LAND = 0.3, 0.6  # so much of what is looked at, and of the land, is lit: the dark says nothing
LAND_STOP = RING.stop - 4
LIKE_LAND = 0.4  # share of a ray's ring that looks like flat bare land where all of it is bare


def without_rise(surface: Surface, leads: Leads, away: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Say at which azimuths what looks like bare land does not rise towards a lead that is seen, [joint, azimuth].

    The land is bare there up to its edge, though a domed one falls off and looks like solder there.
    `away` is what lead_distance gives from the hole's middle to the ring's end at least.
    """
    beside = (leads.nominal_radius_mm + BESIDE_LEAD_MM).astype(np.float32)[:, None, None]
    outside = radius_first(away[:, :, :LOOKED_AT] > beside)
    lit = ~radius_first(surface.dark[:, :, :LAND_STOP])
    seen = lit[:LOOKED_AT] & outside
    limit = np.minimum(np.float32(RISEN_DEG), np.float32(OF_STEEPEST) * surface.steepest_from_deg)
    steep = seen & (radius_first(surface.slope_deg[:, :, :LOOKED_AT]) >= limit)
    risen = (steep[1:] & steep[:-1]).any(axis=0)  # two samples side by side, for noise
    shown = number(radius_last(seen)) >= LIT_BESIDE * number(radius_last(outside))
    shown &= number(radius_last(lit[RING.start:])) >= LIT_LAND * (LAND_STOP - RING.start)
    shown &= number(surface.bare[:, :, RING]) >= LIKE_LAND * (RING.stop - RING.start)
    return smooth_azimuth(shown & ~risen & (leads.visible > 0.5)[:, None], 9)
