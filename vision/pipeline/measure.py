"""All measurements of one board: capture -> register -> unwrap -> segment -> measure, view by view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.chips.chips import measure_chips, on_lands_left, towards_chips
from vision.pipeline.defects.balls import Balls, at_corners, find_balls
from vision.pipeline.defects.corridors import (
    Corridors,
    bridge_widths,
    find_corridors,
    in_bridges,
    is_metal,
    joined_azimuths,
)
from vision.pipeline.defects.pits import find_pits
from vision.pipeline.defects.projections import find_projections
from vision.pipeline.defects.tongues import board_reach, find_tongues
from vision.pipeline.defects.vias import beside_vias
from vision.pipeline.defects.wedges import find_wedges
from vision.pipeline.fillets.fillet import beside_bare_land, measure_fillets, toes_of
from vision.pipeline.folder import BoardFiles
from vision.pipeline.inspection import PictureFile, ViewRegistration
from vision.pipeline.leads.lead import Leads, find_leads
from vision.pipeline.leads.walls import walled
from vision.pipeline.light.balance import balanced, light_gains
from vision.pipeline.light.grids import fine_grid, land_reach
from vision.pipeline.light.lights import check_lights, explain
from vision.pipeline.light.optics import Optics, optics_of
from vision.pipeline.light.printing import board_samples, print_response, white_board
from vision.pipeline.light.surface import Surface, find_surface
from vision.pipeline.uncertainty import uncertainties
from vision.pipeline.view.capture import Capture, load_view
from vision.pipeline.view.lands import edges_towards
from vision.pipeline.view.local import corrected_joints
from vision.pipeline.view.register import Registration, RegistrationError, register_view
from vision.pipeline.view.unwrap import OUTSIDE, JointPatches, owner_map, unwrap_again, unwrap_joints
from vision.setup.family import Chip, Family, Joint, View
from vision.setup.geometry import nominal_view
from vision.setup.station import Station

SHADE_MM = 0.04  # lands, chips and fiducials are grown by this before free board is searched for balls


@dataclass(frozen=True)
class PartTable:
    """Measurements of all joints (or chips) of a board, one row each; NaN where a measurement does not apply.

    `x_mm` and `y_mm` are the family's places, also of joints that were looked at a little beside them.
    `reasons` is empty for measured rows and says why a row could not be measured. `bridged_to` names the
    neighbour at the other end of the widest bridge (joints only). `found_mm` are the places of what lies beside its
    joint, by finding, [row, x and y]: the largest ball and the middle of the bridge; NaN where there is none.
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
    found_mm: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)

    def place(self, row: int, finding: str) -> tuple[float, float]:
        """Return where on the board a finding of a row lies, mm: where it was seen, else where its part is."""
        seen = self.found_mm.get(finding)
        if seen is not None and np.isfinite(seen[row]).all():
            return float(seen[row, 0]), float(seen[row, 1])
        return float(self.x_mm[row]), float(self.y_mm[row])


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
    optics: Optics
    beyond: tuple[Joint, ...] = ()  # joints that other views answer for, but that this picture shows whole as well
    printed: NDArray[np.float64] | None = None  # what print on the board gives under each light, where it is seen


@dataclass(frozen=True)
class Joins:
    """Where solder was looked for between joints: a view's own joints come first, then those beyond its seams."""

    joints: tuple[Joint, ...]
    corridors: Corridors
    width_mm: NDArray[np.float64]  # [pair], 0 for no solder


def measure_board(files: BoardFiles, family: Family, station: Station,
                  keep: list[ViewSurfaces] | None = None) -> BoardMeasurements:
    """Measure all joints and chips of one board; what was seen in its views is added to `keep`, if given.

    Raises PictureError or RegistrationError with the reason why the board cannot be measured; a dead, drowned,
    saturated or exchanged light is such a reason.
    """
    if files.problems:
        from vision.pipeline.view.capture import PictureError

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
        joint_tables.append(_measure_joints(seen, family))
        chip_tables.append(_measure_chips(seen))
        registrations.append(seen.registration.summary())
        pictures += capture.pictures
        if keep is not None:
            keep.append(seen)
    joints, chips = (replace(table, uncertainties=uncertainties(table.columns, table.refs, table.pins, family, station))
                     for table in (_joined(joint_tables), _joined(chip_tables)))
    return BoardMeasurements(files.serial, joints, chips, tuple(registrations), tuple(pictures))


