"""The fillet's profile: a capillary curve through the slopes that are lit and the brim of what is too steep."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.radial import number, of_some, one_of, reach_of, taken, total, until
from vision.pipeline.fillets.gaps import LAND
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.optics import ROUGHNESS, Optics
from vision.pipeline.light.surface import Surface
from vision.pipeline.view.unwrap import JointPatches

SLOPES_DEG = (9.0, 37.0)  # flatter cannot be told from a flat land, steeper is hardly lit
EVERY = 2  # neighbouring azimuths were smoothed together: every second says as much
BRIM_WEIGHT = 0.5  # of all brims of a joint, against all of its lit samples
BRIM_RAYS = 15  # fewer brims say nothing
BESIDE_LEAD_MM = 0.2  # the dark begins this near to the lead
UNBROKEN = 0.8  # share of what lies between lead and brim that is dark
Column = NDArray[np.float64]


@dataclass(frozen=True)
class SomeRays:
    """One of EVERY rays over hole and ring, tables of their own [joint, ray, radius]."""

    radius_mm: NDArray[np.float32]
    area_mm2: NDArray[np.float32]
    slope_deg: NDArray[np.float32]
    dark: NDArray[np.bool_]
    solder: NDArray[np.bool_]

    def of_some(self, joints: NDArray[np.intp]) -> SomeRays:
        """Return the rays of some joints."""
        return SomeRays(of_some(self.radius_mm, joints), of_some(self.area_mm2, joints),
                        of_some(self.slope_deg, joints), of_some(self.dark, joints), of_some(self.solder, joints))

    @cached_property
    def unlit(self) -> NDArray[np.float32]:
        """Return 1 where it is dark and 0 elsewhere."""
        return self.dark.astype(np.float32)

    @cached_property
    def lit_slope_deg(self) -> NDArray[np.float32]:
        """Return the slope where it is lit and 0 elsewhere."""
        return np.asarray(self.slope_deg * ~self.dark, dtype=np.float32)


def some_rays(patches: JointPatches, surface: Surface) -> SomeRays:
    """Return the rays that profiles and convexity are measured on."""
    radius, area, slope = (one_of(EVERY, part[:, :, LAND])
                           for part in (patches.radius_mm, patches.area_mm2, surface.slope_deg))
    dark, solder = (one_of(EVERY, part[:, :, LAND]) for part in (surface.dark, surface.solder))
    return SomeRays(radius, area, slope, dark, solder)


@dataclass(frozen=True)
class _Brims:
    """Where solder too steep to be lit ends outward, [joint, ray], and the slope it has there, [joint]."""

    radius_mm: NDArray[np.float32]
    seen: NDArray[np.bool_]
    slope_deg: Column


def fit_profile(patches: JointPatches, surface: Surface, covered: NDArray[np.bool_], toe_mm: NDArray[np.float64],
                leads: Leads, optics: Optics | None = None, rays: SomeRays | None = None) -> tuple[Column, Column]:
    """Fit the axisymmetric capillary profile without gravity to the lit slopes of every joint.

    Young and Laplace: (1/r) d(r sin psi)/dr = const, hence r sin psi = c + k r^2. Linear least squares over all
    lit samples between lead and toe, twice, the second time without gross outliers. With `optics` the brim of the
    dark beside the lead counts too: there the slope is the one from which the station's lights light nothing, which
    holds the steep part of the curve where only its foot is lit. `rays` may hold what some_rays gives. Returns c (mm)
    and k (1/mm).
    """
    rays = some_rays(patches, surface) if rays is None else rays
    radius, slope, area = rays.radius_mm, rays.slope_deg, rays.area_mm2
    use = rays.solder & (slope > np.float32(SLOPES_DEG[0]))
    use &= slope < np.float32(SLOPES_DEG[1])
    within = radius < np.where(covered, toe_mm, 0.0).astype(np.float32)[:, ::EVERY, None]
    use &= within
    use &= radius > (1.25 * leads.nominal_radius_mm).astype(np.float32)[:, None, None]
    part = reach_of(use)
    radius, slope, area, use = radius[:, :, part], slope[:, :, part], area[:, :, part], use[:, :, part]
    target, square = radius * np.sin(slope * np.float32(np.pi / 180.0)), radius * radius
    weight = area * use
    brims = None if optics is None or optics.by_sector is not None else _brims(surface, rays, within, leads, optics)
    extra = [np.zeros(len(radius))] * 5 if brims is None else _sums(brims, total(weight, None))
    for _ in range(2):
        weighted = weight * square
        w, sx, sxx, sy, sxy = (total(*pair) + more for pair, more in zip((
            (weight, None), (weighted, None), (weighted, square), (weight, target), (weighted, target)), extra,
            strict=True))
        determinant = w * sxx - sx**2
        with np.errstate(divide="ignore", invalid="ignore"):
            constant = (sxx * sy - sx * sxy) / determinant
            bend = (w * sxy - sx * sy) / determinant
        known = np.isfinite(constant) & np.isfinite(bend)
        offset, factor = (np.where(known, part, 0.0).astype(np.float32)[:, None, None] for part in (constant, bend))
        rest = square * factor
        rest += offset
        rest -= target
        np.abs(rest, out=rest)
        spread = total(weight, rest) / np.maximum(w - extra[0], 1e-9)
        weight *= rest < (2.5 * spread + 1e-3).astype(np.float32)[:, None, None]
    usable = (w > 1e-4) & np.isfinite(constant) & np.isfinite(bend)
    return np.where(usable, constant, np.nan), np.where(usable, bend, np.nan)


def _brims(surface: Surface, rays: SomeRays, within: NDArray[np.bool_], leads: Leads, optics: Optics) -> _Brims:
    """Find where the dark beside the lead ends, on every looked-at ray whose dark is unbroken."""
    lead = leads.nominal_radius_mm.astype(np.float32)[:, None, None]
    radius, dark = rays.radius_mm, rays.dark & within
    dark &= radius > np.float32(1.05) * lead
    steps, found = dark.shape[2], number(dark)
    seen = found > 0
    first, stop = (np.where(seen, part, 0) for part in (until(dark), steps - until(dark[:, :, ::-1])))
    begins, ends = taken(radius, first), taken(radius, np.minimum(stop, steps - 1))
    seen &= begins < lead[:, :, 0] + np.float32(BESIDE_LEAD_MM)
    seen &= found >= UNBROKEN * (stop - first)
    seen &= (np.count_nonzero(seen, axis=1) >= BRIM_RAYS)[:, None]
    return _Brims(ends, seen, np.interp(surface.roughness, ROUGHNESS, optics.unlit_deg))


def _sums(brims: _Brims, whole: Column) -> list[Column]:
    """Return what the brims add to the sums of a fit: of weights, x, x^2, y and x y, [joint] each."""
    share = brims.seen * (BRIM_WEIGHT * np.maximum(whole, 1e-3) / np.maximum(brims.seen.sum(axis=1), 1))[:, None]
    square = brims.radius_mm.astype(np.float64) ** 2
    target = brims.radius_mm * np.sin(np.deg2rad(brims.slope_deg))[:, None]
    return [np.asarray((share * part).sum(axis=1), dtype=np.float64)
            for part in (np.ones_like(square), square, square * square, target, square * target)]


def profile_height(constant: Column, bend: Column, lead_mm: Column, toe_mm: Column) -> Column:
    """Integrate tan(psi) of r sin psi = c + k r^2 from the toe to the lead, [joint] in mm (trapezoids)."""
    place = np.linspace(0.0, 1.0, 41)
    radius = lead_mm[:, None] + np.maximum(toe_mm - lead_mm, 0.0)[:, None] * place
    sine = np.clip(constant[:, None] / radius + bend[:, None] * radius, -0.985, 0.985)
    slope = sine / np.sqrt(1.0 - sine**2)
    return np.asarray(np.trapezoid(slope, radius, axis=1), dtype=np.float64)
