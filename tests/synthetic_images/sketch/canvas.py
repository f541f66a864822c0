"""A board's random look and the canvas it is drawn on: what each light gives at each pixel."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.stats import ncx2

from vision.setup import Joint

from .layouts import Setting
from .shapes import Array, turned

PLANES = {"red": 0, "green": 1, "blue": 2}
#: Diffuse reflectance of solder mask, red green blue (common practice, no published source).
MASKS = {"green": (.03, .15, .06), "dark green": (.02, .09, .04), "blue": (.02, .06, .22), "red": (.24, .03, .03),
         "black": (.03, .03, .035), "ochre": (.30, .24, .06), "matt green": (.05, .17, .09)}
#: Reflectance of metals, red green blue (common practice, no published source).
METALS = {"tin": (.76, .75, .73), "gold": (.92, .68, .42), "copper": (.88, .60, .52), "osp copper": (.74, .46, .36)}
BARE_BOARD = (.17, .14, .08)
Window = tuple[slice, slice]
Where = tuple[Window, Array, Array]


class Canvas:
    """Responses [light, row, col] and the look that one board has throughout."""

    def __init__(self, setting: Setting, rng: np.random.Generator) -> None:
        self.station, self.family, self.rng = setting.station, setting.family, rng
        self.mm = setting.station.mm_per_px
        self.width, self.height = setting.size_px
        self.lights = len(self.station.lights)
        self.response = np.zeros((self.lights, self.height, self.width), np.float32)
        self.offset_mm = rng.uniform(-.42, .42, 2)
        self.turn_deg = rng.uniform(-2, 2)
        self.solder_mirror = rng.uniform(.66, .82)
        self.finish = rng.choice(["tin", "gold", "copper", "osp copper"], p=[.42, .22, .16, .2])
        self.mask = rng.choice(list(MASKS))
        roughness = {"solder": rng.uniform(2.2, 5.5), "land": rng.uniform(3.0, 7.0), "lead": rng.uniform(5, 10),
                     "mask": rng.uniform(5, 11)}
        self.tables = {name: self._mirror_table(deg) for name, deg in roughness.items()}
        self.grain = rng.uniform(.3, 2.2)  # noise of the solder's slope, deg
        self.diffuse = rng.uniform(.27, .45)  # a white sheet against a full mirror
        self.ambient = rng.uniform(.004, .02)
        self.solder_diffuse = rng.uniform(.04, .14)
        self.rough = self.texture(3) * .6 + self.texture(9) * .6 + self.texture(30) * .5
        self.course = rng.choice(["arc", "parabola", "exponential", "cosh", "hyperbolic"])
        steep = (48, 63) if self.course in ("arc", "parabola") else (57, 77)  # keeps heights physical
        self.lead_deg = rng.uniform(*steep)
        self.toe_deg = rng.uniform(8, 24)
        self.etch_mm, self.clear_mm = rng.uniform(-.03, .03), rng.uniform(.03, .11)
        self.lead_metal = "tin" if rng.random() < .65 else "copper"
        # Chips: pads beyond and under the body, their height over the body's, share of an end cap.
        self.pad_out, self.pad_in, self.pad_height = rng.uniform(.3, .5), rng.uniform(.2, .35), rng.uniform(1.0, 1.2)
        self.cap = rng.uniform(.17, .25)
        self.bodies = {"R": (.04, .04, .045),
                       "C": [(.42, .30, .16), (.55, .42, .30), (.25, .2, .16)][rng.integers(3)]}

    def _mirror_table(self, roughness_deg: float) -> Array:
        """Return [light, slope in quarters of a degree]: the share of rough facets that show the light's ring.

        Facets spread about the slope as a Gaussian in two dimensions, a few of them wider; a facet of slope a shows
        zenith angle 2a.
        """
        slope = np.arange(0, 361) / 4.0
        out = np.zeros((self.lights, slope.size), np.float32)
        for share, spread in ((.86, roughness_deg), (.14, roughness_deg * 2.6)):
            for i, light in enumerate(self.station.lights):
                below, above = (ncx2.cdf(max(zenith / 2, 1e-6) ** 2 / spread ** 2, 2, (slope / spread) ** 2)
                                for zenith in light.zenith_deg)
                out[i] += share * (above - below)
        return out * np.where(slope > 60, np.clip((75 - slope) / 15, 0, 1), 1)

    def colour(self, rgb: Any) -> Array:
        """Return a reflectance as each light sees it."""
        return np.array([np.mean(rgb) if light.channel == "mono" else rgb[PLANES[light.channel]]
                         for light in self.station.lights], np.float32)

    def texture(self, size_px: int) -> Array:
        """Return smooth noise over the picture with grains of a size."""
        shape = (self.height // size_px + 3, self.width // size_px + 3)
        noise = self.rng.normal(size=shape).astype(np.float32)
        return cv2.resize(noise, (self.width, self.height), interpolation=cv2.INTER_CUBIC)

    def to_px(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Return where a board place lies in the picture; seen from the bottom, x is mirrored."""
        cx, cy = self.family.views[0].center_mm
        a, b = turned(np.asarray(x) - cx, np.asarray(y) - cy, self.turn_deg)
        a, b = a + self.offset_mm[0], b + self.offset_mm[1]
        return self.width / 2 - a / self.mm, self.height / 2 - b / self.mm

    def around(self, x: float, y: float, half_mm: float) -> Where:
        """Return a window round a board place and the board's local mm coordinates of its pixel centres."""
        u, v = self.to_px(x, y)
        n = int(half_mm / self.mm) + 3
        c0, c1 = max(int(u) - n, 0), min(int(u) + n, self.width)
        r0, r1 = max(int(v) - n, 0), min(int(v) + n, self.height)
        cc, rr = np.meshgrid(np.arange(c0, c1) + .5, np.arange(r0, r1) + .5)
        lx, ly = turned(-(cc - u) * self.mm, -(rr - v) * self.mm, -self.turn_deg)
        return (slice(r0, r1), slice(c0, c1)), lx, ly

    def inside(self, distance: Any) -> Any:
        """Return how much of a pixel lies inside an edge at a signed distance."""
        return np.clip(.5 - distance / self.mm, 0, 1)

    def mirrored(self, slope_deg: Any, material: str) -> Array:
        """Return each light's share of a mirror answer at some slopes."""
        return self.tables[material][:, np.clip(slope_deg * 4, 0, 360).astype(np.int32)]

    def metal(self, slope_deg: Any, material: str, rgb: Any, diffuse: Any) -> Array:
        """Return the responses of metal of some slopes; `diffuse` is its share of a white sheet's answer."""
        tint = self.colour(rgb)[:, None, None]
        return tint * (self.mirrored(slope_deg, material) + self.diffuse * diffuse + self.ambient)

    def matt(self, rgb: Any) -> Array:
        """Return the responses of a matt surface, the same at every pixel."""
        return (self.colour(rgb) * (self.diffuse + self.ambient))[:, None, None]

    def seen(self, window: Window) -> Array:
        """Return what is drawn in a window so far."""
        return self.response[(slice(None), *window)]

    def put(self, window: Window, share: Any, value: Array) -> None:
        """Lay something over a window, as far as it covers each pixel."""
        self.response[(slice(None), *window)] += share.astype(np.float32) * (value - self.seen(window))

    def expose(self) -> dict[str, Array]:
        """Return the pictures by exposure: uneven light, blur, cross-talk, black level, noise, eight bits."""
        rng, station = self.rng, self.station
        yy, xx = np.mgrid[-1:1:self.height * 1j, -1:1:self.width * 1j].astype(np.float32)
        gains = rng.uniform(.85, 1.15, self.lights)
        if rng.random() < .25:
            gains[rng.integers(self.lights)] *= .75
        blur, shade = rng.uniform(.4, 1.2), rng.uniform(0, .06)
        seen: dict[str, dict[str, Array]] = {}
        for i, light in enumerate(station.lights):
            field = (1 - shade * (xx ** 2 + yy ** 2) / 2 + rng.uniform(-.03, .03) * xx + rng.uniform(-.03, .03) * yy)
            linear = gaussian_filter(self.response[i] * field * gains[i] * 285.0, blur)
            seen.setdefault(light.exposure, {})[light.channel] = linear
        return {exposure: self._developed(planes) for exposure, planes in seen.items()}

    def _developed(self, planes: dict[str, Array]) -> Array:
        names: Sequence[str] = ("mono",) if "mono" in planes else ("red", "green", "blue")
        picture = np.stack([planes[name] for name in names])
        if self.station.cross_talk and len(names) == 3:
            picture = np.tensordot(np.array(self.station.cross_talk, np.float32), picture, 1)
        picture = picture + self.station.black_level
        noise = self.rng.standard_normal(picture.shape, np.float32)
        picture += noise * np.sqrt(.7 + .018 * np.maximum(picture, 0))
        levels = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
        return levels[0] if len(names) == 1 else np.ascontiguousarray(levels[::-1].transpose(1, 2, 0))


def span(joint: Joint) -> float:
    """Return a land's larger side."""
    return max(joint.land_w_mm, joint.land_h_mm)
