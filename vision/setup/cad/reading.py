"""Read the CAD files of a board, given singly or as folders."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from models.errors import InputError, Problem
from vision.setup.cad.excellon import parse_excellon
from vision.setup.cad.gerber import parse_gerber
from vision.setup.cad.ipcd356 import parse_netlist
from vision.setup.cad.parsed import CadFile
from vision.setup.cad.placement import parse_placement
from vision.setup.cad.text import kind_of, read_cad_text


def read_files(paths: Iterable[Path]) -> tuple[list[tuple[CadFile, str]], list[tuple[str, str]]]:
    """Read files, and all files of folders; returns parsed files with their texts, and unused files with reasons.

    What is in a folder and is no CAD file is left aside; a file that is named by itself must be one.
    Raises InputError with the problems of all files.
    """
    found: list[tuple[CadFile, str]] = []
    unused: list[tuple[str, str]] = []
    problems: list[Problem] = []
    for path, named in _spread(paths):
        try:
            text = read_cad_text(path)
        except InputError as error:
            if named:
                problems += error.problems
            else:
                unused.append((str(path), "not a text file"))
            continue
        try:
            parsed = parse_cad(text, str(path))
        except InputError as error:
            problems += error.problems
            continue
        if parsed is not None:
            found.append((parsed, text))
        elif named:
            problems.append(Problem(str(path), "", "a file of another kind", "an IPC-D-356A netlist, an Excellon or "
                                    "Gerber file, or a placement table (CSV)"))
        else:
            unused.append((str(path), "none of the formats that are read"))
    if problems:
        raise InputError(problems, "Export or mend the files named.")
    return found, unused


def _spread(paths: Iterable[Path]) -> Iterator[tuple[Path, bool]]:
    for path in paths:
        if path.is_dir():
            yield from ((item, False) for item in sorted(path.iterdir()) if item.is_file())
        else:
            yield path, True


def parse_cad(text: str, file: str) -> CadFile | None:
    """Parse a file by what is in it; None where it is none of the formats."""
    kind = kind_of(text)
    if kind == "netlist":
        return parse_netlist(text, file)
    if kind == "excellon":
        return parse_excellon(text, file)
    if kind == "gerber":
        return parse_gerber(text, file)
    return parse_placement(text, file) if kind == "placement" else None
