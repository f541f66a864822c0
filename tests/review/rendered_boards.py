"""Boards with pictures: rendered with exact truth, graded by the pipeline as on the line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from sqlalchemy import Engine

from models.limits import Condition, LimitSheet, Rule
from synthetic_images.board import RenderedView, plan_board, render_view
from synthetic_images.demo import demo_station
from vision.pipeline.folder import scan_folder
from vision.pipeline.grade import grade_board
from vision.records import save_inspection
from vision.setup import Chip, Family, Fiducial, Joint, Station, View


def family() -> Family:
    """Eight joints of two land kinds, one chip, three fiducials."""
    joints = tuple(Joint("J1", str(k + 1), 2.6 + 2.54 * (k % 4), 2.6 + 3.4 * (k // 4), "round" if k % 4 else "rect",
                         1.7, 1.7, 0.0, 1.0, "square", 0.64, 0.64, f"N{k}", "P1", "N3", str(k // 4)) for k in range(8))
    marks = tuple(Fiducial(x, y, 0.9) for x, y in ((0.8, 0.8), (14.6, 0.9), (0.9, 8.2)))
    return Family("rendered-8", 2, "bottom", joints, (Chip("R1", 13.4, 4.3, 90.0, 2.0, 1.25),), marks,
                  (View("v1", (7.7, 4.5)),))


def station() -> Station:
    return replace(demo_station(), picture_px=(900, 600))


def sheet() -> LimitSheet:
    """One rule that bare lands break beyond doubt, so that the tests need no taught limits."""
    return LimitSheet((Rule("no_solder", "workmanship class 2",
                            (Condition("land_cover_pct", below=20.0, guard=3.0),)),), "rendered-8", 2, "for tests")


def render(folder: Path, serial: str, bare: tuple[int, ...] = (), seed: int = 3) -> RenderedView:
    """Render a board's picture into a folder; the joints in `bare` hold no solder."""
    plan = plan_board(family(), np.random.default_rng(seed), planned={k: ("no_solder", 1.0) for k in bare},
                      planned_chips={})
    view = render_view(plan, "v1", station(), maps=True, serial=serial)
    folder.mkdir(parents=True, exist_ok=True)
    for exposure, picture in view.pictures.items():
        name = station().files.format(serial=serial, view="v1", exposure=exposure)
        assert cv2.imwrite(str(folder / name), picture)
    return view


def grade(engine: Engine, folder: Path) -> list[int]:
    """Grade every board of a folder into a database; return the inspections' keys."""
    return [save_inspection(engine, grade_board(files, family(), station(), sheet()), family(), station(),
                            sheet()).inspection_id for files in scan_folder(folder, station(), family())]
