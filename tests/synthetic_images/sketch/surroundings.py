"""What lies about the joints: mask with traces, print, vias, fiducials, flux residue."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from .canvas import MASKS, METALS, Canvas
from .shapes import Array

Spot = tuple[float, float, float]  # x, y, radius in mm
HOLE = (.01, .01, .01)


def draw_surroundings(canvas: Canvas, taken: list[Spot]) -> None:
    """Draw the bare board; vias keep off the places taken."""
    gloss = _draw_mask(canvas)
    _draw_print(canvas)
    _draw_vias(canvas, taken, gloss)
    _draw_fiducials(canvas)


def _draw_mask(canvas: Canvas) -> float:
    """Draw solder mask over copper that shows through as a swelling; return the mask's gloss."""
    rng = canvas.rng
    copper = _copper(canvas)
    gy, gx = np.gradient(copper)
    slope = np.hypot(gx, gy) * rng.uniform(30, 90) + abs(canvas.rough) * rng.uniform(.5, 2)
    tone = 1 + rng.uniform(.1, .5) * copper + .05 * canvas.rough + .04 * canvas.texture(120)
    gloss = rng.uniform(.02, .06)
    mirror = np.clip(slope * 4, 0, 360).astype(np.int32)
    tint = canvas.colour(np.array(MASKS[canvas.mask]))
    for i in range(canvas.lights):
        canvas.response[i] = (tint[i] * tone * (canvas.diffuse + canvas.ambient)
                              + gloss * canvas.tables["mask"][i, mirror])
    return gloss


def _copper(canvas: Canvas) -> Array:
    """Return where copper lies under the mask: traces with knees of 45 degrees, on some boards a poured area."""
    rng, joints = canvas.rng, canvas.family.joints
    copper = np.zeros((canvas.height, canvas.width), np.uint8)
    for _ in range(rng.integers(14, 30)):
        a, b = joints[rng.integers(len(joints))], joints[rng.integers(len(joints))]
        start, end = np.array([a.x_mm, a.y_mm]), np.array([b.x_mm, b.y_mm])
        knee = start + min(abs(end - start)) * np.sign(end - start)
        points = np.array([canvas.to_px(*place) for place in (start, knee, end)])
        cv2.polylines(copper, [np.round(points * 16).astype(np.int32)], False, 255,
                      int(rng.choice([.25, .4, .8]) / canvas.mm), cv2.LINE_AA, 4)
    if rng.random() < .5:
        x, y = rng.uniform(3, 18), rng.uniform(3, 14)
        corners = ((x, y), (x + 9, y), (x + 9, y + 6), (x, y + 6))
        area = np.array([canvas.to_px(*corner) for corner in corners])
        cv2.fillPoly(copper, [np.round(area * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return gaussian_filter(copper.astype(np.float32) / 255, 1.6)


def _draw_print(canvas: Canvas) -> None:
    """Draw printed letters, boxes and circles."""
    rng, mm = canvas.rng, canvas.mm
    ink, pen = np.zeros((canvas.height, canvas.width), np.uint8), int(.15 / mm)
    for _ in range(rng.integers(6, 14)):
        u, v = canvas.to_px(rng.uniform(2, 28), rng.uniform(2, 22))
        start = (int(u), int(v))
        if rng.random() < .6:
            word = "".join(rng.choice(list("ABCDEHJKLQRTUX123456789+-"), rng.integers(2, 5)))
            cv2.putText(ink, word, start, cv2.FONT_HERSHEY_SIMPLEX, rng.uniform(.9, 1.4) * .02 / mm, 255,
                        max(2, int(.14 / mm)), cv2.LINE_AA)
        elif rng.random() < .5:
            end = (int(u + rng.uniform(2, 8) / mm), int(v + rng.uniform(1, 5) / mm))
            cv2.rectangle(ink, start, end, 255, pen, cv2.LINE_AA)
        else:
            cv2.circle(ink, start, int(rng.uniform(1, 3.5) / mm), 255, pen, cv2.LINE_AA)
    whole = (slice(None), slice(None))
    canvas.put(whole, ink / 255.0 * rng.uniform(.75, 1), canvas.matt(np.array((.8, .8, .76)) * rng.uniform(.8, 1)))


def _draw_vias(canvas: Canvas, taken: list[Spot], gloss: float) -> None:
    """Draw vias, on a board all open or all under mask."""
    rng = canvas.rng
    is_open = rng.random() < .35
    for _ in range(rng.integers(5, 16)):
        x, y, r = rng.uniform(2, 28), rng.uniform(2, 22), rng.uniform(.25, .4)
        if any(np.hypot(x - bx, y - by) < br + r + .25 for bx, by, br in taken):
            continue
        taken.append((x, y, r + .1))
        window, lx, ly = canvas.around(x, y, r + .2)
        d = np.hypot(lx, ly)
        if is_open:
            canvas.put(window, canvas.inside(d - r), canvas.metal(2 + 0 * d, "land", METALS[canvas.finish], .1))
            canvas.put(window, canvas.inside(d - r * .5), canvas.matt(HOLE))
        else:
            slope = 14 * np.exp(-((d - r * .6) / .07) ** 2)
            tented = canvas.matt(np.array(MASKS[canvas.mask]) * 1.3) + gloss * canvas.mirrored(slope, "mask")
            canvas.put(window, canvas.inside(d - r), tented)


def _draw_fiducials(canvas: Canvas) -> None:
    """Draw round marks of bare land in openings of the mask."""
    for mark in canvas.family.fiducials:
        window, lx, ly = canvas.around(mark.x_mm, mark.y_mm, 1.2)
        d = np.hypot(lx, ly)
        bare = np.array((.20, .17, .10)) * (.8 if canvas.mask != "black" else .5)
        canvas.put(window, canvas.inside(d - 1.0), canvas.matt(bare))
        canvas.put(window, canvas.inside(d - .5),
                   canvas.metal(abs(canvas.rough[window]) * .8 + 1, "land", METALS[canvas.finish], .12))


def draw_residue(canvas: Canvas, count: int) -> None:
    """Draw flux residue: brownish patches that darken, blue most, and add a little diffuse light."""
    rng = canvas.rng
    for _ in range(count):
        window, lx, ly = canvas.around(rng.uniform(2, 28), rng.uniform(2, 22), 2.6)
        e = np.hypot(lx / rng.uniform(.5, 1.9), ly / rng.uniform(.5, 1.9)) + .25 * canvas.texture(24)[window]
        share = (rng.uniform(.1, .4) / (1 + np.exp((e - 1) * rng.uniform(6, 20)))
                 * (1 + .6 * np.exp(-((e - 1) * 8) ** 2)))
        kept = canvas.colour((.85, .7, .42))[:, None, None]
        canvas.put(window, np.clip(share, 0, .6),
                   canvas.seen(window) * kept * .8 + canvas.matt((.30, .2, .08)) * .7)


