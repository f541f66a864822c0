"""What changing a limit would have done to parts that are known: tried, shown to a person, told as data."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.vocabulary import ACCEPT, REJECT, REVIEW, finding_title
from vision.cli._common import Column, many, print_rows, say, training_files

if TYPE_CHECKING:
    from models.edit import Effect, Flip
    from models.limits import LimitSheet
    from models.table import LabelledTable
    from models.vocabulary import Part

#: Parts listed one by one when a change is shown to a person; data has all of them.
SHOWN_FLIPS = 20
#: Verdicts that a sheet gives; `ungraded` is none of them.
JUDGED = (ACCEPT, REVIEW, REJECT)


@dataclass(frozen=True)
class Trial:
    """The effect of a change on one set of parts."""

    on: str  # "known truth", "recorded" or "reviewed"
    boards: int
    effect: Effect


def training_tables(places: tuple[Path, ...], part: Part) -> list[LabelledTable]:
    """Read and join the labelled tables of this kind of part."""
    from models.table import join_tables, read_table

    tables = [read_table(file, part) for place in places for file in training_files(place, f"{part}s.csv")]
    return [join_tables(tables)] if tables else []


def try_change(old: LimitSheet, new: LimitSheet, part: Part, tables: list[LabelledTable], db: str | None,
               boards: int) -> list[Trial]:
    """Try a changed sheet on labelled tables, and on the newest boards of a database and what people said of them."""
    from models.edit import effect, table_effect

    trials = [Trial("known truth", len(set(table.boards)), table_effect(old, new, table)) for table in tables]
    if db is None:
        if not tables:
            say("give --training or --db to see what the change does to joints that are known")
        return trials
    import numpy as np

    from vision.records.database import opened
    from vision.records.queries import Filter, list_inspections
    from vision.teaching.recorded import recorded, reviewed_truth

    with opened(db) as engine:
        newest = list_inspections(engine, Filter(family=new.family, limit=boards))
        since = min((datetime.fromisoformat(row["started_at"]) for row in newest), default=None)
        wanted = Filter(family=new.family, since=since)
        seen = recorded(engine, wanted, part)
        reviews = reviewed_truth(engine, wanted)
    if not len(seen.boards):
        say(f"{db}: no graded boards" + (f" of family {new.family}" if new.family else ""))
        return trials
    trials.append(Trial("recorded", len(set(seen.boards)), effect(old, new, part, seen.columns, seen.boards,
                                                                  seen.names)))
    keys = [(row["serial"], row["ref"], row.get("pin", "")) for row in seen.rows]
    known = np.array([number for number, key in enumerate(keys) if key in reviews], dtype=np.intp)
    if len(known):
        truths = [reviews[keys[number]] for number in known]
        judged = [seen.boards[number] for number in known]
        trials.append(Trial("reviewed", len(set(judged)), effect(
            old, new, part, {name: values[known] for name, values in seen.columns.items()}, judged,
            [seen.names[number] for number in known], [t.findings for t in truths], [t.marginal for t in truths])))
    return trials


def trial_data(trial: Trial) -> dict[str, Any]:
    """Return a trial as plain values for a program."""
    found = trial.effect
    return {"on": trial.on, "boards": trial.boards, "parts": found.parts,
            "before": {verdict: found.before[verdict] for verdict in JUDGED},
            "after": {verdict: found.after[verdict] for verdict in JUDGED},
            "escapes_before": found.escapes_before, "escapes_after": found.escapes_after,
            "false_calls_before": found.false_calls_before, "false_calls_after": found.false_calls_after,
            "marginal": found.marginal, "flips": [vars(flip) for flip in found.flips]}


def print_trial(trial: Trial, part: Part) -> None:
    """Print how verdicts, escapes and false calls change, and which verdicts flip."""
    found = trial.effect
    title = {"known truth": f"{many(found.parts, part)} with known truth",
             "recorded": f"{many(found.parts, f'recorded {part}')} of {many(trial.boards, 'board')}",
             "reviewed": f"{found.parts} of them that people reviewed"}[trial.on]
    rows: list[dict[str, object]] = [
        {"what": verdict, "before": found.before[verdict], "after": found.after[verdict]}
        for verdict in JUDGED]
    if found.escapes_before is not None:
        rows += [{"what": "escapes", "before": found.escapes_before, "after": found.escapes_after},
                 {"what": "false calls", "before": found.false_calls_before, "after": found.false_calls_after}]
    click.echo(f"on {title}:")
    print_rows(rows, [Column("what", ""), Column("before"), Column("after")])
    if found.escapes_before is not None and found.marginal:
        flipped = sum(flip.marginal for flip in found.flips)
        click.echo(f"{many(found.marginal, part)} {'is' if found.marginal == 1 else 'are'} marginal: both verdicts can "
                   f"be defended, and neither counts as escape or false call.\nOf these {flipped} "
                   f"{'flips' if flipped == 1 else 'flip'}.")
    if found.flips:
        _print_flips(found, part)
    else:
        click.echo("\nno verdict flips")
    click.echo("")


def _print_flips(found: Effect, part: Part) -> None:
    """Print the verdicts that flip: those that change a count first, so that none of them is left out of the list."""
    click.echo(f"\n{many(len(found.flips), 'verdict')} {'flips' if len(found.flips) == 1 else 'flip'}:")
    shown = sorted(found.flips, key=lambda flip: not flip.counts)  # stable: in order otherwise
    told = max(SHOWN_FLIPS, sum(bool(flip.counts) for flip in shown))
    several = len({_lot(flip.board) for flip in shown} - {""}) > 1
    rows = [vars(flip) | {"board": _board_words(flip.board, several), "truth": _truth_words(flip)}
            for flip in shown[:told]]
    print_rows(rows, [Column("board"), Column("name", part), Column("before"), Column("after"),
                      *([Column("truth"), Column("counts", "counts as")] if found.escapes_before is not None else []),
                      Column("why")])
    if len(shown) > told:
        counts = ", which change no count of escapes and false calls" if found.escapes_before is not None else ""
        click.echo(f"and {len(shown) - told} more{counts}; --json lists all")


def _truth_words(flip: Flip) -> str:
    """Return what is true of a part, as a person says it: `partial wetting (marginal)`."""
    words = ", ".join(finding_title(name) for name in flip.truth.split())
    return f"{words} (marginal)" if flip.marginal else words


def _lot(board: str) -> str:
    """Return the key of the lot of a board that training rendered; empty for a board with a serial."""
    key, found, number = board.rpartition(":")
    return key if found and number.isdigit() and re.fullmatch("[0-9a-f]{16,}", key) else ""


def _board_words(board: str, several: bool) -> str:
    """Return a board as a person names it: training's own by their numbers, and their lot where there are several."""
    lot = _lot(board)
    if not lot:
        return board
    return f"rendered {board.rpartition(':')[2]}" + (f" of lot {lot[:6]}" if several else "")
