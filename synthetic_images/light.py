"""What a ring of light gives on a tilted rough surface seen from above: tables made once for a station.

Reflection follows the microfacet model with the GGX distribution and the Smith shadowing term (Walter, Marschner, Li
and Torrance, "Microfacet Models for Refraction through Rough Surfaces", EGSR 2007). A mirror of slope a shows the sky
at zenith 2a; roughness spreads that direction into a lobe.

Every value is a response: radiance divided by the radiance of a flat white Lambertian sheet under the same light. A
metal that mirrors a narrow ring therefore gives far more than 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synthetic_images.materials import optical_constants, reflectance
from vision.setup.station import Light

#: Table coordinate: x = g / (1 + g) for a gradient g = tan(slope); even nodes from flat to nearly vertical.
NODES = 192
LAST_X = 0.955  # slope 87.3 degrees
ROUGHNESS = np.array([0.03, 0.045, 0.065, 0.09, 0.13, 0.18, 0.26, 0.37, 0.52, 0.75])
METALS = ("tin", "copper", "gold", "resin")
SECTORS = 36
_STRATA = (72, 72)
_ZENITH_BINS = 360  # of 0.5 degrees, 0 to 180


def node_slopes() -> NDArray[np.float64]:
    """Return the slope in radians at each table node."""
    x = np.linspace(0.0, LAST_X, NODES)
    return np.arctan(x / (1.0 - x))


def ggx(tangent: ArrayLike, roughness: float) -> NDArray[np.float64]:
    """Return the GGX density D for facets tilted by atan(tangent)."""
    square = np.asarray(tangent, dtype=np.float64) ** 2
    cos_squared = 1.0 / (1.0 + square)
    return np.asarray(roughness**2 / (np.pi * (cos_squared * (roughness**2 - 1.0) + 1.0) ** 2))


def ggx_tangent(share: ArrayLike, roughness: float) -> NDArray[np.float64]:
    """Return the facet tangent below which a share of the projected facet area lies (inverse GGX slope CDF)."""
    share = np.asarray(share, dtype=np.float64)
    return np.asarray(roughness * np.sqrt(share / (1.0 - share)))


def smith(cos: ArrayLike, roughness: float) -> NDArray[np.float64]:
    """Return the Smith shadowing G1 of GGX for a direction with this cosine to the surface normal."""
    cos = np.clip(np.asarray(cos, dtype=np.float64), 1e-6, 1.0)
    tan_squared = 1.0 / cos**2 - 1.0
    return np.asarray(2.0 / (1.0 + np.sqrt(1.0 + roughness**2 * tan_squared)))


def lobe(slope: float, roughness: float, strata: tuple[int, int] = _STRATA
         ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Sample the lobe that a camera above sees on a surface whose normal tilts towards azimuth 0.

    Returns light zenith (rad), light azimuth (rad), cosine at the facet, and weight of each stratum. The sum of
    weight * F * L is the radiance for incident radiance L and facet reflectance F.
    """
    u = (np.arange(strata[0]) + 0.5)[:, None] / strata[0]
    v = (np.arange(strata[1]) + 0.5)[None, :] / strata[1]
    tangent = ggx_tangent(u, roughness)
    cos_facet = 1.0 / np.sqrt(1.0 + tangent**2)
    around = 2.0 * np.pi * (v + 0.37 * np.arange(strata[0])[:, None] % 1.0)
    x = tangent * cos_facet * np.cos(around)
    y = tangent * cos_facet * np.sin(around)
    z = np.broadcast_to(cos_facet, x.shape)
    cos_n, sin_n = np.cos(slope), np.sin(slope)
    facet_x, facet_z = x * cos_n + z * sin_n, z * cos_n - x * sin_n  # into the camera's frame
    seen = np.clip(facet_z, 0.0, 1.0)
    light = np.stack([2 * seen * facet_x, 2 * seen * y, 2 * seen**2 - 1.0])
    to_light = light[0] * sin_n + light[2] * cos_n
    weight = smith(cos_n, roughness) * smith(to_light, roughness) * seen / (cos_n * z) / u.size / v.size
    weight = np.where((facet_z > 0) & (to_light > 0), weight, 0.0)
    return np.arccos(np.clip(light[2], -1, 1)), np.arctan2(light[1], light[0]), seen, weight


def band_cosine(zenith_deg: tuple[float, float]) -> float:
    """Return the integral of cos(zenith) over a full ring's solid angle: the irradiance for unit radiance."""
    low, high = np.deg2rad(zenith_deg)
    return float(np.pi * (np.sin(high) ** 2 - np.sin(low) ** 2))


def sector_share(light: Light) -> float:
    """Return the part of the circle that the light takes."""
    return (light.azimuth_deg[1] - light.azimuth_deg[0]) / 360.0


@dataclass(frozen=True)
class LightTables:
    """Tables for one station's lights, float32.

    specular: (metal, roughness, azimuth, node, light) response of a unit area of metal; azimuth is the direction of
    the normal's tilt in the picture (one entry where every light is a full ring).
    down: (metal, roughness, node, light) share of the lobe that looks below the horizon, times reflectance.
    diffuse: (azimuth, node, light) irradiance on a tilted facet against a flat one.
    """

    specular: NDArray[np.float32]
    down: NDArray[np.float32]
    diffuse: NDArray[np.float32]


