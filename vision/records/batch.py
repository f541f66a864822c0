"""Grading many boards: in parallel, a bounded number in hand, each written in one transaction.

A board that was graded before is skipped, so that a batch which was cut off goes on where it stopped. A worker that
crashes costs its own board only: that board becomes `ungraded` with the reason, and the next run tries it again. A
board that has the very picture of another one is `ungraded` too: its camera may stand still.
"""

from __future__ import annotations

import re
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Executor, Future, wait
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from sqlalchemy import Engine, select

from models.limits import LimitSheet, sheet_hash
from models.vocabulary import UNGRADED
from vision import __version__
from vision.pipeline.folder import BoardFiles
from vision.pipeline.inspection import Inspection, PictureFile
from vision.records.database import reading
from vision.records.errors import LostConnectionError, RecordsError
from vision.records.keys import (
    clean_text,
    family_content,
    job_key,
    picture_key,
    sha256_file,
    station_content,
)
from vision.records.schema import InspectionRow, Unit
from vision.records.store import SERIAL_LIMIT, Saved, Work, prepare, save_all
from vision.records.twins import find_twins, without_results
from vision.records.workers import Workers
from vision.setup.family import Family
from vision.setup.station import Station

T = TypeVar("T")
Grader = Callable[[BoardFiles], Inspection]
#: A board, its inspection or the reason why it has none, and whether the program failed on it.
Outcome = tuple[BoardFiles, Inspection | str, bool]


#: The reason of a board whose worker process ended.
CRASHED = "the grading process ended unexpectedly on this board (out of memory, or a fault in a picture library)"


class _End:
    """Marks the end of the boards."""


_END = _End()


#: How the reason of a board begins on which the program itself failed.
FAILED = "the program failed on this board"


@dataclass(frozen=True)
class Job:
    """What boards are graded with, and how the results are kept."""

    engine: Engine
    family: Family
    station: Station
    sheet: LimitSheet
    again: bool = False
    in_flight: int = 4  # boards handed to the workers at once
    targets: tuple[str, ...] = ()  # where a disposition line is to be handed over
    patience: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0, 15.0)  # pauses (s) for a database server that went away
    stop: Callable[[], bool] = field(default=lambda: False)  # asked before each new board


#: So many boards in a row crashed with none graded before: the workers are at fault, not the boards.
HOPELESS = 5


@dataclass(frozen=True)
class BoardResult:
    """What became of one board. `inspection` is None where it was graded before and skipped."""

    serial: str
    verdict: str
    inspection_id: int
    skipped: bool
    inspection: Inspection | None = None
    fault: bool = False  # the program failed on it, not the board
    twin: str = ""  # another board that has the very same picture, which is why this one is ungraded


def grade_folder(boards: Iterable[BoardFiles | None], grader: Grader, workers: Workers,
                 job: Job) -> Iterator[BoardResult]:
    """Grade boards and write each inspection; yield what became of each, as it is done.

    At most `job.in_flight` boards are in hand at any time, however many there are. When `job.stop()` says so, no
    further board is begun and those in hand are finished and written. A None among the boards says that there is
    none at the moment.

    Raises RecordsError where the database fails; boards written until then stay.
    """
    source = iter(boards)
    hand = _Hand(workers, grader, job.in_flight)
    more = True
    try:
        while more or not hand.empty:
            while more and not hand.full:
                files = _END if job.stop() else next(source, _END)
                if files is None:
                    break
                if isinstance(files, _End):
                    more = False
                    break
                files = in_full(files)
                done = None if job.again else find_graded(job, files)
                if done is None:
                    hand.give(files)
                else:
                    yield done
            if not hand.empty:
                yield from _save(job, hand.take())
    finally:
        hand.close()


def once_each(boards: Iterable[BoardFiles]) -> Iterator[BoardFiles]:
    """Pass boards on; one whose serial was there before gets a problem, so that it is not graded."""
    seen: set[str] = set()
    for files in boards:
        if files.serial in seen:
            problem = f"serial {files.serial} occurs twice in this batch"
            yield BoardFiles(files.serial, files.pictures, (*files.problems, problem))
        else:
            seen.add(files.serial)
            yield files


