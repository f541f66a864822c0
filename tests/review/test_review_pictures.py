"""Cut-outs: from the very files that were graded, at the right place, with slopes that are true."""

from __future__ import annotations

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import rendered_boards as rendered
from numpy.typing import NDArray
from sqlalchemy import Engine, update

from synthetic_images.board import RenderedView
from vision.pipeline.view.capture import load_view
from vision.pipeline.view.register import register_view
from vision.records.database import transaction
from vision.records.schema import Picture
from vision.review.boards import load_board
from vision.review.pictures import SIDE_PX, NotShownError, Pictures, Shelf, Window, draw_cut, place_window, slope_of
from vision.setup import Station


@pytest.fixture(scope="module")
def lot(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RenderedView]:
    """One rendered board with two bare joints."""
    folder = tmp_path_factory.mktemp("lot")
    return folder, rendered.render(folder, "B0001", bare=(0, 6))


@pytest.fixture
def graded(engine: Engine, lot: tuple[Path, RenderedView]) -> Engine:
    rendered.grade(engine, lot[0])
    return engine


def decoded(data: bytes) -> NDArray[np.uint8]:
    picture = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return picture  # type: ignore[return-value]


def test_a_recorded_registration_gives_back_the_very_map(graded: Engine, lot: tuple[Path, RenderedView]) -> None:
    seen = Pictures(graded).seen(1, "v1")
    path = next(lot[0].glob("*.png"))
    capture = load_view("v1", {("v1", "a"): path}, rendered.station())
    fresh = register_view(capture, rendered.family(), rendered.family().views[0], rendered.station()).to_picture
    assert np.allclose(seen.to_picture.matrix, fresh.matrix, atol=1e-9)
    assert np.allclose(seen.to_picture.shift, fresh.shift, atol=1e-6)