@lru_cache(maxsize=8)
def light_tables(lights: tuple[Light, ...]) -> LightTables:
    """Integrate every light over its zenith band and azimuth sector for all slopes, roughnesses and metals."""
    sectors = 1 if all(sector_share(light) >= 1.0 for light in lights) else SECTORS
    slopes = node_slopes()
    channels = sorted({light.channel for light in lights})
    cosines = np.linspace(0.0, 1.0, 181)
    shares = {light.name: _turned(light, sectors) for light in lights}
    curves = {(metal, channel): reflectance(metal, channel, cosines) for metal in METALS for channel in channels}
    specular = np.zeros((len(METALS), len(ROUGHNESS), sectors, NODES, len(lights)), dtype=np.float32)
    down = np.zeros((len(METALS), len(ROUGHNESS), NODES, len(lights)), dtype=np.float32)
    for r, roughness in enumerate(ROUGHNESS):
        for s, slope in enumerate(slopes):
            zenith, azimuth, cos, weight = lobe(float(slope), float(roughness))
            keep = weight > 0
            zenith, azimuth, cos, weight = zenith[keep], azimuth[keep], cos[keep], weight[keep]
            zenith_bin = np.minimum((zenith * (_ZENITH_BINS / np.pi)).astype(np.intp), _ZENITH_BINS - 1)
            sector = ((azimuth / (2 * np.pi) % 1.0) * sectors + 0.5).astype(np.intp) % sectors
            place = zenith_bin * sectors + sector
            cos_index = (cos * 180.0 + 0.5).astype(np.intp)
            for (metal, channel), curve in curves.items():
                counts = np.bincount(place, weight * curve[cos_index], _ZENITH_BINS * sectors)
                sky = np.asarray(counts, dtype=np.float64).reshape(_ZENITH_BINS, sectors)
                m = METALS.index(metal)
                for index, light in enumerate(lights):
                    if light.channel == channel:
                        specular[m, r, :, s, index] = _seen(sky, light, shares[light.name])
                        down[m, r, s, index] = sky[_ZENITH_BINS // 2:].sum()
    diffuse = np.stack([_irradiance(light, slopes, sectors) for light in lights], axis=-1)
    return LightTables(specular, down, diffuse.astype(np.float32))


def _turned(light: Light, sectors: int) -> NDArray[np.float64]:
    """Return the lit share (tilt azimuth, azimuth relative to the tilt)."""
    lit = sector_weights(light, sectors)
    return np.stack([np.roll(lit, -tilt) for tilt in range(sectors)])


def _seen(sky: NDArray[np.float64], light: Light, lit: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the response per tilt azimuth from a lobe histogram (zenith bin, azimuth relative to the tilt)."""
    edges = np.arange(_ZENITH_BINS) * (180.0 / _ZENITH_BINS)
    width = 180.0 / _ZENITH_BINS
    inside = np.clip((np.minimum(edges + width, light.zenith_deg[1]) - np.maximum(edges, light.zenith_deg[0])) / width,
                     0.0, 1.0)
    around = np.asarray(inside @ sky, dtype=np.float64)
    scale = np.pi / (band_cosine(light.zenith_deg) * sector_share(light))
    return np.asarray(lit @ around * scale)


def sector_weights(light: Light, sectors: int) -> NDArray[np.float64]:
    """Return the lit share of each azimuth bin; bin 0 is centred on the picture's right-hand side."""
    fine = 64
    angle = ((np.arange(sectors * fine) + 0.5) / fine - 0.5) * (360.0 / sectors)
    start, end = light.azimuth_deg
    lit = ((angle - start) % 360.0) < (end - start)
    return np.asarray(lit.reshape(sectors, fine).mean(axis=1), dtype=np.float64)


def _irradiance(light: Light, slopes: NDArray[np.float64], sectors: int) -> NDArray[np.float64]:
    """Return the irradiance ratio (azimuth, node) of facets with these slopes against a flat one."""
    low, high = np.deg2rad(light.zenith_deg)
    zenith = low + (np.arange(48) + 0.5) / 48 * (high - low)
    azimuth = np.arange(72) * (2 * np.pi / 72)
    cos = (np.cos(zenith)[:, None] * np.cos(slopes)[:, None, None]
           + np.sin(zenith)[:, None] * np.cos(azimuth) * np.sin(slopes)[:, None, None])
    by_azimuth = np.einsum("nza,z->na", np.maximum(cos, 0.0), np.sin(zenith))
    flat = np.sum(np.cos(zenith) * np.sin(zenith))
    if sectors == 1:
        return np.asarray(by_azimuth.mean(axis=1) / flat)[None, :]
    lit = _turned(light, 72)[::72 // sectors]
    return np.asarray(lit @ by_azimuth.T / lit.sum(axis=1, keepdims=True) / flat)


def mirror_response(material: str, light: Light) -> float:
    """Return the response of a polished mirror that shows nothing but this light (normal incidence)."""
    return float(reflectance(material, light.channel)) * np.pi / band_cosine(light.zenith_deg) / sector_share(light)


__all__ = ["LAST_X", "METALS", "NODES", "ROUGHNESS", "LightTables", "band_cosine", "ggx", "ggx_tangent",
           "light_tables", "lobe", "mirror_response", "node_slopes", "optical_constants", "sector_share", "smith"]
