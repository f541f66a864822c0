"""Column kinds that mean the same in SQLite and PostgreSQL."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import DateTime, Dialect, String
from sqlalchemy.types import TypeDecorator, TypeEngine

#: SQLite keeps times as text of this fixed width, so that they sort and compare as times.
TEXT_WIDTH = len("2026-01-31T23:59:59.999Z")


class Moment(TypeDecorator[datetime]):
    """A point in time in UTC: `timestamptz` in PostgreSQL, ISO 8601 text to the millisecond in SQLite."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Choose the column type of this database."""
        if dialect.name == "sqlite":
            return dialect.type_descriptor(String(TEXT_WIDTH))
        return dialect.type_descriptor(DateTime(timezone=True))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        """Turn a time with offset into what the database keeps; a time without offset is refused."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"time {value} has no offset")
        return moment_text(value) if dialect.name == "sqlite" else value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Return the time in UTC."""
        if value is None:
            return None
        found = datetime.fromisoformat(value) if isinstance(value, str) else value
        return found.astimezone(UTC)


def moment_text(value: datetime) -> str:
    """Return a time as ISO 8601 in UTC to the millisecond: `2026-01-31T23:59:59.999Z`."""
    return value.astimezone(UTC).isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"
