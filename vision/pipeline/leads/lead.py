"""Find the lead's end in every hole: by the dark rim of steep solder around it, or by its own even face."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.leads.alike import Others, like_others
from vision.pipeline.leads.bins import REACH, Bins, bins, moved_grids
from vision.pipeline.leads.bowls import CLEAR_MM, bowls
from vision.pipeline.leads.brims import BAND_MM as EDGE_BAND_MM
from vision.pipeline.leads.brims import (
    FACE_MM,
    Bands,
    Edges,
    bands,
    bands_of,
    change_of,
    crisp_outlines,
    edges_of,
    mean_kernel,
    sharp_edges,
    usual_sharpness,
)
from vision.pipeline.leads.faces import BEYOND_MM as JUST_BEYOND_MM
from vision.pipeline.leads.faces import (
    Faces,
    even_faces,
    outline_kernels,
    outshining,
    rim_kernels,
    thin_rims,
)
from vision.pipeline.leads.holes import NEAR, SPOT_MM, pierced
from vision.pipeline.leads.steps import slope_steps
from vision.pipeline.light.grids import grid_lights
from vision.pipeline.light.optics import Optics
from vision.pipeline.light.surface import BRIGHT_MASK, Surface, mirrors_board
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.lands import in_land_axes, lead_edges_towards
from vision.pipeline.view.outlines import KEPT, shapes_of
from vision.pipeline.view.register import Registration
from vision.pipeline.view.unwrap import azimuths_rad
from vision.setup.family import Joint

GRID = 64  # samples each way
RIM_MM = 0.07  # width of the dark rim around a lead that is looked for
BEYOND_MM = ((0.10, 0.20), (0.20, 0.32), (0.32, 0.46))  # rings outside it, from the lead's edge
EDGES_MM = np.arange(-0.12, 0.1501, 0.03)  # outlines, from the nominal one, between which an end's edge is looked for
DOUBTED, SURE = 0.25, 0.75  # signs as weak as the first are seen on dishes of solder too; the second leave no doubt
BAND_MM = 0.025  # half the width of the band around each that is averaged
MIRRORED_SHADE = 0.15  # of its brightness is left to what mirrors a light board
LEAST_FALL = 0.06  # of brightness over two of them
FIRST_MM, FINE_MM = float(EDGES_MM[0]) - BAND_MM, 0.005  # the bands' brims lie so far apart
OUTLINES = round((float(EDGES_MM[-1]) + BAND_MM - FIRST_MM) / FINE_MM) + 2  # and what lies inside and outside them all
#: Inside the lead's outline, its rim, and the rings beyond: from and to, mm from the outline.
ZONES_MM = ((-9.0, -0.05), (0.0, RIM_MM), *BEYOND_MM)
OTHER = 4 * len(ZONES_MM)
#: Lead ends stand 0.5 to 1.5 mm above the board (common practice, no published source), and lean as much on their own.
USUAL_END_MM, HEIGHT_SPREAD_MM, OWN_OFFSET_MM = 1.0, 0.3, 0.08
TWIST_DEG, TWISTS = 6.0, 5  # leads stand twisted by up to this, and so many turns are looked at
OFFSET_ALLOWANCE_MM = 0.12  # a tilted lead's end may stand this much further off than the hole lets its foot


@dataclass(frozen=True)
class Leads:
    """Lead ends of all joints of a view, [joint]; offsets on the board, from the hole's centre."""

    visible: NDArray[np.float64]  # evidence 0 to 1
    offset_x_mm: NDArray[np.float64]
    offset_y_mm: NDArray[np.float64]
    size_mm: NDArray[np.float64]  # diameter of a disc as large; NaN where no lead is seen
    nominal_radius_mm: NDArray[np.float64]
    aside_mm: NDArray[np.float64]  # [joint, 2] how much of the offset the lens' slanted view of a raised end makes
    #: How far the outline as drawn lies from the lead's middle, [joint, azimuth]; None for leads that are all round.
    outline_mm: NDArray[np.float32] | None = None

    def doubted(self, doubt: NDArray[np.float64]) -> Leads:
        """Return leads with less evidence by so much doubt, 0 to 1 [joint]."""
        visible = self.visible * (1.0 - doubt)
        return replace(self, visible=visible, size_mm=np.where(visible > 0.0, self.size_mm, np.nan))


