"""Handing dispositions over to the handling system: at least once, in order, and never in grading's way.

Every line was written with its inspection in one transaction. A courier thread delivers what waits and notes it only
after the receiver has it: a line may come twice after a crash (its `id` tells), but none is lost.
"""

from __future__ import annotations

import os
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine, func, select, update

from vision.records.database import reading, transaction
from vision.records.errors import RecordsError
from vision.records.schema import Handover

STDOUT = "-"
BATCH = 200
POST_SECONDS = 5.0
LONGEST_PAUSE = 30.0
#: How long a courier that nobody wakes waits before it looks again, s.
IDLE_SECONDS = 2.0

#: Delivers lines in order and returns how many of them the receiver has; raises OSError to try again later.
Deliver = Callable[[Sequence[str]], int]


class RefusedError(OSError):
    """The receiver answered, and refused the line."""


def checked_target(text: str) -> str:
    """Return a target as it is kept: `-`, an http(s) address, or the absolute path of a file.

    Raises RecordsError for a file in a folder that is not there.
    """
    if text == STDOUT or text.startswith(("http://", "https://")):
        return text
    if "://" in text:
        raise RecordsError(f"hand-over {text}: got an address that is neither http:// nor https://")
    path = Path(text).absolute()
    if path.is_dir():
        raise RecordsError(f"hand-over {text}: got a folder, wanted a file")
    if not path.parent.is_dir():
        raise RecordsError(f"hand-over {text}: no folder {path.parent}; make it first")
    return str(path)


def deliverer(target: str, write_out: Callable[[str], None]) -> Deliver:
    """Return what delivers lines to a target; `write_out` writes a text to standard output and flushes it."""
    if target == STDOUT:
        def to_output(lines: Sequence[str]) -> int:
            write_out("".join(line + "\n" for line in lines))
            return len(lines)
        return to_output
    if target.startswith(("http://", "https://")):
        def to_address(lines: Sequence[str]) -> int:
            post(target, lines[0])
            return 1
        return to_address

    def to_file(lines: Sequence[str]) -> int:
        append_lines(Path(target), lines)
        return len(lines)
    return to_file


def append_lines(path: Path, lines: Sequence[str]) -> None:
    """Append lines to a file and wait until the disk has them; a line torn by a crash is closed first."""
    with path.open("ab") as file:
        torn = False
        if file.tell() > 0:
            with path.open("rb") as seen:
                seen.seek(-1, os.SEEK_END)
                torn = seen.read(1) != b"\n"
        file.write((b"\n" if torn else b"") + "".join(line + "\n" for line in lines).encode("utf-8"))
        file.flush()
        os.fsync(file.fileno())


def post(address: str, line: str) -> None:
    """POST one line as JSON; raise OSError unless the answer is a success (2xx)."""
    request = urllib.request.Request(address, data=line.encode("utf-8"), method="POST",
                                     headers={"Content-Type": "application/json"})
    try:
        with urllib.request.urlopen(request, timeout=POST_SECONDS) as answer:
            answer.read(1024)
    except urllib.error.HTTPError as error:
        with error:
            raise RefusedError(f"answered {error.code} {error.reason}") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", None) or error
        raise OSError(str(reason) or type(error).__name__) from error


def waiting(engine: Engine, target: str | None = None) -> int:
    """Return how many lines wait for delivery."""
    query = select(func.count()).select_from(Handover.__table__).where(Handover.delivered_at.is_(None))
    if target is not None:
        query = query.where(Handover.target == target)
    with reading(engine) as connection:
        return int(connection.execute(query).scalar_one())


def deliver_waiting(engine: Engine, target: str, deliver: Deliver) -> int:
    """Deliver the oldest waiting lines of a target, at most BATCH; return how many. Raises OSError on failure."""
    with reading(engine) as connection:
        rows = connection.execute(
            select(Handover.id, Handover.body).where(Handover.target == target, Handover.delivered_at.is_(None))
            .order_by(Handover.id).limit(BATCH)).all()
    if not rows:
        return 0
    try:
        done = deliver([row.body for row in rows])
    except OSError as error:
        told = " ".join(str(error).split())[:300]
        with transaction(engine) as connection:
            connection.execute(update(Handover).where(Handover.id == rows[0].id)
                               .values(attempts=Handover.attempts + 1, problem=told))
        raise
    with transaction(engine) as connection:
        connection.execute(update(Handover).where(Handover.id.in_([row.id for row in rows[:done]]))
                           .values(attempts=Handover.attempts + 1, delivered_at=datetime.now(UTC), problem=""))
    return done


class Courier:
    """A thread that delivers the lines of one target while boards are graded."""

    def __init__(self, engine: Engine, target: str, deliver: Deliver) -> None:
        self.problem = ""  # why the last try failed; empty after a success
        self._engine, self._target, self._deliver = engine, target, deliver
        self._wake = threading.Event()
        self._closing: float | None = None  # the moment at which to give up
        self._thread = threading.Thread(target=self._run, name="courier", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Say that a line was written."""
        self._wake.set()

    def close(self, seconds: float) -> None:
        """Deliver what waits, for at most so many seconds, and end."""
        self._closing = time.monotonic() + seconds
        self._wake.set()
        self._thread.join(seconds + POST_SECONDS + 1.0)

    def _run(self) -> None:
        pause = 0.5
        while True:
            closing = self._closing
            self._wake.clear()
            try:
                done = deliver_waiting(self._engine, self._target, self._deliver)
                self.problem, pause = "", 0.5
                if done:
                    continue
                if closing is not None:
                    return
                self._wake.wait(IDLE_SECONDS)
            except (OSError, RecordsError) as error:
                self.problem = " ".join(str(error).split())[:300]
                if self._closing is not None and time.monotonic() + pause > self._closing:
                    return
                # Waits its full pause even when new lines come: a receiver that is down is not to be hammered.
                end = time.monotonic() + pause
                while self._closing is None and time.monotonic() < end:
                    time.sleep(min(0.1, pause))
                if self._closing is not None:
                    time.sleep(min(pause, max(0.0, self._closing - time.monotonic())))
                pause = min(pause * 2.0, LONGEST_PAUSE)
