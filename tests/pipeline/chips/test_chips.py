"""Chips: a rendered board with planned chips, and drawn chips of the board's own colour."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from synthetic_images.board import plan_board, render_view
from synthetic_images.demo import demo_family, demo_station
from synthetic_images.lot import render_lot
from tests.pipeline import drawn
from vision.pipeline.chips import chips, rectangles
from vision.pipeline.chips.chips import measure_chips, on_lands_left, towards_chips
from vision.pipeline.chips.doubts import goes_on, is_something_else
from vision.pipeline.folder import BoardFiles, scan_folder
from vision.pipeline.light.optics import optics_of
from vision.pipeline.measure import PartTable, measure_board
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.register import Registration
from vision.setup.family import Chip, Joint
from vision.setup.geometry import Similarity
from vision.teaching import read_truth

PLANNED = {0: ("chip_missing", 0.5), 1: ("chip_shifted", 0.8), 3: ("chip_missing", 0.2), 5: ("chip_shifted", 0.9)}
Rows = dict[str, dict[str, float]]


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> tuple[PartTable, Rows, dict[str, str]]:
    """A board with chips planned missing and moved: the measured chips, their true values and findings."""
    folder: Path = tmp_path_factory.mktemp("chips")
    family, station = demo_family(), demo_station()
    plan = plan_board(family, np.random.default_rng(11), defect_rate=0.0, planned_chips=PLANNED)
    view = family.views[0]
    seen = render_view(plan, view, station, serial="C1")
    pictures = {}
    for exposure, picture in seen.pictures.items():
        pictures[view.name, exposure] = folder / f"{exposure}.png"
        cv2.imwrite(str(pictures[view.name, exposure]), picture)
    table = measure_board(BoardFiles("C1", pictures, ()), family, station).chips
    rows = [row for row in seen.rows if not row.pin]
    return table, {row.ref: dict(row.values) for row in rows}, {row.ref: row.finding for row in rows}


def test_rendered_missing_chips_are_missing_and_the_others_present(
        rendered: tuple[PartTable, Rows, dict[str, str]]) -> None:
    table, _, findings = rendered
    assert sum(finding == "chip_missing" for finding in findings.values()) == 2
    for index, ref in enumerate(table.refs):
        if findings[ref] == "chip_missing":
            assert table.columns["chip_present"][index] < 0.3
            assert np.isnan(table.columns["shift_along_mm"][index])
        elif np.isfinite(table_turn := rendered[1][ref]["turn_deg"]):  # a chip on its end has no turn
            assert abs(table_turn) <= 90.0
            assert table.columns["chip_present"][index] > 0.7
            assert table.columns["body_cover_pct"][index] > 75.0


def test_rendered_chips_are_measured_where_they_lie(rendered: tuple[PartTable, Rows, dict[str, str]]) -> None:
    table, truth, _ = rendered
    compared = 0
    for index, ref in enumerate(table.refs):
        values = truth[ref]
        if not np.isfinite(values["turn_deg"]):
            continue
        compared += 1
        # 0.15 mm and 6 deg: the project's own aims, half of what makes a chip shifted.
        for name in ("shift_along_mm", "shift_across_mm"):
            assert table.columns[name][index] == pytest.approx(values[name], abs=0.15)
        off = table.columns["turn_deg"][index] - values["turn_deg"]
        assert abs((off + 90.0) % 180.0 - 90.0) < 6.0
    assert compared >= 3


def draw_chip(mask: float, *, present: bool = True, shift_mm: tuple[float, float] = (0.0, 0.0),
              turn_deg: float = 0.0, bumps: bool = False, lands_mm: tuple[float, float] = (1.0, 1.0),
              body: tuple[float, float, float] | None = None, round_mm: float = 0.0,
              other_end: tuple[float, float, float] | None = None, glue: bool = False,
              lines: tuple[float, float, float] | None = None, end_mm: float = 0.4,
              edge: tuple[float, float, float] | None = None) -> dict[str, float]:
    """Measure a drawn 2.0 x 1.25 mm chip whose body has the board's colour; lands shine beyond its ends.

    With `bumps` solder stands on the lands, flat in the middle and steeper all round; `lands_mm` are the distances of
    the lands from the chip's middle. `body` is its colour, if not the board's; its ends' outer edges may be rounded.
    `other_end` is what the right end mirrors, if not the same as the left. `glue` is a dark drop in the middle.
    `lines` is the colour of print that runs along both sides. Plating reaches `end_mm` in, and `edge` is what its inner
    edges mirror.
    """
    chip = Chip("R1", 5.0, 5.0, 0.0, 2.0, 1.25)
    to_picture = Similarity(np.diag([50.0, -50.0]), np.array([0.0, 500.0]))
    planes = np.full((3, 500, 500), mask, dtype=np.float32)

    def rectangle(u: float, v: float, half_u: float, half_v: float, values: tuple[float, ...],
                  move: tuple[float, float] = (0.0, 0.0), turn: float = 0.0) -> None:
        corners = np.array([(-half_u, -half_v), (half_u, -half_v), (half_u, half_v), (-half_u, half_v)]) + (u, v)
        angle = np.deg2rad(turn)
        way = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        points = np.round(to_picture.to_px(corners @ way + (5.0, 5.0) + np.array(move))).astype(np.int32)
        for plane, value in zip(planes, values, strict=True):
            cv2.fillPoly(plane, [points], value)

    for side, away in zip((-1.0, 1.0), lands_mm, strict=True):  # lands, then what covers them
        if bumps:
            for brim, values in ((0.0, (0.1, 0.6, 1.4)), (0.04, (0.3, 1.5, 0.5)), (0.1, (2.6, 0.3, 0.1))):
                rectangle(side * away, 0.0, 0.36 - brim, 0.63 - brim, values)
        else:
            rectangle(side * away, 0.0, 0.4, 0.67, (1.6, 0.3, 0.1))
    for side in (-1.0, 1.0) if lines is not None else ():
        rectangle(0.0, side * 0.97, 1.4, 0.13, lines or ())
    if glue:
        rectangle(0.0, 0.0, 0.35, 0.42, (0.25 * mask,) * 3)
    if present:
        rectangle(0.0, 0.0, 1.06, 0.68, (0.08, 0.08, 0.1), shift_mm, turn_deg)  # steep edges and shadow all round
        rectangle(0.0, 0.0, 1.0, 0.625, body or (0.8 * mask,) * 3, shift_mm, turn_deg)
        shine = (0.85, 0.5, 0.35) if body is None else (1.4, 0.8, 0.35)
        for side in (-1.0, 1.0):
            here = other_end if other_end is not None and side > 0.0 else shine
            middle, half = 1.0 - end_mm / 2.0, end_mm / 2.0
            if edge is not None:
                rectangle(side * (1.0 - end_mm), 0.0, 0.03, 0.625, edge, shift_mm, turn_deg)
            rectangle(side * middle, 0.0, half, 0.625, (0.25, 0.5, 1.3) if round_mm else here, shift_mm, turn_deg)
            if round_mm:
                rectangle(side * (middle - round_mm / 2.0), 0.0, half - round_mm / 2.0, 0.625 - round_mm, shine,
                          shift_mm, turn_deg)
    rng = np.random.default_rng(5)
    soft = np.stack([cv2.GaussianBlur(plane, (0, 0), 0.8) for plane in planes])
    soft = (soft + rng.normal(0.0, 0.01, soft.shape)).astype(np.float32)
    capture = Capture("v1", soft, np.zeros((500, 500), dtype=np.uint8), ())
    registration = Registration("v1", to_picture, (0.0, 0.0), 0.0, 1.0, 0.0, 3, "drawn")
    columns, inside = measure_chips(capture, [chip], registration, optics_of(drawn.station()))
    assert inside.all()
    return {name: float(values[0]) for name, values in columns.items()}


@pytest.mark.parametrize("mask", [0.08, 0.2, 0.4])
@pytest.mark.parametrize(("shift_mm", "turn_deg"), [((0.0, 0.0), 0.0), ((0.3, 0.0), 0.0), ((0.0, -0.4), 5.0),
                                                    ((0.1, 0.1), -30.0), ((0.0, 0.0), 80.0)])
def test_body_of_nearly_the_boards_colour_is_found_in_its_place(mask: float, shift_mm: tuple[float, float],
                                                                turn_deg: float) -> None:
    columns = draw_chip(mask, shift_mm=shift_mm, turn_deg=turn_deg)
    assert columns["chip_present"] > 0.7
    assert columns["shift_along_mm"] == pytest.approx(shift_mm[0], abs=0.08)
    assert columns["shift_across_mm"] == pytest.approx(shift_mm[1], abs=0.08)
    assert columns["turn_deg"] == pytest.approx(turn_deg, abs=2.5)


@pytest.mark.parametrize("mask", [0.2, 0.3, 0.5])
def test_a_body_of_just_the_boards_colour_is_known_by_the_lines_along_its_sides(mask: float) -> None:
    columns = draw_chip(mask, body=(mask, mask, mask), shift_mm=(0.1, 0.0))
    assert columns["chip_present"] > 0.7
    assert columns["shift_along_mm"] == pytest.approx(0.1, abs=0.08)


@pytest.mark.parametrize("body", [(0.3, 0.3, 0.3), (0.5, 0.45, 0.5)])
def test_print_along_the_sides_may_have_the_bodys_colour(body: tuple[float, float, float]) -> None:
    """Then what lies beside the chip looks like its body; but between both there is board, and a line."""
    columns = draw_chip(0.1, body=body, other_end=(2.2, 0.8, 0.35), lines=body)
    assert columns["chip_present"] > 0.7
    assert columns["shift_along_mm"] == pytest.approx(0.0, abs=0.08)


def test_where_a_land_shines_on_beyond_an_end_the_beginnings_of_both_platings_tell_the_middle() -> None:
    """A chip 0.1 of half its length aside, its left land brighter than its ends, hardly parted from them."""
    along = np.linspace(-1.5, 1.5, 151)
    course = np.interp(along, (-1.3, -1.0, -0.9, -0.84, -0.8, -0.5, -0.45, 0.65, 0.7, 1.0, 1.03, 1.1, 1.3),
                       (1.0, 3.2, 1.9, 1.4, 1.7, 1.7, 0.5, 0.5, 1.7, 1.7, 0.7, 2.5, 1.0))
    shown = np.sqrt(np.tile(course, (1, 151, 1))).astype(np.float32)
    assert rectangles._off_middle(shown, along, along, 0) == pytest.approx(0.1, abs=0.03)


@pytest.mark.parametrize("body", [(0.68, 0.52, 0.4), (0.1, 0.1, 0.1)])
@pytest.mark.parametrize("round_mm", [0.08, 0.16])
@pytest.mark.parametrize("shift_mm", [(0.0, 0.0), (0.06, -0.05)])
def test_a_chip_with_rounded_ends_is_found_in_its_place(body: tuple[float, float, float], round_mm: float,
                                                        shift_mm: tuple[float, float]) -> None:
    """Plated ends have rounded edges (common practice, no published source): flat is what lies further in.

    A matt light ceramic body, and a dark one.
    """
    columns = draw_chip(0.12, shift_mm=shift_mm, body=body, round_mm=round_mm)
    assert columns["chip_present"] > 0.7
    assert columns["shift_along_mm"] == pytest.approx(shift_mm[0], abs=0.1)
    assert columns["shift_across_mm"] == pytest.approx(shift_mm[1], abs=0.08)
    assert columns["turn_deg"] == pytest.approx(0.0, abs=4.0)


@pytest.mark.parametrize("shift_mm", [0.0, 0.03, -0.05])
def test_plating_may_reach_in_by_a_quarter_of_half_the_length(shift_mm: float) -> None:
    """On a light body, which shines nearly as the board's mirror does (common practice, no published source)."""
    columns = draw_chip(0.12, body=(0.62, 0.55, 0.45), end_mm=0.23, shift_mm=(shift_mm, 0.0))
    assert columns["chip_present"] > 0.7
    assert columns["shift_along_mm"] == pytest.approx(shift_mm, abs=0.08)


