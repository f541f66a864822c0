"""`meniscope rework`: the repair sheet of one board, for the screen, for paper and for a positioning aid."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from vision.cli._common import Column, database_option, fail, many, print_json, refuse_unused, say, table_text

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from vision.review.stops import Sheet
    from vision.setup import Family
    from vision.setup.family import Side

STOP_COLUMNS = (Column("number", "stop"), Column("place"), Column("wrong"), Column("x_mm", "x mm", 2),
                Column("y_mm", "y mm", 2), Column("usually"), Column("repairs", "repairs before"), Column("caution"))


@click.command()
@click.argument("serial")
@database_option
@click.option("--inspection", type=click.IntRange(min=1), help="This inspection instead of the board's newest.")
@click.option("--side", type=click.Choice(("bottom", "top")),
              help="The side you look at; else the one with the solder.")
@click.option("--turn", type=click.Choice(("0", "90", "180", "270")), default="0", show_default=True,
              help="How the board lies before you on the map of --html, degrees counter-clockwise.")
@click.option("--repair-limit", default=2, show_default=True, type=click.IntRange(min=1),
              help="Repairs of one joint after which the sheet warns.")
@click.option("--html", "html_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write the sheet as one HTML file with map and pictures, fit for printing (or for a PDF).")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a positioning aid.")
@click.option("--mended", "mended", metavar="PLACE",
              help="Record that this place was mended, named as on the sheet: J1.3, or 'J1.3 and J1.4' for a bridge.")
@click.option("--by", "who", metavar="NAME", help="Who mended it.")
@click.option("--action", metavar="TEXT", help="What was done; else what is usually done.")
@click.option("--note", default="", metavar="TEXT", help="A note for the record.")
def command(serial: str, db: str, inspection: int | None, side: str | None, turn: str, repair_limit: int,
            html_path: Path | None, as_json: bool, mended: str | None, who: str | None, action: str | None,
            note: str) -> None:
    """Show what to mend on a board, in the order of a short way for the iron.

    SERIAL is the board's serial number. On the sheet stand real defects, rejects that nobody has decided on yet, and
    what a person could not tell, marked as such. After mending, grade the board again: it closes only when it passes.

    \b
    meniscope rework B0042                              the list
    meniscope rework B0042 --html sheet.html            to print
    meniscope rework B0042 --json                       for a positioning aid
    meniscope rework B0042 --mended J1.3 --by anna      record a repair
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    _check_options(mended is not None, html_path is not None)
    from vision.records.database import opened
    from vision.review.boards import Families, load_board, newest_inspection
    from vision.review.repair import repair_sheet

    with opened(db, read_only=mended is None) as engine:
        key = newest_inspection(engine, serial) if inspection is None else inspection
        board, _ = load_board(engine, key)
        if board.serial != serial:
            fail(f"inspection {key}: it is of board {board.serial}, not {serial}")
        family = Families(engine)(board.family_id)
        sheet = repair_sheet(engine, key, family, side=cast("Side | None", side), repair_limit=repair_limit)
        if mended is not None:
            _record(engine, sheet, mended, who, action, note)
            return
        if html_path is not None:
            _write(engine, sheet, family, html_path, int(turn))
    if as_json:
        from vision.review.stops import sheet_json

        print_json(sheet_json(sheet))
    elif html_path is None:
        _print(sheet, family)


def _write(engine: Engine, sheet: Sheet, family: Family, path: Path, turn: int) -> None:
    """Write the sheet as one HTML file, with pictures cut anew from those that were graded."""
    from vision.review.pictures import Pictures
    from vision.review.sheet import sheet_html, stop_pictures

    path.write_text(sheet_html(sheet, family, stop_pictures(sheet, family, Pictures(engine)), turn), encoding="utf-8")
    say(f"repair sheet in {path}")