def in_full(files: BoardFiles) -> BoardFiles:
    """Return the board with full paths: workers may run elsewhere, and records outlive the present folder."""
    return replace(files, pictures={place: Path(path).absolute() for place, path in files.pictures.items()})


def find_graded(job: Job, files: BoardFiles) -> BoardResult | None:
    """Return the earlier result of a board whose very pictures were graded with the same sheet, else None."""
    serial = clean_text(files.serial, SERIAL_LIMIT)
    with reading(job.engine) as connection:
        earlier = connection.execute(
            select(InspectionRow.id, InspectionRow.job_key, InspectionRow.verdict)
            .join(Unit, Unit.id == InspectionRow.unit_id)
            .where(Unit.serial == serial, Unit.family_name == job.family.name, InspectionRow.fault.is_(False),
                   InspectionRow.superseded_by.is_(None))
            .order_by(InspectionRow.id.desc())).all()
    if not earlier:
        return None  # and so a first run need not read the pictures twice
    pictures = picture_key((view, exposure, sha256_file(path)) for (view, exposure), path in files.pictures.items())
    key = job_key(serial, family_content(job.family)[1], station_content(job.station)[1], sheet_hash(job.sheet),
                  pictures)
    for row in earlier:
        if row.job_key == key:
            return BoardResult(files.serial, row.verdict, row.id, True)
    return None


def _save(job: Job, outcomes: list[Outcome]) -> list[BoardResult]:
    """Write what workers gave; boards that were done at the same moment share a transaction."""
    if not outcomes:
        return []
    works = [_work(files, job, told, fault) for files, told, fault in outcomes]
    works, twins = _without_twins(job, works)
    try:
        saved = _write(job, works)
    except LostConnectionError:
        raise
    except RecordsError:
        # One of them cannot be stored, or nothing can: each alone, and what is refused as a fault of the program.
        return [replace(result, twin=twin) for (files, _, _), work, twin in zip(outcomes, works, twins, strict=True)
                for result in _save_alone(job, files, work)]
    return [replace(_result(files, work, place), twin=twin)
            for (files, _, _), work, place, twin in zip(outcomes, works, saved, twins, strict=True)]


def _without_twins(job: Job, works: list[Work]) -> tuple[list[Work], list[str]]:
    """Make boards ungraded that have a picture of another board; return them all, and the other boards' serials.

    `again` is the word of a person who knows why two boards share a picture.
    """
    if job.again:
        return works, [""] * len(works)
    twins = _patiently(lambda: find_twins(job.engine, job.family.name, [work.inspection for work in works],
                                          SERIAL_LIMIT), job.patience)
    return [work if twin is None else replace(work, inspection=without_results(work.inspection, twin.reason))
            for work, twin in zip(works, twins, strict=True)], ["" if twin is None else twin.serial for twin in twins]


def _save_alone(job: Job, files: BoardFiles, work: Work) -> list[BoardResult]:
    try:
        return [_result(files, work, place) for place in _write(job, [work])]
    except LostConnectionError:
        raise
    except RecordsError as error:
        instead = _work(files, job, f"{FAILED}: its results could not be stored ({error})", True)
        return [_result(files, instead, place) for place in _write(job, [instead])]


def _work(files: BoardFiles, job: Job, told: Inspection | str, fault: bool) -> Work:
    inspection = ungraded(files, job, told) if isinstance(told, str) else told
    return Work(inspection, job.again, fault, None, job.targets)


def _write(job: Job, works: list[Work]) -> list[Saved]:
    return _patiently(lambda: save_all(job.engine, works, prepare(job.engine, job.family, job.station, job.sheet)),
                      job.patience)


def _result(files: BoardFiles, work: Work, place: Saved) -> BoardResult:
    return BoardResult(files.serial, work.inspection.verdict, place.inspection_id, not place.fresh, work.inspection,
                       work.fault)


def _patiently(ask: Callable[[], T], pauses: tuple[float, ...]) -> T:
    """Write or read; when the database server is away, try again after each of some pauses (s) before giving up."""
    for pause in pauses:
        try:
            return ask()
        except LostConnectionError:
            time.sleep(pause)
    return ask()