def test_the_rounded_inner_edge_of_plating_is_no_bump_of_solder() -> None:
    """It mirrors the lowest light in a thin line."""
    columns = draw_chip(0.12, body=(0.08, 0.08, 0.08), edge=(0.1, 0.3, 5.0))
    assert columns["chip_present"] > 0.7
    assert columns["turn_deg"] == pytest.approx(0.0, abs=4.0)


@pytest.mark.parametrize("mask", [0.08, 0.2, 0.4])
def test_bare_lands_are_no_chip(mask: float) -> None:
    columns = draw_chip(mask, present=False)
    assert columns["chip_present"] < 0.3


@pytest.mark.parametrize("mask", [0.08, 0.2, 0.4])
@pytest.mark.parametrize("lands_mm", [(1.0, 1.0), (0.85, 0.85), (0.78, 0.95)])
def test_lands_with_solder_on_them_are_no_chip(mask: float, lands_mm: tuple[float, float]) -> None:
    """Bumps as far apart as a chip's ends, or further: their outlines are where a chip's would be."""
    columns = draw_chip(mask, present=False, bumps=True, lands_mm=lands_mm)
    assert columns["chip_present"] < 0.3


@pytest.mark.parametrize("mask", [0.2, 0.4])
@pytest.mark.parametrize("bumps", [True, False])
def test_lands_with_a_drop_of_glue_between_them_are_no_chip(mask: float, bumps: bool) -> None:
    """The board shows on both sides of the drop, where a chip would reach to its brim."""
    columns = draw_chip(mask, present=False, bumps=bumps, lands_mm=(0.6, 0.6), glue=True)
    assert columns["chip_present"] < 0.3


