"""Reading placement tables in the common column sets."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import InputError
from tests.cad import invented
from vision.setup.cad.placement import parse_placement
from vision.setup.cad.text import kind_of, read_cad_text


@pytest.mark.parametrize("style", ["plain", "mil", "heading", "tabs"])
def test_common_column_sets(style: str) -> None:
    board = invented.small_board()
    file = parse_placement(invented.placement(board, style), "p.csv")
    for (ref, _, package, x, y, turn, side), found in zip(board.parts, file.placements, strict=True):
        assert (found.ref, found.side, found.rotation_deg) == (ref, side, turn)
        assert (found.x_mm, found.y_mm) == pytest.approx((x, y), abs=5e-3)
        if style != "tabs":
            assert found.footprint == package


def test_unit_is_taken_from_values_heading_or_preamble() -> None:
    rows = "\nJ1,1000,500,0,T\n"
    assert parse_placement("RefDes,X (mil),Y (mil),Rotation,Side" + rows, "p").placements[0].x_mm == 25.4
    assert parse_placement("Units used: mil\nRefDes,X,Y,Rotation,Side" + rows, "p").placements[0].y_mm == 12.7
    bare = parse_placement("RefDes,X,Y,Rotation,Side" + rows, "p")
    assert (bare.unit.source, bare.placements[0].x_mm) == (None, 1000.0)


def test_values_in_two_units_are_refused_with_both_places() -> None:
    with pytest.raises(InputError, match=r"p line 2, column 4 has mm") as caught:
        parse_placement("RefDes,X,Y,Rotation,Side\nJ1,1mm,5mm,0,T\nJ2,1mil,5mil,0,T\n", "p")
    assert caught.value.problems[0].where == "line 3, column 4"


def test_utf_16_with_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    text = invented.placement(invented.small_board(), "tabs")
    path.write_bytes(text.encode("utf-16"))
    assert read_cad_text(path) == text
    assert kind_of(text) == "placement"


@pytest.mark.parametrize(("text", "place", "got", "wanted"), [
    ("hello\n", "line 1, column 1", "'hello'", "a heading line"),
    ("Ref,PosX,PosY,Rot,Side\n", "line 2, column 1", "no rows", "a row for each component"),
    ("Ref,PosX,PosY,Rot,Side\nJ1,1.x,2,0,top\n", "line 2, column 4", "'1.x'", "a length"),
    ("Ref,PosX,PosY,Rot,Side\nJ1,1,2,left,top\n", "line 2, column 8", "'left'", "an angle"),
    ("Ref,PosX,PosY,Rot,Side\nJ1,1,2,0,up\n", "line 2, column 10", "'up'", "top or bottom"),
    ("Ref,PosX,PosY,Rot,Side\nJ1,1\n", "line 2", "2 cells", "at least 5 cells"),
    ("Ref,PosX,PosY,Rot,Side\n,1,2,0,top\n", "line 2, column 1", "nothing", "a reference"),
    ("Ref,PosX,PosY,Rot,Side\nJ1,1,2,0,top\nJ1,1,2,0,top\n", "line 3, column 1", "J1 again", "each component once"),
])
def test_faults_name_line_column_and_what_was_expected(text: str, place: str, got: str, wanted: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_placement(text, "p.csv")
    problem = caught.value.problems[0]
    assert (problem.where, problem.got) == (place, got)
    assert problem.wanted.startswith(wanted)


@given(st.lists(st.tuples(st.floats(-500, 500), st.floats(-500, 500), st.sampled_from([0.0, 45.0, 90.0, 270.0]),
                          st.sampled_from(["top", "bottom"])), min_size=1, max_size=15),
       st.sampled_from(["plain", "mil", "heading", "tabs"]))
@settings(max_examples=60, deadline=None)
def test_round_trip_of_what_was_written(rows: list[tuple[float, float, float, str]], style: str) -> None:
    board = invented.Board(parts=[(f"R{k}", "10k", "R_0805", x, y, turn, side)
                                  for k, (x, y, turn, side) in enumerate(rows)])
    file = parse_placement(invented.placement(board, style), "p.csv")
    for (ref, _, _, x, y, turn, side), found in zip(board.parts, file.placements, strict=True):
        assert (found.ref, found.side, found.rotation_deg) == (ref, side, turn)
        assert (found.x_mm, found.y_mm) == pytest.approx((x, y), abs=1e-3)


def test_kinds_of_files_are_told_by_content() -> None:
    board = invented.small_board()
    assert kind_of(invented.netlist(board)) == "netlist"
    assert kind_of(invented.excellon(board)) == "excellon"
    assert kind_of(invented.copper(board)) == "gerber"
    assert kind_of(invented.placement(board)) == "placement"
    assert kind_of("Dear all,\nplease find attached\n") == "unknown"
