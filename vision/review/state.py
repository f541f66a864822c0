"""Where a board stands on its way: waiting for a person, at the bench, to be graded again, or closed.

The state is worked out from the records each time, so that it can never disagree with them. A board closes only when
its newest inspection passes: accepted, or with nothing but false calls, and nothing mended since.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Connection, Engine, case, exists, func, or_, select
from sqlalchemy.orm import aliased

from models.vocabulary import finding_title
from vision.records.database import reading
from vision.records.repairs import REPAIR_UNDONE, repair_taken_back
from vision.records.schema import (
    AUDIT,
    FamilyChip,
    FamilyJoint,
    FamilyRow,
    FindingRow,
    InspectionRow,
    Repair,
    Review,
    Unit,
)
from vision.review.decisions import CANNOT_TELL, REAL

Kind = Literal["decide", "settle", "mend", "grade again", "closed", "take pictures"]

#: Another finding that a person saw, as the audit trail names it.
REALLY = re.compile(r"\breally (\w+)")
#: What each state asks for, in words.
ASKS: dict[Kind, str] = {
    "decide": "Findings wait for a decision.",
    "settle": "Somebody could not tell, or people disagree: a second person has to settle it.",
    "mend": "Real defects wait for the iron.",
    "grade again": "Mended. Clean it and take it back to the camera: it closes only when its new inspection passes.",
    "closed": "The newest inspection passed.",
    "take pictures": "Could not be graded: take new pictures. It counts as not accepted.",
}


#: What a closed board says that the program did not accept.
ALL_FALSE = "A person called all findings false."

#: Where a board goes that is decided, to be said after its serial.
WAYS_ON: dict[Kind, str] = {
    "decide": "is not done: findings wait for a decision",
    "settle": "is decided so far: put it aside until a second person has settled it",
    "mend": "is done: to the bench",
    "grade again": "is done: back to the camera",
    "closed": "is done: back to the line",
    "take pictures": "is done: take new pictures of it",
}


@dataclass(frozen=True)
class State:
    """A board's state, the inspection that decides it, and the counts behind it."""

    kind: Kind
    inspection_id: int
    waiting: int  # findings without a decision
    unsettled: int
    real: int  # real defects, missed ones included
    mended: int  # of them those mended after they were found
    verdict: str = "accept"  # the program's own on that inspection

    @property
    def asks(self) -> str:
        """What the board waits for, or why it is closed, in words; it stands behind the kind."""
        return ALL_FALSE if self.closed and self.verdict != "accept" else ASKS[self.kind]

    @property
    def way_on(self) -> str:
        """Where the board goes now, to be said after its serial."""
        return WAYS_ON[self.kind]

    @property
    def closed(self) -> bool:
        """The newest inspection passed."""
        return self.kind == "closed"


@dataclass(frozen=True)
class Event:
    """One thing that happened to a board."""

    at: datetime
    what: str
    who: str
    inspection_id: int


def board_state(engine: Engine, unit_id: int) -> State:
    """Return where a board stands, by its newest inspection."""
    with reading(engine) as connection:
        return _state(connection, unit_id)


def _state(connection: Connection, unit_id: int) -> State:
    newest = connection.execute(
        select(InspectionRow.id, InspectionRow.verdict, InspectionRow.open_findings)
        .where(InspectionRow.unit_id == unit_id, InspectionRow.superseded_by.is_(None))
        .order_by(InspectionRow.started_at.desc(), InspectionRow.id.desc()).limit(1)).one()
    return _states(connection, [(newest.id, newest.verdict, newest.open_findings)])[newest.id]


def _states(connection: Connection, newest: Sequence[tuple[int, str, int]]) -> dict[int, State]:
    """Return the states that inspections (key, verdict, open findings) give their boards, with two queries in all."""
    keys = [key for key, _, _ in newest]
    mended = exists().where(
        Repair.inspection_id == Review.inspection_id, Repair.repaired_at >= Review.reviewed_at,
        or_(Repair.joint_id == Review.joint_id, Repair.chip_id == Review.chip_id), ~repair_taken_back())
    bad = or_(Review.call == REAL, Review.call == "escape")
    counts = {row.inspection_id: (int(row.unsure), int(row.real), int(row.done)) for row in connection.execute(
        select(Review.inspection_id, func.sum(case((Review.call == CANNOT_TELL, 1), else_=0)).label("unsure"),
               func.sum(case((bad, 1), else_=0)).label("real"),
               func.sum(case((bad & mended, 1), else_=0)).label("done"))
        .where(Review.inspection_id.in_(keys), Review.withdrawn_at.is_(None), Review.blind.is_(False))
        .group_by(Review.inspection_id))}
    heated = set(connection.execute(select(Repair.inspection_id).where(
        Repair.inspection_id.in_(keys), ~repair_taken_back()).distinct()).scalars())
    states = {}
    for key, verdict, waiting in newest:
        unsure, real, done = counts.get(key, (0, 0, 0))
        states[key] = State(_kind(verdict, waiting, unsure, real > done, key in heated), key, waiting, unsure, real,
                            done, verdict)
    return states