@pytest.mark.parametrize(("left", "right", "goes"), [
    ((0.3, 1.4, 1.4, 1.3), (0.3, 1.2, 1.5, 1.2), True),  # flat tops of solder beyond where a chip would end
    ((1.5, 1.5, 0.6, 1.6), (0.3, 1.2, 1.5, 1.2), False),  # plating on one side, and a dark edge beyond it
    ((1.5, 1.5, 0.1, 0.1), (1.4, 1.5, 0.2, 0.3), False)])
def test_what_shines_on_beyond_both_ends_is_no_plating(left: tuple[float, ...], right: tuple[float, ...],
                                                       goes: bool) -> None:
    """Responses to the flattest light at 0.7, 0.9, 1.05 and 1.3 of half the length from the middle."""
    places = np.array([0.7, 0.9, 1.05, 1.3])
    along = np.linspace(-1.5, 1.5, 151)
    course = np.interp(along, [*-places[::-1], -0.5, 0.5, *places], [*left[::-1], 0.2, 0.2, *right])
    shown = np.sqrt(np.tile(course, (1, 151, 1))).astype(np.float32)
    assert goes_on(shown, along, along, 0) is goes


def ends_seen(flat: dict[float, float], steep: dict[float, float], body: float,
              mask: float) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Square roots of response in a chip's axes [light, row, column], and the axes' places.

    Responses of the flattest and of a steeper light at places from the middle, in half lengths; beside it is mask.
    """
    along = np.linspace(-1.5, 1.5, 151)
    shown = np.full((2, 151, 151), mask)
    for plane, course in zip(shown, (flat, steep), strict=True):
        plane[:, :] = np.interp(np.abs(along), list(course), list(course.values()))
        plane[:, np.abs(along) < 0.55] = body
        plane[np.abs(along) > 1.0] = mask
    return np.sqrt(shown).astype(np.float32), along


@pytest.mark.parametrize(("line", "evidence", "lands"), [(1.8, 0.95, False), (1.8, 0.6, True), (0.5, 0.95, True)])
def test_lands_may_shine_on_beyond_plating_that_ends_in_a_clear_line(line: float, evidence: float, lands: bool) -> None:
    """Lands may reach far beyond a chip (common practice, no published source); its rounded edge mirrors low light."""
    flat = {0.55: 1.3, 0.98: 1.3, 1.0: 1.1, 1.02: 1.4, 1.4: 1.5}
    shown, along = ends_seen(flat, {0.55: 0.4, 0.96: 0.4, 0.98: line, 1.02: line, 1.04: 0.4, 1.4: 0.4}, 0.05, 0.2)
    assert goes_on(shown, along, along, 0)
    assert is_something_else(shown, along, along, 0, evidence) is lands


@pytest.mark.parametrize(("beyond", "evidence", "lands"), [(0.1, 0.7, False), (0.1, 0.55, True), (0.75, 0.7, True)])
def test_a_body_of_the_boards_colour_without_lines_is_one_between_ends_with_clear_lines(
        beyond: float, evidence: float, lands: bool) -> None:
    """A black chip on a black mask."""
    flat = {0.55: 1.3, 0.99: 1.3, 1.01: beyond, 1.4: beyond}
    shown, along = ends_seen(flat, dict.fromkeys((0.55, 1.4), 0.1), 0.06, 0.06)
    assert is_something_else(shown, along, along, 0, evidence) is lands


def test_an_end_without_any_line_is_no_chips() -> None:
    """Glue of another colour than the board's lies between two lands that shine evenly past a chip's ends."""
    even = dict.fromkeys((0.55, 1.4), 1.2)
    shown, along = ends_seen(even, even, 0.5, 0.2)
    assert is_something_else(shown, along, along, 0, 0.9)


@pytest.mark.parametrize("turn_deg", [50.0, -75.0, 90.0])
def test_a_turned_chip_between_lands_with_solder_is_found_turned(turn_deg: float) -> None:
    columns = draw_chip(0.15, turn_deg=turn_deg, bumps=True, lands_mm=(0.85, 0.85))
    assert columns["chip_present"] > 0.7
    assert abs((columns["turn_deg"] - turn_deg + 90.0) % 180.0 - 90.0) < 6.0


@pytest.mark.parametrize("other_end", [(1.4, 0.25, 0.1), (1.9, 0.6, 0.35)])
def test_ends_not_plated_alike_are_no_chip_where_no_body_is_seen(other_end: tuple[float, float, float]) -> None:
    """A chip standing on one land, the other land bare; with a body of its own between them it is a chip all the same.

    Both ends of a chip are plated alike (common practice, no published source).
    """
    assert draw_chip(0.15)["chip_present"] > 0.7
    assert draw_chip(0.15, other_end=other_end)["chip_present"] < 0.3
    assert draw_chip(0.15, other_end=(0.95, 0.6, 0.4))["chip_present"] > 0.7
    assert draw_chip(0.15, body=(0.4, 0.4, 0.5), other_end=(1.4, 0.6, 0.3))["chip_present"] > 0.7


@pytest.mark.parametrize(("straight", "turned", "off", "turn_deg"), [
    (0.88, 0.98, 0.5, -30.0), (0.88, 0.92, 0.5, 0.0), (0.93, 0.99, 0.5, 0.0), (0.88, 0.98, 30.0, 0.0)])
def test_a_chip_that_fits_straight_is_found_turned_where_that_fits_clearly_better(
        straight: float, turned: float, off: float, turn_deg: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lands with solder may pass for the ends of a chip that lies turned between them, but not for one elsewhere."""
    def places(window: object, flat: int, half: object, turns: tuple[float, ...],
               reach: float) -> list[tuple[float, float, float, float]]:
        seen = turned if off <= reach else 0.3
        return [(straight, 0.5, 0.5, turn) if abs(turn) <= 10.0 else (seen - 0.01 * abs(turn + 30.0), 0.5, off, turn)
                for turn in turns]

    monkeypatch.setattr(rectangles, "_places", places)
    monkeypatch.setattr(rectangles, "_is_doubtful", lambda *_: False)
    found = draw_chip(0.15, turn_deg=turn_deg)
    assert found["turn_deg"] == pytest.approx(turn_deg, abs=4.0)


