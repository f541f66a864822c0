"""Find the pictures of every board in a folder, by the station's file name pattern."""

from __future__ import annotations

import re
import string
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from models.errors import InputError, Problem
from vision.setup.family import Family
from vision.setup.station import PICTURE_ENDINGS, Station, picture_names

MAX_SERIAL = 80


@dataclass(frozen=True)
class BoardFiles:
    """The pictures of one board by (view, exposure), and what is wrong with the set."""

    serial: str
    pictures: Mapping[tuple[str, str], Path]
    problems: tuple[str, ...] = ()


@dataclass(frozen=True)
class FolderScan:
    """What a folder holds: boards in order of serial, and pictures whose names do not fit the pattern."""

    boards: tuple[BoardFiles, ...]
    strangers: tuple[Path, ...]


def scan_folder(folder: Path | str, station: Station, family: Family) -> list[BoardFiles]:
    """Return the boards of a folder in order of serial, incomplete ones with their problems."""
    return list(look_through(folder, station, family).boards)


def look_through(folder: Path | str, station: Station, family: Family) -> FolderScan:
    """Sort the pictures of a folder by board.

    Raises InputError where the folder cannot be read or the pattern cannot tell the family's views apart.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise InputError([Problem(str(folder), "", "no such folder", "a folder with pictures")])
    pattern = name_pattern(station, family)
    found: dict[str, dict[tuple[str, str], list[Path]]] = {}
    strangers: list[Path] = []
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() not in PICTURE_ENDINGS or not path.is_file():
            continue
        match = pattern.fullmatch(path.name)
        if match is None:
            strangers.append(path)
            continue
        parts = match.groupdict()
        place = (parts.get("view") or family.views[0].name, parts.get("exposure") or station.exposures[0])
        found.setdefault(parts["serial"], {}).setdefault(place, []).append(path)
    wanted = [(view.name, exposure) for view in family.views for exposure in station.exposures]
    return FolderScan(tuple(_board(serial, found[serial], wanted) for serial in sorted(found)), tuple(strangers))


def name_pattern(station: Station, family: Family) -> re.Pattern[str]:
    """Return the regular expression of the station's picture names; letter case of the ending is free."""
    names = [name for _, name, _, _ in string.Formatter().parse(station.files) if name]
    if "view" not in names and len(family.views) > 1:
        raise InputError([Problem("station", "files", repr(station.files),
                                  f"{{view}} in it, since family {family.name!r} has {len(family.views)} views")])
    choices = {"serial": ".+?", "view": "|".join(re.escape(view.name) for view in family.views),
               "exposure": "|".join(re.escape(exposure) for exposure in station.exposures)}
    return picture_names(station.files, choices)


def _board(serial: str, places: Mapping[tuple[str, str], list[Path]], wanted: list[tuple[str, str]]) -> BoardFiles:
    """Check one board's set of pictures."""
    problems = []
    if not usable_serial(serial):
        problems.append(f"serial {serial[:40]!r} is not usable: at most {MAX_SERIAL} printable characters are")
    for view, exposure in wanted:
        paths = places.get((view, exposure), [])
        label = f"view {view}" + (f", exposure {exposure}" if exposure else "")
        if not paths:
            problems.append(f"no picture of {label}")
        elif len(paths) > 1:
            names = ", ".join(path.name for path in paths)
            problems.append(f"serial {serial} has {len(paths)} pictures of {label}: {names}")
    return BoardFiles(serial, {place: paths[0] for place, paths in places.items()}, tuple(problems))


def usable_serial(serial: str) -> bool:
    """Say whether a serial may enter records and file names: short, printable, no folder marks."""
    return (0 < len(serial) <= MAX_SERIAL and serial.isprintable() and serial.strip(". ") != ""
            and not any(mark in serial for mark in "/\\"))
