"""Reading joints and chips that `meniscope results export` wrote, where the database itself is not at hand."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from models.errors import InputError, Problem
from models.vocabulary import CHIP_MEASURES, FINDING, JOINT_MEASURES, VERDICTS
from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection

NEEDED = ("serial", "ref", "verdict", "findings")
Key = tuple[str, str, str]  # serial, ref, pin


def read_exported(paths: Sequence[Path]) -> tuple[list[Inspection], dict[Key, tuple[str, ...]]]:
    """Return the boards of exported tables of joints and chips, and the findings named at each part.

    Files are CSV, JSON lines or a JSON list, as `results export --kind joints` and `--kind chips` write them. Of a
    board that was graded several times the rows of the newest grading are kept. The inspections hold verdicts and
    measurements; a finding's limits are not exported, so they hold no findings. Raises InputError with every problem.
    """
    problems: list[Problem] = []
    rows: list[tuple[str, dict[str, Any]]] = []
    for path in paths:
        for where, row in _rows(path):
            problems += _problems(str(path), where, row)
            rows.append((f"{path}, {where}", row))
    if problems:
        raise InputError(problems, "Export with `meniscope results export --kind joints --out FILE`.")
    newest: dict[str, str] = {}
    for _, row in rows:
        newest[row["serial"]] = max(newest.get(row["serial"], ""), str(row.get("started_at") or ""))
    joints: dict[str, dict[Key, JointInspection]] = {}
    chips: dict[str, dict[Key, ChipInspection]] = {}
    named: dict[Key, tuple[str, ...]] = {}
    for _, row in rows:
        serial, ref, pin = row["serial"], row["ref"], str(row.get("pin") or "")
        if str(row.get("started_at") or "") != newest[serial]:
            continue
        key = (serial, ref, pin)
        named[key] = _names(row)
        place = (str(row.get("view") or ""), row["verdict"], _number(row.get("x_mm")), _number(row.get("y_mm")))
        reason = str(row.get("reason") or "")
        if pin:
            joints.setdefault(serial, {})[key] = JointInspection(
                ref, pin, *place, _measured(row, JOINT_MEASURES), reason=reason)
        else:
            chips.setdefault(serial, {})[key] = ChipInspection(
                ref, *place, _measured(row, CHIP_MEASURES), reason=reason)
    return [_inspection(serial, tuple(joints.get(serial, {}).values()), tuple(chips.get(serial, {}).values()))
            for serial in newest], named


def _inspection(serial: str, joints: tuple[JointInspection, ...], chips: tuple[ChipInspection, ...]) -> Inspection:
    verdicts = [joint.verdict for joint in joints] + [chip.verdict for chip in chips]
    verdict = max(verdicts, key=VERDICTS.index)
    return Inspection(serial, "", "", verdict, "", 0.0, (), "", "", joints=joints, chips=chips)


def _rows(path: Path) -> Iterable[tuple[str, dict[str, Any]]]:
    """Yield (place, row) of one file."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "text that is not UTF-8"
        raise InputError([Problem(str(path), "", reason.lower(), "a readable table")]) from error
    if path.suffix.lower() == ".csv":
        for number, cells in enumerate(csv.DictReader(io.StringIO(text, newline="")), start=2):
            yield f"row {number}", dict(cells)
        return
    try:
        if path.suffix.lower() == ".json":
            found = json.loads(text)
            items = list(enumerate(found if isinstance(found, list) else [found], start=1))
        else:
            items = [(number, json.loads(line)) for number, line in enumerate(text.splitlines(), start=1) if line]
    except ValueError as error:
        raise InputError([Problem(str(path), "", f"broken JSON ({error})", "JSON lines, a JSON list, or a .csv file")]
                         ) from error
    for number, item in items:
        yield f"row {number}", item if isinstance(item, dict) else {}


def _problems(file: str, where: str, row: Mapping[str, Any]) -> list[Problem]:
    missing = [name for name in NEEDED if name not in row]
    if missing:
        return [Problem(file, where, f"no {', '.join(missing)}", f"a joint or chip with {', '.join(NEEDED)}")]
    found = [Problem(file, f"{where}, findings", repr(name), "findings of the vocabulary")
             for name in _names(row) if name not in FINDING]
    if row["verdict"] not in VERDICTS:
        found.append(Problem(file, f"{where}, verdict", repr(row["verdict"]), f"one of {', '.join(VERDICTS)}"))
    if not row["serial"] or not row["ref"]:
        found.append(Problem(file, where, "no serial or no ref", "both"))
    return found


def _names(row: Mapping[str, Any]) -> tuple[str, ...]:
    said = row["findings"]
    names = said if isinstance(said, list) else str(said or "").replace(",", " ").split()
    return tuple(dict.fromkeys(str(name) for name in names))


def _measured(row: Mapping[str, Any], names: Sequence[str]) -> dict[str, float]:
    return {name: _number(row.get(name)) for name in names}


def _number(value: object) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    try:
        return float(str(value)) if value not in (None, "") else math.nan
    except ValueError:
        return math.nan
