"""Tables of what was measured and found: inspections, pictures, joint and chip results, findings."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import Mapped, mapped_column

from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES, MEASURE, VERDICTS
from vision.records.columns import Moment
from vision.records.schema.base import REAL, Base, one_of

UNCERTAINTY_TEXT = "standard uncertainties, JSON object from measurement to value in the same unit; may be empty"
FINDING_VERDICTS: tuple[str, ...] = ("reject", "review", "indicator")


class InspectionRow(Base):
    """One grading of one board."""

    __tablename__ = "inspection"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    uid: Mapped[str] = mapped_column(String(36), unique=True, comment="UUID, the same in every copy of the database")
    unit_id: Mapped[int] = mapped_column(ForeignKey("unit.id"), comment="the board")
    family_id: Mapped[int] = mapped_column(ForeignKey("family.id"), comment="family revision graded with")
    station_id: Mapped[int] = mapped_column(ForeignKey("station.id"), comment="station state graded with")
    sheet_id: Mapped[int] = mapped_column(ForeignKey("limit_sheet.id"), comment="limit sheet graded with")
    origin: Mapped[str] = mapped_column(
        String(10), comment="pictures: measured from pictures; replay: stored measurements under another sheet")
    source_id: Mapped[int | None] = mapped_column(
        ForeignKey("inspection.id"), comment="for a replay: the inspection that holds the measurements' origin")
    started_at: Mapped[datetime] = mapped_column(Moment, comment="when grading began, UTC")
    saved_at: Mapped[datetime] = mapped_column(Moment, comment="when it was written, UTC")
    seconds: Mapped[float] = mapped_column(REAL, comment="how long grading took, s")
    verdict: Mapped[str] = mapped_column(String(10), comment="the board's verdict: that of its worst joint or chip")
    reason: Mapped[str] = mapped_column(Text, comment="why the board is ungraded; empty otherwise")
    fault: Mapped[bool] = mapped_column(
        Boolean, comment="true: the program failed on this board, so that the next run tries it again")
    program_version: Mapped[str] = mapped_column(String(60), comment="version of meniscope")
    picture_key: Mapped[str] = mapped_column(String(64), comment="SHA-256 over the pictures' own hashes")
    job_key: Mapped[str] = mapped_column(
        String(64), comment="SHA-256 over serial, family, station, sheet and pictures: what makes a grading the same")
    run: Mapped[int] = mapped_column(comment="1 for the first grading of a job, higher when graded again")
    superseded_by: Mapped[int | None] = mapped_column(
        ForeignKey("inspection.id"), comment="a later grading of the same pictures, which counts instead of this one")
    joint_count: Mapped[int] = mapped_column(comment="joints in this inspection")
    review_count: Mapped[int] = mapped_column(comment="joints and chips with verdict review")
    reject_count: Mapped[int] = mapped_column(comment="joints and chips with verdict reject")
    ungraded_count: Mapped[int] = mapped_column(comment="joints and chips with verdict ungraded")
    open_findings: Mapped[int] = mapped_column(comment="findings that wait for a person; 0 = none waits")
    __table_args__ = (
        UniqueConstraint("job_key", "run"), one_of("verdict", VERDICTS), one_of("origin", ("pictures", "replay")),
        CheckConstraint("run >= 1", name="run"), CheckConstraint("seconds >= 0", name="seconds"),
        CheckConstraint("joint_count >= 0 AND review_count >= 0 AND reject_count >= 0 AND ungraded_count >= 0"
                        " AND open_findings >= 0", name="counts"),
        CheckConstraint("superseded_by <> id", name="superseded_by"),
        Index(None, "unit_id", "started_at"), Index(None, "started_at"), Index(None, "family_id", "started_at"),
        Index("ix_inspection_open", "started_at", sqlite_where=text("open_findings > 0 AND superseded_by IS NULL"),
              postgresql_where=text("open_findings > 0 AND superseded_by IS NULL")),
        Index("ix_inspection_verdict", "verdict", "started_at"), Index(None, "superseded_by"),
        {"comment": "Inspections: one grading of one board, written in one transaction with all its results."},
    )


class Picture(Base):
    """One picture file of an inspection."""

    __tablename__ = "picture"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), primary_key=True, comment="the inspection")
    view: Mapped[str] = mapped_column(String(60), primary_key=True, comment="view name")
    exposure: Mapped[str] = mapped_column(String(60), primary_key=True, comment="exposure name; may be empty")
    path: Mapped[str] = mapped_column(Text, comment="where the file was")
    sha256: Mapped[str] = mapped_column(String(64), comment="SHA-256 of the file's bytes; empty: could not be read")
    __table_args__ = (Index(None, "sha256"), {"comment": "Picture files that an inspection was made from."})


class Registration(Base):
    """Where the board was found in one view."""

    __tablename__ = "registration"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), primary_key=True, comment="the inspection")
    view: Mapped[str] = mapped_column(String(60), primary_key=True, comment="view name")
    offset_x_mm: Mapped[float] = mapped_column(REAL, comment="offset from the nominal place along board x")
    offset_y_mm: Mapped[float] = mapped_column(REAL, comment="offset from the nominal place along board y")
    rotation_deg: Mapped[float] = mapped_column(REAL, comment="rotation against the nominal one")
    scale: Mapped[float] = mapped_column(REAL, comment="scale against the station's, 1 = equal")
    residual_mm: Mapped[float | None] = mapped_column(REAL, comment="RMS distance of the marks from their fitted place")
    marks: Mapped[int] = mapped_column(comment="marks used: fiducials, or lands as fallback")
    method: Mapped[str] = mapped_column(String(20), comment="fiducials or lands")
    __table_args__ = ({"comment": "Where the board lay in each view of an inspection."},)


def _measure_columns(names: tuple[str, ...]) -> list[Column[Any]]:
    return [Column(name, REAL, nullable=True, comment=f"{MEASURE[name].text}; empty where it does not apply")
            for name in names]


class JointResult(Base):
    """One joint of one inspection: one wide row, a column a measurement."""

    __table__ = Table(
        "joint_result", Base.metadata,
        Column("inspection_id", Integer, ForeignKey("inspection.id"), primary_key=True, comment="the inspection"),
        Column("joint_id", Integer, ForeignKey("family_joint.id"), primary_key=True, comment="the joint"),
        Column("view", String(60), nullable=False, comment="view that the joint was measured in"),
        Column("verdict", String(10), nullable=False, comment="accept, review, reject or ungraded"),
        *_measure_columns(JOINT_MEASURES),
        Column("uncertainty", Text, nullable=False, comment=UNCERTAINTY_TEXT),
        Column("reason", Text, nullable=False, comment="why the joint is ungraded; empty otherwise"),
        one_of("verdict", VERDICTS),
        # Joint and inspection make the key: in SQLite the table is then its own index and needs no second one.
        sqlite_with_rowid=False,
        comment="Joint results: verdict and all measurements of one joint in one inspection.",
    )


class ChipResult(Base):
    """One chip of one inspection."""

    __table__ = Table(
        "chip_result", Base.metadata,
        Column("inspection_id", Integer, ForeignKey("inspection.id"), primary_key=True, comment="the inspection"),
        Column("chip_id", Integer, ForeignKey("family_chip.id"), primary_key=True, comment="the chip"),
        Column("view", String(60), nullable=False, comment="view that the chip was measured in"),
        Column("verdict", String(10), nullable=False, comment="accept, review, reject or ungraded"),
        *_measure_columns(CHIP_MEASURES),
        Column("reason", Text, nullable=False, comment="why the chip is ungraded; empty otherwise"),
        # Written since schema 0002; chips graded before stated none, which the default says.
        Column("uncertainty", Text, nullable=False, server_default="", comment=UNCERTAINTY_TEXT),
        one_of("verdict", VERDICTS),
        sqlite_with_rowid=False,
        comment="Chip results: verdict and all measurements of one chip in one inspection.",
    )


class FindingRow(Base):
    """One finding at one joint or chip."""

    __tablename__ = "finding"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), comment="the inspection")
    joint_id: Mapped[int | None] = mapped_column(comment="the joint; empty for a chip")
    chip_id: Mapped[int | None] = mapped_column(comment="the chip; empty for a joint")
    finding: Mapped[str] = mapped_column(String(40), comment="what is wrong, a finding's name")
    verdict: Mapped[str] = mapped_column(
        String(10), comment="reject, review (within the guard band) or indicator (recorded, verdict unchanged)")
    measure: Mapped[str] = mapped_column(String(40), comment="measurement that decided it")
    value: Mapped[float] = mapped_column(REAL, comment="measured value")
    limit_value: Mapped[float] = mapped_column(REAL, comment="limit that it was held against")
    side: Mapped[str] = mapped_column(String(5), comment="below or above: where the value must lie for the finding")
    guard: Mapped[float] = mapped_column(REAL, comment="width of the guard band on the good side of the limit")
    unit: Mapped[str] = mapped_column(String(10), comment="unit of value, limit and guard; empty: dimensionless")
    source: Mapped[str] = mapped_column(Text, comment="where the rule comes from")
    rule: Mapped[int] = mapped_column(comment="index of the rule in the limit sheet, from 0")
    x_mm: Mapped[float] = mapped_column(REAL, comment="place on the board, x to the right as in the CAD view")
    y_mm: Mapped[float] = mapped_column(REAL, comment="place on the board, y upward as in the CAD view")
    other: Mapped[str] = mapped_column(String(130), comment="for a bridge: the neighbour, REF.PIN; may be empty")
    __table_args__ = (
        ForeignKeyConstraint(["inspection_id", "joint_id"], ["joint_result.inspection_id", "joint_result.joint_id"]),
        ForeignKeyConstraint(["inspection_id", "chip_id"], ["chip_result.inspection_id", "chip_result.chip_id"]),
        CheckConstraint("(joint_id IS NULL) <> (chip_id IS NULL)", name="place"),
        one_of("verdict", FINDING_VERDICTS), one_of("side", ("below", "above")),
        CheckConstraint("rule >= 0", name="rule"),
        UniqueConstraint("inspection_id", "joint_id", "finding"),
        UniqueConstraint("inspection_id", "chip_id", "finding"),
        Index(None, "finding", "inspection_id"), Index(None, "joint_id"),
        {"comment": "Findings: what was wrong, with the measured value, the limit and the place."},
    )
