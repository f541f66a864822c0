"""`meniscope family`: make a board family, look at its files, check them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import click

from vision.cli._common import Column, Output, print_json, print_rows, rows_options
from vision.cli._family_cad import COMMANDS as CAD_COMMANDS
from vision.cli._family_cad import held
from vision.cli._family_pixels import pixels_command

JOINT_COLUMNS = ("ref", "pin", "x_mm", "y_mm", "land_shape", "land_w_mm", "land_h_mm", "land_rotation_deg", "hole_mm",
                 "lead_shape", "lead_w_mm", "lead_h_mm", "net", "pot", "nozzle", "step")
CHIP_COLUMNS = ("ref", "x_mm", "y_mm", "rotation_deg", "body_w_mm", "body_h_mm")


@click.group()
def command() -> None:
    """Make a board family from CAD files, look at its files, check them.

    A family is one board design. family.toml names its class, fiducials and camera views; joints.csv lists
    every through-hole joint; chips.csv, if there is one, the chips to be watched near them.
    """


@command.command()
@click.argument("family", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def show(family: Path, as_json: bool) -> None:
    """Print what a family holds: counts, lands, pots, views.

    FAMILY is family.toml or the folder that holds it.
    """
    from vision.setup import read_family

    found = read_family(family)
    lands = Counter(joint.land_kind for joint in found.joints)
    steps = Counter((joint.pot, joint.nozzle, joint.step) for joint in found.joints)
    views = [{"name": v.name, "x_mm": v.center_mm[0], "y_mm": v.center_mm[1], "rotation_deg": v.rotation_deg}
             for v in found.views]
    if as_json:
        print_json({"name": found.name, "workmanship_class": found.workmanship_class, "seen_from": found.seen_from,
                    "joints": len(found.joints), "chips": len(found.chips), "fiducials": len(found.fiducials),
                    "lands": lands, "views": views,
                    "steps": [{"pot": pot, "nozzle": nozzle, "step": step, "joints": count}
                              for (pot, nozzle, step), count in steps.items()]})
        return
    click.echo(f"family {found.name}: workmanship class {found.workmanship_class}, pictured from the "
               f"{found.seen_from}, {held(found)}\n")
    print_rows([{"land": kind, "joints": count} for kind, count in lands.most_common()], ["land", "joints"])
    click.echo()
    print_rows([{"pot": pot or None, "nozzle": nozzle or None, "step": step or None, "joints": count}
                for (pot, nozzle, step), count in sorted(steps.items())], ["pot", "nozzle", "step", "joints"])
    click.echo()
    print_rows(views, [Column("name", "view"), Column("x_mm", "centre x mm"), Column("y_mm", "centre y mm"),
                       Column("rotation_deg", "rotation deg")])


@command.command()
@click.argument("family", type=click.Path(path_type=Path))
@rows_options
def joints(family: Path, output: Output) -> None:
    """Print a family's joints, one a row."""
    from vision.setup import read_family

    print_rows([{name: getattr(joint, name) for name in JOINT_COLUMNS} for joint in read_family(family).joints],
               JOINT_COLUMNS, output)


@command.command()
@click.argument("family", type=click.Path(path_type=Path))
@rows_options
def chips(family: Path, output: Output) -> None:
    """Print a family's chips, one a row."""
    from vision.setup import read_family

    print_rows([{name: getattr(chip, name) for name in CHIP_COLUMNS} for chip in read_family(family).chips],
               CHIP_COLUMNS, output, empty="this family has no chips")


@command.command(short_help="Print how uncertain the measurements of a family are.")
@click.argument("family", type=click.Path(path_type=Path))
@click.option("--measure", default="", metavar="NAME", help="One measurement only.")
@click.option("--condition", default="", metavar="NAME",
              help="nominal, gain, blur or another one; without it, what holds for all of them together.")
@rows_options
def uncertainty(family: Path, measure: str, condition: str, output: Output) -> None:
    """Print how uncertain the measurements of a family are, as `meniscope train` found it.

    One row a band of measured values, in the measurement's own unit. The truth lies between value + low and
    value + high in 95 of 100 cases; u is the standard uncertainty, bias included.
    """
    from models.vocabulary import MEASURE
    from vision.setup import read_family
    from vision.setup.uncertainty import band_rows
    from vision.teaching.conditions import CONDITIONS

    found = read_family(family).uncertainty
    kept = [band.condition for band in (() if found is None else found.bands) if band.condition]
    _check_name("--measure", measure, MEASURE)
    _check_name("--condition", condition, dict.fromkeys([*(known.name for known in CONDITIONS), *kept]))
    rows = [] if found is None else [row for row in band_rows(found.bands) if row["condition"] == condition
                                     and measure in ("", row["measure"])]
    print_rows(rows, [Column("station"), Column("measure"), Column("land_kind", "land"), Column("condition"),
                      Column("from", decimals=3), Column("to", decimals=3), Column("n"), Column("bias", decimals=3),
                      Column("repeatability", decimals=3), Column("standard_uncertainty", "u", 3),
                      Column("low_95", "95 % from", 3), Column("high_95", "to", 3)],
               output, empty="nothing is known; `meniscope train` finds it")


def _check_name(option: str, name: str, known: Iterable[str]) -> None:
    """Refuse a name that is not known: no rows would say that training has not found it yet."""
    from models.sheet_check import suggest

    if name and name not in known:
        raise click.BadParameter(f"got {name!r}, wanted {suggest(name, known)}", param_hint=option)


for further in (*CAD_COMMANDS, pixels_command):
    command.add_command(further)
