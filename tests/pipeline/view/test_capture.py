"""Reading pictures: good ones exactly, bad ones with one clear reason."""

from __future__ import annotations

import struct
import zlib

import cv2
import numpy as np
import pytest

from tests.pipeline import drawn
from vision.pipeline.view.capture import WHITE_SHARE, PictureError, decode, load_view
from vision.setup import Light


def picture(size=(80, 100), channels=3, dtype=np.uint8, seed=0):
    rng = np.random.default_rng(seed)
    shape = size if channels == 1 else (*size, channels)
    return rng.integers(0, np.iinfo(dtype).max, shape, dtype=dtype)


def as_file(image, suffix=".png"):
    return cv2.imencode(suffix, image)[1].tobytes()


@pytest.mark.parametrize("suffix, dtype", [(".png", np.uint8), (".png", np.uint16), (".tiff", np.uint8),
                                           (".tiff", np.uint16), (".bmp", np.uint8)])
@pytest.mark.parametrize("channels", [1, 3])
def test_lossless_pictures_come_back_exactly(suffix, dtype, channels):
    image = picture(channels=channels, dtype=dtype)
    found = decode(as_file(image, suffix), "x")
    if suffix == ".bmp" and channels == 1 and found.ndim == 3:
        found = found[:, :, 0]
    assert np.array_equal(found, image)


def test_alpha_is_dropped():
    image = picture(channels=4)
    assert np.array_equal(decode(as_file(image), "x"), image[:, :, :3])


def _png_with_header(width, height):
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = b"IHDR" + head
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body)) + b"\0" * 64


@pytest.mark.parametrize("data, reason", [
    (b"", "empty file"),
    (b"hello, I am text", "cannot be decoded"),
    (as_file(picture())[:-20], "cut off"),
    (as_file(picture())[:200], "cut off"),
    (as_file(picture())[:300] + b"\xff" + as_file(picture())[301:], "damaged"),
    (as_file(picture(), ".jpg")[:-400], "cut off"),
    (as_file(picture(), ".tiff")[:60], "cannot be decoded"),
    (_png_with_header(200_000, 200_000), "header promises 200000 x 200000 px"),
    (as_file(np.zeros((80, 100), dtype=np.float32), ".tiff"), "wanted 8 or 16 bit"),
])
def test_bad_files_are_refused_with_the_reason(data, reason):
    with pytest.raises(PictureError, match=reason) as caught:
        decode(data, "B1_v1_a.png")
    message = str(caught.value)
    assert message.startswith("B1_v1_a.png: ")
    assert "\n" not in message


def write_and_load(tmp_path, image, **changes):
    path = tmp_path / "B1_v1_a.png"
    path.write_bytes(as_file(image))
    return load_view("v1", {("v1", "a"): path}, drawn.station(**changes))


def test_responses_follow_the_definition(tmp_path):
    image = picture((90, 100))
    capture = write_and_load(tmp_path, image, black_level=6.0)
    white = WHITE_SHARE * (255 - 6.0)
    for plane, index in ((0, 0), (1, 1), (2, 2)):  # lights high, mid, low use blue, green, red
        assert capture.responses[plane] == pytest.approx((image[:, :, index] - 6.0) / white, rel=1e-5, abs=1e-5)
    assert np.array_equal(capture.saturated.astype(bool), (image == 255).any(axis=2) | (image >= 254.0).any(axis=2))
    assert capture.size_px == (100, 90)


def test_cross_talk_is_undone(tmp_path):
    talk = ((0.9, 0.08, 0.02), (0.05, 0.9, 0.05), (0.01, 0.09, 0.9))  # seen rgb from lit rgb
    lit = np.zeros((90, 100, 3)) + np.array([40.0, 90.0, 160.0])  # rgb
    seen = lit @ np.array(talk).T
    capture = write_and_load(tmp_path, np.round(seen[:, :, ::-1]).astype(np.uint8), cross_talk=talk, black_level=0.0)
    white = WHITE_SHARE * 255
    assert capture.responses[:, 5, 5] * white == pytest.approx([160.0, 90.0, 40.0], abs=1.0)


def test_flat_field_is_divided_out(tmp_path):
    flat = np.tile(np.linspace(60, 120, 100), (90, 1)).astype(np.uint8)
    path = tmp_path / "flat.png"
    path.write_bytes(as_file(np.dstack([flat] * 3)))
    lights = tuple(Light(light.name, "a", light.channel, light.zenith_deg, flat_field=path) for light in drawn.LIGHTS)
    capture = write_and_load(tmp_path, np.dstack([(flat * 0.5).astype(np.uint8)] * 3), lights=lights, black_level=0.0)
    assert capture.responses == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("image, changes, reason", [
    (picture((90, 100), channels=1), {}, "got a grey picture, wanted colour"),
    (picture((90, 100)), {"picture_px": (640, 480)}, "got 100 x 90 px, wanted 640 x 480 px"),
    (picture((40, 30)), {}, "wanted at least 64 px each way"),
])
def test_pictures_that_do_not_fit_the_station(tmp_path, image, changes, reason):
    with pytest.raises(PictureError, match=reason):
        write_and_load(tmp_path, image, **changes)


def test_a_missing_file_says_so(tmp_path):
    with pytest.raises(PictureError, match=r"B9_v1_a\.png: no such file"):
        load_view("v1", {("v1", "a"): tmp_path / "B9_v1_a.png"}, drawn.station())
