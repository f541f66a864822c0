"""The two pictures of a joint's sheet: what was seen, with everything that was measured drawn in, and its slope."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.pipeline.defects.corridors import is_metal
from vision.pipeline.light.grids import land_reach, lifted_flats
from vision.pipeline.light.optics import DARK, sector_of, slope_from_responses
from vision.pipeline.light.surface import LIKE_FIDUCIAL, like_land
from vision.pipeline.measure import ViewSurfaces
from vision.pipeline.pictures.paper import (
    BLUE,
    DASH_DOT,
    DASHED,
    DOTTED,
    GREEN,
    GREY,
    INK,
    LONG_DASHED,
    ORANGE,
    PURPLE,
    SKY,
    SOLID,
    VERMILION,
    WHITE,
    YELLOW,
    Color,
    Paper,
    Picture,
    Points,
    circle_points,
    runs,
    stroke,
    text_width,
)
from vision.pipeline.pictures.tones import toned
from vision.pipeline.pictures.traces import Spots, Traces
from vision.pipeline.view.lands import land_outline
from vision.pipeline.view.unwrap import AZIMUTHS
from vision.setup.family import Joint
from vision.setup.geometry import Similarity

#: Steepest slope of the map's scale, degrees: steeper metal sees no light.
STEEPEST_DEG = 45.0
GAP_OFF_MM = 0.10  # a gap's arc runs this far outside the land
BIG_HALF_MM = 6.0


@dataclass(frozen=True)
class Mark:
    """How one kind of thing is drawn: its own colour and its own line."""

    words: str
    color: Color
    pattern: tuple[float, ...]
    thick: int
    sign: str = ""  # what else tells it: "ticks", "cross", "aim", "arrow", "box"


LAND = Mark("land", SKY, DASH_DOT, 2)
TOE = Mark("toe of the solder", YELLOW, SOLID, 2)
GAP = Mark("gap", VERMILION, SOLID, 4, "ticks")
LEAD = Mark("lead's end", GREEN, DASHED, 2, "cross")
BRIDGE = Mark("bridge", PURPLE, LONG_DASHED, 2)
BALL = Mark("solder ball", ORANGE, SOLID, 2, "aim")
PIT = Mark("pit", BLUE, DOTTED, 2, "box")
SPIKE = Mark("projection", WHITE, SOLID, 2, "arrow")
JOINED = Mark("join within a net", GREY, DOTTED, 2)
EXPECTED = Mark("expected outline", SKY, DASH_DOT, 2)
FOUND = Mark("found outline", YELLOW, SOLID, 2)
MARKS = (LAND, TOE, GAP, LEAD, BRIDGE, BALL, PIT, SPIKE, JOINED)


@dataclass(frozen=True)
class Cut:
    """A square of a view, enlarged: panel px = zoom * (picture px - low)."""

    low: NDArray[np.float64]
    zoom: float
    side: int
    to_picture: Similarity

    def to_panel(self, points_mm: ArrayLike) -> Points:
        """Map board mm to panel px."""
        return self.zoom * (self.to_picture.to_px(points_mm) - self.low)

    @property
    def px_per_mm(self) -> float:
        """Scale of the panel."""
        return self.zoom * self.to_picture.px_per_mm


def cut_at(to_picture: Similarity, center_mm: tuple[float, float], half_mm: float, side: int) -> Cut:
    """Return the cut of a square with its centre and half its side on the board."""
    zoom = side / (2.0 * half_mm * to_picture.px_per_mm)
    return Cut(to_picture.to_px(center_mm) - side / (2.0 * zoom), zoom, side, to_picture)


def cut_planes(responses: NDArray[np.float32], cut: Cut) -> NDArray[np.float32]:
    """Return the responses within a cut, [light, row, col]; 0 beyond the picture."""
    size = np.array(responses.shape[:0:-1])  # (width, height)
    low = np.clip(np.floor(cut.low).astype(int) - 3, 0, size)
    high = np.clip(np.ceil(cut.low + cut.side / cut.zoom).astype(int) + 3, 0, size)
    planes = np.zeros((len(responses), cut.side, cut.side), dtype=np.float32)
    if (high <= low).any():
        return planes
    # OpenCV counts from the first pixel's centre in both pictures.
    shift = 0.5 * cut.zoom - 0.5 - cut.zoom * (cut.low - low)
    warp = np.array([[cut.zoom, 0.0, shift[0]], [0.0, cut.zoom, shift[1]]])
    how = cv2.INTER_CUBIC if cut.zoom >= 1.0 else cv2.INTER_LINEAR
    for number, plane in enumerate(responses[:, low[1]:high[1], low[0]:high[0]]):
        planes[number] = cv2.warpAffine(np.ascontiguousarray(plane), warp, (cut.side, cut.side), flags=how,
                                        borderValue=0.0)
    return planes


def joint_cut(seen: ViewSurfaces, traces: Traces, index: int, other: str, balls: bool, side: int) -> Cut:
    """Return the cut that shows a joint whole, with the other end of its bridge or its balls if it has any."""
    joint = seen.joints[index]
    half = max(joint.land_w_mm, joint.land_h_mm) / 2.0 + 0.7
    center = np.array([joint.x_mm, joint.y_mm])
    neighbour = next((each for each in seen.joints if each.name == other), None)
    if neighbour is not None:
        there = np.array([neighbour.x_mm, neighbour.y_mm])
        apart = float(np.hypot(*(there - center)))
        center, half = 0.5 * (center + there), half + 0.5 * apart
    elif balls:
        half = min(max(half, _ball_reach(traces, center, seen.registration.to_picture)), half + 1.6)
    return cut_at(seen.registration.to_picture, (float(center[0]), float(center[1])), min(half, BIG_HALF_MM), side)


def _ball_reach(traces: Traces, center: NDArray[np.float64], to_picture: Similarity) -> float:
    """Return how far round a joint one must look to see the nearest ball."""
    if len(traces.balls.diameter_mm) == 0:
        return 0.0
    places = to_picture.to_mm(traces.balls.places_px)
    return float((np.abs(places - center).max(axis=1) + traces.balls.diameter_mm).min()) + 0.1


def draw_seen(planes: NDArray[np.float32], seen: ViewSurfaces, traces: Traces, index: int, spots: Spots,
              cut: Cut) -> tuple[Paper, list[Mark]]:
    """Return the cut in false colours with all marks, and which kinds of marks are on it."""
    paper = Paper(toned(planes, seen.optics.bands), [])
    canvas = paper.canvas
    joint = seen.joints[index]
    center = np.array([joint.x_mm, joint.y_mm])
    used = [LAND, *draw_pairs(canvas, traces, index, cut)]
    for each in lands_in(seen.joints, cut):
        if each is not joint:
            _line(canvas, _outline(each, cut), LAND, closed=True, thick=1)
    _line(canvas, _outline(joint, cut), LAND, closed=True)
    angle = (np.arange(AZIMUTHS) + 0.5) * (2.0 * np.pi / AZIMUTHS)
    ray = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    covered, toe, edge = traces.covered[index], traces.toe_mm[index], seen.patches.land_edge_mm[index]
    for start, stop in runs(covered):
        arc = np.arange(start, stop + 1) % AZIMUTHS
        _line(canvas, cut.to_panel(center + toe[arc, None] * ray[arc]), TOE)
        used.append(TOE)
    for start, stop in runs(~covered):
        _gap(canvas, center, edge + GAP_OFF_MM, ray, np.arange(start, stop + 1) % AZIMUTHS, cut)
        used.append(GAP)
    if traces.leads.visible[index] > 0.5:
        _draw_lead(canvas, center, traces, index, cut)
        used.append(LEAD)
    used += _draw_spots(canvas, center, spots, cut) + _draw_balls(canvas, traces, cut)
    _azimuth_ticks(paper, center, float(edge.max()), cut)
    scale_bar(paper, cut)
    return paper, [mark for mark in MARKS if mark in used]


def lands_in(joints: Sequence[Joint], cut: Cut) -> list[Joint]:
    """Return the joints whose lands reach into a cut."""
    places = cut.to_panel([(joint.x_mm, joint.y_mm) for joint in joints])
    reach = np.array([land_reach(joint) for joint in joints]) * cut.px_per_mm
    inside = np.all((places > -reach[:, None]) & (places < cut.side + reach[:, None]), axis=1)
    return [joints[index] for index in np.flatnonzero(inside).tolist()]


def _outline(joint: Joint, cut: Cut) -> Points:
    """Return a land's outline in panel px."""
    here = Similarity(cut.zoom * cut.to_picture.matrix, cut.zoom * (cut.to_picture.shift - cut.low))
    return land_outline(joint, here, 0.0, 96)


