"""`meniscope line`: from records to statements - yield, drift, and what to look at first."""

from __future__ import annotations

import textwrap
import time
from dataclasses import asdict, is_dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from vision.cli._common import (
    Column,
    Output,
    database_option,
    many,
    print_json,
    print_rows,
    progress,
    refuse_unused,
    rows_options,
    say,
    table_text,
)
from vision.cli._line_log import import_lines
from vision.cli.results import check_period, moment, opened

if TYPE_CHECKING:
    from vision.line.alarm import Alarm
    from vision.line.report import Report

#: Calls and what became of them: all but the first add up to the first. Escapes are no calls.
CALL_COLUMNS = (Column("calls"), Column("real"), Column("false_calls", "false"), Column("unsure", "cannot tell"),
                Column("waiting"), Column("escapes"))
FINDING_COLUMNS = (Column("title", "finding"), *CALL_COLUMNS, Column("indicators"), Column("share", "running %", 0))
RATE_COLUMNS = (Column("not_false_per_million", "not false per million", 0), Column("not_false_low", "from", 0),
                Column("not_false_high", "to", 0), Column("above", "above the rest"),
                Column("top_finding", "most often"))
PLACE_COLUMNS = (Column("place"), Column("joints"), *CALL_COLUMNS, *RATE_COLUMNS)
JOINT_COLUMNS = (Column("joint"), *CALL_COLUMNS, *RATE_COLUMNS)
ALARM_COLUMNS = (Column("id"), Column("family"), Column("status"), Column("title", "alarm"),
                 Column("since_serial", "since board"), Column("seen_serial", "noticed at"),
                 Column("seen_at", "noticed (UTC)"), Column("answered_by", "answered by"), Column("note"),
                 Column("answered_before", "answered before"))
DRIFT_KINDS = {"nozzle": "nozzle_dewetting", "flux": "flux_jet_clogging", "preheat": "cold_after_pause",
               "boards": "poor_board_batch"}


