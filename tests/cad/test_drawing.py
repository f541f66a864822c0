"""The map of a family: SVG that parses, PNG of the same size, everything drawn where it belongs."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.errors import MeniscopeError
from tests.cad.test_views import family, grid, joint
from vision.setup import Chip, Family, View
from vision.setup.drawing import KIND_COLOURS, VIEW, draw_family, view_outline, write_map
from vision.setup.shapes import LETTER, Line, Polygon, Text

SVG = "{http://www.w3.org/2000/svg}"


def known(seen_from: str = "bottom") -> Family:
    base = family([*grid(4, 3, 6.0), joint("K1.1", 25.0, 9.0, land=2.4)], ((-4.0, -3.0), (24.0, -2.0)))
    joints = tuple(replace(j, pot="P1" if j.ref == "J1" else "") for j in base.joints)
    return replace(base, joints=joints, chips=(Chip("R1", 9.0, 9.0, 30.0, 2.0, 1.2),), seen_from=seen_from,  # type: ignore[arg-type]
                   views=(View("v1", (5.0, 6.0)), View("v2", (20.0, 6.0))))


def polygons(seen_from: str, seen: str = "camera") -> dict[str, np.ndarray]:
    shapes, _, _ = draw_family(known(seen_from), (20.0, 18.0), seen=seen)  # type: ignore[arg-type]
    return {shape.title.split(":")[0]: np.array(shape.points) for shape in shapes
            if isinstance(shape, Polygon) and shape.title}


def test_svg_holds_every_joint_chip_view_and_pot(tmp_path: Path) -> None:
    write_map(known(), tmp_path / "map.svg", (20.0, 18.0))
    root = ET.parse(tmp_path / "map.svg").getroot()
    titles = {title.text.split(":")[0] for title in root.iter(f"{SVG}title") if title.text}
    assert {j.name for j in known().joints} | {"chip R1", "view v1", "view v2", "pot P1"} <= titles
    texts = {text.text for text in root.iter(f"{SVG}text")}
    assert {"f", "J0", "K1", "F1", "v1", "pot P1", "round 1.8 mm, 12 joints", "round 2.4 mm, 1 joint"} <= texts
    assert "view of 20 x 18 mm, 2" in texts


def test_the_map_lies_as_the_camera_sees_it() -> None:
    mirrored, plain = polygons("bottom"), polygons("top")
    assert mirrored["J0.0"][:, 0].mean() > mirrored["J0.3"][:, 0].mean()  # board x runs to the left
    assert plain["J0.0"][:, 0].mean() < plain["J0.3"][:, 0].mean()
    assert plain["J0.0"][:, 1].mean() > plain["J2.0"][:, 1].mean()  # board y runs up
    cad = polygons("bottom", "component")
    assert cad["J0.0"][:, 0].mean() < cad["J0.3"][:, 0].mean()


def test_lands_are_to_scale() -> None:
    drawn = polygons("bottom")
    scale = np.ptp(drawn["J0.0"][:, 0]) / 1.8
    assert np.ptp(drawn["K1.1"][:, 0]) / 2.4 == pytest.approx(scale, rel=1e-6)
    assert np.ptp(drawn["view v1"][:, 0]) / 20.0 == pytest.approx(scale, rel=1e-6)
    middle = (drawn["J0.3"].mean(axis=0) - drawn["J0.0"].mean(axis=0)) / scale
    assert middle == pytest.approx([-18.0, 0.0], abs=1e-6)


def test_kinds_have_letters_as_well_as_colours() -> None:
    shapes, _, _ = draw_family(known())
    letters = [shape.text for shape in shapes if isinstance(shape, Text) and shape.text in {"A", "B"}]
    assert letters.count("A") == 13  # twelve lands and the legend
    assert letters.count("B") == 2
    # Okabe and Ito's palette (2008), without blue, orange and vermilion, which mean verdicts elsewhere.
    assert set(KIND_COLOURS) == {"#56B4E9", "#F0E442", "#CC79A7", "#009E73"}


def test_png_shows_the_colours_of_the_lands(tmp_path: Path) -> None:
    write_map(known(), tmp_path / "map.png", (20.0, 18.0))
    found = cv2.imread(str(tmp_path / "map.png"))
    assert found is not None
    _, width, height = draw_family(known(), (20.0, 18.0))
    assert found.shape == (height, width, 3)
    outline = polygons("bottom")["K1.1"]
    x, y = outline.mean(axis=0)
    blue, green, red = found[round(y + 0.85 * np.ptp(outline[:, 1]) / 2), round(x)]
    assert (red, green, blue) == pytest.approx((0xF0, 0xE4, 0x42), abs=3)


def test_outline_of_a_turned_view() -> None:
    corners = view_outline(known("top"), View("v", (10.0, 5.0), 90.0), (20.0, 10.0))
    assert np.ptp(corners[:, 0]) == pytest.approx(10.0)
    assert np.ptp(corners[:, 1]) == pytest.approx(20.0)


def test_unknown_endings_are_refused(tmp_path: Path) -> None:
    with pytest.raises(MeniscopeError, match=r"got the ending '.pdf', wanted .svg or .png"):
        write_map(known(), tmp_path / "map.pdf")


def boxes_of_parts(shapes: list[object]) -> np.ndarray:
    """Boxes (left, top, right, bottom) of lands and chips."""
    outlines = [np.array(shape.points) for shape in shapes if isinstance(shape, Polygon)
                and (":" in shape.title or shape.title.startswith("chip"))]
    return np.array([[*outline.min(axis=0), *outline.max(axis=0)] for outline in outlines])


@pytest.mark.parametrize("seen", ["camera", "component"])
def test_names_of_pots_stand_on_top_and_clear_of_parts(seen: str) -> None:
    """On the invented board of the demo a pot's name lay half under a land."""
    from synthetic_images.demo import demo_family

    shapes, _, _ = draw_family(demo_family(), seen=seen)  # type: ignore[arg-type]
    parts = boxes_of_parts(shapes)
    last_land = max(k for k, shape in enumerate(shapes) if isinstance(shape, Polygon) and ":" in shape.title)
    names = [(k, shape) for k, shape in enumerate(shapes) if isinstance(shape, Text) and shape.text.startswith("pot ")
             and "," not in shape.text]
    assert len(names) >= 2
    for place, name in names:
        assert place > last_land
        width = len(name.text) * name.size * LETTER
        left = name.at[0] - {"start": 0.0, "middle": width / 2, "end": width}[name.anchor]
        hidden = ((parts[:, 0] < left + width) & (parts[:, 2] > left) & (parts[:, 1] < name.at[1])
                  & (parts[:, 3] > name.at[1] - name.size))
        assert not hidden.any(), name


def test_the_mark_of_a_view_lies_on_top_of_a_chip() -> None:
    base = replace(known(), chips=(Chip("R1", 5.0, 6.0, 0.0, 2.0, 1.2),))  # where the view's middle is
    shapes, _, _ = draw_family(base)
    chip = next(k for k, shape in enumerate(shapes) if isinstance(shape, Polygon) and shape.title == "chip R1")
    crosses = [k for k, shape in enumerate(shapes) if isinstance(shape, Line) and shape.line == VIEW]
    assert min(crosses) > chip
