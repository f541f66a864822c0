"""Tell a plated through-hole beside a land from a tongue of solder: a ring of metal round a middle that is none."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.defects.corridors import is_metal
from vision.pipeline.light.optics import Optics
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.register import Registration
from vision.pipeline.view.unwrap import azimuths_rad
from vision.setup.family import Joint

ASIDE_MM = np.arange(-0.3, 0.301, 0.06)  # middles are looked for so far off the direction asked
BEYOND_MM = np.arange(0.08, 0.561, 0.06)  # and so far beyond the land's edge
RINGS_MM = (0.18, 0.21, 0.25, 0.3, 0.36)  # radii at which a via's land may be met
AROUND, ALL_ROUND = 24, 0.95  # directions from a middle, and the share of them that must show metal
CORE_MM = 0.04  # radius of what must be no metal in the middle
TOUCHES_MM = 0.12  # a via whose land's middle line lies further off is parted from the joint's land, and is no tongue


def beside_vias(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics,
                mask: NDArray[np.float32], edge_mm: NDArray[np.float32], asked: NDArray[np.intp],
                azimuth: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Say beside which joints asked a via lies in a direction, [asked].

    `mask` [joint, light] and `edge_mm` [joint, azimuth] are those of all joints: the bare board's response and how far
    the lands' edges lie. `asked` are numbers of joints, `azimuth` [asked] the samples in whose direction is looked.
    """
    if len(asked) == 0:
        return np.zeros(0, dtype=bool)
    angle = azimuths_rad()[azimuth]
    out, along = (np.stack(pair, axis=1) for pair in ((np.cos(angle), np.sin(angle)), (-np.sin(angle), np.cos(angle))))
    hole = np.array([(joints[index].x_mm, joints[index].y_mm) for index in asked.tolist()])
    far = edge_mm[asked, azimuth][:, None] + BEYOND_MM  # [asked, beyond]
    middle = hole[:, None, None] + far[:, :, None, None] * out[:, None, None] + ASIDE_MM[:, None] * along[:, None, None]
    middle = middle.reshape(len(asked), -1, 1, 2)  # [asked, place, 1, axis]
    turn = np.arange(AROUND) * (2.0 * np.pi / AROUND)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    core = _metal(capture, registration, optics, mask[asked], middle + CORE_MM * circle[::4]).any(axis=2)
    beyond = np.repeat(BEYOND_MM, len(ASIDE_MM))
    via = np.zeros(core.shape, dtype=bool)
    for radius in RINGS_MM:
        ring = _metal(capture, registration, optics, mask[asked], middle + radius * circle).mean(axis=2) >= ALL_ROUND
        via |= ring & ~core & (beyond <= radius + TOUCHES_MM)
    return np.asarray(via.any(axis=1), dtype=np.bool_)


def _metal(capture: Capture, registration: Registration, optics: Optics, mask: NDArray[np.float32],
           places_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which places [asked, place, point, axis] on the board are metal."""
    px = registration.to_picture.to_px(places_mm.reshape(-1, 2)).reshape(places_mm.shape) - 0.5
    x, y = (px[..., axis].reshape(len(px), -1).astype(np.float32) for axis in (0, 1))
    seen = capture.sample(x, y).swapaxes(0, 1)
    return is_metal(seen, mask, optics).reshape(places_mm.shape[:-1])
