"""What people said and did, written straight into the records: for tests of what is made of it."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import Engine, insert, select, update

from vision.records.database import transaction
from vision.records.schema import AUDIT, FindingRow, InspectionRow, Repair, Review


def add_review(engine: Engine, finding_id: int, *, call: str, reviewer: str, corrected: str = "",
               blind: bool = False) -> int:
    """Write a review of a finding and return its key; IntegrityError where one stands already."""
    with transaction(engine) as connection:
        finding = connection.execute(
            select(FindingRow.inspection_id, FindingRow.joint_id, FindingRow.chip_id, FindingRow.verdict)
            .where(FindingRow.id == finding_id)).one()
        key = connection.execute(insert(Review).returning(Review.id), [{
            "inspection_id": finding.inspection_id, "joint_id": finding.joint_id, "chip_id": finding.chip_id,
            "finding_id": finding_id, "call": call, "corrected": corrected, "reviewer": reviewer,
            "reviewed_at": datetime.now(UTC), "blind": blind, "note": ""}]).scalar_one()
        if not blind and finding.verdict != "indicator":
            connection.execute(update(InspectionRow).where(InspectionRow.id == finding.inspection_id)
                               .values(open_findings=InspectionRow.open_findings - 1))
    return int(key)


def add_escape(engine: Engine, inspection_id: int, *, joint_id: int, corrected: str, reviewer: str) -> None:
    """Write a defect at a joint that the program did not find."""
    with transaction(engine) as connection:
        connection.execute(insert(Review), [{
            "inspection_id": inspection_id, "joint_id": joint_id, "chip_id": None, "call": "escape",
            "corrected": corrected, "reviewer": reviewer, "reviewed_at": datetime.now(UTC), "blind": False,
            "note": ""}])


def add_repair(engine: Engine, finding_id: int, *, action: str, repairer: str, at: datetime) -> None:
    """Write that a finding was mended."""
    with transaction(engine) as connection:
        finding = connection.execute(select(FindingRow.inspection_id, FindingRow.joint_id, FindingRow.chip_id)
                                     .where(FindingRow.id == finding_id)).one()
        connection.execute(insert(Repair), [{
            "inspection_id": finding.inspection_id, "joint_id": finding.joint_id, "chip_id": finding.chip_id,
            "finding_id": finding_id, "action": action, "repairer": repairer, "note": "", "repaired_at": at}])


def take_repair_back(engine: Engine, finding_id: int, *, repairer: str, at: datetime) -> None:
    """Write into the audit trail that a repair was taken back."""
    with transaction(engine) as connection:
        inspection = connection.execute(
            select(FindingRow.inspection_id).where(FindingRow.id == finding_id)).scalar_one()
        connection.execute(insert(AUDIT), [{
            "at": at, "who": repairer, "address": "", "action": "undo repair", "inspection_id": inspection,
            "finding_id": finding_id, "review_id": None, "detail": ""}])
