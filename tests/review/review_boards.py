"""An invented family whose inspections are made by hand, so that every finding, value and place is known."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
from sqlalchemy import Engine, select

from models.limits import Condition, LimitSheet, Rule, sheet_hash
from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES, MEASURE, VERDICTS
from vision.pipeline.inspection import ChipInspection, FoundFinding, Inspection, JointInspection, PictureFile
from vision.records import save_inspection
from vision.records.database import reading
from vision.records.schema import AUDIT, FindingRow
from vision.setup import Chip, Family, Fiducial, Joint, Light, Station, View

START = datetime.now(UTC).replace(microsecond=0) - timedelta(days=2)


def family(name: str = "invented-9") -> Family:
    """Nine joints in three rows, two of them square, and two chips of one size."""
    joints = tuple(
        Joint("J1" if k < 6 else "X2", str(k + 1 if k < 6 else k - 5), 4.0 + 2.54 * (k % 3), 5.0 + 3.0 * (k // 3),
              "rect" if k in (0, 8) else "round", 1.8, 1.8, 0.0, 1.0, "square", 0.64, 0.64, f"N{k}", "pot 1", "6",
              str(k // 3)) for k in range(9))
    return Family(name, 2, "bottom", joints,
                  (Chip("C1", 14.0, 6.0, 90.0, 2.0, 1.25), Chip("C2", 14.0, 11.0, 0.0, 2.0, 1.25)),
                  (Fiducial(1.5, 1.5, 1.0), Fiducial(16.0, 13.0, 1.0)), (View("v1", (9.0, 8.0)),))


def station() -> Station:
    return Station("bench", 0.02, "{serial}_{view}_{exposure}.png",
                   (Light("high", "a", "blue", (8.0, 24.0)), Light("low", "a", "red", (50.0, 70.0))))


RULES: dict[str, Rule] = {
    "partial_wetting": Rule("partial_wetting", "workmanship class 2",
                            (Condition("coverage_deg", below=270.0, guard=8.0),)),
    "no_solder": Rule("no_solder", "workmanship class 2", (Condition("land_cover_pct", below=15.0, guard=2.0),)),
    "bridge": Rule("bridge", "learned", (Condition("bridge_width_mm", above=0.1, guard=0.02),)),
    "solder_ball": Rule("solder_ball", "learned", (Condition("ball_diameter_mm", above=0.3, guard=0.02),)),
    "blowhole": Rule("blowhole", "workmanship class 2", (Condition("pit_diameter_mm", above=0.3),), indicator=True),
    "chip_shifted": Rule("chip_shifted", "learned", (Condition("shift_across_mm", above=0.4, guard=0.05),)),
}


def sheet(note: str = "invented") -> LimitSheet:
    return LimitSheet(tuple(RULES.values()), "invented-9", 2, note)


#: place -> (finding, measured value, verdict[, other end of a bridge])
Faults = Mapping[str, Sequence[tuple[str, float, str] | tuple[str, float, str, str]]]


def inspection(serial: str, faults: Faults | None = None, *, minute: int = 0, take: int = 0,
               verdict: str | None = None, pictures: tuple[PictureFile, ...] | None = None,
               by: LimitSheet | None = None, of: Family | None = None) -> Inspection:
    """Return an inspection with these faults. Another `take` is another set of pictures of the same board."""
    board, faults = of or family(), faults or {}
    limits = by or sheet()
    joints = []
    for joint in board.joints:
        values = {name: 0.5 for name in JOINT_MEASURES} | {"coverage_deg": 355.0, "wetting_angle_deg": math.nan}
        found = _found(faults.get(joint.name, ()), (joint.x_mm, joint.y_mm))
        values |= {item.measure: item.value for item in found}
        joints.append(JointInspection(joint.ref, joint.pin, "v1", _worst(found), joint.x_mm, joint.y_mm, values,
                                      {"coverage_deg": 2.0}, found))
    chips = []
    for chip in board.chips:
        found = _found(faults.get(chip.ref, ()), (chip.x_mm, chip.y_mm))
        chips.append(ChipInspection(chip.ref, "v1", _worst(found), chip.x_mm, chip.y_mm,
                                    {name: 0.02 for name in CHIP_MEASURES}, found))
    worst = verdict or max((part.verdict for part in (*joints, *chips)), key=VERDICTS.index)
    digest = hashlib.sha256(f"{serial} {take}".encode()).hexdigest()
    files = pictures if pictures is not None else (PictureFile("v1", "a", f"/nowhere/{serial}_v1_a.png", digest),)
    return Inspection(serial, board.name, "bench", worst, (START + timedelta(minutes=minute)).isoformat(), 0.2, files,
                      sheet_hash(limits), "0.1.0", (), tuple(joints), tuple(chips),
                      "no picture of view v1" if worst == "ungraded" else "")


def _found(faults: Sequence[tuple[str, float, str] | tuple[str, float, str, str]],
           place: tuple[float, float]) -> tuple[FoundFinding, ...]:
    made = []
    for finding, value, verdict, *other in faults:
        condition = RULES[finding].when[0]
        limit, side = ((condition.below, "below") if condition.below is not None else (condition.above, "above"))
        assert limit is not None
        made.append(FoundFinding(finding, verdict, condition.measure, value, limit, side, condition.guard,
                                 MEASURE[condition.measure].unit, RULES[finding].source,
                                 list(RULES).index(finding), *place, *other))
    return tuple(made)


def _worst(found: Sequence[FoundFinding]) -> str:
    return max((item.verdict for item in found if item.verdict != "indicator"), key=VERDICTS.index, default="accept")


def shown(folder: Path, serial: str, take: int = 0) -> tuple[PictureFile, ...]:
    """Write a picture of a board into a folder, grey noise of its own, for inspections whose pictures are in place."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / f"{serial}_v1_a.png"
    noise = np.random.default_rng([take, *serial.encode()]).integers(60, 90, (40, 50, 3), dtype=np.uint8)
    assert cv2.imwrite(str(file), cv2.resize(noise, (1000, 800), interpolation=cv2.INTER_NEAREST))
    return (PictureFile("v1", "a", str(file), hashlib.sha256(file.read_bytes()).hexdigest()),)


