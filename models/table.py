"""Tables of measurements with known truth: what training learns from and evaluation counts on."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError, MeniscopeError, Problem
from models.rules import Floats
from models.vocabulary import FINDING, MEASURE, Part

Bools = NDArray[np.bool_]
_FIXED = ("board", "name", "kind", "findings", "marginal", "weight")


@dataclass(frozen=True)
class LabelledTable:
    """One row a joint (or chip) of which the truth is known.

    `columns` holds measured values, NaN where a measurement does not apply. `exact` and `uncertainties` hold, for
    any of the measurements, the true value and the standard uncertainty that the pipeline states (NaN = unknown).
    `boards` must differ between any two boards, also of different families and seeds: splits go by it.
    """

    part: Part
    columns: Mapping[str, Floats]
    findings: tuple[tuple[str, ...], ...]  # a row's true findings; empty = good
    boards: tuple[str, ...]
    marginal: Bools  # truth so near a criterion that both verdicts can be defended
    names: tuple[str, ...] = ()  # REF.PIN, for reports
    kinds: tuple[str, ...] = ()  # land kind, for reports
    exact: Mapping[str, Floats] = field(default_factory=dict)
    uncertainties: Mapping[str, Floats] = field(default_factory=dict)
    weights: Floats | None = None  # None = 1 each

    def __post_init__(self) -> None:
        rows = len(self.findings)
        lengths = {f"column {name}": len(values) for name, values in self.columns.items()}
        lengths |= {f"exact {name}": len(values) for name, values in self.exact.items()}
        lengths |= {f"uncertainty {name}": len(values) for name, values in self.uncertainties.items()}
        lengths |= {"boards": len(self.boards), "marginal": len(self.marginal)}
        lengths |= {"names": len(self.names)} if self.names else {}
        lengths |= {"kinds": len(self.kinds)} if self.kinds else {}
        lengths |= {"weights": len(self.weights)} if self.weights is not None else {}
        for what, length in lengths.items():
            if length != rows:
                raise MeniscopeError(f"labelled table: {what} has {length} rows, findings have {rows}")
        unknown = {word for row in self.findings for word in row if word not in FINDING}
        unknown |= {name for name in self.columns if name not in MEASURE}
        if unknown:
            raise MeniscopeError(f"labelled table: unknown {', '.join(sorted(unknown))}; "
                                 "wanted findings and measurements of the vocabulary")

    def __len__(self) -> int:
        return len(self.findings)

    @property
    def good(self) -> Bools:
        """Rows without any finding, marginal ones left out."""
        return np.array([not row for row in self.findings], dtype=bool) & ~self.marginal

    def has(self, finding: str) -> Bools:
        """Return which rows truly have a finding, marginal ones left out."""
        return np.array([finding in row for row in self.findings], dtype=bool) & ~self.marginal

    def weight(self) -> Floats:
        """Return the weight of each row."""
        return np.ones(len(self)) if self.weights is None else self.weights

    def take(self, rows: NDArray[np.intp] | Bools) -> LabelledTable:
        """Return the chosen rows, by mask or by index."""
        index = np.flatnonzero(rows) if rows.dtype == bool else rows
        return replace(
            self, columns={name: values[index] for name, values in self.columns.items()},
            findings=tuple(self.findings[i] for i in index), boards=tuple(self.boards[i] for i in index),
            marginal=self.marginal[index], names=tuple(self.names[i] for i in index) if self.names else (),
            kinds=tuple(self.kinds[i] for i in index) if self.kinds else (),
            exact={name: values[index] for name, values in self.exact.items()},
            uncertainties={name: values[index] for name, values in self.uncertainties.items()},
            weights=None if self.weights is None else self.weights[index])


def join_tables(tables: Sequence[LabelledTable]) -> LabelledTable:
    """Return several tables of the same part as one; columns that one of them lacks become NaN there."""
    if not tables:
        raise MeniscopeError("labelled table: nothing to join")
    if len({table.part for table in tables}) > 1:
        raise MeniscopeError("labelled table: joints and chips cannot be joined in one table")

    def joined(parts: Sequence[Mapping[str, Floats]]) -> dict[str, Floats]:
        names = dict.fromkeys(name for part in parts for name in part)
        return {name: np.concatenate([part.get(name, np.full(len(table), np.nan))
                                      for part, table in zip(parts, tables, strict=True)]) for name in names}

    filled = [table for table in tables if len(table)]  # one without rows has neither names nor kinds to lose
    named, sorted_by_kind = all(t.names for t in filled), all(t.kinds for t in filled)
    return LabelledTable(
        tables[0].part, joined([t.columns for t in tables]), tuple(row for t in tables for row in t.findings),
        tuple(board for t in tables for board in t.boards), np.concatenate([t.marginal for t in tables]),
        tuple(name for t in tables for name in t.names) if named else (),
        tuple(kind for t in tables for kind in t.kinds) if sorted_by_kind else (),
        joined([t.exact for t in tables]), joined([t.uncertainties for t in tables]),
        np.concatenate([t.weight() for t in tables]))


def board_folds(boards: Sequence[str], folds: int) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Return (training rows, test rows) for each fold; all rows of a board are on the same side.

    Joints of one board share flux, heat and picture, so that a split by joint would show rates too good to be true.
    """
    from sklearn.model_selection import GroupKFold

    different = len(set(boards))
    if folds < 2 or different < 2:
        raise MeniscopeError(f"cross-validation: got {different} boards and {folds} folds, wanted at least 2 of each")
    splitter = GroupKFold(n_splits=min(folds, different))
    return [(np.asarray(train), np.asarray(test))
            for train, test in splitter.split(np.zeros((len(boards), 1)), groups=np.asarray(boards))]


