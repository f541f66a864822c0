"""A mirror ball drawn by Mitsuba 3, an independent path tracer, and measured: each light within 1.5 degrees.

Sphere, conductor, reflection, shadows and the paper's light are Mitsuba's own; only the bands are given to both.
Needs the extra `pathtrace`.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

mi = pytest.importorskip("mitsuba", reason="Mitsuba 3 is not installed: pip install '.[pathtrace]'",
                         exc_type=ImportError)

from tests.calibration.drawn import three_rings  # noqa: E402
from tests.synthetic_images.pathtrace.tracer import choose_variant, ring_map  # noqa: E402
from vision.calibration.ball import find_ball  # noqa: E402
from vision.calibration.bands import read_lights  # noqa: E402
from vision.calibration.pictures import read_shot  # noqa: E402
from vision.setup import Station  # noqa: E402

SIZE = (480, 400)
PITCH_MM = 0.02
RADIUS_MM = 2.5  # a 5 mm ball: 125 px
SAMPLES = 48
WITHIN_DEG = 1.5


@cache
def traced(paper: float, lens_mm: float | None) -> NDArray[np.float32]:
    """Return radiance (row, col, light) of a steel-like ball at (0.3, -0.2) mm on paper under three rings."""
    mi.set_variant(choose_variant())
    transform = mi.ScalarTransform4f
    bands = [light.zenith_deg for light in three_rings().lights]
    width_mm = SIZE[0] * PITCH_MM
    if lens_mm is None:
        camera = {"type": "orthographic", "to_world": transform().look_at([0, 0, 40], [0, 0, 0], [0, 1, 0])
                  @ transform().scale([width_mm / 2, width_mm / 2, 1])}
    else:
        camera = {"type": "perspective", "fov": float(np.rad2deg(2 * np.arctan(width_mm / 2 / lens_mm))),
                  "fov_axis": "x", "to_world": transform().look_at([0, 0, lens_mm], [0, 0, 0], [0, 1, 0])}
    scene = {"type": "scene", "integrator": {"type": "path", "max_depth": 4},
             "sky": {"type": "envmap", "bitmap": mi.Bitmap(ring_map(bands)),
                     "to_world": transform().rotate([1, 0, 0], 90)},
             "ball": {"type": "sphere", "center": [0.3, -0.2, RADIUS_MM], "radius": RADIUS_MM,
                      "bsdf": {"type": "conductor", "specular_reflectance": {"type": "rgb", "value": 0.6}}},
             "paper": {"type": "rectangle", "to_world": transform().scale([60, 60, 1]),
                       "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": paper}}},
             "camera": camera | {
                 "film": {"type": "hdrfilm", "width": SIZE[0], "height": SIZE[1], "rfilter": {"type": "box"},
                          "pixel_format": "rgb"},
                 "sampler": {"type": "independent", "sample_count": SAMPLES}}}
    return np.array(mi.render(mi.load_dict(scene), spp=SAMPLES, seed=2), dtype=np.float32)


def photograph(folder: Path, radiance: NDArray[np.float32], station: Station, blur_px: float) -> Path:
    """Write an 8-bit picture whose brightest highlight lies at 70 % of full scale."""
    rng = np.random.default_rng(3)
    planes = np.stack([radiance[..., i] for i in range(3)])  # in the order of the station's lights
    level = 0.7 / float(np.quantile(planes, 0.998))
    picture = np.zeros((*radiance.shape[:2], 3), np.float32)
    for light, plane in zip(station.lights, planes, strict=True):
        picture[..., ("blue", "green", "red").index(light.channel)] = plane * level
    picture = cv2.GaussianBlur(picture, (0, 0), blur_px) + rng.normal(0, 0.004, picture.shape)
    grey = np.clip(np.round(station.black_level + picture * (255 - station.black_level)), 0, 255).astype(np.uint8)
    path = folder / "ball_v1_a.png"
    assert cv2.imwrite(str(path), grey)
    return path


@pytest.mark.parametrize(("paper", "lens_mm"), [(0.8, None), (0.18, None), (0.8, 60.0)],
                         ids=["white paper", "grey card", "lens at 60 mm"])
def test_lights_are_found_within_a_degree_and_a_half(tmp_path: Path, paper: float, lens_mm: float | None) -> None:
    station = three_rings(working_distance_mm=lens_mm, mm_per_px=PITCH_MM)
    path = photograph(tmp_path, traced(paper, lens_mm), station, 0.8)
    shot = read_shot({"a": path}, station, "ball")
    ball = find_ball(shot)
    for light, seen in zip(station.lights, read_lights(shot, ball, station), strict=True):
        off = np.subtract(seen.zenith_deg, light.zenith_deg)
        print(light.name, np.round(off, 2), "radius", round(ball.radius_px, 2), "of", RADIUS_MM / PITCH_MM)
        assert np.abs(off).max() <= WITHIN_DEG
        assert seen.azimuth_deg == (0.0, 360.0)