def see_view(capture: Capture, family: Family, view: View, station: Station, *, as_lit: bool = False) -> ViewSurfaces:
    """Register, unwrap and segment one view.

    Joints whose lands lie clearly off where the board as a whole puts them are looked at where they are, and lands that
    all end clearly further in than drawn are taken to be as large as they are. Lights clearly out of balance are
    balanced, unless the view is wanted `as_lit`.
    """
    registration = register_view(capture, family, view, station)
    joints, chips = parts_of_view(family, view, station, capture.size_px)
    owners = owner_map(capture.size_px, family, joints, chips, registration.to_picture, SHADE_MM)
    patches = unwrap_joints(capture, joints, registration, owners)
    corrected = corrected_joints(joints, patches)
    if corrected is not None:
        elsewhere = np.flatnonzero([here is not there for here, there in zip(corrected, joints, strict=True)])
        joints = corrected
        owners = owner_map(capture.size_px, family, joints, chips, registration.to_picture, SHADE_MM)
        patches = unwrap_again(patches, capture, joints, elsewhere, registration, owners)
    optics = optics_of(station, family.pixels)
    samples = board_samples(capture, owners)
    printed = print_response(samples)
    white = printed if printed is not None else white_board(samples)
    gains = None if as_lit else light_gains(white, patches, optics, station)
    if gains is not None:
        capture, printed = balanced(capture, gains), None if printed is None else printed / gains
        patches = replace(patches, responses=patches.responses / gains[:, None, None])
    surface = find_surface(patches, capture, registration, optics, family.fiducials, printed)
    beyond = _beyond(family, joints, registration, capture.size_px) if len(family.views) > 1 else ()
    return ViewSurfaces(capture, registration, joints, chips, patches, surface, owners, optics, beyond, printed)


def _beyond(family: Family, own: Sequence[Joint], registration: Registration,
            size_px: tuple[int, int]) -> tuple[Joint, ...]:
    """Return the joints of other views whose lands lie whole in this picture."""
    answered = {joint.name for joint in own}
    others = [joint for joint in family.joints if joint.name not in answered]
    places = registration.to_picture.to_px(np.array([(joint.x_mm, joint.y_mm) for joint in others]).reshape(-1, 2))
    reach = np.array([land_reach(joint) for joint in others])[:, None] * registration.to_picture.px_per_mm
    inside = np.flatnonzero(((places >= reach) & (places <= np.asarray(size_px) - reach)).all(axis=1))
    return tuple(others[index] for index in inside.tolist())


def joins_of(seen: ViewSurfaces, optics: Optics) -> Joins:
    """Look for solder between neighbours, also between one of this view's joints and one beyond the seam."""
    if not seen.joints:
        return Joins((), find_corridors(()), np.zeros(0))
    joints, mask = seen.joints + seen.beyond, seen.surface.mask_response
    corridors = find_corridors(joints)
    if seen.beyond:
        kept = np.minimum(corridors.first, corridors.second) < len(seen.joints)
        corridors = Corridors(corridors.first[kept], corridors.second[kept], corridors.gap_mm[kept],
                              corridors.width_mm[kept])
        mask = np.concatenate([mask, np.broadcast_to(np.median(mask, axis=0), (len(seen.beyond), mask.shape[1]))])
    width = bridge_widths(seen.capture, joints, corridors, seen.registration, optics, mask, seen.printed)
    return Joins(joints, corridors, width)


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


def leads_of(seen: ViewSurfaces) -> Leads:
    """Return the lead ends found in a view, one entry a joint."""
    if not seen.joints:
        none = np.zeros(0)
        return Leads(none, none, none, none, none, np.zeros((0, 2)))
    leads = find_leads(seen.capture, seen.joints, seen.registration, seen.optics, seen.surface)
    return leads.doubted(walled(seen.patches, seen.surface))


def loose_balls(seen: ViewSurfaces, joins: Joins) -> Balls:
    """Return the balls of a view; a bridge's crest is none, nor what a chip left on its lands or a corner rounds."""
    to_picture = seen.registration.to_picture
    mask = np.median(seen.surface.mask_response, axis=0)
    found = find_balls(seen.capture, seen.owners, mask, seen.optics, to_picture.px_per_mm, _holes(seen))
    places = to_picture.to_mm(found.places_px)
    loose = ~in_bridges(places, joins.joints, joins.corridors, joins.width_mm)
    loose &= ~at_corners(places, found.diameter_mm, joins.joints)
    loose &= ~on_lands_left(places, seen.capture, seen.chips, seen.registration, seen.optics)
    return Balls(found.places_px[loose], found.diameter_mm[loose])