def _kind(verdict: str, waiting: int, unsure: int, to_mend: bool, heated: bool) -> Kind:
    if verdict == "ungraded":
        return "take pictures"
    if waiting:
        return "decide"
    if unsure:
        return "settle"
    if to_mend:
        return "mend"
    return "grade again" if heated else "closed"


def history(engine: Engine, unit_id: int) -> list[Event]:
    """Return what happened to a board, the oldest first: gradings, decisions also taken back, repairs."""
    with reading(engine) as connection:
        keys = {row.id: row for row in connection.execute(
            select(InspectionRow.id, InspectionRow.started_at, InspectionRow.verdict, InspectionRow.superseded_by)
            .where(InspectionRow.unit_id == unit_id))}
        events = [Event(row.started_at, f"graded: {row.verdict}"
                        + (" (a later grading of the same pictures counts instead)" if row.superseded_by else ""),
                        "", row.id) for row in keys.values()]
        events += _decisions_told(connection, list(keys))
        for row in connection.execute(_with_place(Repair.__table__, Repair).where(Repair.inspection_id.in_(keys))):
            events.append(Event(row.repaired_at, f"{_place(row)} mended: {row.action}", row.repairer,
                                row.inspection_id))
    return sorted(events, key=lambda event: event.at)


def _decisions_told(connection: Connection, keys: Sequence[int]) -> list[Event]:
    """Return what the audit trail tells of decisions on some inspections, with places and findings in words."""
    found = {row.id: f"{_place(row)} {finding_title(row.finding)}" for row in connection.execute(
        _with_place(FindingRow.__table__, FindingRow).where(FindingRow.inspection_id.in_(keys)))}
    missed = {row.id: _place(row) for row in connection.execute(
        _with_place(Review.__table__, Review).where(Review.inspection_id.in_(keys), Review.call == "escape"))}
    told = ("decide", "undo", "settle", "escape", REPAIR_UNDONE)
    events = []
    for row in connection.execute(select(AUDIT).where(AUDIT.c.inspection_id.in_(keys), AUDIT.c.action.in_(told))):
        what = found.get(row.finding_id, "missed defect")
        detail = REALLY.sub(lambda match: f"really {finding_title(match[1])}", row.detail)
        words = {"decide": f"{what}: {detail}", "undo": f"{what}: decision taken back",
                 "settle": f"{what}: settled, {detail}",
                 REPAIR_UNDONE: f"{found.get(row.finding_id) or missed.get(row.review_id, '')}: repair taken back",
                 "escape": f"{missed.get(row.review_id, '')} missed defect reported: {finding_title(row.detail)}"}
        events.append(Event(row.at, words[row.action].strip(), row.who, row.inspection_id))
    return events


def _with_place(columns: Any, table: Any) -> Any:
    """Return a query for rows that name a joint or a chip, with the names of both."""
    return (select(columns, FamilyJoint.ref, FamilyJoint.pin, FamilyChip.ref.label("chip_ref"))
            .join(FamilyJoint, FamilyJoint.id == table.joint_id, isouter=True)
            .join(FamilyChip, FamilyChip.id == table.chip_id, isouter=True))


def _place(row: Any) -> str:
    return str(row.chip_ref) if row.joint_id is None else f"{row.ref}.{row.pin}"


@dataclass(frozen=True)
class BenchBoard:
    """One board on its way through the repair bench."""

    inspection_id: int
    unit_id: int
    serial: str
    family: str
    decided_at: datetime
    state: State


#: Reviews that are looked through for boards at the bench: the newest.
BENCH_REVIEWS = 500


def bench_boards(engine: Engine, limit: int = 40) -> list[BenchBoard]:
    """Return boards with real defects that are not closed: to mend, to settle, to grade again; the oldest first."""
    later = aliased(InspectionRow)
    newer = exists().where(later.unit_id == InspectionRow.unit_id, later.started_at > InspectionRow.started_at,
                           later.superseded_by.is_(None))
    with reading(engine) as connection:
        decided: dict[int, datetime] = {}
        for review in connection.execute(
                select(Review.inspection_id, Review.reviewed_at)
                .where(Review.withdrawn_at.is_(None), Review.blind.is_(False), Review.call != "false_call")
                .order_by(Review.reviewed_at.desc()).limit(BENCH_REVIEWS)):
            decided[review.inspection_id] = review.reviewed_at
        # Asked for by key: joined in one query, a database may choose to walk through all inspections instead.
        rows = connection.execute(
            select(InspectionRow.id, InspectionRow.unit_id, Unit.serial, FamilyRow.name, InspectionRow.verdict,
                   InspectionRow.open_findings)
            .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
            .where(InspectionRow.id.in_(list(decided)), InspectionRow.superseded_by.is_(None), ~newer)).all()
        states = _states(connection, [(row.id, row.verdict, row.open_findings) for row in rows])
    boards = [BenchBoard(row.id, row.unit_id, row.serial, row.name, decided[row.id], states[row.id]) for row in rows]
    waiting = (board for board in boards if not board.state.closed)
    return sorted(waiting, key=lambda board: (board.decided_at, board.inspection_id))[:limit]