def _line(canvas: Picture, points: Points, mark: Mark, *, closed: bool = False, thick: int | None = None) -> None:
    stroke(canvas, points, mark.color, mark.pattern, thick or mark.thick, closed=closed, casing=INK)


def _gap(canvas: Picture, center: NDArray[np.float64], radius: NDArray[np.float64], ray: NDArray[np.float64],
         arc: NDArray[np.intp], cut: Cut) -> None:
    """Draw a gap as a thick arc outside the land, with a tick at each end."""
    stroke(canvas, cut.to_panel(center + radius[arc, None] * ray[arc]), GAP.color, GAP.pattern, GAP.thick, casing=WHITE)
    if len(arc) < AZIMUTHS:
        for end in (arc[0], arc[-1]):
            tick = np.array([radius[end] - 0.16, radius[end] + 0.10])
            stroke(canvas, cut.to_panel(center + tick[:, None] * ray[end]), GAP.color, SOLID, 2, casing=WHITE)


def _draw_lead(canvas: Picture, center: NDArray[np.float64], traces: Traces, index: int, cut: Cut) -> None:
    leads = traces.leads
    place = center + (leads.offset_x_mm[index], leads.offset_y_mm[index])
    size = leads.size_mm[index]
    radius = 0.5 * size if math.isfinite(size) else leads.nominal_radius_mm[index]
    x, y = cut.to_panel(place)
    _line(canvas, circle_points(x, y, radius * cut.px_per_mm), LEAD, closed=True)
    for way in ((5.0, 0.0), (0.0, 5.0)):
        stroke(canvas, np.array([(x, y)]) + np.array([way, (-way[0], -way[1])]), LEAD.color, SOLID, 2, casing=INK)


