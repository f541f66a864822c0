"""A small family whose boards are rendered and graded from their pictures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from vision.pipeline.folder import BoardFiles, scan_folder
from vision.setup import Chip, Family, Fiducial, Joint, Station, View


def family() -> Family:
    """Two joints, one chip, three fiducials."""
    joints = tuple(Joint("J1", str(k + 1), 2.6 + 2.54 * k, 2.6, "round", 1.7, 1.7, 0.0, 1.0, "square", 0.64, 0.64,
                         f"N{k}", "P1", "N3", "1") for k in range(2))
    marks = tuple(Fiducial(x, y, 0.9) for x, y in ((0.8, 0.8), (9.6, 0.9), (0.9, 5.2)))
    return Family("small-2", 2, "bottom", joints, (Chip("R1", 8.0, 3.4, 90.0, 2.0, 1.25),), marks,
                  (View("v1", (5.2, 3.0)),))


def station() -> Station:
    from synthetic_images.demo import demo_station

    return replace(demo_station(), picture_px=(640, 420))


def render(folder: Path) -> BoardFiles:
    """Render board B0001, with good joints and a chip far out of its place; return its pictures."""
    import cv2

    from synthetic_images.board import plan_board, render_view

    plan = plan_board(family(), np.random.default_rng(7), planned={}, planned_chips={0: ("chip_shifted", 1.0)})
    for exposure, picture in render_view(plan, "v1", station(), serial="B0001").pictures.items():
        assert cv2.imwrite(str(folder / station().files.format(serial="B0001", view="v1", exposure=exposure)), picture)
    board, = scan_folder(folder, station(), family())
    return board