def save(engine: Engine, item: Inspection, *, by: LimitSheet | None = None, of: Family | None = None) -> int:
    """Write an inspection and return its key."""
    return save_inspection(engine, item, of or family(), station(), by or sheet()).inspection_id


def findings(engine: Engine, inspection_id: int) -> dict[str, int]:
    """Return the keys of an inspection's findings by `PLACE finding`."""
    from vision.review.boards import load_board

    return {f"{item.place} {item.finding}": item.id for item in load_board(engine, inspection_id)[1]}


def all_findings(engine: Engine) -> list[int]:
    with reading(engine) as connection:
        return [int(row.id) for row in connection.execute(select(FindingRow.id).order_by(FindingRow.id))]


#: A board with a bit of everything: two rejects at one joint, a bridge told by both ends, a doubtful joint, an
#: indicator, and a shifted chip.
MIXED: Faults = {
    "J1.1": [("partial_wetting", 212.0, "reject"), ("solder_ball", 0.4, "reject")],
    "J1.2": [("bridge", 0.5, "reject", "J1.3")],
    "J1.3": [("bridge", 0.5, "reject", "J1.2")],
    "J1.5": [("partial_wetting", 274.0, "review")],
    "X2.1": [("blowhole", 0.5, "indicator")],
    "C1": [("chip_shifted", 0.6, "reject")],
}


def trail(engine: Engine) -> list[tuple[str, str]]:
    """Return who did what, as the audit trail tells it."""
    with reading(engine) as connection:
        return [(row.who, row.action) for row in connection.execute(select(AUDIT).order_by(AUDIT.c.id))]
