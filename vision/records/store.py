"""Writing inspections: one transaction a board, all of it or nothing."""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import Connection, Engine, and_, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import IntegrityError

from models.limits import INDICATOR, LimitSheet, sheet_hash, sheet_text
from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES, REJECT, REVIEW, UNGRADED
from vision.pipeline.inspection import ChipInspection, FoundFinding, Inspection, JointInspection
from vision.records.database import transaction
from vision.records.errors import RecordsError
from vision.records.keys import clean_text, family_content, job_key, picture_key, station_content
from vision.records.schema import (
    ChipResult,
    FamilyChip,
    FamilyJoint,
    FamilyRow,
    FindingRow,
    Handover,
    InspectionRow,
    JointResult,
    Picture,
    Registration,
    SheetRow,
    StationRow,
    Unit,
)
from vision.setup.family import Family
from vision.setup.station import Station

#: Longest serial that is kept as it is; a file name can hold no longer one.
SERIAL_LIMIT = 255
#: How often a transaction that another program's equal one overtook is tried again.
TRIES = 8


@dataclass(frozen=True)
class Setup:
    """Keys of what boards are graded with, in one database."""

    family_id: int
    station_id: int
    sheet_id: int
    family_name: str
    family_sha256: str
    station_sha256: str
    sheet_sha256: str
    joints: Mapping[tuple[str, str], int]  # (ref, pin) -> family_joint.id
    chips: Mapping[str, int]  # ref -> family_chip.id


@dataclass(frozen=True)
class Saved:
    """Where an inspection was written. `fresh` is False where the same grading was there before."""

    inspection_id: int
    fresh: bool


_setups: WeakKeyDictionary[Engine, dict[tuple[str, str, str], Setup]] = WeakKeyDictionary()


def save_inspection(engine: Engine, inspection: Inspection, family: Family, station: Station, sheet: LimitSheet, *,
                    again: bool = False, fault: bool = False, targets: Sequence[str] = ()) -> Saved:
    """Write one inspection with all its results and findings, and a disposition line a target, in one transaction.

    The same job (serial, family, station, sheet and pictures) is written once: a second call returns the first one's
    key with `fresh` False, unless `again` is set, the first one was a fault of the program, or a grading with another
    sheet has superseded it since. Older gradings of the same pictures are marked as superseded.
    Several programs may write into one database at once.

    Raises RecordsError where the database cannot take it, or where the inspection names joints that the family lacks.
    """
    setup = prepare(engine, family, station, sheet)
    return save_prepared(engine, inspection, setup, again=again, fault=fault, targets=targets)


def save_prepared(engine: Engine, inspection: Inspection, setup: Setup, *, again: bool = False, fault: bool = False,
                  replay_of: int | None = None, targets: Sequence[str] = ()) -> Saved:
    """Write one inspection graded with what `setup` names; `replay_of` is the inspection it was replayed from."""
    serial = clean_text(inspection.serial, SERIAL_LIMIT)
    pictures = picture_key((p.view, p.exposure, p.sha256) for p in inspection.pictures)
    job = job_key(serial, setup.family_sha256, setup.station_sha256, setup.sheet_sha256, pictures)
    for attempt in range(TRIES):
        try:
            with transaction(engine) as connection:
                last = connection.execute(
                    select(InspectionRow.id, InspectionRow.run, InspectionRow.fault, InspectionRow.superseded_by)
                    .where(InspectionRow.job_key == job).order_by(InspectionRow.run.desc()).limit(1)).first()
                if last is not None and not again and not last.fault and last.superseded_by is None:
                    return Saved(last.id, False)
                uid = str(uuid.uuid4())
                key = _write(connection, inspection, setup, serial, {
                    "uid": uid, "origin": "pictures" if replay_of is None else "replay", "source_id": replay_of,
                    "fault": fault, "picture_key": pictures, "job_key": job,
                    "run": 1 if last is None else last.run + 1})
                _rows(connection, Handover.__table__, (
                    {"inspection_id": key, "target": target, "body": disposition_line(inspection, uid),
                     "created_at": _now(), "attempts": 0, "problem": ""} for target in targets))
            return Saved(key, True)
        except IntegrityError as error:
            # Another program wrote the same board, or the same new serial, at the same moment.
            if attempt == TRIES - 1:
                raise RecordsError(f"board {serial}: the database refused it: "
                                   f"{' '.join(str(error.orig).split())[:300]}") from error
    raise AssertionError("unreachable")