def _holes(seen: ViewSurfaces) -> NDArray[np.float64]:
    """Return the holes of a view's joints in picture px, x, y and radius (n, 3)."""
    to_picture = seen.registration.to_picture
    middle = to_picture.to_px(np.array([(joint.x_mm, joint.y_mm) for joint in seen.joints]).reshape(-1, 2))
    radius = np.array([joint.hole_mm / 2.0 for joint in seen.joints]) * to_picture.px_per_mm
    return np.concatenate([middle, radius[:, None]], axis=1)


def metal_outside(seen: ViewSurfaces) -> NDArray[np.bool_]:
    """Say which samples beyond the lands, on no other part, are metal, [joint, azimuth, OUTSIDE]."""
    outside = seen.patches.responses[:, :, :, OUTSIDE]
    return is_metal(outside, seen.surface.mask_response, seen.optics, seen.printed) & seen.patches.free


def _measure_joints(seen: ViewSurfaces, family: Family) -> PartTable:
    """Measure all joints of a view as columns; none where it answers for no joint."""
    optics = seen.optics
    joints = seen.joints
    if not joints:
        return PartTable((), (), (), np.zeros(0), np.zeros(0), {}, {}, ())
    lead = leads_of(seen)
    joins = joins_of(seen, optics)
    joined = joined_azimuths(joins.joints, joins.corridors, joins.width_mm)[:len(joints)]
    toes = toes_of(seen.patches, seen.surface)
    columns, covered = measure_fillets(seen.patches, seen.surface, lead, toes, joined, optics)
    grid = fine_grid(seen.capture, joints, seen.registration, optics, seen.surface, seen.owners)
    columns["pit_diameter_mm"] = find_pits(joints, grid, lead, covered)
    elsewhere = joined | beside_bare_land(toes)
    metal = metal_outside(seen)
    chips = towards_chips(joints, seen.chips)
    columns["projection_mm"] = np.maximum.reduce([
        find_projections(joints, grid, elsewhere, lead, board_reach(seen.patches, metal), chips),
        _tongues(seen, metal, joined | chips, lead),
        find_wedges(seen.patches, seen.surface, joints, lead, joined, elsewhere | chips)])
    columns["bridge_width_mm"], partner = _bridges(joins, len(joints))
    balls, found_mm = _balls(seen, joins)
    columns |= balls
    columns["saturated_pct"] = seen.patches.saturated_pct.astype(np.float64)
    reasons = tuple("" if inside else f"not wholly in the picture of view {seen.capture.view}"
                    for inside in seen.patches.in_picture)
    # Where a joint was looked at is a matter of this picture: reports name its place on the board's drawing.
    drawn = {joint.name: joint for joint in family.joints}
    x_mm, y_mm = np.array([(drawn[joint.name].x_mm, drawn[joint.name].y_mm) for joint in joints]).T
    bridges = np.array([_between(drawn[joint.name], drawn[other]) if other else (np.nan, np.nan)
                        for joint, other in zip(joints, partner, strict=True)])
    return PartTable(tuple(joint.ref for joint in joints), tuple(joint.pin for joint in joints),
                     (seen.capture.view,) * len(joints), x_mm, y_mm, columns, {}, reasons, partner,
                     {"solder_ball": found_mm, "bridge": bridges})


def _tongues(seen: ViewSurfaces, metal: NDArray[np.bool_], joined: NDArray[np.bool_],
             lead: Leads) -> NDArray[np.float64]:
    """Return the tongues of find_tongues (mm) that no via beside the land explains, [joint]."""
    tongue, azimuth = find_tongues(seen.patches, metal, joined, lead, seen.surface.bare[:, :, OUTSIDE])
    asked = np.flatnonzero(tongue > 0.0)
    via = beside_vias(seen.capture, seen.joints, seen.registration, seen.optics, seen.surface.mask_response,
                      seen.patches.land_edge_mm, asked, azimuth[asked])
    tongue[asked[via]] = 0.0
    return tongue


