"""`meniscope results`: ask the defect database, export it, check it, keep it."""

from __future__ import annotations

import functools
import json
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from models.errors import some
from models.vocabulary import FINDING, MEASURE, VERDICTS
from vision.cli._common import (
    Column,
    Output,
    database_option,
    fail,
    limits_option,
    many,
    print_json,
    print_rows,
    refuse_unused,
    rows_options,
    say,
    verdict_word,
    worded,
)
from vision.cli._results_keep import KEEPING
from vision.cli._results_list import fitted, tell_left_out, terminal_width
from vision.cli._results_times import check_period, moment
from vision.cli._sheet import check_class, other_class_option, tell_gaps

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from vision.records.queries import Filter

R = TypeVar("R")
#: Boards that `list` shows in a table unless told otherwise.
NEWEST = 100
#: Changed joints of a board that `regrade` shows in a table.
SHOWN = 4
FORMS = {"csv": "CSV", "jsonl": "JSON Lines", "parquet": "Parquet", "ipc2591": "JSON Lines of IPC-2591 messages"}

LIST_COLUMNS = (Column("id"), Column("started_at", "graded (UTC)"), Column("serial"), Column("family"),
                Column("verdict"), Column("joints"), Column("reject"), Column("review"), Column("ungraded"),
                Column("open"), Column("findings"), Column("reason"), Column("indicators"))
TOTAL_COLUMNS = (Column("finding"), Column("findings"), Column("review"), Column("boards"), Column("indicators"),
                 Column("indicator_boards", "boards with one"))
#: Columns that a table leaves out where no row has anything in them.
SELDOM = frozenset({"reason", "indicators", "indicator_boards"})
JOINT_COLUMNS = (Column("place"), Column("verdict"), Column("coverage_deg", "coverage deg", 0),
                 Column("land_cover_pct", "land cover %", 0), Column("wetting_angle_deg", "wetting angle deg", 0),
                 Column("fillet_height_mm", "height mm", 2), Column("pot"), Column("step"), Column("findings"))


@click.group()
def command() -> None:
    """Ask the defect database: boards, joints, findings, totals.

    \b
    meniscope results list --since 1d --verdict reject     boards of the last day that were rejected
    meniscope results show B0042                           one board with every finding
    meniscope results totals --since 7d --pot P1           what goes wrong most at one pot
    meniscope results export --kind joints --out joints.csv

    The database is --db, or MENISCOPE_DB in the environment, or results.sqlite in this folder.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped


class FindingName(click.Choice[str]):
    """A finding by its name, or in the words that tables tell it in: `no_solder`, `no solder`, `non-wetting`."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the finding's name."""
        return str(super().convert(str(value).strip().lower().replace(" ", "_").replace("-", "_"), param, ctx))


def filters(function: Callable[..., R]) -> Callable[..., R]:
    """Give a command the options that choose boards; it receives `wanted`, a Filter."""

    @functools.wraps(function)
    def wrapped(*args: Any, since: datetime | None, until: datetime | None, family: str, serial: str, pot: str,
                finding: str | None, verdict: str | None, limit: int | None, superseded: bool, **kwargs: Any) -> R:
        from vision.records.queries import Filter

        check_period(since, until)
        wanted = Filter(since, until, family, serial, pot, finding or "", verdict or "", None, superseded, limit)
        return function(*args, wanted=wanted, **kwargs)

    for option in (
        click.option("--superseded", is_flag=True, help="Also gradings that a later one has replaced."),
        click.option("--limit", type=click.IntRange(min=1), help="At most so many."),
        click.option("--verdict", type=click.Choice(VERDICTS), help="Boards with this verdict."),
        click.option("--finding", type=FindingName(tuple(FINDING)), metavar="NAME",
                     help=f"With this finding, as tables tell it or by its name: {', '.join(FINDING)}."),
        click.option("--pot", default="", help="With findings at joints of this solder pot."),
        click.option("--serial", default="", help="The board with this serial."),
        click.option("--family", default="", help="Boards of this family."),
        click.option("--until", callback=moment, metavar="TIME", help="Graded before this time; forms as for --since."),
        click.option("--since", callback=moment, metavar="TIME",
                     help="Graded at or after this time: 2026-03-31 or 2026-03-31T14:00 (this computer's "
                          "own zone unless it ends in an offset, as +00:00), or how long ago: 90m, 24h, 7d."),
    ):
        wrapped = option(wrapped)
    return wrapped


