"""All measurements of one board: capture -> register -> unwrap -> segment -> measure, view by view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.balls import find_balls
from vision.pipeline.capture import Capture, load_view
from vision.pipeline.chips import measure_chips
from vision.pipeline.corridors import Corridors, bridge_widths, find_corridors, in_bridges, is_metal, joined_azimuths
from vision.pipeline.fillet import beside_bare_land, measure_fillets
from vision.pipeline.folder import BoardFiles
from vision.pipeline.grids import fine_grid
from vision.pipeline.inspection import PictureFile, ViewRegistration
from vision.pipeline.lands import edge_distance
from vision.pipeline.lead import Leads, find_leads
from vision.pipeline.lights import check_lights, explain
from vision.pipeline.optics import Optics, optics_of
from vision.pipeline.pits import find_pits
from vision.pipeline.projections import find_projections, find_tongues
from vision.pipeline.register import Registration, RegistrationError, register_view
from vision.pipeline.surface import Surface, find_surface
from vision.pipeline.uncertainty import uncertainties
from vision.pipeline.unwrap import OUTSIDE, JointPatches, owner_map, unwrap_joints
from vision.setup.family import Chip, Family, Joint, View
from vision.setup.geometry import nominal_view
from vision.setup.station import Station

SHADE_MM = 0.04  # lands, chips and fiducials are grown by this before free board is searched for balls


@dataclass(frozen=True)
class PartTable:
    """Measurements of all joints (or chips) of a board, one row each; NaN where a measurement does not apply.

    `reasons` is empty for measured rows and says why a row could not be measured. `bridged_to` names the
    neighbour at the other end of the widest bridge (joints only).
    """

    refs: tuple[str, ...]
    pins: tuple[str, ...]
    views: tuple[str, ...]
    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]
    columns: Mapping[str, NDArray[np.float64]]
    uncertainties: Mapping[str, NDArray[np.float64]]
    reasons: tuple[str, ...]
    bridged_to: tuple[str, ...] = ()


@dataclass(frozen=True)
class BoardMeasurements:
    """Everything measured on one board."""

    serial: str
    joints: PartTable
    chips: PartTable
    registrations: tuple[ViewRegistration, ...]
    pictures: tuple[PictureFile, ...]


@dataclass(frozen=True)
class ViewSurfaces:
    """What was seen in one view, for measuring and for drawing."""

    capture: Capture
    registration: Registration
    joints: tuple[Joint, ...]
    chips: tuple[Chip, ...]
    patches: JointPatches
    surface: Surface
    owners: NDArray[np.uint16]


def measure_board(files: BoardFiles, family: Family, station: Station,
                  keep: list[ViewSurfaces] | None = None) -> BoardMeasurements:
    """Measure all joints and chips of one board; what was seen in its views is added to `keep`, if given.

    Raises PictureError or RegistrationError with the reason why the board cannot be measured; a dead, drowned,
    saturated or exchanged light is such a reason.
    """
    if files.problems:
        from vision.pipeline.capture import PictureError

        raise PictureError("; ".join(files.problems))
    joint_tables, chip_tables, registrations = [], [], []
    pictures: list[PictureFile] = []
    for view in family.views:
        capture = load_view(view.name, files.pictures, station)
        try:
            seen = see_view(capture, family, view, station)
        except RegistrationError as error:
            raise RegistrationError(explain(error, capture, station)) from error
        places = np.array([(joint.x_mm, joint.y_mm) for joint in seen.joints]).reshape(-1, 2)
        check_lights(capture, seen.owners, places, seen.surface.land_response, seen.registration.to_picture, station)
        joint_tables.append(_measure_joints(seen, station))
        chip_tables.append(_measure_chips(seen, station))
        registrations.append(seen.registration.summary())
        pictures += capture.pictures
        if keep is not None:
            keep.append(seen)
    joints, chips = (replace(table, uncertainties=uncertainties(table.columns, table.refs, table.pins, family, station))
                     for table in (_joined(joint_tables), _joined(chip_tables)))
    return BoardMeasurements(files.serial, joints, chips, tuple(registrations), tuple(pictures))


def see_view(capture: Capture, family: Family, view: View, station: Station) -> ViewSurfaces:
    """Register, unwrap and segment one view."""
    registration = register_view(capture, family, view, station)
    joints, chips = parts_of_view(family, view, station, capture.size_px)
    owners = owner_map(capture.size_px, family, joints, chips, registration.to_picture, SHADE_MM)
    patches = unwrap_joints(capture, joints, registration, owners)
    surface = find_surface(patches, capture, registration, optics_of(station), family.fiducials)
    return ViewSurfaces(capture, registration, joints, chips, patches, surface, owners)


def parts_of_view(family: Family, view: View, station: Station,
                  size_px: tuple[int, int]) -> tuple[tuple[Joint, ...], tuple[Chip, ...]]:
    """Return the joints and chips that a view answers for: those nearer to its centre than to any other view's.

    So a part that two views show is reported once.
    """
    def answers(x_mm: float, y_mm: float) -> bool:
        reach = {}
        for other in family.views:
            offset = nominal_view(family, other, station, size_px).to_px((x_mm, y_mm)) - np.asarray(size_px) / 2.0
            reach[other.name] = float(np.max(np.abs(offset) / np.asarray(size_px)))
        return min(reach, key=reach.__getitem__) == view.name

    if len(family.views) == 1:
        return family.joints, family.chips
    return (tuple(joint for joint in family.joints if answers(joint.x_mm, joint.y_mm)),
            tuple(chip for chip in family.chips if answers(chip.x_mm, chip.y_mm)))


def leads_of(seen: ViewSurfaces, station: Station) -> Leads:
    """Return the lead ends found in a view."""
    return find_leads(seen.capture, seen.joints, seen.registration, optics_of(station), seen.surface)


def _measure_joints(seen: ViewSurfaces, station: Station) -> PartTable:
    """Measure all joints of a view as columns."""
    optics = optics_of(station)
    joints = seen.joints
    lead = leads_of(seen, station)
    corridors = find_corridors(joints)
    widths = bridge_widths(seen.capture, joints, corridors, seen.registration, optics, seen.surface.mask_response)
    joined = joined_azimuths(joints, corridors, widths)
    columns = measure_fillets(seen.patches, seen.surface, lead, joined, optics)
    grid = fine_grid(seen.capture, joints, seen.registration, optics, seen.surface, seen.owners)
    columns["pit_diameter_mm"] = find_pits(joints, grid, lead)
    elsewhere = joined | beside_bare_land(seen.surface)
    metal = is_metal(seen.patches.responses[:, :, :, OUTSIDE], seen.surface.mask_response, optics) & seen.patches.free
    columns["projection_mm"] = np.maximum(find_projections(joints, grid, elsewhere, lead),
                                          find_tongues(seen.patches, metal, joined, lead))
    columns["bridge_width_mm"], partner = _bridges(joints, corridors, widths)
    columns |= _balls(seen, optics, corridors, widths)
    columns["saturated_pct"] = seen.patches.saturated_pct.astype(np.float64)
    reasons = tuple("" if inside else f"not wholly in the picture of view {seen.capture.view}"
                    for inside in seen.patches.in_picture)
    return PartTable(tuple(joint.ref for joint in joints), tuple(joint.pin for joint in joints),
                     (seen.capture.view,) * len(joints), np.array([joint.x_mm for joint in joints]),
                     np.array([joint.y_mm for joint in joints]), columns, {}, reasons, partner)


def _bridges(joints: Sequence[Joint], corridors: Corridors,
             widths: NDArray[np.float64]) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return each joint's widest bridge to another net and the name of the joint at its other end."""
    widest = np.zeros(len(joints))
    partner = [""] * len(joints)
    for first, second, width in zip(corridors.first.tolist(), corridors.second.tolist(), widths.tolist(), strict=True):
        one, other = joints[first], joints[second]
        if width <= 0.0 or (one.net and one.net == other.net):
            continue
        for here, there in ((first, other), (second, one)):
            if width > widest[here]:
                widest[here], partner[here] = width, there.name
    return widest, tuple(partner)


