"""Pictures of single joints: under each light and as slope map, cut from the very files that were graded.

A picture is found through the database alone: the records name the file and its SHA-256, and a file whose bytes have
another hash is not shown. No path ever comes from a browser.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Generic, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Engine, select

from models.errors import MeniscopeError
from vision.pipeline.light.optics import SLOPES_DEG, predict, white_share
from vision.pipeline.pictures.overlay import natural
from vision.pipeline.view.capture import Capture, PictureError, load_view
from vision.pipeline.view.lands import land_outline
from vision.records.database import reading
from vision.records.keys import station_content
from vision.records.schema import FamilyRow, InspectionRow, Picture, Registration, StationRow
from vision.review.boards import Families, Found, family_of
from vision.setup import Chip, Family, Joint, Light, Similarity, Station, nominal_view
from vision.setup.station import light_bands

Value = TypeVar("Value")
#: Layers beside the lights themselves.
ALL_LIGHTS, SLOPE = "all", "slope"
#: Side of a cut-out, px.
SIDE_PX = 520
#: Steepest slope of the map's scale, degrees: steeper metal sees no ring.
STEEPEST_DEG = 45.0
#: Roughness (GGX alpha) of usual solder, for the map; and the share of a lit slope's light below which it is dark.
USUAL_ROUGHNESS, DARK = 0.14, 0.16
#: How much board is shown round a land, mm.
MARGIN_MM = 0.75
JPEG_QUALITY = 90


class NotShownError(MeniscopeError):
    """A picture that cannot be shown; the text says why, in words for the page."""


@dataclass(frozen=True)
class Window:
    """What a cut-out shows: a square of the board. Half its side and its centre in board mm."""

    x_mm: float
    y_mm: float
    half_mm: float


@dataclass(frozen=True)
class SeenView:
    """One view of one inspection, read and placed."""

    capture: Capture
    to_picture: Similarity
    upright: NDArray[np.float64]  # (2, 2) from board mm to an upright picture of 1 px per mm
    station: Station
    family: Family
    flat_fields: bool  # the station's own flat-fields were at hand

    @property
    def weight(self) -> int:
        """Bytes held."""
        return int(self.capture.responses.nbytes + self.capture.saturated.nbytes)


class Shelf(Generic[Value]):
    """The things used last, up to a weight; made once even when several threads ask at once."""

    def __init__(self, most: int, weigh: Callable[[Value], int]) -> None:
        self._most, self._weigh = most, weigh
        self._kept: OrderedDict[Hashable, Value] = OrderedDict()
        self._held = 0
        self._lock = threading.Lock()
        self._making: dict[Hashable, threading.Lock] = {}

    def get(self, key: Hashable, make: Callable[[], Value]) -> Value:
        """Return what is kept under a key, or make it."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
            own = self._making.setdefault(key, threading.Lock())
        with own:
            with self._lock:
                if key in self._kept:
                    return self._kept[key]
            try:
                value = make()
            finally:
                with self._lock:
                    self._making.pop(key, None)
            with self._lock:
                self._kept[key] = value
                self._held += self._weigh(value)
                while self._held > self._most and len(self._kept) > 1:
                    _, old = self._kept.popitem(last=False)
                    self._held -= self._weigh(old)
            return value


