"""`meniscope station check` and `example-pictures`: is the station still what it was, and something to try it on."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.errors import InputError, Problem
from vision.cli._common import Column, Output, print_json, print_rows, rows_options, say, station_option
from vision.cli._station_calibrate import BRIGHT, PATH, gathered, known_reference, look, picture_options, reference_name

if TYPE_CHECKING:
    from vision.calibration.check import Finding
    from vision.setup import Station

COLUMNS = (Column("target"), Column("what"), Column("light"), Column("reference"), Column("now"), Column("change"),
           Column("limits", "caution / fault beyond"), Column("result"), Column("note"))


@click.command("check", short_help="Compare a shift's pictures with the calibration.")
@click.argument("station", type=PATH)
@click.argument("pictures", type=PATH, required=False)
@picture_options
@click.option("--boards", "boards_folder", type=PATH, metavar="FOLDER",
              help="The day's boards: 20 of them, spread over the folder, are looked at. Needs --family.")
@click.option("--family", "family_path", type=PATH, help="The family of --boards.")
@click.option("--fail-on", type=click.Choice(("caution", "fault")), default=None,
              help="Exit with code 3 when something is a fault, or with `caution` a caution or a fault.")
@rows_options
def check_command(station: Path, pictures: Path | None, output: Output, **options: Any) -> None:
    """Compare a shift's reference pictures or the day's boards with the station's calibration.

    PICTURES is a folder with pictures of the ball, the plane or without light, named as for `calibrate` and taken with
    the same exposures. A light that is dead, weak or moved, exchanged exposures, lost focus, a moved camera, and too
    long exposures are named. The limits stand in the table [limits] of reference.toml, which `calibrate` wrote beside
    the station file; change them there.

    \b
    meniscope station check calibrated/station.toml shift --fail-on fault
    meniscope station check calibrated/station.toml --boards today --family psu-24

    Exit code 0: it ran; 1: it could not run; 2: the command line was wrong; 3: what --fail-on names was found.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from vision.calibration.check import check_boards, check_references, worst
    from vision.calibration.reference import reference_beside
    from vision.setup import read_station

    if (options["boards_folder"] is None) != (options["family_path"] is None):
        raise click.UsageError("--boards and --family go together")
    known = read_station(station)
    files = gathered(pictures, options, known)
    if not (files.ball or files.plane or files.dark) and options["boards_folder"] is None:
        raise InputError([Problem(
            str(pictures or "PICTURES"), "", "nothing to compare", "pictures of the ball, the plane or without light "
            f"(a folder with names like {reference_name(known)}, or --ball, --plane, --dark), or --boards")])
    reference = known_reference(station)
    if reference is None:
        raise InputError([Problem(str(reference_beside(station)), "", "no such file", "the reference that `meniscope "
                                  "station calibrate` writes beside the station file")])
    if reference.station != known.name:
        say(f"caution: the reference is of station {reference.station}, the station file of {known.name}")
    if output == "table":
        say(BRIGHT)
    found = check_references(known, reference, files)
    if options["boards_folder"] is not None:
        family, day = look(options["boards_folder"], options["family_path"], known)
        found += check_boards(day, family, known, reference)
    result = worst(found)
    _print(found, result, reference.made, output)
    if options["fail_on"] is not None and (result == "fault" or result == options["fail_on"]):
        raise click.exceptions.Exit(3)


def _print(found: list[Finding], result: str, made: str, output: Output) -> None:
    if output == "json":
        print_json({"result": result, "reference_made": made, "findings": [asdict(finding) for finding in found]})
        return
    if output == "csv":
        rows = [asdict(finding) | {"limits": "" if finding.limits is None else _span(finding.limits)}
                for finding in found]
        print_rows(rows, ["target", "what", "light", "reference", "now", "unit", "change", "change_unit", "limits",
                          "result", "note"], "csv")
        return
    print_rows([_line(finding) for finding in found], COLUMNS)
    counts = {word: sum(finding.result == word for finding in found) for word in ("good", "caution", "fault")}
    click.echo(f"\n{result}: {counts['good']} good, {counts['caution']} caution, {counts['fault']} fault; against the "
               f"calibration of {made}")


