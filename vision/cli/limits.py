"""`meniscope limits`: read, check, explain, change and compare limit sheets."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.errors import some
from models.vocabulary import FINDING, with_unit
from vision.cli._common import (
    Column,
    Output,
    check_files,
    database_option,
    fail,
    many,
    minute,
    print_json,
    print_rows,
    refuse_unused,
    rows_options,
    say,
    worded,
)
from vision.cli._limits_rows import conditions, criteria_rows, difference_rows, guards_text, rule_rows
from vision.cli._sheet import gaps, tell_gaps

if TYPE_CHECKING:
    from models.limits import LimitSheet

sheet_argument = click.argument("limits", type=click.Path(path_type=Path))
maybe_database_option = click.option(
    "--db", envvar="MENISCOPE_DB", metavar="FILE|URL",
    help="The defect database: an SQLite file or postgresql://USER@HOST/NAME.")


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
        print_rows(worded(rows, output, "finding"),
                   _names(("finding", "when", "guard", "indicator", "source", "conditions"), output), output)
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
    print_rows(worded(difference_rows(found), output, "finding"),
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
@database_option
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
    the one that decides, nearest to its limit, the others stand as "with it"; where one holds and another does not,
    it is "not enough alone".

    \b
    meniscope limits explain B0042 J1.3 --picture joint.png
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    refuse_unused(picture is not None, "with --picture FILE only, which is drawn with its flat-fields", "station_path")
    from models.explain import explain as explained
    from models.limits import read_limits
    from vision.cli._limits_effect import training_tables
    from vision.cli._limits_picture import write_picture
    from vision.records.database import opened
    from vision.records.load import load_inspection
    from vision.records.queries import find_inspection
    from vision.teaching.recorded import recorded_sheet

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
    tables = training_tables(training, "joint" if joint else "chip")
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
            beside = "with it" if row["rule"] in deciding else (  # beyond its limit, and yet the rule does not fire
                "not enough alone" if row["outcome"] == "clear" and (row["beyond"] or 0.0) > 0.0 else "")
            row["decides"] = row["decides"] or beside
            row["finding"] += " (indicator)" if sheet.rules[row["rule"] - 1].indicator else ""
            row["probability"] = None if row["probability"] is None else 100.0 * row["probability"]
        print_rows(worded(rows, output, "finding"), [
            Column("rule"), Column("finding"), Column("measured"), Column("limit", "fires when"), Column("distance"),
            Column("in_uncertainties", "in u", 1), Column("probability", "beyond, %", 1), Column("outcome"),
            Column("decides")])
        if all(row["uncertainty"] is None for row in rows):
            say("no uncertainty (u) is known of these measurements: `meniscope train` learns it for boards graded from "
                "then on, and --training estimates it for these")
        return
    print_rows(rows, list(rows[0]), output)


def _line(line: Any, sheet: LimitSheet) -> dict[str, Any]:
    from models.explain import distance_words

    def known(value: float) -> float | None:
        return None if math.isnan(value) else value

    measure = line.condition.measure
    return {"rule": line.rule + 1, "finding": line.finding,
            "measured": "-" if math.isnan(line.value) else with_unit(measure, line.value, 1),
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
@maybe_database_option
@click.option("--boards", type=click.IntRange(min=1), default=500, show_default=True,
              help="How many of the newest recorded boards to try.")
@click.option("--why", default="", help="The reason, for the history.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--dry-run", is_flag=True, help="Only show what would change.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON; nothing is written unless --yes is given too.")
def set_(limits: Path, rule: int, measure: str, limit: float | None, guard: float | None, training: tuple[Path, ...],
         db: str | None, boards: int, why: str, yes: bool, dry_run: bool, as_json: bool) -> None:
    """Change one limit after showing what it would have changed.

    RULE is the rule's number in `limits show`; MEASURE is needed where it has several conditions. With --training the
    change is tried on joints with known truth (escapes and false calls), with --db on recorded boards (which verdicts
    flip). Comments in the file stay, and the old sheet is kept in LIMITS.history.

    \b
    meniscope limits set limits.toml 2 --limit 280 --db results.sqlite
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    if limit is None and guard is None:
        raise click.UsageError("give --limit, --guard or both")
    refuse_unused(db is not None, "with --db only, whose newest boards are tried", "boards")
    from models.edit import with_limit, with_new_evidence
    from models.errors import InputError
    from models.limits import read_limits, sheet_problems
    from vision.cli._limits_effect import print_trial, training_tables, trial_data, try_change
    from vision.cli._limits_write import write_change

    old = read_limits(limits)
    new = with_limit(old, rule, measure, limit=limit, guard=guard)
    problems = sheet_problems(new, str(limits))
    if problems:
        raise InputError(problems, "Nothing was written.")
    part, words = old.rules[rule - 1].part, (_rule_words(old, rule), _rule_words(new, rule))
    same = new.rules[rule - 1].when == old.rules[rule - 1].when
    trials = []
    if same:
        say("nothing to change: the sheet says so already")
        new = old
    else:
        tables = training_tables(training, part)
        for table in tables:
            new = with_new_evidence(new, table)
        trials = try_change(old, new, part, tables, db, boards)
        if not as_json:
            click.echo(f"rule {rule}, {FINDING[old.rules[rule - 1].finding].title}: {words[0]}\nbecomes: {words[1]}\n")
            for trial in trials:
                print_trial(trial, part)
    asked = not (same or dry_run)
    writes = asked and (yes or (not as_json and click.confirm(f"Write the change to {limits}?", err=True)))
    if writes:
        write_change(limits, old, new, rule, words, why)
    elif asked:
        say("nothing was written" + ("; --yes writes the change" if as_json else ""))
    if as_json:
        print_json({"file": str(limits), **_change_data(old, new, rule),
                    "trials": [trial_data(trial) for trial in trials], "written": writes})