def find_leads(capture: Capture, joints: Sequence[Joint], registration: Registration, optics: Optics,
               surface: Surface) -> Leads:
    """Look for every joint's lead end, all joints at once.

    Around a lead solder climbs steeper than any light can show, and further out it is lit: the lead's rim is
    dark against what lies outside it. A dome or a dish is lit in its middle and has no such rim where a lead
    would stand, nor any edge; an open hole is far darker inside than any lead's end. The rim is looked for at every
    shift that hole and tilt allow, and its darkness against the brightest of three rings further out is the evidence.
    Where that leaves a doubt, an even face in an outline as drawn may show it, or the step of slope at its edge, if it
    looks as the view's other ends do.
    """
    shapes = _shapes(shapes_of(joints))
    step, radius = shapes.step_mm, shapes.radius_mm
    slant = _slant(capture, joints, registration, optics)
    expected = USUAL_END_MM * slant
    energy, lights = grid_lights(capture, joints, registration, optics, surface, step, GRID, expected)
    # Steep solder mirrors a light board: that is no dark rim, but the board's own colour.
    light = surface.mask_level > BRIGHT_MASK
    shaded = _shaded(energy, lights, light, surface, optics) if light.any() else energy
    row, column = _darkest_rims(shaded, shapes)
    whole = moved_grids(energy, row, column)
    moved = _no_brighter(whole)
    dark_rim, darkest, face = _by_quadrant(moved, shapes.zones)
    # Where the whole fillet is too steep to be lit there is nothing brighter further out; then the end itself must
    # stand out, and evenly: a dome is brightest in its middle and darkens towards its brim.
    face_seen = np.clip((face - 0.15) / 0.15, 0.0, 1.0) * _even_face(whole, shapes.parts)
    no_hole = _no_hole(darkest)
    visible = np.maximum(_rim_seen(dark_rim), face_seen) * no_hole
    if light.any():
        rim, darkest, _ = _by_quadrant(_no_brighter(moved_grids(shaded, row, column)), shapes.zones)
        visible = np.maximum(visible, _rim_seen(rim) * _no_hole(darkest))
    change = change_of(lights, step)
    edges = edges_of(change, shapes.near, shapes.face, row, column)
    visible *= sharp_edges(edges, visible)
    usual = usual_sharpness(edges, visible)
    if light.any():  # there the outline itself may show the end
        visible = np.maximum(visible, light * crisp_outlines(edges, visible) * no_hole)
    visible = np.clip((visible - DOUBTED) / (SURE - DOUBTED), 0.0, 1.0)
    sure = visible >= 1.0
    asked = np.flatnonzero(~sure & (face > 0.0) & (no_hole > 0.0))
    visible[asked] = np.maximum(visible[asked], no_hole[asked] * _outshining(lights, shapes, edges, usual, asked,
                                                                             row[asked], column[asked]))
    rim_seen = visible.copy()
    others = Others(lights, shapes.face, sure, shapes.component, optics.white)
    faces, here, by_face = _likelier(_faces(lights, change, shapes, usual, optics, visible), others,
                                     Faces(visible, row, column))
    even = np.isin(np.arange(len(joints)), here[by_face])
    visible[here], row[here], column[here] = faces.evidence, faces.row, faces.column
    moved[here] = _no_brighter(moved_grids(energy[here], row[here], column[here]))
    # Grid rows run along board -y, columns along board x.
    offset = np.stack([column * step, -row * step], axis=1) + expected
    doubted = np.flatnonzero((visible < 1.0) & (no_hole > 0.0))
    if len(doubted):
        steps = slope_steps(capture, joints, registration, optics, surface, doubted, offset[doubted])
        visible[doubted] = np.maximum(visible[doubted], steps * no_hole[doubted])
    if (visible > 0.0)[~sure].any():
        visible *= like_others(others, row, column, even, (rim_seen > 0.0) & (rim_seen >= visible))
    visible *= (1.0 - pierced(moved, shapes.inside, shapes.deep, step)) * (
        1.0 - _bowls(lights, shapes, row, column, registration, optics))
    return Leads(visible, offset[:, 0], offset[:, 1], np.where(visible > 0.0, _size(moved, shapes), np.nan), radius,
                 slant * _end_height(offset[visible > 0.5], slant[visible > 0.5]), _outlines(shapes_of(joints)))


