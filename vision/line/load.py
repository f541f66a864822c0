"""Reading the records: the boards of a line in order, as arrays."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, Engine, and_, func, select

from models.errors import some
from models.vocabulary import JOINT_FINDINGS, UNGRADED
from vision.line.errors import LineError
from vision.line.history import History, Joints
from vision.line.log_join import Rows
from vision.records.database import reading
from vision.records.schema import (
    FamilyJoint,
    FamilyRow,
    FindingRow,
    InspectionRow,
    JointResult,
    Picture,
    ProcessRecord,
    Review,
    Unit,
)
from vision.records.words import in_order

Floats = NDArray[np.float64]
Query = Any  # a select; its type parameters differ between versions of SQLAlchemy


@dataclass(frozen=True)
class Scope:
    """What a report or a watch looks at; empty words and None mean all. `until` is not included."""

    family: str = ""
    since: datetime | None = None
    until: datetime | None = None
    pot: str = ""
    nozzle: str = ""
    step: str = ""
    joint: str = ""

    @property
    def text(self) -> str:
        """The scope in words."""
        words = [f"family {self.family}" if self.family else "all families"]
        words += [f"{kind} {value}" for kind, value in
                  (("pot", self.pot), ("nozzle", self.nozzle), ("step", self.step), ("joint", self.joint)) if value]
        return ", ".join(words)


def first_inspections(scope: Scope) -> Query:
    """Return the query of inspections in a scope that count, oldest first.

    Superseded gradings are left out; later inspections of a board (after repair) are left to the caller.
    """
    wanted: list[ColumnElement[bool]] = [InspectionRow.superseded_by.is_(None)]
    if scope.family:
        wanted.append(FamilyRow.name == scope.family)
    if scope.since is not None:
        wanted.append(InspectionRow.started_at >= scope.since)
    if scope.until is not None:
        wanted.append(InspectionRow.started_at < scope.until)
    return (select(InspectionRow.id, InspectionRow.unit_id, InspectionRow.family_id, InspectionRow.started_at,
                   InspectionRow.verdict, InspectionRow.joint_count, Unit.serial)
            .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
            .where(and_(*wanted)).order_by(InspectionRow.started_at, InspectionRow.id))


def only_family(engine: Engine, wanted: str = "") -> str:
    """Return the family to look at: the wanted one, or the only one in the records.

    Raises LineError where there is none, or more than one and none was named.
    """
    with reading(engine) as connection:
        names = list(connection.execute(select(FamilyRow.name).distinct().order_by(FamilyRow.name)).scalars())
    if wanted and wanted not in names:
        raise LineError(f"family: got {wanted!r}, wanted one of the records: {', '.join(names) or '(none yet)'}")
    if wanted:
        return wanted
    if len(names) != 1:
        raise LineError(f"family: got none named, and the records hold {', '.join(names) or 'none'}; "
                        "name one with --family")
    return str(names[0])


def check_scope(engine: Engine, scope: Scope) -> None:
    """Raise LineError where a scope names a pot, nozzle, step or joint that the records do not hold, or share none."""
    name = FamilyJoint.ref + "." + FamilyJoint.pin
    places = (("pot", FamilyJoint.pot, scope.pot), ("nozzle", FamilyJoint.nozzle, scope.nozzle),
              ("step", FamilyJoint.step, scope.step), ("joint", name, scope.joint))
    with reading(engine) as connection:
        for kind, column, wanted in places:
            if not wanted:
                continue
            query = select(column).join(FamilyRow, FamilyRow.id == FamilyJoint.family_id).where(column != "").distinct()
            if scope.family:
                query = query.where(FamilyRow.name == scope.family)
            known = sorted(connection.execute(query).scalars(), key=in_order)
            if wanted not in known:
                raise LineError(f"{kind}: got {wanted!r}, wanted one of the records: {some(known, 20) or '(none yet)'}")
        chosen = [place for place in places if place[2]]
        if len(chosen) > 1:
            _check_shared(connection, chosen, scope.family)


def _check_shared(connection: Connection, chosen: Sequence[tuple[str, Any, str]], family: str) -> None:
    """Raise LineError where no joint lies at all of the places: kind, column and name of each."""
    def joints(places: Sequence[tuple[str, Any, str]], told: Any) -> list[str]:
        query = select(told).join(FamilyRow, FamilyRow.id == FamilyJoint.family_id).where(
            *(column == wanted for _, column, wanted in places), *([FamilyRow.name == family] if family else []))
        return sorted(connection.execute(query.distinct()).scalars(), key=in_order)

    (kind, column, _), others = chosen[0], chosen[1:]
    if joints(chosen, column):
        return
    names = [f"{kind} {wanted}" for kind, _, wanted in chosen]
    there = [name for name in joints(others, column) if name]
    hint = f"; the joints of {' and '.join(names[1:])} are at {kind} {some(there, 20)}" if there else ""
    raise LineError(f"{', '.join(names[:-1])} and {names[-1]}: no joint is in {'both' if len(names) == 2 else 'all'}, "
                    f"wanted places that share joints{hint}")


def load_history(engine: Engine, family: str, *, measures: Sequence[str], boards: int = 400,
                 until: datetime | None = None, scope: Scope | None = None) -> History:
    """Return the newest boards of a family, each by its first inspection, as arrays.

    Findings are the program's (rejects, reviews and indicators) without those that a person called false, and with
    the escapes that a person found. Joints that the newest family revision lacks are left out.
    """
    scope = scope or Scope(family=family, until=until)
    with reading(engine) as connection:
        rows = _newest_first_inspections(connection, scope, boards)
        joints, index = _joints(connection, family)
        if not rows:
            return _empty(family, joints, measures)
        keys = tuple(int(row.id) for row in rows)
        board = {key: number for number, key in enumerate(keys)}
        shape = (len(keys), len(joints))
        values = {name: np.full(shape, np.nan) for name in measures}
        graded = np.zeros(shape, dtype=np.bool_)
        _fill_measures(connection, keys, board, index, values, graded)
        findings = _findings(connection, keys, board, index, shape)
        batches = _batches(connection, [row.serial for row in rows])
    at_s = np.array([row.started_at.timestamp() for row in rows])
    return History(tuple(row.serial for row in rows), at_s, joints, values, findings, graded, keys, family, batches)


def _newest_first_inspections(connection: Connection, scope: Scope, boards: int) -> list[Any]:
    """Return up to `boards` inspections, oldest first, one a board (its first) and only those that were graded."""
    query = first_inspections(scope).order_by(None).order_by(InspectionRow.started_at.desc(), InspectionRow.id.desc())
    rows = list(connection.execute(query.limit(2 * boards)))
    rows.reverse()
    seen: set[int] = set()
    kept = []
    earlier = {int(unit): first for unit, first in connection.execute(
        select(InspectionRow.unit_id, InspectionRow.id)
        .where(InspectionRow.superseded_by.is_(None), InspectionRow.unit_id.in_([row.unit_id for row in rows]))
        .order_by(InspectionRow.started_at.desc(), InspectionRow.id.desc()))}
    for row in rows:
        if row.unit_id not in seen and earlier[row.unit_id] == row.id and row.joint_count > 0:
            kept.append(row)
        seen.add(row.unit_id)
    return kept[-boards:]


def _joints(connection: Connection, family: str) -> tuple[Joints, dict[int, int]]:
    """Return the joints of the newest revision, and the column of every joint key of every revision."""
    rows = list(connection.execute(
        select(FamilyJoint, FamilyRow.revision).join(FamilyRow, FamilyRow.id == FamilyJoint.family_id)
        .where(FamilyRow.name == family).order_by(FamilyRow.revision, FamilyJoint.id)))
    newest = max((row.revision for row in rows), default=0)
    names = [f"{row.ref}.{row.pin}" for row in rows]
    kept = [row for row in rows if row.revision == newest]
    column = {f"{row.ref}.{row.pin}": number for number, row in enumerate(kept)}
    index = {int(row.id): column[name] for row, name in zip(rows, names, strict=True) if name in column}
    return Joints(tuple(column), np.array([row.x_mm for row in kept]), np.array([row.y_mm for row in kept]),
                  tuple(row.pot for row in kept), tuple(row.nozzle for row in kept), tuple(row.step for row in kept),
                  tuple(row.land_kind for row in kept)), index


def _empty(family: str, joints: Joints, measures: Sequence[str]) -> History:
    nothing = np.zeros((0, len(joints)))
    values = {name: nothing for name in measures}
    return History((), np.zeros(0), joints, values, {}, nothing.astype(np.bool_), (), family)


def _fill_measures(connection: Connection, keys: Sequence[int], board: dict[int, int], index: dict[int, int],
                   values: dict[str, Floats], graded: NDArray[np.bool_]) -> None:
    table = JointResult.__table__
    columns = [table.c.inspection_id, table.c.joint_id, table.c.verdict, *(table.c[name] for name in values)]
    for part in _parts(keys):
        rows = connection.execute(select(*columns).where(table.c.inspection_id.in_(part))).all()
        place = [(board[row[0]], index.get(row[1], -1)) for row in rows]
        kept = np.array([column >= 0 for _, column in place], dtype=np.bool_)
        b, j = (np.array([pair[axis] for pair in place], dtype=np.intp)[kept] for axis in (0, 1))
        graded[b, j] = np.array([row[2] != UNGRADED for row in rows], dtype=np.bool_)[kept]
        for number, name in enumerate(values, start=3):
            column = np.array([np.nan if row[number] is None else row[number] for row in rows], dtype=np.float64)
            values[name][b, j] = column[kept]


def _findings(connection: Connection, keys: Sequence[int], board: dict[int, int], index: dict[int, int],
              shape: tuple[int, int]) -> dict[str, NDArray[np.bool_]]:
    found: dict[str, NDArray[np.bool_]] = {}

    def mark(name: str, key: int, joint: int | None) -> None:
        if joint in index and name in JOINT_FINDINGS:
            found.setdefault(name, np.zeros(shape, dtype=np.bool_))[board[key], index[joint]] = True

    for part in _parts(keys):
        false = set(connection.execute(
            select(Review.finding_id).where(Review.inspection_id.in_(part), Review.call == "false_call",
                                            Review.withdrawn_at.is_(None), Review.blind.is_(False))).scalars())
        for key, number, joint, name in connection.execute(
                select(FindingRow.inspection_id, FindingRow.id, FindingRow.joint_id, FindingRow.finding)
                .where(FindingRow.inspection_id.in_(part), FindingRow.joint_id.is_not(None))):
            if number not in false:
                mark(name, key, joint)
        for key, joint, name in connection.execute(
                select(Review.inspection_id, Review.joint_id, Review.corrected)
                .where(Review.inspection_id.in_(part), Review.call == "escape", Review.withdrawn_at.is_(None))):
            mark(name, key, joint)
    return found


def _batches(connection: Connection, serials: Sequence[str]) -> tuple[str, ...]:
    """Return each board's batch from the process log, or nothing at all where no batch was logged."""
    known: dict[str, str] = {}
    for part in _parts(serials):
        rows = connection.execute(
            select(ProcessRecord.serial, ProcessRecord.note)
            .where(ProcessRecord.quantity == "board_batch", ProcessRecord.serial.in_(part)))
        known.update({serial: batch for serial, batch in rows})
    return tuple(known.get(serial, "") for serial in serials) if known else ()


