"""Writing inspections: one transaction a board, all of it or nothing."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import Connection, Engine, bindparam, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import IntegrityError

from models.limits import INDICATOR, LimitSheet, sheet_hash, sheet_text
from models.vocabulary import REJECT, REVIEW, UNGRADED
from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection
from vision.records.database import transaction
from vision.records.errors import LostConnectionError, RecordsError
from vision.records.keys import clean_text, family_content, job_key, picture_key, station_content
from vision.records.rows import Rows, collect_rows, disposition_line, flush_rows
from vision.records.schema import (
    FamilyChip,
    FamilyJoint,
    FamilyRow,
    Handover,
    InspectionRow,
    Picture,
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
class Work:
    """One inspection to be written.

    `again`: also where the same job was graded before. `fault`: the program failed on it. `replay_of`: the inspection
    whose measurements it was judged from. `targets`: where a disposition line is to be handed over.
    """

    inspection: Inspection
    again: bool = False
    fault: bool = False
    replay_of: int | None = None
    targets: tuple[str, ...] = ()


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
    return save_all(engine, [Work(inspection, again, fault, None, tuple(targets))], setup)[0]


def save_all(engine: Engine, works: Sequence[Work], setup: Setup) -> list[Saved]:
    """Write inspections graded with what `setup` names, in one transaction; return where each one was written.

    When the database refuses one of several, each is written in a transaction of its own, so that it stands alone.
    """
    for attempt in range(TRIES):
        try:
            with transaction(engine) as connection:
                waiting: dict[str, Rows] = {}
                saved = [_save(connection, work, setup, waiting) for work in works]
                flush_rows(connection, waiting)
            return saved
        except (IntegrityError, RecordsError) as error:
            if len(works) > 1 and not isinstance(error, LostConnectionError):
                return [save_all(engine, [work], setup)[0] for work in works]
            if not isinstance(error, IntegrityError):
                raise
            # Another program wrote the same board, or the same new serial, at the same moment: look again.
            if attempt == TRIES - 1:
                raise RecordsError(f"board {clean_text(works[0].inspection.serial, 80)}: the database refused it: "
                                   f"{' '.join(str(error.orig).split())[:300]}") from error
    raise AssertionError("unreachable")


def _save(connection: Connection, work: Work, setup: Setup, waiting: dict[str, Rows]) -> Saved:
    """Write one inspection with its disposition lines, unless the same job was done before.

    Its many rows are added to those that wait, to be written together with those of other boards.
    """
    inspection = work.inspection
    serial = clean_text(inspection.serial, SERIAL_LIMIT)
    pictures = picture_key((p.view, p.exposure, p.sha256) for p in inspection.pictures)
    job = job_key(serial, setup.family_sha256, setup.station_sha256, setup.sheet_sha256, pictures)
    unit_id, is_new = _unit(connection, serial, setup.family_name)
    last = None if is_new else connection.execute(LAST_RUN, {"job": job}).first()
    if last is not None and not work.again and not last.fault and last.superseded_by is None:
        return Saved(last.id, False)
    uid, now = str(uuid.uuid4()), _now()
    row = {"uid": uid, "origin": "pictures" if work.replay_of is None else "replay", "source_id": work.replay_of,
           "fault": work.fault, "picture_key": pictures, "job_key": job, "run": 1 if last is None else last.run + 1,
           "unit_id": unit_id, "family_id": setup.family_id, "station_id": setup.station_id,
           "sheet_id": setup.sheet_id, "saved_at": now}
    key = int(connection.execute(INSERT_INSPECTION, row | _summary(inspection)).scalar_one())
    collect_rows(key, inspection, setup.joints, setup.chips, waiting)
    if not is_new:
        flush_rows(connection, waiting)
        _supersede(connection, key, unit_id, inspection)
    if work.targets:
        body = disposition_line(inspection, uid)
        connection.execute(insert(Handover), [
            {"inspection_id": key, "target": target, "body": body, "created_at": now, "attempts": 0, "problem": ""}
            for target in work.targets])
    return Saved(key, True)


LAST_RUN = (select(InspectionRow.id, InspectionRow.run, InspectionRow.fault, InspectionRow.superseded_by)
            .where(InspectionRow.job_key == bindparam("job")).order_by(InspectionRow.run.desc()).limit(1))
INSERT_INSPECTION = insert(InspectionRow).returning(InspectionRow.id)
FIND_UNIT = select(Unit.id).where(Unit.serial == bindparam("serial"), Unit.family_name == bindparam("family_name"))


def _summary(inspection: Inspection) -> dict[str, Any]:
    """Return the columns that say in short what the inspection holds."""
    results: list[JointInspection | ChipInspection] = [*inspection.joints, *inspection.chips]
    verdicts = [result.verdict for result in results]
    waiting = sum(finding.verdict != INDICATOR for result in results for finding in result.findings)
    return {"started_at": datetime.fromisoformat(inspection.started_at), "seconds": max(0.0, inspection.seconds),
            "verdict": inspection.verdict, "reason": clean_text(inspection.reason),
            "program_version": inspection.program_version, "joint_count": len(inspection.joints),
            "review_count": verdicts.count(REVIEW), "reject_count": verdicts.count(REJECT),
            "ungraded_count": verdicts.count(UNGRADED), "open_findings": waiting}


def _unit(connection: Connection, serial: str, family_name: str) -> tuple[int, bool]:
    """Return the board's key, and whether it was written just now."""
    values = {"serial": serial, "family_name": family_name}
    made = connection.execute(_insert_once(Unit, ("serial", "family_name"), connection.dialect.name),
                              values | {"added_at": _now()}).scalar()
    if made is not None:
        return int(made), True
    return int(connection.execute(FIND_UNIT, values).scalar_one()), False


@lru_cache(maxsize=16)
def _insert_once(table: Any, key: tuple[str, ...], dialect: str) -> Any:
    """Return an INSERT that gives the new row's `id`, and nothing where a row with this unique key is there."""
    make = sqlite.insert if dialect == "sqlite" else postgresql.insert
    return make(table).on_conflict_do_nothing(index_elements=list(key)).returning(table.id)


def _once(connection: Connection, table: Any, key: dict[str, Any], more: dict[str, Any]) -> int:
    """Insert a row unless one with this unique key is there; return its `id`."""
    made = connection.execute(_insert_once(table, tuple(key), connection.dialect.name), key | more).scalar()
    if made is None:
        made = connection.execute(select(table.id).where(
            *(getattr(table, name) == value for name, value in key.items()))).scalar_one()
    return int(made)


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
    """Return the family, station and limit sheet that these keys stand for, with the keys of the family's parts."""
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
    return _once(connection, SheetRow, {"sha256": sheet_hash(sheet)}, {
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
    return _once(connection, StationRow, {"name": station.name, "sha256": digest},
                 {"content": text, "added_at": _now()})


def _now() -> datetime:
    return datetime.now(UTC)
