"""Everything that lies flat: mask with its tracks and texture, silkscreen, flux residue, dust and scratches.

Drawn at picture resolution, since nothing here has steep surfaces.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images.look import Look
from synthetic_images.plan import BoardPlan
from vision.setup import Similarity

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
LEAST_EDGE = 0.955 / 191  # tangent of slope below which the mask counts as flat: one step of the light tables
_SUB = 4  # bits of sub-pixel places for OpenCV drawing


@dataclass(frozen=True)
class Ground:
    """Flat layers at picture resolution, float32 (row, col) in 0..1 unless noted.

    plain: what is seen of mask or track, unevenness included; track: the part of `plain` that has copper below; silk:
    the part covered by silkscreen. edge (n,) indexes the flattened picture where the mask slopes at track edges,
    edge_x (n,) is g / (1 + g) of the slope's tangent g there. keep and add: flux residue, dust and scratches turn a
    finished plane into plane * keep + add.
    """

    plain: F32
    track: F32
    silk: F32
    edge: NDArray[np.intp]
    edge_x: F32
    keep: F32
    add: F32


def draw_ground(plan: BoardPlan, to_px: Similarity, size_px: tuple[int, int]) -> Ground:
    """Draw the flat layers of a view of (width, height) px."""
    rng = np.random.default_rng([plan.seed, 5])
    design = np.random.default_rng([sum(plan.family.name.encode()), len(plan.family.joints)])
    recipe, scale = plan.recipe, to_px.px_per_mm
    copper = _tracks(plan, to_px, size_px, design)
    dimples = _vias(plan, to_px, copper, design)
    soft = cv2.GaussianBlur(copper, (0, 0), 0.03 * scale).astype(np.float32) / 255.0
    dx, dy = cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8)
    slope = cv2.magnitude(dx, dy) * np.float32(recipe.one("board.track_height", rng) * scale)
    silk = _silk(plan, to_px, size_px, design, recipe.one("board.silk_share", rng))
    texture = _texture(plan, rng, size_px, scale) * (1.0 - np.float32(rng.uniform(0.2, 0.7)) * dimples)
    veil = _veil(plan, rng, to_px, size_px) * np.float32(0.55)
    specks = _specks(recipe.one("board.dust", rng), rng, size_px, scale)
    scratch = _scratches(recipe.one("board.scratches", rng), rng, size_px, scale)
    speck_tone, veil_tone = float(rng.choice((0.05, 0.5))), float(rng.uniform(0.15, 0.6))
    clean = 1.0 - specks
    texture *= 1.0 - silk
    edge = np.flatnonzero(slope > LEAST_EDGE)
    edge_slope = slope.take(edge)
    return Ground(texture, soft * texture, silk, edge, edge_slope / (1.0 + edge_slope), clean - veil * clean,
                  veil * np.float32(veil_tone) * clean + specks * np.float32(speck_tone) + scratch * np.float32(0.12))


def flat_response(ground: Ground, look: Look, light: int, mask_curve: F32, bare: F32) -> F32:
    """Return one light's response (row, col) of the flat layers times `bare` (row, col), the part of a pixel they show.

    `mask_curve` (node,) is the mask's response.
    """
    plane = np.asarray(cv2.addWeighted(ground.plain, float(look.mask[light]), ground.track,
                                       float(look.track[light] - look.mask[light]), 0.0), dtype=np.float32)
    place = np.minimum((ground.edge_x * np.float32((len(mask_curve) - 1) / 0.955)).astype(np.int32),
                       len(mask_curve) - 1)
    plane.ravel()[ground.edge] += (mask_curve[place] - mask_curve[0]) * ground.plain.take(ground.edge)
    plane = np.asarray(cv2.scaleAdd(ground.silk, float(look.silk[light]), plane), dtype=np.float32)
    plane *= bare
    return plane


def _points(points: NDArray[np.float64]) -> NDArray[np.int32]:
    return np.round(points * (1 << _SUB)).astype(np.int32)


def _whole(point: NDArray[Any]) -> tuple[int, int]:
    return int(point[0]), int(point[1])


def _vias(plan: BoardPlan, to_px: Similarity, copper: U8, rng: np.random.Generator) -> F32:
    """Draw vias below the mask where there is room: copper discs into `copper`; returns their dimples (0..1)."""
    dimples = np.zeros(copper.shape, np.uint8)
    scale = to_px.px_per_mm
    place = np.array([(j.x_mm, j.y_mm) for j in plan.family.joints])
    for _ in range(int(len(place) * rng.uniform(0.2, 1.2))):
        spot = rng.uniform(place.min(axis=0) - 1.5, place.max(axis=0) + 1.5)
        if np.hypot(*(place - spot).T).min() < 2.2:
            continue
        centre = _whole(_points(to_px.to_px(spot) - 0.5))
        for image, radius in ((copper, 0.32), (dimples, float(rng.uniform(0.11, 0.16)))):
            cv2.circle(image, centre, int(radius * scale * (1 << _SUB)), 255, -1, cv2.LINE_AA, _SUB)
    return cv2.GaussianBlur(dimples, (0, 0), 0.02 * scale).astype(np.float32) / 255.0


def _tracks(plan: BoardPlan, to_px: Similarity, size_px: tuple[int, int], rng: np.random.Generator) -> U8:
    """Draw copper below the mask: pours and tracks with clearance, and a stub at every land that has a track."""
    image = np.zeros(size_px[::-1], np.uint8)
    joints, scale = plan.family.joints, to_px.px_per_mm
    place = np.array([(j.x_mm, j.y_mm) for j in joints])
    low, high = place.min(axis=0) - 1.5, place.max(axis=0) + 1.5
    for _ in range(int(rng.integers(2, 6))):
        corner = rng.uniform(low, high)
        side = rng.uniform(2.0, 9.0, 2)
        box = corner + side * np.array([(0, 0), (1, 0), (1, 0.7), (0.7, 1), (0, 1)])
        cv2.fillPoly(image, [_points(to_px.to_px(box) - 0.5)], 255, cv2.LINE_AA, _SUB)
    paths = []
    for joint in range(len(joints)):
        if rng.random() > 0.75:
            continue
        width = float(rng.choice((0.2, 0.3, 0.5, 0.8)))
        other = place[rng.integers(len(joints))] + rng.uniform(-1.0, 1.0, 2)
        step = other - place[joint]
        diagonal = min(abs(step[0]), abs(step[1]))
        knee = place[joint] + (np.sign(step) * diagonal if rng.random() < 0.5 else step - np.sign(step) * diagonal)
        path = np.array([place[joint], knee, other])
        cv2.polylines(image, [_points(to_px.to_px(path) - 0.5)], False, 255, max(1, round(width * scale)), cv2.LINE_AA,
                      _SUB)
        paths.append((path, width))
    for j in joints:
        reach = max(j.land_w_mm, j.land_h_mm) / 2.0 * (1.2 if j.land_shape == "rect" else 1.0) + 0.3
        centre = _points(to_px.to_px((j.x_mm, j.y_mm)) - 0.5)
        cv2.circle(image, (int(centre[0]), int(centre[1])), int(reach * scale * (1 << _SUB)), 0, -1, cv2.LINE_AA, _SUB)
    for path, width in paths:
        length = np.hypot(*(path[1] - path[0]))
        if length > 0.3:
            stub = np.array([path[0], path[0] + (path[1] - path[0]) * min(1.0, 1.9 / length)])
            first, last = _points(to_px.to_px(stub) - 0.5)
            cv2.line(image, _whole(first), _whole(last), 255, max(1, round(width * scale)), cv2.LINE_AA, _SUB)
    for f in plan.family.fiducials:
        centre = _points(to_px.to_px((f.x_mm, f.y_mm)) - 0.5)
        cv2.circle(image, (int(centre[0]), int(centre[1])), int(f.diameter_mm * scale * (1 << _SUB)), 0, -1,
                   cv2.LINE_AA, _SUB)
    return image


def _silk(plan: BoardPlan, to_px: Similarity, size_px: tuple[int, int], rng: np.random.Generator, share: float) -> F32:
    """Draw reference designators and outlines, clear of the lands."""
    image = np.zeros(size_px[::-1], np.uint8)
    scale = to_px.px_per_mm
    weight = max(1, round(0.13 * scale))
    for ref in dict.fromkeys(j.ref for j in plan.family.joints):
        mine = np.array([(j.x_mm, j.y_mm) for j in plan.family.joints if j.ref == ref])
        drawn, side = rng.random() < share, rng.choice((-1.0, 1.0))
        if not drawn:
            continue
        spot = to_px.to_px(mine.mean(axis=0) + np.array([0.0, side * 1.75])) - 0.5
        size = 1.0 * scale / 22.0
        cv2.putText(image, ref, (int(spot[0] - 9 * size * len(ref)), int(spot[1] + 11 * size)),
                    cv2.FONT_HERSHEY_SIMPLEX, size, 255, weight, cv2.LINE_AA)
        box = np.array([mine.min(axis=0) - 1.5, mine.max(axis=0) + 1.5])
        corners = np.array([box[0], (box[1, 0], box[0, 1]), box[1], (box[0, 0], box[1, 1])])
        cv2.polylines(image, [_points(to_px.to_px(corners) - 0.5)], True, 255, weight, cv2.LINE_AA, _SUB)
    for j in plan.family.joints:
        reach = max(j.land_w_mm, j.land_h_mm) / 2.0 * (1.3 if j.land_shape == "rect" else 1.0) + 0.2
        centre = to_px.to_px((j.x_mm, j.y_mm)) - 0.5
        cv2.circle(image, (int(centre[0]), int(centre[1])), int(reach * scale), 0, -1)
    for x, y, reach in ([(f.x_mm, f.y_mm, f.diameter_mm) for f in plan.family.fiducials]
                        + [(c.x_mm, c.y_mm, max(c.body_w_mm, c.body_h_mm) * 0.75 + 0.3) for c in plan.family.chips]):
        centre = to_px.to_px((x, y)) - 0.5
        cv2.circle(image, (int(centre[0]), int(centre[1])), int(reach * scale), 0, -1)
    return cv2.GaussianBlur(image, (0, 0), 0.6).astype(np.float32) / 255.0


def noise_field(rng: np.random.Generator, size_px: tuple[int, int], period_px: float) -> F32:
    """Return smooth noise (row, col) of unit deviation with features about this large."""
    small = (max(4, int(size_px[0] / period_px) + 3), max(4, int(size_px[1] / period_px) + 3))
    coarse = rng.standard_normal(small[::-1], dtype=np.float32)
    big = (int(np.ceil(small[0] * period_px)), int(np.ceil(small[1] * period_px)))
    field = cv2.resize(coarse, big, interpolation=cv2.INTER_CUBIC)[:size_px[1], :size_px[0]]
    return np.asarray(field / np.float32(0.68), dtype=np.float32)


def _texture(plan: BoardPlan, rng: np.random.Generator, size_px: tuple[int, int], scale: float) -> F32:
    """Return the mask's unevenness: glass weave, thickness and fine grain."""
    strength = plan.recipe.one("board.mask_texture", rng)
    pitch = rng.uniform(0.35, 0.6) * scale
    x = np.arange(size_px[0], dtype=np.float32)[None, :]
    y = np.arange(size_px[1], dtype=np.float32)[:, None]
    turn = rng.normal(0.0, 0.02)
    wave = np.float32(2 * np.pi / pitch)
    weave = np.sin((x + turn * y) * wave) * np.sin((y - turn * x) * wave)
    field = 0.35 * weave + 0.7 * noise_field(rng, size_px, 3.0 * scale) + 0.3 * noise_field(rng, size_px, 2.6)
    return np.asarray(1.0 + np.float32(strength) * field, dtype=np.float32)


