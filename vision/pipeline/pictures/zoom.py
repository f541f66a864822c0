"""One sheet a joint or chip: what was seen, how steep it is, what each light says, numbers against limits."""

from __future__ import annotations

import math

import cv2
import numpy as np

from models.limits import LimitSheet
from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection
from vision.pipeline.measure import ViewSurfaces
from vision.pipeline.pictures.paper import INK, LINE, SOFT, SOLID, WHITE, Paper, Picture, stroke, text_width
from vision.pipeline.pictures.tones import toned, tones_in_words
from vision.pipeline.pictures.traces import Traces, find_spots
from vision.pipeline.pictures.zoom_charts import draw_profile, draw_strip
from vision.pipeline.pictures.zoom_cut import (
    EXPECTED,
    FOUND,
    Cut,
    colour_bar,
    cut_at,
    cut_planes,
    draw_seen,
    joint_cut,
    legend,
    scale_bar,
    slope_picture,
)
from vision.pipeline.pictures.zoom_table import (
    RuleLines,
    draw_heading,
    draw_help,
    draw_rest,
    draw_table,
    rules_of,
    table_height,
)
from vision.pipeline.view.unwrap import chip_outline
from vision.setup.family import Chip, Family
from vision.setup.geometry import Similarity
from vision.setup.station import Station

WIDTH, LEAST_HEIGHT, MOST_HEIGHT = 1360, 740, 1100
LEFT, TOP, SIDE, APART, TABLE = 18, 102, 350, 20, 796
FOOT = 26
AROUND_CHIP_MM = 0.9
CAUTION = ("A verdict supports a trained person and does not replace one. The current revision of the workmanship "
           "standard governs.")

JOINT_HELP = (
    "Wetted fillet: steep at the lead, flat at the toe. From the lead outward the lights",
    "answer from the lowest to the highest.",
    "Dome, not wetted: flat in the middle, steep at its edge; the order is reversed.",
    "Bare land: flat all over; the highest light answers alike from hole to edge.",
    "Dark: steeper than any light can show, or one looks into the hole.")
CHIP_HELP = (
    "A chip's flat metal ends shine most under the highest light, bare lands do so too.",
    "Along and across are the chip's own axes; turns are counter-clockwise on the board.")


def draw_zoom(seen: ViewSurfaces, traces: Traces, inspection: Inspection, part: JointInspection | ChipInspection,
              family: Family, station: Station, sheet: LimitSheet) -> Picture:
    """Return the sheet of one joint or chip of a view, blue-green-red, WIDTH px wide.

    Raises KeyError where the part is not one that the view answers for.
    """
    rules = rules_of(part, sheet)
    height = int(np.clip(TOP + table_height(rules) + FOOT + 90, LEAST_HEIGHT, MOST_HEIGHT))
    paper = Paper.blank(WIDTH, height)
    lights = ", ".join(light.name for light in station.lights)
    limits = f"workmanship class {sheet.workmanship_class}, limit sheet {inspection.sheet_hash[:12]}"
    if isinstance(part, JointInspection):
        index = next((at for at, joint in enumerate(seen.joints) if joint.name == part.name), None)
        if index is None:
            raise KeyError(part.name)
        joint = seen.joints[index]
        what = (f"land {joint.land_kind}, hole {joint.hole_mm:g} mm, {joint.lead_shape} lead"
                f"{f', net {joint.net}' if joint.net else ''}{f', pot {joint.pot}' if joint.pot else ''}")
        _draw_joint(paper, seen, traces, index, part, station, height)
    else:
        chip = next((chip for chip in seen.chips if chip.ref == part.ref), None)
        if chip is None:
            raise KeyError(part.ref)
        what = f"chip {chip.body_w_mm:g} x {chip.body_h_mm:g} mm"
        _draw_chip(paper, seen, chip, part, station, height)
    draw_heading(paper, inspection.serial, part, f"family {family.name}, view {part.view}: {what}; station "
                 f"{station.name} with lights {lights}; {limits}", WIDTH)
    _draw_words(paper, rules, part, height)
    return paper.finished()