def test_a_cut_out_is_centred_and_to_scale(graded: Engine) -> None:
    """Reference: a fiducial of 0.9 mm in a window of 3 mm is a disc of 0.3 of the side, in the middle."""
    seen = Pictures(graded).seen(1, "v1")
    mark = rendered.family().fiducials[0]
    picture = draw_cut(seen, Window(mark.x_mm, mark.y_mm, 1.5), "light0")[:, :, 0]
    light = (picture / 235.0) ** 2  # the picture shows the square root
    bright, dark = light[SIDE_PX // 2, SIDE_PX // 2], light[SIDE_PX - 40:, SIDE_PX - 40:].mean()
    disc = (light > (bright + dark) / 2.0).astype(np.uint8)
    _, labels, stats, centers = cv2.connectedComponentsWithStats(disc)
    here = int(labels[SIDE_PX // 2, SIDE_PX // 2])
    per_mm = SIDE_PX / 3.0
    assert np.hypot(*(centers[here] + 0.5 - SIDE_PX / 2)) < 0.03 * per_mm
    diameter = np.sqrt(4.0 * stats[here, cv2.CC_STAT_AREA] / np.pi)
    assert diameter == pytest.approx(0.9 * per_mm, rel=0.05)


def test_neighbours_lie_where_the_camera_sees_them(graded: Engine) -> None:
    """Seen from below x runs to the left: of the neighbours of J1.2 the bare J1.1, of lower x, lies on the right.

    Bare land mirrors the high light, the fillet of J1.3 on the other side does not.
    """
    seen = Pictures(graded).seen(1, "v1")
    joint = rendered.family().joints[1]
    picture = draw_cut(seen, Window(joint.x_mm, joint.y_mm, 3.6), "light0")[:, :, 0].astype(float)
    per_mm = SIDE_PX / 7.2
    middle, row = SIDE_PX // 2, slice(SIDE_PX // 2 - 10, SIDE_PX // 2 + 10)
    inner, outer = round((2.54 - 0.7) * per_mm), round((2.54 - 0.55) * per_mm)  # on the land, beside the hole
    assert picture[row, middle + inner:middle + outer].mean() > 1.5 * picture[row, middle - outer:middle - inner].mean()


def test_the_slope_map_shows_true_slopes(lot: tuple[Path, RenderedView]) -> None:
    """Reference: the renderer's exact slope of every pixel of solder that the rings light (5 to 35 degrees)."""
    view = lot[1]
    slope, share = slope_of(view.responses, rendered.station().lights)
    assert view.labels is not None
    assert view.slope_deg is not None
    from synthetic_images.canvas import LABELS

    solder = (view.labels == LABELS.index("solder")) & (view.slope_deg > 5.0) & (view.slope_deg < 35.0) & (share > 0.3)
    assert solder.sum() > 2000
    assert np.median(np.abs(slope[solder] - view.slope_deg[solder])) < 4.0
    assert np.corrcoef(slope[solder], view.slope_deg[solder])[0, 1] > 0.8


def test_slope_colours_run_from_blue_to_yellow(graded: Engine) -> None:
    """Cividis: dark blue where flat, yellow where steep (Nunez et al., PLoS ONE 13 (2018) e0199239)."""
    seen = Pictures(graded).seen(1, "v1")
    joint = rendered.family().joints[0]  # bare: its land is flat
    picture = draw_cut(seen, Window(joint.x_mm, joint.y_mm, 1.2), "slope").astype(int)
    edge = picture[SIDE_PX // 2 - 5:SIDE_PX // 2 + 5, SIDE_PX // 2 - 150:SIDE_PX // 2 - 130].reshape(-1, 3)
    blue, _, red = np.median(edge, axis=0)
    assert blue > red


def test_every_layer_is_a_picture_and_others_are_refused(graded: Engine) -> None:
    pictures = Pictures(graded)
    _, found = load_board(graded, 1)
    assert {item.place for item in found} == {"J1.1", "J1.7"}
    window = place_window(rendered.family(), found[0])
    assert [name for name, _ in pictures.layers(1)] == ["all", "light0", "light1", "light2", "slope"]
    for layer, _ in pictures.layers(1):
        picture = decoded(pictures.cut(1, "v1", window, layer))
        assert picture.shape == (SIDE_PX, SIDE_PX, 3)
        assert picture.std() > 5.0
    for layer in ("light3", "light", "light-1", "light٣", "../all", "", "slope2"):
        with pytest.raises(NotShownError):
            pictures.cut(1, "v1", window, layer)
    with pytest.raises(NotShownError, match="no picture of this view"):
        pictures.cut(1, "v2", window, "all")
    with pytest.raises(NotShownError, match="outside the picture"):
        pictures.cut(1, "v1", Window(500.0, 500.0, 1.0), "all")


def test_a_file_that_was_changed_or_is_gone_is_not_shown(engine: Engine, tmp_path: Path) -> None:
    rendered.render(tmp_path / "pics", "B0001", bare=(0,))
    rendered.grade(engine, tmp_path / "pics")
    (file,) = (tmp_path / "pics").glob("*.png")
    whole = file.read_bytes()
    file.write_bytes(whole + b"\0")
    with pytest.raises(NotShownError, match="changed after the board was graded"):
        Pictures(engine).seen(1, "v1")
    file.unlink()
    with pytest.raises(NotShownError, match="no longer where it was graded"):
        Pictures(engine).seen(1, "v1")
    file.mkdir()
    with pytest.raises(NotShownError, match="no longer"):
        Pictures(engine).seen(1, "v1")


def test_a_record_that_points_elsewhere_shows_nothing(engine: Engine, tmp_path: Path) -> None:
    """Even with its right hash a file that is no picture of the board gives words, not its contents."""
    rendered.render(tmp_path / "pics", "B0001", bare=(0,))
    rendered.grade(engine, tmp_path / "pics")
    secret = tmp_path / "secret.txt"
    secret.write_text("root:x:0:0")
    digest = hashlib.sha256(secret.read_bytes()).hexdigest()
    with transaction(engine) as connection:
        connection.execute(update(Picture).values(path=str(secret), sha256=digest))
    with pytest.raises(NotShownError, match="cannot be decoded") as caught:
        Pictures(engine).seen(1, "v1")
    assert "root" not in str(caught.value)
    with transaction(engine) as connection:
        connection.execute(update(Picture).values(path=str(secret), sha256=""))
    with pytest.raises(NotShownError, match="could not be read"):
        Pictures(engine).seen(1, "v1")


def test_a_given_station_with_flat_fields_is_used(graded: Engine) -> None:
    pictures = Pictures(graded, [rendered.station()])
    assert pictures.seen(1, "v1").station is not None
    assert pictures.seen(1, "v1").flat_fields
    other = Station("other", 0.02, "{serial}_{view}_{exposure}.png", rendered.station().lights)
    assert Pictures(graded, [other]).seen(1, "v1").station.name == "demo"


def test_a_shelf_makes_once_and_drops_what_was_used_least() -> None:
    made: list[str] = []

    def make(name: str) -> str:
        made.append(name)
        return name * 4

    shelf: Shelf[str] = Shelf(10, len)
    for name in ("a", "b", "a", "c", "a", "b"):
        assert shelf.get(name, lambda name=name: make(name)) == name * 4  # type: ignore[misc]
    assert made == ["a", "b", "c", "b"]

    def fails() -> str:
        raise NotShownError("not there")

    with pytest.raises(NotShownError):
        shelf.get("d", fails)
    assert shelf.get("d", lambda: "dddd") == "dddd"
