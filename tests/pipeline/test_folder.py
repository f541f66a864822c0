"""Boards are found by the station's file name pattern; nothing is dropped without a word."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.errors import InputError
from tests.pipeline import drawn
from vision.pipeline.folder import look_through, name_pattern, scan_folder, usable_serial
from vision.setup import Light, View

TWO = (Light("a1", "a", "mono", (5.0, 30.0)), Light("b1", "b", "mono", (40.0, 70.0)))


def touch(folder, *names):
    for name in names:
        (folder / name).write_bytes(b"x")


def test_boards_views_and_exposures(tmp_path):
    board = drawn.family(views=(View("v1", (0.0, 0.0)), View("v2", (5.0, 5.0))))
    touch(tmp_path, *(f"{serial}_{view}_{exposure}.png" for serial in ("B2", "B1_x") for view in ("v1", "v2")
                      for exposure in "ab"), "truth.csv", "notes.txt")
    boards = scan_folder(tmp_path, drawn.station(lights=TWO), board)
    assert [item.serial for item in boards] == ["B1_x", "B2"]
    assert all(not item.problems and len(item.pictures) == 4 for item in boards)


def test_what_is_missing_double_or_strange_is_told(tmp_path):
    touch(tmp_path, "B1_v1_a.png", "B2_v1_a.png", "B2_v1_a.PNG", "B3_v1_b.png", "holiday.jpg")
    found = look_through(tmp_path, drawn.station(lights=TWO), drawn.family())
    problems = {item.serial: item.problems for item in found.boards}
    assert problems["B1"] == ("no picture of view v1, exposure b",)
    assert problems["B2"][0] == "serial B2 has 2 pictures of view v1, exposure a: B2_v1_a.PNG, B2_v1_a.png"
    assert problems["B3"] == ("no picture of view v1, exposure a",)
    assert [path.name for path in found.strangers] == ["holiday.jpg"]


def test_unusable_serials_keep_their_board_ungraded(tmp_path):
    touch(tmp_path, "x" * 100 + "_v1_a.png", "..._v1_a.png")
    boards = scan_folder(tmp_path, drawn.station(), drawn.family())
    assert len(boards) == 2
    assert all("is not usable" in item.problems[0] for item in boards)


def test_a_pattern_that_cannot_tell_views_apart_is_refused():
    board = drawn.family(views=(View("v1", (0.0, 0.0)), View("v2", (5.0, 5.0))))
    with pytest.raises(InputError, match="has 2 views"):
        name_pattern(drawn.station(files="{serial}.png"), board)


def test_a_missing_folder_is_an_error(tmp_path):
    with pytest.raises(InputError, match="no such folder"):
        scan_folder(tmp_path / "none", drawn.station(), drawn.family())


@given(st.text(max_size=100))
def test_usable_serials_are_safe_in_paths(serial):
    if usable_serial(serial):
        assert serial.strip(". ")
        assert not set(serial) & set("/\\\0\n\r")
        assert len(serial) <= 80
