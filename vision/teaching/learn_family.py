"""What a few good boards tell about a family: real land sizes, where leads stand, the mask's colour.

CAD files state nominal lands; boards come etched a little larger or smaller, and mask colour is in no file at all.
Proposals are made only, with their uncertainty: nothing is changed here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from models.errors import MeniscopeError
from synthetic_images.look import MASK_COLOURS
from vision.pipeline.folder import BoardFiles
from vision.pipeline.light.optics import METAL_REFLECTANCE, predict
from vision.pipeline.measure import ViewSurfaces, leads_of, see_view
from vision.pipeline.view.capture import PictureError, load_view
from vision.pipeline.view.register import RegistrationError
from vision.pipeline.view.unwrap import azimuths_rad
from vision.setup import Family, Joint, Station

#: How far on either side of its nominal place a land's edge is looked for, and in what steps.
INSIDE_MM, OUTSIDE_MM, STEP_MM = 0.30, 0.36, 0.01
#: Azimuths within this of a land's own axes tell its width and height.
AXIS_DEG = 25.0
#: Smaller differences of a land's size are within etching tolerance and the mask's play (common practice: lands
#: are etched to within 0.05 mm a side) and are not proposed.
LEAST_CHANGE_MM = 0.12
#: A proposal must stand out of its own uncertainty by this factor (coverage factor 2, about 95 %).
COVERAGE_FACTOR = 2.0
#: Standard uncertainty that more boards of one lot do not lessen, since they share mask opening and finish: the
#: spread of results over rendered boards of many looks.
LOOK_MM = 0.05
LEAD_SEEN = 0.5
LEAD_OFF_MM = 0.10
#: Reflectance of resin at normal incidence, ((n - 1) / (n + 1))^2 with n = 1.55 (Fresnel), the mask's gloss.
RESIN_REFLECTANCE = 0.0465
#: From glossy to matt mask (GGX alpha), tried in turn since no file states it.
GLOSS = (0.12, 0.16, 0.22, 0.30, 0.40, 0.55)
#: Spread of one colour's boards: standard deviation of the logarithm of its response.
COLOUR_SPREAD = 0.25
STRAY = 0.01  # light that room and lens add


@dataclass(frozen=True)
class LandSize:
    """Measured size of one kind of land (equal land and hole) against the nominal one; all lengths in mm."""

    kind: str
    joints: tuple[str, ...]
    nominal_mm: tuple[float, float]
    measured_mm: tuple[float, float]
    uncertainty_mm: float  # standard uncertainty of either side
    proposed: bool


@dataclass(frozen=True)
class LeadPlace:
    """Where a lead's end stands from its hole's centre on the average of the boards, board axes, mm."""

    joint: str
    boards: int  # on which the lead was seen
    offset_x_mm: float
    offset_y_mm: float
    scatter_mm: float  # standard deviation between boards, NaN for one board


@dataclass(frozen=True)
class Learned:
    """Everything that the boards told. `family` is the family with the proposed land sizes."""

    family: Family
    boards: tuple[str, ...]
    refused: tuple[tuple[str, str], ...]  # board and reason
    lands: tuple[LandSize, ...]
    leads: tuple[LeadPlace, ...]
    mask: Mapping[str, float]  # response by colour channel, 1 = white
    mask_weights: Mapping[str, float]  # likeliest colours of the renderer, summing to 1
    notes: tuple[str, ...]


def learn_family(boards: Sequence[BoardFiles], family: Family, station: Station,
                 progress: Callable[[int, int], None] | None = None) -> Learned:
    """Measure good boards and propose corrections of the family.

    Boards that cannot be registered are refused with their reason; MeniscopeError where none is left.
    """
    told: dict[str, list[NDArray[np.float64]]] = {}
    leads: dict[str, list[tuple[float, float]]] = {joint.name: [] for joint in family.joints}
    masks: list[NDArray[np.float64]] = []
    used: list[str] = []
    refused: list[tuple[str, str]] = []
    for number, files in enumerate(boards, start=1):
        try:
            views = _look(files, family, station)
        except (PictureError, RegistrationError) as error:
            refused.append((files.serial, str(error)))
        else:
            used.append(files.serial)
            for seen in (view for view in views if view.joints):
                _gather(seen, told, leads)
                masks.append(np.median(seen.surface.mask_response.astype(np.float64), axis=0))
        if progress is not None:
            progress(number, len(boards))
    if not used:
        reasons = "; ".join(f"{serial}: {reason}" for serial, reason in refused[:3])
        raise MeniscopeError("no board to learn from" + (f" ({reasons})" if reasons else "; the folder holds none"))
    sizes = _land_sizes(family, told, len(used))
    places = tuple(_place(name, found) for name, found in leads.items() if found)
    response = np.asarray(np.median(masks, axis=0), dtype=np.float64)
    return Learned(_corrected(family, sizes), tuple(used), tuple(refused), sizes, places,
                   _mask_colour(response, station), colour_weights(response, station),
                   tuple(_notes(family, places, len(used))))


def _look(files: BoardFiles, family: Family, station: Station) -> list[ViewSurfaces]:
    if files.problems:
        raise PictureError("; ".join(files.problems))
    return [see_view(load_view(view.name, files.pictures, station), family, view, station) for view in family.views]


def _gather(seen: ViewSurfaces, told: dict[str, list[NDArray[np.float64]]],
            leads: dict[str, list[tuple[float, float]]]) -> None:
    """Note the size error of every land and the place of every lead of one view."""
    whole = seen.patches.in_picture
    for joint, change, good in zip(seen.joints, edge_changes(seen), whole, strict=True):
        if good and np.isfinite(change).all():
            told.setdefault(joint.name, []).append(change)
    found = leads_of(seen)
    for k, joint in enumerate(seen.joints):
        if whole[k] and found.visible[k] > LEAD_SEEN:
            leads[joint.name].append((float(found.offset_x_mm[k]), float(found.offset_y_mm[k])))


def edge_changes(seen: ViewSurfaces) -> NDArray[np.float64]:
    """Return how much wider and higher each land is than nominal, mm, (joint, 2), in the land's own axes.

    The edge is where all lights together change most along the radius, on the median of the azimuths near
    the land's axes. Solder that ends on the land changes the picture less sharply and not on all azimuths alike.
    """
    offsets = np.arange(-INSIDE_MM, OUTSIDE_MM, STEP_MM)
    azimuth = azimuths_rad()
    center = np.array([(joint.x_mm, joint.y_mm) for joint in seen.joints])
    direction = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    radius = seen.patches.land_edge_mm[:, :, None].astype(np.float64) + offsets
    places = center[:, None, None, :] + radius[..., None] * direction[None, :, None, :]
    px = (seen.registration.to_picture.to_px(places) - 0.5).astype(np.float32)
    shape = px.shape[:3]
    course = np.zeros((shape[0], shape[1], shape[2] - 1))
    for joint in range(shape[0]):  # one remap a joint keeps the sampled rows below OpenCV's limit
        planes = [cv2.remap(plane, px[joint, ..., 0], px[joint, ..., 1], cv2.INTER_LINEAR,
                            borderMode=cv2.BORDER_REPLICATE) for plane in seen.capture.responses]
        course[joint] = np.abs(np.diff(np.stack(planes), axis=2)).sum(axis=0)
    course /= course.sum(axis=2, keepdims=True) + 1e-9
    turn = np.deg2rad([joint.land_rotation_deg for joint in seen.joints])
    result = np.empty((shape[0], 2))
    for axis in (0, 1):
        away = (azimuth[None] - turn[:, None] - axis * np.pi / 2.0 + np.pi / 2.0) % np.pi - np.pi / 2.0
        near = np.abs(away) <= np.deg2rad(AXIS_DEG)
        for joint, item in enumerate(seen.joints):
            rows = course[joint] if item.land_shape == "round" else course[joint, near[joint]]
            middle = cv2.GaussianBlur(np.median(rows, axis=0)[None].astype(np.float32), (0, 0), 1.5,
                                      borderType=cv2.BORDER_REPLICATE)[0]
            result[joint, axis] = 2.0 * (offsets[int(np.argmax(middle))] + STEP_MM / 2.0)
    return result


def _land_sizes(family: Family, told: Mapping[str, Sequence[NDArray[np.float64]]], boards: int) -> tuple[LandSize, ...]:
    """Average over the joints with equal land and hole, and over the boards."""
    kinds: dict[str, list[Joint]] = {}
    for joint in family.joints:
        kinds.setdefault(f"{joint.land_kind}, hole {joint.hole_mm:g} mm", []).append(joint)
    sizes = []
    for kind, joints in kinds.items():
        changes = [change for joint in joints for change in told.get(joint.name, ())]
        if not changes:
            continue
        table = np.array(changes)
        change = np.median(table, axis=0)
        scatter = float(np.median(np.abs(table - change))) * 1.4826  # of a normal distribution
        uncertainty = float(np.hypot(scatter / np.sqrt(boards), LOOK_MM))
        nominal = joints[0].land_w_mm, joints[0].land_h_mm
        stands_out = np.abs(change) > max(LEAST_CHANGE_MM, COVERAGE_FACTOR * uncertainty)
        measured = (round(nominal[0] + float(change[0]), 3), round(nominal[1] + float(change[1]), 3))
        fits = min(measured) > max(joint.hole_mm for joint in joints)
        sizes.append(LandSize(kind, tuple(joint.name for joint in joints), nominal, measured, round(uncertainty, 4),
                              bool(stands_out.any()) and fits))
    return tuple(sizes)


def _corrected(family: Family, sizes: Sequence[LandSize]) -> Family:
    """Return the family with the sizes that are proposed."""
    new = {name: size.measured_mm for size in sizes if size.proposed for name in size.joints}
    joints = tuple(replace(joint, land_w_mm=round(new[joint.name][0], 2), land_h_mm=round(new[joint.name][1], 2))
                   if joint.name in new else joint for joint in family.joints)
    return replace(family, joints=joints)


def _place(name: str, found: Sequence[tuple[float, float]]) -> LeadPlace:
    table = np.array(found)
    middle = np.median(table, axis=0)
    scatter = float(np.sqrt(table.var(axis=0, ddof=1).sum() / 2.0)) if len(table) > 1 else float("nan")
    return LeadPlace(name, len(table), round(float(middle[0]), 4), round(float(middle[1]), 4), round(scatter, 4))


def _mask_colour(response: NDArray[np.float64], station: Station) -> dict[str, float]:
    """Mean response of the bare mask by colour channel, over the lights that each channel sees."""
    channels: dict[str, list[float]] = {}
    for light, value in zip(station.lights, response, strict=True):
        channels.setdefault(light.channel, []).append(float(value))
    return {channel: round(float(np.mean(values)), 4) for channel, values in channels.items()}


def colour_weights(response: NDArray[np.float64], station: Station) -> dict[str, float]:
    """Return how likely each colour of the renderer is, from the response of bare mask to each light.

    A mask answers with its own colour and, to lights near the lens, with gloss; how glossy it is, is tried.
    Distances are taken between logarithms. Small weights are left out; empty where the lights are not of three colours.
    """
    channels = [light.channel for light in station.lights]
    if not {"red", "green", "blue"} <= set(channels):
        return {}
    column = [("red", "green", "blue").index(channel) for channel in channels]
    seen = np.log(np.maximum(response, 0.003))
    gloss = [predict(station.lights, np.zeros(1), alpha)[0] * (RESIN_REFLECTANCE / METAL_REFLECTANCE)
             for alpha in GLOSS]
    distance = {}
    for name, (over_laminate, _) in MASK_COLOURS.items():
        own = np.array(over_laminate)[column] + STRAY
        distance[name] = min(float(((np.log(own + shine) - seen) ** 2).sum()) for shine in gloss)
    nearest = min(distance.values())
    weights = {name: float(np.exp(-(d - nearest) / (2.0 * COLOUR_SPREAD**2))) for name, d in distance.items()}
    kept = {name: weight for name, weight in weights.items() if weight >= 0.05}
    return {name: round(weight / sum(kept.values()), 3) for name, weight in sorted(kept.items(), key=lambda i: -i[1])}


def recipe_text(learned: Learned) -> str:
    """Return a recipe for rendering with the mask's likely colours, as TOML; empty where they are not known."""
    if not learned.mask_weights:
        return ""
    names = ", ".join(f'"{name}"' for name in learned.mask_weights)
    weights = ", ".join(f"{weight:g}" for weight in learned.mask_weights.values())
    return (f'[board]\nmask_colour = {{kind = "choice", names = [{names}], weights = [{weights}], '
            f'reason = "measured on {len(learned.boards)} good boards"}}\n')


def _notes(family: Family, places: Sequence[LeadPlace], boards: int) -> list[str]:
    """Say what stands out: components whose leads all stand off to one side, few boards."""
    notes = [] if boards > 1 else ["one board only: between boards nothing can be told; three or more are better"]
    refs: dict[str, list[LeadPlace]] = {}
    for joint in family.joints:
        refs.setdefault(joint.ref, []).extend(place for place in places if place.joint == joint.name)
    for ref, group in refs.items():
        if len(group) < 2:
            continue
        x, y = (float(np.median([getattr(place, name) for place in group])) for name in ("offset_x_mm", "offset_y_mm"))
        spread = float(np.median([np.hypot(place.offset_x_mm - x, place.offset_y_mm - y) for place in group]))
        if np.hypot(x, y) > max(LEAD_OFF_MM, COVERAGE_FACTOR * spread / np.sqrt(len(group))):
            notes.append(f"the leads of {ref} stand ({x:+.2f}, {y:+.2f}) mm off their holes: the component is set off "
                         "to one side, or its holes are drilled so")
    return notes
