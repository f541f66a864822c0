"""The repair sheet as one printable HTML file with everything in it: map, pictures, words, cautions."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path

from jinja2 import Environment, FileSystemLoader
from markupsafe import Markup

from vision.review.bench_marks import names_on_map, open_words, picture_words, shown
from vision.review.drawing import Map, Mark, board_map
from vision.review.pictures import NotShownError, Pictures, Window, part_half_mm
from vision.review.practice import CAUTIONS, CONTACT_CAUTION, DEFERS, FIRST_CAUTION
from vision.review.stops import Sheet, Stop
from vision.setup import Family


def sheet_map(sheet: Sheet, family: Family, turn: int = 0) -> str:
    """Return the board as the person at the bench sees it: parts' names, numbered stops and the iron's way.

    What is mended is a white disc with its number.
    """
    marks = [Mark(stop.x_mm, stop.y_mm, "stop", f"{stop.number}: {stop.name}", str(stop.number))
             for stop in sheet.stops]
    marks += [Mark(done.x_mm, done.y_mm, "place", f"{done.number}: {done.name}, mended", str(done.number))
              for done in sheet.done]
    way = [sheet.start_mm, *((stop.x_mm, stop.y_mm) for stop in sheet.stops)] if sheet.stops else []
    title = f"Board {sheet.seen_from_words}"
    if sheet.stops:
        title += ", places to mend in the order of the iron's way"
    drawn = board_map(family, marks, title, side=sheet.side, turn=turn, way=way, origin=True)
    names = names_on_map(family, [(mark.x_mm, mark.y_mm) for mark in marks], way, Map(family, sheet.side, turn))
    return drawn.removesuffix("</svg>") + names + "</svg>"


def stop_window(stop: Stop, family: Family) -> Window:
    """Return the window that shows a stop whole."""
    joints = {joint.name: joint for joint in family.joints}
    chips = {chip.ref: chip for chip in family.chips}
    halves = [part_half_mm(joints[name] if name in joints else chips[name]) for name in stop.places
              if name in joints or name in chips]
    reach = max((max(abs(joints[name].x_mm - stop.x_mm), abs(joints[name].y_mm - stop.y_mm))
                 for name in stop.places if name in joints), default=0.0)
    round_it = 1.0 if any(item.finding == "solder_ball" for item in stop.wrong) else 0.0
    return Window(stop.x_mm, stop.y_mm, min(reach + max(halves, default=2.0) + round_it, 8.0))


def stop_pictures(sheet: Sheet, family: Family, pictures: Pictures) -> dict[int, str]:
    """Return a data URI a stop; stops whose picture cannot be shown are left out."""
    found: dict[int, str] = {}
    for stop in sheet.stops:
        try:
            data = pictures.cut(sheet.board.inspection_id, stop.view, stop_window(stop, family), "all")
        except NotShownError:
            continue
        found[stop.number] = "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")
    return found


def sheet_html(sheet: Sheet, family: Family, pictures: Mapping[int, str], turn: int = 0) -> str:
    """Return the whole sheet as one HTML file that needs nothing else, fit for printing."""
    here = Path(__file__).parent
    page = Environment(loader=FileSystemLoader(here / "templates"), autoescape=True, trim_blocks=True,
                       lstrip_blocks=True)
    style = (here / "static" / "sheet.css").read_text(encoding="utf-8")
    seen = {stop.number: shown(stop, stop_window(stop, family), sheet, family, turn) for stop in sheet.stops}
    return page.get_template("sheet.html").render(
        sheet=sheet, map=Markup(sheet_map(sheet, family, turn)), pictures=pictures, seen=seen,
        unpictured={stop.number: open_words(stop, family) for stop in sheet.stops},
        pictures_lie=picture_words(sheet, family, turn), cautions=CAUTIONS, contact=CONTACT_CAUTION,
        first=FIRST_CAUTION, defers=DEFERS, style=Markup(style))