def _draw_words(paper: Paper, rules: list[RuleLines], part: JointInspection | ChipInspection, height: int) -> None:
    """Draw the table, what else was measured, and the caution."""
    bottom = height - FOOT - 14
    end = TOP - 20 + table_height(rules)
    draw_table(paper, rules, (TABLE, TOP - 20, WIDTH - LEFT, bottom))
    if end < bottom:
        end = draw_rest(paper, part, rules, (TABLE, end + 8, WIDTH - LEFT, bottom))
        draw_help(paper, JOINT_HELP if isinstance(part, JointInspection) else CHIP_HELP,
                  (TABLE, end, WIDTH - LEFT, bottom))
    paper.fill(LEFT, height - FOOT, WIDTH - LEFT, height - FOOT + 1, LINE)
    paper.text(LEFT, height - 9, CAUTION, 12, SOFT)
    note = "± standard uncertainty, where stated; azimuths as seen from the component side"
    paper.text(WIDTH - LEFT, height - 9, note, 12, SOFT, "rs")


def _draw_joint(paper: Paper, seen: ViewSurfaces, traces: Traces, index: int, part: JointInspection,
                station: Station, height: int) -> None:
    """Draw the pictures and charts of a joint."""
    other = next((found.other for found in part.findings if found.other), "")
    spots = find_spots(seen, traces, index, part.measurements)
    balls = part.measurements.get("ball_count", 0.0) > 0
    cut = joint_cut(seen, traces, index, other, balls, SIDE)
    planes = cut_planes(seen.capture.responses, cut)
    crop, marks = draw_seen(planes, seen, traces, index, spots, cut)
    _title(paper, LEFT, _false_colours(seen, station))
    paper.paste(crop.finished(), LEFT, TOP)
    slope_left = LEFT + SIDE + APART
    _title(paper, slope_left, "slope of the surface")
    paper.paste(slope_picture(planes, seen, traces, index, cut), slope_left, TOP)
    colour_bar(paper, slope_left + SIDE + 6, TOP + 4, SIDE - 40)
    below = round(legend(paper, marks, LEFT, TOP + SIDE + 18, TABLE - 30))
    bottom = min(height - FOOT - 14, below + 300)
    paper.text(LEFT, below + 14, "response of each light, 1 = white: median, 10-90 % of azimuths",
               12, SOFT)
    draw_profile(paper, seen, traces, index, station.lights, (LEFT, below + 22, LEFT + SIDE + 10, bottom))
    paper.text(slope_left + 70, below + 14, "the joint unrolled, with its gaps", 12, SOFT)
    draw_strip(paper, seen, traces, index, (slope_left, below + 24, slope_left + SIDE + 40, bottom))


def _title(paper: Paper, left: int, words: str) -> None:
    paper.text(left, TOP - 7, words, 13, INK)


def _false_colours(seen: ViewSurfaces, station: Station) -> str:
    """Say over a picture which light has which colour: by names, or where they are long by zenith angles."""
    return next((words for words in (f"seen, in false colours: {tones_in_words(station.lights, seen.optics.bands)}",
                                     f"in false colours: {tones_in_words(station.lights, seen.optics.bands)}")
                 if text_width(words, 13) <= SIDE),
                f"in false colours: {tones_in_words(station.lights, seen.optics.bands, degrees=True)}")


