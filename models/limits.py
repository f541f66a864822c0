"""Limit sheets as files: limits.toml is read, checked, written and hashed here.

The types and the judging live in models.rules and are named here as well, so that users of sheets need one import.
"""

from __future__ import annotations

import hashlib
import math
import os
import re
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from models.errors import InputError, Problem
from models.rules import (
    FIRED_VERDICTS,
    INDICATOR,
    Condition,
    Evidence,
    Fired,
    Judgement,
    LimitSheet,
    Rule,
    holds,
    judge,
)
from models.sheet_check import MAX_TEXT, sheet_problems
from models.toml_text import quoted

__all__ = ["FIRED_VERDICTS", "INDICATOR", "Condition", "Evidence", "Fired", "Judgement", "LimitSheet", "Rule", "holds",
           "judge", "parse_limits", "read_limits", "sheet_hash", "sheet_problems", "sheet_text", "write_limits"]

MAX_BYTES = 1024 * 1024
THEN = "Mend the file and run `meniscope limits check` on it."
HEADER = """\
# Limit sheet: the rules that turn measurements into findings. This file is the whole model; edit it freely.
# A rule fires when all conditions of `when` hold; several rules for one finding mean "or".
# Within `guard` of a limit, on the good side, a joint goes to a person (review).
"""


