"""How large pictures of a view are."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from synthetic_images.demo import demo_family, demo_station
from vision.setup import view_size_px

FAMILY, STATION = demo_family(), replace(demo_station(), picture_px=None)


def with_flat_fields(path: Path):
    return replace(STATION, lights=tuple(replace(light, flat_field=path) for light in STATION.lights))


def test_a_station_that_names_no_size_shows_the_whole_view() -> None:
    width, height = view_size_px(FAMILY, FAMILY.views[0], STATION)
    reach = np.ptp([(joint.x_mm, joint.y_mm) for joint in FAMILY.joints], axis=0) / STATION.mm_per_px
    assert width > reach[0] and height > reach[1]


def test_flat_fields_tell_how_large_pictures_are(tmp_path: Path) -> None:
    """What is rendered for a station must be as large as what its pictures are divided by."""
    cv2.imwrite(str(tmp_path / "flat.png"), np.full((700, 900), 90, np.uint8))
    station = with_flat_fields(tmp_path / "flat.png")
    assert view_size_px(FAMILY, FAMILY.views[0], station) == (900, 700)
    assert view_size_px(FAMILY, FAMILY.views[0], replace(station, picture_px=(1200, 800))) == (1200, 800)


def test_what_is_no_picture_tells_nothing(tmp_path: Path) -> None:
    (tmp_path / "flat.png").write_bytes(b"")
    whole = view_size_px(FAMILY, FAMILY.views[0], STATION)
    assert view_size_px(FAMILY, FAMILY.views[0], with_flat_fields(tmp_path / "flat.png")) == whole
    assert view_size_px(FAMILY, FAMILY.views[0], with_flat_fields(tmp_path / "none.png")) == whole
