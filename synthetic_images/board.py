"""One view of one board: place it under the camera, build the surface, light it, photograph it, measure the truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images import canvas as cv
from synthetic_images.background import draw_ground
from synthetic_images.camera import Picture, expose
from synthetic_images.canvas import Canvas, new_canvas
from synthetic_images.chips import body_of, draw_chips
from synthetic_images.extras import draw_balls, draw_necks, draw_pits, draw_spikes
from synthetic_images.look import board_look
from synthetic_images.plan import BoardPlan, plan_board
from synthetic_images.shade import gather, responses
from synthetic_images.solder import draw_leads, draw_solder, prepare
from synthetic_images.truth import TruthRow, contact_heights, view_truth
from vision.setup import Similarity, Station, View, nominal_view, view_size_px

#: The surface is never drawn coarser than this, so that truth is as exact for stations of low resolution.
COARSEST_MM = 0.0125


@dataclass(frozen=True)
class RenderedView:
    """Pictures and truth of one view.

    pictures: exposure -> uint8 or uint16 array; rows: the truth, one row a finding or good part; board_to_px: where
    the board really lies; responses (light, row, col) float32 before the camera; labels (row, col) uint8, indices
    into `canvas.LABELS`, and slope_deg (row, col) float32, both None unless asked for.
    """

    pictures: Mapping[str, Picture]
    rows: tuple[TruthRow, ...]
    board_to_px: Similarity
    responses: NDArray[np.float32]
    labels: NDArray[np.uint8] | None = None
    slope_deg: NDArray[np.float32] | None = None


def true_place(plan: BoardPlan, view: View, station: Station, size_px: tuple[int, int]) -> Similarity:
    """Return where the board really lies: the nominal place plus the recipe's offset, rotation and scale error."""
    rng = np.random.default_rng([plan.seed, 6])
    recipe = plan.recipe
    dx, dy = recipe.one("place.offset", rng), recipe.one("place.offset", rng)
    angle = np.deg2rad(recipe.one("place.rotation", rng))
    scale = 1.0 + recipe.one("place.scale_error", rng)
    nominal = nominal_view(plan.family, view, station, size_px)
    turn = scale * np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    centre = np.asarray(size_px) / 2.0
    shift = turn @ (nominal.shift - centre) + centre + np.array([dx, -dy]) / station.mm_per_px
    return Similarity(turn @ nominal.matrix, shift)


def render_view(plan: BoardPlan, view: View | str, station: Station, *, maps: bool = False, serial: str = "",
                place: Similarity | None = None) -> RenderedView:
    """Render one view of a planned board.

    `maps` asks for label and slope maps; `serial` goes into the truth rows; `place` overrides where the board lies.
    """
    if isinstance(view, str):
        view = next(v for v in plan.family.views if v.name == view)
    number = plan.family.views.index(view)
    size = view_size_px(plan.family, view, station)
    board_to_px = place or true_place(plan, view, station, size)
    canvas, contact = build_surface(plan, station, board_to_px, size)
    rng = np.random.default_rng([plan.seed, 7, number])
    look = board_look(plan, station)
    samples = gather(plan, canvas, look, rng, _view_tilt(canvas, station))
    ground = draw_ground(plan, board_to_px, size)
    lit = responses(canvas, look, ground, station, samples)
    pictures = expose(lit, station, plan.recipe, rng)
    rows = view_truth(plan, canvas, contact, _lean(plan, station, board_to_px, size), view.name, serial)
    if not maps:
        return RenderedView(pictures, rows, board_to_px, lit)
    return RenderedView(pictures, rows, board_to_px, lit, label_map(plan, canvas), slope_map(canvas))


