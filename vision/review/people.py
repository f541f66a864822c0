"""People and their passwords (Argon2id, RFC 9106, by argon2-cffi)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING

from sqlalchemy import Engine, delete, func, insert, select, update

from models.errors import MeniscopeError, missing_extra
from vision.records.database import reading, transaction
from vision.records.schema import PERSON
from vision.review.decisions import Actor, UnknownError, note_audit

if TYPE_CHECKING:
    from argon2 import PasswordHasher

#: NIST SP 800-63B (revision 3), 5.1.1.2: at least 8 characters, no rules of composition; more here, for a shared shop.
SHORTEST_PASSWORD = 10
#: Argon2 takes any length; a limit keeps a hostile login from costing much.
LONGEST_PASSWORD = 200
LONGEST_NAME = 60


@dataclass(frozen=True)
class Person:
    """One person who may log in."""

    name: str
    may_settle: bool
    active: bool
    changed_at: datetime


def checked_name(text: str) -> str:
    """Return a person's name without outer spaces; raise MeniscopeError where it cannot be one."""
    name = " ".join(text.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise MeniscopeError(f"name: got {text[:80]!r}, wanted 1 to {LONGEST_NAME} printable characters")
    return name


def add_person(engine: Engine, name: str, password: str, *, may_settle: bool, by: Actor) -> None:
    """Add a person, or give an existing one a new password and rights; all their sessions end.

    Raises MeniscopeError for a name or password that will not do.
    """
    name = checked_name(name)
    _check_password(name, password)
    now = datetime.now(UTC)
    values = {"password": _hasher().hash(password), "may_settle": may_settle, "active": True, "changed_at": now}
    with transaction(engine) as connection:
        changed = connection.execute(update(PERSON).where(PERSON.c.name == name).values(values))
        if not changed.rowcount:
            connection.execute(insert(PERSON), [values | {"name": name, "added_at": now}])
        note_audit(connection, by, "user changed" if changed.rowcount else "user added", detail=name)


def remove_person(engine: Engine, name: str, *, by: Actor) -> None:
    """Remove a person; their decisions stay. Raises MeniscopeError where there is no such person."""
    with transaction(engine) as connection:
        if not connection.execute(delete(PERSON).where(PERSON.c.name == name)).rowcount:
            raise UnknownError(f"person {name!r}: not in this database; see `meniscope review people`")
        note_audit(connection, by, "user removed", detail=name)


def list_people(engine: Engine) -> list[Person]:
    """Return all people by name."""
    with reading(engine) as connection:
        rows = connection.execute(select(PERSON).order_by(PERSON.c.name))
        return [Person(row.name, row.may_settle, row.active, row.changed_at) for row in rows]


def count_people(engine: Engine) -> int:
    """Return how many people may log in."""
    with reading(engine) as connection:
        return int(connection.execute(select(func.count()).select_from(PERSON).where(PERSON.c.active)).scalar_one())


def find_person(engine: Engine, name: str) -> Person | None:
    """Return an active person, or None."""
    with reading(engine) as connection:
        row = connection.execute(select(PERSON).where(PERSON.c.name == name, PERSON.c.active)).first()
    return None if row is None else Person(row.name, row.may_settle, row.active, row.changed_at)


def check_password(engine: Engine, name: str, password: str) -> Person | None:
    """Return the person if name and password fit, else None.

    An unknown name takes as long as a wrong password, so that names cannot be found out by the clock.
    """
    from argon2.exceptions import InvalidHashError, VerificationError

    name = " ".join(name.split())[:LONGEST_NAME]
    with reading(engine) as connection:
        row = connection.execute(select(PERSON).where(PERSON.c.name == name)).first()
    stored = _dummy_hash() if row is None else row.password
    try:
        _hasher().verify(stored, password[:LONGEST_PASSWORD])
    except (VerificationError, InvalidHashError):
        return None
    if row is None or not row.active:
        return None
    return Person(row.name, row.may_settle, row.active, row.changed_at)


def _check_password(name: str, password: str) -> None:
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise MeniscopeError(f"password: got {len(password)} characters, wanted {SHORTEST_PASSWORD} to "
                             f"{LONGEST_PASSWORD}; several words are easy to keep in mind")
    if password.casefold() == name.casefold() or len(set(password)) < 4:
        raise MeniscopeError("password: got one that is easily guessed, wanted several words or mixed characters")


@lru_cache(maxsize=1)
def _hasher() -> PasswordHasher:
    try:
        from argon2 import PasswordHasher
    except ModuleNotFoundError as error:
        raise MeniscopeError(missing_extra("a login with password", "review")) from error
    return PasswordHasher()


@lru_cache(maxsize=1)
def _dummy_hash() -> str:
    return _hasher().hash("no person has this password")