def _draw_spots(canvas: Picture, center: NDArray[np.float64], spots: Spots, cut: Cut) -> list[Mark]:
    used = []
    if spots.pit is not None:
        x, y = cut.to_panel(center + spots.pit[:2])
        half = max(0.5 * spots.pit[2] * cut.px_per_mm + 3.0, 6.0)
        box = np.array([(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)])
        stroke(canvas, box, PIT.color, PIT.pattern, PIT.thick, closed=True, casing=WHITE)
        used.append(PIT)
    if spots.spike is not None:
        foot, tip = (cut.to_panel(center + point) for point in spots.spike)
        for color, thick in ((INK, 5), (SPIKE.color, SPIKE.thick)):
            start, stop = ((round(float(p[0]) - 0.5), round(float(p[1]) - 0.5)) for p in (foot, tip))
            length = max(float(np.hypot(*(tip - foot))), 1.0)
            cv2.arrowedLine(canvas, start, stop, color, thick, cv2.LINE_AA, 0, min(10.0 / length, 0.5))
        used.append(SPIKE)
    return used


def _draw_balls(canvas: Picture, traces: Traces, cut: Cut) -> list[Mark]:
    """Draw every ball in the cut as a circle with four aiming ticks."""
    used = []
    places = cut.zoom * (traces.balls.places_px - cut.low)
    for (x, y), diameter in zip(places.tolist(), traces.balls.diameter_mm.tolist(), strict=True):
        if not (0 <= x < cut.side and 0 <= y < cut.side):
            continue
        radius = 0.5 * diameter * cut.px_per_mm + 2.0
        _line(canvas, circle_points(x, y, radius), BALL, closed=True)
        for way in ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)):
            tick = np.array([(x, y)]) + np.array([[radius + 2.0], [radius + 9.0]]) * np.array([way])
            _line(canvas, tick, BALL)
        used.append(BALL)
    return used


