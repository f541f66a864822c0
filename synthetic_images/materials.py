"""Optical constants of metals and resins per colour channel, and their reflectance.

Copper and gold: Johnson & Christy, Phys. Rev. B 6, 4370 (1972), linearly interpolated at the peak wavelengths of
common blue, green and red LEDs (465, 525, 630 nm). Tin: Golovashkin & Motulevich (1964, 293 K) begins at 730 nm; no
measured table was found for the visible, so solder is taken as near neutral at the published order of size.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Peak wavelengths in micrometres that stand for the channels.
WAVELENGTH_UM: dict[str, float] = {"red": 0.630, "green": 0.525, "blue": 0.465}

#: (wavelength um, n, k) rows.
COPPER = ((0.4509, 1.24, 2.397), (0.4714, 1.25, 2.483), (0.5209, 1.18, 2.608), (0.5486, 1.02, 2.577),
          (0.6168, 0.30, 3.205), (0.6595, 0.22, 3.747))
GOLD = ((0.4509, 1.38, 1.914), (0.4714, 1.31, 1.849), (0.5209, 0.62, 2.081), (0.5486, 0.43, 2.455),
        (0.6168, 0.21, 3.272), (0.6595, 0.14, 3.697))
#: Constant over the visible for want of a published table; the normal reflectance is 0.75.
TIN = ((0.4509, 1.90, 4.85), (0.6595, 1.98, 4.97))
#: Epoxy, mask and flux resin: n about 1.5, no absorption at the surface.
RESIN = ((0.45, 1.5, 0.0), (0.66, 1.5, 0.0))
#: A perfect mirror, for energy checks.
MIRROR = ((0.45, 0.0, 1.0), (0.66, 0.0, 1.0))

TABLES = {"tin": TIN, "copper": COPPER, "gold": GOLD, "resin": RESIN, "mirror": MIRROR}


def optical_constants(material: str, wavelength_um: float) -> tuple[float, float]:
    """Return n and k of a material of `TABLES`, linearly interpolated."""
    rows = np.asarray(TABLES[material])
    return (float(np.interp(wavelength_um, rows[:, 0], rows[:, 1])),
            float(np.interp(wavelength_um, rows[:, 0], rows[:, 2])))


def fresnel(n: float, k: float, cos_incidence: ArrayLike) -> NDArray[np.float64]:
    """Return the unpolarised reflectance in air of a surface with index n + ik (exact Fresnel equations)."""
    cos = np.clip(np.asarray(cos_incidence, dtype=np.float64), 0.0, 1.0)
    index = complex(n, k)
    cos_inside = np.sqrt(1.0 - (1.0 - cos**2) / index**2 + 0j)
    s = np.abs((cos - index * cos_inside) / (cos + index * cos_inside)) ** 2
    p = np.abs((index * cos - cos_inside) / (index * cos + cos_inside)) ** 2
    return np.asarray(0.5 * (s + p), dtype=np.float64)


def reflectance(material: str, channel: str, cos_incidence: ArrayLike = 1.0) -> NDArray[np.float64]:
    """Return a material's unpolarised reflectance in a channel; `mono` is the mean of red, green and blue."""
    channels = tuple(WAVELENGTH_UM) if channel == "mono" else (channel,)
    parts = [fresnel(*optical_constants(material, WAVELENGTH_UM[name]), cos_incidence) for name in channels]
    return np.asarray(np.mean(parts, axis=0), dtype=np.float64)
