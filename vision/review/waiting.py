"""What waits for a person: boards with undecided findings, the oldest first.

A board that was photographed again since is left out: its newer inspection counts. Every query reads a bounded
number of rows, however many boards wait.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Engine, and_, exists, func, or_, select
from sqlalchemy.orm import aliased

from vision.records.database import reading
from vision.records.schema import FamilyRow, FindingRow, InspectionRow, Review, Unit

#: Boards listed on one page of the queue.
PAGE = 25
#: The waiting boards are counted up to this; beyond it a person needs no exact number.
COUNTED = 500
#: How long a board counts as being looked at by somebody, s.
HELD_SECONDS = 120.0


@dataclass(frozen=True)
class WaitingBoard:
    """One board in the queue."""

    inspection_id: int
    started_at: datetime
    serial: str
    family: str
    verdict: str
    open_findings: int


@dataclass(frozen=True)
class UngradedBoard:
    """One board that could not be graded: it needs new pictures, not an opinion."""

    inspection_id: int
    started_at: datetime
    serial: str
    family: str
    reason: str


def waiting_boards(engine: Engine, *, after: tuple[datetime, int] | None = None, limit: int = PAGE,
                   leave_out: Iterable[int] = ()) -> list[WaitingBoard]:
    """Return waiting boards, the oldest first, beginning behind a place (started_at, inspection id) in the queue."""
    left = list(leave_out)
    query = _waiting(select(InspectionRow.id, InspectionRow.started_at, Unit.serial, FamilyRow.name,
                            InspectionRow.verdict, InspectionRow.open_findings)
                     .join(Unit, Unit.id == InspectionRow.unit_id)
                     .join(FamilyRow, FamilyRow.id == InspectionRow.family_id))
    if after is not None:
        query = query.where(or_(InspectionRow.started_at > after[0], and_(InspectionRow.started_at == after[0],
                                                                         InspectionRow.id > after[1])))
    if left:
        query = query.where(InspectionRow.id.not_in(left))
    query = query.order_by(InspectionRow.started_at, InspectionRow.id).limit(limit)
    with reading(engine) as connection:
        return [WaitingBoard(*row) for row in connection.execute(query)]


def count_waiting(engine: Engine) -> int:
    """Return how many boards wait, counted up to COUNTED + 1."""
    inner = _waiting(select(InspectionRow.id)).limit(COUNTED + 1).subquery()
    with reading(engine) as connection:
        return int(connection.execute(select(func.count()).select_from(inner)).scalar_one())


def ungraded_boards(engine: Engine, limit: int = 10) -> list[UngradedBoard]:
    """Return the newest boards that could not be graded and have not been photographed again."""
    later = aliased(InspectionRow)
    query = (select(InspectionRow.id, InspectionRow.started_at, Unit.serial, FamilyRow.name, InspectionRow.reason)
             .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
             .where(InspectionRow.verdict == "ungraded", InspectionRow.superseded_by.is_(None), ~_newer(later))
             .order_by(InspectionRow.started_at.desc()).limit(limit))
    with reading(engine) as connection:
        return [UngradedBoard(*row) for row in connection.execute(query)]


def undecided(connection: Connection, inspection_id: int) -> list[int]:
    """Return the keys of a board's findings that wait, in the order of the records: place by place."""
    standing = exists().where(Review.finding_id == FindingRow.id, Review.withdrawn_at.is_(None),
                              Review.blind.is_(False))
    rows = connection.execute(
        select(FindingRow.id).where(FindingRow.inspection_id == inspection_id, FindingRow.verdict != "indicator",
                                    ~standing).order_by(FindingRow.id))
    return [int(row.id) for row in rows]


def next_finding(engine: Engine, *, inspection_id: int | None = None, after: int = 0,
                 leave_out: Iterable[int] = ()) -> int | None:
    """Return the finding to look at next, or None where nothing waits.

    First the rest of the same board (`inspection_id`; from the finding `after` on, then from its first), then the
    oldest waiting board that is not left out.
    """
    left = set(leave_out)
    with reading(engine) as connection:
        if inspection_id is not None and inspection_id not in left:
            rest = undecided(connection, inspection_id)
            if rest:
                return next((key for key in rest if key > after), rest[0])
    if inspection_id is not None:
        left.add(inspection_id)
    for board in waiting_boards(engine, limit=5, leave_out=left):
        with reading(engine) as connection:
            rest = undecided(connection, board.inspection_id)
        if rest:
            return rest[0]
    return None


def _newer(later: Any) -> Any:
    """Return the condition that the same board was inspected again later."""
    return exists().where(later.unit_id == InspectionRow.unit_id, later.started_at > InspectionRow.started_at,
                          later.superseded_by.is_(None))


def _waiting(query: Any) -> Any:
    return query.where(InspectionRow.open_findings > 0, InspectionRow.superseded_by.is_(None),
                       ~_newer(aliased(InspectionRow)))


class Desks:
    """Who looks at which board right now, so that the queue hands two people two boards.

    A courtesy only: what keeps decisions single is the version check. Forgotten after HELD_SECONDS.
    """

    def __init__(self) -> None:
        self._held: dict[int, tuple[str, float]] = {}
        self._lock = threading.Lock()

    def sit(self, inspection_id: int, name: str) -> None:
        """Note that a person looks at a board, and at no other."""
        now = time.monotonic()
        with self._lock:
            self._held = {key: (who, since) for key, (who, since) in self._held.items()
                          if now - since < HELD_SECONDS and who != name}
            self._held.setdefault(inspection_id, (name, now))

    def others(self, name: str) -> dict[int, str]:
        """Return the boards that other people look at: inspection key to name."""
        now = time.monotonic()
        with self._lock:
            return {key: who for key, (who, since) in self._held.items() if who != name and now - since < HELD_SECONDS}
