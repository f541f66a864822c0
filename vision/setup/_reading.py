"""Reading TOML and CSV so that every problem of a file is reported at once, in the project's own words."""

from __future__ import annotations

import csv
import io
import re
import stat
import tomllib
import typing
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, Field, ValidationError

from models.errors import InputError, Problem

Model = TypeVar("Model", bound=BaseModel)
Read = TypeVar("Read")
#: A check across the fields of one item: (key, got, wanted) for each thing wrong.
Check = Callable[[Any], Iterable[tuple[str, str, str]]]

#: Larger text files than this are not configuration; refusing them keeps a wrong path from filling the memory.
MAX_BYTES = 16 * 1024 * 1024
_LONGEST_SHOWN = 60
READABLE = "a readable file"  # what is wanted of any file, where nothing better is known


def _not_truth(value: object) -> object:
    """Refuse true and false where a number is wanted: TOML tells them apart, Python does not."""
    if isinstance(value, bool):
        raise ValueError("a number")
    return value


def _printable(value: str) -> str:
    if not value.isprintable():
        raise ValueError("text without line breaks or control characters")
    return value


def _file_part(value: str) -> str:
    if any(mark in value for mark in "/\\{}") or value.strip(". ") != value:
        raise ValueError("a word fit for a file name: no / \\ { }, no dot or space at its ends")
    return value


Number = Annotated[float, BeforeValidator(_not_truth), Field(allow_inf_nan=False)]
Length = Annotated[Number, Field(gt=0.0, le=50.0)]
Place = Annotated[Number, Field(ge=-2000.0, le=2000.0)]
Turn = Annotated[Number, Field(ge=-360.0, le=360.0)]
Text = Annotated[str, Field(max_length=60), AfterValidator(_printable)]
Word = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(_printable)]
FilePart = Annotated[Text, AfterValidator(_file_part)]
FileWord = Annotated[Word, AfterValidator(_file_part)]


@dataclass(frozen=True)
class Table:
    """The cells of a CSV file: (row number, cells by column), empty ones left out; columns lacking and unknown."""

    rows: tuple[tuple[int, dict[str, str]], ...]
    lacking: tuple[str, ...]
    problems: tuple[Problem, ...]
    unknown: tuple[str, ...] = ()


def read_text(path: Path, wanted: str = READABLE) -> str:
    """Return a configuration file's text (UTF-8, with or without byte order mark).

    `wanted` says of a file that cannot be read what it was to be, and where it comes from.
    """
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise InputError([Problem(str(path), "", "a folder", "a file")])
        if not stat.S_ISREG(found.st_mode):
            raise InputError([Problem(str(path), "", "something that is no plain file", "a file")])
        if found.st_size > MAX_BYTES:
            raise InputError([Problem(str(path), "", f"{found.st_size} bytes",
                                      f"a text file of at most {MAX_BYTES} bytes")])
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError([Problem(str(path), f"byte {error.start}", "text that is not UTF-8", "UTF-8")],
                         "Save the file as UTF-8.") from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError([Problem(str(path), "", reason.lower(), wanted)]) from error
    except ValueError as error:  # a NUL in the name
        raise InputError([Problem(repr(str(path)), "", str(error), "a file name")]) from error


def read_toml(path: Path, wanted: str = READABLE) -> dict[str, Any]:
    """Return the parsed TOML file; `wanted` is that of `read_text`."""
    text = read_text(path, wanted)
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError([Problem(str(path), "", f"broken TOML ({error})", "valid TOML")]) from error


def read_rows(path: Path, required: tuple[str, ...], optional: tuple[str, ...], *, others: bool = False,
              wanted: str = READABLE) -> Table:
    """Return the rows of a CSV file with a header and everything wrong with its form; blank lines are skipped.

    Columns of other names are a problem, unless there may be `others`; their cells are left out in any case.
    Raises InputError where the file cannot be read as CSV text at all.
    """
    text = read_text(path, wanted)
    if "\0" in text:
        raise InputError([Problem(str(path), "", "a NUL character", "plain CSV text")])
    reader = csv.reader(io.StringIO(text, newline=""))
    lines: list[tuple[int, list[str]]] = []
    try:
        start = 1
        for line in reader:
            if any(cell.strip() for cell in line):
                lines.append((start, [cell.strip() for cell in line]))
            start = reader.line_num + 1
    except csv.Error as error:
        raise InputError([Problem(str(path), f"line {reader.line_num}", str(error), "plain CSV text")]) from error
    if not lines:
        raise InputError([Problem(str(path), "", "an empty file", f"a header: {', '.join(required + optional)}")])
    header = lines[0][1]
    _refuse_other_mark(path, header, required)
    lacking = tuple(name for name in required if name not in header)
    problems = [Problem(str(path), "header", f"no column {name}", f"columns {', '.join(required)}")
                for name in lacking]
    unknown = tuple(name for name in dict.fromkeys(header) if name not in required + optional)
    if not others:
        problems += [Problem(str(path), "header", f"unknown column {name!r}",
                             f"columns {', '.join(required + optional)}") for name in unknown]
    problems += [Problem(str(path), "header", f"column {name} twice", "each column once")
                 for name in dict.fromkeys(header) if name in required + optional and header.count(name) > 1]
    problems += [Problem(str(path), f"row {number}", f"{len(line)} cells", f"{len(header)} cells")
                 for number, line in lines[1:] if len(line) != len(header)]
    rows = tuple((number, {name: cell for name, cell in zip(header, line, strict=True)
                           if cell and name in required + optional})
                 for number, line in lines[1:] if len(line) == len(header))
    return Table(rows, lacking, tuple(problems), unknown)