def test_what_fits_far_turned_is_a_chip_only_where_it_is_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bumps of solder on two lands may seem to be a chip's ends across them, but between those lies no body."""
    def places(window: object, flat: int, half: object, turns: tuple[float, ...],
               reach: float) -> list[tuple[float, float, float, float]]:
        return [(0.2 if abs(turn) <= 10.0 else 0.9 - 0.01 * abs(turn + 60.0), 0.0, 0.0, turn) for turn in turns]

    monkeypatch.setattr(rectangles, "_places", places)
    assert draw_chip(0.15, present=False, bumps=True, lands_mm=(0.85, 0.85))["chip_present"] < 0.3
    assert draw_chip(0.15, turn_deg=-60.0, bumps=True, lands_mm=(0.85, 0.85))["chip_present"] > 0.7


def test_no_chips_give_empty_columns() -> None:
    to_picture = Similarity(np.diag([50.0, -50.0]), np.array([0.0, 500.0]))
    capture = Capture("v1", np.zeros((3, 90, 90), dtype=np.float32), np.zeros((90, 90), dtype=np.uint8), ())
    registration = Registration("v1", to_picture, (0.0, 0.0), 0.0, 1.0, 0.0, 3, "drawn")
    columns, inside = measure_chips(capture, [], registration, optics_of(drawn.station()))
    assert len(inside) == 0 and all(len(values) == 0 for values in columns.values())


