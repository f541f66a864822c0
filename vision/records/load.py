"""Reading inspections back as the plain data that the pipeline made."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, Engine, select

from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES
from vision.pipeline.inspection import (
    ChipInspection,
    FoundFinding,
    Inspection,
    JointInspection,
    PictureFile,
    ViewRegistration,
)
from vision.records.columns import moment_text
from vision.records.database import reading
from vision.records.errors import RecordsError
from vision.records.schema import (
    ChipResult,
    FamilyChip,
    FamilyJoint,
    FamilyRow,
    FindingRow,
    InspectionRow,
    JointResult,
    Picture,
    Registration,
    SheetRow,
    StationRow,
    Unit,
)
from vision.records.sheets import Rules, beside_words, recorded_rules

JOINT = JointResult.__table__.c
CHIP = ChipResult.__table__.c
CHUNK = 200


def load_inspection(engine: Engine, key: int) -> Inspection:
    """Return one inspection as the pipeline made it (uncertainties to three digits).

    Raises RecordsError where there is none.
    """
    for _, inspection in load_inspections(engine, [key]):
        return inspection
    raise RecordsError(f"inspection {key}: not in this database")


def load_inspections(engine: Engine, keys: Sequence[int]) -> Iterator[tuple[int, Inspection]]:
    """Yield inspections by key in the order of `keys`, read some hundred at a time; unknown keys are left out."""
    for start in range(0, len(keys), CHUNK):
        with reading(engine) as connection:
            part = _load(connection, keys[start:start + CHUNK])
        yield from part


def _load(connection: Connection, keys: Sequence[int]) -> list[tuple[int, Inspection]]:
    heads = connection.execute(
        select(InspectionRow.id, Unit.serial, FamilyRow.name.label("family"), StationRow.name.label("station"),
               InspectionRow.verdict, InspectionRow.started_at, InspectionRow.seconds, SheetRow.sha256,
               InspectionRow.program_version, InspectionRow.reason, InspectionRow.sheet_id)
        .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
        .join(StationRow, StationRow.id == InspectionRow.station_id)
        .join(SheetRow, SheetRow.id == InspectionRow.sheet_id).where(InspectionRow.id.in_(keys)))
    found = {head.id: head for head in heads}
    rules = recorded_rules(connection, {head.sheet_id for head in found.values()})
    pictures = _by_key(connection, Picture, keys, lambda r: PictureFile(r.view, r.exposure, r.path, r.sha256))
    places = _by_key(connection, Registration, keys, lambda r: ViewRegistration(
        r.view, r.offset_x_mm, r.offset_y_mm, r.rotation_deg, r.scale,
        math.nan if r.residual_mm is None else r.residual_mm, r.marks, r.method))
    joint_findings, chip_findings = _findings(connection, keys)
    joints: dict[int, list[JointInspection]] = {}
    rows = connection.execute(
        select(JointResult.__table__, FamilyJoint.ref, FamilyJoint.pin, FamilyJoint.x_mm, FamilyJoint.y_mm)
        .join(FamilyJoint, FamilyJoint.id == JOINT.joint_id)
        .where(JOINT.inspection_id.in_(keys)).order_by(JOINT.inspection_id, JOINT.joint_id)).mappings()
    for row in rows:
        joints.setdefault(row["inspection_id"], []).append(JointInspection(
            row["ref"], row["pin"], row["view"], row["verdict"], row["x_mm"], row["y_mm"],
            measured := _measured(row, JOINT_MEASURES), json.loads(row["uncertainty"] or "{}"),
            _told(joint_findings, row, row["joint_id"], rules[found[row["inspection_id"]].sheet_id], measured),
            row["reason"]))
    chips: dict[int, list[ChipInspection]] = {}
    rows = connection.execute(
        select(ChipResult.__table__, FamilyChip.ref, FamilyChip.x_mm, FamilyChip.y_mm)
        .join(FamilyChip, FamilyChip.id == CHIP.chip_id)
        .where(CHIP.inspection_id.in_(keys)).order_by(CHIP.inspection_id, CHIP.chip_id)).mappings()
    for row in rows:
        chips.setdefault(row["inspection_id"], []).append(ChipInspection(
            row["ref"], row["view"], row["verdict"], row["x_mm"], row["y_mm"],
            measured := _measured(row, CHIP_MEASURES),
            _told(chip_findings, row, row["chip_id"], rules[found[row["inspection_id"]].sheet_id], measured),
            row["reason"], json.loads(row["uncertainty"] or "{}")))
    return [(key, Inspection(
        head.serial, head.family, head.station, head.verdict, moment_text(head.started_at), head.seconds,
        tuple(pictures.get(key, ())), head.sha256, head.program_version, tuple(places.get(key, ())),
        tuple(joints.get(key, ())), tuple(chips.get(key, ())), head.reason))
        for key in keys if (head := found.get(key)) is not None]


def _by_key(connection: Connection, table: Any, keys: Sequence[int], make: Any) -> dict[int, list[Any]]:
    rows = connection.execute(select(table.__table__).where(table.inspection_id.in_(keys))
                              .order_by(*table.__table__.primary_key.columns))
    found: dict[int, list[Any]] = {}
    for row in rows:
        found.setdefault(row.inspection_id, []).append(make(row))
    return found


def _findings(connection: Connection, keys: Sequence[int]) -> tuple[dict[tuple[int, int], list[FoundFinding]],
                                                                   dict[tuple[int, int], list[FoundFinding]]]:
    """Return the findings at joints and at chips, by inspection and place."""
    joints: dict[tuple[int, int], list[FoundFinding]] = {}
    chips: dict[tuple[int, int], list[FoundFinding]] = {}
    rows = connection.execute(select(FindingRow.__table__).where(FindingRow.inspection_id.in_(keys))
                              .order_by(FindingRow.id))
    for row in rows:
        finding = FoundFinding(row.finding, row.verdict, row.measure, row.value, row.limit_value, row.side, row.guard,
                               row.unit, row.source, row.rule, row.x_mm, row.y_mm, row.other)
        at, place = (joints, row.joint_id) if row.joint_id is not None else (chips, row.chip_id)
        at.setdefault((row.inspection_id, place), []).append(finding)
    return joints, chips


def _told(findings: Mapping[tuple[int, int], list[FoundFinding]], row: Mapping[Any, Any], place: int, rules: Rules,
          measured: Mapping[str, float]) -> tuple[FoundFinding, ...]:
    """Return the findings of a joint or chip, with the other conditions of their rules in words."""
    told = []
    for finding in findings.get((row["inspection_id"], place), ()):
        beside = beside_words(rules, finding.rule, finding.finding, finding.measure, measured)
        told.append(replace(finding, beside=beside) if beside else finding)
    return tuple(told)


def _measured(row: Mapping[Any, Any], names: tuple[str, ...]) -> dict[str, float]:
    return {name: math.nan if row[name] is None else row[name] for name in names}