def load_log(engine: Engine, since: datetime, until: datetime) -> Rows:
    """Return the process log of a period as columns, in time order."""
    columns = (ProcessRecord.recorded_at, ProcessRecord.serial, ProcessRecord.pot, ProcessRecord.nozzle,
               ProcessRecord.step, ProcessRecord.quantity, ProcessRecord.value, ProcessRecord.note)
    with reading(engine) as connection:
        rows = connection.execute(
            select(*columns).where(ProcessRecord.recorded_at >= since, ProcessRecord.recorded_at <= until)
            .order_by(ProcessRecord.recorded_at, ProcessRecord.id)).all()
    return Rows(np.array([row[0].timestamp() for row in rows]), tuple(row[1] for row in rows),
                tuple(row[2] for row in rows), tuple(row[3] for row in rows), tuple(row[4] for row in rows),
                tuple(row[5] for row in rows),
                np.array([np.nan if row[6] is None else row[6] for row in rows], dtype=np.float64),
                tuple(row[7] for row in rows))


def pictures_of(engine: Engine, keys: Sequence[int]) -> dict[int, dict[str, tuple[str, ...]]]:
    """Return the picture paths of inspections: {inspection key: {view: paths}}."""
    found: dict[int, dict[str, tuple[str, ...]]] = {}
    with reading(engine) as connection:
        for key, view, path in connection.execute(
                select(Picture.inspection_id, Picture.view, Picture.path)
                .where(Picture.inspection_id.in_(list(keys))).order_by(Picture.view, Picture.exposure)):
            views = found.setdefault(key, {})
            views[view] = (*views.get(view, ()), path)
    return found


