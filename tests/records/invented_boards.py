"""An invented board family, and inspections of it whose every number is known."""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import Engine

from models.limits import Condition, LimitSheet, Rule, judge, sheet_hash
from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES, MEASURE, VERDICTS
from vision.pipeline.inspection import (
    ChipInspection,
    FoundFinding,
    Inspection,
    JointInspection,
    PictureFile,
    ViewRegistration,
)
from vision.records import Saved, save_inspection
from vision.setup import Chip, Family, Fiducial, Joint, Light, Station, View

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def family(joints: int = 8, name: str = "sample-1", pot_of_first: str = "pot 1") -> Family:
    """Return a family with joints in a row, the second half at another pot, and one chip."""
    made = tuple(
        Joint("J1", str(k + 1), 3.0 + 2.54 * k, 5.0, "round", 1.8, 1.8, 0.0, 1.0, "square", 0.64, 0.64, f"N{k}",
              pot_of_first if k < joints // 2 else "pot 2", "nozzle 6", f"step {k // 2}") for k in range(joints))
    return Family(name, 2, "bottom", made, (Chip("C1", 9.0, 12.0, 90.0, 2.0, 1.25),),
                  (Fiducial(1.0, 1.0, 1.0), Fiducial(25.0, 15.0, 1.0)), (View("v1", (12.0, 8.0)),))


def station(name: str = "bench") -> Station:
    return Station(name, 0.02, "{serial}_{view}_{exposure}.png",
                   (Light("high", "a", "blue", (8.0, 24.0)), Light("low", "a", "red", (50.0, 70.0))))


def sheet(least_coverage: float = 270.0) -> LimitSheet:
    return LimitSheet((
        Rule("partial_wetting", "workmanship class 2", (Condition("coverage_deg", below=least_coverage, guard=8.0),)),
        Rule("bridge", "learned", (Condition("bridge_width_mm", above=0.1, guard=0.02),)),
        Rule("blowhole", "workmanship class 2", (Condition("pit_diameter_mm", above=0.3, guard=0.0),), indicator=True),
        Rule("chip_shifted", "learned", (Condition("shift_across_mm", above=0.4, guard=0.05),)),
    ), "sample-1", 2, "invented")


def picture(serial: str, view: str = "v1", exposure: str = "a") -> PictureFile:
    digest = hashlib.sha256(f"{serial} {view} {exposure}".encode()).hexdigest()
    return PictureFile(view, exposure, f"/pictures/{serial}_{view}_{exposure}.png", digest)


def joint_values(number: int, bad: bool) -> dict[str, float]:
    """Return all measurements of a joint; some do not apply (NaN)."""
    values = {name: round(0.1 + 0.01 * number + 0.001 * k, 6) for k, name in enumerate(JOINT_MEASURES)}
    values |= {"coverage_deg": 212.25 if bad and number == 0 else 351.5 - number, "bridge_width_mm": 0.0,
               "pit_diameter_mm": 0.4 if number == 3 else 0.0, "wetting_angle_deg": math.nan}
    if bad and number == 1:
        values["bridge_width_mm"] = 0.31
    if bad and number == 2:
        values["coverage_deg"] = 274.0  # within the guard band
    return values


def inspection(serial: str, *, bad: bool = False, minute: int = 0, of: Family | None = None,
               by: LimitSheet | None = None, pictures: tuple[PictureFile, ...] | None = None) -> Inspection:
    """Return a board's inspection as the pipeline would: verdicts and findings follow from the sheet."""
    board = family() if of is None else of
    limits = sheet() if by is None else by
    joint_rows = [joint_values(number, bad) for number in range(len(board.joints))]
    chip_rows = [{name: 0.02 for name in CHIP_MEASURES} for _ in board.chips]
    joints = tuple(
        JointInspection(joint.ref, joint.pin, "v1", verdict, joint.x_mm, joint.y_mm, values,
                        {"coverage_deg": 2.0, "toe_radius_mm": 0.0123456}, found)
        for joint, values, (verdict, found) in zip(
            board.joints, joint_rows, judged(limits, "joint", joint_rows, [(j.x_mm, j.y_mm) for j in board.joints]),
            strict=True))
    chips = tuple(
        ChipInspection(chip.ref, "v1", verdict, chip.x_mm, chip.y_mm, values, found,
                       uncertainties={"shift_across_mm": 0.0123456, "turn_deg": 1.5})
        for chip, values, (verdict, found) in zip(
            board.chips, chip_rows, judged(limits, "chip", chip_rows, [(c.x_mm, c.y_mm) for c in board.chips]),
            strict=True))
    when = START + timedelta(minutes=minute)
    worst = max((part.verdict for part in (*joints, *chips)), key=VERDICTS.index)
    return Inspection(serial, board.name, "bench", worst, when.isoformat(), 0.25,
                      (picture(serial),) if pictures is None else pictures, sheet_hash(limits), "0.1.0",
                      (ViewRegistration("v1", 0.1, -0.2, 0.3, 1.001, 0.01, 2, "fiducials"),), joints, chips)


def judged(limits: LimitSheet, part: str, rows: list[dict[str, float]], places: list[tuple[float, float]],
           ) -> list[tuple[str, tuple[FoundFinding, ...]]]:
    """Return verdict and findings of every row."""
    if not rows:
        return []
    columns: Mapping[str, np.ndarray] = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    judgement = judge(limits, "joint" if part == "joint" else "chip", columns)
    found: list[list[FoundFinding]] = [[] for _ in rows]
    for item in judgement.fired:
        rule = limits.rules[item.rule]
        found[item.row].append(FoundFinding(
            rule.finding, item.verdict, item.condition.measure, item.value, item.limit, item.side, item.condition.guard,
            MEASURE[item.condition.measure].unit, rule.source, item.rule, *places[item.row],
            "J1.3" if rule.finding == "bridge" else ""))
    worst_first = {"reject": 0, "review": 1, "indicator": 2}
    return [(verdict, tuple(sorted(items, key=lambda item: worst_first[item.verdict])))
            for verdict, items in zip(judgement.verdicts, found, strict=True)]


def save(engine: Engine, item: Inspection, *, by: LimitSheet | None = None, of: Family | None = None,
         again: bool = False, fault: bool = False, targets: tuple[str, ...] = ()) -> Saved:
    return save_inspection(engine, item, family() if of is None else of, station(), sheet() if by is None else by,
                           again=again, fault=fault, targets=targets)


def wait_until(condition: Callable[[], bool], seconds: float = 30.0) -> None:
    """Wait for a condition, or fail the test."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise AssertionError("waited in vain")
        time.sleep(0.02)
