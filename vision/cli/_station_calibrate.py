"""`meniscope station calibrate`: a station file from pictures of a mirror ball and of a plane."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.errors import InputError, Problem
from vision.cli._common import Column, many, print_json, print_rows, progress, say

if TYPE_CHECKING:
    from vision.calibration.calibrate import Calibration
    from vision.calibration.pictures import ReferenceFiles
    from vision.calibration.reference import BoardReference, Reference
    from vision.setup import Station

PATH = click.Path(path_type=Path)
BRIGHT = ("caution: bright light: do not look into the rings, nor at their reflection in the ball, with the eye near "
          "it; have the lamps judged by the lamp safety standard in force")


def picture_options(function: Any) -> Any:
    """Give a command --ball, --plane, --dark: pictures named one by one."""
    for kind, what in (("dark", "taken with the cap on the lens and the lights off"),
                       ("plane", "of an even white or grey sheet"), ("ball", "of the mirror ball")):
        function = click.option(f"--{kind}", f"{kind}_files", multiple=True, metavar="[EXPOSURE=]FILE",
                                help=f"A picture {what}; for all exposures, give it once for each.")(function)
    return function


@click.command("calibrate", short_help="Measure a station with a mirror ball and a plane.")
@click.argument("station", type=PATH)
@click.argument("pictures", type=PATH, required=False)
@picture_options
@click.option("--ball-mm", type=click.FloatRange(min=0.2, max=100.0), help="The ball's diameter, where it is known: "
              "checks the scale, and finds a ball whose outline is lost on a dark ground.")
@click.option("--reflectance", type=click.FloatRange(min=0.02, max=1.0), default=1.0, show_default=True,
              help="The sheet's brightness against white: 1 = white paper, 0.18 = a photographer's grey card.")
@click.option("--take-scale", is_flag=True, help="Also take mm_per_px from the ball; needs --ball-mm.")
@click.option("--boards", "boards_folder", type=PATH, metavar="FOLDER",
              help="Pictures of good boards: their fiducials, mask and focus go into the reference. Needs --family.")
@click.option("--family", "family_path", type=PATH, help="The family of --boards.")
@click.option("--out", type=PATH, required=True, metavar="FILE",
              help="The new station.toml; flat-fields, reference.toml and calibration.html are written beside it.")
@click.option("--force", is_flag=True, help="Replace files that are there already.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def calibrate_command(station: Path, pictures: Path | None, out: Path, as_json: bool, **options: Any) -> None:
    """Measure a station from pictures of a mirror ball and of a plane, and write its station file.

    STATION is the station file to start from: scale, file names, and which light is seen in which exposure and
    colour; its angles may be rough. PICTURES is a folder with pictures named after the pattern `files` of the
    station, whose serial says what they show:

    \b
    ball       a polished steel ball (a bearing ball) in the middle of the picture, on matt grey or white paper;
               expose it so that its highlights stay below full scale (ball2, ball3: taken again elsewhere)
    plane      an even sheet of matt white paper that fills the picture, exposed as the boards are
    dark       cap on the lens, lights off
    only-NAME  the sheet with light NAME alone switched on, for the cross-talk of colours

    What has no picture keeps its value. A light's place is read from where it lights the ball: at distance d from the
    middle of a ball of radius R a mirror shows zenith 2 asin(d / R).

    \b
    meniscope station calibrate station.toml pictures --ball-mm 5 --out calibrated/station.toml
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from vision.calibration.calibrate import calibrate, reference_of, write_calibration
    from vision.report.calibration import calibration_html
    from vision.setup import read_station

    _check_options(options)
    if out.is_dir() or not out.suffix:
        out /= "station.toml"
    _check_new(out, options["force"])
    old = read_station(station)
    files = gathered(pictures, options, old)
    if files.empty and options["boards_folder"] is None:
        raise InputError([Problem(str(pictures or "PICTURES"), "", "no reference picture", _wanted(old))])
    if not as_json:
        say(BRIGHT)
    before = known_reference(station)
    found = _measured(old, files, options, calibrate)
    boards = _board_reference(options, found)
    reference = reference_of(found, ball_mm=options["ball_mm"], boards=boards, before=before)
    page = calibration_html(found, reference, [out.name, "reference.toml"])
    _, written = write_calibration(found, reference, out, page=page, force=options["force"])
    if as_json:
        print_json(summary(found, reference, written))
        return
    _show(found)
    for path in written:
        say(f"wrote {path}")