class Pictures:
    """Cut-outs of one database's pictures."""

    def __init__(self, engine: Engine, stations: Iterable[Station] = (), *, most_bytes: int = 600_000_000) -> None:
        self._engine = engine
        self._families = Families(engine)
        self._stations = {station_content(station)[1]: station for station in stations}
        self._views: Shelf[SeenView] = Shelf(most_bytes, lambda view: view.weight)
        self._cuts: Shelf[bytes] = Shelf(80_000_000, len)

    def layers(self, inspection_id: int) -> list[tuple[str, str]]:
        """Return the layers of an inspection's pictures as (name in addresses, words)."""
        station = self._station(inspection_id)[0]
        lights = [(f"light{number}", f"{light.name}, {light.zenith_deg[0]:g}–{light.zenith_deg[1]:g}°")
                  for number, light in enumerate(station.lights)]
        return [(ALL_LIGHTS, "all lights, flat blue to steep red"), *lights, (SLOPE, "slope, 0–45°")]

    def cut(self, inspection_id: int, view: str, window: Window, layer: str) -> bytes:
        """Return a JPEG of one window in one layer. Raises NotShownError, with the reason in words."""
        key = (inspection_id, view, window, layer)
        return self._cuts.get(key, lambda: _encoded(draw_cut(self.seen(inspection_id, view), window, layer)))

    def why_not(self, inspection_id: int, view: str, window: Window) -> str:
        """Return why a window cannot be shown, in words for the page; empty where it can.

        It makes the picture that the page asks for next, so that page and picture cannot disagree.
        """
        try:
            self.cut(inspection_id, view, window, ALL_LIGHTS)
        except NotShownError as error:
            return str(error)
        return ""

    def seen(self, inspection_id: int, view: str) -> SeenView:
        """Return a view as it was graded, checked against the hashes in the records."""
        return self._views.get((inspection_id, view), lambda: self._load(inspection_id, view))

    def _station(self, inspection_id: int) -> tuple[Station, bool]:
        with reading(self._engine) as connection:
            row = connection.execute(
                select(StationRow.content, StationRow.sha256)
                .join(InspectionRow, InspectionRow.station_id == StationRow.id)
                .where(InspectionRow.id == inspection_id)).first()
        if row is None:
            raise NotShownError(f"inspection {inspection_id}: not in this database")
        if row.sha256 in self._stations:
            return self._stations[row.sha256], True
        return station_of(row.content)

    def _load(self, inspection_id: int, view: str) -> SeenView:
        station, flat_fields = self._station(inspection_id)
        with reading(self._engine) as connection:
            content = connection.execute(
                select(FamilyRow.content).join(InspectionRow, InspectionRow.family_id == FamilyRow.id)
                .where(InspectionRow.id == inspection_id)).scalar_one()
            files = connection.execute(select(Picture.exposure, Picture.path, Picture.sha256).where(
                Picture.inspection_id == inspection_id, Picture.view == view)).all()
            place = connection.execute(select(Registration.__table__).where(
                Registration.inspection_id == inspection_id, Registration.view == view)).first()
        if not files:
            raise NotShownError("the records name no picture of this view")
        paths = {(view, row.exposure): _checked(row.path, row.sha256) for row in files}
        missing = [exposure for exposure in station.exposures if (view, exposure) not in paths]
        if missing:
            raise NotShownError(f"the records name no picture of exposure {missing[0]}")
        try:
            capture = load_view(view, paths, station)
        except PictureError as error:
            raise NotShownError(str(error)) from error
        hashes = {row.exposure: row.sha256 for row in files}
        for picture in capture.pictures:  # the bytes that were decoded, not those looked at a moment before
            if picture.sha256 != hashes[picture.exposure]:
                raise NotShownError(_changed(Path(picture.path)))
        family = family_of(content)
        to_picture, upright = placed(family, view, station, capture.size_px, place)
        return SeenView(capture, to_picture, upright, station, family, flat_fields)


def station_of(content: str) -> tuple[Station, bool]:
    """Return a station from its JSON text in the records, and whether nothing is lacking for exact slopes.

    Where its flat-fields lie is not recorded; without them the level is taken from full scale, which is good enough
    for looking.
    """
    data = json.loads(content)
    lights = tuple(Light(light["name"], light["exposure"], light["channel"], tuple(light["zenith_deg"]),
                         tuple(light["azimuth_deg"])) for light in data["lights"])
    mix = data["cross_talk"]
    size = data["picture_px"]
    station = Station(data["name"], data["mm_per_px"], data["files"], lights, data["black_level"],
                      None if mix is None else tuple(tuple(row) for row in mix), data["working_distance_mm"],
                      None if size is None else (size[0], size[1]))
    return station, all(light["flat_field"] is None for light in data["lights"])


