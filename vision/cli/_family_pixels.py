"""`meniscope family pixels`: show or learn the curves from the lights' mean slope to the surface's slope."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from vision.cli._common import Column, print_json, print_rows, progress, say, station_option


@click.command("pixels", short_help="Show, or learn, what boards teach about slopes.")
@click.argument("family", type=click.Path(path_type=Path))
@station_option
@click.option("--learn", is_flag=True, help="Render boards, learn the curves anew and judge them.")
@click.option("--boards", default=24, show_default=True, type=click.IntRange(3, 1000),
              help="Boards to render; every third one is held back and judges.")
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0, 2**31),
              help="Makes the boards repeatable.")
@click.option("--jobs", default=1, show_default=True, type=click.IntRange(1, 64), help="Processes that work at once.")
@click.option("--write", is_flag=True, help="Keep what was learned as pixels.csv, if no judged number got worse.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def pixels_command(family: Path, station_path: Path, learn: bool, boards: int, seed: int, jobs: int, write: bool,
                   as_json: bool) -> None:
    """Show what a family's boards taught about slopes, or learn it from rendered boards.

    Slopes come from the physics of the station's lights. Learned curves replace it for this family and station, and
    are kept only where boards held back from learning are measured no worse with them. On the boards they were tried
    on, rendered and path-traced, they did not help as a whole and made fillet heights worse in some runs; so nothing
    learns them unless asked. Boards graded with pixels.csv count as another revision of the family: train anew.
    """
    from vision.setup import read_family, read_station
    from vision.setup.pixels import pixel_table, point_rows, write_pixels

    if write and not learn:
        raise click.UsageError("--write keeps what --learn finds; give both")
    known, station = read_family(family), read_station(station_path)
    if not learn:
        points = () if known.pixels is None else known.pixels.of_station(station.name)
        if as_json:
            print_json({"station": station.name, "points": point_rows(points)})
        else:
            print_rows(point_rows(points), _COLUMNS, empty="nothing was learned; slopes come from the lights' physics")
        return
    from vision.teaching.pixels import learn_pixels

    with progress(boards, "rendering boards") as bar:
        found = learn_pixels(known, station, boards=boards, seed=seed, jobs=jobs, progress=bar)
    folder = family if family.is_dir() else family.parent
    kept = write and found.better
    if kept:
        others = () if known.pixels is None else known.pixels.without_station(station.name)
        write_pixels(pixel_table((*found.points, *others)), folder)
    judged = [asdict(item) | {"worse": item.worse} for item in found.judged]
    if as_json:
        print_json({"station": station.name, "points": point_rows(found.points), "judged": judged,
                    "better": found.better, "written": kept, "unmeasured": found.unmeasured})
    else:
        print_rows(point_rows(found.points), _COLUMNS, empty="too few samples to learn from")
        click.echo(f"\nmean absolute error on {found.held_back} boards held back:")
        print_rows(judged, ["what", "unit", Column("physics", decimals=3), Column("learned", decimals=3), "n"])
    verdict = "no number got worse" if found.better else "physics is better in at least one number"
    say(f"{verdict}; " + (f"wrote {folder / 'pixels.csv'}" if kept else "nothing was written"))


_COLUMNS: list[Column | str] = ["station", Column("roughness", decimals=3), Column("moment_deg", decimals=2),
            Column("slope_deg", decimals=2), "n"]