@contextmanager
def opened(db: str, wanted: Filter | None = None, *, read_only: bool = True) -> Iterator[Engine]:
    """Open the database for a command and close it at its end; a filter that names what it does not hold is refused."""
    from vision.records import database
    from vision.records.queries import check_known

    with database.opened(db, read_only=read_only) as engine:
        if wanted is not None:
            check_known(engine, wanted)
        yield engine


@command.command("list", short_help="List graded boards, newest first.")
@database_option
@filters
@rows_options
def list_(db: str, wanted: Filter, output: Output) -> None:
    """List graded boards, newest first.

    In a terminal the table fits its width; --json and --csv show everything.
    """
    from vision.records.queries import list_inspections

    shortened = output == "table" and wanted.limit is None
    if shortened:
        wanted = replace(wanted, limit=NEWEST + 1)
    with opened(db, wanted) as engine:
        rows = list_inspections(engine, wanted)
    if shortened and len(rows) > NEWEST:
        del rows[NEWEST:]
        say(f"the newest {NEWEST} boards are shown; --limit N shows more, --json and --csv show all")
    columns = _telling(LIST_COLUMNS, rows, output)
    rows = worded(rows, output, "findings", "indicators")
    width = terminal_width() if output == "table" else None
    if rows and width is not None:
        rows, columns, gone = fitted(rows, columns, width)
        tell_left_out(gone)
    print_rows(rows, columns, output, empty="no graded boards with these properties")


def _telling(columns: Sequence[Column], rows: Sequence[Mapping[str, object]], output: Output) -> list[Column]:
    """Return the columns to print: all for programs, for people without the seldom ones that are empty."""
    return [column for column in columns
            if output != "table" or column.name not in SELDOM or any(row[column.name] for row in rows)]


@command.command()
@click.argument("board", metavar="SERIAL|ID")
@database_option
@click.option("--all", "everything", is_flag=True, help="All joints with measurements, not only those with findings.")
@click.option("--json", "as_json", is_flag=True, help="Print all that is recorded as JSON.")
def show(board: str, db: str, everything: bool, as_json: bool) -> None:
    """Show one board: its verdict, and why.

    Name it by serial (then its newest grading is shown), or by the id that `results list` shows.
    """
    from vision.records.queries import find_inspection, show_inspection

    with opened(db) as engine:
        row = show_inspection(engine, find_inspection(engine, board))
    if as_json:
        for result in (*row["joint_results"], *row["chip_results"]):
            result["uncertainty"] = json.loads(result["uncertainty"] or "{}")
        print_json(row)
        return
    click.echo(f"board {row['serial']} of family {row['family']} (revision {row['revision']}): "
               f"{verdict_word(row['verdict'])}")
    click.echo(f"inspection {row['id']}, graded {row['started_at']} at station {row['station']} in "
               f"{row['seconds']:.2f} s by meniscope {row['program_version']} with limit sheet {row['sheet'][:12]}")
    click.echo(f"{many(row['joints'], 'joint')}; of joints and chips {row['reject']} reject, {row['review']} review, "
               f"{row['ungraded']} ungraded; {many(row['open'], 'finding')} "
               f"{'waits' if row['open'] == 1 else 'wait'} for a person")
    if row["superseded_by"]:
        click.echo(f"a later grading counts instead: {row['superseded_by']}")
    if row["reason"]:
        click.echo(f"reason: {row['reason']}")
    for place in row["registrations"]:
        click.echo(f"view {place['view']}: found on {place['marks']} {place['method']}, off by "
                   f"{place['offset_x_mm']:+.2f}, {place['offset_y_mm']:+.2f} mm, turned by "
                   f"{place['rotation_deg']:+.2f} deg")
    for picture in row["pictures"]:
        click.echo(f"picture {picture['path']}" + ("" if picture["sha256"] else " (could not be read)"))
    if row["findings"]:
        click.echo()
        spreads = {(part["ref"], part.get("pin", "")): json.loads(part["uncertainty"] or "{}")
                   for part in (*row["joint_results"], *row["chip_results"])}
        lines = [_finding_line(item, spreads) for item in row["findings"]]
        stated = ["u"] if any(line["u"] for line in lines) else []
        print_rows(lines, ["place", "verdict", "what", *stated, "x, y mm", "pot", "step", "call", "source"])
    if everything and row["joint_results"]:
        click.echo()
        print_rows(worded([joint | {"place": f"{joint['ref']}.{joint['pin']}"} for joint in row["joint_results"]],
                          "table", "findings"), JOINT_COLUMNS)