def placed(family: Family, view: str, station: Station, size_px: tuple[int, int],
           place: Any) -> tuple[Similarity, NDArray[np.float64]]:
    """Return the map from board to picture of a recorded registration, and the upright directions.

    It undoes how the registration was written down: offset of the view's centre along the board's axes, rotation and
    scale against the nominal place.
    """
    known = next((item for item in family.views if item.name == view), None)
    if known is None:
        raise NotShownError(f"family {family.name} has no view {view}")
    nominal = nominal_view(family, known, station, size_px)
    upright = nominal.matrix / nominal.px_per_mm
    if place is None:
        return nominal, upright
    angle = np.deg2rad(-place.rotation_deg)  # a turn that is counter-clockwise to the eye is negative here
    turn = place.scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = turn @ nominal.matrix
    center = np.asarray(known.center_mm)
    center_px = nominal.to_px(center) + nominal.matrix @ np.array([place.offset_x_mm, place.offset_y_mm])
    return Similarity(matrix, center_px - matrix @ center), upright


def draw_cut(seen: SeenView, window: Window, layer: str) -> NDArray[np.uint8]:
    """Return a window of a view, turned upright, [row, col, blue-green-red]; equal windows have equal scales."""
    per_px = 2.0 * window.half_mm / SIDE_PX
    # An output pixel (u, v) lies at board point centre + upright^-1 (u - middle) * per_px; OpenCV counts from 0.
    back = seen.to_picture.matrix @ np.linalg.inv(seen.upright) * per_px
    middle = SIDE_PX / 2.0 - 0.5
    shift = seen.to_picture.to_px((window.x_mm, window.y_mm)) - 0.5 - back @ np.array([middle, middle])
    warp = np.hstack([back, shift[:, None]])
    corners = back @ np.array([[0, SIDE_PX, SIDE_PX, 0], [0, 0, SIDE_PX, SIDE_PX]]) + shift[:, None]
    low = np.maximum(np.floor(corners.min(axis=1)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(corners.max(axis=1)).astype(int) + 3, seen.capture.size_px)
    if (high <= low).any():
        raise NotShownError("this place lies outside the picture")
    part = seen.capture.responses[:, low[1]:high[1], low[0]:high[0]]
    warp[:, 2] -= low
    cuts = [cv2.warpAffine(plane, warp, (SIDE_PX, SIDE_PX), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
                           borderMode=cv2.BORDER_CONSTANT, borderValue=0.0) for plane in part]
    planes = np.stack(cuts).astype(np.float32, copy=False)
    if layer == SLOPE:
        return _slope_picture(planes, seen, window)
    if layer == ALL_LIGHTS:
        return natural(Capture(seen.capture.view, planes, seen.capture.saturated, ()), light_bands(seen.station.lights))
    number = int(layer.removeprefix("light")) if layer.removeprefix("light").isdecimal() else -1
    if not layer.startswith("light") or not 0 <= number < len(planes):
        raise NotShownError(f"no layer {layer[:20]!r}")
    grey = (np.sqrt(np.clip(planes[number] / 2.0, 0.0, 1.0)) * 235.0).astype(np.uint8)
    return np.dstack([grey] * 3)


def _slope_picture(planes: NDArray[np.float32], seen: SeenView, window: Window) -> NDArray[np.uint8]:
    """Return the slope map: cividis from flat (dark blue) to steep (yellow); black where no light answers.

    Slopes hold for metal only, so the board round the land is shown pale and without colour.
    """
    slope, share = slope_of(planes, seen.station.lights)
    level = np.clip(slope / STEEPEST_DEG * 255.0, 0, 255).astype(np.uint8)
    colours = cv2.applyColorMap(level, cv2.COLORMAP_CIVIDIS)
    colours[share < DARK] = 0
    metal = np.zeros(level.shape, dtype=np.uint8)
    per_px = 2.0 * window.half_mm / SIDE_PX
    here = Similarity(seen.upright / per_px, np.full(2, SIDE_PX / 2.0)
                      - seen.upright @ np.array([window.x_mm, window.y_mm]) / per_px)
    for joint in seen.family.joints:
        if max(abs(joint.x_mm - window.x_mm), abs(joint.y_mm - window.y_mm)) < 2.0 * window.half_mm + 3.0:
            outline = np.round(land_outline(joint, here, 0.03)).astype(np.int32)
            cv2.fillPoly(metal, [outline], 255)
    board = natural(Capture("", planes, seen.capture.saturated, ()), light_bands(seen.station.lights)).mean(
        axis=2, keepdims=True) * 0.35 + 70.0
    shown: NDArray[np.uint8] = np.where(metal[:, :, None] > 0, colours, board).astype(np.uint8)
    return shown


def slope_of(planes: NDArray[np.float32], lights: tuple[Light, ...]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return slope in degrees and the share of a lit slope's radiance, [row, col], for responses [light, row, col].

    The radiance-weighted mean of the lights' own slopes, turned into slope by what the station's geometry predicts
    for metal of usual roughness. For looking; measuring has its own way, with each joint's roughness.
    """
    white, middle, moments, slopes, lit = _slope_table(lights)
    radiance = np.maximum(planes, 0.0) * white[:, None, None]
    energy = radiance.sum(axis=0)
    moment = (radiance * middle[:, None, None]).sum(axis=0) / np.maximum(energy, 1e-4)
    return np.interp(moment, moments, slopes), energy / lit


@lru_cache(maxsize=16)
def _slope_table(lights: tuple[Light, ...]) -> tuple[Any, Any, Any, Any, float]:
    """Return per-light white shares and slopes, rising moments with their slopes, and the radiance of a lit slope."""
    white = np.array([white_share(light) for light in lights])
    middle = np.array([sum(light.zenith_deg) / 4.0 for light in lights])
    radiance = predict(lights, SLOPES_DEG, USUAL_ROUGHNESS) * white
    energy = radiance.sum(axis=1)
    moment = radiance @ middle / np.maximum(energy, 1e-9)
    peak = int(np.argmax(moment))  # beyond the last light's band the moment says nothing
    rising = np.maximum.accumulate(moment[:peak + 1]) + np.arange(peak + 1) * 1e-6
    top = max(light.zenith_deg[1] for light in lights) / 2.0
    lit = float(np.median(energy[(SLOPES_DEG > 6) & (top - 4 > SLOPES_DEG)]))
    return white, middle, rising, SLOPES_DEG[:peak + 1], lit


def place_window(family: Family, found: Found) -> Window:
    """Return the window that shows a finding whole: a bridge with both its ends, a ball with the board round it."""
    joints = {joint.name: joint for joint in family.joints}
    part: Joint | Chip | None = joints.get(found.place) or next(
        (chip for chip in family.chips if chip.ref == found.place), None)
    if part is None:
        return Window(found.x_mm, found.y_mm, 2.0)
    half = part_half_mm(part)
    if found.finding == "solder_ball":  # older records give a ball the place of its joint
        off = max(abs(found.x_mm - part.x_mm), abs(found.y_mm - part.y_mm))
        return Window((part.x_mm + found.x_mm) / 2.0, (part.y_mm + found.y_mm) / 2.0, half + max(1.0, off / 2.0))
    other = joints.get(found.other)
    if found.finding != "bridge" or other is None:
        return Window(part.x_mm, part.y_mm, half)
    apart = float(np.hypot(other.x_mm - part.x_mm, other.y_mm - part.y_mm))
    return Window((part.x_mm + other.x_mm) / 2.0, (part.y_mm + other.y_mm) / 2.0,
                  min(apart / 2.0 + max(half, part_half_mm(other)), 8.0))


def part_half_mm(part: Joint | Chip) -> float:
    """Return half the side of a window that shows a joint or chip with some board round it, mm."""
    size = (part.land_w_mm, part.land_h_mm) if isinstance(part, Joint) else (part.body_w_mm, part.body_h_mm)
    return max(size) / 2.0 + MARGIN_MM


def _checked(path: str, sha256: str) -> Path:
    """Return a recorded picture's path if the file is there and is the one that was graded."""
    file = Path(path)
    if not sha256:
        raise NotShownError(f"{file.name}: could not be read when the board was graded")
    try:
        if not file.is_file():
            raise NotShownError(f"{file.name}: the picture is no longer where it was graded")
        with file.open("rb") as opened:
            digest = hashlib.file_digest(opened, "sha256").hexdigest()
    except OSError as error:
        raise NotShownError(f"{file.name}: {(error.strerror or str(error)).lower()}") from error
    if digest != sha256:
        raise NotShownError(_changed(file))
    return file


def _changed(file: Path) -> str:
    return f"{file.name}: the file was changed after the board was graded, so it is not shown"


def _encoded(picture: NDArray[np.uint8]) -> bytes:
    good, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not good:
        raise NotShownError("the picture could not be encoded")
    return data.tobytes()