def _change_data(old: LimitSheet, new: LimitSheet, rule: int) -> dict[str, Any]:
    """Return the rule (number from 1) in both sheets: in words, and as `limits diff --json` tells conditions."""
    from models.limits import sheet_hash

    before, after = old.rules[rule - 1], new.rules[rule - 1]
    return {"rule": rule, "finding": before.finding, "part": before.part, "before": _rule_words(old, rule),
            "after": _rule_words(new, rule), "conditions_before": conditions(before),
            "conditions_after": conditions(after), "sheet_before": sheet_hash(old), "sheet_after": sheet_hash(new)}


def _rule_words(sheet: LimitSheet, rule: int) -> str:
    found = sheet.rules[rule - 1]
    return f"{found.in_words()}, guard {guards_text(found)}"


@command.command()
@click.argument("limits", type=click.Path(path_type=Path), required=False)
@maybe_database_option
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
    refuse_unused(restore is None, "without --restore, which prints a sheet as it was", "as_json", "as_csv")
    from vision.cli._limits_history import database_history, file_history

    rows = ([] if limits is None else file_history(limits)) + ([] if db is None else database_history(db))
    rows.sort(key=lambda row: str(row["at"]))
    if restore is not None:
        texts = {row["before"]: row["text"] for row in rows if row["text"]}
        texts |= {row["sheet"]: row["text"] for row in rows if row["text"] and not row["before"]}
        found = [text for digest, text in texts.items() if digest.startswith(restore)]
        if len(found) != 1:
            kept = some([digest[:12] for digest in texts]) or "none"
            fail(f"history: got {restore}, with which {many(len(found), 'kept sheet')} "
                 f"{'begins' if len(found) == 1 else 'begin'}, wanted one; kept are {kept}")
        click.echo(found[0], nl=False)
        return
    if output == "table":
        for row in rows:
            row["sheet"], row["before"], row["at"] = row["sheet"][:12], row["before"][:12], minute(row["at"])
    print_rows(worded(rows, output, "what"), [
        Column("at", "at (UTC)"), Column("sheet"), Column("before", "instead of"), Column("boards", "boards graded"),
        Column("what"), Column("why")], output, empty="no history yet")
