"""A small database of graded boards whose every measurement is known, for the commands that read one."""

from __future__ import annotations

import csv
import hashlib
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

from models.limits import Condition, LimitSheet, Rule, sheet_hash
from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES
from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection, PictureFile
from vision.records import save_inspection
from vision.records.database import open_database
from vision.records.replay import rejudged
from vision.setup import Chip, Family, Fiducial, Joint, Light, Station, View

FAMILY = Family("sample", 2, "bottom", tuple(
    Joint("J1", str(k + 1), 3.0 + 2.54 * k, 5.0, "round", 1.8, 1.8, 0.0, 1.0, "square", 0.64, 0.64) for k in range(6)),
    (Chip("C1", 9.0, 12.0, 90.0, 2.0, 1.25),), (Fiducial(1.0, 1.0, 1.0), Fiducial(25.0, 15.0, 1.0)),
    (View("v1", (12.0, 8.0)),))
STATION = Station("bench", 0.02, "{serial}_{view}_{exposure}.png", (Light("high", "a", "blue", (8.0, 24.0)),))
SHEET = LimitSheet((
    Rule("partial_wetting", "workmanship class 2", (Condition("coverage_deg", below=270.0, guard=8.0),)),
    Rule("bridge", "learned", (Condition("bridge_width_mm", above=0.1, guard=0.02),)),
    Rule("blowhole", "learned", (Condition("pit_diameter_mm", above=0.3),), indicator=True),
    Rule("chip_missing", "learned", (Condition("chip_present", below=0.5, guard=0.1),)),
), "sample")
#: Coverage of the joints 1 to 6 of each board; joint 6 of board 2 is bridged, joint 5 has a pit.
COVERAGE = {"S1": (360.0, 350.0, 300.0, 274.0, 360.0, 360.0), "S2": (360.0, 100.0, 285.0, 300.0, 360.0, 360.0)}
TRUTH = {("S1", "4"): ("", 1), ("S2", "2"): ("partial_wetting", 0), ("S2", "3"): ("partial_wetting", 0),
         ("S2", "6"): ("bridge", 0), ("S2", "5"): ("blowhole", 0)}


def inspection(serial: str, minute: int = 0, shift: float = 0.0, sheet: LimitSheet = SHEET) -> Inspection:
    joints = []
    for number, joint in enumerate(FAMILY.joints):
        values = dict.fromkeys(JOINT_MEASURES, math.nan) | {
            "coverage_deg": COVERAGE[serial][number] - shift, "pit_diameter_mm": 0.4 if number == 4 else 0.0,
            "bridge_width_mm": 0.3 if (serial, number) == ("S2", 5) else 0.0}
        joints.append(JointInspection(joint.ref, joint.pin, "v1", "accept", joint.x_mm, joint.y_mm, values,
                                      {"coverage_deg": 4.0}))
    chip = ChipInspection("C1", "v1", "accept", 9.0, 12.0, dict.fromkeys(CHIP_MEASURES, 0.0) | {"chip_present": 0.9})
    digest = hashlib.sha256(f"{serial} {minute}".encode()).hexdigest()
    started = datetime(2026, 3, 2, 6, 0, tzinfo=UTC) + timedelta(minutes=minute)
    return rejudged(Inspection(
        serial, "sample", "bench", "accept", started.isoformat(timespec="milliseconds"), 0.1,
        (PictureFile("v1", "a", f"/pictures/{serial}.png", digest),), sheet_hash(sheet), "0.1.0",
        joints=tuple(joints), chips=(chip,)), sheet)


def make_database(path: Path, *, again: bool = False) -> None:
    """Write both boards, and with `again` a second picture of each that reads 2 degrees less."""
    engine = open_database(path)
    for number, serial in enumerate(COVERAGE):
        save_inspection(engine, inspection(serial, number), FAMILY, STATION, SHEET)
        if again:
            save_inspection(engine, inspection(serial, 10 + number, 2.0), FAMILY, STATION, SHEET)
    engine.dispose()


def write_truth(path: Path) -> None:
    header = ["serial", "view", "ref", "pin", "finding", "coverage_deg", "marginal", "land_kind"]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        for serial, coverages in COVERAGE.items():
            for number, coverage in enumerate(coverages, start=1):
                finding, marginal = TRUTH.get((serial, str(number)), ("", 0))
                writer.writerow([serial, "v1", "J1", number, finding, coverage + 0.5, marginal, "round 1.8 mm"])
            writer.writerow([serial, "v1", "C1", "", "", "", 0, ""])
