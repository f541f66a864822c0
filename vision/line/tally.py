"""Counting the records of a period: boards, joints, findings and what people said about them, as arrays.

Whole tables of joint results are never read: what a joint was tried for follows from the boards graded, less the
few joints that could not be graded, and findings are few.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, Engine, and_, select, true

from models.vocabulary import FINDINGS, UNGRADED
from vision.line.load import Scope, first_inspections
from vision.records.database import reading
from vision.records.repairs import repair_taken_back
from vision.records.schema import (
    FamilyJoint,
    FamilyRow,
    FindingRow,
    InspectionRow,
    JointResult,
    Repair,
    Review,
)

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FINDING_NAMES: tuple[str, ...] = tuple(finding.name for finding in FINDINGS)
#: What people said about a finding. A process indicator waits for nobody.
WAITING, REAL, FALSE, UNSURE, INDICATOR = range(5)
CALL_STATES = {"real": REAL, "false_call": FALSE, "cannot_tell": UNSURE}


@dataclass(frozen=True)
class JointTable:
    """Joints of all families in the period, one a place: revisions of one family are merged by joint name."""

    family: tuple[str, ...]
    name: tuple[str, ...]
    x_mm: Floats
    y_mm: Floats
    pot: tuple[str, ...]
    nozzle: tuple[str, ...]
    step: tuple[str, ...]
    land_kind: tuple[str, ...]
    tried: Ints  # graded joints in the period, by joint
    inside: Bools  # belongs to the scope


@dataclass(frozen=True)
class Tally:
    """The period as arrays. Calls are findings in the scope; `board` counts boards, `joint` joints (-1: a chip)."""

    scope: Scope
    serials: tuple[str, ...]
    at_s: Floats
    family: tuple[str, ...]
    passed_over: Bools  # boards that could not be graded at all
    joints: JointTable
    board: Ints
    joint: Ints
    finding: Ints
    state: Ints
    escape_board: Ints
    escape_joint: Ints
    escape_finding: Ints
    ungraded_joints: int
    review_s: Floats  # seconds from grading to each decision
    repair_s: Floats

    @property
    def calls(self) -> Bools:
        """Which findings are calls, not mere indicators."""
        return np.asarray(self.state != INDICATOR, dtype=np.bool_)


def tally(engine: Engine, scope: Scope) -> Tally:
    """Count a period. A board counts by its first inspection; what came after repair does not."""
    with reading(engine) as connection:
        rows, families = _boards(connection, scope)
        ids = {int(row.id): number for number, row in enumerate(rows)}
        table, index = _joints(connection, scope, rows, families)
        found = _findings(connection, scope, ids, index, table.inside)
        escapes = _escapes(connection, scope, ids, index, table.inside)
        ungraded, lost = _take_ungraded(connection, scope, ids, index, table)
        review_s, repair_s = _waits(connection, scope, ids)
    return Tally(scope, tuple(row.serial for row in rows), np.array([row.started_at.timestamp() for row in rows]),
                 tuple(families[row.family_id] for row in rows),
                 np.array([row.joint_count <= lost[number] for number, row in enumerate(rows)], dtype=np.bool_),
                 table, *found, *escapes, ungraded, review_s, repair_s)


def _boards(connection: Connection, scope: Scope) -> tuple[list[Any], dict[int, str]]:
    """Return the first inspection of each board in the scope, and family names by key."""
    rows = connection.execute(first_inspections(scope)).all()
    families = {int(key): str(name) for key, name in connection.execute(select(FamilyRow.id, FamilyRow.name))}
    seen: set[int] = set()
    if scope.since is not None:  # a board whose first inspection lies before the period is only back from repair
        wanted = select(InspectionRow.unit_id).where(InspectionRow.started_at >= scope.since).scalar_subquery()
        seen = set(connection.execute(
            select(InspectionRow.unit_id).where(
                InspectionRow.started_at < scope.since, InspectionRow.superseded_by.is_(None),
                InspectionRow.unit_id.in_(wanted)).distinct()).scalars())
    kept = []
    for row in rows:
        if row.unit_id not in seen:
            kept.append(row)
            seen.add(row.unit_id)
    return kept, families


def _joints(connection: Connection, scope: Scope, rows: Sequence[Any],
            families: dict[int, str]) -> tuple[JointTable, dict[int, int]]:
    """Return the joints of the families seen, tried once a graded board, and the row of every joint key."""
    graded: dict[int, int] = {}
    for row in rows:
        graded[row.family_id] = graded.get(row.family_id, 0) + (row.joint_count > 0)
    found: dict[tuple[str, str], int] = {}
    columns: list[Any] = []
    tried: list[int] = []
    index: dict[int, int] = {}
    joints = connection.execute(
        select(FamilyJoint.id, FamilyJoint.family_id, FamilyJoint.ref, FamilyJoint.pin, FamilyJoint.x_mm,
               FamilyJoint.y_mm, FamilyJoint.pot, FamilyJoint.nozzle, FamilyJoint.step, FamilyJoint.land_kind)
        .where(FamilyJoint.family_id.in_(graded)).order_by(FamilyJoint.family_id.desc(), FamilyJoint.id)).all()
    for joint in joints:  # newest revision first: it says where the joint is today
        key = (families[joint.family_id], f"{joint.ref}.{joint.pin}")
        if key not in found:
            found[key] = len(columns)
            columns.append(joint)
            tried.append(0)
        index[int(joint.id)] = found[key]
        tried[found[key]] += graded[joint.family_id]
    inside = [(not scope.pot or j.pot == scope.pot) and (not scope.nozzle or j.nozzle == scope.nozzle)
              and (not scope.step or j.step == scope.step) and (not scope.joint or f"{j.ref}.{j.pin}" == scope.joint)
              for j in columns]
    table = JointTable(
        tuple(key[0] for key in found), tuple(key[1] for key in found), np.array([j.x_mm for j in columns]),
        np.array([j.y_mm for j in columns]), tuple(j.pot for j in columns), tuple(j.nozzle for j in columns),
        tuple(j.step for j in columns), tuple(j.land_kind for j in columns), np.array(tried, dtype=np.int64),
        np.array(inside, dtype=np.bool_))
    return table, index


def _period(scope: Scope) -> Any:
    """Return the condition that an inspection lies in the period and counts (family and boards are checked later)."""
    wanted: list[ColumnElement[bool]] = [InspectionRow.superseded_by.is_(None)]
    if scope.since is not None:
        wanted.append(InspectionRow.started_at >= scope.since)
    if scope.until is not None:
        wanted.append(InspectionRow.started_at < scope.until)
    return and_(*wanted)


def _findings(connection: Connection, scope: Scope, ids: dict[int, int], index: dict[int, int],
              inside: Bools) -> tuple[Ints, Ints, Ints, Ints]:
    """Return findings in the scope: board, joint, finding and what people said."""
    said = {row[0]: (row[1], row[2]) for row in connection.execute(
        select(Review.finding_id, Review.call, Review.corrected)
        .join(InspectionRow, InspectionRow.id == Review.inspection_id)
        .where(_period(scope), Review.withdrawn_at.is_(None), Review.blind.is_(False),
               Review.finding_id.is_not(None)))}
    code = {name: number for number, name in enumerate(FINDING_NAMES)}
    out: list[tuple[int, int, int, int]] = []
    chips = _takes_chips(scope)
    for row in connection.execute(
            select(FindingRow.id, FindingRow.inspection_id, FindingRow.joint_id, FindingRow.finding,
                   FindingRow.verdict)
            .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id).where(_period(scope))):
        board = ids.get(row[1])
        joint = -1 if row[2] is None else index.get(row[2], -2)
        if board is None or joint == -2 or (joint == -1 and not chips) or (joint >= 0 and not inside[joint]):
            continue
        call, corrected = said.get(row[0], ("", ""))
        state = INDICATOR if row[4] == "indicator" else CALL_STATES.get(call, WAITING)
        name = corrected if state == REAL and corrected in code else row[3]
        if name in code:
            out.append((board, joint, code[name], state))
    columns = np.array(out, dtype=np.int64).reshape(-1, 4).T
    return columns[0], columns[1], columns[2], columns[3]


def _takes_chips(scope: Scope) -> bool:
    return not (scope.pot or scope.nozzle or scope.step or scope.joint)


def _escapes(connection: Connection, scope: Scope, ids: dict[int, int], index: dict[int, int],
             inside: Bools) -> tuple[Ints, Ints, Ints]:
    """Return the defects that people found and the program did not."""
    code = {name: number for number, name in enumerate(FINDING_NAMES)}
    out = []
    for key, joint_id, name in connection.execute(
            select(Review.inspection_id, Review.joint_id, Review.corrected)
            .join(InspectionRow, InspectionRow.id == Review.inspection_id)
            .where(_period(scope), Review.call == "escape", Review.withdrawn_at.is_(None))):
        joint = -1 if joint_id is None else index.get(joint_id, -2)
        usable = (joint >= 0 and inside[joint]) or (joint == -1 and _takes_chips(scope))
        if key in ids and usable:
            out.append((ids[key], joint, code.get(name, -1)))
    columns = np.array(out, dtype=np.int64).reshape(-1, 3).T
    return columns[0], columns[1], columns[2]


def _take_ungraded(connection: Connection, scope: Scope, ids: dict[int, int], index: dict[int, int],
                   table: JointTable) -> tuple[int, Ints]:
    """Take joints that could not be graded out of `tried`.

    Returns how many of the scope there were, and how many each board had, [board]; chips do not count.
    """
    results = JointResult.__table__
    count, lost = 0, np.zeros(len(ids), dtype=np.int64)
    query = (select(results.c.inspection_id, results.c.joint_id)
             .join(InspectionRow, InspectionRow.id == results.c.inspection_id)
             .where(_period(scope), InspectionRow.ungraded_count > 0, results.c.verdict == UNGRADED))
    for key, joint_id in connection.execute(query):
        joint = index.get(joint_id)
        if key in ids and joint is not None:
            lost[ids[key]] += 1
            table.tried[joint] -= 1
            count += bool(table.inside[joint])
    return count, lost


def _waits(connection: Connection, scope: Scope, ids: dict[int, int]) -> tuple[Floats, Floats]:
    """Return the seconds from grading to each decision and to each repair, without repairs that were taken back."""
    out = []
    for row, column, counted in ((Review, Review.reviewed_at, true()),
                                 (Repair, Repair.repaired_at, ~repair_taken_back())):
        query = (select(row.inspection_id, InspectionRow.saved_at, column)
                 .join(InspectionRow, InspectionRow.id == row.inspection_id).where(_period(scope), counted))
        out.append(np.array([(when - saved).total_seconds() for key, saved, when in connection.execute(query)
                             if key in ids], dtype=np.float64))
    return out[0], out[1]


__all__ = ["FALSE", "FINDING_NAMES", "INDICATOR", "REAL", "UNSURE", "WAITING", "JointTable", "Tally", "tally"]