def prepare(engine: Engine, family: Family, station: Station, sheet: LimitSheet) -> Setup:
    """Write family, station and limit sheet where the database lacks them; return their keys."""
    wanted = (family_content(family)[1], station_content(station)[1], sheet_hash(sheet))
    known = _setups.setdefault(engine, {})
    for attempt in range(TRIES):
        if wanted in known:
            break
        try:
            with transaction(engine) as connection:
                found = load_setup(connection, _family(connection, family), _station(connection, station),
                                   write_sheet(connection, sheet))
            known[wanted] = found
        except IntegrityError as error:  # another program wrote the same family at the same moment
            if attempt == TRIES - 1:
                raise RecordsError(f"family {family.name}: the database refused it: "
                                   f"{' '.join(str(error.orig).split())[:300]}") from error
    return known[wanted]


def load_setup(connection: Connection, family_id: int, station_id: int, sheet_id: int) -> Setup:
    """Return what these keys stand for."""
    family = connection.execute(select(FamilyRow.name, FamilyRow.sha256).where(FamilyRow.id == family_id)).one()
    station = connection.execute(select(StationRow.sha256).where(StationRow.id == station_id)).scalar_one()
    sheet = connection.execute(select(SheetRow.sha256).where(SheetRow.id == sheet_id)).scalar_one()
    joints = connection.execute(
        select(FamilyJoint.id, FamilyJoint.ref, FamilyJoint.pin).where(FamilyJoint.family_id == family_id))
    chips = connection.execute(select(FamilyChip.id, FamilyChip.ref).where(FamilyChip.family_id == family_id))
    return Setup(family_id, station_id, sheet_id, family.name, family.sha256, station, sheet,
                 {(ref, pin): key for key, ref, pin in joints}, {ref: key for key, ref in chips})


def write_sheet(connection: Connection, sheet: LimitSheet) -> int:
    """Write a limit sheet where the database lacks it; return its key."""
    return _once(connection, SheetRow.__table__, {"sha256": sheet_hash(sheet)}, {
        "family_name": sheet.family, "workmanship_class": sheet.workmanship_class, "content": sheet_text(sheet),
        "added_at": _now()})


def _family(connection: Connection, family: Family) -> int:
    """Return the family revision's key; a content not seen before becomes the next revision."""
    text, digest = family_content(family)
    query = select(FamilyRow.id).where(FamilyRow.name == family.name, FamilyRow.sha256 == digest)
    found = connection.execute(query).scalar()
    if found is not None:
        return int(found)
    newest = connection.execute(select(func.max(FamilyRow.revision)).where(FamilyRow.name == family.name)).scalar()
    connection.execute(insert(FamilyRow), [{
        "name": family.name, "revision": (newest or 0) + 1, "sha256": digest, "content": text, "added_at": _now(),
        "workmanship_class": family.workmanship_class}])
    key = int(connection.execute(query).scalar_one())
    connection.execute(insert(FamilyJoint), [
        {"family_id": key, "ref": j.ref, "pin": j.pin, "x_mm": j.x_mm, "y_mm": j.y_mm, "land_kind": j.land_kind,
         "net": j.net, "pot": j.pot, "nozzle": j.nozzle, "step": j.step} for j in family.joints])
    if family.chips:
        connection.execute(insert(FamilyChip), [
            {"family_id": key, "ref": c.ref, "x_mm": c.x_mm, "y_mm": c.y_mm} for c in family.chips])
    return key


def _station(connection: Connection, station: Station) -> int:
    text, digest = station_content(station)
    return _once(connection, StationRow.__table__, {"name": station.name, "sha256": digest},
                 {"content": text, "added_at": _now()})


