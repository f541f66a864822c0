"""Bringing the schema of a defect database up or down with the shipped migrations."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, text

from vision.records.database import transaction

if TYPE_CHECKING:
    from alembic.config import Config

MIGRATIONS = Path(__file__).parent / "migrations"
#: Any number that no other program's advisory lock in the same PostgreSQL database uses.
LOCK = 7_368_201


def _config(connection: Connection) -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def upgrade(engine: Engine, to: str = "head") -> None:
    """Bring the schema up to a version in one transaction; programs that try at once wait for each other."""
    from alembic import command

    with transaction(engine) as connection:
        _lock(connection)
        command.upgrade(_config(connection), to)


def downgrade(engine: Engine, to: str) -> None:
    """Bring the schema down to a version (`base`: no tables) in one transaction. What it held is lost."""
    from alembic import command

    with transaction(engine) as connection:
        _lock(connection)
        command.downgrade(_config(connection), to)


def _lock(connection: Connection) -> None:
    # SQLite needs none: the transaction began with its write lock.
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": LOCK})
