"""What people decide and do: reviews, repairs, and records of the process."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Engine, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import IntegrityError

from vision.records.database import transaction
from vision.records.errors import RecordsError
from vision.records.schema import CALLS, FindingRow, InspectionRow, ProcessRecord, Repair, Review


class DecidedError(RecordsError):
    """Another person decided on this finding first."""


def add_review(engine: Engine, finding_id: int, *, call: str, reviewer: str, corrected: str = "", note: str = "",
               blind: bool = False, at: datetime | None = None) -> int:
    """Record what a person says about a finding; return the review's key.

    A finding has at most one standing review (blind ones, made for agreement studies, not counted): the second person
    gets DecidedError. `call` is real, false_call or cannot_tell.
    """
    if call not in CALLS or call == "escape":
        raise RecordsError(f"review: got call {call!r}, wanted {', '.join(CALLS[:-1])}")
    if not reviewer.strip():
        raise RecordsError("review: got no reviewer, wanted who decided")
    try:
        with transaction(engine) as connection:
            finding = connection.execute(
                select(FindingRow.inspection_id, FindingRow.joint_id, FindingRow.chip_id, FindingRow.verdict)
                .where(FindingRow.id == finding_id)).first()
            if finding is None:
                raise RecordsError(f"finding {finding_id}: not in this database")
            key = connection.execute(insert(Review).returning(Review.id), [{
                "inspection_id": finding.inspection_id, "joint_id": finding.joint_id, "chip_id": finding.chip_id,
                "finding_id": finding_id, "call": call, "corrected": corrected, "reviewer": reviewer.strip(),
                "reviewed_at": at or datetime.now(UTC), "blind": blind, "note": note}]).scalar_one()
            if not blind and finding.verdict != "indicator":
                _count(connection, finding.inspection_id, -1)
        return int(key)
    except IntegrityError as error:
        raise DecidedError(f"finding {finding_id}: somebody has decided on it already; load the board again") from error


def withdraw_review(engine: Engine, review_id: int, *, at: datetime | None = None) -> None:
    """Take a review back; the finding waits again. Withdrawing twice changes nothing."""
    with transaction(engine) as connection:
        review = connection.execute(
            select(Review.inspection_id, Review.finding_id, Review.blind, FindingRow.verdict)
            .join(FindingRow, FindingRow.id == Review.finding_id, isouter=True).where(Review.id == review_id)).first()
        if review is None:
            raise RecordsError(f"review {review_id}: not in this database")
        changed = connection.execute(update(Review).where(Review.id == review_id, Review.withdrawn_at.is_(None))
                                     .values(withdrawn_at=at or datetime.now(UTC)))
        waits = review.finding_id is not None and not review.blind and review.verdict != "indicator"
        if changed.rowcount and waits:
            _count(connection, review.inspection_id, 1)


def _count(connection: Connection, inspection_id: int, change: int) -> None:
    connection.execute(update(InspectionRow).where(InspectionRow.id == inspection_id)
                       .values(open_findings=InspectionRow.open_findings + change))


def add_escape(engine: Engine, inspection_id: int, *, joint_id: int | None = None, chip_id: int | None = None,
               corrected: str, reviewer: str, note: str = "", at: datetime | None = None) -> int:
    """Record a defect that the program did not find, at a joint or a chip; return the review's key."""
    with transaction(engine) as connection:
        key = connection.execute(insert(Review).returning(Review.id), [{
            "inspection_id": inspection_id, "joint_id": joint_id, "chip_id": chip_id, "call": "escape",
            "corrected": corrected, "reviewer": reviewer, "reviewed_at": at or datetime.now(UTC), "blind": False,
            "note": note}]).scalar_one()
    return int(key)


def add_repair(engine: Engine, finding_id: int, *, action: str, repairer: str, note: str = "",
               at: datetime | None = None) -> int:
    """Record that a finding was mended; return the repair's key."""
    if not repairer.strip():
        raise RecordsError("repair: got no name, wanted who mended it")
    with transaction(engine) as connection:
        finding = connection.execute(select(FindingRow.inspection_id, FindingRow.joint_id, FindingRow.chip_id)
                                     .where(FindingRow.id == finding_id)).first()
        if finding is None:
            raise RecordsError(f"finding {finding_id}: not in this database")
        key = connection.execute(insert(Repair).returning(Repair.id), [{
            "inspection_id": finding.inspection_id, "joint_id": finding.joint_id, "chip_id": finding.chip_id,
            "finding_id": finding_id, "action": action, "repairer": repairer.strip(), "note": note,
            "repaired_at": at or datetime.now(UTC)}]).scalar_one()
    return int(key)


def add_process_records(engine: Engine, records: Iterable[Mapping[str, Any]]) -> int:
    """Write what the line logged; return how many records were new.

    Keys: recorded_at (datetime with offset) and quantity; serial, pot, nozzle, step, value, note, source as known. A
    record with the same time, place and quantity as one that is there is left out, so that a log can be read twice.
    """
    blank = {"serial": "", "pot": "", "nozzle": "", "step": "", "value": None, "note": "", "source": ""}
    rows = [blank | dict(record) for record in records]
    new = 0
    with transaction(engine) as connection:
        make = sqlite.insert if connection.dialect.name == "sqlite" else postgresql.insert
        for row in rows:
            made = connection.execute(make(ProcessRecord).values(row).on_conflict_do_nothing(
                index_elements=["recorded_at", "serial", "pot", "nozzle", "step", "quantity"])
                .returning(ProcessRecord.id)).scalar()
            new += made is not None
    return new
