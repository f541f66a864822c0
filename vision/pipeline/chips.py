"""Are the chips near the joints in their places: presence, shift, turn."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.capture import Capture
from vision.pipeline.optics import Optics
from vision.pipeline.register import Registration
from vision.setup.family import Chip

GRID = 72  # samples each way
#: Levels at which a body is told from the mask: share of the response that must have moved between lights, factor of
#: brightness, width of the mean taken first.
LEVELS = ((0.10, 2.0, 3), (0.07, 1.6, 3), (0.055, 1.4, 5), (0.045, 1.25, 5))
MARGIN_MM = 0.9  # the window reaches this far beyond the body
Column = NDArray[np.float64]


def measure_chips(capture: Capture, chips: Sequence[Chip], registration: Registration, optics: Optics,
                  mask: NDArray[np.float32]) -> tuple[dict[str, Column], NDArray[np.bool_]]:
    """Return the chips' measurements as columns [chip], and which windows lie wholly in the picture.

    Every chip is sampled in its own axes. What is neither mask nor shining metal is body; the patch whose
    rectangle is most like the nominal body gives evidence, place and turn. Signs: along and across in the chip's
    own axes, turn counter-clockwise. `mask` is the bare board's response [light].
    """
    names = ("chip_present", "shift_along_mm", "shift_across_mm", "turn_deg", "body_cover_pct")
    if not chips:
        return {name: np.zeros(0) for name in names}, np.zeros(0, dtype=bool)
    samples, along, across, inside = _windows(capture, chips, registration)
    local = _local_mask(samples, mask, optics)
    steps = [(along[index, 0, 1] - along[index, 0, 0], across[index, 1, 0] - across[index, 0, 0])
             for index in range(len(chips))]
    found = np.zeros((len(chips), 5))
    found[:, 1:4] = np.nan
    # A plain body is found at the first, coarse level; one of nearly the mask's colour needs a finer one, at which
    # tracks and shadows show too and often spoil a plain body's shape.
    for level in LEVELS:
        body = _body(samples, local, optics, level)
        for index, chip in enumerate(chips):
            if found[index, 0] < 0.9:
                again = np.array(_best_body(body[index], chip, *steps[index]))
                found[index] = again if again[0] > found[index, 0] else found[index]
    evidence, u, v, turn, area = found.T
    is_long = np.array([chip.body_w_mm >= chip.body_h_mm for chip in chips])
    nominal = np.array([chip.body_w_mm * chip.body_h_mm for chip in chips])
    seen = evidence > 0.0
    shift_along, shift_across = np.where(is_long, u, v), np.where(is_long, v, u)
    columns = {"shift_along_mm": shift_along, "shift_across_mm": shift_across, "turn_deg": turn}
    return {"chip_present": evidence, **{name: np.where(seen, values, np.nan) for name, values in columns.items()},
            "body_cover_pct": 100.0 * area / nominal}, inside


def _best_body(plane: NDArray[np.bool_], chip: Chip, step_u: float,
               step_v: float) -> tuple[float, float, float, float, float]:
    """Return evidence, shift (u, v, mm), turn (deg) and area (mm^2) of the patch most like the chip's body.

    The metal ends are not body, so a patch may be shorter than the chip; it must fill its rectangle, and its
    rectangle must have about the body's width.
    """
    long, short = max(chip.body_w_mm, chip.body_h_mm), min(chip.body_w_mm, chip.body_h_mm)
    closed = cv2.morphologyEx(plane.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), dtype=np.uint8))
    # Outlines of pads, tracks and print are far thinner than a body and go.
    thick = (max(3, round(0.42 * short / step_u)), max(3, round(0.42 * short / step_v)))
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, thick))
    outlines, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    best = (0.0, np.nan, np.nan, np.nan, 0.0)
    for outline in outlines:
        points = (outline[:, 0, :] - (GRID - 1) / 2.0) * (step_u, step_v)
        (u, v), sides, _ = cv2.minAreaRect(points.astype(np.float32))
        # Contours run through the outermost samples' centres; half a sample is missing on every side.
        width, height = max(sides) + step_u, min(sides) + step_u
        area = (cv2.contourArea(points.astype(np.float32)) + 0.5 * len(points) * step_u * step_u) + 1e-9
        filled = area / max(width * height, 1e-9)
        # Dull metal ends and their fillets may be counted in or not, so the length is free within bounds.
        fits = [_within(a, 0.38 * long, 1.4 * long) * _within(b, 0.82 * short, 1.3 * short)
                for a, b in ((width, height), (height, width))]
        evidence = max(fits) * float(np.clip((filled - 0.55) / 0.25, 0.0, 1.0))
        if evidence > best[0]:
            best = (evidence, float(u), float(v), _turn(points), float(area))
    return best


def _within(value: float, low: float, high: float) -> float:
    """Return 1 for a length between two bounds, falling to 0 at a quarter beyond either."""
    beyond = max(low - value, value - high, 0.0) / (low if value < low else high)
    return float(np.clip(1.0 - beyond / 0.25, 0.0, 1.0))


def _turn(points: NDArray[Any]) -> float:
    """Return how far (deg, counter-clockwise, within 45 either way) a patch's sides are turned from the chip's."""
    hull = cv2.convexHull(points.astype(np.float32))[:, 0, :]
    sides = np.roll(hull, -1, axis=0) - hull
    length, angle = np.hypot(sides[:, 0], sides[:, 1]), np.arctan2(sides[:, 1], sides[:, 0])
    # Sides of a rectangle repeat every quarter turn: average them on the circle of four times the angle.
    mean = np.angle((length**2 * np.exp(4j * angle)).sum()) / 4.0
    return float(np.rad2deg(mean))


def _windows(capture: Capture, chips: Sequence[Chip], registration: Registration
             ) -> tuple[NDArray[np.float32], NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Sample every chip in its own axes: responses [chip, light, v, u], u and v in mm, and windows in picture."""
    size = np.array([(chip.body_w_mm, chip.body_h_mm) for chip in chips])
    half = size / 2.0 + MARGIN_MM
    place = (np.arange(GRID) + 0.5) / GRID * 2.0 - 1.0
    along = np.broadcast_to(half[:, 0, None, None] * place[None, None, :], (len(chips), GRID, GRID))
    across = np.broadcast_to(half[:, 1, None, None] * place[None, :, None], (len(chips), GRID, GRID))
    angle = np.deg2rad([chip.rotation_deg for chip in chips])[:, None, None]
    x = np.array([chip.x_mm for chip in chips])[:, None, None] + along * np.cos(angle) - across * np.sin(angle)
    y = np.array([chip.y_mm for chip in chips])[:, None, None] + along * np.sin(angle) + across * np.cos(angle)
    points = registration.to_picture.to_px(np.stack([x, y], axis=-1)) - 0.5
    flat = points.reshape(-1, GRID, 2).astype(np.float32)
    map_x, map_y = np.ascontiguousarray(flat[..., 0]), np.ascontiguousarray(flat[..., 1])
    planes = [cv2.remap(plane, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
              .reshape(len(chips), GRID, GRID) for plane in capture.responses]
    width, height = capture.size_px
    core = points[:, GRID // 4:-GRID // 4, GRID // 4:-GRID // 4]
    inside = np.asarray(((core >= 0) & (core <= np.array([width - 1, height - 1]))).all(axis=(1, 2, 3)))
    return np.stack(planes, axis=1), along, across, inside


def _local_mask(samples: NDArray[np.float32], mask: NDArray[np.float32], optics: Optics) -> NDArray[np.float32]:
    """Response [chip, light] of the mask around each chip: the median of the window's dim border samples."""
    border = np.ones((GRID, GRID), dtype=bool)
    border[6:-6, 6:-6] = False
    edge = samples[:, :, border]
    dim = (edge * optics.white[None, :, None]).sum(axis=1) < 0.45 * optics.lit_energy
    found = np.nanmedian(np.where(dim[:, None], edge, np.nan), axis=2) if dim.any(axis=1).all() else None
    return np.broadcast_to(mask, samples.shape[:2]).astype(np.float32) if found is None else found.astype(np.float32)


def _body(samples: NDArray[np.float32], mask: NDArray[np.float32], optics: Optics,
          level: tuple[float, float, int]) -> NDArray[np.bool_]:
    """Say which samples are chip body: no metal, and unlike the mask in hue or brightness.

    Copper under the mask changes brightness much as a body does, but seldom in a body's shape, which is checked
    next. White print on the body counts as body: it is bright under all lights alike, as metal never is.
    """
    hue_step, factor, width = level
    soft = np.stack([cv2.blur(plane.reshape(-1, GRID), (width, width)).reshape(plane.shape)
                     for plane in np.moveaxis(samples, 1, 0)], axis=1)
    energy = (np.maximum(soft, 0.0) * optics.white[None, :, None, None]).sum(axis=1) / optics.lit_energy
    low, high = soft.min(axis=1), soft.max(axis=1)
    print_like = (low > 0.3) & (high < 1.3) & (high < 1.4 * low)
    total = np.maximum(soft.sum(axis=1), 1e-3)
    reference = np.maximum(mask.sum(axis=1), 1e-3)
    hue = np.abs(soft / total[:, None] - (mask / reference[:, None])[:, :, None, None]).max(axis=1)
    brightness = total / reference[:, None, None]
    unlike = (hue > hue_step) | (brightness < 1.0 / factor) | (brightness > factor)
    return np.asarray(unlike & ((energy < 0.62) | print_like), dtype=np.bool_)