def draw_pairs(canvas: Picture, traces: Traces, index: int, cut: Cut) -> list[Mark]:
    """Draw the corridors along which solder leads from a joint to its neighbours."""
    used = []
    pairs = traces.corridors
    for first, second, width in zip(pairs.first.tolist(), pairs.second.tolist(), traces.bridge_mm.tolist(),
                                    strict=True):
        if width <= 0.0 or index not in (first, second):
            continue
        one, other = traces.joints[first], traces.joints[second]
        mark = JOINED if one.net and one.net == other.net else BRIDGE
        ends = np.array([(one.x_mm, one.y_mm), (other.x_mm, other.y_mm)])
        along = (ends[1] - ends[0]) / max(float(np.hypot(*(ends[1] - ends[0]))), 1e-9)
        aside = 0.5 * max(width, 0.12) * np.array([-along[1], along[0]])
        inset = np.stack([along, -along]) * np.array([[one.hole_mm], [other.hole_mm]]) / 2.0
        for side in (aside, -aside):
            _line(canvas, cut.to_panel(ends + inset + side), mark)
        used.append(mark)
    return used


def _azimuth_ticks(paper: Paper, center: NDArray[np.float64], reach_mm: float, cut: Cut) -> None:
    """Write 0, 90, 180 and 270 degrees where the board's azimuths leave the land."""
    for degrees in (0, 90, 180, 270):
        way = np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])
        inner, outer, label = (cut.to_panel(center + (reach_mm + off) * way) for off in (0.20, 0.28, 0.42))
        if ((label > 12) & (label < cut.side - 12)).all():
            stroke(paper.canvas, np.stack([inner, outer]), WHITE, SOLID, 2, casing=INK)
            plate(paper, float(label[0]), float(label[1]), f"{degrees}°")


def plate(paper: Paper, x: float, y: float, words: str, size: int = 12) -> None:
    """Write white words on a dark plate, middle at (x, y)."""
    half = text_width(words, size) / 2.0 + 3.0
    paper.fill(x - half, y - 8, x + half, y + 8, INK)
    paper.text(x, y, words, size, WHITE, "mm")


def scale_bar(paper: Paper, cut: Cut) -> None:
    """Draw a bar of a round length in the lower left corner."""
    length = next(mm for mm in (0.2, 0.5, 1.0, 2.0, 5.0) if mm * cut.px_per_mm > 45 or mm == 5.0)
    y, width = cut.side - 10.0, length * cut.px_per_mm
    paper.fill(5, y - 19, 5 + width + 12, y + 6, INK)
    stroke(paper.canvas, np.array([(11.0, y), (11.0 + width, y)]), WHITE, SOLID, 2)
    paper.text(11.0 + width / 2.0, y - 5, f"{length:g} mm", 12, WHITE, "ms")


def slope_picture(planes: NDArray[np.float32], seen: ViewSurfaces, traces: Traces, index: int,
                  cut: Cut) -> Picture:
    """Return the slope map: viridis from flat (dark violet) to steep (yellow), black where no light answers.

    Slopes hold for metal only: the board round it is pale and without colour. Bare land is flat, however dull it is.
    """
    optics = seen.optics
    place = (np.arange(cut.side) + 0.5) / cut.zoom
    middle = cut.to_picture.to_px((seen.joints[index].x_mm, seen.joints[index].y_mm)) - cut.low
    facing = sector_of(*np.meshgrid(place - middle[0], place - middle[1]))[None]
    slope, energy = slope_from_responses(planes[None], optics, seen.surface.roughness[index:index + 1], facing)
    energy = lifted_flats(slope[0], energy[0] / np.float32(seen.surface.lit_level))
    bare = _bare_land(planes, seen, traces, index, cut)
    slope[0][bare], energy[bare] = 0.0, 1.0
    level = np.clip(slope[0] / STEEPEST_DEG * 255.0, 0, 255).astype(np.uint8)
    colours = np.asarray(cv2.applyColorMap(level, cv2.COLORMAP_VIRIDIS))
    colours[energy < DARK] = 0
    metal = is_metal(planes[None], seen.surface.mask_response[index][None], optics, seen.printed)[0].astype(np.uint8)
    metal = np.asarray(cv2.morphologyEx(metal, cv2.MORPH_OPEN, np.ones((5, 5), dtype=np.uint8)))
    for each in lands_in(seen.joints, cut):
        cv2.fillPoly(metal, [np.round(_outline(each, cut)).astype(np.int32)], 1)
    pale = cv2.convertScaleAbs(cv2.cvtColor(toned(planes, optics.bands), cv2.COLOR_BGR2GRAY), alpha=0.3, beta=120.0)
    shown = np.asarray(cv2.cvtColor(pale, cv2.COLOR_GRAY2BGR), dtype=np.uint8)
    cv2.copyTo(colours, metal, shown)
    stroke(shown, _outline(seen.joints[index], cut), WHITE, LAND.pattern, 1, closed=True, casing=INK)
    return shown


