"""Commands of `meniscope family` that make a family from CAD files, lay its views, check and draw it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.errors import InputError, Problem, some
from vision.cli._common import Output, many, print_json, print_rows, rows_options, say
from vision.cli._family_learn import learn_command

if TYPE_CHECKING:
    from vision.setup import Family, Station
    from vision.setup.cad.assemble import Imported, Wishes
    from vision.setup.cad.parts import Part
    from vision.setup.views import Field, Plan

PATH = click.Path(path_type=Path)
PLAN_COLUMNS = ("view", "center_x_mm", "center_y_mm", "rotation_deg", "stage_x_mm", "stage_y_mm", "joints", "fiducials",
                "register_on")
field_option = click.option("--field", "field_mm", type=(click.FloatRange(min=0, min_open=True),) * 2, default=None,
                            metavar="WIDTH HEIGHT", help="What one picture shows, mm; else from the station's "
                                                         "picture_px and mm_per_px.")
maybe_station_option = click.option("--station", "station_path", type=PATH, default=None,
                                    help="The camera station: station.toml, or the folder that holds it.")


def _family_name(_: click.Context, __: click.Parameter, value: str) -> str:
    """Return a name that a family can have, before anything is written under another one."""
    from vision.setup.family import family_name

    try:
        return family_name(value if value.strip() else "")
    except InputError as error:
        raise click.BadParameter(f"got {error.problems[0].got}, wanted {error.problems[0].wanted}") from error


@click.command("import", short_help="Make a board family from CAD files in open formats.")
@click.argument("files", nargs=-1, required=True, type=PATH)
@click.option("--name", required=True, callback=_family_name, help="Name of the family.")
@click.option("--out", "folder", required=True, type=PATH, help="Folder to write the family into.")
@click.option("--class", "workmanship_class", type=click.Choice(["1", "2", "3"]), default="2", show_default=True,
              help="Workmanship class.")
@click.option("--seen-from", type=click.Choice(["auto", "bottom", "top"]), default="auto", show_default=True,
              help="Side that is soldered and pictured; auto: the side opposite to the components.")
@click.option("--parts", "parts_path", type=PATH, default=None,
              help="Table of leads and bodies by footprint or part, read and added to. [default: parts.csv beside the "
                   "family's folder]")
@click.option("--ask", is_flag=True, help="Ask for every lead that the table lacks, once; else it is guessed.")
@click.option("--ref", "refs", multiple=True, metavar="PATTERN", help="Only joints of these components (J1, J*).")
@click.option("--not-ref", "not_refs", multiple=True, metavar="PATTERN", help="No joints of these components.")
@click.option("--net", "nets", multiple=True, metavar="PATTERN", help="Only joints of these nets.")
@click.option("--area", "areas", multiple=True, type=(float,) * 4, metavar="X0 Y0 X1 Y1",
              help="Only joints in this rectangle, board mm.")
@click.option("--joint-list", type=PATH, default=None, help="Only the joints or components that this file lists.")
@click.option("--programme", "programme_path", type=PATH, default=None,
              help="The solder programme's CSV export: pot, nozzle and step of the joints.")
@click.option("--near", "near_mm", type=click.FloatRange(min=0), default=3.0, show_default=True,
              help="Watch chips this near to a joint's land, mm.")
@click.option("--netlist-unit", type=click.Choice(["mm", "inch"]), default=None,
              help="Unit of a netlist that does not state it.")
@click.option("--accept-differences", is_flag=True,
              help="Turn contradictions between files into notes; copper tells the land, drill files the hole.")
@maybe_station_option
@field_option
@click.option("--replace", "overwrite", is_flag=True, help="Write over a family that is there.")
@click.option("--dry-run", is_flag=True, help="Show what was understood; write nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print what was understood as JSON.")
def import_command(files: tuple[Path, ...], folder: Path, parts_path: Path | None, ask: bool, joint_list: Path | None,
                   programme_path: Path | None, station_path: Path | None, field_mm: tuple[float, float] | None,
                   overwrite: bool, dry_run: bool, as_json: bool, **wished: Any) -> None:
    """Make a board family from CAD files in open formats, and show what was understood.

    FILES are an IPC-D-356A netlist, Excellon or Gerber drill files, Gerber copper of the solder side and a placement
    table (CSV), or a folder with them. What each file is, its units and its origin are found out. CAD does not
    know leads: they come from the parts table, and what it lacks is guessed, marked and added to it.
    """
    from vision.setup import write_family
    from vision.setup.cad.assemble import import_family
    from vision.setup.cad.parts import read_parts
    from vision.setup.cad.programme import read_programme

    wishes = _wishes(joint_list, **wished)
    table_path = parts_path or folder.parent / "parts.csv"
    if (folder / "family.toml").exists() and not (overwrite or dry_run):
        raise InputError([Problem(str(folder), "", "a family that is there already", "a new folder, or --replace")])
    table = read_parts(table_path)
    parts = tuple(part for part in table if not (ask and part.guess))
    programme = read_programme(programme_path) if programme_path is not None else ()
    found = import_family(files, wishes, parts, programme)
    if ask and found.guesses:
        parts = (*parts, *_asked(found))
        found = import_family(files, wishes, parts, programme)
    family, plan = _with_views(found.family, station_path, field_mm)
    if not as_json:
        _show(found, family, plan, table_path)
    written: list[Path] = []
    if dry_run:
        say("nothing was written (--dry-run)")
    else:
        made = [write_family(family, folder), folder / "joints.csv", *([folder / "chips.csv"] if family.chips else [])]
        written = [made[0], *_remember((*parts, *found.guesses), table, table_path), *made[1:]]
        say(f"wrote {', '.join(str(path) for path in made)}")
    if as_json:
        print_json(_understood(found, family, plan) | {"written": [str(path) for path in written]})


def _wishes(joint_list: Path | None, *, name: str, workmanship_class: str, seen_from: str, refs: tuple[str, ...],
            not_refs: tuple[str, ...], nets: tuple[str, ...], areas: tuple[tuple[float, float, float, float], ...],
            near_mm: float, netlist_unit: str | None, accept_differences: bool) -> Wishes:
    from vision.setup.cad.assemble import Wishes
    from vision.setup.cad.choice import Choice, read_names

    choice = Choice(refs, not_refs, nets, areas, read_names(joint_list) if joint_list is not None else None)
    side: Any = None if seen_from == "auto" else seen_from
    return Wishes(name, int(workmanship_class), side, choice, near_mm, netlist_unit, accept_differences)


def _asked(found: Imported) -> list[Part]:
    """Ask for the lead of every row that was guessed; an empty answer confirms it."""
    from vision.setup.cad.parts import lead_across, parse_lead

    answers = []
    for row in found.guesses:
        if row.lead_shape is None:
            continue
        pins = "" if row.pins == "*" else f" pins {row.pins}"
        hole = found.guess_holes[row.part, row.pins]
        default = f"round {row.lead_w_mm:g}"
        while True:
            typed = click.prompt(f"lead of {row.part}{pins}, hole {hole:g} mm (round 0.7, square 0.64, rect 1.0x0.5)",
                                 default=default, err=True)
            lead = parse_lead(typed)
            if lead is not None and lead_across(*lead) <= hole:
                break
            say(f"got {typed!r}, wanted a shape and a size in mm such as square 0.64, at most {hole:g} mm across")
        answers.append(replace(row, lead_shape=lead[0], lead_w_mm=lead[1], lead_h_mm=lead[2], guess=""))
    return answers


def _remember(rows: Sequence[Part], before: Sequence[Part], path: Path) -> list[Path]:
    """Write the table with new rows, if any; answers take the place of guesses about the same pins."""
    from vision.setup.cad.parts import write_parts

    answered = {(row.part, row.pins, row.lead_shape is None) for row in rows if not row.guess}
    kept: dict[tuple[str, str, bool, str], Part] = {}
    for row in (*before, *rows):
        key = row.part, row.pins, row.lead_shape is None
        if not row.guess or key not in answered:
            kept.setdefault((*key, row.guess if row.guess else repr(row)), row)
    wanted = tuple(kept.values())
    if wanted == tuple(before):
        return []
    write_parts(wanted, path)
    say(f"wrote {path}: {len(wanted)} rows, {sum(bool(row.guess) for row in wanted)} of them guessed")
    return [path]


def held(family: Family) -> str:
    """Return what a family holds, counted: `24 joints, 1 chip, 3 fiducials`."""
    return ", ".join(many(len(parts), word) for parts, word in (
        (family.joints, "joint"), (family.chips, "chip"), (family.fiducials, "fiducial")))


def _understood(found: Imported, family: Family, plan: Plan | None) -> dict[str, Any]:
    """Return what --json prints of what was understood."""
    from vision.setup.views import plan_table

    return {"name": family.name, "workmanship_class": family.workmanship_class, "seen_from": family.seen_from,
            "joints": len(family.joints), "chips": len(family.chips), "fiducials": len(family.fiducials),
            "understood": [asdict(item) for item in found.evidence],
            "left_out": [{"part": name, "reason": reason} for name, reason in found.left_out],
            "guesses": [asdict(row) for row in found.guesses], "guessed_joints": found.guessed_joints,
            "notes": found.notes, "views": None if plan is None else plan_table(plan)}


def _show(found: Imported, family: Family, plan: Plan | None, table_path: Path) -> None:
    """Print what was understood: evidence, what was left out, guesses and notes."""
    click.echo("understood")
    for item in found.evidence:
        click.echo(f"  {item}")
    click.echo(f"family {family.name}: {held(family)}")
    reasons: dict[str, list[str]] = {}
    for name, reason in found.left_out:
        reasons.setdefault(reason, []).append(name)
    if reasons:
        click.echo("left out")
        for reason, names in reasons.items():
            click.echo(f"  {some(names, 8)}: {reason}")
    if found.guesses:
        click.echo(f"guessed, please check in {table_path}")
        for row in found.guesses:
            click.echo(f"  {_row_words(row)}")
    if found.guessed_joints:
        click.echo(f"leads of {many(len(found.guessed_joints), 'joint')} are guesses: {some(found.guessed_joints, 8)}")
    if found.notes:
        click.echo("notes")
        for note in found.notes:
            click.echo(f"  {note}")
    if plan is None:
        click.echo("views: one, on the middle of the joints; lay them with `meniscope family views` once the camera's "
                   "field of view is known")
    else:
        click.echo(f"views: {_plan_words(plan)}")


def _row_words(row: Part) -> str:
    what = []
    if row.lead_shape is not None:
        size = f"{row.lead_w_mm:g}" if row.lead_shape != "rect" else f"{row.lead_w_mm:g} x {row.lead_h_mm:g}"
        what.append(f"{row.lead_shape} lead {size} mm")
    if row.body_w_mm is not None:
        what.append(f"body {row.body_w_mm:g} x {row.body_h_mm:g} mm")
    pins = "" if row.pins == "*" else f", pins {row.pins}"
    return f"{row.part}{pins}: {', '.join(what)} ({row.guess})"


# --- views -----------------------------------------------------------------------------------------------------------


def _field(station: Station | None, field_mm: tuple[float, float] | None) -> Field | None:
    """Return the camera's field of view from the option or from the station."""
    from vision.setup.views import Field

    if field_mm is not None:
        return Field(*field_mm)
    if station is None or station.picture_px is None:
        return None
    return Field(*(side * station.mm_per_px for side in station.picture_px))


