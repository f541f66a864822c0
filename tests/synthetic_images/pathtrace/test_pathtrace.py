"""Eighteen joints drawn by the renderer and by Mitsuba 3, an independent path tracer.

Good, gap, domed, bridged, unsoldered and without lead, on three finishes and three roughnesses.

Needs the extra `pathtrace`. The llvm variant wants libLLVM 16 or newer (libllvm19 of Debian; DRJIT_LIBLLVM_PATH may
name the library); else the scalar variant is used, which is slower.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

mi = pytest.importorskip("mitsuba", reason="Mitsuba 3 is not installed: pip install '.[pathtrace]'",
                         exc_type=ImportError)

from synthetic_images import canvas as cv  # noqa: E402
from synthetic_images.background import draw_ground  # noqa: E402
from synthetic_images.board import build_surface, plan_board, true_place  # noqa: E402
from synthetic_images.light import band_cosine  # noqa: E402
from synthetic_images.look import Surfaces, board_look, board_surfaces  # noqa: E402
from synthetic_images.materials import WAVELENGTH_UM, optical_constants  # noqa: E402
from synthetic_images.plan import BoardPlan  # noqa: E402
from synthetic_images.shade import gather, responses  # noqa: E402

from ..small import quiet_recipe, small_family, small_station  # noqa: E402
from .tracer import choose_variant, mesh, trace  # noqa: E402

KINDS = ("good", "partial_wetting", "excess_solder", "bridge", "no_solder", "lead_missing")
SURFACES = (("tin", 0.06, 1), ("gold", 0.11, 2), ("copper", 0.2, 3))  # finish, roughness, seed
SAMPLES = 128
STEP = 2  # fine samples per pixel


def still_plan(seed: int) -> BoardPlan:
    """A board lying straight, clean and without the look's small random slopes."""
    recipe = quiet_recipe(place__offset=0.0, place__rotation=0.0, place__scale_error=0.0, board__residue=0.0,
                          board__mask_texture=0.0, board__dust=0.0, board__scratches=0.0, board__track_height=0.0,
                          board__silk_share=0.0, light__band_shift=0.0, light__single_leds=0.0, land__dome=0.0)
    planned = {i: (kind, 0.6) for i, kind in enumerate(KINDS)}
    return plan_board(small_family(), np.random.default_rng(seed), recipe=recipe, planned=planned, planned_chips={})


def plain_surfaces(plan: BoardPlan, finish: str, roughness: float) -> Surfaces:
    """Pure metals without diffuse haze or grain, and Lambertian everything else."""
    from synthetic_images.light import METALS

    surfaces = board_surfaces(plan)
    metal = surfaces.metal != METALS.index("resin")
    surfaces.grain[:], surfaces.wave[:] = 0.0, 0.0
    surfaces.albedo[metal] = 0.0
    surfaces.shine[metal], surfaces.shine[~metal] = 1.0, 0.0
    surfaces.rough[metal] = roughness
    surfaces.albedo[cv.TRACK] = surfaces.albedo[cv.MASK]  # tracks are drawn below the height map
    for joint in range(len(plan.family.joints)):
        surfaces.metal[cv.land_of(joint)] = METALS.index(finish)
    return surfaces


def bsdf(surfaces: Surfaces, number: int) -> dict[str, Any]:
    """The same surface in Mitsuba's words."""
    from synthetic_images.light import METALS

    name = METALS[surfaces.metal[number]]
    if name == "resin":
        return {"type": "twosided", "b": {"type": "diffuse", "reflectance": {"type": "rgb", "value": _light_order(
            surfaces.albedo[number])}}}
    constants = (optical_constants(name, WAVELENGTH_UM[light.channel]) for light in small_station().lights)
    n, k = zip(*constants, strict=True)
    return {"type": "twosided", "b": {
        "type": "roughconductor", "distribution": "ggx", "alpha": float(surfaces.rough[number]),
        "eta": {"type": "rgb", "value": list(n)}, "k": {"type": "rgb", "value": list(k)}}}


def _light_order(rgb: NDArray) -> list[float]:
    """Channels in the order of the station's lights, which stand for Mitsuba's red, green and blue."""
    return [float(rgb[("red", "green", "blue").index(light.channel)]) for light in small_station().lights]


