"""Where boards are graded: worker processes of this machine, or a Dask cluster, behind one interface.

`concurrent.futures.Executor` is that interface; the batch knows nothing else of its workers.
"""

from __future__ import annotations

import importlib
import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from models.errors import missing_extra
from models.limits import LimitSheet
from vision.pipeline.folder import BoardFiles
from vision.pipeline.inspection import Inspection
from vision.records.errors import RecordsError
from vision.setup.family import Family
from vision.setup.station import Station

#: Makes an executor; called again when a crashed worker has broken the one before.
Workers = Callable[[], Executor]


@dataclass(frozen=True)
class BoardGrader:
    """Grades one board's pictures wherever it is called; travels to the workers once with every board."""

    family: Family
    station: Station
    sheet: LimitSheet
    overlays: Path | None = None
    zooms: Path | None = None  # sheets of joints that are not accepted, or of those named by `places`
    places: tuple[str, ...] = ()

    def __call__(self, files: BoardFiles) -> Inspection:
        """Return the board's inspection."""
        from vision.pipeline.grade import grade_board
        from vision.pipeline.worker import set_up

        set_up()
        return grade_board(files, self.family, self.station, self.sheet, self.overlays, self.zooms, self.places)


class _Processes(ProcessPoolExecutor):
    """Worker processes that no Ctrl-C reaches, not even while they start.

    A worker is started when a task finds none idle. Each is started with Ctrl-C held back: it inherits that from its
    first moment, before any line of its own could ask for it, and one meant for this process comes through right after.
    """

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Take a task; start a worker for it if none is idle."""
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            return super().submit(fn, *args, **kwargs)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


def processes(count: int) -> Executor:
    """Return an executor with worker processes that end with this process, however it ends."""
    pool = _Processes(count, mp_context=multiprocessing.get_context("spawn"), initializer=_start_worker)
    pool.submit(os.getpid)  # the first starts while this process gets ready
    return pool


def _start_worker() -> None:
    """Prepare a worker: Ctrl-C is the parent's to handle, and a dead parent ends the worker."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    multiprocessing.connection.wait([sentinel])
    os._exit(1)


@contextmanager
def cluster(address: str) -> Iterator[tuple[Workers, int]]:
    """Connect to a Dask scheduler; give its workers as executors, and how many boards they grade at once.

    The workers need this program installed and see the pictures under the same paths.
    Raises RecordsError where the extra is missing or no scheduler answers.
    """
    try:
        client = importlib.import_module("distributed").Client(address, timeout=10, set_as_default=False)
    except ModuleNotFoundError as error:
        raise RecordsError(missing_extra("--cluster", "cluster")) from error
    except (OSError, ValueError, TimeoutError) as error:
        raise RecordsError(f"cluster {address}: no scheduler answers there; start one with `dask scheduler` and "
                           "workers with `dask worker`") from error
    try:
        cores = sum(client.ncores().values())
        if cores == 0:
            raise RecordsError(f"cluster {address}: it has no workers; start some with `dask worker {address}`")
        yield (lambda: client.get_executor(pure=False)), cores
    finally:
        client.close()
