"""Verdicts from stored measurements: under the sheet they were made with (verify), or under another (regrade)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Engine, select

from models.limits import LimitSheet, judge, sheet_hash
from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES, UNGRADED, VERDICTS, Part
from vision.pipeline.inspection import (
    BESIDE,
    ChipInspection,
    FoundFinding,
    Inspection,
    JointInspection,
    found_finding,
)
from vision.records.database import reading, transaction
from vision.records.load import load_inspections
from vision.records.queries import Filter, conditions
from vision.records.schema import FamilyRow, InspectionRow
from vision.records.store import Work, load_setup, save_all, write_sheet

ORDER = {"reject": 0, "review": 1, "indicator": 2}
Found = dict[int, list[FoundFinding]]


@dataclass(frozen=True)
class Change:
    """What another limit sheet makes of a recorded board."""

    inspection_id: int
    serial: str
    before: str  # the board's verdict
    after: str
    joints: tuple[tuple[str, str, str], ...]  # joints and chips whose verdict changes: place, before, after
    saved_as: int | None = None


def rejudged(inspection: Inspection, sheet: LimitSheet, *, keep_idle: bool = False) -> Inspection:
    """Return the inspection with verdicts and findings made anew from its measurements.

    Joints and chips that are ungraded for a reason stay so; a board without any results stays as it is. The neighbour
    of a bridge, and where it or a ball lies, are known only where one was found before. With `keep_idle` as older
    programs did: see `models.rules.judge`.
    """
    if not inspection.joints and not inspection.chips:
        return replace(inspection, sheet_hash=sheet_hash(sheet))
    others = {(joint.ref, joint.pin): next((f.other for f in joint.findings if f.finding == "bridge"), "")
              for joint in inspection.joints}
    joint_verdicts, joint_found = _judged(
        sheet, "joint", JOINT_MEASURES, inspection.joints, [others[j.ref, j.pin] for j in inspection.joints], keep_idle)
    chip_verdicts, chip_found = _judged(sheet, "chip", CHIP_MEASURES, inspection.chips, [""] * len(inspection.chips),
                                        keep_idle)
    joints = tuple(joint if joint.reason else replace(
        joint, verdict=joint_verdicts[row], findings=tuple(joint_found.get(row, ())))
        for row, joint in enumerate(inspection.joints))
    chips = tuple(chip if chip.reason else replace(
        chip, verdict=chip_verdicts[row], findings=tuple(chip_found.get(row, ())))
        for row, chip in enumerate(inspection.chips))
    verdicts = [joint.verdict for joint in joints] + [chip.verdict for chip in chips]
    verdict = max(verdicts, key=VERDICTS.index)
    return replace(inspection, joints=joints, chips=chips, verdict=verdict, sheet_hash=sheet_hash(sheet),
                   reason=inspection.reason if verdict == UNGRADED else "")


def _judged(sheet: LimitSheet, part: Part, names: tuple[str, ...],
            results: Sequence[JointInspection] | Sequence[ChipInspection], others: Sequence[str], keep_idle: bool,
            ) -> tuple[list[str], Found]:
    if not results:
        return [], {}
    columns: Mapping[str, NDArray[np.float64]] = {
        name: np.array([result.measurements[name] for result in results], dtype=np.float64) for name in names}
    judgement = judge(sheet, part, columns, keep_idle=keep_idle)
    found: Found = {}
    for item in judgement.fired:
        result = results[item.row]
        rule = sheet.rules[item.rule]
        x_mm, y_mm = next(((seen.x_mm, seen.y_mm) for seen in result.findings
                           if seen.finding == rule.finding in BESIDE), (result.x_mm, result.y_mm))
        found.setdefault(item.row, []).append(found_finding(item, rule, x_mm, y_mm, others[item.row], columns))
    return judgement.verdicts, {row: sorted(items, key=lambda item: ORDER[item.verdict])
                                for row, items in found.items()}


def other_classes(engine: Engine, sheet: LimitSheet, wanted: Filter) -> list[tuple[str, int]]:
    """Return families, with their class, of boards that `regrade` would judge by a sheet of another class."""
    classes = (select(FamilyRow.name, FamilyRow.workmanship_class)
               .where(FamilyRow.workmanship_class != sheet.workmanship_class,
                      FamilyRow.id.in_(select(InspectionRow.family_id).where(*_chosen(sheet, wanted))))
               .distinct().order_by(FamilyRow.name, FamilyRow.workmanship_class))
    with reading(engine) as connection:
        return [(str(name), int(grade)) for name, grade in connection.execute(classes)]


def _chosen(sheet: LimitSheet, wanted: Filter) -> list[Any]:
    """Return the conditions on the inspections that a sheet may judge anew."""
    found = [*conditions(wanted), InspectionRow.joint_count > 0]
    if sheet.family:
        found.append(InspectionRow.family_id.in_(select(FamilyRow.id).where(FamilyRow.name == sheet.family)))
    return found


def regrade(engine: Engine, sheet: LimitSheet, wanted: Filter, *, save: bool) -> Iterator[Change]:
    """Yield what another limit sheet makes of recorded boards, oldest first; write the new inspections if asked.

    A written one is marked as a replay, and the inspection that it was made from as superseded. Boards graded with
    this very sheet are passed over. Calling it twice writes nothing twice.
    """
    digest = sheet_hash(sheet)
    query = select(InspectionRow.id).where(*_chosen(sheet, wanted)).order_by(InspectionRow.started_at, InspectionRow.id)
    with reading(engine) as connection:
        keys = list(connection.execute(query if wanted.limit is None else query.limit(wanted.limit)).scalars())
    for key, inspection in load_inspections(engine, keys):
        if inspection.sheet_hash == digest:
            continue
        again = rejudged(inspection, sheet)
        change = Change(key, inspection.serial, inspection.verdict, again.verdict, _differences(inspection, again))
        yield replace(change, saved_as=_save(engine, key, again, sheet)) if save else change


def _differences(before: Inspection, after: Inspection) -> tuple[tuple[str, str, str], ...]:
    joints = [(old.name, old.verdict, new.verdict)
              for old, new in zip(before.joints, after.joints, strict=True) if old.verdict != new.verdict]
    chips = [(old.ref, old.verdict, new.verdict)
             for old, new in zip(before.chips, after.chips, strict=True) if old.verdict != new.verdict]
    return (*joints, *chips)


def _save(engine: Engine, source: int, inspection: Inspection, sheet: LimitSheet) -> int:
    with transaction(engine) as connection:
        keys = connection.execute(
            select(InspectionRow.family_id, InspectionRow.station_id).where(InspectionRow.id == source)).one()
        setup = load_setup(connection, keys.family_id, keys.station_id, write_sheet(connection, sheet))
    return save_all(engine, [Work(inspection, replay_of=source)], setup)[0].inspection_id