@pytest.mark.parametrize("number", [17, 34])
def test_rendered_lands_with_solder_are_no_chip(number: int, tmp_path: Path) -> None:
    """Boards on which two bumps of solder lie as a small chip's ends would."""
    family, station = demo_family(1), demo_station()
    render_lot(family, station, tmp_path, boards=1, seed=4200, defect_rate=0.25, first_serial=number)
    truth = read_truth(tmp_path)
    files = scan_folder(tmp_path, station, family)[0]
    table = measure_board(files, family, station).chips
    missing = ["chip_missing" in truth[files.serial, ref, ""].findings for ref in table.refs]
    assert any(missing)
    assert (table.columns["chip_present"][missing] < 0.4).all()


@pytest.mark.parametrize(("family_number", "seed", "number", "ref"), [(4, 4203, 6, "C11"), (3, 4202, 5, "R1")])
def test_rendered_chip_on_its_end_does_not_lie_in_its_place(family_number: int, seed: int, number: int, ref: str,
                                                            tmp_path: Path) -> None:
    """A chip that stands on one land, and the bare other land, are as far apart as a chip's ends."""
    family, station = demo_family(family_number), demo_station()
    render_lot(family, station, tmp_path, boards=1, seed=seed, defect_rate=0.25, first_serial=number)
    truth, files = read_truth(tmp_path), scan_folder(tmp_path, station, family)[0]
    assert "chip_shifted" in truth[files.serial, ref, ""].findings
    table = measure_board(files, family, station).chips
    row = table.refs.index(ref)
    assert table.columns["chip_present"][row] < 0.4 or abs(table.columns["shift_along_mm"][row]) > 0.3


