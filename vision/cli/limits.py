"""`meniscope limits`: read, check, explain, change and compare limit sheets."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.errors import some
from models.vocabulary import FINDING, with_unit
from vision.cli._common import (
    Column,
    Output,
    check_files,
    fail,
    many,
    print_json,
    print_rows,
    rows_options,
    say,
    training_files,
)
from vision.cli._limits_rows import criteria_rows, difference_rows, guards_text, rule_rows
from vision.cli._sheet import gaps, tell_gaps

if TYPE_CHECKING:
    from models.edit import Effect
    from models.limits import LimitSheet
    from models.table import LabelledTable

sheet_argument = click.argument("limits", type=click.Path(path_type=Path))
database_option = click.option(
    "--db", envvar="MENISCOPE_DB", metavar="FILE|URL",
    help="The defect database: an SQLite file or postgresql://USER@HOST/NAME.")
#: Joints listed one by one when a change is shown.
SHOWN_FLIPS = 20


@click.group()
def command() -> None:
    """Look at a limit sheet, check it, change it, compare two.

    The limit sheet (limits.toml) is the whole model: rules that turn measurements into findings. Every rule can be
    read and changed here or in an editor.
    """


@command.command()
@sheet_argument
@rows_options
def show(limits: Path, output: Output) -> None:
    """Print a limit sheet as a table to read aloud.

    A joint gets a finding when all conditions of one of its rules hold. "Guard" is the band on the good side of the
    limit where a person decides. "Defects" and "good" say how many joints the rule was tried on, "escaped" and
    "false calls" how many of them went wrong.
    """
    from models.limits import read_limits, sheet_hash

    sheet = read_limits(limits)
    tell_gaps(str(limits), sheet)
    rows = rule_rows(sheet)
    if output != "table":
        print_rows(rows, _names(rows[0], output), output)
        return
    click.echo(f"limit sheet for {sheet.family or 'any family'}, workmanship class {sheet.workmanship_class}, "
               f"{sheet_hash(sheet)[:12]}" + (f"\n{sheet.note}" if sheet.note else "") + "\n")
    print_rows([row | {"finding": FINDING[row["finding"]].title + (" (indicator)" if row["indicator"] else "")}
                for row in rows],
               [Column("rule"), Column("finding"), Column("when"), Column("guard"), Column("defects"),
                Column("escapes", "escaped"), Column("good"), Column("false_calls", "false calls"), Column("source")])


@command.command()
@sheet_argument
@click.option("--json", "as_json", is_flag=True, help="Print the problems as JSON.")
def check(limits: Path, as_json: bool) -> None:
    """Check a limit sheet and report every problem at once.

    Found are unknown findings and measurements, limits that no value can reach, rules that contradict each other and
    rules that never decide because another answers first. Told as a caution are defects of the sheet's class that no
    rule looks for, and rules that name a class and ask for less than it does. Exit code 0: good; 1: problems.
    """
    from models.limits import read_limits
    from models.sheet_check import laxer_rules

    check_files(lambda: read_limits(limits), str(limits), as_json,
                lambda sheet: gaps(str(limits), sheet) + laxer_rules(sheet, str(limits)))


@command.command(short_help="Print the criteria of each workmanship class with sources.")
@click.option("--class", "grade", type=click.Choice(["1", "2", "3"]), help="Only this workmanship class, as rules.")
@click.option("--house-rules", type=click.Path(path_type=Path), metavar="FILE",
              help="A local file with [[criterion]] tables that override the built-in ones.")
@rows_options
def criteria(grade: str | None, house_rules: Path | None, output: Output) -> None:
    """Print the workmanship criteria of class 1, 2 and 3 with their sources.

    Numbers only; the current revision of the standard governs. "From memory" and "project default" are starting
    values: change them in your limit sheet.
    """
    from models.criteria import CRITERIA, GOVERNS, workmanship_rules
    from models.house_rules import read_house_rules
    from models.limits import LimitSheet

    known = CRITERIA if house_rules is None else read_house_rules(house_rules)
    if grade is None:
        table = criteria_rows(known)
        print_rows(table, _names(table[0], output), output)
    else:
        rows = rule_rows(LimitSheet(workmanship_rules(int(grade), criteria=known)))
        print_rows(rows, _names(("finding", "when", "guard", "indicator", "source", "conditions"), output), output)
    say(f"\n{GOVERNS}")


@command.command()
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@rows_options
def diff(old: Path, new: Path, output: Output) -> None:
    """Compare two limit sheets rule by rule.

    Order, comments and evidence do not count. Exit code 0: they judge alike; 3: they differ.
    """
    from models.edit import differences
    from models.limits import read_limits

    found = differences(read_limits(old), read_limits(new))
    print_rows(difference_rows(found),
               _names(("what", "finding", "before", "after", "conditions_before", "conditions_after"), output), output,
               empty="no difference: both sheets judge alike")
    if found:
        raise click.exceptions.Exit(3)


def _names(names: Iterable[str], output: Output) -> list[str]:
    """Return the columns of an output: only JSON has room for conditions as data."""
    return [name for name in names if output == "json" or not name.startswith("conditions")]


@command.command(short_help="Explain the verdict of one joint or chip, rule by rule.")
@click.argument("board", metavar="SERIAL")
@click.argument("place", metavar="REF.PIN")
@click.option("--db", default="results.sqlite", show_default=True, envvar="MENISCOPE_DB", metavar="FILE|URL",
              help="The defect database: an SQLite file or postgresql://USER@HOST/NAME.")
@click.option("--limits", type=click.Path(path_type=Path), help="Explain under this sheet, not the one graded with.")
@click.option("--training", type=click.Path(path_type=Path), multiple=True, metavar="DIR|FILE",
              help="Measured joints with known truth, for the uncertainty of measurements that state none.")
@click.option("--picture", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Also draw the joint with all that was seen and measured into this PNG file.")
@click.option("--station", "station_path", type=click.Path(path_type=Path), metavar="FILE",
              help="The station with its flat-fields, for --picture.")
@rows_options
def explain(board: str, place: str, db: str, limits: Path | None, training: tuple[Path, ...], picture: Path | None,
            station_path: Path | None, output: Output) -> None:
    """Explain the verdict of one joint (REF.PIN) or chip (REF): every rule, measured value, limit and distance.

    The distance is given in the measurement's unit and in standard uncertainties (u), with the probability that the
    true value lies beyond the limit (JCGM 106). A rule with several conditions fires only when all of them hold: beside
    the one that decides, nearest to its limit, the others stand as "with it".

    \b
    meniscope limits explain B0042 J1.3 --picture joint.png
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from models.explain import explain as explained
    from models.limits import read_limits
    from vision.cli._limits_picture import write_picture
    from vision.records.load import load_inspection
    from vision.records.queries import find_inspection
    from vision.teaching.recorded import opened, recorded_sheet

    with opened(db) as engine:
        key = find_inspection(engine, board)
        inspection = load_inspection(engine, key)
        sheet = recorded_sheet(engine, inspection.sheet_hash) if limits is None else read_limits(limits)
    joint = next((j for j in inspection.joints if j.name == place), None)
    chip = next((c for c in inspection.chips if c.ref == place), None)
    part = joint or chip
    if part is None:
        names = [j.name for j in inspection.joints] + [c.name for c in inspection.chips]
        fail(f"board {board}: got {place}, wanted one of its joints or chips: {some(names)}" if names else
             f"board {board}: it was not graded ({inspection.reason})")
    if part.reason:
        fail(f"board {board}, {place}: it was not graded ({part.reason})")
    if picture is not None:
        with opened(db) as engine:
            write_picture(engine, key, inspection, part, sheet, picture, station_path)
    tables = _training_tables(training, "joint" if joint else "chip")
    found = explained(sheet, "joint" if joint else "chip", part.measurements, part.uncertainties,
                      tables[0] if tables else None)
    rows = [_line(line, sheet) for line in found.lines]
    if output == "json":
        print_json({"serial": inspection.serial, "place": place, "verdict": found.verdict,
                    "recorded": part.verdict, "rules": rows})
        return
    if output == "table":
        click.echo(f"{inspection.serial} {place}: {found.verdict}" + (
            f" (recorded: {part.verdict})" if part.verdict != found.verdict else "") + "\n")
        deciding = {row["rule"] for row in rows if row["decides"]}
        for row in rows:
            row["decides"] = row["decides"] or ("with it" if row["rule"] in deciding else "")
            row["probability"] = None if row["probability"] is None else 100.0 * row["probability"]
        print_rows(rows, [Column("rule"), Column("finding"), Column("measured"), Column("limit", "fires when"),
                          Column("distance"), Column("in_uncertainties", "in u", 1),
                          Column("probability", "beyond, %", 1), Column("outcome"), Column("decides")])
        return
    print_rows(rows, list(rows[0]), output)


