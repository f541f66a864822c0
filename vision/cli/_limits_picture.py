"""The sheet of one recorded joint or chip as a picture, drawn anew from the pictures that were graded."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from models.errors import MeniscopeError
from vision.cli._common import fail, say

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from models.limits import LimitSheet
    from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection


def write_picture(engine: Engine, key: int, inspection: Inspection, part: JointInspection | ChipInspection,
                  sheet: LimitSheet, path: Path, station_path: Path | None) -> None:
    """Draw the sheet of one part of an inspection into a PNG file.

    Raises MeniscopeError where the file's name says something else, and where the pictures are gone or were changed
    after grading.
    """
    if path.suffix.lower() != ".png":
        raise MeniscopeError(f"{path}: got the ending {path.suffix or '(none)'!r}, wanted .png")
    from vision import __version__
    from vision.pipeline.measure import see_view
    from vision.pipeline.pictures.traces import find_traces
    from vision.pipeline.pictures.zoom import draw_zoom, encoded
    from vision.review.pictures import Pictures
    from vision.setup import read_station

    stations = [] if station_path is None else [read_station(station_path)]
    shown = Pictures(engine, stations).seen(key, part.view)
    if not shown.flat_fields:
        say("caution: where the station's flat-fields lie is not recorded, so the lights' levels are taken from the "
            "pictures; --station STATION.toml draws with them" if station_path is None else
            f"caution: {station_path} is not the station that this board was graded with; drawn without flat-fields")
    if inspection.program_version != __version__:
        say(f"caution: measured by version {inspection.program_version}, drawn by version {__version__}")
    view = next(view for view in shown.family.views if view.name == part.view)
    seen = see_view(shown.capture, shown.family, view, shown.station)
    picture = draw_zoom(seen, find_traces(seen), inspection, part, shown.family, shown.station, sheet)
    try:
        path.write_bytes(encoded(picture))
    except OSError as error:
        fail(f"{path}: {(error.strerror or str(error)).lower()}; name a file that can be written")
    say(f"picture in {path}")
