"""What lies beside joints: tongues of solder, bridges, balls, and chips on their pads."""

from __future__ import annotations

from typing import Any

import numpy as np

from vision.setup import Chip, Joint

from .canvas import BARE_BOARD, METALS, Canvas, Window
from .shapes import ROUND_TURN, Array, outline, turned

Rgb = Any  # reflectance in red, green, blue
CHIP_FAULTS = ("chip_missing", "chip_missing", "shift", "turn", "tomb")


def draw_projection(canvas: Canvas, joint: Joint, azimuth: float, reach: float, edge: float, solder: Rgb) -> None:
    """Draw a tongue of solder that reaches beyond the land's edge."""
    rng = canvas.rng
    window, x, y = canvas.around(joint.x_mm, joint.y_mm, edge + reach + .3)
    u, v = x * np.cos(azimuth) + y * np.sin(azimuth), -x * np.sin(azimuth) + y * np.cos(azimuth)
    v = v + rng.uniform(-.12, .12) * np.clip(u - edge, 0, None) ** 2
    start, tip = edge - rng.uniform(.2, .35), edge + reach
    t = np.clip((u - start) / (tip - start), 0, 1)
    half = rng.uniform(.17, .28) * (1 - t) ** rng.uniform(.5, .9) + .035
    across = np.clip(abs(v) / half, 0, 1)
    along_tan, across_tan = np.tan(np.deg2rad(rng.uniform(6, 20))), np.tan(np.deg2rad(74 * across ** 1.1))
    slope = np.rad2deg(np.arctan(np.hypot(along_tan, across_tan)))
    d = np.maximum(abs(v) - half, u - tip)
    share = canvas.inside(d) * np.clip((u - start) / .15, 0, 1)
    canvas.put(window, share, canvas.metal(slope + abs(canvas.rough[window]) * canvas.grain, "solder", solder,
                                           canvas.solder_diffuse * .7))


def draw_bridge(canvas: Canvas, one: Joint, other: Joint, edges: tuple[float, float], solder: Rgb) -> float:
    """Draw solder between two joints whose lands end at `edges` along the line; return its width in mm."""
    rng = canvas.rng
    dx, dy = other.x_mm - one.x_mm, other.y_mm - one.y_mm
    length, azimuth = np.hypot(dx, dy), np.arctan2(dy, dx)
    window, x, y = canvas.around(one.x_mm + dx / 2, one.y_mm + dy / 2, length / 2 + .4)
    u = x * np.cos(azimuth) + y * np.sin(azimuth) + length / 2
    v = -x * np.sin(azimuth) + y * np.cos(azimuth)
    width = rng.uniform(.45, min(1.2, min(one.land_w_mm, one.land_h_mm) * .7))
    start, end = edges[0] - rng.uniform(.12, .22), length - edges[1] + rng.uniform(.12, .22)
    m = np.clip((u - start) / (end - start), 0, 1)
    bow = rng.uniform(-.15, .15) * np.sin(np.pi * m)
    half = width / 2 * (1 + rng.uniform(.2, .6) * (2 * abs(m - .5)) ** 2.5)
    flank_deg = rng.uniform(58, 84)
    across = np.clip(abs(v - bow) / half, 0, 1)
    slope = np.hypot(np.rad2deg(np.arcsin(across * np.sin(np.deg2rad(flank_deg)))),
                     rng.uniform(4, 18) * 2 * abs(m - .5))
    share = (canvas.inside(abs(v - bow) - half) * np.clip((u - start) / .12, 0, 1)
             * np.clip((end - u) / .12, 0, 1))
    canvas.put(window, share, canvas.metal(slope + abs(canvas.rough[window]) * canvas.grain * .7, "solder", solder,
                                           canvas.solder_diffuse))
    return width


def draw_ball(canvas: Canvas, x: float, y: float, diameter: float, solder: Rgb) -> None:
    """Draw a sphere of solder and the shade at its foot."""
    window, lx, ly = canvas.around(x, y, diameter + .2)
    d = np.hypot(lx, ly)
    shade = .45 * np.exp(-np.maximum(d - diameter / 2, 0) / (.25 * diameter))
    canvas.put(window, shade, canvas.seen(window) * .35)
    slope = np.rad2deg(np.arcsin(np.clip(d / (diameter / 2), 0, 1)))
    canvas.put(window, canvas.inside(d - diameter / 2),
               canvas.metal(slope, "solder", solder, canvas.solder_diffuse * np.clip(1.3 - slope / 70, 0, 1)))