def _check_options(options: dict[str, Any]) -> None:
    if options["take_scale"] and options["ball_mm"] is None:
        raise click.UsageError("--take-scale needs the ball's diameter: --ball-mm")
    if (options["boards_folder"] is None) != (options["family_path"] is None):
        raise click.UsageError("--boards and --family go together")


def _check_new(out: Path, force: bool) -> None:
    """Refuse to overwrite before any work is done."""
    there = [path for path in (out, out.parent / "reference.toml", out.parent / "calibration.html") if path.exists()]
    if there and not force:
        raise InputError([Problem(str(path), "", "there already", "a new place with --out, or --force to replace it")
                          for path in there])


def reference_name(station: Station) -> str:
    """Return what a picture of the ball is called at this station."""
    return station.files.format(serial="ball", view="v1", exposure=station.exposures[0])


def _wanted(station: Station) -> str:
    return f"files named like {reference_name(station)}: ball, plane, dark or only-LIGHT in the place of the serial"


def gathered(pictures: Path | None, options: dict[str, Any], station: Station) -> ReferenceFiles:
    """Return the reference pictures of the folder and those named one by one."""
    from vision.calibration.pictures import ReferenceFiles, find_references

    found = ReferenceFiles() if pictures is None else find_references(pictures, station)
    if found.strangers:
        names = ", ".join(path.name for path in found.strangers[:3])
        say(f"caution: {many(len(found.strangers), 'picture')} named neither ball, plane, dark nor only-LIGHT, left "
            f"out: {names}")
    ball, plane, dark = (_named(options[f"{kind}_files"], station, kind) for kind in ("ball", "plane", "dark"))
    return replace(found, ball=(*found.ball, *ball), plane=(*found.plane, *plane), dark=(*found.dark, *dark))


def _named(values: tuple[str, ...], station: Station, kind: str) -> tuple[dict[str, Path], ...]:
    """Sort EXPOSURE=FILE values into takings: the same exposure again begins the next taking.

    Raises UsageError for an exposure that the station has not and for a file that is not there: a slip of the typing
    would else look like a fault of the station.
    """
    takings: list[dict[str, Path]] = []
    for value in values:
        exposure, name = _exposure_and_file(value, station, kind)
        if not Path(name).is_file():
            raise click.UsageError(f"--{kind} {value}: no file {name}; give a picture's path, or EXPOSURE=FILE")
        if not takings or exposure in takings[-1]:
            takings.append({})
        takings[-1][exposure] = Path(name)
    return tuple(takings)


def _exposure_and_file(value: str, station: Station, kind: str) -> tuple[str, str]:
    """Return the exposure and the file of a [EXPOSURE=]FILE value; a file's own name may hold `=`."""
    exposure, mark, name = value.partition("=")
    known = ", ".join(map(repr, station.exposures))
    if mark and exposure in station.exposures:
        return exposure, name
    if mark and not Path(value).is_file():
        raise click.UsageError(f"--{kind} {value}: no exposure {exposure!r}; the station's lights use {known}")
    if len(station.exposures) > 1:
        raise click.UsageError(f"--{kind} {value}: say which exposure it is, EXPOSURE=FILE, one of {known}")
    return station.exposures[0], value


def known_reference(station: Path) -> Reference | None:
    """Return the reference beside a station file, or None."""
    from vision.calibration.reference import read_reference, reference_beside

    path = reference_beside(station)
    return read_reference(path) if path.is_file() else None


def _measured(old: Station, files: ReferenceFiles, options: dict[str, Any], calibrate: Any) -> Calibration:
    """Run the calibration; without reference pictures (boards alone) everything is kept."""
    from vision.calibration.calibrate import unchanged

    if files.empty:
        return unchanged(old)
    found: Calibration = calibrate(old, files, ball_mm=options["ball_mm"], reflectance=options["reflectance"])
    if options["take_scale"] and found.balls:
        new = replace(found.station, mm_per_px=round(found.station.mm_per_px * found.scale, 7))
        told = tuple(text for text in found.cautions if not text.startswith("scale:"))
        found = replace(found, station=new, cautions=told)
    return found


def _board_reference(options: dict[str, Any], found: Calibration) -> BoardReference | None:
    """Return what good boards give under the new station file, its new flat-fields included."""
    if options["boards_folder"] is None:
        return None
    from tempfile import TemporaryDirectory

    from vision.calibration.boards import board_reference
    from vision.calibration.calibrate import reference_of, write_calibration

    with TemporaryDirectory() as folder:
        station, _ = write_calibration(found, reference_of(found), Path(folder) / "station.toml")
        family, day = look(options["boards_folder"], options["family_path"], station)
    return board_reference(day, family)


