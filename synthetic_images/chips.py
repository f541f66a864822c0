"""Drawing chips: pads, body, end terminations and their solder, in place, shifted, missing or standing on end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_images import canvas as cv
from synthetic_images.canvas import Canvas, window
from synthetic_images.plan import BoardPlan

F32 = NDArray[np.float32]


def body_of(plan: BoardPlan, chip: int) -> int:
    """Return the surface number of a chip's body; its terminations and pads have the next two."""
    return cv.FIRST_JOINT + 3 * len(plan.family.joints) + 4 * chip


@dataclass(frozen=True)
class _Look:
    thick: float
    band: float  # termination length as a share of the body
    pad_out: float
    fillet: float
    text: NDArray[np.float64]


def draw_chips(canvas: Canvas, plan: BoardPlan) -> None:
    """Draw every chip's pads and, where present, the chip."""
    for index, chip in enumerate(plan.family.chips):
        rng = np.random.default_rng([plan.seed, 3, index])
        narrow = min(chip.body_w_mm, chip.body_h_mm)
        look = _Look(narrow * rng.uniform(0.35, 0.8), rng.uniform(0.15, 0.26), rng.uniform(0.25, 0.5),
                     rng.uniform(0.4, 1.0), rng.random(16))
        box = window(canvas, chip.x_mm, chip.y_mm, max(chip.body_w_mm, chip.body_h_mm) + 0.8)
        if box is None:
            continue
        _draw_pads(canvas, plan, index, box, look)
        if plan.chips[index].present:
            _draw_body(canvas, plan, index, box, look)


def _along(plan: BoardPlan, index: int, u: F32, v: F32, turn: float) -> tuple[F32, F32, float, float]:
    """Return coordinates along and across the chip's long axis, and its half sizes."""
    chip = plan.family.chips[index]
    angle = np.deg2rad(chip.long_axis_deg) + turn
    cos, sin = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    long, narrow = max(chip.body_w_mm, chip.body_h_mm), min(chip.body_w_mm, chip.body_h_mm)
    return u * cos + v * sin, v * cos - u * sin, long / 2.0, narrow / 2.0


def _draw_pads(canvas: Canvas, plan: BoardPlan, index: int, box: cv.Window, look: _Look) -> None:
    a, b, half_long, half_narrow = _along(plan, index, box.u, box.v, 0.0)
    inner, outer = half_long * 0.62, half_long + look.pad_out
    pad = (np.abs(a) > inner) & (np.abs(a) < outer) & (np.abs(b) < half_narrow * 1.08)
    x = (np.abs(a) - (inner + outer) / 2) / ((outer - inner) / 2)
    y = b / (half_narrow * 1.08)
    dome = 0.10 * look.fillet * np.maximum((1 - x**2) * (1 - y**2), 0.0) ** 0.5
    height, surface = canvas.height[box.place], canvas.surface[box.place]
    free = pad & (surface <= cv.SILK)
    height[free] = dome[free]
    surface[free] = body_of(plan, index) + 2
    state = plan.chips[index]
    if not state.present or state.standing or np.hypot(state.dx, state.dy) > 0.15 or abs(state.turn) > 0.1:
        return
    rise = np.clip((outer - 0.06 - np.abs(a)) / max(outer - 0.06 - half_long, 0.05), 0.0, 1.0) ** 1.8
    side = np.clip((half_narrow * 1.05 - np.abs(b)) / 0.06, 0.0, 1.0) ** 0.5
    fillet = (look.thick * look.fillet * rise * side).astype(np.float32)
    height[free] = np.maximum(height, fillet)[free]


def _draw_body(canvas: Canvas, plan: BoardPlan, index: int, box: cv.Window, look: _Look) -> None:
    state = plan.chips[index]
    a, b, half_long, half_narrow = _along(plan, index, box.u - np.float32(state.dx), box.v - np.float32(state.dy),
                                          state.turn)
    top, band = look.thick, look.band
    if state.standing:  # on one pad, end up, a little aslant
        a = a - np.float32(half_long * (0.8 if look.text[0] < 0.5 else -0.8))
        top, half_long, band = 2.0 * half_long, look.thick / 2.0, 2.0
    edge = np.maximum(np.abs(a) - half_long, np.abs(b) - half_narrow)
    inside = edge < 0
    roundness = 0.05
    relief = -roundness * np.maximum(1.0 + edge / roundness, 0.0) ** 2
    terminal = inside & (np.abs(a) > half_long * (1 - 2 * band))
    if state.standing:
        relief = relief + 0.12 * a
    height, surface = canvas.height[box.place], canvas.surface[box.place]
    level = (top + relief + 0.012 * terminal).astype(np.float32)
    height[inside] = level[inside]
    number = body_of(plan, index)
    surface[inside] = number
    surface[terminal] = number + 1
    if look.text[1] < 0.5 and not state.standing:
        middle = np.flatnonzero(inside & ~terminal)
        upright = -half_long if plan.family.seen_from == "bottom" else half_long  # letters are not mirrored
        printed = _digits(a.ravel()[middle] / np.float32(upright), b.ravel()[middle] / half_narrow, look.text)
        surface[np.unravel_index(middle[printed], surface.shape)] = number + 3


def _digits(a: F32, b: F32, seeds: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return strokes that look like three printed characters on the body's middle."""
    strokes = np.zeros(a.shape, dtype=np.bool_)
    for number in range(3):
        x, y = (a - (number - 1) * 0.32) / 0.11, b / 0.5
        parts = ((np.abs(x + 1) < 0.25) & (np.abs(y) < 1), (np.abs(x - 1) < 0.25) & (np.abs(y) < 1),
                 (np.abs(y - 1) < 0.16) & (np.abs(x) < 1.2), (np.abs(y) < 0.16) & (np.abs(x) < 1.2),
                 (np.abs(y + 1) < 0.16) & (np.abs(x) < 1.2))
        for part, seed in zip(parts, seeds[1 + 5 * number:], strict=False):
            if seed < 0.7:
                strokes |= part
    return strokes