def _bridges(joins: Joins, count: int) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return the first joints' widest bridges to another net and the names of the joints at their other ends.

    Directly, or straight on over neighbours that solder joins as well, harmlessly or not: then the narrowest part
    counts.
    """
    joints = joins.joints
    widest, partner = np.zeros(len(joints)), [""] * len(joints)
    group = [{index} for index in range(len(joints))]  # the joints that solder at least as wide joins to each one
    for pair in np.argsort(-joins.width_mm, kind="stable").tolist():
        width = float(joins.width_mm[pair])
        ends = int(joins.corridors.first[pair]), int(joins.corridors.second[pair])
        first, second = group[ends[0]], group[ends[1]]
        if width <= 0.0 or first is second:
            continue
        for here, there in ((first, second), (second, first)):
            for index in here:
                one = joints[index]
                others = [joints[other] for other in there
                          if not (one.net and one.net == joints[other].net)
                          and all(_on_line(joints[end], one, joints[other]) for end in ends)]
                if others and width > widest[index]:
                    nearest = min(others, key=lambda other: _distance(one, other))
                    widest[index], partner[index] = width, nearest.name
        first |= second
        for index in second:
            group[index] = first
    return widest[:count], tuple(partner[:count])


def _between(one: Joint, other: Joint) -> tuple[float, float]:
    """Return the place on the board in the middle between the edges of two lands, mm."""
    towards = np.arctan2(other.y_mm - one.y_mm, other.x_mm - one.x_mm)
    near, far = edges_towards((one, other), np.array([[towards], [towards + np.pi]]))[:, 0].tolist()
    along = 0.5 * (near + _distance(one, other) - far)
    return float(one.x_mm + along * np.cos(towards)), float(one.y_mm + along * np.sin(towards))


def _distance(one: Joint, other: Joint) -> float:
    return float(np.hypot(other.x_mm - one.x_mm, other.y_mm - one.y_mm))


def _on_line(joint: Joint, one: Joint, other: Joint) -> bool:
    """Say whether a joint's land lies on the straight line between two joints."""
    across = ((other.x_mm - one.x_mm) * (joint.y_mm - one.y_mm) - (other.y_mm - one.y_mm) * (joint.x_mm - one.x_mm))
    return abs(across) / max(_distance(one, other), 1e-9) < 0.5 * min(joint.land_w_mm, joint.land_h_mm)


def _balls(seen: ViewSurfaces, joins: Joins) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64]]:
    """Give every ball to the joint whose land is nearest: their columns, and where each joint's largest one lies.

    Balls nearest to a joint beyond the seam are that view's to report.
    """
    joints, own = joins.joints, len(seen.joints)
    balls = loose_balls(seen, joins)
    count, largest, at = np.zeros(len(joints)), np.zeros(len(joints)), np.full((len(joints), 2), np.nan)
    if len(balls.places_px):
        places = seen.registration.to_picture.to_mm(balls.places_px)
        delta = places[:, None] - np.array([(j.x_mm, j.y_mm) for j in joints])[None]
        azimuth = np.arctan2(delta[..., 1], delta[..., 0])
        edge = edges_towards(joints, azimuth.T).T
        owner = np.argmin(np.hypot(delta[..., 0], delta[..., 1]) - edge, axis=1)
        np.add.at(count, owner, 1.0)
        for ball in np.argsort(balls.diameter_mm, kind="stable").tolist():  # the largest last
            largest[owner[ball]], at[owner[ball]] = balls.diameter_mm[ball], places[ball]
    return {"ball_count": count[:own], "ball_diameter_mm": largest[:own]}, at[:own]


def _measure_chips(seen: ViewSurfaces) -> PartTable:
    columns, inside = measure_chips(seen.capture, seen.chips, seen.registration, seen.optics)
    reasons = tuple("" if here else f"not wholly in the picture of view {seen.capture.view}" for here in inside)
    return PartTable(tuple(chip.ref for chip in seen.chips), ("",) * len(seen.chips),
                     (seen.capture.view,) * len(seen.chips), np.array([chip.x_mm for chip in seen.chips]),
                     np.array([chip.y_mm for chip in seen.chips]), columns, {}, reasons, ("",) * len(seen.chips))


def _joined(tables: Sequence[PartTable]) -> PartTable:
    """Put the tables of several views together; those without rows may lack columns."""
    tables = [table for table in tables if table.refs] or tables[:1]
    first = tables[0]
    if len(tables) == 1:
        return first
    return replace(
        first, refs=sum((table.refs for table in tables), ()), pins=sum((table.pins for table in tables), ()),
        views=sum((table.views for table in tables), ()),
        x_mm=np.concatenate([table.x_mm for table in tables]), y_mm=np.concatenate([table.y_mm for table in tables]),
        columns={name: np.concatenate([table.columns[name] for table in tables]) for name in first.columns},
        reasons=sum((table.reasons for table in tables), ()),
        bridged_to=sum((table.bridged_to for table in tables), ()),
        found_mm={name: np.concatenate([table.found_mm[name] for table in tables]) for name in first.found_mm})
