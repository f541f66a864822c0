"""What all tables share: names of keys and checks, column kinds, the schema's version."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Float, MetaData
from sqlalchemy.orm import DeclarativeBase

#: The migration that this code works with; equals the newest file in `migrations/versions`.
SCHEMA_VERSION = "0004"

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}

REAL = Float(53)  # IEEE double everywhere, so that a verdict can be replayed exactly


class Base(DeclarativeBase):
    """Base of all tables."""

    metadata = MetaData(naming_convention=NAMES)


def one_of(column: str, words: tuple[str, ...]) -> CheckConstraint:
    """Return a check that a text column holds one of these words."""
    listed = ", ".join(f"'{word}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=column)