def _veil(plan: BoardPlan, rng: np.random.Generator, to_px: Similarity, size_px: tuple[int, int]) -> F32:
    """Return the strength of flux residue round the joints: blotches with rims, drawn at a quarter of the size."""
    small = (size_px[0] // 4 + 1, size_px[1] // 4 + 1)
    sheet = np.zeros(small[::-1], np.float32)
    board = plan.recipe.one("board.residue", rng)
    for joint in plan.family.joints:
        strength, spread = board * rng.uniform(0.0, 1.3), rng.uniform(0.9, 1.5)
        if rng.random() > 0.75:
            continue
        centre = to_px.to_px((joint.x_mm, joint.y_mm)) / 4.0 + rng.normal(0.0, 0.15 * to_px.px_per_mm / 4.0, 2)
        axes = np.array([joint.land_w_mm, joint.land_h_mm]) / 2.0 * spread * to_px.px_per_mm / 4.0
        blob = np.zeros_like(sheet)
        cv2.ellipse(blob, (int(centre[0]), int(centre[1])), (max(int(axes[0]), 1), max(int(axes[1]), 1)),
                    float(rng.uniform(0, 180)), 0, 360, float(strength), -1)
        sheet = np.maximum(sheet, blob)
    sheet = cv2.GaussianBlur(sheet, (0, 0), 0.10 * to_px.px_per_mm / 4.0 + 0.6)
    sheet *= np.clip(0.7 + 0.45 * noise_field(rng, small, 0.5 * to_px.px_per_mm / 4.0), 0.0, 1.6)
    return np.clip(cv2.resize(sheet, size_px, interpolation=cv2.INTER_LINEAR), 0.0, 0.9).astype(np.float32)


def _specks(per_mm2: float, rng: np.random.Generator, size_px: tuple[int, int], scale: float) -> F32:
    image = np.zeros(size_px[::-1], np.uint8)
    for _ in range(rng.poisson(per_mm2 * size_px[0] * size_px[1] / scale**2)):
        spot = (rng.uniform(0, 1, 2) * size_px * (1 << _SUB)).astype(int)
        tone = int(rng.uniform(60, 230))
        if rng.random() < 0.25:  # a fibre
            path = np.cumsum(rng.normal(0, 0.12 * scale * (1 << _SUB), (6, 2)), axis=0) + spot
            cv2.polylines(image, [path.astype(np.int32)], False, tone, 1, cv2.LINE_AA, _SUB)
        else:
            axes = (rng.uniform(0.012, 0.06, 2) * scale * (1 << _SUB)).astype(int) + 1
            cv2.ellipse(image, _whole(spot), _whole(axes), float(rng.uniform(0, 180)), 0, 360, tone, -1, cv2.LINE_AA,
                        _SUB)
    return image.astype(np.float32) / 255.0


def _scratches(per_mm2: float, rng: np.random.Generator, size_px: tuple[int, int], scale: float) -> F32:
    image = np.zeros(size_px[::-1], np.uint8)
    for _ in range(rng.poisson(per_mm2 * size_px[0] * size_px[1] / scale**2)):
        start = rng.uniform(0, 1, 2) * size_px
        angle, length = rng.uniform(0, 2 * np.pi), rng.uniform(0.5, 4.0) * scale
        end = start + length * np.array([np.cos(angle), np.sin(angle)])
        tone = int(rng.uniform(30, 180))
        cv2.line(image, _whole(start * (1 << _SUB)), _whole(end * (1 << _SUB)), tone, 1, cv2.LINE_AA, _SUB)
    return image.astype(np.float32) / 255.0