def look(folder: Path, family_path: Path, station: Station) -> tuple[Any, Any]:
    """Return the family and what its boards in a folder say about the station."""
    from vision.calibration.boards import look_at_boards
    from vision.pipeline.folder import scan_folder
    from vision.setup import read_family

    family = read_family(family_path)
    boards = scan_folder(folder, station, family)
    with progress(min(len(boards), 20), "looking at boards") as bar:
        return family, look_at_boards(boards, family, station, 20, bar.step)


def summary(found: Calibration, reference: Reference, written: list[Path]) -> dict[str, Any]:
    """Return what --json prints."""
    seen = {light.name: light for light in found.lights}
    fields = {field.light: field for field in found.fields}
    lights = []
    for old, new in zip(found.old.lights, found.station.lights, strict=True):
        light, field = seen.get(old.name), fields.get(old.name)
        lights.append({
            "name": old.name, "exposure": old.exposure, "channel": old.channel, "zenith_deg": new.zenith_deg,
            "old_zenith_deg": old.zenith_deg, "zenith_uncertainty_deg": light.uncertainty_deg if light else None,
            "azimuth_deg": new.azimuth_deg, "old_azimuth_deg": old.azimuth_deg,
            "ball_level": light.level if light else None, "full_scale_pct": light.full_pct if light else None,
            "off_axis_deg": light.off_axis_deg if light else None, "sheet_level": field.level if field else None,
            "evenness": field.falloff if field else None})
    balls = [{"picture": taking.shot.name, "x_px": taking.ball.x_px, "y_px": taking.ball.y_px,
              "radius_px": taking.ball.radius_px, "blur_px": taking.ball.blur_px, "outline": taking.ball.outline,
              "diameter_mm": taking.diameter_mm} for taking in found.balls]
    return {"station": found.station.name, "made": reference.made, "mm_per_px": found.station.mm_per_px,
            "scale": found.scale, "black_level": found.station.black_level, "cross_talk": found.station.cross_talk,
            "black_noise": found.noise.black, "sheet_noise": found.noise.sheet,
            "electrons_per_level": found.noise.electrons_per_level, "lights": lights, "balls": balls,
            "kept": found.kept, "cautions": found.cautions, "written": [str(path) for path in written]}


def _show(found: Calibration) -> None:
    """Print old and new numbers."""
    for taking in found.balls:
        ball = taking.ball
        how = "" if ball.outline else ", outline not seen: radius from its known diameter"
        click.echo(f"{taking.shot.name}: {2 * ball.radius_px:.1f} px across = {taking.diameter_mm:.3f} mm, centre at "
                   f"pixel ({ball.x_px:.1f}, {ball.y_px:.1f}){how}")
    if found.balls:
        click.echo()
    seen = {light.name: light for light in found.lights}
    fields = {field.light: field for field in found.fields}
    rows = []
    for old, new in zip(found.old.lights, found.station.lights, strict=True):
        light, field = seen.get(old.name), fields.get(old.name)
        rows.append({"name": old.name, "exposure": old.exposure or "-", "channel": old.channel,
                     "old": _pair(old.zenith_deg), "new": _pair(new.zenith_deg) if light else "kept",
                     "error": max(2.0 * light.uncertainty_deg, 0.1) if light else None,
                     "azimuth": _pair(new.azimuth_deg, 0) if light else "kept",
                     "level": field.level if field else None,
                     "even": 100.0 * field.falloff if field else None})
    print_rows(rows, [Column("name", "light"), "exposure", "channel", Column("old", "zenith deg was"),
                      Column("new", "is"), Column("error", "+/-", 1), Column("azimuth", "azimuth deg"),
                      Column("level", "white sheet, levels", 1), Column("even", "darkest/brightest %", 0)])
    black = f"black level {found.old.black_level:g} -> {found.station.black_level:g}"
    talk = "" if found.station.cross_talk == found.old.cross_talk else "; cross-talk measured"
    click.echo(f"\n{black}{talk}; {found.station.mm_per_px:g} mm a pixel")
    for text in found.kept:
        say(f"kept: {text}")
    for text in found.cautions:
        say(f"caution: {text}")


def _pair(pair: tuple[float, float], decimals: int = 1) -> str:
    return f"{pair[0]:.{decimals}f} to {pair[1]:.{decimals}f}"
