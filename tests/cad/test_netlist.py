"""Reading IPC-D-356A netlists: the published columns, round trips, an independent writer, faults with their place."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import InputError
from tests.cad import invented
from vision.setup.cad.ipcd356 import parse_netlist

#: Invented records laid out by the published columns.
TEXT = """\
C  invented records
P  JOB   INVENTED
P  UNITS CUST 1
P  NNAME1  A_VERY_LONG_NET_NAME_1
317GND              J1    -1    D1000PA00X+025400Y-012700X1700Y0000R000 S0
317NNAME1           J1    -2    D1000PA00X+027940Y-012700X1700Y1700R000 S2
327VCC              R5    -1          A01X+030000Y-010000X0800Y0900R090 S2
317GND              VIA   -    MD0300PA00X+031000Y-010000X0600Y0000     S3
367N/C              MH1   -     D3200UA00X+005000Y-005000X3200Y0000     S0
999
"""


def columns(parts: dict[int, str]) -> str:
    """Put pieces of a record at their columns, counted from 1."""
    line = ""
    for column, part in parts.items():
        line = line.ljust(column - 1) + part
    return line


def test_records_are_read_by_their_columns() -> None:
    netlist = parse_netlist(TEXT, "a.ipc")
    first, second, surface, via, screw = netlist.points
    # 0.001 mm a count under CUST 1 (layout as published; two open implementations agree).
    assert (first.x_mm, first.y_mm, first.hole_mm) == pytest.approx((25.4, -12.7, 1.0))
    assert (first.ref, first.pin, first.net, first.round_land, first.plated) == ("J1", "1", "GND", True, True)
    assert (first.land_w_mm, first.land_h_mm) == pytest.approx((1.7, 1.7))
    assert second.net == "A_VERY_LONG_NET_NAME_1"
    assert not second.round_land
    assert (surface.kind, surface.access, surface.rotation_deg, surface.hole_mm) == ("surface", "primary", 90.0, None)
    assert (via.kind, screw.kind, screw.plated, screw.net) == ("via", "tooling", False, "")
    assert str(first.source) == "a.ipc line 5, column 1"


def test_the_same_digits_under_cust_0_are_ten_thousandths_of_an_inch() -> None:
    first = parse_netlist(TEXT.replace("CUST 1", "CUST 0"), "a.ipc").points[0]
    # (25400, -12700, 1000) counts = (2.54, -1.27, 0.1) inch, and an inch is 25.4 mm.
    assert (first.x_mm, first.y_mm, first.hole_mm) == pytest.approx((2.54 * 25.4, -1.27 * 25.4, 2.54))


def test_cust_2_counts_angles_in_radians() -> None:
    text = TEXT.replace("CUST 1", "CUST 2").replace("R090 S2", "R157 S2")
    surface = parse_netlist(text, "a.ipc").points[2]
    assert surface.rotation_deg == pytest.approx(math.degrees(1.57))
    assert parse_netlist(TEXT.replace("CUST 1", "CUST 2"), "a.ipc").points[2].rotation_deg == 90.0


@pytest.mark.parametrize("column", [72, 73])
def test_mask_code_is_taken_in_both_columns(column: int) -> None:
    board = invented.small_board()
    netlist = parse_netlist(invented.netlist(board, mask_column=column), "a.ipc")
    assert sum(point.kind == "through" for point in netlist.points) == len(board.through)


def test_blind_vias_and_continuations() -> None:
    more = [columns({1: "307GND", 21: "VIA   -", 33: "D0200PA02X+031000Y-011000X0400Y0000R000"}),
            columns({1: "317VCC", 21: "J9    -1", 33: "D1000PA01X+040000Y-012700X1700Y0000R000"}),
            columns({1: "017", 39: "A02", 58: "X2500Y1500"})]
    text = TEXT.replace("999\n", "\n".join([*more, "999\n"]))
    *_, blind, first, last = parse_netlist(text, "a.ipc").points
    assert (blind.kind, first.access, first.land_w_mm) == ("via", "primary", 1.7)
    # The continuation states the secondary side's land; place, net and pin stay those of the record before it.
    assert (last.ref, last.pin, last.net, last.access) == ("J9", "1", "VCC", "secondary")
    assert (last.x_mm, last.land_w_mm, last.land_h_mm) == pytest.approx((40.0, 2.5, 1.5))


def test_conductors_adjacency_and_outlines_are_read_over() -> None:
    text = TEXT.replace("999\n", "378GND    L01   X0100 X+025400Y-012700 X+026000Y-012700\n379GND VCC\n"
                                 "389BOARD X+000000Y+000000 X+050000Y+000000\n999\n")
    netlist = parse_netlist(text, "a.ipc")
    assert len(netlist.points) == 5
    assert len(netlist.notes) == 3


@pytest.mark.parametrize(("old", "new", "place", "got", "wanted"), [
    ("X+025400", "X+0254Z0", "line 5, column 43", "'+0254Z0'", "digits in columns 43 to 49"),
    ("Y-012700X1700Y0000", "Q-012700X1700Y0000", "line 5, column 50", "'Q'", "Y or a blank"),
    ("X+027940", "        ", "line 6, column 42", "no coordinate", "X and Y coordinates"),
    ("D1000PA00X+0254", "D1000XA00X+0254", "line 5, column 38", "'X'", "P (plated), U (unplated) or a blank"),
    ("327VCC", "397VCC", "line 7, column 1", "record '397'", "an operation code"),
    ("CUST 1", "CUST 7", "line 3, column 10", "units 'CUST 7'", "CUST 0, CUST 1 or CUST 2"),
    ("999\n", "", "line 10, column 1", "the end of the file", "an end record 999"),
    ("C  invented records", "017GND", "line 1, column 1", "continuation 017", "a feature record"),
])
def test_faults_name_line_column_and_what_was_expected(old: str, new: str, place: str, got: str, wanted: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_netlist(TEXT.replace(old, new, 1), "a.ipc")
    problem = caught.value.problems[0]
    assert (problem.where, problem.got) == (place, got)
    assert problem.wanted.startswith(wanted)


def test_all_faults_are_reported_at_once() -> None:
    with pytest.raises(InputError) as caught:
        parse_netlist(TEXT.replace("X+025400", "X+0254Z0").replace("327VCC", "397VCC").replace("999\n", ""), "a.ipc")
    assert len(caught.value.problems) == 3


places = st.integers(-99_999, 99_999)
pins = st.lists(st.tuples(places, places, st.integers(1, 3000), st.integers(1, 9999), st.integers(0, 9999)),
                min_size=1, max_size=20)


@given(pins, st.sampled_from(["mm", "inch"]), st.sampled_from([72, 73]))
@settings(max_examples=60, deadline=None)
def test_round_trip_of_what_was_written(rows: list[tuple[int, int, int, int, int]], unit: str, column: int) -> None:
    size = 0.001 if unit == "mm" else 25.4e-4
    board = invented.Board(pins=[
        invented.Pin(f"J{k}", str(k), f"NET{k}", x * size, y * size,
                     ("rect" if h else "round", w * size, (h or w) * size), hole * size)
        for k, (x, y, hole, w, h) in enumerate(rows)])
    netlist = parse_netlist(invented.netlist(board, unit, mask_column=column), "a.ipc")
    assert netlist.unit.value == unit
    for pin, point in zip(board.pins, netlist.points, strict=True):
        assert (point.ref, point.pin, point.net) == (pin.ref, pin.pin, pin.net)
        assert (point.x_mm, point.y_mm, point.hole_mm) == pytest.approx((pin.x, pin.y, pin.hole), abs=1e-9)
        assert (point.land_w_mm, point.land_h_mm) == pytest.approx(pin.land[1:], abs=1e-9)


@given(st.text(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_text_is_read_or_refused_with_a_place(text: str) -> None:
    try:
        parse_netlist(text, "a.ipc")
    except InputError as error:
        assert error.problems


def test_netlist_of_an_independent_writer() -> None:
    ipc356 = pytest.importorskip("gerbonara.ipc356")
    mm = pytest.importorskip("gerbonara.utils").MM
    records = [ipc356.TestRecord(pad_type=ipc356.PadType.THROUGH_HOLE, net_name=net, ref_des=ref, pin_num=pin,
                                 hole_dia=1.0, is_plated=True, access_layer=0, x=x, y=y, w=1.7, h=h, rotation=0.0,
                                 solder_mask=ipc356.SoldermaskInfo.NONE, unit=mm)
               for ref, pin, net, x, y, h in (("J1", 1, "GND", 25.4, -12.7, 0.0),
                                              ("J1", 2, "A_NET_WITH_A_LONG_NAME", 27.94, -12.7, 1.7))]
    for record in records:
        record.leftover = None  # the writer asks for a field that only its reader makes
    written = ipc356.Netlist(test_records=records).write_to_bytes(_settings(mm))
    text = written.decode() + "\n999\n"  # this writer leaves out the end record
    first, second = parse_netlist(text, "a.ipc").points
    assert (first.ref, first.pin, first.net, first.round_land) == ("J1", "1", "GND", True)
    assert (first.x_mm, first.y_mm, first.hole_mm, first.land_w_mm) == pytest.approx((25.4, -12.7, 1.0, 1.7))
    assert second.net == "A_NET_WITH_A_LONG_NAME"


def _settings(unit: object) -> object:
    from gerbonara.cam import FileSettings

    return FileSettings(unit=unit, number_format=(5, 6))
