"""Repairs that were taken back: they stay in the records, and no query counts them as done."""

from __future__ import annotations

from sqlalchemy import ColumnElement, and_, exists, or_
from sqlalchemy.orm import aliased

from vision.records.schema import AUDIT, Repair, Review

#: The audit trail's word for a repair that its repairer took back.
REPAIR_UNDONE = "undo repair"


def repair_taken_back() -> ColumnElement[bool]:
    """Return the condition on `Repair` that the audit trail says it was taken back: by its repairer, after it.

    The trail names what was mended: a finding, or the report of a missed defect, which has none, at the same place.
    Every query that asks whether something was mended leaves these repairs out.
    """
    missed = aliased(Review)
    report = exists().where(
        missed.id == AUDIT.c.review_id, missed.joint_id.is_not_distinct_from(Repair.joint_id),
        missed.chip_id.is_not_distinct_from(Repair.chip_id),
        missed.reviewed_at <= Repair.repaired_at).correlate(AUDIT, Repair)
    same = or_(AUDIT.c.finding_id == Repair.finding_id,
               and_(AUDIT.c.finding_id.is_(None), Repair.finding_id.is_(None), report))
    return exists().where(AUDIT.c.action == REPAIR_UNDONE, AUDIT.c.inspection_id == Repair.inspection_id, same,
                          AUDIT.c.who == Repair.repairer, AUDIT.c.at >= Repair.repaired_at).correlate(Repair)
