"""Whole boards: pictures and truth.csv, with station and family files beside them."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from vision.setup import write_family, write_station

from .beside import CHIP_FAULTS, draw_ball, draw_bridge, draw_chip, draw_projection
from .canvas import Canvas
from .joints import draw_joint
from .layouts import Setting
from .plans import BoardPlan, deal, plan_board
from .shapes import Array, land_reach
from .solder import Plan
from .surroundings import draw_residue, draw_surroundings

HEADER = ("serial", "view", "ref", "pin", "finding", "marginal", "coverage_deg", "land_cover_pct",
          "wetting_angle_deg", "fillet_height_mm", "lead_offset_mm", "bridge_width_mm", "ball_diameter_mm",
          "pit_diameter_mm", "projection_mm", "lead_visible", "chip_present")
FAULT_RATE = 0.2
LEAST_COVERAGE_DEG, LEAST_LAND_COVER_PCT = 270.0, 75.0  # IPC-A-610 E to G, 7.3.5.4 and 7.3.5.5 for the side seen
Row = dict[str, Any]


def write_lot(folder: Path, setting: Setting, boards: int, seed: int, rate: float = FAULT_RATE) -> Path:
    """Draw boards and write station.toml, family/ and pictures/ with truth.csv; return the folder of pictures.

    Faults are dealt from a deck that lasts the whole lot: a board hangs on the seed, its number and the boards before.
    """
    pictures = folder / "pictures"
    pictures.mkdir(parents=True, exist_ok=True)
    write_station(setting.station, folder / "station.toml")
    write_family(setting.family, folder / "family")
    deck: list[Any] = []
    chip_deck: list[Any] = []
    rows: list[Row] = []
    for number in range(boards):
        rng = np.random.default_rng([seed, *setting.numbers, number])
        serial = f"{setting.name}-{number + 1:03d}"
        shots, found = draw_board(setting, rng, deck, chip_deck, rate)
        for exposure, shot in shots.items():
            name = setting.station.files.format(serial=serial, view=setting.family.views[0].name, exposure=exposure)
            cv2.imwrite(str(pictures / name), shot, [cv2.IMWRITE_PNG_COMPRESSION, 3])
        rows += [{"serial": serial, "view": setting.family.views[0].name, **row} for row in found]
    with (pictures / "truth.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, HEADER, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows({name: round(float(value), 3) if isinstance(value, float | np.floating) else value
                          for name, value in row.items()} for row in rows)
    return pictures


def draw_board(setting: Setting, rng: np.random.Generator, deck: list[Any], chip_deck: list[Any], rate: float
               ) -> tuple[dict[str, Array], list[Row]]:
    """Draw one board; return its pictures by exposure and its rows of truth."""
    canvas, family = Canvas(setting, rng), setting.family
    plan = plan_board(family, canvas.mm, rng, deck, rate)
    draw_surroundings(canvas, plan.taken)
    rows: list[Row] = []
    colours: list[Array] = []
    for joint, own in zip(family.joints, plan.joints, strict=True):
        true, solder, dim = draw_joint(canvas, joint, own)
        rows.append({"ref": joint.ref, "pin": joint.pin, **_judged(own, true, dim), **true})
        colours.append(solder)
    if rng.random() < .7:
        draw_residue(canvas, rng.integers(2, 9))
    _draw_beside(canvas, plan, rows, colours)
    for chip in family.chips:
        fault = deal(rng, chip_deck, CHIP_FAULTS) if rng.random() < rate else "fine"
        draw_chip(canvas, chip, fault)
        finding = {"fine": "", "chip_missing": fault}.get(fault, "chip_shifted")
        rows.append({"ref": chip.ref, "pin": "", "finding": finding, "marginal": 0,
                     "chip_present": int(fault != "chip_missing")})
    return canvas.expose(), rows


def _judged(plan: Plan, true: Row, dim: bool) -> Row:
    """Return finding and whether both verdicts can be defended; where wetting is at stake, the limits decide."""
    finding, marginal = "" if plan.what in ("good", "near") else plan.what, plan.what == "near" or dim
    if plan.what in ("good", "near", "partial_wetting"):
        coverage, cover = true["coverage_deg"], true["land_cover_pct"]
        finding = "partial_wetting" if coverage < LEAST_COVERAGE_DEG or cover < LEAST_LAND_COVER_PCT else ""
        marginal = marginal or 252 < coverage < 288 or 68 < cover < 82
    return {"finding": finding, "marginal": int(marginal)}


def _draw_beside(canvas: Canvas, plan: BoardPlan, rows: list[Row], colours: list[Array]) -> None:
    """Draw bridges, balls and tongues of solder, and note their true sizes."""
    joints = canvas.family.joints
    for one, other in plan.bridges:
        a, b = joints[one], joints[other]
        azimuth = np.arctan2(b.y_mm - a.y_mm, b.x_mm - a.x_mm)
        edges = land_reach(a, azimuth), land_reach(b, azimuth + np.pi)
        width = draw_bridge(canvas, a, b, edges, colours[one])
        rows[one]["bridge_width_mm"] = rows[other]["bridge_width_mm"] = width
    for joint, x, y, diameter in plan.balls:
        draw_ball(canvas, x, y, diameter, colours[joint])
        rows[joint]["ball_diameter_mm"] = diameter
    for joint, azimuth, reach, edge in plan.projections:
        draw_projection(canvas, joints[joint], azimuth, reach, edge, colours[joint])
        rows[joint]["projection_mm"] = reach
