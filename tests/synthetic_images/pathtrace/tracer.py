"""An independent path tracer's view of a drawn surface: Mitsuba 3 with its own scene, lights, sensor and BSDFs.

Shared with the renderer are only the height map, the map of surface kinds and the optical properties. Reflection,
visibility, shadows and bounces are Mitsuba's own.
"""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import numpy as np
from numpy.typing import NDArray

PROBE = """
import mitsuba as mi
mi.set_variant("llvm_ad_rgb")
import numpy as np
scene = mi.load_dict({"type": "scene", "i": {"type": "path"}, "e": {"type": "constant"}, "s": {"type": "sphere"},
                      "c": {"type": "orthographic", "film": {"type": "hdrfilm", "width": 4, "height": 4}}})
print(float(np.array(mi.render(scene, spp=1)).sum()))
"""


def choose_variant() -> str:
    """Return the llvm variant where its library works (a wrong one ends the process, so it is tried in another)."""
    tried = subprocess.run([sys.executable, "-c", PROBE], capture_output=True, timeout=120, check=False)
    return "llvm_ad_rgb" if tried.returncode == 0 else "scalar_rgb"


def ring_map(bands_deg: list[tuple[float, float]], rows: int = 1440) -> NDArray[np.float32]:
    """Return an environment map (row = zenith from 0 to 180 degrees, col, rgb): one band of unit radiance a channel."""
    zenith = (np.arange(rows) + 0.5) * (180.0 / rows)
    sky = np.zeros((rows, 16, 3), np.float32)
    for channel, (low, high) in enumerate(bands_deg):
        sky[(zenith >= low) & (zenith < high), :, channel] = 1.0
    return sky


def mesh(mi: Any, name: str, x: NDArray, y: NDArray, z: NDArray, wanted: NDArray, bsdf: dict[str, Any]) -> Any:
    """Return the quads of a height map whose first corner is `wanted`, two triangles each."""
    rows, cols = np.nonzero(wanted[:-1, :-1])
    width = z.shape[1]
    corner = rows * width + cols
    faces = np.concatenate([np.stack([corner, corner + width, corner + 1], axis=1),
                            np.stack([corner + 1, corner + width, corner + width + 1], axis=1)])
    used, faces = np.unique(faces, return_inverse=True)
    faces = faces.reshape(-1, 3)
    points = np.stack([x.ravel()[used], y.ravel()[used], z.ravel()[used]], axis=1).astype(np.float32)
    props = mi.Properties()
    props["bsdf"] = mi.load_dict(bsdf)
    surface = mi.Mesh(name, len(points), len(faces), props=props, has_vertex_normals=False)
    params = mi.traverse(surface)
    params["vertex_positions"] = points.ravel()
    params["faces"] = faces.astype(np.uint32).ravel()
    params.update()
    return surface


def trace(mi: Any, parts: list[Any], bands_deg: list[tuple[float, float]], width_mm: float,
          size_px: tuple[int, int], samples: int) -> NDArray[np.float32]:
    """Render meshes from straight above; returns radiance (row, col, light) for ring lights of unit radiance."""
    transform = mi.ScalarTransform4f
    # Mitsuba's environment has its pole along +y; the board's is +z.
    scene = {"type": "scene", "integrator": {"type": "path", "max_depth": 4},
             "sky": {"type": "envmap", "bitmap": mi.Bitmap(ring_map(bands_deg)),
                     "to_world": transform().rotate([1, 0, 0], 90)},
             "camera": {"type": "orthographic",
                        "to_world": transform().look_at([0, 0, 20], [0, 0, 0], [0, 1, 0]) @ transform().scale(
                            [width_mm / 2, width_mm / 2, 1]),
                        "film": {"type": "hdrfilm", "width": size_px[0], "height": size_px[1],
                                 "rfilter": {"type": "box"}, "pixel_format": "rgb"},
                        "sampler": {"type": "independent", "sample_count": samples}}}
    scene |= {f"part{i}": part for i, part in enumerate(parts)}
    return np.array(mi.render(mi.load_dict(scene), spp=samples, seed=1), dtype=np.float32)