def read_limits(path: Path | str) -> LimitSheet:
    """Read and check a limit sheet.

    Raises InputError that lists every problem of the file with the number of its rule.
    """
    path = Path(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError([Problem(str(path), "", f"{path.stat().st_size} bytes",
                                      f"a limit sheet of at most {MAX_BYTES} bytes")])
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError([Problem(str(path), f"byte {error.start}", "text that is not UTF-8", "UTF-8")],
                         "Save the file as UTF-8.") from error
    except IsADirectoryError as error:
        raise InputError([Problem(str(path), "", "a folder", "a limit sheet (limits.toml)")]) from error
    except OSError as error:
        raise InputError([Problem(str(path), "", (error.strerror or str(error)).lower(),
                                  "a readable limit sheet (limits.toml)")],
                         "`meniscope train` writes one.") from error
    return parse_limits(text, str(path))


def parse_limits(text: str, file: str = "limit sheet") -> LimitSheet:
    """Return the sheet that a TOML text holds; raise InputError with every problem."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError([Problem(file, "", f"broken TOML ({error})", "valid TOML")], THEN) from error
    lines = [number for number, line in enumerate(text.splitlines(), start=1)
             if re.match(r"\s*\[\[\s*rule\s*\]\]", line)]
    problems: list[Problem] = []
    reader = _Reader(file, lines, problems)
    sheet = reader.sheet(data)
    # Words and shape first: a half-read rule would only give confusing second errors.
    if not problems:
        problems += sheet_problems(sheet, file, lines)
    else:
        known = {problem.where for problem in problems}
        problems += [p for p in sheet_problems(sheet, file, lines) if not any(_inside(p.where, k) for k in known)]
    if problems:
        raise InputError(problems, THEN)
    return sheet


def _inside(where: str, known: str) -> bool:
    """Return whether a problem's place belongs to a rule that already could not be read."""
    return where.partition(",")[0] == known.partition(",")[0] or " and " in where


class _Reader:
    """Turns the parsed TOML into dataclasses and notes every value of a wrong type."""

    def __init__(self, file: str, lines: list[int], problems: list[Problem]) -> None:
        self.file, self.lines, self.problems = file, lines, problems

    def wrong(self, where: str, got: object, wanted: str) -> None:
        text = "nothing" if got is None else repr(got)
        self.problems.append(Problem(self.file, where, text if len(text) <= 60 else text[:57] + "...", wanted))

    def sheet(self, data: Mapping[str, Any]) -> LimitSheet:
        self._keys("", data, ("family", "workmanship_class", "note", "rule"))
        grade = data.get("workmanship_class", 2)
        if not isinstance(grade, int) or isinstance(grade, bool):
            self.wrong("workmanship_class", grade, "1, 2 or 3")
            grade = 2
        rules = data.get("rule", [])
        if not isinstance(rules, list):
            self.wrong("rule", rules, "[[rule]] tables")
            rules = []
        return LimitSheet(tuple(self._rule(number, rule) for number, rule in enumerate(rules)),
                          self._text("family", data.get("family", "")), grade, self._text("note", data.get("note", "")))

    def _rule(self, number: int, data: object) -> Rule:
        line = f" (line {self.lines[number]})" if number < len(self.lines) else ""
        where = f"rule {number + 1}{line}"
        if not isinstance(data, dict):
            self.wrong(where, data, "a table")
            return Rule("", "", ())
        self._keys(where, data, ("finding", "source", "when", "evidence", "indicator"))
        for key in ("finding", "source", "when"):
            if key not in data:
                self.wrong(f"{where}, {key}", None, "a value")
        when = data.get("when", [])
        if not isinstance(when, list):
            self.wrong(f"{where}, when", when, "a list of conditions, [{measure = ..., below = ...}]")
            when = []
        indicator = data.get("indicator", False)
        if not isinstance(indicator, bool):
            self.wrong(f"{where}, indicator", indicator, "true or false")
        evidence = self._evidence(f"{where}, evidence", data["evidence"]) if "evidence" in data else None
        return Rule(self._text(f"{where}, finding", data.get("finding", "")),
                    self._text(f"{where}, source", data.get("source", "")),
                    tuple(self._condition(f"{where}, when.{place}", item) for place, item in enumerate(when, start=1)),
                    evidence, bool(indicator))

    def _condition(self, where: str, data: object) -> Condition:
        if not isinstance(data, dict):
            self.wrong(where, data, "a condition, {measure = ..., below = ...}")
            return Condition("")
        self._keys(where, data, ("measure", "below", "above", "guard"))
        if "measure" not in data:
            self.wrong(f"{where}.measure", None, "a measurement's name")
        numbers = {key: self._number(f"{where}.{key}", data[key]) for key in ("below", "above", "guard") if key in data}
        return Condition(self._text(f"{where}.measure", data.get("measure", "")), numbers.get("below"),
                         numbers.get("above"), numbers.get("guard", 0.0))

    def _evidence(self, where: str, data: object) -> Evidence | None:
        names = ("defects", "escapes", "good", "false_calls")
        if not isinstance(data, dict):
            self.wrong(where, data, "{defects = ..., escapes = ..., good = ..., false_calls = ...}")
            return None
        self._keys(where, data, names)
        for name in names:
            value = data.get(name)
            if not isinstance(value, int) or isinstance(value, bool) or value < 0:
                self.wrong(f"{where}.{name}", value, "a whole number, 0 or more")
                return None
        if data["escapes"] > data["defects"] or data["false_calls"] > data["good"]:
            self.wrong(where, data, "no more escapes than defects and no more false calls than good joints")
            return None
        return Evidence(*(data[name] for name in names))

    def _number(self, where: str, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.wrong(where, value, "a finite number")
            return 0.0
        return float(value)

    def _text(self, where: str, value: object) -> str:
        if not isinstance(value, str) or len(value) > MAX_TEXT:
            self.wrong(where, value, f"a text of at most {MAX_TEXT} characters")
            return ""
        return value

    def _keys(self, where: str, data: Mapping[str, Any], known: tuple[str, ...]) -> None:
        for key in data:
            if key not in known:
                self.wrong(where, key, f"the keys {', '.join(known)}")


def sheet_text(sheet: LimitSheet) -> str:
    """Return the sheet as TOML, always the same text for the same sheet."""
    parts = [HEADER, f"family = {quoted(sheet.family)}", f"workmanship_class = {sheet.workmanship_class}"]
    if sheet.note:
        parts.append(f"note = {quoted(sheet.note)}")
    for rule in sheet.rules:
        parts += ["", "[[rule]]", f"finding = {quoted(rule.finding)}", f"source = {quoted(rule.source)}"]
        if rule.indicator:
            parts.append("indicator = true")
        parts.append("when = [" + ", ".join(_condition_text(condition) for condition in rule.when) + "]")
        if rule.evidence is not None:
            e = rule.evidence
            parts.append(f"evidence = {{defects = {e.defects}, escapes = {e.escapes}, good = {e.good}, "
                         f"false_calls = {e.false_calls}}}")
    return "\n".join(parts) + "\n"


def sheet_hash(sheet: LimitSheet) -> str:
    """Return the SHA-256 of the sheet's text, hexadecimal; a person's own comments and blanks do not change it."""
    return hashlib.sha256(sheet_text(sheet).encode()).hexdigest()


def write_limits(sheet: LimitSheet, path: Path | str) -> None:
    """Check a sheet and write it, whole or not at all; raise InputError with every problem."""
    path = Path(path)
    problems = sheet_problems(sheet, str(path))
    if problems:
        raise InputError(problems, "Nothing was written.")
    write_whole(path, sheet_text(sheet))


def write_whole(path: Path, text: str) -> None:
    """Write a text file so that a reader never meets half of it."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
                file.write(text)
            # mkstemp makes a private file; a shared one should follow the user's own settings.
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(name, 0o666 & ~mask)
            os.replace(name, path)
        except BaseException:
            os.unlink(name)
            raise
    except OSError as error:
        raise InputError([Problem(str(path), "", (error.strerror or str(error)).lower(), "a file that can be written")],
                         "Nothing was written.") from error


def _condition_text(condition: Condition) -> str:
    cells = [f"measure = {quoted(condition.measure)}"]
    cells += [f"{key} = {float(value)!r}" for key, value in (("above", condition.above), ("below", condition.below))
              if value is not None]
    cells.append(f"guard = {float(condition.guard)!r}")
    return "{" + ", ".join(cells) + "}"