def _no_brighter(energy: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return energies with what outshines lit solder made hardly brighter than it; none is negative."""
    return np.clip(energy, np.float32(0.0), np.float32(1.2))


def _bowls(lights: NDArray[np.float32], shapes: _Shapes, row: NDArray[np.int64], column: NDArray[np.int64],
           registration: Registration, optics: Optics) -> NDArray[np.float64] | float:
    """Say how surely solder lies as a bowl where the end was found, 0 to 1 [joint], as far as the lights can tell."""
    if optics.from_side is None:
        return 0.0
    return bowls(lights, shapes.around, row, column, registration.to_picture, optics.from_side)


def _darkest_rims(energy: NDArray[np.float32], shapes: _Shapes) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return how far off the grid's middle the rim of an end would be darkest in each joint, rows and columns."""
    spectrum = np.fft.rfft2(_no_brighter(energy))
    # Of each mean's grid only the rows of allowed shifts are transformed back.
    inside, *rings = (np.fft.irfft(np.fft.ifft(spectrum * kernel, axis=1)[:, shapes.rows], n=GRID, axis=2)
                      for kernel in shapes.kernels)
    score = np.maximum.reduce(rings) + np.float32(0.3) * np.abs(inside)
    score[~shapes.allowed[:, shapes.rows]] = -9.0
    at = score.reshape(len(energy), -1).argmax(axis=1)
    return _signed(shapes.rows[at // GRID]), _signed(at % GRID)


def _outshining(lights: NDArray[np.float32], shapes: _Shapes, edges: Edges, usual: float, asked: NDArray[np.intp],
                row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.float64]:
    """Say of some of all ends, which were found there, how surely they outshine what is round them, [asked]."""
    if not len(asked):
        return np.zeros(0)
    return outshining(lights[:, asked], bands_of(shapes.face, asked), bands_of(shapes.beyond, asked), edges.of(asked),
                      usual, row, column)


def _faces(lights: NDArray[np.float32], change: NDArray[np.float32], shapes: _Shapes, usual: float, optics: Optics,
           visible: NDArray[np.float64]) -> tuple[Faces, NDArray[np.intp], NDArray[np.bool_]]:
    """Look for even faces, and lines round them, at the joints that leave a doubt.

    Return those that tell more, at which joints, and which of them by their even faces.
    """
    asked = np.flatnonzero(visible < 1.0)
    if not len(asked):
        none = np.zeros(0, dtype=np.int64)
        return Faces(np.zeros(0), none, none), asked, np.zeros(0, dtype=bool)
    near, face, beyond = (bands_of(part, asked) for part in (shapes.near, shapes.face, shapes.beyond))
    found = even_faces(lights[:, asked], change[asked], shapes.outline[asked], shapes.allowed[asked], near, face,
                       beyond, usual, optics.white)
    lined = thin_rims(lights[:, asked], change[asked], shapes.rims[asked], shapes.allowed[asked], near, face, usual,
                      optics.white)
    surer = found.or_surer(lined)
    better = surer.evidence > visible[asked]
    return (Faces(surer.evidence[better], surer.row[better], surer.column[better]), asked[better],
            found.evidence[better] >= lined.evidence[better])


def _likelier(found: tuple[Faces, NDArray[np.intp], NDArray[np.bool_]], others: Others,
              before: Faces) -> tuple[Faces, NDArray[np.intp], NDArray[np.bool_]]:
    """Return of what _faces found that which is likelier to be an end than what rims showed `before`, [joint].

    An even face may lie beside the end, on the fillet: then it looks as no other end of the view does.
    """
    faces, here, by_face = found
    if not len(here):
        return found
    row, column = before.row.copy(), before.column.copy()
    row[here], column[here] = faces.row, faces.column
    none = np.zeros(len(row), dtype=bool)
    after = like_others(others, row, column, np.isin(np.arange(len(row)), here[by_face]), none)[here]
    earlier = like_others(others, before.row, before.column, none, ~none)[here]
    kept = faces.evidence * after >= before.evidence[here] * earlier
    return Faces(faces.evidence[kept], faces.row[kept], faces.column[kept]), here[kept], by_face[kept]


def _rim_seen(dark_rim: NDArray[np.float64]) -> NDArray[np.float64]:
    """Say how surely a rim is dark, 0 to 1, from how much darker it is than what lies beyond."""
    return np.asarray(np.clip((dark_rim - 0.12) / 0.22, 0.0, 1.0), dtype=np.float64)


def _no_hole(darkest: NDArray[np.float64]) -> NDArray[np.float64]:
    """Say how surely what may be an end is no open hole, 0 to 1, from its darkest quadrant."""
    return np.asarray(np.clip((darkest - 0.16) / 0.12, 0.0, 1.0), dtype=np.float64)


def _shaded(energy: NDArray[np.float32], lights: NDArray[np.float32], light: NDArray[np.bool_], surface: Surface,
            optics: Optics) -> NDArray[np.float32]:
    """Return energies [joint, row, column] with what mirrors the board made dark, at the joints on `light` board."""
    some = np.flatnonzero(light)
    level = (surface.lit_level / optics.white).astype(np.float32)[None, :, None, None]
    mirrored = mirrors_board(lights[:, some].swapaxes(0, 1) * level, surface.mask_response[some], optics,
                             surface.lit_level)
    shaded = energy.copy()
    shaded[some] *= np.where(mirrored, np.float32(MIRRORED_SHADE), np.float32(1.0))
    return shaded


def _slant(capture: Capture, joints: Sequence[Joint], registration: Registration,
           optics: Optics) -> NDArray[np.float64]:
    """Return how far aside (mm, board axes) a lens at working distance shows what stands a mm high, [joint, 2]."""
    axis = registration.to_picture.to_mm(np.asarray(capture.size_px)[None] / 2.0)
    return (np.array([(joint.x_mm, joint.y_mm) for joint in joints]).reshape(-1, 2) - axis) * optics.lens_per_mm


def _end_height(offset: NDArray[np.float64], slant: NDArray[np.float64]) -> float:
    """Return how high (mm) the lead ends of a view stand, from how much further out they seem the further off they are.

    Least squares of offset = height * slant, with the usual height known to HEIGHT_SPREAD beforehand; what leans on its
    own counts less. Without slant it is the usual height.
    """
    height, weight = USUAL_END_MM, np.ones(len(offset))
    for _ in range(3):
        known = (OWN_OFFSET_MM / HEIGHT_SPREAD_MM) ** 2
        over = known + float((weight[:, None] * slant * slant).sum())
        height = (known * USUAL_END_MM + float((weight[:, None] * offset * slant).sum())) / over
        weight = 1.0 / (1.0 + (np.hypot(*(offset - height * slant).T) / OWN_OFFSET_MM) ** 2)
    return height


@dataclass(frozen=True)
class _Shapes:
    """What the search needs to know of a family's leads, the same on every board; grids [joint, row, column]."""

    step_mm: NDArray[np.float64]  # [joint] distance of neighbouring samples
    radius_mm: NDArray[np.float64]  # [joint]
    component: NDArray[np.intp]  # [joint] the number of the component it belongs to
    inner_mm: NDArray[np.float64]  # [joint] how far a lead's middle lies from its outline
    kernels: NDArray[np.complex64]  # [zone, joint, row, column] spectra: means over inside and rings less the rim's
    rows: NDArray[np.intp]  # in which some joint's hole and tilt allow a shift; the first for no shift
    allowed: NDArray[np.bool_]  # shifts that they allow
    zones: Bins  # zone * 4 + quadrant, OTHER elsewhere
    parts: Bins  # 0 in the middle of the end, 1 near its edge, 2 elsewhere
    inside: NDArray[np.bool_]  # samples clear of the outline, within it
    deep: NDArray[np.bool_]  # so far within it that a spot of a hole round them lies inside
    near: Bands  # samples near the outline
    face: Bands  # samples within it
    beyond: Bands  # samples just beyond it
    outline: NDArray[np.complex64]  # spectra of outlines less what lies within them (faces.outline_kernels)
    rims: NDArray[np.complex64]  # spectra of thin lines along outlines (faces.rim_kernels)
    around: NDArray[np.bool_]  # samples clear of the outline, on its outer side
    outlines: Bins  # between which outlines FINE_MM apart a sample lies, counted from FIRST_MM


@lru_cache(maxsize=KEPT)
def _shapes(joints: tuple[Joint, ...]) -> _Shapes:
    """Return zones and kernels of the leads of a view's joints."""
    hole = np.array([joint.hole_mm / 2.0 for joint in joints])
    radius = np.array([lead_radius(joint) for joint in joints])
    step = 2.0 * REACH * hole / GRID
    axis = np.arange(GRID, dtype=np.float64) - GRID // 2
    edge = _edge_distance(joints, axis, step)
    first = (axis[:, None] + axis[None, :] >= 0).astype(np.uint8)
    quadrant = first + 2 * (axis[:, None] - axis[None, :] >= 0).astype(np.uint8)
    zones, kernels = np.full(edge.shape, OTHER, dtype=np.uint8), []
    for number, (low, high) in enumerate(ZONES_MM):
        # Both grids have their middle in their middle, so the result's first place is for no shift.
        kernels.append(np.conj(np.fft.rfft2(mean_kernel(edge, step, low, high))))
        zones = np.where((edge > low) & (edge <= high), number * 4 + quadrant, zones).astype(np.uint8)
    away = np.hypot(axis[:, None], axis[None, :])[None] * step[:, None, None]
    limit = np.maximum(hole - radius, 0.0)[:, None, None] + OFFSET_ALLOWANCE_MM
    share = away / radius[:, None, None]
    parts = np.where(share < 0.4, 0, np.where((share > 0.55) & (share < 0.75), 1, 2)).astype(np.uint8)
    outlines = np.clip((edge - FIRST_MM) / FINE_MM + 1.0, 0.0, OUTLINES - 1.0).astype(np.uint8)
    inner = np.asarray(-edge.reshape(len(edge), -1).min(axis=1), dtype=np.float64)
    inside, rim, *rings = kernels
    allowed = np.fft.ifftshift(away <= limit, axes=(1, 2))
    rows = np.flatnonzero(allowed.any(axis=(0, 2)))
    against = np.stack([part - rim for part in (inside, *rings)]).astype(np.complex64)
    component = np.unique([joint.ref for joint in joints], return_inverse=True)[1].astype(np.intp)
    return _Shapes(step, radius, component, inner, against,
                   rows, allowed, bins(zones, OTHER), bins(parts, 2), edge <= ZONES_MM[0][1], edge < -NEAR * SPOT_MM,
                   bands(edge, -EDGE_BAND_MM, EDGE_BAND_MM), bands(edge, -np.inf, FACE_MM),
                   bands(edge, *JUST_BEYOND_MM), outline_kernels(edge, step), rim_kernels(edge, step),
                   edge > CLEAR_MM, bins(outlines, OUTLINES - 1))


def _by_quadrant(moved: NDArray[np.float32], zones: Bins,
                 ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Look at the found lead quadrant by quadrant; all results [joint].

    Returns how dark the rim is against what lies beyond, in the better two quadrants (a flat fillet on the other
    sides hides no lead); the brightness of the end's darkest quadrant (a half-open hole is dark there); and how
    much brighter the end is than its rim.
    """
    means = (zones.sums(moved) / np.maximum(zones.numbers, 1.0)).reshape(len(moved), -1, 4)
    inside, rim, beyond = means[:, 0], means[:, 1], means[:, 2:].max(axis=1)
    better = np.sort(beyond - rim, axis=1)[:, 2:].mean(axis=1)
    return better, inside.min(axis=1), inside.mean(axis=1) - rim.mean(axis=1)


def _even_face(moved: NDArray[np.float32], parts: Bins) -> NDArray[np.float64]:
    """Say how evenly bright a lead's end is (0 to 1), comparing its middle with a band near its edge.

    A lead's cut end scatters light and is about as bright near its edge as in its middle, and less bright than lit
    solder.
    """
    middle, near_edge = (parts.sums(moved) / np.maximum(parts.numbers, 1.0)).T
    even = np.clip((near_edge / np.maximum(middle, 1e-6) - 0.7) / 0.15, 0.0, 1.0)
    return np.asarray(even * np.clip((1.05 - middle) / 0.15, 0.0, 1.0), dtype=np.float64)


def _edge_distance(joints: Sequence[Joint], axis: NDArray[np.float64],
                   step: NDArray[np.float64]) -> NDArray[np.float64]:
    """Signed distance (mm) of grid points to the outline of a lead in the middle, [joint, row, column]."""
    x, y = axis[None, None, :] * step[:, None, None], -axis[None, :, None] * step[:, None, None]
    turn = np.deg2rad([joint.land_rotation_deg for joint in joints])[:, None, None]
    along, across = in_land_axes(x, y, turn)
    half_w, half_h = (np.array([getattr(joint, name) / 2.0 for joint in joints])[:, None, None]
                      for name in ("lead_w_mm", "lead_h_mm"))
    out_w, out_h = np.abs(along) - half_w, np.abs(across) - half_h
    box = np.hypot(np.maximum(out_w, 0.0), np.maximum(out_h, 0.0)) + np.minimum(np.maximum(out_w, out_h), 0.0)
    disc = np.hypot(along, across) - half_w
    is_round = np.array([joint.lead_shape == "round" for joint in joints])[:, None, None]
    return np.asarray(np.where(is_round, disc, box), dtype=np.float64)


@lru_cache(maxsize=KEPT)
def _outlines(joints: tuple[Joint, ...]) -> NDArray[np.float32]:
    """Return how far leads' outlines lie from their middles, mm, [joint, azimuth], at most where a lead is twisted."""
    twists = np.deg2rad(np.linspace(-TWIST_DEG, TWIST_DEG, TWISTS))
    edges = [lead_edges_towards(joints, azimuths_rad().astype(np.float64) + twist) for twist in twists.tolist()]
    return np.asarray(np.maximum.reduce(edges), dtype=np.float32)


def lead_radius(joint: Joint) -> float:
    """Return the radius of a disc as large as the lead's section, mm."""
    area = joint.lead_w_mm * joint.lead_h_mm * (np.pi / 4.0 if joint.lead_shape == "round" else 1.0)
    return float(np.sqrt(area / np.pi))


def _signed(index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Turn a wrapped shift into a signed one."""
    return np.where(index >= GRID // 2, index - GRID, index)


def _size(moved: NDArray[np.float32], shapes: _Shapes) -> NDArray[np.float64]:
    """Diameter (mm) of a disc as large as the lead's end; NaN where no edge is seen near the outline as drawn.

    From the middle of the end outward, the mean brightness over outlines of the nominal shape falls most at the end's
    own edge, where the dark rim begins. `moved` is the energy with the found lead in the grid's middle.
    """
    sums, numbers = (np.cumsum(part, axis=1) for part in (shapes.outlines.sums(moved), shapes.outlines.numbers))
    low = np.round((EDGES_MM - BAND_MM - FIRST_MM) / FINE_MM).astype(np.intp)
    high = low + round(2.0 * BAND_MM / FINE_MM)
    course = (sums[:, high] - sums[:, low]) / np.maximum(numbers[:, high] - numbers[:, low], 1.0)
    fall = course[:, :-2] - course[:, 2:]
    # Where it falls most at the end of the search it goes on falling there: an end that bulges, and no edge.
    peaks = (fall[:, 1:-1] >= fall[:, :-2]) & (fall[:, 1:-1] >= fall[:, 2:]) & (fall[:, 1:-1] > LEAST_FALL)
    best = np.where(peaks, fall[:, 1:-1], -np.inf).argmax(axis=1)
    joint = np.arange(len(fall))
    left, top, right = (fall[joint, best + by] for by in (0, 1, 2))
    bend = left - 2.0 * top + right
    with np.errstate(divide="ignore", invalid="ignore"):
        fine = np.where(bend < -1e-9, np.clip(0.5 * (left - right) / bend, -0.5, 0.5), 0.0)
    beyond = EDGES_MM[2:-2][best] + fine * (EDGES_MM[1] - EDGES_MM[0])
    size = 2.0 * np.maximum(shapes.radius_mm + beyond * shapes.radius_mm / np.maximum(shapes.inner_mm, 1e-6), 0.0)
    return np.where(peaks.any(axis=1), size, np.nan)
