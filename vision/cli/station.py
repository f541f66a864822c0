"""`meniscope station`: look at a camera station's file and check it, measure the station, watch it."""

from __future__ import annotations

from pathlib import Path

import click

from vision.cli._common import Column, Output, check_files, print_json, print_rows, rows_options
from vision.cli._station_calibrate import calibrate_command
from vision.cli._station_check import check_command, example_command


@click.group()
def command() -> None:
    """Look at a camera station's file; calibrate the station, check it daily.

    A station is one camera with its lights. station.toml says how large a pixel is on the board, how picture
    files are named, and which ring of light is seen in which exposure and colour.
    """


@command.command(short_help="Print the lights and the slopes that each lights.")
@click.argument("station", type=click.Path(path_type=Path))
@rows_options
def show(station: Path, output: Output) -> None:
    """Print a station's lights and the slopes of solder that each of them lights.

    STATION is station.toml or the folder that holds it.
    """
    from vision.setup import read_station
    from vision.setup.sight import sight_of

    found = read_station(station)
    sight = sight_of(found)
    lights = [{"name": light.name, "exposure": light.exposure, "channel": light.channel,
               "zenith_from_deg": light.zenith_deg[0], "zenith_to_deg": light.zenith_deg[1],
               "slope_from_deg": light.zenith_deg[0] / 2.0, "slope_to_deg": light.zenith_deg[1] / 2.0,
               "azimuth_from_deg": light.azimuth_deg[0], "azimuth_to_deg": light.azimuth_deg[1],
               "flat_field": None if light.flat_field is None else str(light.flat_field)} for light in found.lights]
    if output == "json":
        print_json({"name": found.name, "mm_per_px": found.mm_per_px, "files": found.files,
                    "black_level": found.black_level, "cross_talk": found.cross_talk,
                    "working_distance_mm": found.working_distance_mm, "picture_px": found.picture_px,
                    "seen_from_mm": sight.seen_from_mm, "steepest_deg": sight.steepest_deg, "lights": lights})
        return
    if output == "table":
        lens = ("telecentric" if found.working_distance_mm is None
                else f"lens {found.working_distance_mm:g} mm above the board")
        size = "any size" if found.picture_px is None else "{} x {} px".format(*found.picture_px)
        click.echo(f"station {found.name}: {found.mm_per_px:g} mm a pixel, pictures of {size}, {lens}")
        click.echo(f"files {found.files}")
        click.echo(f"shows solder balls and pits from {sight.seen_from_mm:.2f} mm, slopes up to {sight.steepest_deg:g} "
                   f"degrees in {len(sight.bands)} bands of light\n")
        for light in lights:
            for band in ("zenith", "slope", "azimuth"):
                light[band] = f"{light[f'{band}_from_deg']:g} to {light[f'{band}_to_deg']:g}"
        print_rows(lights, [Column("name", "light"), "exposure", "channel", Column("zenith", "zenith deg"),
                            Column("slope", "lights slopes deg"), Column("azimuth", "azimuth deg"), "flat_field"])
        return
    print_rows(lights, list(lights[0]), output)


@command.command("check-file", short_help="Check station.toml and name every problem.")
@click.argument("station", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the problems as JSON.")
def check_file(station: Path, as_json: bool) -> None:
    """Check station.toml and name every problem: where, what is there, what is wanted.

    A good file may still get cautions: what such a station cannot show.

    Exit code 0: no problem; 1: problems.
    """
    from vision.setup import read_station
    from vision.setup.sight import cautions

    check_files(lambda: read_station(station), str(station), as_json, lambda found: cautions(found, str(station)))


command.add_command(calibrate_command)
command.add_command(check_command)
command.add_command(example_command)
