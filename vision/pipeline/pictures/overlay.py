"""Overlay of a view: land, toe, gaps, lead, bridges, balls and verdict of every joint, drawn over the picture.

Colour tells the verdict, always beside its word or shape; what was seen is white and told apart by its form. The
picture below is in false colours: flat metal blue, steep metal red (`tones.py`).
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from models.vocabulary import FINDING
from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection
from vision.pipeline.measure import ViewSurfaces
from vision.pipeline.pictures.paper import (
    DOTTED,
    INK,
    SOLID,
    VERDICT_BGR,
    WHITE,
    Color,
    Paper,
    Picture,
    Points,
    circle_points,
    runs,
    stroke,
    text_width,
    verdict_shape,
)
from vision.pipeline.pictures.tones import Bands, toned
from vision.pipeline.pictures.traces import Traces, find_traces
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.lands import land_outline
from vision.pipeline.view.unwrap import AZIMUTHS, azimuths_rad, chip_outline

HEADING_PX = 36
LABEL_SIZE, LABEL_LINE = 15, 18
FAR = 4.0  # square pixels that a label may hide to be a pixel nearer to its part
OFF_MM = 0.06  # the land's outline is drawn this far outside the land, a gap's arc further
MARKS_IN_WORDS = ("thin line: toe     thick arc: gap     cross: lead's end     ring with ticks: ball     "
                  "double line: bridge (dotted: within a net)")
Box = tuple[float, float, float, float]


def draw_view(seen: ViewSurfaces, inspection: Inspection, traces: Traces | None = None) -> Picture:
    """Return the annotated picture of one view, blue-green-red."""
    traces = find_traces(seen) if traces is None else traces
    paper = Paper(natural(seen.capture, seen.optics.bands), [])
    joints = {(joint.ref, joint.pin): joint for joint in inspection.joints}
    shown = [(index, joints[joint.ref, joint.pin]) for index, joint in enumerate(seen.joints)
             if (joint.ref, joint.pin) in joints]
    labels: list[tuple[Points, JointInspection | ChipInspection]] = []
    if shown:
        _draw_pairs(paper.canvas, seen, traces)
        _draw_balls(paper.canvas, seen, traces)
    for index, result in shown:
        _draw_joint(paper.canvas, result, seen, traces, index)
        labels.append((land_outline(seen.joints[index], seen.registration.to_picture, OFF_MM), result))
    chips = {chip.ref: chip for chip in inspection.chips}
    for chip in seen.chips:
        if chip.ref in chips:
            outline = chip_outline(chip, seen.registration.to_picture, 0.1)
            _draw_part(paper.canvas, outline, chips[chip.ref])
            labels.append((outline, chips[chip.ref]))
    _draw_labels(paper, labels, _ball_boxes(seen, traces))
    _draw_heading(paper, inspection, seen.capture.view)
    return paper.finished()


def natural(capture: Capture, bands: Bands) -> Picture:
    """Return a view as a picture for looking at, in false colours; `bands` are the station's bands of light."""
    return toned(capture.responses, bands)


def _draw_part(canvas: Picture, outline: Points, result: JointInspection | ChipInspection) -> None:
    """Draw an outline in the verdict's colour; what is not accepted thicker."""
    thick = 1 if result.verdict == "accept" else 3
    stroke(canvas, outline, VERDICT_BGR[result.verdict], SOLID, thick, closed=True)


