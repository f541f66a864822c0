"""Reading TOML and CSV so that every problem of a file is reported at once."""

from __future__ import annotations

import csv
import io
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from models.errors import InputError, Problem

Model = TypeVar("Model", bound=BaseModel)

#: Larger text files than this are not configuration; refusing them keeps a wrong path from filling the memory.
MAX_BYTES = 16 * 1024 * 1024


def read_text(path: Path) -> str:
    """Return a configuration file's text (UTF-8, with or without byte order mark)."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError([Problem(str(path), "", f"{path.stat().st_size} bytes",
                                      f"a text file of at most {MAX_BYTES} bytes")])
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError([Problem(str(path), f"byte {error.start}", "text that is not UTF-8", "UTF-8")],
                         "Save the file as UTF-8.") from error
    except IsADirectoryError as error:
        raise InputError([Problem(str(path), "", "a folder", "a file")]) from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError([Problem(str(path), "", reason.lower(), "a readable file")]) from error


def read_toml(path: Path) -> dict[str, Any]:
    """Return the parsed TOML file."""
    try:
        return tomllib.loads(read_text(path))
    except tomllib.TOMLDecodeError as error:
        raise InputError([Problem(str(path), "", f"broken TOML ({error})", "valid TOML")]) from error


def read_rows(path: Path, required: tuple[str, ...], optional: tuple[str, ...]) -> list[dict[str, str | None]]:
    """Return the rows of a CSV file with a header, empty cells as None; blank lines are skipped."""
    text = read_text(path)
    if "\0" in text:
        raise InputError([Problem(str(path), "", "a NUL character", "plain CSV text")])
    reader = csv.reader(io.StringIO(text, newline=""))
    try:
        lines = [line for line in reader if any(cell.strip() for cell in line)]
    except csv.Error as error:
        raise InputError([Problem(str(path), f"line {reader.line_num}", str(error), "plain CSV text")]) from error
    header = [cell.strip() for cell in lines[0]] if lines else []
    problems = [Problem(str(path), "header", f"no column {name}", f"columns {', '.join(required)}")
                for name in required if name not in header]
    problems += [Problem(str(path), "header", f"unknown column {name!r}",
                         f"columns {', '.join(required + optional)}")
                 for name in header if name not in required + optional]
    problems += [Problem(str(path), "header", f"column {name} twice", "each column once")
                 for name in sorted(set(header)) if header.count(name) > 1]
    if problems:
        raise InputError(problems)
    rows: list[dict[str, str | None]] = []
    for number, line in enumerate(lines[1:], start=2):
        if len(line) != len(header):
            problems.append(Problem(str(path), f"row {number}", f"{len(line)} cells", f"{len(header)} cells"))
            continue
        rows.append({name: cell.strip() or None for name, cell in zip(header, line, strict=True)})
    if problems:
        raise InputError(problems)
    return rows


def validated(model: type[Model], data: object, file: str, where: str = "") -> tuple[Model | None, list[Problem]]:
    """Check data against a pydantic model; return the model, or None and all problems found."""
    try:
        return model.model_validate(data), []
    except ValidationError as error:
        return None, [_problem(file, where, item) for item in error.errors()]


def _problem(file: str, where: str, item: Any) -> Problem:
    """Turn one pydantic error into the project's words: place, got, wanted."""
    path = ".".join(str(part + 1 if isinstance(part, int) else part) for part in item["loc"])
    place = ", ".join(part for part in (where, path) if part)
    if item["type"] == "missing":
        return Problem(file, place, "nothing", "a value")
    if item["type"] == "extra_forbidden":
        return Problem(file, place, "an unknown key", "only the keys that the guide lists")
    wanted = str(item["msg"]).removeprefix("Value error, ").removeprefix("Input should be ")
    got = "nothing" if item["input"] is None else repr(item["input"])
    return Problem(file, place, got if len(got) <= 60 else got[:57] + "...", wanted)


def quoted(text: str) -> str:
    """Return a text as a TOML basic string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'
