"""Stand-ins for the pipeline that worker processes can load: what they do is in the board's serial."""

from __future__ import annotations

import dataclasses
import os
import signal
import time
from pathlib import Path

import invented_boards as invented

from vision.pipeline.folder import BoardFiles
from vision.pipeline.inspection import Inspection, PictureFile
from vision.records.keys import sha256_file


def grade(files: BoardFiles) -> Inspection:
    """Grade from the serial: `crash` kills the worker, `raise` fails, `slow` takes its time, `bad` has findings,
    `odd` names a joint that the family lacks."""
    if "crash" in files.serial:
        os.kill(os.getpid(), signal.SIGKILL)
    if "raise" in files.serial:
        raise ZeroDivisionError("invented fault")
    if "slow" in files.serial:
        time.sleep(0.3)
    pictures = tuple(PictureFile(view, exposure, str(path), sha256_file(path))
                     for (view, exposure), path in sorted(files.pictures.items()))
    made = invented.inspection(files.serial, bad="bad" in files.serial, pictures=pictures)
    if "odd" in files.serial:  # results that no database takes
        return dataclasses.replace(made, joints=(*made.joints, dataclasses.replace(made.joints[0], pin="99")))
    if files.problems:
        return dataclasses.replace(made, joints=(), chips=(), verdict="ungraded", reason="; ".join(files.problems))
    return made


def boards(folder: Path, serials: list[str]) -> list[BoardFiles]:
    """Write a small picture file for each serial, and return the boards."""
    found = []
    for serial in serials:
        path = folder / f"{serial}_v1_a.png"
        if not path.exists():
            path.write_bytes(f"picture of {serial}".encode())
        found.append(BoardFiles(serial, {("v1", "a"): path}))
    return found