def ungraded(files: BoardFiles, job: Job, reason: str) -> Inspection:
    """Return the inspection of a board that no worker could grade."""
    pictures = tuple(PictureFile(view, exposure, str(path), sha256_file(path))
                     for (view, exposure), path in sorted(files.pictures.items()))
    return Inspection(files.serial, job.family.name, job.station.name, UNGRADED,
                      datetime.now(UTC).isoformat(timespec="milliseconds"), 0.0, pictures, sheet_hash(job.sheet),
                      __version__, reason=reason)


class _Hand:
    """The boards in hand. When a worker crash breaks the executor, they are tried again one by one."""

    def __init__(self, workers: Workers, grader: Grader, limit: int) -> None:
        self._workers = workers
        self._grader = grader
        self._limit = max(1, limit)
        self._executor: Executor | None = None
        self._running: dict[Future[Inspection], BoardFiles] = {}
        self._suspects: deque[BoardFiles] = deque()  # in hand when a worker crashed: one of them is the cause
        self._crashes, self._good = 0, 0

    @property
    def empty(self) -> bool:
        """No board is in hand."""
        return not self._running and not self._suspects

    @property
    def full(self) -> bool:
        """No further board may be given: enough are in hand, or a crash is being looked into."""
        return bool(self._suspects) or len(self._running) >= self._limit

    def give(self, files: BoardFiles) -> None:
        """Hand a board to the workers."""
        if self._executor is None:
            self._executor = self._workers()
        try:
            self._running[self._executor.submit(self._grader, files)] = files
        except BrokenExecutor:  # a worker ended between two boards
            self._suspects.append(files)
            self._drop()

    def take(self) -> list[Outcome]:
        """Wait for boards to be done; return them with inspection (or reason), and whether the program failed.

        Raises RecordsError where workers do nothing but crash.
        """
        if self._crashes >= HOPELESS and not self._good:
            raise RecordsError(f"the grading processes ended on each of the first {self._crashes} boards; they cannot "
                               "work here: see what they wrote above, or try --jobs 1")
        if not self._running and self._suspects:
            self.give(self._suspects.popleft())
        alone = len(self._running) == 1
        done, rest = wait(self._running, return_when=FIRST_COMPLETED)
        if any(_broken(future) for future in done):
            wait(rest)  # they are broken too, or just finished
            done |= rest
        outcomes: list[Outcome] = []
        for future in done:
            files = self._running.pop(future)
            if not _broken(future):
                outcomes.append(_outcome(files, future))
                self._good += 1
                continue
            self._drop()
            if alone:
                self._crashes += 1
                outcomes.append((files, CRASHED, True))
            else:
                self._suspects.append(files)
        return outcomes

    def _drop(self) -> None:
        """Let a broken executor go."""
        if self._executor is not None:
            self._executor.shutdown(wait=False)
            self._executor = None

    def close(self) -> None:
        """Release the workers; boards that they have begun are finished but not kept."""
        if self._executor is not None:
            for future in self._running:
                future.cancel()
            self._executor.shutdown(wait=True)
            self._executor = None


def _broken(future: Future[Inspection]) -> bool:
    """Say whether a worker ended under this board; KilledWorker is a Dask cluster's word for it."""
    if future.cancelled():
        return True
    error = future.exception()
    return isinstance(error, BrokenExecutor | CancelledError) or type(error).__name__ == "KilledWorker"


def _outcome(files: BoardFiles, future: Future[Inspection]) -> Outcome:
    """Return what a worker said; an error of the program on one board must not cost the others."""
    error = future.exception()
    if error is None:
        return files, future.result(), False
    told = " ".join(str(error).split())[:300]
    return files, f"{FAILED}: {type(error).__name__}: {told}{_place(error)}", True


def _place(error: BaseException) -> str:
    """Return where an error of the program arose, for whoever mends it: ` (register.py, line 12)`."""
    lines = re.findall(r'File "([^"]+)", line (\d+)', "".join(traceback.format_exception(error)))
    own = [(Path(file).name, line) for file, line in lines if Path(file).name != "process.py"]
    # What a worker process raised comes with its own traceback in front; the innermost place is the last before ours.
    inner = [place for place in own if place[0] not in ("batch.py", "_base.py", "thread.py")]
    return f" ({inner[-1][0]}, line {inner[-1][1]})" if inner else ""
