"""Plain drawn boards for the pipeline's tests: flat discs and lands, no light physics, exact places."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.setup import Family, Fiducial, Joint, Light, Similarity, Station, View, nominal_view

LIGHTS = (Light("high", "a", "blue", (6.0, 22.0)), Light("mid", "a", "green", (28.0, 48.0)),
          Light("low", "a", "red", (54.0, 80.0)))
SIZE = (700, 560)


def station(**changes: object) -> Station:
    values: dict[str, object] = {"name": "drawn", "mm_per_px": 0.02, "files": "{serial}_{view}_{exposure}.png",
                                 "lights": LIGHTS, "black_level": 4.0}
    return Station(**(values | changes))  # type: ignore[arg-type]


def family(**changes: object) -> Family:
    joints = tuple(Joint("J1", str(n + 1), 3.0 + 2.54 * (n % 3), 3.0 + 2.6 * (n // 3), shape, w, h, turn, 0.9,
                         "round", 0.6, 0.6, f"N{n}")
                   for n, (shape, w, h, turn) in enumerate([
                       ("round", 1.8, 1.8, 0.0), ("oblong", 2.2, 1.6, 90.0), ("rect", 1.6, 1.6, 0.0),
                       ("round", 1.6, 1.6, 0.0), ("oblong", 2.0, 1.5, 30.0), ("round", 1.8, 1.8, 0.0)]))
    values: dict[str, object] = {
        "name": "drawn", "workmanship_class": 2, "seen_from": "bottom", "joints": joints, "chips": (),
        "fiducials": (Fiducial(0.8, 0.8, 1.0), Fiducial(11.0, 1.2, 1.0), Fiducial(1.2, 9.2, 1.0)),
        "views": (View("v1", (6.0, 5.0)),)}
    return Family(**(values | changes))  # type: ignore[arg-type]


def moved(nominal: Similarity, offset_px: tuple[float, float], turn_deg: float, scale: float = 1.0) -> Similarity:
    """The nominal map, then turned about the picture's middle and shifted, in px."""
    angle = np.deg2rad(turn_deg)
    turn = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = np.array(SIZE) / 2.0
    return Similarity(turn @ nominal.matrix, turn @ (nominal.shift - middle) + middle + np.array(offset_px))


def draw(board: Family, to_picture: Similarity, *, mask: float = 0.15, metal: float = 0.9, factor: int = 4,
         noise: float = 0.0, seed: int = 1, skip_fiducials: tuple[int, ...] = ()) -> NDArray[np.float32]:
    """A response plane with lands and fiducials as even discs on even mask, anti-aliased by super-sampling."""
    canvas = np.full((SIZE[1] * factor, SIZE[0] * factor), mask, dtype=np.float32)

    def fill(points: NDArray[np.float64], value: float) -> None:
        cv2.fillPoly(canvas, [np.round((to_picture.to_px(points) * factor - 0.5) * 16).astype(np.int32)], value,
                     cv2.LINE_8, 4)

    turn = np.arange(400) * (2 * np.pi / 400)
    for number, fiducial in enumerate(board.fiducials):
        if number not in skip_fiducials:
            fill(np.array([fiducial.x_mm, fiducial.y_mm]) + fiducial.diameter_mm / 2
                 * np.stack([np.cos(turn), np.sin(turn)], axis=1), metal)
    for joint in board.joints:
        half_w, half_h = joint.land_w_mm / 2, joint.land_h_mm / 2
        if joint.land_shape == "rect":
            outline = np.array([(-half_w, -half_h), (half_w, -half_h), (half_w, half_h), (-half_w, half_h)])
        else:
            end = min(half_w, half_h)
            outline = end * np.stack([np.cos(turn), np.sin(turn)], axis=1)
            outline[:, 0] += np.sign(outline[:, 0]) * (half_w - end)
            outline[:, 1] += np.sign(outline[:, 1]) * (half_h - end)
        angle = np.deg2rad(joint.land_rotation_deg)
        rotate = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        fill(outline @ rotate.T + (joint.x_mm, joint.y_mm), metal)
    small = cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA)
    if noise:
        small = small + np.random.default_rng(seed).normal(0.0, noise, small.shape)
    return small.astype(np.float32)


def save(plane: NDArray[np.float32], path: Path, black: float = 4.0, white: float = 0.3) -> None:
    """Write a response plane as an 8-bit colour picture with all three channels alike."""
    grey = np.clip(np.round(plane * white * (255 - black) + black), 0, 255).astype(np.uint8)
    assert cv2.imwrite(str(path), np.dstack([grey] * 3))


def nominal(board: Family, at: Station) -> Similarity:
    return nominal_view(board, board.views[0], at, SIZE)


def bent(picture: NDArray[np.uint8], middle_px: NDArray[np.float64], pull_px: NDArray[np.float64],
         width_px: float) -> NDArray[np.uint8]:
    """Draw a picture aside at one place, smoothly, as by a bent board; `width_px` is the bell's standard deviation."""
    row, column = np.mgrid[0:picture.shape[0], 0:picture.shape[1]].astype(np.float32) + np.float32(0.5)
    near = np.exp(-((column - middle_px[0]) ** 2 + (row - middle_px[1]) ** 2) / (2.0 * width_px**2))
    return np.asarray(cv2.remap(picture, (column - near * pull_px[0] - 0.5).astype(np.float32),
                                (row - near * pull_px[1] - 0.5).astype(np.float32), cv2.INTER_CUBIC), dtype=np.uint8)