def _read_station(path: Path | None) -> Station | None:
    from vision.setup import read_station

    return None if path is None else read_station(path)


def _with_views(family: Family, station_path: Path | None,
                field_mm: tuple[float, float] | None) -> tuple[Family, Plan | None]:
    from vision.setup.views import plan_views, with_plan

    field = _field(_read_station(station_path), field_mm)
    if field is None:
        return family, None
    plan = plan_views(family, field)
    return with_plan(family, plan), plan


def _plan_words(plan: Plan) -> str:
    count = len(plan.views)
    proof = "no plan has fewer" if plan.proven else f"at least {plan.at_least} are needed"
    return f"{count} picture{'s' if count != 1 else ''} ({proof}), way of the stage {plan.way_mm:.0f} mm"


@click.command("views", short_help="Lay the fewest pictures that show every joint.")
@click.argument("family", type=PATH)
@maybe_station_option
@field_option
@click.option("--margin", "margin_mm", type=click.FloatRange(min=0), default=1.5, show_default=True,
              help="Room round every land, mm: neighbouring pictures overlap by twice as much.")
@click.option("--rotation", "rotation_deg", type=click.Choice(["0", "90", "180", "270"]), default="0",
              show_default=True, help="How the board is turned in the pictures, degrees.")
@click.option("--fiducials", "min_fiducials", type=click.IntRange(min=2), default=2, show_default=True,
              help="Fiducials that a picture should show, or else --lands.")