def _once(connection: Connection, table: Any, key: dict[str, Any], more: dict[str, Any]) -> int:
    """Insert a row unless one with this unique key is there; return its `id`."""
    query = select(table.c.id).where(and_(*(table.c[name] == value for name, value in key.items())))
    found = connection.execute(query).scalar()
    if found is None:
        make = sqlite.insert if connection.dialect.name == "sqlite" else postgresql.insert
        connection.execute(make(table).values(key | more).on_conflict_do_nothing(index_elements=list(key)))
        found = connection.execute(query).scalar_one()
    return int(found)


def _write(connection: Connection, inspection: Inspection, setup: Setup, serial: str, values: dict[str, Any]) -> int:
    """Insert the inspection and everything under it; return its key."""
    unit_id = _once(connection, Unit.__table__, {"serial": serial, "family_name": setup.family_name},
                    {"added_at": _now()})
    results: list[JointInspection | ChipInspection] = [*inspection.joints, *inspection.chips]
    counts = {verdict: sum(result.verdict == verdict for result in results) for verdict in (REVIEW, REJECT, UNGRADED)}
    waiting = sum(finding.verdict != INDICATOR for result in results for finding in result.findings)
    row = values | {
        "unit_id": unit_id, "family_id": setup.family_id, "station_id": setup.station_id,
        "sheet_id": setup.sheet_id, "started_at": datetime.fromisoformat(inspection.started_at), "saved_at": _now(),
        "seconds": max(0.0, inspection.seconds), "verdict": inspection.verdict,
        "reason": clean_text(inspection.reason), "program_version": inspection.program_version,
        "joint_count": len(inspection.joints), "review_count": counts[REVIEW], "reject_count": counts[REJECT],
        "ungraded_count": counts[UNGRADED], "open_findings": waiting}
    key = int(connection.execute(insert(InspectionRow).returning(InspectionRow.id), [row]).scalar_one())
    _rows(connection, Picture.__table__, (
        {"inspection_id": key, "view": p.view, "exposure": p.exposure, "path": clean_text(p.path), "sha256": p.sha256}
        for p in inspection.pictures))
    _rows(connection, Registration.__table__, (
        {"inspection_id": key, "view": r.view, "offset_x_mm": r.offset_x_mm, "offset_y_mm": r.offset_y_mm,
         "rotation_deg": r.rotation_deg, "scale": r.scale, "residual_mm": number(r.residual_mm), "marks": r.marks,
         "method": r.method} for r in inspection.registrations))
    _results(connection, key, inspection, setup)
    _supersede(connection, key, unit_id, inspection)
    return key


def _results(connection: Connection, key: int, inspection: Inspection, setup: Setup) -> None:
    """Insert joint results, chip results and findings."""
    findings: list[dict[str, Any]] = []
    joints: list[dict[str, Any]] = []
    for joint in inspection.joints:
        joint_id = setup.joints.get((joint.ref, joint.pin))
        if joint_id is None:
            raise RecordsError(f"joint {joint.ref}.{joint.pin}: family {inspection.family} has no such joint")
        row = {"inspection_id": key, "joint_id": joint_id, "view": joint.view, "verdict": joint.verdict,
               "reason": clean_text(joint.reason), "uncertainty": uncertainty_text(joint.uncertainties)}
        row.update(measured(joint.measurements, JOINT_MEASURES))
        joints.append(row)
        findings += (_finding(key, joint_id, None, found) for found in joint.findings)
    chips: list[dict[str, Any]] = []
    for chip in inspection.chips:
        chip_id = setup.chips.get(chip.ref)
        if chip_id is None:
            raise RecordsError(f"chip {chip.ref}: family {inspection.family} has no such chip")
        chips.append({"inspection_id": key, "chip_id": chip_id, "view": chip.view, "verdict": chip.verdict,
                      "reason": clean_text(chip.reason)} | measured(chip.measurements, CHIP_MEASURES))
        findings += (_finding(key, None, chip_id, found) for found in chip.findings)
    _rows(connection, JointResult.__table__, joints)
    _rows(connection, ChipResult.__table__, chips)
    _rows(connection, FindingRow.__table__, findings)