def write_table(table: LabelledTable, path: Path | str) -> None:
    """Write a labelled table as CSV: fixed columns, measurements, then `exact.NAME` and `u.NAME`."""
    from models.limits import write_whole

    header = [*_FIXED, *table.columns, *(f"exact.{name}" for name in table.exact),
              *(f"u.{name}" for name in table.uncertainties)]
    arrays = [*table.columns.values(), *table.exact.values(), *table.uncertainties.values()]
    weights = table.weight()
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(header)
    for row in range(len(table)):
        writer.writerow([
            table.boards[row], table.names[row] if table.names else "", table.kinds[row] if table.kinds else "",
            " ".join(table.findings[row]), int(table.marginal[row]), f"{weights[row]:g}",
            *("" if np.isnan(values[row]) else f"{values[row]:.6g}" for values in arrays)])
    write_whole(Path(path), buffer.getvalue())


def read_table(path: Path | str, part: Part) -> LabelledTable:
    """Read a labelled table that write_table wrote; raise InputError with every problem."""
    path = Path(path)
    try:
        lines = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline="")))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise InputError([Problem(str(path), "", reason.lower(), "a readable CSV table")]) from error
    header = lines[0] if lines else []
    problems = [Problem(str(path), "header", f"no column {name}", f"columns {', '.join(_FIXED)}")
                for name in _FIXED if name not in header]
    for name in header:
        if name not in _FIXED and name.removeprefix("exact.").removeprefix("u.") not in MEASURE:
            problems.append(Problem(str(path), "header", f"unknown column {name!r}", "measurements of the vocabulary"))
    problems += [Problem(str(path), f"row {number}", f"{len(line)} cells", f"{len(header)} cells")
                 for number, line in enumerate(lines[1:], start=2) if len(line) != len(header)]
    if problems:
        raise InputError(problems)
    cells = {name: [line[place] for line in lines[1:]] for place, name in enumerate(header)}
    numbers = {name: _numbers(values, name, str(path), problems) for name, values in cells.items()
               if name not in _FIXED[:4]}
    for number, words in enumerate(cells["findings"], start=2):
        problems += [Problem(str(path), f"row {number}, findings", repr(word), "findings of the vocabulary")
                     for word in words.split() if word not in FINDING]
    if problems:
        raise InputError(problems)
    kinds, names = tuple(cells["kind"]), tuple(cells["name"])
    return LabelledTable(
        part, {name: values for name, values in numbers.items() if name in MEASURE},
        tuple(tuple(words.split()) for words in cells["findings"]), tuple(cells["board"]), numbers["marginal"] > 0,
        names if any(names) else (), kinds if any(kinds) else (),
        {name[6:]: values for name, values in numbers.items() if name.startswith("exact.")},
        {name[2:]: values for name, values in numbers.items() if name.startswith("u.")}, numbers["weight"])


def _numbers(cells: Sequence[str], name: str, file: str, problems: list[Problem]) -> Floats:
    values = np.full(len(cells), np.nan)
    for row, cell in enumerate(cells):
        try:
            values[row] = float(cell) if cell else np.nan
        except ValueError:
            problems.append(Problem(file, f"row {row + 2}, {name}", repr(cell), "a number or nothing"))
    return values