def _finding_line(item: dict[str, Any], spreads: dict[tuple[str, str], dict[str, float]]) -> dict[str, object]:
    """Return a finding as a row; `u` is the standard uncertainty of the measurement that decided it."""
    place = f"{item['ref']}.{item['pin']}" if item["pin"] else item["ref"]
    spread = spreads.get((item["ref"], item["pin"]), {}).get(item["measure"])
    u = None if spread is None else f"{spread:.2g} {MEASURE[item['measure']].unit}".rstrip()
    return {"place": place, "verdict": item["verdict"], "what": item["words"], "u": u,
            "x, y mm": f"{item['x_mm']:.2f}, {item['y_mm']:.2f}", "pot": item["pot"] or None,
            "step": item["step"] or None, "call": item["call"] or None, "source": item["source"] or None}


@command.command(short_help="Count boards by verdict, and findings by kind.")
@database_option
@filters
@rows_options
def totals(db: str, wanted: Filter, output: Output) -> None:
    """Count boards by verdict, and findings by kind, the most frequent first.

    Process indicators are counted apart: they are recorded and change no verdict. With --limit N the N most frequent
    kinds are shown; all boards are counted.
    """
    from vision.records.totals import pareto, verdict_counts

    with opened(db, wanted) as engine:
        counts, rows = verdict_counts(engine, wanted), pareto(engine, wanted)
    if output == "json":
        print_json({"boards": {verdict: counts.get(verdict, 0) for verdict in VERDICTS}, "findings": rows})
        return
    if output == "table":
        told = ", ".join(f"{counts.get(verdict, 0)} {verdict_word(verdict)}" for verdict in VERDICTS)
        if wanted.finding or wanted.pot:
            told = (f"boards with {_narrowed_words(wanted)}, by the verdict of the whole board: {told}\n"
                    "Boards without are not counted, so that this is no yield.")
        click.echo(f"{told}\n")
    print_rows(worded(rows, output, "finding"), _telling(TOTAL_COLUMNS, rows, output), output, empty="no findings")


def _narrowed_words(wanted: Filter) -> str:
    """Return which findings a filter asks for: `blowhole at pot P2`, `findings at pot P2`."""
    return (FINDING[wanted.finding].title if wanted.finding else "findings") + (
        f" at pot {wanted.pot}" if wanted.pot else "")


@command.command()
@database_option
@filters
@click.option("--kind", type=click.Choice(("inspections", "joints", "chips", "findings")), default="inspections",
              show_default=True, help="What a row is.")
@click.option("--format", "form", type=click.Choice(("csv", "jsonl", "parquet", "ipc2591")),
              help="Default: by the file's ending, else csv. ipc2591: UnitsInspected messages, one a line.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False),
              help="File to write, .csv, .jsonl or .parquet; default: standard output.")
@click.option("--force", is_flag=True, help="Replace a file that is there already.")
def export(db: str, wanted: Filter, kind: str, form: str | None, out: Path | None, force: bool) -> None:
    """Export boards, joints, chips or findings for other programs.

    Texts in CSV that a spreadsheet would take for a formula get a quote in front. Parquet needs the extra `parquet`.
    """
    from vision.records import export as exporting
    from vision.records.ipc2591 import units_inspected

    form = form or _form_of(out)
    if form == "parquet" and out is None:
        raise click.UsageError("--format parquet needs --out FILE")
    refuse_unused(form != "ipc2591", "without --format ipc2591, which is about whole boards", "kind")
    if force and out is None:
        raise click.UsageError("--force needs --out FILE: it replaces a file that is there already")
    if out is not None and out.exists() and not force:
        fail(f"{out}: there already; name a new file with --out, or --force to replace it")
    with opened(db, wanted) as engine:
        rows, fields = exporting.export_rows(engine, kind, wanted)
        if form == "parquet" and out is not None:
            _tell_written(exporting.write_parquet(rows, fields, out), form, out)
            return
        if form == "ipc2591":
            lines: Iterator[str] = (json.dumps(message, ensure_ascii=False) + "\n"
                                    for message in units_inspected(engine, wanted, source="meniscope"))
        else:
            lines = exporting.json_lines(rows) if form == "jsonl" else exporting.csv_lines(rows, fields)
        if out is not None:
            _tell_written(exporting.write_lines(out, lines) - (form == "csv"), form, out)  # without CSV's header
        else:
            for line in lines:
                click.echo(line, nl=False)