def _finding(key: int, joint_id: int | None, chip_id: int | None, found: FoundFinding) -> dict[str, Any]:
    return {"inspection_id": key, "joint_id": joint_id, "chip_id": chip_id, "finding": found.finding,
            "verdict": found.verdict, "measure": found.measure, "value": found.value, "limit_value": found.limit,
            "side": found.side, "guard": found.guard, "unit": found.unit, "source": clean_text(found.source),
            "rule": found.rule, "x_mm": found.x_mm, "y_mm": found.y_mm, "other": found.other}


def _supersede(connection: Connection, key: int, unit_id: int, inspection: Inspection) -> None:
    """Mark older gradings of these pictures, or of some of them, as superseded by this one."""
    older = connection.execute(
        select(InspectionRow.id, Picture.view, Picture.exposure, Picture.sha256)
        .join(Picture, Picture.inspection_id == InspectionRow.id, isouter=True)
        .where(InspectionRow.unit_id == unit_id, InspectionRow.superseded_by.is_(None), InspectionRow.id != key)).all()
    if not older:
        return
    mine = {(p.view, p.exposure, p.sha256) for p in inspection.pictures}
    theirs: dict[int, set[tuple[str, str, str]]] = {}
    for row in older:
        seen = theirs.setdefault(row.id, set())
        if row.view is not None:
            seen.add((row.view, row.exposure, row.sha256))
    same = [other for other, pictures in theirs.items() if pictures <= mine]
    if same:
        connection.execute(update(InspectionRow).where(InspectionRow.id.in_(same)).values(superseded_by=key))


def _rows(connection: Connection, table: Any, rows: Iterable[dict[str, Any]]) -> None:
    listed = list(rows)
    if listed:
        connection.execute(insert(table), listed)


def measured(values: Mapping[str, float], names: tuple[str, ...]) -> dict[str, float | None]:
    """Return measurements by column name; NaN, and what is missing, becomes NULL."""
    return {name: number(values.get(name, math.nan)) for name in names}


def number(value: float) -> float | None:
    """Return a number, or None for NaN."""
    return None if math.isnan(value) else float(value)


def uncertainty_text(values: Mapping[str, float]) -> str:
    """Return standard uncertainties as a compact JSON object with three significant digits; empty where none."""
    kept = {name: float(f"{value:.3g}") for name, value in values.items() if math.isfinite(value)}
    return json.dumps(kept, separators=(",", ":")) if kept else ""


def _now() -> datetime:
    return datetime.now(UTC)


def disposition_line(inspection: Inspection, uid: str) -> str:
    """Return what the handling system is told of one board, as one line of JSON.

    Keys: id (UUID of the inspection, to drop doubles), serial, family, verdict, at, reason, findings (place, finding,
    verdict, measure, value, limit, unit, x_mm, y_mm).
    """
    results: list[tuple[str, tuple[FoundFinding, ...]]] = [
        (f"{joint.ref}.{joint.pin}", joint.findings) for joint in inspection.joints]
    results += ((chip.ref, chip.findings) for chip in inspection.chips)
    findings = [
        {"place": place, "finding": item.finding, "verdict": item.verdict, "measure": item.measure,
         "value": number(item.value), "limit": number(item.limit), "unit": item.unit, "x_mm": item.x_mm,
         "y_mm": item.y_mm}
        for place, found in results for item in found if item.verdict != INDICATOR]
    return json.dumps({"id": uid, "serial": clean_text(inspection.serial), "family": inspection.family,
                       "verdict": inspection.verdict, "at": inspection.started_at,
                       "reason": clean_text(inspection.reason), "findings": findings}, separators=(",", ":"))


__all__ = ["Saved", "Setup", "disposition_line", "load_setup", "measured", "number", "prepare", "save_inspection",
           "save_prepared", "uncertainty_text", "write_sheet"]
