"""Read the pictures of one view and turn grey levels into responses of the lights."""

from __future__ import annotations

import hashlib
import os
import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.errors import MeniscopeError
from vision.pipeline.inspection import PictureFile
from vision.setup.station import Light, Station

# A header may promise any size; the decoder must not be talked into reserving that memory.
MAX_PIXELS = 250_000_000
os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", str(MAX_PIXELS))
os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")

import cv2  # noqa: E402  (its limits are read from the environment at import)

#: Where the station has no flat-field, a white surface is taken to give this share of full scale.
WHITE_SHARE = 0.30
_PLANES = {"blue": 0, "green": 1, "red": 2, "mono": 0}  # OpenCV keeps colours as blue, green, red
MAX_FILE_BYTES = 1_000_000_000
REMAP_SIDE = 32_000  # OpenCV's remap takes sides below 32,767
STRIPE = 32  # rows converted at a time
FEW = 0.002  # share of samples up to which they are looked up one by one
TOGETHER = 4  # lights that OpenCV's remap samples at once


class PictureError(MeniscopeError):
    """A picture that cannot be used; the text is the reason why its board stays ungraded."""


@dataclass(frozen=True)
class Capture:
    """One view of one board.

    responses: float32 [light, row, col], 1.0 = white reference. saturated: uint8 [row, col], 1 where some
    channel is at full scale. interleaved: the responses once more, some lights together, [row, col, light] each, for
    sampling them all at once; `responses` may be a view of it.
    """

    view: str
    responses: NDArray[np.float32]
    saturated: NDArray[np.uint8]
    pictures: tuple[PictureFile, ...]
    interleaved: tuple[NDArray[np.float32], ...] = ()

    @property
    def size_px(self) -> tuple[int, int]:
        """Picture size as (width, height)."""
        return self.responses.shape[2], self.responses.shape[1]

    def sample(self, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the responses [light, ...] at places given in OpenCV's pixel count, linearly interpolated.

        x and y have the same shape of any number of axes.
        """
        map_x, map_y = _as_maps(x), _as_maps(y)
        found = np.empty((len(self.responses), *map_x.shape), dtype=np.float32)
        for start in range(0, len(map_x), REMAP_SIDE):
            rows = slice(start, start + REMAP_SIDE)
            light = 0
            for picture in self.interleaved or self.responses:
                together = 1 if picture.ndim == 2 else picture.shape[2]
                _sample_into(found[light:light + together, rows], picture, map_x[rows], map_y[rows])
                light += together
        return found.reshape(len(found), *x.shape)

    def sample_part(self, rows: slice, columns: slice, x: NDArray[np.float32], y: NDArray[np.float32],
                    found: NDArray[np.float32]) -> None:
        """Sample at places [row, column] within a part of the picture as `sample` does, into [light, row, column].

        From a copy of the part, which pays where the places cross many of its rows: those of a whole picture lie so far
        apart in memory that the processor must find out anew where each of them is.
        """
        map_x, map_y = x - np.float32(columns.start), y - np.float32(rows.start)
        light = 0
        for picture in self.interleaved or self.responses:
            part, together = picture[rows, columns], 1 if picture.ndim == 2 else picture.shape[2]
            # OpenCV samples four channels sooner than three: three get a fourth that nobody reads.
            copy = cv2.cvtColor(part, cv2.COLOR_BGR2BGRA) if together == 3 else part.copy()
            _sample_into(found[light:light + together], np.asarray(copy, dtype=np.float32), map_x, map_y)
            light += together


def _sample_into(found: NDArray[np.float32], picture: NDArray[np.float32], map_x: NDArray[np.float32],
                 map_y: NDArray[np.float32]) -> None:
    """Sample a picture [row, col] or [row, col, light] into found [light, row, column], which may want fewer lights."""
    part = cv2.remap(picture, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if part.ndim == 3 and part.shape[2] == len(found):
        cv2.split(part, list(found))
    else:
        cv2.mixChannels([part], list(found), [number for light in range(len(found)) for number in (light, light)])


def _as_maps(places: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return places as a table of about as many rows as columns' worth fit, for OpenCV's remap."""
    flat = np.ascontiguousarray(places, dtype=np.float32)
    return flat.reshape(-1, places.shape[-1])


def load_view(view: str, pictures: Mapping[tuple[str, str], Path], station: Station) -> Capture:
    """Read all exposures of a view.

    Raises PictureError (one line: which file, what is wrong, what was expected).
    """
    files: list[PictureFile] = []
    groups: dict[str, tuple[int, int]] = {}
    shots: list[NDArray[np.float32]] = []
    saturated: NDArray[np.uint8] | None = None
    for exposure in station.exposures:
        path = pictures[view, exposure]
        data = _read_bytes(path)
        files.append(PictureFile(view, exposure, str(path), hashlib.sha256(data).hexdigest()))
        picture = decode(data, path.name)
        lights = [light for light in station.lights if light.exposure == exposure]
        _check_channels(picture, lights, path.name)
        _check_size(picture, saturated, station, path.name)
        full = float(np.iinfo(picture.dtype).max)
        at_full = _saturated(picture, full)
        saturated = at_full if saturated is None else cv2.bitwise_or(saturated, at_full).astype(np.uint8)
        groups |= {light.name: (len(shots), place) for place, light in enumerate(lights)}
        shots.append(_responses(picture, lights, station, full))
    assert saturated is not None
    order = [groups[light.name] for light in station.lights]
    if len(shots) == 1 and len(order) <= TOGETHER and order == sorted(order):
        return Capture(view, np.moveaxis(shots[0], 2, 0), saturated, tuple(files), tuple(shots))
    planes = [shots[shot][:, :, place] for shot, place in order]
    together = tuple(_merged(planes[start:start + TOGETHER]) for start in range(0, len(planes), TOGETHER))
    stacked = np.stack(planes) if len(together) > 1 else np.moveaxis(together[0], 2, 0)
    return Capture(view, stacked, saturated, tuple(files), together)


def _merged(planes: list[NDArray[np.float32]]) -> NDArray[np.float32]:
    merged = np.asarray(cv2.merge(planes), dtype=np.float32)
    return merged.reshape(*planes[0].shape, len(planes))


def decode(data: bytes, name: str) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Decode a picture file: [row, col] or [row, col, blue-green-red], 8 or 16 bit; alpha is dropped.

    OpenCV hands out half a picture without a word when a file is cut off, so completeness is checked first.
    Raises PictureError.
    """
    if not data:
        raise PictureError(f"{name}: empty file, wanted a picture; take or copy it again")
    _check_complete(data, name)
    try:
        picture = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error as error:
        raise PictureError(f"{name}: cannot be decoded ({_short(error)}); take or copy it again") from error
    if picture is None or picture.size == 0:
        raise PictureError(f"{name}: cannot be decoded, wanted png, tiff, jpeg or bmp; take or copy it again")
    if picture.dtype not in (np.dtype(np.uint8), np.dtype(np.uint16)):
        raise PictureError(f"{name}: got {picture.dtype} pixels, wanted 8 or 16 bit")
    if picture.ndim == 3 and picture.shape[2] == 4:
        picture = np.ascontiguousarray(picture[:, :, :3])
    if picture.ndim == 3 and picture.shape[2] not in (1, 3):
        raise PictureError(f"{name}: got {picture.shape[2]} channels, wanted grey or red-green-blue")
    return picture[:, :, 0] if picture.ndim == 3 and picture.shape[2] == 1 else picture  # type: ignore[return-value]


def _read_bytes(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise PictureError(f"{path.name}: larger than {MAX_FILE_BYTES // 1_000_000} MB, wanted a picture")
        return path.read_bytes()
    except OSError as error:
        raise PictureError(f"{path.name}: {(error.strerror or str(error)).lower()}; take or copy it again") from error


def _check_complete(data: bytes, name: str) -> None:
    """Refuse cut-off and damaged PNG and JPEG files, and headers that promise too much."""
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        _check_png(data, name)
    elif data.startswith(b"\xff\xd8") and data.rstrip(b"\0")[-2:] != b"\xff\xd9":
        # A complete JPEG ends with the end-of-image marker; some cameras pad the file with zeros behind it.
        raise PictureError(f"{name}: cut off (no end marker); take or copy it again")


def _check_png(data: bytes, name: str) -> None:
    """Walk the chunks of a PNG file (ISO/IEC 15948) and check lengths and checksums."""
    place, view = 8, memoryview(data)
    while True:
        if place + 12 > len(data):
            raise PictureError(f"{name}: cut off after {len(data)} bytes; take or copy it again")
        (length,) = struct.unpack_from(">I", data, place)
        kind = data[place + 4:place + 8]
        if length > len(data) - place - 12:
            raise PictureError(f"{name}: cut off after {len(data)} bytes; take or copy it again")
        (checksum,) = struct.unpack_from(">I", data, place + 8 + length)
        if zlib.crc32(view[place + 4:place + 8 + length]) != checksum:
            raise PictureError(f"{name}: damaged (checksum of chunk {kind!r} is wrong); take or copy it again")
        if kind == b"IHDR":
            width, height = struct.unpack_from(">II", data, place + 8)
            if width * height > MAX_PIXELS:
                raise PictureError(f"{name}: header promises {width} x {height} px, more than {MAX_PIXELS} in all")
        if kind == b"IEND":
            return
        place += 12 + length


def _check_channels(picture: NDArray[np.generic], lights: list[Light], name: str) -> None:
    grey = picture.ndim == 2
    wants_mono = any(light.channel == "mono" for light in lights)
    if grey and not wants_mono:
        raise PictureError(f"{name}: got a grey picture, wanted colour; check the camera's pixel format")
    if not grey and wants_mono:
        raise PictureError(f"{name}: got a colour picture, wanted grey (mono); check the camera's pixel format")


def _check_size(picture: NDArray[np.generic], earlier: NDArray[np.uint8] | None, station: Station, name: str) -> None:
    size = (picture.shape[1], picture.shape[0])
    wanted = station.picture_px or (None if earlier is None else (earlier.shape[1], earlier.shape[0]))
    if wanted is not None and size != wanted:
        raise PictureError(f"{name}: got {size[0]} x {size[1]} px, wanted {wanted[0]} x {wanted[1]} px")
    if min(size) < 64:
        raise PictureError(f"{name}: got {size[0]} x {size[1]} px, wanted at least 64 px each way")


def _saturated(picture: NDArray[np.integer[Any]], full: float) -> NDArray[np.uint8]:
    """Return 1 where some channel is at full scale."""
    below = int(np.ceil(full * 0.996)) - 1
    over = picture > below
    if np.count_nonzero(over) > over.size * FEW:
        return np.asarray(cv2.inRange(picture, (0.0,) * 4, (float(below),) * 4) == 0).view(np.uint8)
    found = np.zeros(picture.shape[:2], dtype=np.uint8)
    found.flat[set_places(over.view(np.uint8)) // (over.size // found.size)] = 1
    return found


def set_places(mask: NDArray[np.uint8]) -> NDArray[np.intp]:
    """Return the places, counted row by row, of the few bytes of a mask that are not 0, looking at eight at a time."""
    flat = np.ascontiguousarray(mask).ravel()
    whole = flat.size - flat.size % 8
    eights = np.flatnonzero(flat[:whole].view(np.uint64) != 0)[:, None] * 8 + np.arange(8)
    place = np.concatenate([eights.ravel(), np.arange(whole, flat.size)])
    return np.asarray(place[flat[place] > 0], dtype=np.intp)


def _responses(picture: NDArray[np.generic], lights: list[Light], station: Station,
               full: float) -> NDArray[np.float32]:
    """Return the responses of one exposure's lights, [row, col, light]."""
    black = station.black_level
    channels = picture.shape[2] if picture.ndim == 3 else 1
    unmix = np.eye(channels)
    if channels == 3 and station.cross_talk is not None:
        unmix = np.linalg.inv(np.asarray(station.cross_talk))[::-1, ::-1]  # rgb rows and columns to bgr
    white = WHITE_SHARE * (full - black)
    levels = [1.0 if light.flat_field else white for light in lights]
    rows = np.stack([unmix[_PLANES[light.channel]] / level for light, level in zip(lights, levels, strict=True)])
    # Grey levels to responses in one step; the last column takes the black level off.
    linear = np.concatenate([rows, -black * rows.sum(axis=1, keepdims=True)], axis=1).astype(np.float32)
    found = np.empty((*picture.shape[:2], len(lights)), dtype=np.float32)
    for top in range(0, len(picture), STRIPE):  # stripe by stripe, so that the next step finds it in the cache
        rows_here = slice(top, top + STRIPE)
        cv2.transform(picture[rows_here].astype(np.float32), linear, dst=found[rows_here])
    for place, light in enumerate(lights):
        if light.flat_field is not None:
            found[:, :, place] /= flat_field(light.flat_field, light.channel, picture.shape[:2], black)
    return found


@lru_cache(maxsize=32)
def flat_field(path: Path, channel: str, shape: tuple[int, int], black: float) -> NDArray[np.float32]:
    """Return a light's flat-field in grey levels above black, checked against the pictures' size."""
    picture = decode(_read_bytes(path), path.name)
    plane = picture[:, :, _PLANES[channel]] if picture.ndim == 3 else picture
    if plane.shape != shape:
        raise PictureError(f"{path.name}: flat-field of {plane.shape[1]} x {plane.shape[0]} px, "
                           f"wanted {shape[1]} x {shape[0]} px as the pictures; calibrate the station again")
    level = plane.astype(np.float32) - np.float32(black)
    # A dead corner of a flat-field must not turn into infinite responses.
    floor = 0.02 * float(np.median(level)) + 1e-3
    bounded: NDArray[np.float32] = np.maximum(level, np.float32(floor))
    return bounded


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:120]