def draw_chip(canvas: Canvas, chip: Chip, fault: str) -> None:
    """Draw a chip and its pads; `fault` is fine or one of CHIP_FAULTS."""
    rng = canvas.rng
    w, h = chip.body_w_mm, chip.body_h_mm
    window, bx, by = canvas.around(chip.x_mm, chip.y_mm, w + 1.4)
    x, y = turned(bx, by, -chip.rotation_deg)
    _draw_pads(canvas, chip, fault, window, (x, y))
    if fault == "chip_missing":
        if rng.random() < .4:  # the dot of glue stays
            share = canvas.inside(np.hypot(x / .35, y / .3) * .3 - .3) * .8
            canvas.put(window, share, canvas.matt((.5, .12, .08)))
        return
    dx, dy, da = rng.uniform(-.07, .07), rng.uniform(-.06, .06), rng.uniform(-3, 3)
    if fault == "shift":
        azimuth, far = rng.uniform(0, ROUND_TURN), rng.uniform(.42, .75)
        dx, dy = far * np.cos(azimuth), far * np.sin(azimuth)
    elif fault == "turn":
        da = rng.choice([-1, 1]) * rng.uniform(16, 45)
        dx += rng.uniform(-.15, .15)
    if fault == "tomb":  # it stands on one end, which is all that shows
        d = outline("rect", h * .62, h, *turned(x + w / 2 - .1, y - dy, -da))
        slope = 2 + 50 * np.exp(np.minimum(d, 0) / .05) + abs(canvas.rough[window])
        canvas.put(window, canvas.inside(d), canvas.metal(slope, "lead", np.array(METALS["tin"]), .15))
        return
    _draw_body(canvas, chip, window, turned(x - dx, y - dy, -da))


def _draw_pads(canvas: Canvas, chip: Chip, fault: str, window: Window, place: tuple[Array, Array]) -> None:
    """Draw both pads with the solder on them."""
    rng, (x, y) = canvas.rng, place
    w, h = chip.body_w_mm, chip.body_h_mm
    soldered = fault != "chip_missing" or rng.random() < .5
    for side in (-1, 1):
        middle = (w / 2 + (canvas.pad_out - canvas.pad_in) / 2) * side
        d = outline("rect", canvas.pad_out + canvas.pad_in, h * canvas.pad_height, x - middle, y)
        canvas.put(window, canvas.inside(d - canvas.clear_mm), canvas.matt(BARE_BOARD))
        bare = canvas.metal(abs(canvas.texture(5)[window]) + 1, "land", METALS[canvas.finish], .12)
        t = np.clip((x * side - w / 2) / canvas.pad_out, 0, 1)
        slope = (rng.uniform(30, 50) * (1 - t) ** 1.5 + rng.uniform(4, 14)
                 + 55 * np.exp(np.minimum(d, 0) / .04) * .4)
        if fault == "chip_missing" or (fault == "tomb" and side > 0):  # a pillow of solder on an empty pad
            slope = np.clip(1 + d / (h * .5), 0, 1) ** 1.5 * rng.uniform(12, 35)
        wet = canvas.metal(slope + abs(canvas.rough[window]) * canvas.grain, "solder", np.array(METALS["tin"]),
                           canvas.solder_diffuse)
        canvas.put(window, canvas.inside(d), wet if soldered else bare)


def _draw_body(canvas: Canvas, chip: Chip, window: Window, place: tuple[Array, Array]) -> None:
    """Draw a chip's body and its two end caps."""
    x, y = place
    w = chip.body_w_mm
    d = outline("rect", w, chip.body_h_mm, x, y)
    edge = 70 * np.exp(np.minimum(d, 0) / .05)
    body = canvas.matt(np.array(canvas.bodies[chip.ref[0]])) * (1 + .06 * canvas.rough[window])
    canvas.put(window, canvas.inside(d), body + .03 * canvas.mirrored(edge, "mask"))
    caps = canvas.inside(d) * canvas.inside(w / 2 - w * canvas.cap - abs(x))
    slope = 1.5 + edge + abs(canvas.texture(4)[window]) * 1.5
    canvas.put(window, caps, canvas.metal(slope, "lead", np.array(METALS["tin"]), .18))