def _draw_joint(canvas: Picture, result: JointInspection, seen: ViewSurfaces, traces: Traces, index: int) -> None:
    to_picture, joint = seen.registration.to_picture, seen.joints[index]
    _draw_part(canvas, land_outline(joint, to_picture, OFF_MM), result)
    azimuth, center = azimuths_rad(), np.array([joint.x_mm, joint.y_mm])
    ray = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    covered, edge = traces.covered[index], seen.patches.land_edge_mm[index]
    for start, stop in runs(covered):
        arc = np.arange(start, stop + 1) % AZIMUTHS
        stroke(canvas, to_picture.to_px(center + traces.toe_mm[index][arc, None] * ray[arc]), WHITE, SOLID, 1)
    for start, stop in runs(~covered):
        arc = np.arange(start, stop + 1) % AZIMUTHS
        away = edge[arc, None] + 3.0 * OFF_MM
        stroke(canvas, to_picture.to_px(center + away * ray[arc]), WHITE, SOLID, 3, casing=INK)
    leads = traces.leads
    if leads.visible[index] > 0.5:
        x, y = to_picture.to_px(center + (leads.offset_x_mm[index], leads.offset_y_mm[index]))
        for way in (np.array([4.0, 0.0]), np.array([0.0, 4.0])):
            stroke(canvas, np.array([(x, y) - way, (x, y) + way]), WHITE, SOLID, 2)


def _draw_pairs(canvas: Picture, seen: ViewSurfaces, traces: Traces) -> None:
    """Draw the corridors of bridges, and of harmless joins within a net as dotted lines."""
    to_picture, pairs = seen.registration.to_picture, traces.corridors
    for first, second, width in zip(pairs.first.tolist(), pairs.second.tolist(), traces.bridge_mm.tolist(),
                                    strict=True):
        if width <= 0.0:
            continue
        one, other = traces.joints[first], traces.joints[second]
        harmless = bool(one.net) and one.net == other.net
        ends = np.array([(one.x_mm, one.y_mm), (other.x_mm, other.y_mm)])
        along = (ends[1] - ends[0]) / max(float(np.hypot(*(ends[1] - ends[0]))), 1e-9)
        aside = 0.5 * max(width, 0.1) * np.array([-along[1], along[0]])
        for side in (aside, -aside):
            stroke(canvas, to_picture.to_px(ends + side), WHITE, DOTTED if harmless else SOLID, 1 if harmless else 2,
                   casing=None if harmless else INK)


def _draw_balls(canvas: Picture, seen: ViewSurfaces, traces: Traces) -> None:
    scale = seen.registration.to_picture.px_per_mm
    for (x, y), diameter in zip(traces.balls.places_px.tolist(), traces.balls.diameter_mm.tolist(), strict=True):
        radius = 0.5 * diameter * scale + 3.0
        stroke(canvas, circle_points(x, y, radius, 36), WHITE, SOLID, 2, closed=True, casing=INK)
        for way in ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)):
            tick = np.array([(x, y)]) + np.array([[radius + 2.0], [radius + 8.0]]) * np.array([way])
            stroke(canvas, tick, WHITE, SOLID, 2, casing=INK)


def _draw_heading(paper: Paper, inspection: Inspection, view: str) -> None:
    tone = VERDICT_BGR[inspection.verdict]
    ink = INK if inspection.verdict in ("review", "ungraded") else WHITE
    width = paper.canvas.shape[1]
    paper.fill(0, 0, width, HEADING_PX, tone)
    verdict_shape(paper.canvas, 20.0, HEADING_PX / 2.0, 9.0, inspection.verdict, ink)
    x = 38.0
    for words, size in ((inspection.verdict, 22), (f"board {inspection.serial}", 18), (f"view {view}", 18)):
        if x + text_width(words, size) < width - 70:
            paper.text(x, 25, words, size, ink)
        x += text_width(words, size) + 22
    if x + text_width(MARKS_IN_WORDS, 14) + 14 < width:
        paper.text(width - 14, 24, MARKS_IN_WORDS, 14, ink, "rs")


def _ball_boxes(seen: ViewSurfaces, traces: Traces) -> list[Box]:
    """Return the boxes in which balls are marked, picture px."""
    half = 0.5 * traces.balls.diameter_mm * seen.registration.to_picture.px_per_mm + 11.0
    x, y = traces.balls.places_px[:, 0], traces.balls.places_px[:, 1]
    corners = np.stack([x - half, y - half, x + half, y + half], axis=1).tolist()
    return [(left, top, right, bottom) for left, top, right, bottom in corners]