def _decimals(finding: Finding) -> int:
    """Return how many decimals a change needs beside its limit of caution."""
    limit = finding.limits[0] if finding.limits else 1.0
    return 2 if limit < 1.0 else 1


def _span(limits: tuple[float, float]) -> str:
    return f"{limits[0]:g} / {limits[1]:g}"


def _line(finding: Finding) -> dict[str, str]:
    """Return a finding's cells as text."""
    def number(value: float, unit: str) -> str:
        return "" if math.isnan(value) else f"{f'{value:#.3g}'.rstrip('.')} {unit}"  # 70.0 beside 70.2, not 70

    change = "" if math.isnan(finding.change) else f"{finding.change:+.{_decimals(finding)}f} {finding.change_unit}"
    limits = "" if finding.limits is None else f"{_span(finding.limits)} {finding.change_unit}"
    return {"target": finding.target, "what": finding.what, "light": finding.light,
            "reference": number(finding.reference, finding.unit), "now": number(finding.now, finding.unit),
            "change": change, "limits": limits, "result": finding.result, "note": finding.note}


@click.command("example-pictures", short_help="Render pictures to try `calibrate` on, without a ball.")
@click.argument("out", type=PATH)
@station_option
@click.option("--ball-mm", type=click.FloatRange(min=0.2, max=100.0), default=5.0, show_default=True,
              help="Diameter of the rendered ball.")
@click.option("--off", type=click.FloatRange(min=0.0, max=8.0), default=3.0, show_default=True, metavar="DEG",
              help="By how much the rendered lights stand off the station file's angles, at most.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Equal seeds, equal pictures.")
def example_command(out: Path, station_path: Path, ball_mm: float, off: float, seed: int) -> None:
    """Render reference pictures of a station to try `calibrate` on, without a real ball.

    OUT receives pictures of a ball, a plane, without light and with one light on, as a station would take them whose
    lights stand a few degrees off the station file; true-station.toml says where. They are rendered: they show how the
    command works, and calibrate no real station.
    """
    from vision.setup import read_station, write_station

    station = read_station(station_path)
    out.mkdir(parents=True, exist_ok=True)
    true = _shifted(station, off, seed)
    count = _write_examples(true, out, ball_mm, seed)
    write_station(true, out / "true-station.toml")
    say(f"wrote {count} pictures and true-station.toml to {out}; try:")
    click.echo(f"meniscope station calibrate {station_path} {out} --ball-mm {ball_mm:g} --out "
               f"{out / 'calibrated' / 'station.toml'}")


def _shifted(station: Station, off: float, seed: int) -> Station:
    """Return the station with every band moved and stretched a little."""
    import numpy as np

    rng = np.random.default_rng([seed, 13])
    lights = []
    for light in station.lights:
        low, high = (float(np.clip(edge + rng.uniform(-off, off), 0.5, 89.5)) for edge in light.zenith_deg)
        low, high = (light.zenith_deg if high - low < 2.0 else (round(low, 1), round(high, 1)))
        lights.append(replace(light, zenith_deg=(low, high), flat_field=None))
    return replace(station, lights=tuple(lights))


def _write_examples(true: Station, out: Path, ball_mm: float, seed: int) -> int:
    import cv2

    from synthetic_images.calibration_targets import ball_pictures, sheet_pictures

    size = true.picture_px or (1200, 900)
    targets = {"ball": ball_pictures(true, size, ball_mm, seed), "plane": sheet_pictures(true, size, seed),
               "dark": sheet_pictures(true, size, seed, level=0.0)}
    targets |= {f"only-{light.name}": sheet_pictures(true, size, seed, light.name) for light in true.lights
                if light.channel != "mono"}
    count = 0
    for serial, pictures in targets.items():
        for exposure, picture in pictures.items():
            path = out / true.files.format(serial=serial, view="v1", exposure=exposure)
            if not cv2.imwrite(str(path), picture):
                raise InputError([Problem(str(path), "", "could not be written", "a folder that can be written to")])
            count += 1
    return count