def _balls(seen: ViewSurfaces, optics: Optics, corridors: Corridors,
           widths: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Give every ball to the joint whose land is nearest; the crest of a bridge is no ball."""
    joints = seen.joints
    mask = np.median(seen.surface.mask_response, axis=0)
    to_picture = seen.registration.to_picture
    balls = find_balls(seen.capture, seen.owners, mask, optics, to_picture.px_per_mm)
    count, largest = np.zeros(len(joints)), np.zeros(len(joints))
    places = to_picture.to_mm(balls.places_px)
    loose = ~in_bridges(places, joints, corridors, widths)
    if loose.any():
        delta = places[loose][:, None] - np.array([(j.x_mm, j.y_mm) for j in joints])[None]
        azimuth = np.arctan2(delta[..., 1], delta[..., 0])
        size = np.array([(joint.land_w_mm, joint.land_h_mm) for joint in joints])
        shapes = np.array([joint.land_shape for joint in joints])
        turn = np.deg2rad([joint.land_rotation_deg for joint in joints])
        edge = edge_distance(size, shapes, azimuth.T - turn[:, None]).T
        owner = np.argmin(np.hypot(delta[..., 0], delta[..., 1]) - edge, axis=1)
        np.add.at(count, owner, 1.0)
        np.maximum.at(largest, owner, balls.diameter_mm[loose])
    return {"ball_count": count, "ball_diameter_mm": largest}


def _measure_chips(seen: ViewSurfaces, station: Station) -> PartTable:
    columns, inside = measure_chips(seen.capture, seen.chips, seen.registration, optics_of(station),
                                    np.median(seen.surface.mask_response, axis=0))
    reasons = tuple("" if here else f"not wholly in the picture of view {seen.capture.view}" for here in inside)
    return PartTable(tuple(chip.ref for chip in seen.chips), ("",) * len(seen.chips),
                     (seen.capture.view,) * len(seen.chips), np.array([chip.x_mm for chip in seen.chips]),
                     np.array([chip.y_mm for chip in seen.chips]), columns, {}, reasons, ("",) * len(seen.chips))


def _joined(tables: Sequence[PartTable]) -> PartTable:
    """Put the tables of several views together."""
    first = tables[0]
    if len(tables) == 1:
        return first
    return replace(
        first, refs=sum((table.refs for table in tables), ()), pins=sum((table.pins for table in tables), ()),
        views=sum((table.views for table in tables), ()),
        x_mm=np.concatenate([table.x_mm for table in tables]), y_mm=np.concatenate([table.y_mm for table in tables]),
        columns={name: np.concatenate([table.columns[name] for table in tables]) for name in first.columns},
        reasons=sum((table.reasons for table in tables), ()),
        bridged_to=sum((table.bridged_to for table in tables), ()))
