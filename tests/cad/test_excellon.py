"""Reading Excellon drill files: zero rules, plated marks, slots, independent writers, faults with their place."""

from __future__ import annotations

import warnings

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import InputError
from tests.cad import invented
from vision.setup.cad.excellon import parse_excellon, readings

DECIMAL = """\
M48
; #@! TF.FileFunction,MixedPlating,1,2
FMAT,2
METRIC
; #@! TA.AperFunction,Plated,PTH,ViaDrill
T1C0.300
; #@! TA.AperFunction,Plated,PTH,ComponentDrill
T2C1.000
; #@! TA.AperFunction,NonPlated,NPTH,ComponentDrill
T3C3.200
%
G90
G05
T1
X31.0Y-10.0
T2
X25.4Y-12.7
X5.0Y5.0G85X6.0Y5.0
G00X9.0Y9.0
M15
G01X10.0Y9.0
M16
G05
T3
X5.0Y-5.0
T0
M30
"""


def one_hole(unit: str, coordinate: str) -> str:
    return f"M48\n{unit}\nT1C0.04\n%\nT1\n{coordinate}\nM30\n"


def test_tools_attributes_and_slots() -> None:
    via, hole, slot, routed, screw = parse_excellon(DECIMAL, "a.drl").holes
    assert (via.purpose, via.plated, via.diameter_mm) == ("via", True, 0.3)
    assert (hole.purpose, hole.plated, hole.x_mm, hole.y_mm) == ("component", True, 25.4, -12.7)
    assert (slot.end_mm, slot.center_mm, slot.length_mm) == ((6.0, 5.0), (5.5, 5.0), 2.0)
    assert (routed.x_mm, routed.end_mm) == (9.0, (10.0, 9.0))
    assert (screw.plated, screw.diameter_mm) == (False, 3.2)


@pytest.mark.parametrize(("unit", "coordinate", "x_inch"), [
    # Leading zeros kept: 01 of the format 2.4 is 01.0000 inch; trailing kept: it is 0.0001 inch (published rule).
    ("INCH,LZ", "X01Y0", 1.0), ("INCH,TZ", "X01Y0", 0.0001), ("INCH,TZ", "X10000Y0", 1.0),
    ("INCH,LZ", "X0.5Y0", 0.5),  # a decimal point overrides the rule
    ("INCH,LZ", "X-015Y0", -1.5), ("METRIC,LZ,000.000", "X0254Y0", 1.0), ("METRIC,TZ,000.00", "X2540Y0", 1.0),
    ("METRIC", "X25.4Y0", 1.0)])
def test_zero_rules(unit: str, coordinate: str, x_inch: float) -> None:
    hole = parse_excellon(one_hole(unit, coordinate), "a.drl").holes[0]
    assert hole.x_mm == pytest.approx(x_inch * 25.4)


def test_plated_marks_as_type_comments() -> None:
    text = "M48\nMETRIC\n;TYPE=PLATED\nT1C1.0\n;TYPE=NON_PLATED\nT2C3.0\n%\nT1\nX1.0Y1.0\nT2\nX2.0Y2.0\nM30\n"
    assert [hole.plated for hole in parse_excellon(text, "a.drl").holes] == [True, False]
    unmarked = text.replace(";TYPE=PLATED\n", "").replace(";TYPE=NON_PLATED\n", "")
    assert [hole.plated for hole in parse_excellon(unmarked, "a.drl").holes] == [None, None]


def test_plated_mark_of_the_whole_file() -> None:
    text = "M48\n; #@! TF.FileFunction,NonPlated,1,2,NPTH\nMETRIC\nT1C3.0\n%\nT1\nX1.0Y1.0\nM30\n"
    assert parse_excellon(text, "a.drl").holes[0].plated is False


def test_repeats_and_incremental_coordinates() -> None:
    text = "M48\nMETRIC\nT1C1.0\n%\nT1\nX1.0Y1.0\nR2X2.54\nG91\nX1.0\nM30\n"
    assert [hole.x_mm for hole in parse_excellon(text, "a.drl").holes] == pytest.approx([1.0, 3.54, 6.08, 7.08])


def test_open_number_formats_are_all_offered() -> None:
    offered = list(readings("M48\nT1C0.04\n%\nT1\nX01Y-02\nM30\n", "a.drl"))
    assert offered[0].unit.source is None
    assert {file.unit.value for file in offered} == {"mm", "inch"}
    assert {file.zeros.value for file in offered} >= {"trailing 3.3", "leading 2.4", "trailing 2.4"}
    assert len(list(readings(DECIMAL, "a.drl"))) == 1


