"""From CAD files to a family: joints, leads, choice, programme, chips, fiducials."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.errors import InputError
from tests.cad import invented
from vision.setup import read_family, write_family
from vision.setup.cad.assemble import Imported, Wishes, import_family
from vision.setup.cad.choice import Choice, read_names
from vision.setup.cad.parts import (
    Part,
    body_from_name,
    find_lead,
    guessed_lead,
    parse_lead,
    read_parts,
    write_parts,
)
from vision.setup.cad.programme import assign, parse_programme

pytest.importorskip("gerbonara")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return invented.write_all(invented.small_board(), tmp_path / "cad")


def names(found: Imported) -> set[str]:
    return {joint.name for joint in found.family.joints}


def test_whole_board(folder: Path, tmp_path: Path) -> None:
    found = import_family([folder], Wishes("relay-24", 3))
    family = found.family
    board = invented.small_board()
    assert (family.name, family.workmanship_class, family.seen_from) == ("relay-24", 3, "bottom")
    by_name = {joint.name: joint for joint in family.joints}
    assert len(by_name) == len(board.through) == 24
    for pin in board.through:
        joint = by_name[f"{pin.ref}.{pin.pin}"]
        assert (joint.x_mm, joint.y_mm, joint.hole_mm, joint.net) == (pin.x, pin.y, pin.hole, pin.net)
        assert (joint.land_shape, joint.land_w_mm, joint.land_h_mm) == pin.land
    assert {chip.ref for chip in family.chips} == {"R1", "R2", "R3"}  # R4 lies far off, R9 on the other side
    assert [(mark.x_mm, mark.y_mm) for mark in family.fiducials] == board.fiducials
    assert ("3 vias", "vias are not soldered") in found.left_out
    assert len(found.guessed_joints) == 24
    write_family(family, tmp_path / "family")
    assert read_family(tmp_path / "family") == family


def test_netlist_alone_marks_what_it_guesses(tmp_path: Path) -> None:
    (tmp_path / "a.ipc").write_text(invented.netlist(invented.small_board()))
    found = import_family([tmp_path / "a.ipc"], Wishes("x"))
    assert len(found.family.joints) == 24
    # A netlist states width and height only: unlike sides may be an oblong or a rectangle.
    assert any("K1.A1: land shape guessed" in note for note in found.notes)
    assert len(found.family.fiducials) == 3  # components called FID


def test_long_net_names_and_units_agree(tmp_path: Path) -> None:
    board = invented.small_board()
    one, two = tmp_path / "a.ipc", tmp_path / "b.ipc"
    one.write_text(invented.netlist(board, long_name="GROUND_OF_THE_WHOLE_BOARD"))
    two.write_text(invented.netlist(board, "inch"))
    first, second = (import_family([path], Wishes("x")).family.joints for path in (one, two))
    assert first[0].net == "GROUND_OF_THE_WHOLE_BOARD"
    for a, b in zip(first, second, strict=True):
        assert (a.x_mm, a.y_mm, a.land_w_mm, a.hole_mm) == pytest.approx((b.x_mm, b.y_mm, b.land_w_mm, b.hole_mm),
                                                                         abs=2e-3)


def test_screw_holes_and_second_pads_of_a_pin(tmp_path: Path) -> None:
    board = invented.small_board()
    board.pins += [invented.Pin("H1", "1", "", 3.0, 30.0, ("round", 6.0, 6.0), 3.2),
                   invented.Pin("C1", "1", "GND", 48.0, 33.0, ("round", 2.0, 2.0), 0.9)]
    (tmp_path / "a.ipc").write_text(invented.netlist(board))
    found = import_family([tmp_path / "a.ipc"], Wishes("x"))
    assert any(name == "H1.1" and "screw" in reason for name, reason in found.left_out)
    assert {"C1.1", "C1.1_2"} <= names(found)
    kept = import_family([tmp_path / "a.ipc"], Wishes("x", choice=Choice(refs=("H1", "J1"))))
    assert "H1.1" in names(kept)


@pytest.mark.parametrize(("choice", "count"), [
    (Choice(refs=("J*",)), 18), (Choice(not_refs=("J*",)), 6), (Choice(nets=("COIL?",)), 4),
    (Choice(areas=((18.0, 20.0, 36.0, 31.0),)), 4), (Choice(refs=("J*",), nets=("GND",)), 2),
    (Choice(names=frozenset({"J1.2", "C1"})), 3)])
def test_choice_of_joints(folder: Path, choice: Choice, count: int) -> None:
    found = import_family([folder], Wishes("x", choice=choice))
    assert len(found.family.joints) == count
    assert sum(1 for name, _ in found.left_out if "." in name) == 24 - count


def test_a_choice_that_meets_nothing_is_a_slip(folder: Path) -> None:
    with pytest.raises(InputError, match="component J9, wanted one that the board has"):
        import_family([folder], Wishes("x", choice=Choice(refs=("J1", "J9"))))


def test_lists_of_joints(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("ref,pin\nJ1,2\nC1  # all of it\n\nK1.A1\n")
    assert read_names(path) == {"J1.2", "C1", "K1.A1"}
    path.write_text("J1 and C1\n")
    with pytest.raises(InputError, match=r"line 1, column 1: got 'J1 and C1'"):
        read_names(path)


# --- leads -----------------------------------------------------------------------------------------------------------

def test_rule_of_thumb_is_marked() -> None:
    row = guessed_lead("X", "*", 1.0)
    # hole = lead + 0.20 to 0.45 mm (a trade handbook, not a standard)
    assert 0.20 <= 1.0 - row.lead_w_mm <= 0.45
    assert row.guess == "hole - 0.30 mm"


def test_leads_from_the_table(folder: Path) -> None:
    parts = (Part("PinHeader_*", "*", "square", 0.64, 0.64), Part("RELAY", "A1;A2", "rect", 1.0, 0.5))
    found = import_family([folder], Wishes("x"), parts)
    leads = {joint.name: (joint.lead_shape, joint.lead_w_mm, joint.lead_h_mm) for joint in found.family.joints}
    assert leads["J1.1"] == ("square", 0.64, 0.64)
    assert leads["K1.A2"] == ("rect", 1.0, 0.5)
    assert set(found.guessed_joints) == {"K1.A3", "K1.A4", "C1.1", "C1.2"}
    assert [row.part for row in found.guesses if row.lead_shape] == ["Relay_Invented_4P", "CapRadial_D10_P5"]


def test_a_lead_too_wide_names_joint_and_place(folder: Path) -> None:
    with pytest.raises(InputError, match=r"a square lead 1\.27 mm across for J1\.1 and 7 more joints, wanted one that "
                                         r"fits its hole of 1 mm, as board\.ipc line 5"):
        import_family([folder], Wishes("x"), (Part("PinHeader_1x08", "*", "square", 0.9, 0.9),))


def test_table_round_trip_and_order_of_rows(tmp_path: Path) -> None:
    rows = (Part("HDR*", "*", "round", 0.5, 0.5, guess="hole - 0.30 mm"), Part("HDR*", "*", "square", 0.6, 0.6),
            Part("HDR1", "1", "rect", 1.0, 0.4), Part("R_0805", body_w_mm=2.0, body_h_mm=1.2))
    write_parts(rows, tmp_path / "parts.csv")
    assert read_parts(tmp_path / "parts.csv") == rows
    assert read_parts(tmp_path / "none.csv") == ()
    assert find_lead(rows, ["HDR1", "", "J1"], "1") == rows[2]
    assert find_lead(rows, ["HDR1", "", "J1"], "2") == rows[1]  # what a person entered wins over a guess
    assert find_lead(rows, ["X"], "2") is None


@pytest.mark.parametrize(("row", "wanted"), [
    ("A,*,round,,,,,", "lead_shape and lead_w_mm together"), ("A,*,rect,1.0,,,,", "lead_h_mm for a rect lead"),
    ("A,*,,,,,,", "a lead or a body size"), (",*,round,1.0,,,,", "a value"), ("A,*,oval,1.0,,,,", "'round'")])
def test_faults_of_the_table(tmp_path: Path, row: str, wanted: str) -> None:
    path = tmp_path / "parts.csv"
    path.write_text("part,pins,lead_shape,lead_w_mm,lead_h_mm,body_w_mm,body_h_mm,guess\n" + row + "\n")
    with pytest.raises(InputError, match="row 2") as caught:
        read_parts(path)
    assert wanted in caught.value.problems[0].wanted


def test_bodies_by_size_codes() -> None:
    # The metric size code is length and width in tenths of a millimetre (common practice, no published source).
    for name in ("R_0805_2012Metric", "C0805", "CAP-0805"):
        body = body_from_name(name)
        assert body is not None
        assert (body.body_w_mm, body.body_h_mm) == (2.0, 1.2)
    assert body_from_name("SOT-23") is None
    assert body_from_name("IC_10805") is None


def test_leads_as_typed() -> None:
    assert parse_lead(" Square 0.64 mm") == ("square", 0.64, 0.64)
    assert parse_lead("rect 1.0x0.5") == ("rect", 1.0, 0.5)
    assert parse_lead("rect 1.0") is None
    assert parse_lead("round 0") is None
    assert parse_lead("0.7") is None


# --- programme -------------------------------------------------------------------------------------------------------

def test_programme_by_joint_and_by_place(folder: Path) -> None:
    joints = import_family([folder], Wishes("x")).family.joints
    moves = parse_programme("step,pot,nozzle,ref,pin,x_mm,y_mm,x2_mm,y2_mm\n"
                            "1,P1,N6,J1,1-4,,,,\n2,P1,N6,J1,*,,,,\n3,P2,N4,,,40,9,50.16,11.54\n9,P2,N4,,,5,40,,\n",
                            "prog.csv")
    given = assign(joints, moves)
    by_name = {joint.name: joint for joint in given.joints}
    assert (by_name["J1.4"].pot, by_name["J1.4"].nozzle, by_name["J1.4"].step) == ("P1", "N6", "1+2")
    assert by_name["J1.5"].step == "2"
    assert by_name["J2.10"].step == "3"
    assert set(given.without) == {"K1.A1", "K1.A2", "K1.A3", "K1.A4", "C1.1", "C1.2"}
    assert [move.step for move in given.idle] == ["9"]


def test_programme_in_machine_coordinates(folder: Path) -> None:
    joints = import_family([folder], Wishes("x")).family.joints
    rows = [f"{k},P1,{200.0 - joint.x_mm},{joint.y_mm + 50.0}" for k, joint in enumerate(joints)]
    given = assign(joints, parse_programme("step,pot,x_mm,y_mm\n" + "\n".join(rows), "prog.csv"))
    assert not given.without
    assert "x mirrored" in given.notes[0]
    own = {joint.name: str(k) for k, joint in enumerate(joints)}
    assert all(own[joint.name] in joint.step.split("+") for joint in given.joints)


@pytest.mark.parametrize(("text", "place", "wanted"), [
    ("a,b\n1,2\n", "line 1, column 1", "a heading with joint"),
    ("joint,where\nJ1.1,2\n", "line 1, column 1", "a heading with pot"),
    ("step,x_mm,y_mm\n1,1.0,y\n", "line 2, column 7", "a length in mm"),
    ("step,joint\n1,\n", "line 2, column 1", "a joint (J1.3)"),
    ("step,joint\n", "line 2, column 1", "a row for each step")])
def test_faults_of_the_programme(text: str, place: str, wanted: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_programme(text, "prog.csv")
    assert caught.value.problems[0].where == place
    assert caught.value.problems[0].wanted.startswith(wanted)