def _refuse_other_mark(path: Path, header: Sequence[str], required: tuple[str, ...]) -> None:
    """Refuse a table whose cells are separated by another mark, as spreadsheets of some countries write it."""
    for mark, name in ((";", ";"), ("\t", "tabs"), ("|", "|")):
        cells = [cell.strip() for line in header for cell in line.split(mark)]
        if len(header) == 1 and len(cells) > 1 and any(wanted in cells for wanted in required):
            raise InputError([Problem(str(path), "header", f"columns separated by {name}", "separated by ,")],
                             "Save the table as CSV with commas between cells and a point in numbers.")


def validated(model: type[Model], data: object, file: str, where: str = "", check: Check | None = None,
              lacking: Collection[str] = ()) -> tuple[Model | None, list[Problem]]:
    """Check data against a pydantic model, then across its fields; return the model, or None and all problems.

    `lacking` names fields whose absence is reported already.
    """
    try:
        found = model.model_validate(data)
    except ValidationError as error:
        return None, [_problem(model, file, where, item) for item in error.errors()
                      if not (item["type"] == "missing" and item["loc"][0] in lacking)]
    problems = [Problem(file, ", ".join(part for part in (where, key) if part), got, wanted)
                for key, got, wanted in (check(found) if check else ())]
    return (None if problems else found), problems


def validated_rows(path: Path, model: type[Model], required: tuple[str, ...], optional: tuple[str, ...],
                   most: int) -> tuple[list[tuple[int, Model]], list[Problem]]:
    """Return the rows of a CSV file with their numbers, each checked against a model, and all problems.

    Raises InputError where the file cannot be read as CSV text at all or holds more than `most` rows.
    """
    table = read_rows(path, required, optional)
    problems = list(table.problems)
    if len(table.rows) > most:
        raise InputError([*problems, Problem(str(path), "", f"{len(table.rows)} rows", f"at most {most}")])
    found: list[tuple[int, Model]] = []
    for number, cells in table.rows:
        row, more = validated(model, cells, str(path), f"row {number}", lacking=table.lacking)
        problems += more
        if row is not None:
            found.append((number, row))
    return found, problems


def if_there(path: Path, read: Callable[[Path], Read]) -> tuple[Read | None, list[Problem]]:
    """Return what an optional file holds, None where it is not there, and all problems of it."""
    if not path.exists():
        return None, []
    try:
        return read(path), []
    except InputError as error:
        return None, list(error.problems)


def write_rows(path: Path, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> Path:
    """Write a CSV file with a header, whole or not at all, and return its path."""
    from models.limits import write_whole

    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    write_whole(path, buffer.getvalue())
    return path


def _problem(model: type[BaseModel], file: str, where: str, item: Any) -> Problem:
    """Turn one pydantic error into the project's words: place, got, wanted."""
    path = ".".join(str(part + 1 if isinstance(part, int) else part) for part in item["loc"])
    place = ", ".join(part for part in (where, path) if part)
    if item["type"] == "missing":
        return Problem(file, place, "nothing", "a value")
    if item["type"] == "extra_forbidden":
        return Problem(file, place, "an unknown key", f"one of {', '.join(_keys(model, item['loc'][:-1]))}")
    tables = isinstance(item["input"], list) and all(isinstance(part, dict) for part in item["input"])
    if item["type"] in ("too_short", "too_long") and tables:  # too much to be shown, so they are counted
        some, name, bounds = len(item["input"]), str(item["loc"][-1]), item["ctx"]
        bound = f"at least {bounds['min_length']}" if item["type"] == "too_short" else f"at most {bounds['max_length']}"
        return Problem(file, place, f"{some} {name.removesuffix('s') if some == 1 else name}", bound)
    wanted = re.sub(r"^(Value error, |\w+ should (be |have )?)", "", str(item["msg"]))
    wanted = re.sub(r" after validation, not \d+$", "", wanted).removeprefix("a valid ")
    wanted = wanted.replace("number, unable to parse string as a number", "a number")
    got = "nothing" if item["input"] in (None, "") else repr(item["input"])
    return Problem(file, place, got if len(got) <= _LONGEST_SHOWN else got[:_LONGEST_SHOWN - 3] + "...", wanted)


def _keys(model: type[BaseModel], path: tuple[str | int, ...]) -> list[str]:
    """Return the keys that the table at a path may hold."""
    for part in path:
        if isinstance(part, str) and part in model.model_fields:
            model = _inner_model(model.model_fields[part].annotation) or model
    return list(model.model_fields)


def _inner_model(kind: Any) -> type[BaseModel] | None:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return kind
    return next((found for part in typing.get_args(kind) if (found := _inner_model(part))), None)


def doubles(file: str, names: Iterable[str], kind: str) -> list[Problem]:
    """Return a problem for every name that occurs more than once."""
    counts: dict[str, int] = {}
    for name in names:
        counts[name] = counts.get(name, 0) + 1
    return [Problem(file, name, f"{kind} {name} {count} times", f"each {kind} once")
            for name, count in counts.items() if count > 1]


def numbers(values: Iterable[float]) -> str:
    """Return numbers as a TOML array that reads back to the same values."""
    return "[" + ", ".join(repr(float(value)) for value in values) + "]"