def _check_options(mending: bool, on_paper: bool) -> None:
    """Refuse options that would be passed over: those of a record without --mended, those of the sheet with it."""
    refuse_unused(mending, "with --mended PLACE only, which records a repair; nothing was recorded", "who", "action",
                  "note")
    refuse_unused(not mending, "without --mended, which records a repair and gives no sheet; nothing was recorded",
                  "side", "turn", "repair_limit", "html_path", "as_json")
    refuse_unused(on_paper, "with --html FILE only, whose map it turns; the list and its positions do not depend on "
                  "how the board lies", "turn")


def _print(sheet: Sheet, family: Family) -> None:
    """Print the sheet; cautions and what is left out are part of it, so that a file or a printer gets them too."""
    from vision.review.practice import CAUTIONS, CONTACT_CAUTION, DEFERS, FIRST_CAUTION

    click.echo(f"board {sheet.board.serial}, {sheet.board.family}; {sheet.origin}")
    if sheet.not_graded:
        click.echo(f"board {sheet.board.serial} {sheet.not_graded}")
    if sheet.stops:
        click.echo(f"{FIRST_CAUTION}\n\n{table_text(_rows(sheet), STOP_COLUMNS)}\n")
        _print_beside(sheet, family)
    elif not sheet.not_graded:
        click.echo("nothing to mend")
    if sheet.undecided:
        wait = "waits for a decision and is" if sheet.undecided == 1 else "wait for a decision and are"
        click.echo(f"{many(sheet.undecided, 'doubtful finding')} {wait} not on this sheet")
    if sheet.stops:
        click.echo("\n".join([CONTACT_CAUTION, *(f"{name}: {text}" for name, text in CAUTIONS), DEFERS]))


def _print_beside(sheet: Sheet, family: Family) -> None:
    """Print what has no column: where lands are open, and what people wrote beside their decisions."""
    from vision.review.bench_marks import open_words

    lines = []
    for stop in sheet.stops:
        lines += [f"{stop.number}, {stop.name}: {words}" for words in (open_words(stop, family),) if words]
        lines += [f"{stop.number}, {stop.name}: note by {by}: {note}" for by, note in stop.notes]
    lines += [f"{done.number}, {done.name}: mended by {done.repairer}: {done.action}" for done in sheet.done]
    lines += [sheet.numbering] if sheet.numbering else []
    if lines:
        click.echo("\n".join([*lines, ""]))


def _rows(sheet: Sheet) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for stop in sheet.stops:
        cautions = [f"limit of {sheet.repair_limit} repairs reached: ask first"] if stop.over_limit else []
        cautions += ["settle first: a person could not tell"] if stop.look_first else []
        cautions += ["not yet looked at by a person"] if stop.unchecked else []
        rows.append({"number": stop.number, "place": stop.name, "wrong": stop.titles, "x_mm": stop.x_mm,
                     "y_mm": stop.y_mm, "usually": stop.action, "repairs": stop.repairs,
                     "caution": "; ".join(cautions)})
    return rows


def _record(engine: Engine, sheet: Sheet, place: str, who: str | None, action: str | None, note: str) -> None:
    from vision.review.decisions import Actor
    from vision.review.people import checked_name
    from vision.review.repair import record_repair, stop_named
    from vision.review.state import board_state

    if not who:
        raise click.UsageError("--mended needs --by NAME: who mended it is recorded")
    stop = stop_named(sheet, place)
    if stop is None:
        names = ", ".join(repr(item.name) for item in sheet.stops) or "none"
        fail(f"place {place!r}: not on the repair sheet of board {sheet.board.serial}; on it stand {names}")
    record_repair(engine, sheet.board.inspection_id, finding_ids=stop.finding_ids, escape_ids=stop.escape_ids,
                  action=action or stop.action, note=note, by=Actor(checked_name(who)))
    also = f" Recorded with it: {who}'s decision, a real defect." if stop.decides else ""
    say(f"{stop.name}: mended by {who}.{also} {board_state(engine, sheet.board.unit_id).asks}")
