"""Tables of what people decided and did, of what the line logged, and of what is handed over."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Boolean, CheckConstraint, ForeignKey, Index, String, Text, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from vision.records.columns import Moment
from vision.records.schema.base import REAL, Base, one_of

CALLS: tuple[str, ...] = ("real", "false_call", "cannot_tell", "escape")


class Review(Base):
    """What a person said about a finding, or about a joint without one."""

    __tablename__ = "review"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), comment="the inspection")
    joint_id: Mapped[int | None] = mapped_column(ForeignKey("family_joint.id"), comment="the joint; empty for a chip")
    chip_id: Mapped[int | None] = mapped_column(ForeignKey("family_chip.id"), comment="the chip; empty for a joint")
    finding_id: Mapped[int | None] = mapped_column(
        ForeignKey("finding.id"), comment="the finding reviewed; empty for an escape, which has none")
    call: Mapped[str] = mapped_column(
        String(12), comment="real, false_call, cannot_tell, or escape (a defect that the program did not find)")
    corrected: Mapped[str] = mapped_column(
        String(40), comment="the finding as the person sees it, if another; may be empty")
    reviewer: Mapped[str] = mapped_column(String(60), comment="who decided")
    reviewed_at: Mapped[datetime] = mapped_column(Moment, comment="when, UTC")
    blind: Mapped[bool] = mapped_column(Boolean, comment="true: decided without seeing the program's opinion")
    note: Mapped[str] = mapped_column(Text, comment="free text; may be empty")
    withdrawn_at: Mapped[datetime | None] = mapped_column(Moment, comment="when the person took it back; empty: stands")
    __table_args__ = (
        one_of("call", CALLS), CheckConstraint("(joint_id IS NULL) <> (chip_id IS NULL)", name="place"),
        CheckConstraint("(call = 'escape') = (finding_id IS NULL)", name="finding_id"),
        CheckConstraint("reviewer <> ''", name="reviewer"),
        # Two people at once: the second decision on a finding by the same rules would be a double, so it fails.
        Index("uq_review_standing", "finding_id", unique=True,
              sqlite_where=text("withdrawn_at IS NULL AND NOT blind"),
              postgresql_where=text("withdrawn_at IS NULL AND NOT blind")),
        Index(None, "finding_id"), Index(None, "inspection_id"), Index(None, "reviewed_at"),
        {"comment": "Reviews: what people decided about findings."},
    )


class Repair(Base):
    """One repair of one joint or chip."""

    __tablename__ = "repair"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), comment="inspection that led to it")
    joint_id: Mapped[int | None] = mapped_column(ForeignKey("family_joint.id"), comment="the joint; empty for a chip")
    chip_id: Mapped[int | None] = mapped_column(ForeignKey("family_chip.id"), comment="the chip; empty for a joint")
    finding_id: Mapped[int | None] = mapped_column(ForeignKey("finding.id"), comment="finding mended; may be empty")
    action: Mapped[str] = mapped_column(Text, comment="what was done")
    repairer: Mapped[str] = mapped_column(String(60), comment="who did it")
    repaired_at: Mapped[datetime] = mapped_column(Moment, comment="when, UTC")
    note: Mapped[str] = mapped_column(Text, comment="free text; may be empty")
    __table_args__ = (
        CheckConstraint("(joint_id IS NULL) <> (chip_id IS NULL)", name="place"),
        CheckConstraint("repairer <> ''", name="repairer"),
        Index(None, "inspection_id"), Index(None, "repaired_at"),
        {"comment": "Repairs: what was mended, by whom and when."},
    )


class ProcessRecord(Base):
    """One value that the line logged."""

    __tablename__ = "process_record"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    recorded_at: Mapped[datetime] = mapped_column(Moment, comment="when, UTC")
    serial: Mapped[str] = mapped_column(String(255), comment="board it belongs to; empty: none in particular")
    pot: Mapped[str] = mapped_column(String(60), comment="solder pot; may be empty")
    nozzle: Mapped[str] = mapped_column(String(60), comment="solder nozzle; may be empty")
    step: Mapped[str] = mapped_column(String(60), comment="step of the solder programme; may be empty")
    quantity: Mapped[str] = mapped_column(String(60), comment="what was logged, for example pot_temperature_c")
    value: Mapped[float | None] = mapped_column(REAL, comment="number logged; empty for an event")
    note: Mapped[str] = mapped_column(Text, comment="text logged; may be empty")
    source: Mapped[str] = mapped_column(Text, comment="file or device that it came from")
    __table_args__ = (
        CheckConstraint("quantity <> ''", name="quantity"),
        UniqueConstraint("recorded_at", "serial", "pot", "nozzle", "step", "quantity"),
        Index(None, "serial"), Index(None, "quantity", "recorded_at"),
        {"comment": "Process records: what the line logged, a row a value."},
    )


class Handover(Base):
    """One disposition line that waits for, or has had, its delivery."""

    __tablename__ = "handover"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), comment="the inspection")
    target: Mapped[str] = mapped_column(Text, comment="where it goes: - for standard output, a file or an address")
    body: Mapped[str] = mapped_column(Text, comment="the line itself, JSON")
    created_at: Mapped[datetime] = mapped_column(Moment, comment="when it was written, UTC")
    delivered_at: Mapped[datetime | None] = mapped_column(Moment, comment="when it was delivered; empty: waits")
    attempts: Mapped[int] = mapped_column(comment="how often delivery was tried")
    problem: Mapped[str] = mapped_column(Text, comment="what went wrong at the last try; may be empty")
    __table_args__ = (
        UniqueConstraint("inspection_id", "target"), CheckConstraint("attempts >= 0", name="attempts"),
        Index("ix_handover_waiting", "target", "id", sqlite_where=text("delivered_at IS NULL"),
              postgresql_where=text("delivered_at IS NULL")),
        {"comment": "Disposition lines for the handling system, written with the inspection, delivered at least once."},
    )