def _draw_chip(paper: Paper, seen: ViewSurfaces, chip: Chip, part: ChipInspection, station: Station,
               height: int) -> None:
    """Draw a chip: where it should be and where it is, and the picture under each light."""
    to_picture = seen.registration.to_picture
    along, across, turn = (part.measurements.get(name, math.nan)
                           for name in ("shift_along_mm", "shift_across_mm", "turn_deg"))
    moved = math.hypot(along, across)
    half = max(chip.body_w_mm, chip.body_h_mm) / 2.0 + AROUND_CHIP_MM + (max(moved - 0.5, 0.0) if moved > 0 else 0.0)
    cut = cut_at(to_picture, (chip.x_mm, chip.y_mm), half, SIDE)
    planes = cut_planes(seen.capture.responses, cut)
    marked, marks = Paper(toned(planes, seen.optics.bands), []), [EXPECTED]
    here = Similarity(cut.zoom * to_picture.matrix, cut.zoom * (to_picture.shift - cut.low))
    stroke(marked.canvas, chip_outline(chip, here), EXPECTED.color, EXPECTED.pattern, 2, closed=True, casing=INK)
    if all(map(math.isfinite, (along, across, turn))):
        _draw_found(marked, chip, cut, here, (along, across, turn))
        marks.append(FOUND)
        said = f"along {along:+.2f} mm, across {across:+.2f} mm, turned {turn:+.0f}°"
    else:
        said = "no chip was found here"
    scale_bar(marked, cut)
    _title(paper, LEFT, "where it should be and where it is")
    paper.paste(marked.finished(), LEFT, TOP)
    _title(paper, LEFT + SIDE + APART, _false_colours(seen, station))
    paper.paste(toned(planes, seen.optics.bands), LEFT + SIDE + APART, TOP)
    below = round(legend(paper, marks, LEFT, TOP + SIDE + 18, LEFT + SIDE))
    paper.text(LEFT + SIDE + APART, TOP + SIDE + 23, said, 15, INK)
    _draw_lights(paper, planes, station, below + 16, height - FOOT - 14)


def _draw_found(paper: Paper, chip: Chip, cut: Cut, here: Similarity, shift: tuple[float, float, float]) -> None:
    """Draw a chip's found outline and an arrow from its expected to its found middle."""
    along, across, turn = shift
    angle = math.radians(chip.long_axis_deg)
    x = chip.x_mm + along * math.cos(angle) - across * math.sin(angle)
    y = chip.y_mm + along * math.sin(angle) + across * math.cos(angle)
    found = Chip(chip.ref, x, y, chip.rotation_deg + turn, chip.body_w_mm, chip.body_h_mm)
    stroke(paper.canvas, chip_outline(found, here), FOUND.color, FOUND.pattern, 2, closed=True, casing=INK)
    start, stop = cut.to_panel((chip.x_mm, chip.y_mm)), cut.to_panel((x, y))
    length = float(np.hypot(*(stop - start)))
    if length > 6.0:
        one, other = ((round(float(point[0])), round(float(point[1]))) for point in (start, stop))
        for color, thick in ((INK, 5), (WHITE, 2)):
            cv2.arrowedLine(paper.canvas, one, other, color, thick, cv2.LINE_AA, 0, min(9.0 / length, 0.5))
    else:
        for way in ((4.0, 0.0), (0.0, 4.0)):
            stroke(paper.canvas, np.array([stop - way, stop + way]), WHITE, SOLID, 2, casing=INK)


def _draw_lights(paper: Paper, planes: np.ndarray[tuple[int, ...], np.dtype[np.float32]], station: Station, top: int,
                 bottom: int) -> None:
    """Draw small grey pictures under each light side by side."""
    across = TABLE - 30 - LEFT
    side = min(bottom - top - 20, (across - 10 * (len(planes) - 1)) // len(planes), 220)
    for number, (plane, light) in enumerate(zip(planes, station.lights, strict=True)):
        left = LEFT + number * (side + 10)
        small = np.clip(cv2.resize(plane, (side, side), interpolation=cv2.INTER_AREA) / 2.0, 0.0, 1.0)
        grey = (np.sqrt(small) * 235.0).astype(np.uint8)
        paper.paste(np.dstack([grey] * 3), left, top + 18)
        paper.text(left, top + 12, f"{light.name} {light.zenith_deg[0]:g}-{light.zenith_deg[1]:g}°", 12, INK)


def encoded(picture: Picture) -> bytes:
    """Return a sheet as PNG bytes."""
    good, data = cv2.imencode(".png", picture)
    assert good  # an 8-bit colour picture in memory can always be encoded
    return data.tobytes()