def test_a_chips_own_lands_lie_on_the_line_of_its_ends() -> None:
    """Left of a chip of 2.0 x 1.25 mm a joint may meet its land, above it only where it is near."""
    chip = Chip("R1", 5.0, 5.0, 0.0, 2.0, 1.25)

    def joint(x_mm: float, y_mm: float) -> Joint:
        return Joint("J1", "1", x_mm, y_mm, "round", 1.6, 1.6, 0.0, 0.9, "round", 0.6, 0.6, "N1")

    left, above, far = towards_chips((joint(2.5, 5.0), joint(5.0, 7.0), joint(1.5, 5.0)), (chip,))
    count = len(left)
    assert left[0] and left[-1] and not left[count // 4:3 * count // 4].any()
    assert not above.any() and not far.any()
    turned = towards_chips((joint(5.0, 7.5),), (Chip("R1", 5.0, 5.0, 90.0, 2.0, 1.25),))[0]
    assert turned[round(0.75 * count)] and not turned[:count // 2].any()


@pytest.mark.parametrize(("present", "along_mm", "turn_deg", "left"), [
    (1.0, 0.1, 3.0, False), (0.1, np.nan, np.nan, True), (1.0, 0.5, 0.0, True), (1.0, 0.0, -20.0, True)])
def test_solder_that_a_chip_left_on_its_lands_is_no_ball(present: float, along_mm: float, turn_deg: float, left: bool,
                                                         monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond an end of a chip of 2.0 x 1.25 mm that stands upright, where it has left its lands; beside it never."""
    seen = {"chip_present": present, "shift_along_mm": along_mm, "shift_across_mm": 0.0, "turn_deg": turn_deg}
    columns = {name: np.array([value]) for name, value in seen.items()}
    monkeypatch.setattr(chips, "measure_chips", lambda *_: (columns, np.ones(1, dtype=bool)))
    chip, nothing = Chip("R1", 5.0, 5.0, 90.0, 2.0, 1.25), np.zeros((3, 9, 9), dtype=np.float32)
    capture = Capture("v1", nothing, np.zeros((9, 9), dtype=np.uint8), ())
    registration = Registration("v1", Similarity(np.eye(2), np.zeros(2)), (0.0, 0.0), 0.0, 1.0, 0.0, 3, "drawn")
    places = np.array([(5.2, 6.4), (5.0, 3.6), (5.0, 7.0), (6.2, 5.0)])
    found = on_lands_left(places, capture, [chip], registration, optics_of(drawn.station()))
    assert found.tolist() == [left, left, False, False]
