"""Reading what the line logs: CSV or JSON Lines, long (a row a value) or wide (a row a board, a column a quantity).

Columns: `at` (ISO 8601), and where known `serial`, `pot`, `nozzle`, `step`, or `ref` and `pin` for a single joint.
Long files add `quantity` and `value`; in wide files every other column is a quantity. Empty cells say nothing.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from models.errors import InputError, Problem
from vision.line.log_words import NO, OWN_QUANTITIES, YES, kind_of

KEYS: tuple[str, ...] = ("at", "serial", "pot", "nozzle", "step", "ref", "pin")
#: Problems shown before reading stops.
MOST_PROBLEMS = 20
MOST_ROWS = 5_000_000
LONGEST_WORD = 60
LONGEST_CELL = 4_000


@dataclass(frozen=True)
class Entry:
    """One logged value. `value` is None for an event or a label, whose word stands in `text`."""

    at: datetime  # with offset
    quantity: str
    value: float | None
    text: str = ""
    serial: str = ""
    pot: str = ""
    nozzle: str = ""
    step: str = ""  # or the joint's name, REF.PIN, for a value that belongs to one joint


class _FaultError(Exception):
    """What is wrong with one row: (column, got, wanted)."""

    def __init__(self, column: str, got: str, wanted: str) -> None:
        self.column, self.got, self.wanted = column, got if len(got) <= 60 else got[:57] + "...", wanted


def read_log(path: Path | str, *, utc_offset: str = "", clock_ahead_s: float = 0.0) -> list[Entry]:
    """Return the entries of a log file in the file's order.

    `utc_offset` such as "+01:00" is the offset of times that have none. `clock_ahead_s` is how far the log's clock runs
    ahead of the station's; times are put back by so much. Raises InputError with every faulty row (at most the first
    twenty), and then nothing is taken from the file.
    """
    path = Path(path)
    zone = _zone(path, utc_offset)
    shift = timedelta(seconds=clock_ahead_s)
    entries: list[Entry] = []
    problems: list[Problem] = []
    for line, row in _rows(path):
        try:
            entries += _entries(row, zone, shift)
        except _FaultError as fault:
            problems.append(Problem(str(path), f"line {line}, {fault.column}", fault.got, fault.wanted))
            if len(problems) >= MOST_PROBLEMS:
                break
        if len(entries) > MOST_ROWS:
            problems.append(Problem(str(path), f"line {line}", f"more than {MOST_ROWS} values", "a smaller file"))
            break
    if problems:
        raise InputError(problems, "Nothing was imported: mend the file, then import it again.")
    if not entries:
        raise InputError([Problem(str(path), "", "no values", "a header and at least one row with a value")])
    return entries


def _zone(path: Path, utc_offset: str) -> timezone | None:
    if not utc_offset:
        return None
    try:
        offset = datetime.fromisoformat(f"2000-01-01T00:00:00{utc_offset}").utcoffset()
    except ValueError:
        offset = None
    if offset is None:
        raise InputError([Problem(str(path), "offset of times", repr(utc_offset), "an offset such as +01:00 or Z")])
    return timezone(offset)


def _rows(path: Path) -> Iterator[tuple[int, Mapping[str, Any]]]:
    """Yield (line number, cells by column) of either format; the first character decides which."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = file.read(1)
            file.seek(0)
            yield from _json_rows(path, file) if first == "{" else _csv_rows(path, file)
    except UnicodeDecodeError as error:
        raise InputError([Problem(str(path), f"byte {error.start}", "text that is not UTF-8", "UTF-8")]) from error
    except OSError as error:
        told = (error.strerror or str(error)).lower()
        raise InputError([Problem(str(path), "", told, "a readable file")]) from error


def _json_rows(path: Path, file: Any) -> Iterator[tuple[int, Mapping[str, Any]]]:
    for number, line in enumerate(file, start=1):
        if not line.strip():
            continue
        try:
            row = json.loads(line)
        except (ValueError, RecursionError) as error:
            raise InputError([Problem(str(path), f"line {number}", f"broken JSON ({error})",
                                      "one JSON object a line")]) from error
        if not isinstance(row, dict):
            raise InputError([Problem(str(path), f"line {number}", type(row).__name__, "one JSON object a line")])
        yield number, row