@pytest.mark.parametrize(("old", "new", "place", "got", "wanted"), [
    ("X25.4Y-12.7", "X25.4Q-12.7", "line 17, column 6", "'Q-12.7'", "a coordinate"),
    ("T2\nX", "T7\nX", "line 16, column 1", "tool T7", "a tool that the header defines"),
    ("T2C1.000", "T2Cx", "line 8, column 3", "'Cx'", "a diameter"),
    ("T2C1.000", "T2C0.0", "line 8, column 4", "diameter '0.0'", "a diameter above 0"),
    ("METRIC", "METRIC,QZ", "line 4, column 8", "'QZ'", "LZ, TZ"),
    ("FMAT,2", "HELLO", "line 3, column 1", "header line 'HELLO'", "a header word"),
    ("G90", "M25", "line 12, column 1", "'M25'", "holes written out"),
    ("M30\n", "", "line 27, column 1", "the end of the file", "M30"),
    ("T1\n", "", "line 14, column 1", "a hole without a tool", "a tool selected before"),
])
def test_faults_name_line_column_and_what_was_expected(old: str, new: str, place: str, got: str, wanted: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_excellon(DECIMAL.replace(old, new, 1), "a.drl")
    problem = caught.value.problems[0]
    assert (problem.where, problem.got) == (place, got)
    assert problem.wanted.startswith(wanted)


counts = st.integers(-99_999, 99_999)


@given(st.lists(st.tuples(counts, counts, st.sampled_from([0.8, 1.0, 1.3])), min_size=1, max_size=15),
       st.sampled_from(["mm", "inch"]), st.sampled_from(["", "LZ", "TZ"]), st.sampled_from(["type", "x2"]))
@settings(max_examples=80, deadline=None)
def test_round_trip_of_what_was_written(rows: list[tuple[int, int, float]], unit: str, zeros: str,
                                        plated: str) -> None:
    size = 1e-3 if unit == "mm" else 25.4e-4
    board = invented.Board(pins=[invented.Pin("J1", str(k), "", x * size, y * size, ("round", 2.0, 2.0), hole)
                                 for k, (x, y, hole) in enumerate(rows)])
    file = parse_excellon(invented.excellon(board, unit, zeros=zeros, plated=plated), "a.drl")
    written = sorted((round(pin.x, 3), round(pin.y, 3), pin.hole) for pin in board.pins)
    read = sorted((round(hole.x_mm, 3), round(hole.y_mm, 3), hole.diameter_mm) for hole in file.holes)
    for one, two in zip(written, read, strict=True):
        assert two == pytest.approx(one, abs=3e-3)
    assert all(hole.plated for hole in file.holes)


@given(st.text(alphabet="M48T1C0.XY-G5R%\n;,INCHMETRZ", max_size=200))
@settings(max_examples=150, deadline=None)
def test_any_text_is_read_or_refused_with_a_place(text: str) -> None:
    try:
        parse_excellon(text, "a.drl")
    except InputError as error:
        assert error.problems


def test_drill_file_of_an_independent_writer() -> None:
    pytest.importorskip("gerbonara")
    from gerbonara.apertures import ExcellonTool
    from gerbonara.excellon import ExcellonFile
    from gerbonara.graphic_objects import Flash, Line
    from gerbonara.utils import MM

    tool = ExcellonTool(1.0, plated=True, unit=MM)
    screw = ExcellonTool(3.2, plated=False, unit=MM)
    objects = [Flash(25.4, -12.7, tool, unit=MM), Flash(27.94, -12.7, tool, unit=MM),
               Flash(5.0, -5.0, screw, unit=MM), Line(9.0, 9.0, 10.0, 9.0, tool, unit=MM)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the writer warns about settings that it fills in
        text = ExcellonFile(objects).write_to_bytes().decode()
    file = parse_excellon(text, "a.drl")
    places = sorted((round(h.x_mm, 4), round(h.y_mm, 4), h.diameter_mm, h.end_mm) for h in file.holes)
    assert places == [(5.0, -5.0, 3.2, None), (9.0, 9.0, 1.0, (10.0, 9.0)), (25.4, -12.7, 1.0, None),
                      (27.94, -12.7, 1.0, None)]
