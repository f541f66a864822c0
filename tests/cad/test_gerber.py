"""Reading Gerber X2 and X3: pads with attributes, shapes, drill layers, independent writers, faults with places."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import InputError
from tests.cad import invented
from vision.setup.cad.gerber import land_form, parse_gerber
from vision.setup.cad.parsed import DrillFile, Land, LayerFile

gerbonara = pytest.importorskip("gerbonara")

HEAD = "%TF.FileFunction,Copper,L2,Bot*%\n%FSLAX46Y46*%\n%MOMM*%\n%LPD*%\n"
TEXT = HEAD + """\
%TA.AperFunction,ComponentPad*%
%ADD10C,1.700000*%
%ADD12O,1.7X2.2*%
%TD*%
D10*
%TO.P,J1,1,IN*%
%TO.N,GND*%
X25400000Y-12700000D03*
%TD*%
%TO.P,J1,3*%
D12*
X30480000Y-12700000D03*
%LR90.0*%
X31480000Y-12700000D03*
M02*
"""


def lands(text: str) -> tuple[Land, ...]:
    layer = parse_gerber(text, "b.gbr")
    assert isinstance(layer, LayerFile)
    return layer.lands


def test_pads_with_pin_net_and_function() -> None:
    layer = parse_gerber(TEXT, "b.gbr")
    assert isinstance(layer, LayerFile)
    assert layer.function == ("Copper", "L2", "Bot")
    first, second, _ = layer.lands
    assert (first.ref, first.pin, first.net, first.function) == ("J1", "1", "GND", "ComponentPad")
    assert (first.shape, first.w_mm, first.x_mm, first.y_mm) == ("round", 1.7, 25.4, -12.7)
    assert (second.shape, second.w_mm, second.h_mm, second.rotation_deg, second.net) == ("oblong", 1.7, 2.2, 0.0, "")
    assert first.source.line == 12


def test_aperture_rotation_is_honoured() -> None:
    # X3 statement LR turns the aperture counter-clockwise (Gerber layer format specification, LR command).
    assert [land.rotation_deg for land in lands(TEXT)] == [0.0, 0.0, 90.0]


def test_attributes_in_structured_comments() -> None:
    board = invented.small_board()
    assert lands(invented.copper(board, comments=True)) == lands(invented.copper(board))


def test_gerber_drill_layer() -> None:
    text = ("%TF.FileFunction,Plated,1,2,PTH,Drill*%\n%FSLAX46Y46*%\n%MOMM*%\n%TA.AperFunction,ComponentDrill*%\n"
            "%ADD10C,1.000000*%\n%TD*%\nD10*\nX1000000Y1000000D03*\nG01*\nX5000000Y5000000D02*\n"
            "X6000000Y5000000D01*\nM02*\n")
    drill = parse_gerber(text, "d.gbr")
    assert isinstance(drill, DrillFile)
    hole, slot = drill.holes
    assert (hole.x_mm, hole.y_mm, hole.diameter_mm, hole.plated, hole.purpose) == (1.0, 1.0, 1.0, True, "component")
    assert slot.length_mm == pytest.approx(2.0)


@pytest.mark.parametrize(("old", "new", "place", "got", "wanted"), [
    ("X30480000Y-12700000D03", "X30480000Y-12700000Q03", "line 16, column 20", "'Q03'", "a word such as"),
    ("C,1.700000", "C,1.70x000", "line 6, column 9", "'1.70x000'", "a number"),
    ("D12*\nX", "D19*\nX", "line 15, column 1", "aperture D19", "an aperture that an AD statement defines"),
    ("M02*\n", "", "line 18, column 1", "the end of the file", "M02*"),
    ("M02*\n", "M02\n", "line 19, column 1", "'M02'", "a statement that ends with *"),
    ("%MOMM*%\n", "", "line 1, column 1", "no unit", "%MOMM*%"),
    ("%LPD*%", "%QQ*%", "line 4, column 2", "'QQ'", "an extended statement"),
    ("%LR90.0*%", "%LRx*%", "line 17, column 4", "'x'", "a number"),
])
def test_faults_name_line_column_and_what_was_expected(old: str, new: str, place: str, got: str, wanted: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_gerber(TEXT.replace(old, new, 1), "b.gbr")
    problem = caught.value.problems[0]
    assert (problem.where, problem.got) == (place, got)
    assert problem.wanted.startswith(wanted)


def rectangle(width: float, height: float, turn: float) -> np.ndarray:
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * [width / 2, height / 2]
    angle = np.deg2rad(turn)
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray(corners @ matrix.T)


@given(st.floats(1.2, 3.0), st.floats(0.5, 1.0), st.floats(5.0, 85.0))
@settings(max_examples=60, deadline=None)
def test_form_of_a_turned_rectangle(width: float, height: float, turn: float) -> None:
    shape, w, h, found = land_form(rectangle(width, height, turn))
    assert shape == "rect"
    assert sorted((w, h)) == pytest.approx(sorted((width, height)), abs=1e-3)
    along = found if w > h else found + 90.0  # direction of the long side
    assert (along - turn + 90.0) % 180.0 - 90.0 == pytest.approx(0.0, abs=0.2)


@given(st.lists(st.tuples(st.integers(-90_000_000, 90_000_000), st.integers(-90_000_000, 90_000_000),
                          st.integers(500, 5000), st.integers(500, 5000)), min_size=1, max_size=10))
@settings(max_examples=30, deadline=None)
def test_round_trip_of_what_was_written(rows: list[tuple[int, int, int, int]]) -> None:
    board = invented.Board(pins=[invented.Pin("J1", str(k), f"N{k}", x * 1e-6, y * 1e-6, ("rect", w / 1e3, h / 1e3),
                                              0.4) for k, (x, y, w, h) in enumerate(rows)])
    for pin, land in zip(board.pins, lands(invented.copper(board)), strict=True):
        assert (land.ref, land.pin, land.net, land.shape) == (pin.ref, pin.pin, pin.net, "rect")
        assert (land.x_mm, land.y_mm) == pytest.approx((pin.x, pin.y), abs=1e-6)
        assert (land.w_mm, land.h_mm) == pytest.approx(pin.land[1:], abs=1e-3)


def test_copper_of_an_independent_writer() -> None:
    writer = pytest.importorskip("gerber_writer")
    layer = writer.DataLayer("Copper,L2,Bot")
    layer.add_pad(writer.Circle(1.7, "ComponentPad"), (25.4, -12.7))
    layer.add_pad(writer.Rectangle(1.0, 3.0, "SMDPad,CuDef"), (5.0, -2.5), 30)
    layer.add_pad(writer.RoundedRectangle(1.2, 3.0, 0.2, "ComponentPad"), (15.0, -2.5), 90)
    layer.add_pad(writer.RoundedRectangle(1.2, 3.0, 0.6, "ComponentPad"), (20.0, -2.5))
    layer.add_pad(writer.Circle(1.0, "FiducialPad,Local"), (2.0, 2.0))
    round_land, turned, rounded, oblong, mark = lands(layer.dumps_gerber())
    assert (round_land.shape, round_land.w_mm) == ("round", 1.7)
    assert (turned.shape, turned.function) == ("rect", "SMDPad")
    assert sorted((turned.w_mm, turned.h_mm)) == pytest.approx([1.0, 3.0], abs=1e-3)
    along = turned.rotation_deg + (90.0 if turned.h_mm > turned.w_mm else 0.0)
    assert along % 180.0 == pytest.approx(120.0, abs=0.2)  # the 3 mm side, turned by 30 degrees from y
    assert (rounded.shape, rounded.w_mm, rounded.h_mm) == pytest.approx(("rect", 3.0, 1.2))
    assert (oblong.shape, oblong.w_mm, oblong.h_mm) == ("oblong", 1.2, 3.0)
    assert (mark.function, mark.w_mm) == ("FiducialPad", 1.0)


def test_copper_of_a_second_independent_writer() -> None:
    from gerbonara.apertures import CircleAperture, ObroundAperture
    from gerbonara.graphic_objects import Flash
    from gerbonara.rs274x import GerberFile
    from gerbonara.utils import MM, Inch

    pads = [Flash(25.4, -12.7, CircleAperture(1.7, unit=MM), unit=MM),
            Flash(1.0, 2.0, ObroundAperture(0.1, 0.06, unit=Inch), unit=Inch)]
    text = GerberFile(pads).write_to_bytes().decode()
    one, two = lands(re.sub(r"(%FS)", r"%TF.FileFunction,Copper,L2,Bot*%\n\1", text, count=1))
    assert (one.shape, one.x_mm, one.y_mm, one.w_mm) == pytest.approx(("round", 25.4, -12.7, 1.7), abs=1e-4)
    assert (two.x_mm, two.y_mm) == pytest.approx((25.4, 50.8), abs=1e-4)
    assert (two.shape, two.w_mm, two.h_mm) == pytest.approx(("oblong", 2.54, 1.524), abs=1e-3)