@click.option("--lands", "min_lands", type=click.IntRange(min=4), default=6, show_default=True,
              help="Lands that a picture without fiducials should show.")
@click.option("--stage-origin", type=(float, float), default=(0.0, 0.0), metavar="X Y",
              help="Board point under the camera when the stage stands at 0, 0.")
@click.option("--plan", "plan_path", type=PATH, default=None,
              help="Write the picture plan as CSV here. [default: picture_plan.csv in the family's folder]")
@click.option("--dry-run", is_flag=True, help="Show the plan; write nothing.")
@rows_options
def views_command(family: Path, station_path: Path | None, field_mm: tuple[float, float] | None, margin_mm: float,
                  rotation_deg: str, min_fiducials: int, min_lands: int, stage_origin: tuple[float, float],
                  plan_path: Path | None, dry_run: bool, output: Output) -> None:
    """Lay the fewest pictures that show every joint, each with marks to register on.

    FAMILY is family.toml or the folder that holds it; its views are written anew, and a picture plan with stage
    positions beside it.
    """
    from vision.setup import read_family, write_family
    from vision.setup.views import plan_table, plan_views, with_plan

    known = read_family(family)
    field = _field(_read_station(station_path), field_mm)
    if field is None:
        raise click.UsageError("give the field of view: --field WIDTH HEIGHT, or --station with picture_px in it")
    plan = plan_views(known, field, margin_mm=margin_mm, rotation_deg=float(rotation_deg),
                      min_fiducials=min_fiducials, min_lands=min_lands, stage_origin_mm=stage_origin)
    print_rows(plan_table(plan), PLAN_COLUMNS, output)
    say(_plan_words(plan))
    blind = [planned.view.name for planned in plan.views if planned.register_on == "nothing"]
    if blind:
        say(f"caution: {some(blind, 8)} shows too few fiducials and lands to be found: a larger field of view would "
            "help")
    if plan.split_pairs:
        say(f"caution: {len(plan.split_pairs)} pairs of close joints lie on a seam between pictures "
            f"({some([f'{a} and {b}' for a, b in plan.split_pairs], 3)}); a bridge there may go unseen")
    if dry_run:
        say("nothing was written (--dry-run)")
        return
    folder = family if family.is_dir() else family.parent
    write_family(with_plan(known, plan), folder)
    target = plan_path or folder / "picture_plan.csv"
    _write_rows(target, plan_table(plan))
    say(f"wrote {folder / 'family.toml'} and {target}")


