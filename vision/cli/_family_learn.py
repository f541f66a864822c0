"""`meniscope family learn-from`: what pictures of a few good boards tell about a family."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from models.errors import some
from vision.cli._common import Column, family_option, print_json, print_rows, progress, say, station_option

if TYPE_CHECKING:
    from vision.teaching.learn_family import Learned

PATH = click.Path(path_type=Path)


@click.command("learn-from", short_help="Learn lands, leads and mask colour from a few good boards.")
@click.argument("pictures", type=PATH)
@family_option
@station_option
@click.option("--yes", is_flag=True, help="Write the proposals without asking.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON; nothing is written unless --yes is given too.")
def learn_command(pictures: Path, family_path: Path, station_path: Path, yes: bool, as_json: bool) -> None:
    """Learn a family's real land sizes, lead places and mask colour from pictures of a few good boards.

    PICTURES is a folder with pictures of boards that were found good, three or more of them. What differs from the
    CAD files is proposed with its uncertainty; it is written only after you agree: land sizes into joints.csv, lead
    places into lead_offsets.csv, the mask's colour into recipe.toml, which rendered boards for teaching follow.
    """
    from vision.pipeline.folder import scan_folder
    from vision.setup import read_family, read_station
    from vision.teaching.learn_family import learn_family

    known, station = read_family(family_path), read_station(station_path)
    boards = scan_folder(pictures, station, known)
    with progress(len(boards), "looking at boards") as bar:
        learned = learn_family(boards, known, station, bar)
    for serial, reason in learned.refused:
        say(f"caution: {serial} was not used: {reason}")
    if as_json:
        print_json({"boards": learned.boards, "refused": learned.refused, "lands": [asdict(s) for s in learned.lands],
                    "leads": [asdict(place) for place in learned.leads], "mask": learned.mask,
                    "mask_weights": learned.mask_weights, "notes": learned.notes})
    else:
        _show_learned(learned)
    if yes or (not as_json and sys.stdin.isatty() and click.confirm("write these?", err=True)):
        _write_learned(learned, family_path if family_path.is_dir() else family_path.parent)
    elif not as_json:
        say("nothing was written; --yes writes without asking")


def _show_learned(learned: Learned) -> None:
    """Print what was measured and what is proposed."""
    click.echo(f"learned from {len(learned.boards)} boards: {some(learned.boards, 8)}\n")
    print_rows([{"land": size.kind, "joints": len(size.joints), "nominal": _sides(size.nominal_mm),
                 "measured": _sides(size.measured_mm), "plus or minus": round(size.uncertainty_mm * 2.0, 3),
                 "proposal": f"change to {_sides(size.measured_mm)}" if size.proposed else "keep"}
                for size in learned.lands],
               ["land", "joints", Column("nominal", "nominal mm"), Column("measured", "measured mm"),
                Column("plus or minus", "+/- mm (95 %)", 2), "proposal"])
    if learned.leads:
        far = max(learned.leads, key=lambda place: place.offset_x_mm**2 + place.offset_y_mm**2)
        click.echo(f"\nlead ends were seen in {len(learned.leads)} joints; the furthest from its hole's centre is "
                   f"{far.joint} at ({far.offset_x_mm:+.2f}, {far.offset_y_mm:+.2f}) mm")
    colour = ", ".join(f"{channel} {value:.2f}" for channel, value in learned.mask.items())
    likely = ", ".join(f"{name} ({100.0 * weight:.0f} %)" for name, weight in learned.mask_weights.items())
    click.echo(f"bare mask answers with {colour} of white" + (f"; likely colours: {likely}" if likely else ""))
    for note in learned.notes:
        click.echo(f"note: {note}")


def _sides(size: tuple[float, float]) -> str:
    return f"{size[0]:.2f} x {size[1]:.2f}"


def _write_learned(learned: Learned, folder: Path) -> None:
    """Write the family with proposed lands, the table of lead places, and the recipe's mask colour."""
    import csv
    from dataclasses import fields

    from vision.setup import write_family
    from vision.teaching.learn_family import LeadPlace, recipe_text

    if any(size.proposed for size in learned.lands):
        write_family(learned.family, folder)
        say(f"wrote {folder / 'joints.csv'}")
    target = folder / "lead_offsets.csv"
    with target.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        names = [item.name for item in fields(LeadPlace)]
        writer.writerow(names)
        writer.writerows([getattr(place, name) for name in names] for place in learned.leads)
    say(f"wrote {target}")
    recipe = folder / "recipe.toml"
    text = recipe_text(learned)
    if text and recipe.exists():
        say(f"{recipe} is there already; to use the mask's colour put this into it:\n{text}")
    elif text:
        recipe.write_text(text, encoding="utf-8")
        say(f"wrote {recipe}")