def _line(line: Any, sheet: LimitSheet) -> dict[str, Any]:
    from models.explain import distance_words

    def known(value: float) -> float | None:
        return None if math.isnan(value) else value

    measure = line.condition.measure
    return {"rule": line.rule + 1, "finding": line.finding,
            "measured": "-" if math.isnan(line.value) else with_unit(measure, line.value),
            "limit": line.condition.in_words(), "guard": line.condition.guard, "value": known(line.value),
            "beyond": known(line.beyond), "distance": distance_words(line), "uncertainty": known(line.uncertainty),
            "in_uncertainties": known(line.in_uncertainties), "probability": known(line.probability),
            "outcome": line.outcome, "decides": "decides" if line.decides else "",
            "source": sheet.rules[line.rule].source}


@command.command("set")
@sheet_argument
@click.argument("rule", type=click.IntRange(min=1))
@click.argument("measure", required=False, default="")
@click.option("--limit", "limit", type=float, help="The new limit, in the measurement's unit.")
@click.option("--guard", type=click.FloatRange(min=0.0), help="The new guard band.")
@click.option("--training", type=click.Path(path_type=Path), multiple=True, metavar="DIR|FILE",
              help="Measured joints with known truth: the folder of `train --cache`, or a lot in it. May be repeated.")
