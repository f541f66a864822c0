"""Files that a camera, a network or a person can leave in a picture folder instead of a good picture."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable

import cv2
import numpy as np

RNG = np.random.default_rng(5)
COLOUR = RNG.integers(0, 255, (240, 320, 3), dtype=np.uint8)


def encoded(image: np.ndarray, ending: str = ".png") -> bytes:
    good, data = cv2.imencode(ending, image)
    assert good
    return data.tobytes()


def with_pillow(mode: str, form: str) -> bytes:
    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(COLOUR).convert(mode).save(file, form)
    return file.getvalue()


def flipped(data: bytes, at: int, count: int = 40) -> bytes:
    return data[:at] + bytes(byte ^ 0x55 for byte in data[at:at + count]) + data[at + count:]


def png_header(width: int, height: int) -> bytes:
    """Return a PNG whose header promises a size that no data follow for."""
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = zlib.compress(b"\0" * 100)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


PNG, JPEG, TIFF = encoded(COLOUR), encoded(COLOUR, ".jpg"), encoded(COLOUR, ".tiff")

#: Name -> content, in files that are all called .png as the station's pattern says.
KINDS: dict[str, Callable[[], bytes]] = {
    "empty": lambda: b"",
    "one byte": lambda: b"\x89",
    "text": lambda: b"Sorry, the camera is busy.",
    "html": lambda: b"<!doctype html><html><body>503</body></html>",
    "zeros": lambda: b"\0" * 100_000,
    "random": lambda: RNG.integers(0, 256, 50_000, dtype=np.uint8).tobytes(),
    "png cut after header": lambda: PNG[:33],
    "png cut in half": lambda: PNG[: len(PNG) // 2],
    "png without end": lambda: PNG[:-20],
    "png header flipped": lambda: flipped(PNG, 16, 4),
    "png data flipped": lambda: flipped(PNG, len(PNG) // 2),
    "jpeg cut in half": lambda: JPEG[: len(JPEG) // 2],
    "jpeg header flipped": lambda: flipped(JPEG, 2, 30),
    "jpeg data flipped": lambda: flipped(JPEG, len(JPEG) // 2),
    "tiff cut in half": lambda: TIFF[: len(TIFF) // 2],
    "tiff header flipped": lambda: flipped(TIFF, 4, 4),
    "gigantic header": lambda: png_header(60_000, 60_000),
    "impossible header": lambda: png_header(2**31 - 1, 2**31 - 1),
    "header of no width": lambda: png_header(0, 10),
    "one pixel": lambda: encoded(COLOUR[:1, :1]),
    "grey": lambda: encoded(COLOUR[:, :, 0]),
    "grey 16 bit": lambda: encoded(COLOUR[:, :, 0].astype(np.uint16) * 257),
    "colour 16 bit": lambda: encoded(COLOUR.astype(np.uint16) * 257),
    "alpha": lambda: encoded(np.dstack([COLOUR, COLOUR[:, :, :1]])),
    "palette": lambda: with_pillow("P", "PNG"),
    "black and white": lambda: with_pillow("1", "PNG"),
    "cmyk jpeg": lambda: with_pillow("CMYK", "JPEG"),
    "gif": lambda: with_pillow("P", "GIF"),
    "float tiff": lambda: encoded(COLOUR.astype(np.float32), ".tiff"),
    "upside down": lambda: encoded(np.ascontiguousarray(COLOUR[::-1])),
    "all black": lambda: encoded(np.zeros_like(COLOUR)),
    "all white": lambda: encoded(np.full_like(COLOUR, 255)),
    "noise": lambda: PNG,
}
