"""Units, origins, sides and mirroring settled by evidence; contradictions named with both places."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import InputError
from tests.cad import invented
from vision.setup.cad.assemble import Imported, Wishes, import_family
from vision.setup.cad.evidence import Transform, fit_points
from vision.setup.cad.merge import merge
from vision.setup.cad.reading import read_files
from vision.setup.cad.settle import OneBoard, settle

pytest.importorskip("gerbonara")


def board_of(folder: Path, **texts: str) -> OneBoard:
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return settle(*read_files([folder]))


def imported(folder: Path, **texts: str) -> Imported:
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return import_family([folder], Wishes("invented"))


def words(board: OneBoard) -> str:
    return "\n".join(str(item) for item in board.evidence)


@given(st.integers(0, 10_000), st.sampled_from([(1, 1), (-1, 1), (1, -1), (-1, -1)]),
       st.integers(-800, 800).map(lambda quarter: quarter / 4.0), st.integers(-800, 800).map(lambda q: q / 4.0))
@settings(max_examples=40, deadline=None)
def test_a_moved_and_mirrored_copy_is_brought_back(seed: int, signs: tuple[int, int], dx: float, dy: float) -> None:
    random = np.random.default_rng(seed)
    points = random.uniform(0, 100, (40, 2))
    moved = (points - [dx, dy]) * np.array(signs)
    fit = fit_points(points, moved)
    assert fit.good
    assert not fit.rivals
    np.testing.assert_allclose(fit.transform.apply(moved), points, atol=1e-6)
    assert fit.transform.mirrored == (signs[0] * signs[1] < 0)


def test_rotations_are_carried_along() -> None:
    # Mirroring x turns a direction of 30 degrees into 150, mirroring y into -30, both into 210 (plane geometry).
    assert Transform(-1.0, 1.0).turn(30.0) == 150.0
    assert Transform(1.0, -1.0).turn(30.0) == 330.0
    assert Transform(-1.0, -1.0).turn(30.0) == 210.0


def test_a_symmetric_board_keeps_the_plain_reading() -> None:
    points = np.array([(x, y) for x in range(0, 50, 10) for y in range(0, 30, 10)], dtype=float)
    fit = fit_points(points, points)
    assert fit.transform.plain
    shifted = fit_points(points, points + np.array([100.0, 0.0]))
    assert shifted.good
    assert shifted.rivals  # mirrored or turned would do as well: the caller must refuse


def test_drill_origin_and_mirroring_are_settled_and_shown(tmp_path: Path) -> None:
    board = invented.small_board()
    found = board_of(tmp_path, a=invented.netlist(board), b=invented.excellon(board, dx=150.0, mirror=True))
    assert "29 of 29 holes lie on features of a, 0.000 mm apart in the middle: origin moved by (150.000" in words(found)
    assert "x mirrored" in words(found)
    places = {(round(hole.x_mm, 2), round(hole.y_mm, 2)) for hole in found.drills[0].holes}
    assert {(round(pin.x, 2), round(pin.y, 2)) for pin in board.through} <= places


def test_drill_file_without_unit_and_zero_rule_is_settled(tmp_path: Path) -> None:
    board = invented.small_board()
    for zeros, unit in (("LZ", "mm"), ("TZ", "inch"), ("LZ", "inch")):
        text = invented.excellon(board, unit, zeros=zeros, unit_line=False)
        found = board_of(tmp_path, a=invented.netlist(board), b=text)
        assert f"unit {unit}, {'leading' if zeros == 'LZ' else 'trailing'}" in words(found)
        hole = next(h for h in found.drills[0].holes if h.diameter_mm == pytest.approx(1.3, abs=0.01))
        assert (hole.x_mm, hole.y_mm) == pytest.approx((20.0, 22.0), abs=0.01)


def test_netlist_without_unit_is_settled_by_another_file_or_refused(tmp_path: Path) -> None:
    board = invented.small_board()
    for unit in ("mm", "inch"):
        found = board_of(tmp_path, a=invented.netlist(board, unit, units_line=False), b=invented.excellon(board))
        assert f"no UNITS record; unit {unit} since 29 places agree with b" in words(found)
    (tmp_path / "b").unlink()
    with pytest.raises(InputError, match="--netlist-unit"):
        settle(*read_files([tmp_path]))


def test_a_unit_that_does_not_fit_is_an_error_that_names_both_places(tmp_path: Path) -> None:
    board = invented.small_board()
    wrong = invented.excellon(board, "inch").replace("INCH", "METRIC")
    with pytest.raises(InputError) as caught:
        board_of(tmp_path, a=invented.netlist(board), b=wrong)
    problem = caught.value.problems[0]
    assert problem.file.endswith("b")
    assert problem.where == "line 2, column 1"  # METRIC in the drill file
    assert "a line 4, column 10 says unit mm" in problem.wanted  # UNITS in the netlist
    assert "inches taken for millimetres" in caught.value.then


def test_files_of_different_boards_are_refused(tmp_path: Path) -> None:
    other = invented.large_board(60)
    with pytest.raises(InputError, match="of one board"):
        board_of(tmp_path, a=invented.netlist(invented.small_board()), b=invented.excellon(other))


def test_two_netlists_are_refused(tmp_path: Path) -> None:
    text = invented.netlist(invented.small_board())
    with pytest.raises(InputError, match="a second netlist"):
        board_of(tmp_path, a=text, b=text)


@pytest.mark.parametrize("style", ["plain", "mil", "heading", "tabs"])
@pytest.mark.parametrize("mirror", [False, True])
def test_placement_units_and_mirrored_bottom_side(tmp_path: Path, style: str, mirror: bool) -> None:
    board = invented.small_board()
    found = board_of(tmp_path, a=invented.netlist(board),
                     b=invented.placement(board, style, mirror_bottom=mirror))
    assert ("bottom side, 4 components" in words(found)) and ("x mirrored" in words(found)) == mirror
    places = {p.ref: p for table in found.placements for p in table.placements}
    for ref, _, _, x, y, _, side in board.parts:
        assert (places[ref].x_mm, places[ref].y_mm, places[ref].side) == (
            pytest.approx(x, abs=0.01), pytest.approx(y, abs=0.01), side)


def test_placement_without_unit_in_mil_is_settled(tmp_path: Path) -> None:
    board = invented.small_board()
    lines = ["RefDes,X,Y,Rotation,Side"]
    lines += [f"{r},{x / 0.0254:.1f},{y / 0.0254:.1f},0,{s}" for r, _, _, x, y, _, s in board.parts]
    found = board_of(tmp_path, a=invented.netlist(board), b="\n".join(lines) + "\n")
    assert "unit mil" in words(found)
    assert found.placements[0].placements[2].x_mm == pytest.approx(27.5, abs=0.01)


def test_sense_of_rotation_on_the_bottom_is_settled_by_aslant_chips(tmp_path: Path) -> None:
    board = invented.small_board()
    for number, y in ((11, 16.0), (12, 18.0)):
        for pin, sign in (("1", -1.0), ("2", 1.0)):
            dx, dy = 0.95 * np.cos(np.deg2rad(30.0)) * sign, 0.95 * np.sin(np.deg2rad(30.0)) * sign
            board.pins.append(invented.Pin(f"R{number}", pin, "GND", 12.0 + dx, y + dy, ("rect", 1.0, 1.3), 0.0,
                                           "bottom"))
        board.parts.append((f"R{number}", "1k", "R_0805_2012Metric", 12.0, y, -30.0, "bottom"))
    found = board_of(tmp_path, a=invented.netlist(board), b=invented.placement(board))
    assert "rotations are counted as seen from below" in words(found)
    places = {p.ref: p.rotation_deg for p in found.placements[0].placements}
    assert places["R11"] == pytest.approx(30.0)


def contradicted(tmp_path: Path, **texts: str) -> InputError:
    with pytest.raises(InputError) as caught:
        imported(tmp_path, **texts)
    return caught.value


def test_side_of_a_component_denied_by_its_pads(tmp_path: Path) -> None:
    board = invented.small_board()
    board.parts = [(*part[:6], "top") if part[0] == "R1" else part for part in board.parts]
    error = contradicted(tmp_path, a=invented.netlist(board), b=invented.placement(board))
    assert "b: line 6: got R1 on the top, wanted the bottom, as a line 29, column 1 says of its pads" in str(error)


def test_place_of_a_component_denied_by_its_pins(tmp_path: Path) -> None:
    board = invented.small_board()
    board.parts = [(*part[:3], 60.0, *part[4:]) if part[0] == "J1" else part for part in board.parts]
    error = contradicted(tmp_path, a=invented.netlist(board), b=invented.placement(board))
    assert "b: line 2: got J1 at (60.00, 8.00) mm, wanted a place among its pins (10.00 to 27.78" in str(error)
    assert "which a line 5, column 1 begins" in str(error)


def changed(board: invented.Board, name: str, **values: object) -> invented.Board:
    return invented.Board([replace(p, **values) if f"{p.ref}.{p.pin}" == name else p for p in board.pins],  # type: ignore[arg-type]
                          board.vias, board.screws, board.parts, board.fiducials)


@pytest.mark.parametrize(("write", "values", "got", "wanted"), [
    (invented.excellon, {"hole": 1.6}, "a hole of 1.6 mm for J1.2", "1 mm"),
    (invented.copper, {"land": ("round", 2.4, 2.4)}, "a land of 2.4 x 2.4 mm for J1.2", "1.7 x 1.7 mm"),
    (invented.copper, {"net": "OTHER"}, "net OTHER of J1.2", "J1_N2"),
    (invented.copper, {"pin": "9"}, "pin J1.9", "J1.2"),
    (invented.copper, {"ref": "J7"}, "component J7", "J1"),
])
def test_what_files_say_differently_of_a_joint(tmp_path: Path, write: object, values: dict[str, object], got: str,
                                               wanted: str) -> None:
    board = invented.small_board()
    error = contradicted(tmp_path, a=invented.netlist(board), b=write(changed(board, "J1.2", **values)))  # type: ignore[operator]
    problem = error.problems[0]
    assert (problem.got, problem.file, problem.where[:5]) == (got, str(tmp_path / "b"), "line ")
    assert problem.wanted == f"{wanted}, as a line 6, column 1 says"
    assert "--accept-differences" in error.then
    family = import_family([tmp_path], Wishes("x", accept_differences=True))
    assert any("accepted difference" in note for note in family.notes)


def test_missing_hole_and_missing_pad_are_contradictions(tmp_path: Path) -> None:
    board = invented.small_board()
    fewer = invented.Board([p for p in board.pins if f"{p.ref}.{p.pin}" != "J1.2"], board.vias, board.screws)
    assert "no hole at (12.540, 8.000) mm" in str(contradicted(tmp_path, a=invented.netlist(board),
                                                               b=invented.excellon(fewer)))
    assert "no pad at (12.540, 8.000) mm" in str(contradicted(tmp_path, a=invented.netlist(board),
                                                              b=invented.copper(fewer)))


def test_joints_that_the_netlist_lacks_are_contradictions(tmp_path: Path) -> None:
    board = invented.small_board()
    fewer = invented.Board([p for p in board.pins if f"{p.ref}.{p.pin}" != "J1.2"], board.vias, board.screws)
    error = contradicted(tmp_path, a=invented.netlist(fewer), b=invented.copper(board),
                         c=invented.excellon(board, plated="x2"))
    assert [problem.got for problem in error.problems] == ["component pad J1.2 at (12.540, 8.000) mm",
                                                           "a plated component hole at (12.540, 8.000) mm"]
    assert all(problem.wanted == "a record of it in a" for problem in error.problems)


def test_unplated_hole_under_a_plated_joint_is_a_contradiction(tmp_path: Path) -> None:
    board = invented.small_board()
    text = invented.excellon(board).replace(";TYPE=PLATED\nT3", ";TYPE=NON_PLATED\nT3")
    assert "a hole without plating for C1.1" in str(contradicted(tmp_path, a=invented.netlist(board), b=text))


def test_copper_that_calls_itself_the_wrong_side(tmp_path: Path) -> None:
    board = invented.small_board()
    wrong = invented.copper(board, "bottom").replace("Copper,L2,Bot", "Copper,L1,Top")
    with pytest.raises(InputError, match="calls itself the top side"):
        board_of(tmp_path, a=invented.netlist(board), b=wrong)
    unnamed = invented.copper(board, "bottom").replace("%TF.FileFunction,Copper,L2,Bot*%\n", "")
    assert set(board_of(tmp_path, a=invented.netlist(board), b=unnamed).copper) == {"bottom"}


def test_copper_and_drill_without_a_netlist_give_the_same_joints(tmp_path: Path) -> None:
    board = invented.small_board()
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    full = imported(tmp_path / "one", a=invented.netlist(board), b=invented.copper(board), c=invented.excellon(board))
    bare = imported(tmp_path / "two", b=invented.copper(board), c=invented.excellon(board))
    assert full.family.joints == bare.family.joints
    assert full.family.fiducials == bare.family.fiducials


def test_mask_opening_smaller_than_copper_bounds_the_land(tmp_path: Path) -> None:
    board = invented.small_board()
    mask = invented.copper(changed(board, "C1.2", land=("round", 1.5, 1.5))).replace("Copper,L2,Bot", "Soldermask,Bot")
    found = imported(tmp_path, a=invented.netlist(board), b=invented.copper(board), c=mask)
    sizes = {joint.name: joint.land_w_mm for joint in found.family.joints}
    assert (sizes["C1.1"], sizes["C1.2"]) == (2.0, 1.5)
    assert any("bounded by the solder mask" in note and "C1.2" in note for note in found.notes)


def test_cut_off_references_are_completed_by_copper(tmp_path: Path) -> None:
    board = invented.small_board()
    board.pins = [replace(p, ref="CONNECTOR1") if p.ref == "J1" else p for p in board.pins]
    found = imported(tmp_path, a=invented.netlist(board), b=invented.copper(board))
    assert "CONNECTOR1.2" in {joint.name for joint in found.family.joints}


def test_merge_needs_a_hole_size(tmp_path: Path) -> None:
    board = invented.small_board()
    found = board_of(tmp_path, b=invented.copper(board))
    with pytest.raises(InputError, match="without a hole size"):
        merge(found, "bottom")