@cache
def both(case: int) -> tuple[BoardPlan, NDArray, NDArray, NDArray]:
    """Return plan, joint centres (px), and the responses (light, row, col) of renderer and path tracer."""
    finish, roughness, seed = SURFACES[case]
    mi.set_variant(choose_variant())
    station = small_station(picture_px=(400, 320))
    plan = still_plan(seed)
    view = plan.family.views[0]
    place = true_place(plan, view, station, (400, 320))
    joints = np.array([(j.x_mm, j.y_mm) for j in plan.family.joints])
    middle = place.to_px(joints).mean(axis=0)
    shift = place.shift + np.array([200, 160]) - np.round(middle)  # the joints fill the picture
    place = type(place)(place.matrix, shift)
    canvas, _ = build_surface(plan, station, place, (400, 320))
    surfaces = plain_surfaces(plan, finish, roughness)
    look = board_look(plan, station, surfaces)
    samples = gather(plan, canvas, look, np.random.default_rng(0), (0.0, 0.0, 0.0, 0.0))
    ours = responses(canvas, look, draw_ground(plan, place, (400, 320)), station, samples)
    height, kinds = canvas.height[canvas.inner], canvas.surface[canvas.inner]
    pitch = canvas.step_mm
    row, col = np.indices(height.shape)
    x, y = (col + 0.5 - height.shape[1] / 2) * pitch, -(row + 0.5 - height.shape[0] / 2) * pitch
    parts = [mesh(mi, f"s{number}", x, y, height, kinds == number, bsdf(surfaces, int(number)))
             for number in np.unique(kinds)]
    bands = [light.zenith_deg for light in station.lights]
    radiance = trace(mi, parts, bands, 400 * pitch * STEP, (400, 320), SAMPLES)
    theirs = np.stack([radiance[..., i] * np.pi / band_cosine(band) for i, band in enumerate(bands)])
    return plan, place.to_px(joints), ours, theirs


def ring_profile(plane: NDArray, centre: NDArray, radius_px: int = 46) -> NDArray:
    """Mean over the azimuth at every radius round a joint."""
    row, col = np.indices(plane.shape)
    away = np.hypot(col + 0.5 - centre[0], row + 0.5 - centre[1]).astype(int)
    total = np.bincount(away.ravel(), plane.ravel(), radius_px + 1)[:radius_px]
    return total / np.bincount(away.ravel(), minlength=radius_px + 1)[:radius_px]


def edges(profiles: NDArray, bright_from: float = 0.25, lead_by: float = 0.15) -> list[tuple[float, int, int]]:
    """Radii (px, interpolated) where one light's profile takes over from another's.

    Only clear changes count: both lights at least `bright_from` of white, and 3 pixels off either way one of them
    leads by `lead_by`.
    """
    found = []
    for a in range(len(profiles)):
        for b in range(a + 1, len(profiles)):
            gap, bright = profiles[a] - profiles[b], np.minimum(profiles[a], profiles[b])
            for i in np.flatnonzero(np.sign(gap[:-1]) != np.sign(gap[1:])):
                sides = gap[max(i - 3, 0)], gap[min(i + 4, len(gap) - 1)]
                if bright[i] > bright_from and min(np.abs(sides)) > lead_by and sides[0] * sides[1] < 0:
                    found.append((i + gap[i] / (gap[i] - gap[i + 1]), a, b))
    return found


@pytest.mark.parametrize("case", range(len(SURFACES)))
def test_pictures_are_alike(case: int) -> None:
    """Structural similarity per channel (Wang et al. 2004, by scikit-image).

    Both clipped and blurred as by a camera, one pixel of sigma, which also evens out the tracer's noise on flat mask.
    """
    import cv2
    from skimage.metrics import structural_similarity

    _, _, ours, theirs = both(case)
    for one, other in zip(ours, theirs, strict=True):
        seen = [cv2.GaussianBlur(np.clip(plane, 0, 3.3), (0, 0), 1.0) for plane in (one, other)]
        alike = structural_similarity(*seen, data_range=3.3)
        print("similarity", SURFACES[case], round(float(alike), 3))
        assert alike > 0.85


def test_polar_profiles_correlate() -> None:
    """At least 0.95 in the median over joints and lights."""
    values = []
    for case in range(len(SURFACES)):
        _, centres, ours, theirs = both(case)
        for joint, centre in enumerate(centres):
            for light in range(len(ours)):
                pair = [ring_profile(plane[light], centre) for plane in (ours, theirs)]
                if pair[1].std() > 0.02:
                    values.append(np.corrcoef(*pair)[0, 1])
                    print("profile", SURFACES[case][0], KINDS[joint], light, round(float(values[-1]), 3))
    assert len(values) >= 36
    assert np.median(values) >= 0.95
    assert np.quantile(values, 0.1) >= 0.8


def test_colour_edges_lie_within_two_pixels() -> None:
    """Every clear change of colour that the tracer shows has its like within two pixels in the renderer's picture."""
    misses, count = [], 0
    for case in range(len(SURFACES)):
        _, centres, ours, theirs = both(case)
        for joint, centre in enumerate(centres):
            mine = edges(np.array([ring_profile(p, centre) for p in ours]), 0.1, 0.0)
            for radius, a, b in edges(np.array([ring_profile(p, centre) for p in theirs])):
                near = [abs(radius - r) for r, c, d in mine if (c, d) == (a, b)]
                count += 1
                if not near or min(near) > 2.0:
                    nearest = round(min(near), 1) if near else None
                    misses.append((SURFACES[case][0], KINDS[joint], round(radius, 1), a, b, nearest))
    print(count, "edges, missed:", misses)
    assert count >= 24
    assert not misses