def _csv_rows(path: Path, file: Any) -> Iterator[tuple[int, Mapping[str, Any]]]:
    reader = csv.reader(_without_nul(path, file))
    try:
        header = [cell.strip() for cell in next(reader, [])]
        _check_header(path, header)
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(header):
                raise InputError([Problem(str(path), f"line {reader.line_num}", f"{len(cells)} cells",
                                          f"{len(header)} cells as in the header")])
            yield reader.line_num, dict(zip(header, cells, strict=True))
    except csv.Error as error:
        raise InputError([Problem(str(path), f"line {reader.line_num}", str(error), "plain CSV text")]) from error


def _without_nul(path: Path, file: Any) -> Iterator[str]:
    for number, line in enumerate(file, start=1):
        if "\0" in line:
            raise InputError([Problem(str(path), f"line {number}", "a NUL character", "plain CSV text")])
        yield line


def _check_header(path: Path, header: list[str]) -> None:
    problems = [Problem(str(path), "header", f"column {name or '(empty)'} twice", "each column once")
                for name in sorted(set(header)) if header.count(name) > 1]
    if "at" not in header:
        problems.append(Problem(str(path), "header", "no column at", "a column `at` with ISO 8601 times"))
    if "quantity" in header and "value" not in header:
        problems.append(Problem(str(path), "header", "quantity without value", "both columns"))
    if problems:
        raise InputError(problems)


def _entries(row: Mapping[str, Any], zone: timezone | None, shift: timedelta) -> list[Entry]:
    """Return the values of one row; raises _FaultError for the first thing that is wrong with it."""
    keys = {name: _word(name, row.get(name)) for name in KEYS[1:]}
    at = _time(row.get("at"), zone) - shift
    if bool(keys["ref"]) != bool(keys["pin"]):
        raise _FaultError("ref, pin", "one of the two", "both or none")
    step = keys["step"] or (f"{keys['ref']}.{keys['pin']}" if keys["ref"] else "")
    place = {"serial": keys["serial"], "pot": keys["pot"], "nozzle": keys["nozzle"], "step": step}
    if "quantity" in row:
        name = _word("quantity", row["quantity"])
        if not name:
            raise _FaultError("quantity", "nothing", "the name of what was logged")
        pairs = [(name, row.get("value"))]
    else:
        pairs = [(name, value) for name, value in row.items() if name not in KEYS]
    found = []
    for name, raw in pairs:
        if name in OWN_QUANTITIES or not name:
            raise _FaultError("quantity", repr(name), "a name that is not kept for the program's own alarms")
        value, text = _value(name, raw)
        if value is not None or text or ("quantity" in row and kind_of(name) == "event"):
            found.append(Entry(at, name, value, text, **place))
    return found


def _word(name: str, raw: Any) -> str:
    if raw is None:
        return ""
    if isinstance(raw, (dict, list)):
        raise _FaultError(name, type(raw).__name__, "a word")
    text = str(raw).strip()
    limit = 255 if name == "serial" else LONGEST_WORD
    if len(text) > limit or "\0" in text:
        raise _FaultError(name, text.replace("\0", "\\0"), f"at most {limit} characters")
    return text


def _time(raw: Any, zone: timezone | None) -> datetime:
    text = "" if raw is None else str(raw).strip()
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise _FaultError("at", repr(text), "a time such as 2026-03-02T06:00:00+01:00") from None
    if at.tzinfo is None:
        if zone is None:
            raise _FaultError("at", f"{text!r} without offset from UTC",
                              "an offset in the file, or --utc-offset +01:00")
        at = at.replace(tzinfo=zone)
    try:
        return at.astimezone(UTC)
    except OverflowError:
        raise _FaultError("at", repr(text), "a time of this age") from None


def _value(name: str, raw: Any) -> tuple[float | None, str]:
    """Return (number, text) of a cell: a number where the quantity is one, or where the cell looks like one."""
    if raw is None or (isinstance(raw, str) and not raw.strip()):
        return None, ""
    if isinstance(raw, (dict, list)):
        raise _FaultError(name, type(raw).__name__, "a number or a word")
    kind, text = kind_of(name), str(raw).strip()
    if len(text) > LONGEST_CELL or "\0" in text:
        raise _FaultError(name, text.replace("\0", "\\0"), f"at most {LONGEST_CELL} characters")
    if kind == "check":
        if text.lower() in YES + NO:
            return float(text.lower() in YES), ""
        raise _FaultError(name, repr(text), "1 or 0 (yes or no)")
    if kind == "label":
        return None, text
    if kind == "event":
        return None, "" if text.lower() in NO else text
    try:
        value = float(text)
    except ValueError:
        if kind == "number":
            raise _FaultError(name, repr(text), "a number with a decimal point") from None
        return None, text
    if not math.isfinite(value):
        raise _FaultError(name, repr(text), "a finite number")
    return value, ""
