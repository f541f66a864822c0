"""The table of boards, made to fit a terminal."""

from __future__ import annotations

import shutil
import sys
from bisect import bisect_right
from collections.abc import Mapping, Sequence

from vision.cli._common import Column, minute, say, table_text

#: Texts that may be cut short; characters that they keep at least, that they had better keep, and keep at most.
TEXTS, SHORTEST, READABLE, LONGEST = ("findings", "reason", "indicators"), 18, 48, 400
#: What is left out first where the rest does not fit: only what tells nothing, or what `results show` tells.
SPARED = ("ungraded", "family", "joints", "indicators", "review")


def terminal_width() -> int | None:
    """Return how many characters a line of the terminal has; None where the output goes elsewhere and may be wide."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def fitted(rows: Sequence[Mapping[str, object]], columns: Sequence[Column], width: int
           ) -> tuple[list[dict[str, object]], list[Column], list[Column]]:
    """Return rows and columns of a table that is no wider than `width`, and the columns that were left out for it.

    Times are told to the minute and texts are cut short; columns go only where that is not enough, and one that tells
    boards apart (a family among several, ungraded joints) goes last of all.
    """
    made: list[dict[str, object]] = [{**row, "started_at": minute(str(row["started_at"]))} for row in rows]
    kept, gone = list(columns), []
    for name in sorted(SPARED, key=lambda name: _tells(made, name)):
        spare = name in {"ungraded", "family"} and not _tells(made, name)
        if _wide(made, kept, READABLE if spare else SHORTEST) <= width:
            continue
        gone += [column for column in kept if column.name == name]
        kept = [column for column in kept if column.name != name]
    lengths = range(SHORTEST, LONGEST + 1)
    longest = lengths[max(bisect_right(lengths, width, key=lambda length: _wide(made, kept, length)) - 1, 0)]
    return [_cut(row, longest) for row in made], kept, gone


def tell_left_out(gone: Sequence[Column]) -> None:
    """Say which columns found no room."""
    if gone:
        say(f"left out for want of width: {', '.join(column.heading for column in gone)}; --json and --csv show all")


def _tells(rows: Sequence[Mapping[str, object]], name: str) -> bool:
    """Say whether a column tells boards apart."""
    return name in {"family", "ungraded"} and len({row.get(name) for row in rows}) > 1


def _wide(rows: Sequence[dict[str, object]], columns: Sequence[Column], longest: int) -> int:
    text = table_text([_cut(row, longest) for row in rows], columns)
    return len(text.splitlines()[1])  # the line of dashes is as wide as the table


def _cut(row: dict[str, object], longest: int) -> dict[str, object]:
    """Return a row whose texts are at most so long; what is cut off is shown by `…`."""
    texts = {name: str(row[name]) for name in TEXTS if row.get(name)}
    return row | {name: text if len(text) <= longest else f"{text[:longest - 1].rstrip(', ')}…"
                  for name, text in texts.items()}