def _write_rows(path: Path, rows: Sequence[dict[str, object]]) -> None:
    import csv

    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, PLAN_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


# --- check and draw --------------------------------------------------------------------------------------------------


@click.command("check", short_help="Check a family's files, and find what will hurt later.")
@click.argument("family", type=PATH)
@maybe_station_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def check_command(family: Path, station_path: Path | None, as_json: bool) -> None:
    """Check family.toml, joints.csv and chips.csv, and find what will hurt later.

    Every problem of the files is named: where, what is there, what is wanted. Then faults (joints that cannot be
    graded), cautions and hints, each with advice; with a station also what depends on its scale and its picture.
    Exit code 0: neither problems nor faults; 1: some.
    """
    from vision.setup import cautions, read_family
    from vision.setup.checks import check_family

    problems: Sequence[Problem] = ()
    warned: list[Problem] = []
    found = []
    station = _read_station(station_path)
    try:
        known = read_family(family)
        found = list(check_family(known, station))
        if station is not None:  # what check_family does not look at
            warned = [p for p in cautions(known, station) if p.where in {"files", "mm_per_px"}]
    except InputError as error:
        problems = error.problems
    faults = [advice for advice in found if advice.severity == "fault"]
    if as_json:
        print_json({"file": str(family), "good": not problems and not faults,
                    "problems": [asdict(problem) for problem in problems],
                    "cautions": [asdict(problem) for problem in warned], "findings": [asdict(item) for item in found]})
    else:
        for problem in problems:
            click.echo(str(problem))
        for advice in faults:
            click.echo(str(advice))
        for warning in warned:
            click.echo(f"caution: {warning}")
        for advice in found[len(faults):]:
            click.echo(str(advice))
        count = len(problems) + len(faults)
        doubts = len(warned) + sum(advice.severity == "caution" for advice in found)
        click.echo(f"{family}: {many(count, 'problem')}" if count else
                   f"{family}: good" + (f", with {many(doubts, 'caution')}" if doubts else ""))
    if problems or faults:
        raise click.exceptions.Exit(1)


@click.command("draw", short_help="Draw a map: joints, pots, chips, fiducials and views.")
@click.argument("family", type=PATH)
@click.option("--out", "out_path", type=PATH, default=None,
              help="Write the map here, .svg or .png. [default: map.svg in the family's folder]")
@maybe_station_option
@field_option
@click.option("--cad-view", is_flag=True, help="Draw as seen from the component side, not as the camera sees it.")
def draw_command(family: Path, out_path: Path | None, station_path: Path | None,
                 field_mm: tuple[float, float] | None, cad_view: bool) -> None:
    """Draw a map of a family: joints by kind of land, pots, chips, fiducials and views.

    FAMILY is family.toml or the folder that holds it.
    """
    from vision.setup import read_family
    from vision.setup.drawing import write_map

    known = read_family(family)
    field = _field(_read_station(station_path), field_mm)
    target = out_path or (family if family.is_dir() else family.parent) / "map.svg"
    write_map(known, target, None if field is None else (field.width_mm, field.height_mm),
              seen="component" if cad_view else "camera")
    say(f"wrote {target}")


#: Attached to `meniscope family` by its owner; `check` takes the place of the plain one.
COMMANDS: tuple[click.Command, ...] = (import_command, views_command, check_command, draw_command,
                                     learn_command)
