"""A database as the program wrote it at schema 0001: two rendered boards, reviews, alarms of the line.

`old_0001.json` holds every row that the last program of schema 0001 wrote into an SQLite file, each by the function
that its commands call, and the alarms as it listed them. The boards were graded from rendered pictures with a sheet in
which two rules have two limits.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    DateTime,
    Engine,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    select,
    text,
)

from vision.records import open_database
from vision.records.columns import Moment, moment_text
from vision.records.database import transaction
from vision.records.migrate import downgrade, upgrade
from vision.records.schema.base import NAMES

Rows = list[list[Any]]
OLD: dict[str, Any] = json.loads(Path(__file__).with_name("old_0001.json").read_text(encoding="utf-8"))

#: The tables of the reviewer's page, which that program made beside its migrations, word for word.
REVIEW = MetaData(naming_convention=NAMES)
Table(
    "review_person", REVIEW,
    Column("name", String(60), primary_key=True, comment="login name, as it stands beside decisions"),
    Column("password", Text, nullable=False, comment="Argon2id hash with its parameters and salt"),
    Column("may_settle", Boolean, nullable=False, comment="true: may settle disagreements"),
    Column("active", Boolean, nullable=False, comment="false: may no longer log in"),
    Column("added_at", Moment, nullable=False, comment="when the person was added, UTC"),
    Column("changed_at", Moment, nullable=False, comment="when password or rights changed; older sessions end"),
    CheckConstraint("name <> ''", name="name"),
    comment="People who may log in to the reviewer's page.")

Table(
    "review_audit", REVIEW,
    Column("id", Integer, primary_key=True, comment="key, rising"),
    Column("at", Moment, nullable=False, comment="when, UTC"),
    Column("who", String(60), nullable=False, comment="who did it; as typed where a login was refused"),
    Column("address", String(60), nullable=False, comment="network address it came from; empty for the command line"),
    Column("action", String(20), nullable=False, comment="what was done"),
    Column("inspection_id", Integer, comment="inspection concerned; may be empty"),
    Column("finding_id", Integer, comment="finding concerned; may be empty"),
    Column("review_id", Integer, comment="review written or taken back; may be empty"),
    Column("detail", Text, nullable=False, comment="the rest in words; may be empty"),
    Index(None, "finding_id"), Index(None, "at"),
    comment="Audit trail: written in the same transaction as the decision it tells of, never changed.")

Table(
    "review_settlement", REVIEW,
    Column("finding_id", Integer, primary_key=True, comment="finding on which people had disagreed"),
    Column("review_id", Integer, nullable=False, comment="the review that counts"),
    Column("settled_by", String(60), nullable=False, comment="who settled it"),
    Column("settled_at", Moment, nullable=False, comment="when, UTC"),
    comment="Settlements: disagreements between reviewers that have been settled.")

Table(
    "review_control", REVIEW,
    Column("id", Integer, primary_key=True, comment="key"),
    Column("inspection_id", Integer, nullable=False, comment="the inspection"),
    Column("joint_id", Integer, nullable=False, comment="the joint, accepted by the program"),
    Column("reviewer", String(60), nullable=False, comment="who looked"),
    Column("said", String(12), nullable=False, comment="defect, good or cannot_tell"),
    Column("corrected", String(40), nullable=False, comment="the finding as the person sees it; may be empty"),
    Column("looked_at", Moment, nullable=False, comment="when, UTC"),
    Index("uq_review_control_look", "inspection_id", "joint_id", "reviewer", unique=True),
    CheckConstraint("said IN ('defect', 'good', 'cannot_tell')", name="said"),
    comment="Blind looks at joints that the program accepted, mixed in so that a blind reviewer cannot guess.")


def make_old(url: str, *, reviewed: bool = True) -> Engine:
    """Make that database where `url` says and return its engine, still at schema 0001.

    `reviewed` off: as before its first review, without the tables of the reviewer's page.
    """
    engine = open_database(url)
    downgrade(engine, "base")
    upgrade(engine, "0001")
    if reviewed:
        with transaction(engine) as connection:
            REVIEW.create_all(connection)
    there = MetaData()
    there.reflect(engine)
    with transaction(engine) as connection:
        for name, content in OLD["tables"].items():
            if name not in there.tables:
                continue
            table = there.tables[name]
            connection.execute(table.insert(), [
                {column: _written(table, column, value) for column, value in zip(content["columns"], row, strict=True)}
                for row in content["rows"]])
            if engine.dialect.name == "postgresql" and "id" in table.columns:
                connection.execute(text(f"SELECT setval(pg_get_serial_sequence('{name}', 'id'), max(id)) FROM {name}"))
    return engine


def rows_of(engine: Engine, names: list[str]) -> dict[str, Rows]:
    """Return what the old columns of these tables hold now, in the form of `OLD`."""
    there = MetaData()
    there.reflect(engine)
    found = {}
    with engine.connect() as connection:
        for name in names:
            table = there.tables[name]
            columns = [table.columns[column] for column in OLD["tables"][name]["columns"]]
            rows = connection.execute(select(*columns).order_by(*table.primary_key.columns))
            found[name] = [[_told(value) for value in row] for row in rows]
    return found


def old_rows(names: list[str]) -> dict[str, Rows]:
    """Return what that program wrote into these tables."""
    return {name: [[_told(value) for value in row] for row in OLD["tables"][name]["rows"]] for name in names}


def _written(table: Table, column: str, value: Any) -> Any:
    if not _is_time(value):
        return value
    at = datetime.fromisoformat(value)
    return at if isinstance(table.columns[column].type, DateTime) else moment_text(at)


def _told(value: Any) -> Any:
    """Return a value with times as one kind of database gives them as in the other."""
    if isinstance(value, datetime):
        return moment_text(value.astimezone(UTC))
    return moment_text(datetime.fromisoformat(value)) if _is_time(value) else value


def _is_time(value: Any) -> bool:
    return isinstance(value, str) and value[:5] == "2026-" and value[10:11] == "T"
