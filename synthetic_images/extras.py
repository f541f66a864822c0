"""Drawing necks between joints, pits, spikes and solder balls into the canvas."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images import canvas as cv
from synthetic_images.canvas import Canvas, window
from synthetic_images.plan import BoardPlan, Spike
from synthetic_images.solder import Shapes

F32 = NDArray[np.float32]
BLEND_MM = 0.07  # necks run into fillets over this height


def draw_necks(canvas: Canvas, plan: BoardPlan, shapes: Shapes) -> None:
    """Draw saddle-shaped solder between planned pairs; call before the leads are drawn."""
    rng = np.random.default_rng([plan.seed, 1])
    for neck in plan.necks:
        wave = rng.normal(0.0, 1.0, 3) / np.array([1.0, 2.0, 3.0])
        _draw_neck(canvas, plan, shapes, (neck.first, neck.second), (neck.width, neck.bow, neck.rise), wave)


def _draw_neck(canvas: Canvas, plan: BoardPlan, shapes: Shapes, pair: tuple[int, int],
               form: tuple[float, float, float], wave: NDArray[np.float64]) -> None:
    ends = np.array([(plan.family.joints[j].x_mm, plan.family.joints[j].y_mm) for j in pair])
    ends += plan.joints.lead_shift[list(pair)]
    middle, across = ends.mean(axis=0), ends[1] - ends[0]
    length = float(np.hypot(*across))
    box = window(canvas, float(middle[0]), float(middle[1]), length / 2.0 + 0.2)
    if box is None:
        return
    width, bow, rise = form
    way = across / length
    s = (box.u * np.float32(way[0]) + box.v * np.float32(way[1])) / np.float32(length) + 0.5
    y = box.v * np.float32(way[0]) - box.u * np.float32(way[1])
    ripple = sum(w * np.sin((n + 1) * np.pi * s) for n, w in enumerate(wave))
    y = y - np.float32(bow) * 4.0 * s * (1.0 - s) - np.float32(0.03) * ripple * (s * (1 - s) * 4)
    away = np.abs(2.0 * s - 1.0)
    wide = [0.75 * float(plan.joints.toe[j].mean()) for j in pair]
    top = [float(max(np.median(shapes.height[j][:, :4]), 0.15)) if plan.joints.cap_angle[j] == 0 else 0.4 for j in pair]
    end_width = np.where(s < 0.5, wide[0], wide[1]).astype(np.float32)
    end_top = np.where(s < 0.5, top[0], top[1]).astype(np.float32)
    least = min(width * rise / 2.0 + 0.05, 0.55)
    # A saddle: it spreads over the lands as their fillets' own skirts and rises late, as steeply as a fillet does; a
    # ridge that rises early would lie on the fillets like a wire. Then it dives under what surrounds the leads.
    half = width / 2.0 + np.maximum(end_width - width / 2.0, 0.0) * away**2.4
    dive = np.clip((1.0 - away) * length / 2.0 / 0.45, 0.0, 1.0)
    ridge = (least + (end_top - least) * away**5) * dive * (2.0 - dive)
    height = ridge * np.maximum(1.0 - (y / half) ** 2, 0.0) ** np.float32(0.62)
    solid = (s > 0.0) & (s < 1.0) & (np.abs(y) < half)
    _merge(canvas, box.place, height.astype(np.float32), solid, cv.solder_of(pair[0]))


def _merge(canvas: Canvas, place: tuple[slice, slice], height: F32, solid: NDArray[np.bool_], surface: int) -> None:
    """Unite a body of solder with what is there, blending where both are solder."""
    ground, kinds, marks = canvas.layers(place)
    both = solid & ((marks & cv.IS_SOLDER) > 0)
    near = np.maximum(BLEND_MM - np.abs(height - ground), 0.0) / BLEND_MM
    fresh = solid & ~both
    ground[both] = (np.maximum(height, ground) + near**2 * BLEND_MM / 4.0)[both]
    ground[fresh] = height[fresh]
    kinds[fresh] = surface
    marks[solid] |= cv.IS_SOLDER


def draw_pits(canvas: Canvas, plan: BoardPlan) -> None:
    """Blow pits with a raised rim into solder; call before the leads are drawn."""
    rng = np.random.default_rng([plan.seed, 2])
    for pit in plan.pits:
        joint = plan.family.joints[pit.joint]
        phase, squeeze = rng.uniform(0, 2 * np.pi, 3), rng.uniform(0.75, 1.0)
        box = window(canvas, joint.x_mm + pit.x, joint.y_mm + pit.y, 1.2 * pit.diameter + 0.05)
        if box is None:
            continue
        u = box.u * np.float32(np.cos(phase[0])) + box.v * np.float32(np.sin(phase[0]))
        v = box.v * np.float32(np.cos(phase[0])) - box.u * np.float32(np.sin(phase[0]))
        radius, angle = cv2.cartToPolar(u * np.float32(np.sqrt(squeeze)), v / np.float32(np.sqrt(squeeze)))
        outline = pit.diameter / 2.0 * (1.0 + 0.10 * np.cos(2 * angle + phase[1]) + 0.07 * np.cos(3 * angle + phase[2]))
        q = radius / outline
        ground, kinds, marks = canvas.layers(box.place)
        solder = (marks & cv.IS_SOLDER) > 0
        rim = np.float32(0.10 * pit.diameter) * np.exp(-(((q - 1.12) / 0.2) ** 2))
        inside = (q < 1.0) & solder
        ground[solder] += rim[solder]
        ground[inside] -= (pit.depth * np.sqrt(np.maximum(1.0 - q**2, 0.0)))[inside]
        marks[inside] |= cv.IS_PIT
        kinds[inside & (q < 0.62)] = cv.HOLE


def draw_spikes(canvas: Canvas, plan: BoardPlan, lean: NDArray[np.float64]) -> None:
    """Draw icicles and flags; call after the leads."""
    for spike in plan.spikes:
        _draw_spike(canvas, plan, spike, lean[spike.joint])


def _draw_spike(canvas: Canvas, plan: BoardPlan, spike: Spike, lean: NDArray[np.float64]) -> None:
    joint = plan.family.joints[spike.joint]
    start, end = np.array(spike.start), np.array(spike.end)
    along = end[:2] - start[:2]
    length = float(np.hypot(*along))
    middle = (start + end) / 2.0
    middle[:2] += np.array([-along[1], along[0]]) / max(length, 1e-6) * spike.sag
    middle[2] -= 0.1 * (end[2] - start[2])
    flat = 0.3 if spike.kind == "flag" else 1.0
    count = int(np.clip(length / canvas.step_mm / 2.0, 12, 90))
    box = window(canvas, joint.x_mm + float(middle[0]), joint.y_mm + float(middle[1]), length / 2.0 + spike.width + 0.2)
    if box is None:
        return
    ground, kinds, marks = canvas.layers(box.place)
    height = np.full(box.u.shape, -1.0, np.float32)
    for t in np.linspace(0.0, 1.0, count):
        spot = (1 - t) ** 2 * start + 2 * t * (1 - t) * middle + t**2 * end
        spot[:2] += lean * spot[2] - middle[:2]
        taper = spike.blunt + (1.0 - spike.blunt) * (1.0 - t) ** 0.75
        radius = spike.width / 2.0 * taper + 0.035 * min(spike.width / 0.25, 1.0)
        square = (radius**2 - (box.u - np.float32(spot[0])) ** 2 - (box.v - np.float32(spot[1])) ** 2)
        inside = square > 0
        height[inside] = np.maximum(height[inside], spot[2] + flat * np.sqrt(square[inside]))
    seen = (height > ground) & (height > 0)
    ground[seen] = height[seen]
    kinds[seen] = cv.solder_of(spike.joint)
    marks[seen] |= cv.IS_SPIKE | (cv.IS_SOLDER if spike.kind == "flag" else 0)


def draw_balls(canvas: Canvas, plan: BoardPlan) -> None:
    """Draw loose solder balls lying on what is below them."""
    for ball in plan.balls:
        box = window(canvas, ball.x, ball.y, ball.diameter / 2.0 + 0.02)
        if box is None:
            continue
        ground, kinds = canvas.height[box.place], canvas.surface[box.place]
        radius = ball.diameter / 2.0
        square = radius**2 - box.u**2 - box.v**2
        inside = square > 0
        base = max(float(np.median(ground[inside])), 0.0) if inside.any() else 0.0
        height = (base + radius + np.sqrt(np.maximum(square, 0.0))).astype(np.float32)
        seen = inside & (height > ground)
        ground[seen] = height[seen]
        kinds[seen] = cv.BALL
