"""Tables of the reviewer's page: who may log in, the audit trail, settlements, looks at good joints."""

from __future__ import annotations

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
)

from vision.records.columns import Moment
from vision.records.schema.base import Base, one_of

PERSON = Table(
    "review_person", Base.metadata,
    Column("name", String(60), primary_key=True, comment="login name, as it stands beside decisions"),
    Column("password", Text, nullable=False, comment="Argon2id hash with its parameters and salt"),
    Column("may_settle", Boolean, nullable=False, comment="true: may settle disagreements"),
    Column("active", Boolean, nullable=False, comment="false: may no longer log in"),
    Column("added_at", Moment, nullable=False, comment="when the person was added, UTC"),
    Column("changed_at", Moment, nullable=False, comment="when password or rights changed; older sessions end"),
    CheckConstraint("name <> ''", name="name"),
    comment="People who may log in to the reviewer's page.")

# No check on the action: nothing may keep a line out of the trail.
AUDIT = Table(
    "review_audit", Base.metadata,
    Column("id", Integer, primary_key=True, comment="key, rising"),
    Column("at", Moment, nullable=False, comment="when, UTC"),
    Column("who", String(60), nullable=False, comment="who did it; as typed where a login was refused"),
    Column("address", String(60), nullable=False, comment="network address it came from; empty for the command line"),
    Column("action", String(20), nullable=False, comment="what was done"),
    Column("inspection_id", Integer, ForeignKey("inspection.id"), comment="inspection concerned; may be empty"),
    Column("finding_id", Integer, ForeignKey("finding.id"), comment="finding concerned; may be empty"),
    Column("review_id", Integer, ForeignKey("review.id"), comment="review written or taken back; may be empty"),
    Column("detail", Text, nullable=False, comment="the rest in words; may be empty"),
    Index(None, "finding_id"), Index(None, "at"), Index(None, "inspection_id"),
    comment="Audit trail: written in the same transaction as the decision it tells of, never changed.")

SETTLEMENT = Table(
    "review_settlement", Base.metadata,
    Column("finding_id", Integer, ForeignKey("finding.id"), primary_key=True,
           comment="finding on which people had disagreed"),
    Column("review_id", Integer, ForeignKey("review.id"), nullable=False, comment="the review that counts"),
    Column("settled_by", String(60), nullable=False, comment="who settled it"),
    Column("settled_at", Moment, nullable=False, comment="when, UTC"),
    Index(None, "review_id"),
    comment="Settlements: disagreements between reviewers that have been settled.")

CONTROL = Table(
    "review_control", Base.metadata,
    Column("id", Integer, primary_key=True, comment="key"),
    Column("inspection_id", Integer, nullable=False, comment="the inspection"),
    Column("joint_id", Integer, nullable=False, comment="the joint, accepted by the program"),
    Column("reviewer", String(60), nullable=False, comment="who looked"),
    Column("said", String(12), nullable=False, comment="defect, good or cannot_tell"),
    Column("corrected", String(40), nullable=False, comment="the finding as the person sees it; may be empty"),
    Column("looked_at", Moment, nullable=False, comment="when, UTC"),
    ForeignKeyConstraint(["inspection_id", "joint_id"], ["joint_result.inspection_id", "joint_result.joint_id"]),
    Index("uq_review_control_look", "inspection_id", "joint_id", "reviewer", unique=True),
    one_of("said", ("defect", "good", "cannot_tell")),
    comment="Blind looks at joints that the program accepted, mixed in so that a blind reviewer cannot guess.")