def _tell_written(count: int, form: str, out: Path) -> None:
    """Say how much was written where, and in which form where the file's ending does not say so."""
    written = many(count, "message" if form == "ipc2591" else "row")
    say(f"{written} in {out}" + ("" if out.suffix.lower() == f".{form}" else f", {FORMS[form]}"))


def _form_of(out: Path | None) -> str:
    """Return the format that a file's ending asks for; CSV without an ending. Other endings would name it wrongly."""
    endings = {".jsonl": "jsonl", ".parquet": "parquet", ".csv": "csv", "": "csv"}
    ending = "" if out is None else out.suffix.lower()
    if ending not in endings:
        raise click.UsageError(f"--out: got a file that ends in {ending}, wanted .csv, .jsonl or .parquet, or a "
                               "--format that says what to write into it")
    return endings[ending]


@command.command()
@click.argument("statement")
@database_option
@rows_options
def sql(statement: str, db: str, output: Output) -> None:
    """Run one SQL statement that only reads.

    STATEMENT `-` takes it from standard input.

    \b
    meniscope results sql "SELECT verdict, count(*) FROM inspection GROUP BY verdict"

    `meniscope results dictionary` explains every table and column.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from vision.records.sql import run_sql

    names, rows = run_sql(db, sys.stdin.read() if statement == "-" else statement)
    print_rows(rows, names, output, empty="no rows")


@command.command()
@limits_option
@database_option
@filters
@other_class_option
@click.option("--save", is_flag=True, help="Write the new verdicts; without this nothing is changed.")
@rows_options
def regrade(limits_path: Path, db: str, wanted: Filter, other_class: bool, save: bool, output: Output) -> None:
    """Show what another limit sheet makes of recorded boards.

    The stored measurements are judged anew. No picture is needed. Only boards on which something changes are shown.
    """
    from models.limits import read_limits, sheet_hash
    from vision.records.queries import list_inspections
    from vision.records.replay import other_classes
    from vision.records.replay import regrade as replayed

    sheet = read_limits(limits_path)
    tell_gaps(str(limits_path), sheet)
    boards, changed = 0, []
    with opened(db, wanted, read_only=not save) as engine:
        others = [f"{name} of class {grade}" for name, grade in other_classes(engine, sheet, wanted)]
        if others:
            check_class(str(limits_path), sheet, f"there are boards of family {', '.join(others)}", other_class)
        for change in replayed(engine, sheet, wanted, save=save):
            boards += 1
            if change.joints or change.before != change.after:
                changed.append({
                    "inspection": change.inspection_id, "serial": change.serial, "before": change.before,
                    "after": change.after, "saved_as": change.saved_as,
                    "joints": _changes(change.joints, None if output != "table" else SHOWN)})
        others = _other_families(engine, sheet.family) if not boards else []
        ready = 0 if boards else sum(
            row["joints"] > 0 and row["sheet"] == sheet_hash(sheet) for row in list_inspections(engine, wanted))
    print_rows(changed, ["inspection", "serial", "before", "after", "joints", *(["saved_as"] if save else [])], output,
               empty="no board is judged anew" if others else "nothing changes")
    if others:
        say(f"the sheet {limits_path} is for family {sheet.family}, and boards of another family are not judged by it; "
            f"recorded are boards of {some(others)}")
    word = "changes" if len(changed) == 1 else "change"
    if ready:
        say(f"{many(ready, 'board')} {'was' if ready == 1 else 'were'} graded with this very sheet already")
    say(f"{many(boards, 'board')} judged anew, {len(changed)} {word}; {'saved' if save else 'nothing was written'}")


def _other_families(engine: Engine, family: str) -> list[str]:
    """Return the families with recorded boards where this one, which a limit sheet names, has none; else nothing."""
    from vision.records.queries import recorded_families

    known = recorded_families(engine)
    return [] if not family or family in known else known


def _changes(joints: tuple[tuple[str, str, str], ...], most: int | None) -> str:
    """Return what changes at a board's joints, in a table the first few."""
    told = [f"{place} {before} -> {after}" for place, before, after in joints]
    if most is not None and len(told) > most:
        told[most:] = [f"and {len(told) - most} more"]
    return ", ".join(told)


for _keeping in KEEPING:
    command.add_command(_keeping)

__all__ = ["check_period", "command", "moment"]
