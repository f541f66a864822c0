"""Database failures in the project's words: one line that says what happened and what to do next."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import URL
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError, OperationalError

from models.errors import MeniscopeError


class RecordsError(MeniscopeError):
    """The defect database cannot be used; the text says why and what to do next."""


class LostConnectionError(RecordsError):
    """The database server went away; the work can go on when it is back."""


#: Words in a driver's message, and what a user should read instead.
PLAIN: tuple[tuple[str, str], ...] = (
    ("database is locked", "another program holds it locked; close that program or wait, then run again"),
    ("readonly database", "it is read-only; give write permission to the file and its folder, or choose another place"),
    ("unable to open", "it cannot be opened; check that its folder exists and may be written"),
    ("disk is full", "the disk is full; free some space, then run again: boards already written stay"),
    ("no space left", "the disk is full; free some space, then run again: boards already written stay"),
    ("disk i/o error", "the disk failed to read or write; check the disk, then run again"),
    ("not a database", "the file is no SQLite database; name another file"),
    ("malformed", "the file is damaged; restore a backup with `meniscope results restore`"),
    ("password authentication failed", "the server refused the user name or password; check the URL"),
    ("does not exist", "the server knows no such database or user; create it or check the URL"),
    ("connection refused", "no server answers there; start PostgreSQL or check host and port in the URL"),
    ("is the server running", "no server answers there; start PostgreSQL or check host and port in the URL"),
    ("could not translate host", "the host is unknown; check the URL"),
    ("failed to resolve host", "the host is unknown; check the URL"),
    ("name or service not known", "the host is unknown; check the URL"),
    ("timeout expired", "the server did not answer in time; check host and port in the URL"),
    ("terminating connection", "the server closed the connection; run again: boards already written stay"),
    ("server closed the connection", "the server closed the connection; run again: boards already written stay"),
    ("connection is lost", "the server closed the connection; run again: boards already written stay"),
    ("system is starting up", "the server is starting up; run again in a moment"),
    ("system is shutting down", "the server is shutting down; run again: boards already written stay"),
    ("permission denied", "permission was denied; ask the database's owner"),
    ("read-only transaction", "only reading is allowed here"),
)


#: Signs that a server is away for the moment.
GONE: tuple[str, ...] = ("connection refused", "is the server running", "terminating connection",
                         "server closed the connection", "connection is lost", "system is starting up",
                         "system is shutting down")


def shown(url: URL | str) -> str:
    """Return where a database is, as a message may show it: without the password."""
    url = make_url(url) if isinstance(url, str) else url
    if url.get_backend_name() == "sqlite":
        return f"database {url.database or '(memory)'}"
    return f"database {url.set(drivername=url.get_backend_name()).render_as_string(hide_password=True)}"


def explain(url: URL | str, error: DBAPIError) -> RecordsError:
    """Return the error to raise in place of a driver's error."""
    told = str(error.orig or error).strip()
    plain = next((words for sign, words in PLAIN if sign in told.lower()), "")
    where = shown(url)
    gone = error.connection_invalidated or any(sign in told.lower() for sign in GONE)
    kind = LostConnectionError if gone else RecordsError
    if plain:
        return kind(f"{where}: {plain}")
    first = " ".join(told.split())
    return kind(f"{where}: {first[:300]}")


@contextmanager
def reported(url: URL) -> Iterator[None]:
    """Turn driver errors inside the block into RecordsError; broken constraints pass, for the caller knows them."""
    try:
        yield
    except IntegrityError:
        raise
    except DBAPIError as error:
        raise explain(url, error) from error


def checked_url(text: str) -> URL:
    """Return the URL of a database given as a URL or as the path of an SQLite file.

    Raises RecordsError for a URL that is none, or one of a kind that is not supported.
    """
    if not text.strip():
        raise RecordsError("database: got no name, wanted a file such as results.sqlite or a postgresql:// URL")
    if "://" not in text:
        return URL.create("sqlite", database=text)
    try:
        url = make_url(text)
        backend = url.get_backend_name()
    except (ArgumentError, ValueError, NoSuchModuleError) as error:
        raise RecordsError(f"database: got {text!r}, wanted a file, sqlite:///FILE or "
                           "postgresql://USER@HOST/NAME") from error
    if backend == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if backend == "sqlite":
        return url.set(drivername="sqlite")
    raise RecordsError(f"database: got a {backend} URL, wanted a file, sqlite:///FILE or postgresql://USER@HOST/NAME")


__all__ = ["LostConnectionError", "OperationalError", "RecordsError", "checked_url", "explain", "reported", "shown"]
