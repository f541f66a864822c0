"""Pictures of single joints and chips, for pages: small ones, and whole sheets."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from models.limits import LimitSheet
from vision.pipeline.folder import BoardFiles
from vision.pipeline.inspection import Inspection
from vision.pipeline.measure import parts_of_view, see_view
from vision.pipeline.pictures.overlay import natural
from vision.pipeline.pictures.show import wanted_parts
from vision.pipeline.pictures.traces import find_traces
from vision.pipeline.pictures.zoom import draw_zoom
from vision.pipeline.view.capture import PictureError, load_view
from vision.pipeline.view.register import RegistrationError, register_view
from vision.setup.family import Chip, Family, Joint
from vision.setup.geometry import Similarity
from vision.setup.station import Station, light_bands

Picture = NDArray[np.uint8]
_INK = (40, 40, 40)


def place_pictures(files: BoardFiles, family: Family, station: Station, names: Iterable[str], *, side_px: int = 160,
                   margin_mm: float = 0.9) -> dict[str, Picture]:
    """Return square pictures of some joints (`REF.PIN`) and chips (`REF`) of a board, blue-green-red.

    Places that cannot be shown, because the board's pictures cannot be read or registered, are left out.
    """
    wanted = set(names)
    found: dict[str, Picture] = {}
    for view in family.views:
        try:
            capture = load_view(view.name, files.pictures, station)
            joints, chips = parts_of_view(family, view, station, capture.size_px)
            here = {joint.name: joint for joint in joints if joint.name in wanted}
            near = {chip.ref: chip for chip in chips if chip.ref in wanted}
            if not here and not near:
                continue
            to_picture = register_view(capture, family, view, station).to_picture
        except (PictureError, RegistrationError):
            continue
        whole = natural(capture, light_bands(station.lights))
        for name, part in (here | near).items():
            found[name] = _window(whole, to_picture, part, side_px, margin_mm)
    return found


def sheet_pictures(files: BoardFiles, family: Family, station: Station, sheet: LimitSheet, inspection: Inspection,
                   names: Iterable[str]) -> dict[str, Picture]:
    """Return the whole sheets of some joints (`REF.PIN`) and chips (`REF`) of a graded board, blue-green-red.

    Places that cannot be shown, because the board's pictures cannot be read or registered, are left out.
    """
    wanted = set(names)
    parts = [part for part in wanted_parts(inspection, wanted) if wanted]
    found: dict[str, Picture] = {}
    for view in family.views:
        here = [part for part in parts if part.view == view.name]
        if not here:
            continue
        try:
            seen = see_view(load_view(view.name, files.pictures, station), family, view, station)
        except (PictureError, RegistrationError):
            continue
        traces = find_traces(seen)
        for part in here:
            found[part.name] = draw_zoom(seen, traces, inspection, part, family, station, sheet)
    return found


def _window(whole: Picture, to_picture: Similarity, part: Joint | Chip, side_px: int, margin_mm: float) -> Picture:
    """Cut a square round a part and bring it to `side_px`."""
    size = ((part.land_w_mm, part.land_h_mm) if isinstance(part, Joint) else (part.body_w_mm, part.body_h_mm))
    reach = max(size) / 2.0 + margin_mm
    x, y = to_picture.to_px((part.x_mm, part.y_mm)) - 0.5  # OpenCV's zero is the centre of the first pixel
    zoom = side_px / (2.0 * reach * to_picture.px_per_mm)
    move = np.array([[zoom, 0.0, (side_px - 1) / 2.0 - zoom * x], [0.0, zoom, (side_px - 1) / 2.0 - zoom * y]])
    how = cv2.INTER_AREA if zoom < 1.0 else cv2.INTER_CUBIC
    return np.asarray(cv2.warpAffine(whole, move, (side_px, side_px), flags=how, borderValue=_INK), dtype=np.uint8)


def data_uri(picture: Picture, quality: int = 82) -> str:
    """Return a picture as a JPEG data URI."""
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def shrunk_uri(path: Path, width_px: int, quality: int = 78) -> str | None:
    """Return a picture file, made narrower, as a data URI; None where it cannot be read."""
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if picture is None:
        return None
    zoom = min(1.0, width_px / picture.shape[1])
    smaller = cv2.resize(picture, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    return data_uri(np.asarray(smaller, dtype=np.uint8), quality)
