"""truth.csv: what is really the matter with every joint and chip of some boards, and joining it to what was seen."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models.errors import InputError, Problem
from models.evaluate import Outcome
from models.table import LabelledTable
from models.vocabulary import CHIP_MEASURES, FINDING, JOINT_MEASURES, Part
from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection
from vision.pipeline.measure import BoardMeasurements, PartTable
from vision.setup import read_rows

_KEYS = ("serial", "view", "ref", "pin", "finding")
_NOTES = ("marginal", "land_kind")


@dataclass(frozen=True)
class TruthRow:
    """The truth about one joint or chip (empty pin). No finding means that it is good."""

    findings: tuple[str, ...]
    exact: Mapping[str, float]  # true values by measurement; only those known
    marginal: bool  # so near a criterion that both verdicts can be defended
    land_kind: str


Key = tuple[str, str, str]  # serial, ref, pin
Truth = Mapping[Key, TruthRow]


def read_truth(path: Path | str, tell: Callable[[str], None] | None = None) -> dict[Key, TruthRow]:
    """Read truth.csv (a file, or a folder that holds one); one row a finding, several rows a joint.

    A joint is marginal where all its findings are; beside a clear one marginal findings do not count. Columns that are
    no measurements of this program are told by `tell` and left out; without `tell` they are a problem.
    Raises InputError with every problem.
    """
    path = Path(path)
    if path.is_dir():
        path = path / "truth.csv"
    table = read_rows(path, _KEYS, JOINT_MEASURES + CHIP_MEASURES + _NOTES, others=tell is not None,
                      wanted="a truth.csv, or a folder that holds one")
    if tell is not None and table.unknown:
        tell(f"{path}: {', '.join(table.unknown)}: no measurements known here, so they are not compared")
    problems = list(table.problems)
    found: dict[Key, TruthRow] = {}
    for number, cells in table.rows:
        finding, serial, ref, pin = (cells.get(name, "") for name in ("finding", "serial", "ref", "pin"))
        if not serial or not ref:
            problems.append(Problem(str(path), f"row {number}", "no serial or no ref", "both"))
            continue
        part: Part = "joint" if pin else "chip"
        if finding and (finding not in FINDING or FINDING[finding].part != part):
            problems.append(Problem(str(path), f"row {number}, finding", repr(finding), f"a finding of a {part}"))
            continue
        exact = _exact(cells, str(path), number, problems)
        here = TruthRow((finding,) if finding else (), exact, cells.get("marginal", "0") not in ("0", ""),
                        cells.get("land_kind", ""))
        earlier = found.get((serial, ref, pin))
        found[serial, ref, pin] = here if earlier is None else _together(earlier, here)
    if problems:
        raise InputError(problems)
    return found


def _together(one: TruthRow, other: TruthRow) -> TruthRow:
    """Return what two rows say of one joint: marginal findings beside a clear one do not count."""
    clear = [row for row in (one, other) if row.findings and not row.marginal] or [one, other]
    findings = dict.fromkeys(finding for row in clear for finding in row.findings)
    return TruthRow(tuple(findings), {**one.exact, **other.exact}, any(row.marginal for row in clear),
                    other.land_kind or one.land_kind)


def _exact(cells: Mapping[str, str], file: str, number: int, problems: list[Problem]) -> dict[str, float]:
    """Return the true values of a row; empty cells are left out."""
    exact = {}
    for name in JOINT_MEASURES + CHIP_MEASURES:
        if name in cells:
            try:
                exact[name] = float(cells[name])
            except ValueError:
                problems.append(Problem(file, f"row {number}, {name}", repr(cells[name]), "a number or nothing"))
    return exact


def labelled(measured: Sequence[BoardMeasurements], truth: Truth, part: Part, board: str = "") -> LabelledTable:
    """Join what was measured on some boards to the truth about them, by serial, ref and pin.

    Parts that could not be measured, or of which no truth is known, are left out. Boards are named by their serial,
    or `board` where given: names must differ from those of boards of other lots.
    """
    names = JOINT_MEASURES if part == "joint" else CHIP_MEASURES
    boards: list[str] = []
    rows: list[TruthRow] = []
    titles: list[str] = []
    parts: list[tuple[PartTable, list[int]]] = []
    for one in measured:
        table = one.joints if part == "joint" else one.chips
        kept = []
        for row, (ref, pin, reason) in enumerate(zip(table.refs, table.pins, table.reasons, strict=True)):
            row_truth = truth.get((one.serial, ref, pin))
            if row_truth is None or reason:
                continue
            kept.append(row)
            rows.append(row_truth)
            boards.append(board or one.serial)
            titles.append(f"{ref}.{pin}" if pin else ref)
        parts.append((table, kept))

    def column(name: str, kind: str) -> np.ndarray:
        pieces = [getattr(table, kind).get(name, np.full(len(table.refs), np.nan))[kept] for table, kept in parts]
        return np.concatenate(pieces) if pieces else np.zeros(0)

    measured_names = [name for name in names if any(name in table.columns for table, _ in parts)]
    stated = [name for name in names if any(name in table.uncertainties for table, _ in parts)]
    known = [name for name in names if any(name in row.exact for row in rows)]
    return LabelledTable(
        part, {name: column(name, "columns") for name in measured_names}, tuple(row.findings for row in rows),
        tuple(boards), np.array([row.marginal for row in rows], dtype=bool), tuple(titles),
        tuple(row.land_kind for row in rows),
        {name: np.array([row.exact.get(name, math.nan) for row in rows]) for name in known},
        {name: column(name, "uncertainties") for name in stated})


def outcomes(inspections: Iterable[Inspection], truth: Truth, condition: str = "") -> list[Outcome]:
    """Set graded boards beside the truth about them: one outcome a joint and chip of which the truth is known.

    A board that could not be graded gives `ungraded` for each of its parts.
    """
    by_board: dict[str, list[tuple[str, str]]] = {}
    for serial, ref, pin in truth:
        by_board.setdefault(serial, []).append((ref, pin))
    found = []
    for inspection in inspections:
        graded: dict[tuple[str, str], JointInspection | ChipInspection] = {
            (joint.ref, joint.pin): joint for joint in inspection.joints}
        graded |= {(chip.ref, ""): chip for chip in inspection.chips}
        for ref, pin in by_board.get(inspection.serial, []):
            found.append(_outcome(inspection.serial, ref, pin, truth[inspection.serial, ref, pin],
                                  graded.get((ref, pin)), condition))
    return found


def _outcome(serial: str, ref: str, pin: str, known: TruthRow, seen: JointInspection | ChipInspection | None,
             condition: str) -> Outcome:
    rank = {"reject": 0, "review": 1}
    named = sorted(seen.findings if seen else (), key=lambda finding: rank.get(finding.verdict, 2))
    return Outcome(serial, f"{ref}.{pin}" if pin else ref, "joint" if pin else "chip", known.findings,
                   seen.verdict if seen else "ungraded", tuple(finding.finding for finding in named), known.marginal,
                   known.land_kind, condition, named[0].words if named else "")
