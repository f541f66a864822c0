"""The repair sheet: what stands on it, in which order, seen from where; and the record of repairs."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace

import numpy as np
import pytest
import review_boards as boards
from sqlalchemy import Engine

from models.errors import MeniscopeError
from models.vocabulary import FINDINGS
from vision.review.boards import load_board
from vision.review.decisions import Actor, ConflictError, Decision, decide, report_escape, undo
from vision.review.drawing import Map, Mark, board_map
from vision.review.path import path_length, short_path
from vision.review.pictures import place_window
from vision.review.practice import CAUTIONS, DEFERS, actions, practice
from vision.review.repair import record_repair, repair_sheet, stop_named
from vision.review.sheet import sheet_html, sheet_map
from vision.review.stops import Sheet, sheet_json

ADA, BO = Actor("Ada"), Actor("Bo")


def sheet_of(engine: Engine, key: int, **more: object) -> Sheet:
    return repair_sheet(engine, key, boards.family(), **more)  # type: ignore[arg-type]


def names(sheet: Sheet) -> set[str]:
    return {stop.name for stop in sheet.stops}


# --- the way of the iron ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_short_ways_are_near_the_shortest_of_all(seed: int) -> None:
    """Reference: every order of seven places tried. 2-opt is commonly within some 5 % of the best (no published bound
    is asserted); here at most 15 % on any of twelve boards."""
    points = np.random.default_rng(seed).uniform(0.0, 80.0, (7, 2))
    order = short_path(points, (0.0, 0.0))
    assert sorted(order) == list(range(7))
    best = min(path_length(points, list(way), (0.0, 0.0)) for way in itertools.permutations(range(7)))
    assert best - 1e-9 <= path_length(points, order, (0.0, 0.0)) <= 1.15 * best


def test_no_single_reversal_makes_a_long_way_shorter() -> None:
    points = np.random.default_rng(5).uniform(0.0, 100.0, (60, 2))
    order = short_path(points, (0.0, 0.0))
    length = path_length(points, order, (0.0, 0.0))
    for first, last in itertools.combinations(range(len(order)), 2):
        turned = order[:first] + order[first:last + 1][::-1] + order[last + 1:]
        assert path_length(points, turned, (0.0, 0.0)) >= length - 1e-6


@pytest.mark.parametrize(("points", "order"), [
    ([], []), ([(3.0, 4.0)], [0]), ([(30.0, 0.0), (10.0, 0.0), (20.0, 0.0)], [1, 2, 0]),
    ([(5.0, 5.0), (5.0, 5.0)], [0, 1])])
def test_small_and_equal_places_have_a_way_too(points: list[tuple[float, float]], order: list[int]) -> None:
    assert short_path(points, (0.0, 0.0)) == order


def test_a_way_along_a_line_has_the_length_of_the_line() -> None:
    assert path_length([(3.0, 4.0), (6.0, 8.0)], [0, 1], (0.0, 0.0)) == pytest.approx(10.0)  # 3-4-5 triangle twice


# --- what stands on the sheet -----------------------------------------------------------------------------------------


def test_rejects_stand_on_the_sheet_and_doubtful_ones_wait(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    sheet = sheet_of(engine, key)
    assert names(sheet) == {"J1.1", "J1.2 and J1.3", "C1"}
    assert all(stop.unchecked for stop in sheet.stops)
    assert sheet.undecided == 1
    (first,) = [stop for stop in sheet.stops if stop.name == "J1.1"]
    assert first.titles == "partial wetting, solder ball"
    assert [stop.number for stop in sheet.stops] == [1, 2, 4]  # 3 is kept for the doubtful one, J1.5


def test_a_bridge_told_by_both_ends_is_one_stop_between_them(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    (bridge,) = [stop for stop in sheet_of(engine, key).stops if stop.name == "J1.2 and J1.3"]
    joints = {joint.name: joint for joint in boards.family().joints}
    assert bridge.x_mm == pytest.approx((joints["J1.2"].x_mm + joints["J1.3"].x_mm) / 2.0)
    assert len(bridge.finding_ids) == 2
    record_repair(engine, key, finding_ids=bridge.finding_ids, action=bridge.action, note="", by=BO)
    assert names(sheet_of(engine, key)) == {"J1.1", "C1"}


def test_a_bridge_names_its_ends_by_number_and_is_found_in_either_order(engine: Engine) -> None:
    joints = tuple(replace(joint, ref="J1", pin=str(k + 8)) for k, joint in enumerate(boards.family().joints))
    family = replace(boards.family("ten"), joints=joints)
    faults = {"J1.10": [("bridge", 0.4, "reject", "J1.9")], "J1.9": [("bridge", 0.4, "reject", "J1.10")]}
    key = boards.save(engine, boards.inspection("B1", faults, of=family), of=family)
    sheet = repair_sheet(engine, key, family)
    assert names(sheet) == {"J1.9 and J1.10"}
    for said in ("J1.9 and J1.10", "J1.10 and J1.9", " J1.10  and J1.9 ", "J1.9, J1.10"):
        assert stop_named(sheet, said) is sheet.stops[0]
    for said in ("J1.9", "J1.9 and J1.9", "J1.9 and J1.11", ""):
        assert stop_named(sheet, said) is None


def test_what_people_decided_rules_the_sheet(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    found = boards.findings(engine, key)
    decide(engine, found["C1 chip_shifted"], Decision("false_call"), ADA, version=0)
    decide(engine, found["J1.5 partial_wetting"], Decision("real", "non_wetting"), ADA, version=0)
    decide(engine, found["J1.1 partial_wetting"], Decision("cannot_tell"), ADA, version=0)
    decide(engine, found["X2.1 blowhole"], Decision("real"), ADA, version=0)
    report_escape(engine, key, joint_id=9, chip_id=None, finding="no_solder", note="", by=ADA)
    sheet = sheet_of(engine, key)
    assert names(sheet) == {"J1.1", "J1.2 and J1.3", "J1.5", "X2.1", "X2.3"}
    by_name = {stop.name: stop for stop in sheet.stops}
    assert by_name["J1.5"].titles == "non-wetting"
    assert by_name["J1.1"].look_first
    assert by_name["X2.3"].wrong[0].decided == "missed defect, reported by Ada"
    assert sheet.undecided == 0


def test_repairs_are_counted_over_all_inspections_and_warned_of(engine: Engine) -> None:
    one = {"J1.1": [("partial_wetting", 200.0, "reject"), ("solder_ball", 0.4, "reject")]}
    for take in range(3):
        key = boards.save(engine, boards.inspection("B1", one, minute=take, take=take))
        (stop,) = sheet_of(engine, key).stops
        assert stop.repairs == take  # two findings mended in one go heat the land once
        assert stop.over_limit == (take >= 2)
        record_repair(engine, key, finding_ids=stop.finding_ids, action=stop.action, note="", by=BO)
    last = boards.save(engine, boards.inspection("B1", one, minute=9, take=9))
    (stop,) = sheet_of(engine, last, repair_limit=5).stops
    assert (stop.repairs, stop.over_limit) == (3, False)


def test_a_repair_is_recorded_once_and_decides_an_unchecked_reject(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    finding = boards.findings(engine, key)["C1 chip_shifted"]
    assert record_repair(engine, key, finding_ids=[finding], action="chip replaced", note="new part", by=BO) == 1
    standing = next(item for item in load_board(engine, key)[1] if item.id == finding).standing
    assert standing is not None
    assert (standing.call, standing.reviewer) == ("real", "Bo")
    with pytest.raises(ConflictError, match="Bo recorded this repair already"):
        record_repair(engine, key, finding_ids=[finding], action="chip replaced", note="", by=ADA)
    with pytest.raises(ConflictError, match="mended after your decision"):
        undo(engine, standing.review_id, BO)


@pytest.mark.parametrize("call", ["false_call", "cannot_tell"])
def test_what_is_no_settled_defect_is_not_mended(engine: Engine, call: str) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    finding = boards.findings(engine, key)["C1 chip_shifted"]
    decide(engine, finding, Decision(call), ADA, version=0)
    with pytest.raises(ConflictError, match="C1: Ada"):
        record_repair(engine, key, finding_ids=[finding], action="chip replaced", note="", by=BO)


def test_a_repair_of_another_board_s_finding_is_refused(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    other = boards.save(engine, boards.inspection("B2", boards.MIXED, minute=1))
    with pytest.raises(MeniscopeError, match=f"is not of inspection {other}"):
        record_repair(engine, other, finding_ids=[boards.findings(engine, key)["C1 chip_shifted"]], action="x",
                      note="", by=BO)
    with pytest.raises(MeniscopeError, match="wanted what was done"):
        record_repair(engine, key, finding_ids=[1], action=" ", note="", by=BO)
    with pytest.raises(MeniscopeError, match="wanted what was mended"):
        record_repair(engine, key, finding_ids=[], action="x", note="", by=BO)


# --- seen from where --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("side", "turn", "x_runs", "y_runs"), [
    ("top", 0, (1, 0), (0, -1)), ("bottom", 0, (-1, 0), (0, -1)), ("bottom", 90, (0, 1), (-1, 0)),
    ("bottom", 180, (1, 0), (0, 1)), ("top", 90, (0, -1), (-1, 0))])
def test_the_map_is_seen_from_the_person_s_side(side: str, turn: int, x_runs: tuple[int, int],
                                                y_runs: tuple[int, int]) -> None:
    """On paper y runs down, so (0, -1) is up. From the solder side x runs to the left: turning a board over about
    its vertical axis mirrors it (common practice, no published source)."""
    to = Map(boards.family(), side, turn)
    origin, right, up = (np.array(to(*point)) for point in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0)))
    assert np.allclose((right - origin) / np.hypot(*(right - origin)), x_runs, atol=1e-9)
    assert np.allclose((up - origin) / np.hypot(*(up - origin)), y_runs, atol=1e-9)


def test_all_parts_lie_on_the_drawn_board() -> None:
    family = boards.family()
    for side, turn in itertools.product(("bottom", "top"), (0, 90, 180, 270)):
        to = Map(family, side, turn)
        places = np.array([to(j.x_mm, j.y_mm) for j in family.joints] + [to(f.x_mm, f.y_mm) for f in family.fiducials])
        assert (places > 0).all()
        assert (places < to.size).all()


def test_the_way_starts_at_the_lower_left_of_the_solder_side_whatever_side_the_person_looks_at(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    x = [joint.x_mm for joint in boards.family().joints]
    assert sheet_of(engine, key).start_mm == (max(x), 5.0)
    assert sheet_of(engine, key, side="top").start_mm == (max(x), 5.0)
    numbers = [[(stop.number, stop.name) for stop in sheet_of(engine, key, side=side).stops]
               for side in ("bottom", "top")]
    assert numbers[0] == numbers[1]


def test_the_json_says_where_it_counts_from(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    data = json.loads(json.dumps(sheet_json(sheet_of(engine, key)), allow_nan=False))
    assert data["origin"] == ("millimetres from the zero of the board's CAD data; seen from the solder side, x runs to "
                              "the left and y upward")
    chip = next(stop for stop in data["stops"] if stop["places"] == ["C1"])
    assert (chip["x_mm"], chip["y_mm"], chip["seen_right_mm"], chip["seen_up_mm"]) == (14.0, 6.0, -14.0, 6.0)
    assert chip["wrong"] == [{"finding": "chip_shifted", "words": "shift across 0.60 mm, needs at most 0.40 mm",
                              "decided": ""}]
    assert len(data["cautions"]) == len(CAUTIONS)
    assert data["note"] == DEFERS


# --- words ------------------------------------------------------------------------------------------------------------


def test_every_finding_has_a_practice_and_short_contact() -> None:
    for finding in FINDINGS:
        known = practice(finding.name)
        assert known.steps.endswith(".")
        assert known.action in actions(finding.part)
        # Guidance for hand soldering: at most 3 s a contact, 2 s on parts that heat harms.
        assert 0.0 <= known.seconds <= 3.0


def test_the_sheet_names_every_caution_and_defers_to_the_site(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1 <b>", boards.MIXED))
    sheet = sheet_of(engine, key)
    html = sheet_html(sheet, boards.family(), {})
    text = re.sub(r"\s+", " ", html)
    for name in ("Hot iron", "Hot board", "Eye protection", "Fume extraction", "Lead", "Static electricity"):
        assert f"<dt>{name}</dt>" in text
    assert "The site&#39;s own work and safety instructions" in text
    assert "at most 3 s a contact" in text
    assert text.index("Before the first stop: the iron is at") < text.index("<h2>1. ")
    assert "closes only when its new inspection passes" in text
    assert "B1 &lt;b&gt;" in html
    assert "<b>" not in html.replace("<body>", "")
    assert not re.search(r"(src|href)=\"(?!data:)", html)  # nothing is fetched from elsewhere


def test_a_sheet_without_a_stop_does_not_speak_of_hot_irons(engine: Engine) -> None:
    waits = {"J1.5": [("partial_wetting", 274.0, "review")]}
    key = boards.save(engine, boards.inspection("B1", waits))
    html = sheet_html(sheet_of(engine, key), boards.family(), {})
    assert "Nothing to mend." in html
    assert "1 doubtful finding waits for a decision" in html
    for words in ("Hot iron", "Take care", "Contact time", "no instruction", "open ring", "the iron's way",
                  "After mending"):
        assert words not in html.replace("&#39;", "'"), words


def test_a_sheet_of_which_all_is_mended_still_sends_the_board_to_the_camera(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", {"J1.1": [("partial_wetting", 200.0, "reject")]}))
    (stop,) = sheet_of(engine, key).stops
    record_repair(engine, key, finding_ids=stop.finding_ids, action=stop.action, note="", by=BO)
    html = sheet_html(sheet_of(engine, key), boards.family(), {})
    assert "Nothing to mend: 1 finding is mended already." in html
    assert "closes only when its new inspection passes" in html
    assert "Hot iron" not in html


def test_the_worst_of_several_marks_at_one_place_lies_on_top() -> None:
    marks = [Mark(4.0, 5.0, kind, kind) for kind in ("reject", "indicator", "review")]
    drawn = board_map(boards.family(), marks, "Board map", side="bottom")
    assert re.findall(r'class="m-(\w+)"', drawn) == ["indicator", "review", "reject"]
    here = Mark(4.0, 5.0, "review", "the place in question", "", True)
    drawn = board_map(boards.family(), [here, *marks], "Board map", side="bottom")
    assert re.findall(r"<title>([^<]+)</title>", drawn)[-1] == "the place in question"


def test_marks_on_the_map_carry_the_stops_numbers(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    drawn = sheet_map(sheet_of(engine, key), boards.family())
    assert re.findall(r'class="m-label"[^>]*>(\d+)<', drawn) == ["1", "2", "4"]
    assert 'class="way"' in drawn


def test_where_nothing_but_a_ball_was_found_the_stop_is_where_it_lies(engine: Engine) -> None:
    found = {"J1.1": [("solder_ball", 0.4, "reject")],
             "J1.5": [("solder_ball", 0.4, "reject"), ("partial_wetting", 200.0, "reject")]}
    board = boards.inspection("B1", found)
    moved = replace(board, joints=tuple(replace(joint, findings=tuple(
        replace(one, x_mm=one.x_mm + 1.4, y_mm=one.y_mm - 0.2) for one in joint.findings)) for joint in board.joints))
    key = boards.save(engine, moved)
    joints = {joint.name: joint for joint in boards.family().joints}
    stops = {stop.name: stop for stop in sheet_of(engine, key).stops}
    assert (stops["J1.1"].x_mm, stops["J1.1"].y_mm) == pytest.approx((joints["J1.1"].x_mm + 1.4,
                                                                       joints["J1.1"].y_mm - 0.2))
    assert (stops["J1.5"].x_mm, stops["J1.5"].y_mm) == pytest.approx((joints["J1.5"].x_mm, joints["J1.5"].y_mm))
    ball = next(item for item in load_board(engine, key)[1] if item.place == "J1.1")
    window = place_window(boards.family(), ball)
    for x, y in ((joints["J1.1"].x_mm, joints["J1.1"].y_mm), (ball.x_mm, ball.y_mm)):  # both are seen, with some round
        assert max(abs(x - window.x_mm), abs(y - window.y_mm)) < window.half_mm - 0.8
