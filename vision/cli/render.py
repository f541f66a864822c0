"""`meniscope render`: pictures of soldered boards with exact truth."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vision.cli._common import (
    Output,
    fail,
    family_option,
    jobs_option,
    many,
    print_rows,
    progress,
    rows_options,
    say,
    station_option,
    worded,
)

if TYPE_CHECKING:
    from synthetic_images.recipe import Recipe
    from vision.setup import Family, Station


def _file_name_part(_: click.Context, __: click.Parameter, value: str) -> str:
    """Return a text that may begin a file name on any system; refuse one that leads out of the folder."""
    if not re.fullmatch(r"(?!\.)[A-Za-z0-9._-]{0,60}", value):
        raise click.BadParameter(f"got {value!r}, wanted what may begin a file name: at most 60 letters (A to Z), "
                                 "digits, dots, dashes and underscores, no dot first")
    return value


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@family_option
@station_option
@click.option("--boards", type=click.IntRange(1, 100_000), default=12, show_default=True, help="How many boards.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True,
              help="Equal seeds give equal pictures.")
@click.option("--defects", "defect_pct", type=click.FloatRange(0.0, 100.0), default=15.0, show_default=True,
              help="Per cent of joints with a planted defect.")
@click.option("--first", "first_serial", type=click.IntRange(min=1), default=1, show_default=True,
              help="Number of the first board.")
@click.option("--prefix", default="B", show_default=True, callback=_file_name_part,
              help="What serials, and so names of pictures, begin with: letters, digits, dots, dashes, underscores.")
@click.option("--gallery", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Also draw one sheet of every finding, from mild to severe (.png or .jpg).")
@click.option("--maps", is_flag=True, help="Also write what each pixel shows and its slope, into FOLDER/maps.")
@jobs_option
@rows_options
def command(folder: Path, family_path: Path, station_path: Path, boards: int, seed: int, defect_pct: float,
            first_serial: int, prefix: str, gallery: Path | None, maps: bool, jobs: int, output: Output) -> None:
    """Render pictures of soldered boards with exact truth.

    FOLDER receives the pictures, named after the station's pattern, and truth.csv: what is really the matter with
    every joint and chip, and its true measurements. Solder is shaped by capillarity and lit by the station's rings,
    so that limits learned from such boards hold for pictures of real ones as far as the station's file tells the truth.

    \b
    meniscope render pictures --family psu-24 --station station.toml --boards 24

    A recipe.toml beside family.toml overrides what is drawn at random: mask colour, roughness, bits of the camera
    and so on. Prints how many parts have each finding.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from synthetic_images.lot import render_lot
    from synthetic_images.recipe import recipe_for
    from vision.setup import read_family, read_station
    from vision.teaching import read_truth

    if gallery is not None and gallery.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise click.UsageError("--gallery wants a name that ends in .png or .jpg")
    family, station, recipe = read_family(family_path), read_station(station_path), recipe_for(family_path)
    folder.mkdir(parents=True, exist_ok=True)
    if (folder / "truth.csv").exists():
        fail(f"{folder}: holds a truth.csv already; render into a new folder, so that pictures and truth stay together")
    with progress(boards, "rendering boards") as bar:
        render_lot(family, station, folder, boards=boards, seed=seed, defect_rate=defect_pct / 100.0,
                   first_serial=first_serial, prefix=prefix, workers=jobs, progress=bar,
                   recipe=recipe, maps=maps)
    truth = read_truth(folder)
    counts = Counter(finding for row in truth.values() for finding in row.findings)
    counts["good"] = sum(not row.findings for row in truth.values())
    marginal = Counter(finding for row in truth.values() if row.marginal for finding in (row.findings or ("good",)))
    rows = [{"finding": name, "parts": count, "marginal": marginal[name]} for name, count in counts.most_common()]
    print_rows(worded(rows, output, "finding"), ["finding", "parts", "marginal"], output)
    if gallery is not None:
        write_gallery(gallery, family, station, seed, recipe)
    say(f"{many(boards, 'board')} in {folder}" + (f", gallery {gallery}" if gallery is not None else ""))


def write_gallery(file: Path, family: Family, station: Station, seed: int, recipe: Recipe) -> None:
    """Write one sheet of every finding, from mild to severe, as this station would see it on this family."""
    import cv2

    from synthetic_images.gallery import draw_gallery

    file.parent.mkdir(parents=True, exist_ok=True)
    written, data = cv2.imencode(file.suffix.lower(), draw_gallery(family, station, seed, recipe=recipe))
    if not written:
        fail(f"{file}: the picture could not be encoded")
    file.write_bytes(data.tobytes())