@click.group()
def command() -> None:
    """Watch the line: yield, charts, drift alarms, and what to look at first.

    \b
    meniscope line report --since 7d --html week.html      a week on one page
    meniscope line watch --follow                          raise an alarm as soon as something drifts
    meniscope line import-log machine.csv                  what the line logged, joined to the boards
    meniscope line alarms                                  open and answered alarms
    meniscope line answer 3f2a --as fixed --by "A. Name"   the cause was removed
    meniscope line rehearse --db try.sqlite                a simulated shift that drifts, to try all this

    The database is --db, or MENISCOPE_DB in the environment, or results.sqlite in this folder.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped


@command.command(short_help="Say how the line does: yield, charts, open alarms.")
@database_option
@click.option("--family", default="", help="Only this board family.")
@click.option("--since", callback=moment, metavar="TIME",
              help="From this time on: 2026-03-31 or 2026-03-31T14:00 (this computer's own zone unless it ends in an "
                   "offset, as +00:00), or how long ago (24h, 7d).")
@click.option("--until", callback=moment, metavar="TIME", help="Before this time; forms as for --since.")
@click.option("--pot", default="", help="Only joints of this solder pot.")
@click.option("--nozzle", default="", help="Only joints of this nozzle.")
@click.option("--step", default="", help="Only joints of this step.")
@click.option("--joint", default="", help="Only this joint, REF.PIN.")
@click.option("--html", "html_path", type=click.Path(dir_okay=False, path_type=Path),
              help="Also write the report as one HTML page with plots.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def report(db: str, family: str, since: datetime | None, until: datetime | None, pot: str, nozzle: str, step: str,
           joint: str, html_path: Path | None, as_json: bool) -> None:
    """Say how the line does: yield, defects per million, what fails and where, charts, open alarms.

    Unless the period is over, the newest boards are looked at for drift as `meniscope line watch` does, but no alarm
    is written.

    Calls are what the program found; real defects are those that a person confirmed. The two are kept apart.
    """
    check_period(since, until)
    from vision.line.load import Scope, check_scope, only_family
    from vision.line.report import build_report
    from vision.line.watching import glance

    with opened(db) as engine:
        scope = Scope(only_family(engine, family) if family else "", since, until, pot, nozzle, step, joint)
        check_scope(engine, scope)
        found = build_report(engine, scope)
        if until is None or until > datetime.now(UTC):
            found = replace(found, drift=glance(engine, [seen.family for seen in found.seen]))
    if html_path is not None:
        from vision.line.page import report_page

        html_path.write_text(report_page(found), encoding="utf-8")
        say(f"page written to {html_path}")
    if as_json:
        print_json(report_json(found))
    else:
        click.echo(report_text(found))


def report_json(found: Report) -> dict[str, Any]:
    """Return a report as plain values; arrays become lists."""
    plain = _plain(found)
    assert isinstance(plain, dict)
    return plain


def _plain(value: Any) -> Any:
    """Return dataclasses as dicts and arrays as lists, all the way down."""
    if is_dataclass(value) and not isinstance(value, type):
        named = {name: _plain(item) for name, item in vars(value).items()}
        if hasattr(value, "out"):
            named["out"] = value.out.tolist()
        if hasattr(value, "state"):
            named["state"] = value.state
        return named
    if hasattr(value, "tolist"):
        return value.tolist()
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value


def report_text(found: Report) -> str:
    """Return a report as text for the terminal."""
    from vision.line.alarm_text import headline
    from vision.line.page import (
        call_words,
        confirmed_words,
        count_words,
        drift_lines,
        period,
        wait_text,
        worst_joints,
    )
    from vision.line.report import share_text

    if not found.boards:
        return f"{found.scope}: no boards in this period"
    lines = [f"{found.scope}; {period(found)}", ""]
    counted = found.opportunities > 0
    still = [alarm for alarm in found.alarms if alarm.status == "open"]
    lines += [*(f"ALARM [{alarm.id}] {headline(alarm)}" for alarm in still), *drift_lines(found)]
    pairs = [
        ("boards", f"{found.boards:,} ({found.ungraded_boards:,} not graded)"),
        ("first-pass yield", f"{share_text(found.first_pass)}   boards without a call, 95 % interval"),
        ("yield after review", f"{share_text(found.passed_after_review)}   {found.waiting_boards:,} boards still wait"),
        ("joints graded", f"{found.opportunities:,} ({found.ungraded_joints:,} not graded)"),
        ("confirmed defects", f"{found.real:,}: {found.dpmo_real:,.0f} DPMO ({found.dpmo_real_low:,.0f} to "
         f"{found.dpmo_real_high:,.0f}); {confirmed_words(found)}" if counted else "nothing to count"),
        ("calls before review", f"{found.calls:,}: {found.dpmo_calls:,.0f} calls per million; {call_words(found)}"
         if counted else "nothing to count"),
        ("false calls",
         f"{found.false_calls:,} of {found.false_share.size:,} decided: {share_text(found.false_share)}"),
        ("time to decision", wait_text(found.review_wait)), ("time to repair", wait_text(found.repair_wait))]
    lines += ["", *(f"{name:<22}{value}" for name, value in pairs)]
    if found.findings:
        rows: list[dict[str, Any]] = [asdict(row) | {"share": 100 * row.cumulative} for row in found.findings]
        lines += ["", table_text(rows, FINDING_COLUMNS)]
    places = [asdict(row) | asdict(row.counts) | {"place": f"{row.kind} {row.place}", "above": _above(row)}
              for row in found.places]
    if places:
        lines += ["", table_text(places, PLACE_COLUMNS)]
    joints = [asdict(row) | asdict(row.counts) | {"above": _above(row)} for row in worst_joints(found)]
    if joints:
        lines += ["", table_text(joints, JOINT_COLUMNS)]
    if found.findings or places:
        lines += ["", *textwrap.wrap(count_words(found), 118)]
    lines += ["", *(f"{item.title + ' (board means)':<42}{item.state}" for item in found.measure_charts)]
    lines += [f"{item.title:<42}{int(item.chart.out.sum())} of {item.chart.points.size} groups of {item.boards[0]} "
              f"boards beyond {item.chart.note}" for item in found.count_charts]
    return "\n".join(lines)


def _above(row: Any) -> str:
    return "yes" if row.calls and row.q_value <= 0.05 else ""


@command.command(short_help="Look for drifts, and say where, since when and how sure.")
@database_option
@click.option("--family", default="", help="The board family; needed where the records hold several.")
@click.option("--follow", is_flag=True, help="Go on looking after every new board, until Ctrl-C.")
@click.option("--every", type=click.FloatRange(min=0.2), default=5.0, show_default=True,
              help="Seconds between two looks for new boards.")
@click.option("--false-alarm-boards", type=click.FloatRange(min=100), default=10_000, show_default=True,
              help="Without drift an alarm comes on average no sooner than after so many boards.")
@click.option("--reference", type=click.IntRange(min=120, max=2000), default=400, show_default=True,
              help="Boards that new ones are held against.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, one object an alarm and line.")
def watch(db: str, family: str, follow: bool, every: float, false_alarm_boards: float, reference: int,
          as_json: bool) -> None:
    """Look for drifts, and say what, where, since when, how sure, which pictures, and what to look at first.

    New alarms are written into the records and told once. While an alarm is open its place raises no other.
    """
    refuse_unused(follow, "with --follow only, which looks again and again", "every")
    from vision.line.alarm_store import list_alarms
    from vision.line.alarm_text import answered_words
    from vision.line.load import count_boards, newest_inspection, only_family
    from vision.line.watch import Settings
    from vision.line.watching import answered, look

    settings = Settings(false_alarm_boards=false_alarm_boards)
    with opened(db, read_only=False) as engine:
        name = only_family(engine, family)
        seen = 0
        try:
            while True:
                newest = newest_inspection(engine, name)
                if newest != seen:
                    seen = newest
                    _tell(look(engine, name, settings, reference=reference), as_json)
                if not follow:
                    break
                time.sleep(every)
        except KeyboardInterrupt:
            say("stopped")
        still = list_alarms(engine, name, only_open=True)
        boards = count_boards(engine, name)
        waits = [item for item in answered(engine, name, settings=settings) if not item.told]
    if boards <= settings.settle:
        say(f"{name}: {many(boards, 'board')} so far; the watch begins after {settings.settle}, when it knows what is "
            "normal")
    if not as_json:
        say(f"{name}: {len(still)} open {'alarm' if len(still) == 1 else 'alarms'}"
            + (f" ({', '.join(alarm.id for alarm in still)}); `meniscope line alarms ID` shows one" if still else ""))
        for item in waits:
            say(answered_words(item))


def _tell(alarms: list[Alarm], as_json: bool) -> None:
    """Print alarms: as text, or one JSON object a line."""
    from vision.line.alarm_text import alarm_lines

    if as_json:
        import json

        for alarm in alarms:
            click.echo(json.dumps(_plain(alarm), ensure_ascii=False))
    elif alarms:
        click.echo("\n\n".join("\n".join(alarm_lines(alarm)) for alarm in alarms))


@command.command(short_help="List the alarms, or show one in full.")
@click.argument("alarm_id", metavar="[ID]", default="")
@database_option
@click.option("--family", default="", help="Only this board family.")
@click.option("--open", "only_open", is_flag=True, help="Only alarms that nobody has answered.")
@rows_options
def alarms(alarm_id: str, db: str, family: str, only_open: bool, output: Output) -> None:
    """List the alarms, or show one in full (the beginning of its ID is enough)."""
    from vision.line.alarm_store import list_alarms
    from vision.line.errors import LineError

    with opened(db) as engine:
        found = list_alarms(engine, family, only_open=only_open)
    if not alarm_id:
        all_columns = output != "table" or any(alarm.answers[1:] for alarm in found)
        columns = ALARM_COLUMNS if all_columns else ALARM_COLUMNS[:-1]
        print_rows([_alarm_row(alarm, output) for alarm in found], columns, output, empty="no alarms")
        return
    fitting = [alarm for alarm in found if alarm.id.startswith(alarm_id)]
    if len(fitting) != 1:
        raise LineError(f"alarm {alarm_id!r}: fits {len(fitting)} alarms, wanted one; leave out the ID to list them")
    if output == "json":
        print_json(_plain(fitting[0]))
    elif output == "csv":
        print_rows([_alarm_row(fitting[0], output)], ALARM_COLUMNS, output)
    else:
        _tell(fitting, as_json=False)


def _alarm_row(alarm: Alarm, output: Output) -> dict[str, Any]:
    """Return an alarm as a row; earlier answers as data for JSON, in words elsewhere."""
    from vision.line.alarm_text import answer_words

    before = alarm.answers[1:]
    row: dict[str, Any] = _plain(alarm)
    return row | {"answered_before": _plain(before) if output == "json" else
                  "; ".join(answer_words(answer) for answer in before)}


@command.command(short_help="Answer an alarm; its place is watched again.")
@click.argument("alarm_id", metavar="ID")
@database_option
@click.option("--as", "answer_word", type=click.Choice(["fixed", "normal"]), required=True,
              help="fixed: the cause was removed. normal: the new state is accepted as normal.")
@click.option("--by", required=True, help="Who answers.")
@click.option("--note", default="", help="What was found and done.")
def answer(alarm_id: str, db: str, answer_word: str, by: str, note: str) -> None:
    """Answer an alarm; the answer is kept with name and time, and the place is watched again.

    An alarm may be answered again: the newest answer counts, and all of them are shown.
    """
    from vision.line.alarm_store import answer_alarm
    from vision.line.alarm_text import answer_words, headline, status_words

    with opened(db, read_only=False) as engine:
        alarm = answer_alarm(engine, alarm_id, answer_word, by, note)
    say(f"[{alarm.id}] {headline(alarm)}: {status_words(alarm)}")
    if len(alarm.answers) > 1:
        say(f"this takes the place of the answer before, which is kept: {answer_words(alarm.answers[1])}")


@command.command("import-log", short_help="Take in what the line logged, as CSV or JSON Lines.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@database_option
@click.option("--utc-offset", default="", metavar="+HH:MM", help="Offset of times that have none.")
@click.option("--clock-ahead", type=float, default=0.0, metavar="SECONDS",
              help="How far the log's clock runs ahead of the station's; times are put back by so much.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def import_log(files: tuple[Path, ...], db: str, utc_offset: str, clock_ahead: float, as_json: bool) -> None:
    """Take in what the line logged: CSV or JSON Lines, a row a value or a row a board.

    \b
    Columns: at (ISO 8601), and where known serial, pot, nozzle, step (or ref and pin), then either quantity and
    value, or one column for each quantity: flux_drops, flux_drops_reference, flux_direction_ok, preheat_end_c,
    preheat_gradient_k_s, pot_temperature_c, nozzle_cleaned, brush_passes, solder_time_s, board_batch, and others.

    What is there already is left alone, so a log may be imported again as it grows. Clock and gaps are reported.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from vision.line.log_file import read_log
    from vision.line.log_store import import_entries

    results = []
    with opened(db, read_only=False) as engine:
        for path in files:
            done = import_entries(engine, read_log(path, utc_offset=utc_offset, clock_ahead_s=clock_ahead), str(path))
            results.append({"file": str(path), **_plain(done)})
            if not as_json:
                click.echo("\n".join(import_lines(str(path), done)))
    if as_json:
        print_json(results)


@command.command(short_help="Write a simulated shift that drifts in a known way.")
@click.option("--db", required=True, metavar="FILE", help="A new SQLite file to write into.")
@click.option("--drift", type=click.Choice(sorted(DRIFT_KINDS)), default="nozzle", show_default=True,
              help="What goes wrong after half the shift.")
@click.option("--boards", type=click.IntRange(min=60, max=2000), default=160, show_default=True,
              help="How many boards to simulate.")
@click.option("--seed", type=int, default=1, show_default=True, help="Equal seeds give equal boards.")
def rehearse(db: str, drift: str, boards: int, seed: int) -> None:
    """Write a simulated shift that drifts in a known way, with its process log, to try reports and alarms.

    The numbers come from an invented process model, not from pictures.
    """
    if Path(db).exists():
        raise click.BadParameter(f"{db} exists; name a new file, so that no real results mix with simulated ones",
                                 param_hint="--db")
    from vision.cli._rehearsal import simulated_shift

    with progress(boards, "writing boards") as bar:
        told = simulated_shift(Path(db), DRIFT_KINDS[drift], boards, seed, bar.step)
    say(f"{told}\nnext: meniscope line watch --db {db}\n      meniscope line report --db {db} --html report.html")
