"""The history of limit sheets: changes noted beside a sheet, and sheets that boards were graded with."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from models.errors import some


def history_path(path: Path) -> Path:
    """Return where the history of a sheet is kept: beside it, JSON lines."""
    return path.with_name(path.name + ".history")


def file_history(path: Path) -> list[dict[str, Any]]:
    """Return the changes noted beside a sheet, one row each, oldest first; InputError where the notes are broken."""
    from models.errors import InputError, Problem

    place = history_path(path)
    if not place.exists():
        if not path.exists():
            raise InputError([Problem(str(path), "", "no such file", "a limit sheet (limits.toml)")])
        return []
    rows = []
    for number, line in enumerate(place.read_text(encoding="utf-8").splitlines(), start=1):
        try:
            note = json.loads(line)
            rows.append({"at": note["at"], "sheet": note["sheet_after"], "before": note["sheet_before"],
                         "boards": None,
                         "what": note.get("what") or f"{note['finding']}: {note['before']} -> {note['after']}",
                         "why": note["why"], "text": note["text_before"]})
        except (ValueError, KeyError, TypeError) as error:
            raise InputError([Problem(str(place), f"line {number}", "something else",
                                      "a change that `limits set` or `train` wrote")]) from error
    return rows


def database_history(db: str) -> list[dict[str, Any]]:
    """Return the sheets that boards were graded with, one row each, the first used first.

    The rows are those of `file_history`, with the number of boards, and what changed against the family's sheet before.
    RecordsError where the database cannot be read.
    """
    from models.edit import differences
    from models.limits import parse_limits
    from vision.records.database import opened
    from vision.teaching.recorded import recorded_sheets

    with opened(db) as engine:
        found = recorded_sheets(engine)
    rows = []
    newest: dict[str, dict[str, Any]] = {}
    for item in found:
        before = newest.get(item["family"])
        what = "first sheet" if before is None else some([
            f"{d.finding} {d.what}" for d in differences(parse_limits(before["text"]), parse_limits(item["text"]))], 4)
        rows.append({"at": item["first"], "sheet": item["sheet"], "before": "", "boards": item["boards"],
                     "what": f"{item['family'] or 'any family'}: {what or 'no rule changed'}", "why": "",
                     "text": item["text"]})
        newest[item["family"]] = item
    return rows