def build_surface(plan: BoardPlan, station: Station, board_to_px: Similarity, size_px: tuple[int, int]
                  ) -> tuple[Canvas, NDArray[np.float64]]:
    """Build heights, surface kinds and marks of a view.

    Returns the canvas and the solder's height at the leads (joint, ray) in mm.
    """
    supersample = max(round(plan.recipe.entries["camera.supersample"].low),
                      int(np.ceil(1.0 / (board_to_px.px_per_mm * COARSEST_MM))))
    shapes = prepare(plan)
    canvas = new_canvas(board_to_px, size_px, supersample, float(shapes.reach.max()) + 0.3)
    lean = _lean(plan, station, board_to_px, size_px)
    _draw_fiducials(canvas, plan)
    draw_chips(canvas, plan)
    draw_solder(canvas, plan, shapes)
    draw_necks(canvas, plan, shapes)
    draw_pits(canvas, plan)
    contact = contact_heights(plan, canvas)
    draw_leads(canvas, plan, lean)
    draw_spikes(canvas, plan, lean)
    draw_balls(canvas, plan)
    return canvas, contact


def _lean(plan: BoardPlan, station: Station, board_to_px: Similarity, size_px: tuple[int, int]) -> NDArray[np.float64]:
    """Return the sideways shift per mm of height (joint, 2), board frame, of a lens at working distance."""
    count = len(plan.family.joints)
    if station.working_distance_mm is None:
        return np.zeros((count, 2))
    axis = board_to_px.to_mm(np.asarray(size_px) / 2.0)
    place = np.array([(j.x_mm, j.y_mm) for j in plan.family.joints])
    return np.asarray((place - axis) / station.working_distance_mm)


def _view_tilt(canvas: Canvas, station: Station) -> tuple[float, float, float, float]:
    """Return the viewing ray's tilt over the fine grid as (a, b, c, d): a + b * col, c + d * row, in radians."""
    if station.working_distance_mm is None:
        return 0.0, 0.0, 0.0, 0.0
    per = canvas.step_mm / station.working_distance_mm
    rows, cols = canvas.height.shape
    return -per * cols / 2.0, per, -per * rows / 2.0, per


def _draw_fiducials(canvas: Canvas, plan: BoardPlan) -> None:
    for mark in plan.family.fiducials:
        box = cv.window(canvas, mark.x_mm, mark.y_mm, mark.diameter_mm)
        if box is None:
            continue
        radius = cv2.magnitude(box.u, box.v)
        surface = canvas.surface[box.place]
        surface[radius < mark.diameter_mm * (0.75 + 0.25 * (plan.look_seed % 89) / 89.0)] = cv.LAMINATE
        surface[radius < mark.diameter_mm / 2.0] = cv.FIDUCIAL


def label_map(plan: BoardPlan, canvas: Canvas) -> NDArray[np.uint8]:
    """Return labels (row, col) at picture resolution, indices into `canvas.LABELS`."""
    first_chip = body_of(plan, 0)
    count = first_chip + 4 * len(plan.family.chips)
    of_surface = np.zeros(count, np.uint8)
    name = {label: index for index, label in enumerate(cv.LABELS)}
    of_surface[cv.HOLE], of_surface[cv.FIDUCIAL], of_surface[cv.BALL] = name["hole"], name["fiducial"], name["ball"]
    for offset, label in ((cv.SOLDER_OF, "solder"), (cv.LAND_OF, "land"), (cv.LEAD_OF, "lead")):
        of_surface[cv.FIRST_JOINT + offset:first_chip:3] = name[label]
    for offset, label in ((0, "chip"), (1, "chip"), (2, "land"), (3, "chip")):
        of_surface[first_chip + offset::4] = name[label]
    half = canvas.supersample // 2
    return np.ascontiguousarray(of_surface[canvas.surface[canvas.inner]][half::canvas.supersample,
                                                                         half::canvas.supersample])


def slope_map(canvas: Canvas) -> NDArray[np.float32]:
    """Return the surface's slope in degrees (row, col) at picture resolution."""
    inner = canvas.height[canvas.inner]
    rows, cols = inner.shape
    size = (cols // canvas.supersample, rows // canvas.supersample)
    down, right = np.gradient(inner, canvas.step_mm)
    slope = np.rad2deg(np.arctan(np.hypot(down, right))).astype(np.float32)
    return np.asarray(cv2.resize(slope, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


__all__ = ["BoardPlan", "RenderedView", "build_surface", "label_map", "plan_board", "render_view", "slope_map",
           "true_place"]