def _draw_labels(paper: Paper, parts: Sequence[tuple[Points, JointInspection | ChipInspection]],
                 balls: Sequence[Box]) -> None:
    """Write name, verdict and findings beside every part that is not accepted, where least is hidden."""
    taken: list[Box] = []
    # Each with what a hidden square pixel of it costs.
    bodies = [((*outline.min(axis=0), *outline.max(axis=0)), 1.0 if result.verdict == "accept" else 2.0)
              for outline, result in parts] + [(box, 3.0) for box in balls]
    for outline, result in parts:
        if result.verdict == "accept":
            continue
        reasons = [FINDING[found.finding].title for found in result.findings if found.verdict != "indicator"]
        lines = [f"{result.name} {result.verdict}", *dict.fromkeys(reasons)]
        width = max(text_width(line, LABEL_SIZE) + (18 if row == 0 else 0) for row, line in enumerate(lines)) + 10
        height = float(LABEL_LINE * len(lines) + 6)
        box = _free_place(outline, (width, height), paper.canvas.shape, taken, bodies)
        taken.append(box)
        _draw_leader(paper.canvas, outline, box, result.verdict)
        _draw_label(paper, lines, box, result.verdict)


def _free_place(outline: Points, size: tuple[float, float], shape: tuple[int, ...], taken: Sequence[Box],
                bodies: Sequence[tuple[Box, float]]) -> Box:
    """Return the box beside a part that hides the least of labels, other parts and balls."""
    (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
    width, height = size
    across = {"right": right + 5, "left": left - width - 5, "middle": (left + right - width) / 2.0,
              "first": left, "last": right - width}
    down = {"top": top, "bottom": bottom - height, "above": top - height - 5, "below": bottom + 5,
            "middle": (top + bottom - height) / 2.0}
    places = [(across[x], down[y]) for x in ("right", "left") for y in ("top", "middle", "bottom", "above", "below")]
    places += [(across[x], down[y]) for y in ("above", "below") for x in ("middle", "first", "last")]
    boxes = []
    for wanted_x, wanted_y in places:
        x = min(max(wanted_x, 0.0), max(shape[1] - width, 0.0))
        y = min(max(wanted_y, HEADING_PX + 2.0), max(shape[0] - height, 0.0))
        boxes.append((x, y, x + width, y + height))
    middle = np.array([(left + right) / 2.0, (top + bottom) / 2.0])

    def cost(box: Box) -> float:
        away = float(np.hypot(*(np.array([(box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0]) - middle)))
        return (4.0 * sum(_overlap(box, other) for other in taken) + FAR * away
                + sum(_overlap(box, other) * weight for other, weight in bodies))

    return min(boxes, key=cost)


def _overlap(one: Box, other: Box) -> float:
    across = min(one[2], other[2]) - max(one[0], other[0])
    down = min(one[3], other[3]) - max(one[1], other[1])
    return max(across, 0.0) * max(down, 0.0)


def _draw_leader(canvas: Picture, outline: Points, box: Box, verdict: str) -> None:
    """Draw a line from a label to the nearest point of its part."""
    nearest = np.stack([np.clip(outline[:, 0], box[0], box[2]), np.clip(outline[:, 1], box[1], box[3])], axis=1)
    at = int(np.argmin(np.hypot(*(outline - nearest).T)))
    stroke(canvas, np.stack([outline[at], nearest[at]]), VERDICT_BGR[verdict], SOLID, 2, casing=INK)


def _draw_label(paper: Paper, lines: Sequence[str], box: Box, verdict: str) -> None:
    color: Color = VERDICT_BGR[verdict]
    paper.fill(*box, INK)
    cv2.rectangle(paper.canvas, (round(box[0]), round(box[1])), (round(box[2]) - 1, round(box[3]) - 1), color, 1)
    verdict_shape(paper.canvas, box[0] + 12.0, box[1] + 12.0, 6.0, verdict)
    for row, line in enumerate(lines):
        paper.text(box[0] + (23 if row == 0 else 5), box[1] + 17 + LABEL_LINE * row, line, LABEL_SIZE, WHITE)