@database_option
@click.option("--boards", type=click.IntRange(min=1), default=500, show_default=True,
              help="How many of the newest recorded boards to try.")
@click.option("--why", default="", help="The reason, for the history.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--dry-run", is_flag=True, help="Only show what would change.")
def set_(limits: Path, rule: int, measure: str, limit: float | None, guard: float | None, training: tuple[Path, ...],
         db: str | None, boards: int, why: str, yes: bool, dry_run: bool) -> None:
    """Change one limit after showing what it would have changed.

    RULE is the rule's number in `limits show`; MEASURE is needed where it has several conditions. With --training the
    change is tried on joints with known truth (escapes and false calls), with --db on recorded boards (which verdicts
    flip). Comments in the file stay, and the old sheet is kept in LIMITS.history.

    \b
    meniscope limits set limits.toml 2 --limit 280 --db results.sqlite
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    if limit is None and guard is None:
        raise click.UsageError("give --limit, --guard or both")
    from models.edit import with_limit, with_new_evidence
    from models.errors import InputError
    from models.limits import read_limits, sheet_problems
    from vision.cli._limits_write import write_change

    old = read_limits(limits)
    new = with_limit(old, rule, measure, limit=limit, guard=guard)
    problems = sheet_problems(new, str(limits))
    if problems:
        raise InputError(problems, "Nothing was written.")
    if new.rules[rule - 1].when == old.rules[rule - 1].when:
        say("nothing to change: the sheet says so already")
        return
    click.echo(f"rule {rule}, {FINDING[old.rules[rule - 1].finding].title}: {_rule_words(old, rule)}\n"
               f"becomes: {_rule_words(new, rule)}\n")
    part = old.rules[rule - 1].part
    tables = _training_tables(training, part)
    for table in tables:
        new = with_new_evidence(new, table)
    _show_effects(old, new, tables, db, boards)
    if dry_run:
        return
    if not yes and not click.confirm(f"Write the change to {limits}?", err=True):
        say("nothing was written")
        return
    write_change(limits, old, new, rule, (_rule_words(old, rule), _rule_words(new, rule)), why)


def _rule_words(sheet: LimitSheet, rule: int) -> str:
    found = sheet.rules[rule - 1]
    return f"{found.in_words()}, guard {guards_text(found)}"


def _training_tables(places: tuple[Path, ...], part: str) -> list[LabelledTable]:
    """Read and join the labelled tables of this kind of part."""
    from models.table import join_tables, read_table

    name = "joints.csv" if part == "joint" else "chips.csv"
    tables = [read_table(file, "joint" if part == "joint" else "chip")
              for place in places for file in training_files(place, name)]
    return [join_tables(tables)] if tables else []


def _show_effects(old: LimitSheet, new: LimitSheet, tables: list[LabelledTable], db: str | None, boards: int) -> None:
    from models.edit import effect, table_effect

    if not tables and db is None:
        say("give --training or --db to see what the change does to joints that are known")
    for table in tables:
        _print_effect(f"on {many(len(table), 'joint')} with known truth", table_effect(old, new, table))
    if db is None:
        return
    from vision.records.queries import Filter, list_inspections
    from vision.teaching.recorded import opened, recorded, reviewed_truth

    changed = next(rule for rule, other in zip(new.rules, old.rules, strict=True) if rule.when != other.when)
    with opened(db) as engine:
        newest = list_inspections(engine, Filter(family=new.family, limit=boards))
        since = min((datetime.fromisoformat(row["started_at"]) for row in newest), default=None)
        wanted = Filter(family=new.family, since=since)
        seen = recorded(engine, wanted, changed.part)
        reviews = reviewed_truth(engine, wanted)
    if not len(seen.boards):
        say(f"{db}: no graded boards" + (f" of family {new.family}" if new.family else ""))
        return
    _print_effect(f"on {many(len(seen.boards), 'recorded joint')} of {many(len(set(seen.boards)), 'board')}",
                  effect(old, new, changed.part, seen.columns, seen.boards, seen.names))
    import numpy as np

    keys = [(row["serial"], row["ref"], row.get("pin", "")) for row in seen.rows]
    known = np.array([number for number, key in enumerate(keys) if key in reviews], dtype=np.intp)
    if len(known):
        truths = [reviews[keys[number]] for number in known]
        _print_effect(f"on {len(known)} of them that people reviewed", effect(
            old, new, changed.part, {name: values[known] for name, values in seen.columns.items()},
            [seen.boards[n] for n in known], [seen.names[n] for n in known],
            [t.findings for t in truths], [t.marginal for t in truths]))


def _print_effect(title: str, found: Effect) -> None:
    rows: list[dict[str, object]] = [
        {"what": verdict, "before": found.before[verdict], "after": found.after[verdict]}
        for verdict in ("accept", "review", "reject")]
    if found.escapes_before is not None:
        rows += [{"what": "escapes", "before": found.escapes_before, "after": found.escapes_after},
                 {"what": "false calls", "before": found.false_calls_before, "after": found.false_calls_after}]
    click.echo(f"{title}:")
    print_rows(rows, [Column("what", ""), Column("before"), Column("after")])
    if found.flips:
        click.echo(f"\n{many(len(found.flips), 'verdict')} {'flips' if len(found.flips) == 1 else 'flip'}:")
        columns = [Column("board"), Column("name", "joint"), Column("before"), Column("after"), Column("truth"),
                   Column("why")]
        print_rows([vars(flip) for flip in found.flips[:SHOWN_FLIPS]],
                   [c for c in columns if c.name != "truth" or found.escapes_before is not None])
        if len(found.flips) > SHOWN_FLIPS:
            click.echo(f"and {len(found.flips) - SHOWN_FLIPS} more")
    else:
        click.echo("\nno verdict flips")
    click.echo("")


@command.command()
@click.argument("limits", type=click.Path(path_type=Path), required=False)
@database_option
@click.option("--restore", "restore", metavar="HASH",
              help="Print the sheet with this hash as it was, to write it to a file.")
@rows_options
def history(limits: Path | None, db: str | None, restore: str | None, output: Output) -> None:
    """Print the history of a limit sheet.

    With LIMITS: the changes made by `limits set`, and the sheets that `train` or `demo` replaced. With --db: every
    sheet that boards were graded with, and what changed from one to the next.
    """
    if limits is None and db is None:
        raise click.UsageError("give a limit sheet, or --db for the sheets that boards were graded with")
    from vision.cli._limits_history import database_history, file_history

    rows = ([] if limits is None else file_history(limits)) + ([] if db is None else database_history(db))
    rows.sort(key=lambda row: str(row["at"]))
    if restore is not None:
        texts = {row["before"]: row["text"] for row in rows if row["text"]}
        texts |= {row["sheet"]: row["text"] for row in rows if row["text"] and not row["before"]}
        found = [text for digest, text in texts.items() if digest.startswith(restore)]
        if len(found) != 1:
            fail(f"history: {len(found)} sheets begin with {restore}, wanted one")
        click.echo(found[0], nl=False)
        return
    if output == "table":
        for row in rows:
            row["sheet"], row["before"] = row["sheet"][:12], row["before"][:12]
    print_rows(rows, [Column("at"), Column("sheet"), Column("before", "instead of"), Column("boards", "boards graded"),
                      Column("what"), Column("why")], output, empty="no history yet")
