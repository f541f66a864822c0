"""Invented tables of measurements from simple distributions, with exact truth and known noise.

Not the renderer's joints: only numbers that behave like a measuring pipeline's, so that learning can be tested alone.
"""

from __future__ import annotations

import numpy as np

from models.criteria import severity_of
from models.table import LabelledTable

NOISE = {"coverage_deg": 6.0, "land_cover_pct": 1.5, "wetting_angle_deg": 3.0, "convexity": 0.06, "lead_visible": 0.05,
         "lead_size_mm": 0.02, "hole_open_pct": 2.0, "bridge_width_mm": 0.01, "ball_diameter_mm": 0.012,
         "pit_diameter_mm": 0.012, "projection_mm": 0.02, "largest_gap_deg": 6.0}
FINDINGS = ("no_solder", "partial_wetting", "non_wetting", "excess_solder", "lead_missing", "bridge", "solder_ball",
            "blowhole", "solder_projection")


def joint_table(boards: int, seed: int, *, prefix: str = "", joints: int = 40, defect_rate: float = 0.15,
                workmanship_class: int = 2, findings: tuple[str, ...] = FINDINGS) -> LabelledTable:
    """Return a table of invented joints."""
    rng = np.random.default_rng(seed)
    rows = boards * joints
    truth = {
        "coverage_deg": np.where(rng.random(rows) < 0.9, 360.0, rng.uniform(290, 360, rows)),
        "land_cover_pct": rng.uniform(88, 100, rows), "wetting_angle_deg": rng.uniform(12, 40, rows),
        "convexity": rng.uniform(-0.9, -0.3, rows), "lead_visible": rng.uniform(0.8, 1.0, rows),
        "lead_size_mm": rng.uniform(0.55, 0.75, rows), "hole_open_pct": np.zeros(rows),
        "bridge_width_mm": np.zeros(rows), "ball_diameter_mm": np.zeros(rows), "pit_diameter_mm": np.zeros(rows),
        "projection_mm": np.zeros(rows), "ball_count": np.zeros(rows),
    }
    labels: list[tuple[str, ...]] = [()] * rows
    marginal = np.zeros(rows, dtype=bool)
    floor = 330.0 if workmanship_class == 3 else 270.0
    for row in np.flatnonzero(rng.random(rows) < defect_rate):
        finding = str(rng.choice(findings))
        labels[row] = (finding,)
        _spoil(finding, truth, row, rng, floor)
    truth["largest_gap_deg"] = 360.0 - truth["coverage_deg"]
    near = np.abs(truth["coverage_deg"] - floor) < 15.0
    marginal |= near
    labels = [("partial_wetting",) if c < floor and not label else label
              for c, label in zip(truth["coverage_deg"], labels, strict=True)]
    columns = {name: values + rng.normal(0, NOISE.get(name, 0.0), rows) for name, values in truth.items()}
    for name in ("bridge_width_mm", "ball_diameter_mm", "pit_diameter_mm", "projection_mm"):
        columns[name] = np.where(truth[name] == 0, np.maximum(0, columns[name]), columns[name])
    columns["coverage_deg"] = np.clip(columns["coverage_deg"], 0, 360)
    columns["largest_gap_deg"] = np.clip(columns["largest_gap_deg"], 0, 360)
    columns["land_cover_pct"] = np.clip(columns["land_cover_pct"], 0, 100)
    bare = np.isnan(truth["wetting_angle_deg"])
    columns["convexity"][bare] = np.nan
    names = tuple(f"J{1 + i % joints // 10}.{1 + i % 10}" for i in range(rows))
    return LabelledTable(
        "joint", columns, tuple(labels), tuple(f"{prefix}B{seed}-{1 + i // joints:03d}" for i in range(rows)), marginal,
        names, tuple("round 1.8 mm" if i % 2 else "round 2.4 mm" for i in range(rows)), exact=dict(truth))


def _spoil(finding: str, truth: dict[str, np.ndarray], row: int, rng: np.random.Generator, floor: float) -> None:
    """Give one joint a defect."""
    changes: dict[str, dict[str, float]] = {
        "no_solder": {"coverage_deg": 0, "land_cover_pct": rng.uniform(0, 3), "wetting_angle_deg": np.nan,
                      "convexity": np.nan, "hole_open_pct": rng.uniform(60, 100)},
        "partial_wetting": {"coverage_deg": rng.uniform(90, floor - 15)},
        "non_wetting": {"wetting_angle_deg": rng.uniform(70, 120), "convexity": rng.uniform(0.2, 0.8),
                        "land_cover_pct": rng.uniform(30, 70), "coverage_deg": rng.uniform(0, 60)},
        "excess_solder": {"convexity": rng.uniform(0.25, 0.8), "lead_visible": rng.uniform(0, 0.25),
                          "wetting_angle_deg": rng.uniform(45, 80)},
        "lead_missing": {"lead_visible": rng.uniform(0, 0.25), "lead_size_mm": np.nan,
                         "hole_open_pct": rng.uniform(0, 60)},
        "bridge": {"bridge_width_mm": rng.uniform(0.15, 0.8)},
        "solder_ball": {"ball_diameter_mm": rng.uniform(0.16, 0.5), "ball_count": 1},
        "blowhole": {"pit_diameter_mm": rng.uniform(0.12, 0.4)},
        "solder_projection": {"projection_mm": rng.uniform(0.35, 1.0)},
    }
    for name, value in changes[finding].items():
        truth[name][row] = value


def chip_table(boards: int, seed: int, *, chips: int = 6) -> LabelledTable:
    """Return a table of invented chips, 10 % missing and 10 % shifted or turned to either side."""
    rng = np.random.default_rng(seed)
    rows = boards * chips
    columns = {"chip_present": rng.uniform(0.8, 1.0, rows), "shift_along_mm": rng.normal(0, 0.03, rows),
               "shift_across_mm": rng.normal(0, 0.03, rows), "turn_deg": rng.normal(0, 1.5, rows),
               "body_cover_pct": rng.normal(98, 3, rows)}
    labels: list[tuple[str, ...]] = [()] * rows
    for row in range(rows):
        draw, sign = rng.random(), rng.choice([-1, 1])
        if draw < 0.1:
            labels[row] = ("chip_missing",)
            columns["chip_present"][row] = rng.uniform(0, 0.2)
            columns["body_cover_pct"][row] = rng.uniform(0, 10)
            for name in ("shift_along_mm", "shift_across_mm", "turn_deg"):
                columns[name][row] = np.nan
        elif draw < 0.2:
            labels[row] = ("chip_shifted",)
            name, low, high = [("shift_along_mm", 0.3, 0.8), ("shift_across_mm", 0.3, 0.8),
                               ("turn_deg", 15.0, 45.0)][rng.integers(3)]
            columns[name][row] = sign * rng.uniform(low, high)
    return LabelledTable("chip", columns, tuple(labels), tuple(f"B{seed}-{1 + i // chips:03d}" for i in range(rows)),
                         np.zeros(rows, dtype=bool), tuple(f"C{1 + i % chips}" for i in range(rows)))


def is_defect(findings: tuple[str, ...], workmanship_class: int) -> bool:
    """Return whether a row's truth is a defect in a class."""
    return any(severity_of(finding, workmanship_class) == "defect" for finding in findings)
