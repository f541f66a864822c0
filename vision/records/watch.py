"""Boards as their pictures arrive in a folder: complete sets of complete files only."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from vision.pipeline.folder import BoardFiles, scan_folder
from vision.setup.family import Family
from vision.setup.station import Station


@dataclass(frozen=True)
class Patience:
    """How a folder is watched, all in seconds."""

    every: float = 1.0  # between two looks
    settled: float = 1.0  # a file that has not changed for so long is complete
    incomplete: float = 60.0  # after so long without a change a board with missing pictures is taken as it is


def arriving(folder: Path, station: Station, family: Family, stop: Callable[[], bool],
             patience: Patience = Patience()) -> Iterator[BoardFiles | None]:
    """Yield boards once all their pictures are there and have stopped changing, until `stop()`.

    A board whose pictures change later is yielded again. Yields None after each look at the folder that brought
    nothing, so that the caller can go on with its own work.
    """
    wanted = {(view.name, exposure) for view in family.views for exposure in station.exposures}
    taken: dict[str, int] = {}  # serial -> hash of the state in which it was taken
    watched: dict[str, tuple[int, float]] = {}  # serial -> hash of its state, and when that was first seen
    while not stop():
        began, any_new = time.monotonic(), False
        for files in scan_folder(folder, station, family):
            state = _state(files)
            if state is None or taken.get(files.serial) == state:
                continue
            # The time since when a state is seen counts, not the files' own times: a copy may bring old ones along.
            known, since = watched.get(files.serial, (None, began))
            if known != state:
                watched[files.serial] = (state, began)
                continue
            needed = patience.settled if wanted <= set(files.pictures) else patience.incomplete
            if began - since < needed:
                continue
            taken[files.serial] = state
            del watched[files.serial]
            any_new = True
            yield files
            if stop():
                return
        if not any_new:
            yield None
        while not stop() and time.monotonic() - began < patience.every:
            time.sleep(min(0.1, patience.every))


def _state(files: BoardFiles) -> int | None:
    """Return a hash of names, sizes and times of a board's files, or None where one of them went away meanwhile."""
    try:
        stats = [(path.name, path.stat()) for _, path in sorted(files.pictures.items())]
    except OSError:
        return None
    return hash(tuple((name, stat.st_size, stat.st_mtime_ns) for name, stat in stats))
