"""The tables of the reviewer's page become part of the schema, with keys into the records.

Older programs made them beside the migrations when the page was first opened: where they are, they stay with all rows.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

from vision.records.columns import Moment
from vision.records.errors import RecordsError

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

#: Table, name of the key, its columns, table and columns that they refer to.
KEYS = (
    ("review_audit", "fk_review_audit_inspection_id", ["inspection_id"], "inspection", ["id"]),
    ("review_audit", "fk_review_audit_finding_id", ["finding_id"], "finding", ["id"]),
    ("review_audit", "fk_review_audit_review_id", ["review_id"], "review", ["id"]),
    ("review_settlement", "fk_review_settlement_finding_id", ["finding_id"], "finding", ["id"]),
    ("review_settlement", "fk_review_settlement_review_id", ["review_id"], "review", ["id"]),
    ("review_control", "fk_review_control_inspection_id_joint_id", ["inspection_id", "joint_id"], "joint_result",
     ["inspection_id", "joint_id"]),
)
INDEXES = (("review_audit", "ix_review_audit_inspection_id", ["inspection_id"]),
           ("review_settlement", "ix_review_settlement_review_id", ["review_id"]))
CHANGED = ("review_audit", "review_settlement", "review_control")


def _column(name: str, kind: Any, text: str, *, key: bool = False, empty: bool = False) -> sa.Column[Any]:
    return sa.Column(name, kind, primary_key=key, nullable=empty, comment=text)


def _tables(*, keyed: bool) -> sa.MetaData:
    """Return the four tables, with or without what this migration adds."""
    made = sa.MetaData()
    sa.Table(
        "review_person", made,
        _column("name", sa.String(60), "login name, as it stands beside decisions", key=True),
        _column("password", sa.Text(), "Argon2id hash with its parameters and salt"),
        _column("may_settle", sa.Boolean(), "true: may settle disagreements"),
        _column("active", sa.Boolean(), "false: may no longer log in"),
        _column("added_at", Moment(), "when the person was added, UTC"),
        _column("changed_at", Moment(), "when password or rights changed; older sessions end"),
        sa.CheckConstraint("name <> ''", name="ck_review_person_name"),
        comment="People who may log in to the reviewer's page.")
    sa.Table(
        "review_audit", made,
        _column("id", sa.Integer(), "key, rising", key=True), _column("at", Moment(), "when, UTC"),
        _column("who", sa.String(60), "who did it; as typed where a login was refused"),
        _column("address", sa.String(60), "network address it came from; empty for the command line"),
        _column("action", sa.String(20), "what was done"),
        _column("inspection_id", sa.Integer(), "inspection concerned; may be empty", empty=True),
        _column("finding_id", sa.Integer(), "finding concerned; may be empty", empty=True),
        _column("review_id", sa.Integer(), "review written or taken back; may be empty", empty=True),
        _column("detail", sa.Text(), "the rest in words; may be empty"),
        sa.Index("ix_review_audit_finding_id", "finding_id"), sa.Index("ix_review_audit_at", "at"),
        comment="Audit trail: written in the same transaction as the decision it tells of, never changed.")
    sa.Table(
        "review_settlement", made,
        _column("finding_id", sa.Integer(), "finding on which people had disagreed", key=True),
        _column("review_id", sa.Integer(), "the review that counts"),
        _column("settled_by", sa.String(60), "who settled it"), _column("settled_at", Moment(), "when, UTC"),
        comment="Settlements: disagreements between reviewers that have been settled.")
    sa.Table(
        "review_control", made,
        _column("id", sa.Integer(), "key", key=True), _column("inspection_id", sa.Integer(), "the inspection"),
        _column("joint_id", sa.Integer(), "the joint, accepted by the program"),
        _column("reviewer", sa.String(60), "who looked"), _column("said", sa.String(12), "defect, good or cannot_tell"),
        _column("corrected", sa.String(40), "the finding as the person sees it; may be empty"),
        _column("looked_at", Moment(), "when, UTC"),
        sa.Index("uq_review_control_look", "inspection_id", "joint_id", "reviewer", unique=True),
        sa.CheckConstraint("said IN ('defect', 'good', 'cannot_tell')", name="ck_review_control_said"),
        comment="Blind looks at joints that the program accepted, mixed in so that a blind reviewer cannot guess.")
    for table in made.tables.values():
        table.primary_key.name = f"pk_{table.name}"
    if keyed:
        for name, key, columns, parent, parents in KEYS:
            made.tables[name].append_constraint(
                sa.ForeignKeyConstraint(columns, [f"{parent}.{column}" for column in parents], name=key))
        for name, index, columns in INDEXES:
            sa.Index(index, *(made.tables[name].c[column] for column in columns))
    return made


def upgrade() -> None:
    """Make the tables where they are not, and tie them to what they speak of."""
    bare = _tables(keyed=False)
    bare.create_all(op.get_bind(), checkfirst=True)
    _check_references()
    for name in CHANGED:
        with op.batch_alter_table(name, copy_from=bare.tables[name]) as batch:
            for table, key, columns, parent, parents in KEYS:
                if table == name:
                    batch.create_foreign_key(key, parent, columns, parents)
            for table, index, columns in INDEXES:
                if table == name:
                    batch.create_index(index, columns)


def _check_references() -> None:
    """Refuse with one clear line where somebody took rows away that these tables speak of."""
    for name, _, columns, parent, parents in KEYS:
        same = " AND ".join(f"p.{there} = t.{here}" for here, there in zip(columns, parents, strict=True))
        found = op.get_bind().execute(sa.text(
            f"SELECT {', '.join(f't.{column}' for column in columns)} FROM {name} t WHERE t.{columns[0]} IS NOT NULL"
            f" AND NOT EXISTS (SELECT 1 FROM {parent} p WHERE {same})")).all()
        if found:
            told = ", ".join("/".join(str(value) for value in row) for row in found[:5])
            raise RecordsError(
                f"upgrade to schema {revision}: {len(found)} rows of {name} have a {' and '.join(columns)} that "
                f"{parent} does not hold ({told}); get a whole backup back, or delete these rows, then upgrade again. "
                "Nothing was changed")


def downgrade() -> None:
    """Take the keys away; the tables stay with their rows, as older programs made them."""
    keyed = _tables(keyed=True)
    for name in CHANGED:
        with op.batch_alter_table(name, copy_from=keyed.tables[name]) as batch:
            for table, index, _ in INDEXES:
                if table == name:
                    batch.drop_index(index)
            for table, key, *_ in KEYS:
                if table == name:
                    batch.drop_constraint(key, type_="foreignkey")
