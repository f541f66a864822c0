"""Watching a folder: complete sets of complete files, each once, changed ones again."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

import fake_graders as fake
import invented_boards as invented
from sqlalchemy import Engine

from vision.pipeline.folder import BoardFiles
from vision.records import list_inspections
from vision.records.batch import Job, grade_folder
from vision.records.watch import Patience, arriving
from vision.setup import Light, Station

QUICK = Patience(every=0.05, settled=0.15, incomplete=0.6)
#: Where nothing may be taken too early, however slow the machine is at the moment.
SLOW = Patience(every=0.05, settled=3.0, incomplete=60.0)


def station() -> Station:
    """Return a station that takes two exposures."""
    return Station("bench", 0.02, "{serial}_{view}_{exposure}.png",
                   (Light("high", "a", "blue", (8.0, 24.0)), Light("low", "b", "red", (50.0, 70.0))))


class Watcher:
    """Watches in a thread and collects what arrives."""

    def __init__(self, folder: Path, patience: Patience = QUICK) -> None:
        self._patience = patience
        self.taken: list[tuple[str, int, tuple[str, ...]]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(folder,))
        self._thread.start()

    def _run(self, folder: Path) -> None:
        for files in arriving(folder, station(), invented.family(), self._stop.is_set, self._patience):
            if files is not None:
                self.taken.append((files.serial, len(files.pictures), files.problems))

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def until(self, condition: Callable[[], bool]) -> None:
        try:
            invented.wait_until(condition, 20.0)
        except AssertionError:
            self.stop()
            raise


def test_only_complete_sets_are_taken(tmp_path: Path) -> None:
    watcher = Watcher(tmp_path, Patience(every=0.05, settled=0.15, incomplete=60.0))
    (tmp_path / "B1_v1_a.png").write_bytes(b"one")
    time.sleep(0.5)
    assert watcher.taken == []
    (tmp_path / "B1_v1_b.png").write_bytes(b"two")
    watcher.until(lambda: len(watcher.taken) == 1)
    time.sleep(0.4)
    watcher.stop()
    assert watcher.taken == [("B1", 2, ())]


def test_a_growing_file_is_waited_for_even_with_an_old_time(tmp_path: Path) -> None:
    (tmp_path / "B1_v1_a.png").write_bytes(b"one")
    path = tmp_path / "B1_v1_b.png"
    path.write_bytes(b"")
    watcher = Watcher(tmp_path, SLOW)
    for size in range(1, 12):
        path.write_bytes(b"x" * size)
        os.utime(path, (1e9, 1e9))  # as a copy that keeps the original's time
        time.sleep(0.05)
    assert watcher.taken == []
    watcher.until(lambda: len(watcher.taken) == 1)
    watcher.stop()


def test_an_incomplete_set_is_taken_in_the_end(tmp_path: Path) -> None:
    (tmp_path / "B1_v1_a.png").write_bytes(b"one")
    watcher = Watcher(tmp_path)
    watcher.until(lambda: len(watcher.taken) == 1)
    watcher.stop()
    assert watcher.taken == [("B1", 1, ("no picture of view v1, exposure b",))]


def test_a_changed_picture_comes_again(tmp_path: Path) -> None:
    for exposure in "ab":
        (tmp_path / f"B1_v1_{exposure}.png").write_bytes(b"first")
    watcher = Watcher(tmp_path)
    watcher.until(lambda: len(watcher.taken) == 1)
    (tmp_path / "B1_v1_a.png").write_bytes(b"taken anew")
    watcher.until(lambda: len(watcher.taken) == 2)
    watcher.stop()


def test_watching_grades_what_arrives(engine: Engine, tmp_path: Path) -> None:
    from concurrent.futures import ThreadPoolExecutor

    stop = threading.Event()
    done: list[str] = []

    def grade() -> None:
        job = Job(engine, invented.family(), station(), invented.sheet(), stop=stop.is_set)
        boards = arriving(tmp_path, station(), invented.family(), stop.is_set, QUICK)
        done.extend(result.serial for result in grade_folder(boards, grader, lambda: ThreadPoolExecutor(2), job))

    def grader(files: BoardFiles) -> object:
        return fake.grade(files)

    thread = threading.Thread(target=grade)
    thread.start()
    try:
        for number in range(3):
            for exposure in "ab":
                (tmp_path / f"B{number}_v1_{exposure}.png").write_bytes(f"{number}{exposure}".encode())
            invented.wait_until(lambda wanted=number + 1: len(list_inspections(engine)) == wanted)  # type: ignore[misc]
    finally:
        stop.set()
        thread.join()
    assert sorted(done) == ["B0", "B1", "B2"]
