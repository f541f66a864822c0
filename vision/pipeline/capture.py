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


class PictureError(MeniscopeError):
    """A picture that cannot be used; the text is the reason why its board stays ungraded."""


@dataclass(frozen=True)
class Capture:
    """One view of one board.

    responses: float32 [light, row, col], 1.0 = white reference. saturated: uint8 [row, col], 1 where some
    channel is at full scale.
    """

    view: str
    responses: NDArray[np.float32]
    saturated: NDArray[np.uint8]
    pictures: tuple[PictureFile, ...]

    @property
    def size_px(self) -> tuple[int, int]:
        """Picture size as (width, height)."""
        return self.responses.shape[2], self.responses.shape[1]


def load_view(view: str, pictures: Mapping[tuple[str, str], Path], station: Station) -> Capture:
    """Read all exposures of a view.

    Raises PictureError (one line: which file, what is wrong, what was expected).
    """
    files: list[PictureFile] = []
    planes: dict[str, NDArray[np.float32]] = {}
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
        planes |= _responses(picture, lights, station, full)
    assert saturated is not None
    stacked = np.stack([planes[light.name] for light in station.lights])
    return Capture(view, stacked, saturated, tuple(files))


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


def _saturated(picture: NDArray[np.generic], full: float) -> NDArray[np.uint8]:
    """Return 1 where some channel is at full scale."""
    brightest: NDArray[np.generic] = picture
    if picture.ndim == 3:
        brightest = np.maximum(np.maximum(picture[:, :, 0], picture[:, :, 1]), picture[:, :, 2])
    return (brightest >= np.array(full * 0.996)).view(np.uint8)


def _responses(picture: NDArray[np.generic], lights: list[Light], station: Station,
               full: float) -> dict[str, NDArray[np.float32]]:
    """Return the response planes of one exposure by light name."""
    is_colour = picture.ndim == 3
    black = station.black_level
    linear = picture.astype(np.float32)
    if black:
        linear -= np.float32(black)
    if is_colour and station.cross_talk is not None:
        unmix = np.linalg.inv(np.asarray(station.cross_talk))[::-1, ::-1]  # rgb rows and columns to bgr
        linear = cv2.transform(linear, np.ascontiguousarray(unmix)).astype(np.float32)
    white = np.float32(WHITE_SHARE * (full - black))
    planes = {}
    for light in lights:
        plane = linear[:, :, _PLANES[light.channel]] if is_colour else linear
        if light.flat_field is None:
            planes[light.name] = plane / white
        else:
            flat = flat_field(light.flat_field, light.channel, plane.shape, black)
            planes[light.name] = plane / flat
    return planes


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