def views_of(engine: Engine, keys: Sequence[int], joint: str) -> dict[int, str]:
    """Return in which view a joint was measured in each inspection."""
    ref, _, pin = joint.rpartition(".")
    table = JointResult.__table__
    with reading(engine) as connection:
        return {int(key): str(view) for key, view in connection.execute(
            select(table.c.inspection_id, table.c.view).join(FamilyJoint, FamilyJoint.id == table.c.joint_id)
            .where(table.c.inspection_id.in_(list(keys)), FamilyJoint.ref == ref, FamilyJoint.pin == pin))}


def _parts(keys: Sequence[Any], size: int = 400) -> list[list[Any]]:
    """Split keys so that no statement carries too many of them."""
    return [list(keys[start: start + size]) for start in range(0, len(keys), size)]


def count_boards(engine: Engine, family: str) -> int:
    """Return how many boards of a family were graded."""
    with reading(engine) as connection:
        return int(connection.execute(
            select(func.count(InspectionRow.unit_id.distinct()))
            .join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
            .where(FamilyRow.name == family, InspectionRow.superseded_by.is_(None), InspectionRow.joint_count > 0)
        ).scalar_one())


def boards_since(engine: Engine, family: str, since: datetime) -> int:
    """Return how many boards of a family were graded for the first time at `since` or later."""
    first = (select(func.min(InspectionRow.started_at).label("at"))
             .join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
             .where(FamilyRow.name == family, InspectionRow.superseded_by.is_(None), InspectionRow.joint_count > 0)
             .group_by(InspectionRow.unit_id).subquery())
    with reading(engine) as connection:
        return int(connection.execute(select(func.count()).select_from(first).where(first.c.at >= since)).scalar_one())


def count_joints(engine: Engine, family: str) -> int:
    """Return how many joints the newest revision of a family has."""
    with reading(engine) as connection:
        return len(_joints(connection, family)[0])


def camera_side(engine: Engine, family: str) -> tuple[str, float]:
    """Return from which side (`bottom`, `top`) the camera sees a family's boards, and its first view's turn (deg)."""
    with reading(engine) as connection:
        content = connection.execute(
            select(FamilyRow.content).where(FamilyRow.name == family).order_by(FamilyRow.revision.desc()).limit(1)
        ).scalar_one()
    known = json.loads(content)
    return str(known["seen_from"]), float(known["views"][0]["rotation_deg"])


def newest_inspection(engine: Engine, family: str) -> int:
    """Return the key of the newest inspection of a family, 0 where there is none."""
    with reading(engine) as connection:
        key = connection.execute(
            select(InspectionRow.id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
            .where(FamilyRow.name == family).order_by(InspectionRow.id.desc()).limit(1)).scalar()
    return int(key or 0)