def _bare_land(planes: NDArray[np.float32], seen: ViewSurfaces, traces: Traces, index: int,
               cut: Cut) -> NDArray[np.bool_]:
    """Say which pixels of a cut are bare land of a joint: beyond the solder, and like the fiducials, [row, col]."""
    lands = seen.surface.lands_response
    if lands is None:
        return np.zeros(planes.shape[1:], dtype=np.bool_)
    joint = seen.joints[index]
    place = (np.arange(cut.side) + 0.5) / cut.zoom
    points = np.stack(np.meshgrid(place, place), axis=-1) + cut.low
    x, y = np.moveaxis(cut.to_picture.to_mm(points) - (joint.x_mm, joint.y_mm), 2, 0)
    azimuth = (np.arctan2(y, x) % (2.0 * np.pi) * (AZIMUTHS / (2.0 * np.pi))).astype(np.intp) % AZIMUTHS
    solder_mm = np.where(traces.covered[index], traces.toe_mm[index], joint.hole_mm / 2.0)
    away = np.hypot(x, y)
    bare = (away > solder_mm[azimuth]) & (away < seen.patches.land_edge_mm[index][azimuth])
    return np.asarray(bare & like_land(planes, lands[min(index, len(lands) - 1)], LIKE_FIDUCIAL), dtype=np.bool_)


def colour_bar(paper: Paper, left: int, top: int, height: int) -> None:
    """Draw the scale of the slope map: degrees, and black for no light."""
    ramp = np.linspace(255, 0, height).astype(np.uint8)[:, None].repeat(14, axis=1)
    paper.paste(np.asarray(cv2.applyColorMap(ramp, cv2.COLORMAP_VIRIDIS), dtype=np.uint8), left, top)
    for degrees in (0, 15, 30, 45):
        y = top + (height - 1) * (1.0 - degrees / STEEPEST_DEG)
        paper.fill(left + 14, y, left + 18, y + 1, INK)
        paper.text(left + 21, y, f"{degrees}°", 12, INK, "lm")
    paper.fill(left, top + height + 8, left + 14, top + height + 22, INK)
    paper.text(left + 21, top + height + 15, "dark", 12, INK, "lm")


def legend(paper: Paper, marks: Iterable[Mark], left: float, top: float, right: float) -> float:
    """Draw samples of marks with their words, on as many lines as it takes; return where it ends."""
    x, y = left, top
    for mark in marks:
        width = 40 + text_width(mark.words, 12) + 14
        if x > left and x + width > right:
            x, y = left, y + 19
        paper.fill(x, y - 7, x + 33, y + 8, (90, 78, 70))
        sample = np.array([(x + 4.0, y + 0.5), (x + 29.0, y + 0.5)])
        stroke(paper.canvas, sample, mark.color, mark.pattern, mark.thick)
        _sign(paper.canvas, mark, x + 16.5, y + 0.5)
        paper.text(x + 38, y, mark.words, 12, INK, "lm")
        x += width
    return y + 12


def _sign(canvas: Picture, mark: Mark, x: float, y: float) -> None:
    """Add what tells a mark besides its line."""
    if mark.sign == "ticks":
        for end in (x - 12.5, x + 12.5):
            stroke(canvas, np.array([(end, y - 5), (end, y + 5)]), mark.color, SOLID, 2)
    elif mark.sign == "cross":
        stroke(canvas, np.array([(x, y - 4), (x, y + 4)]), mark.color, SOLID, 2)
    elif mark.sign == "aim":
        stroke(canvas, circle_points(x, y, 4.5, 20), mark.color, SOLID, 2, closed=True)
    elif mark.sign == "box":
        stroke(canvas, np.array([(x - 5, y - 5), (x + 5, y - 5), (x + 5, y + 5), (x - 5, y + 5)]), mark.color, SOLID, 1,
               closed=True)
    elif mark.sign == "arrow":
        stroke(canvas, np.array([(x + 7, y - 4), (x + 12.5, y), (x + 7, y + 4)]), mark.color, SOLID, 2)
