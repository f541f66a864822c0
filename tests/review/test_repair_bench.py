"""At the bench: what a repair records, numbers that stay, notes, directions, steps."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import review_boards as boards
from bench import ADA, BO, mend, mixed, sheet_of, stop_of
from click.testing import CliRunner
from page_client import Visitor
from sqlalchemy import Engine, select, update

from models.vocabulary import CHIP_FINDINGS, JOINT_FINDINGS
from vision.cli import main
from vision.records.database import transaction
from vision.records.schema import FamilyJoint, JointResult
from vision.review.bench_marks import clock_hour, names_on_map, open_words, picture_words, shown, towards
from vision.review.decisions import Decision, decide, report_escape
from vision.review.drawing import SCALE, Map
from vision.review.pictures import Window
from vision.review.practice import practice, sequence
from vision.review.sheet import sheet_html, sheet_map
from vision.review.stops import sheet_json
from vision.setup import View

# --- what the button records ------------------------------------------------------------------------------------------


def test_the_button_of_an_undecided_stop_says_that_it_decides_too(ada: Visitor, engine: Engine) -> None:
    found = boards.findings(engine, 1)
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "Mended, and it was a real defect: C1</button>" in page
    assert "the button also records your decision, Ada, that it was a real defect" in page
    assert f'<a href="/finding/{found["C1 chip_shifted"]}">decide first</a>' in page
    decide(engine, found["C1 chip_shifted"], Decision("real"), BO, version=0)
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert ">Mended: C1</button>" in page
    assert "Mended, and it was a real defect: C1" not in page


def test_the_page_comes_back_to_the_stop_and_offers_to_undo(ada: Visitor, engine: Engine) -> None:
    finding = boards.findings(engine, 1)["C1 chip_shifted"]
    number = stop_of(engine, 1, "C1").number
    done = ada.post("/board/1/repair?side=top&turn=90", {"finding": str(finding), "action": "chip replaced"})
    assert done.headers["Location"] == f"/board/1/repair?side=top&turn=90#stop{number}"
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "Recorded with it: your decision, a real defect." in page
    assert f'id="stop{number}"' in page
    assert "Mended by Ada, " in page
    repair = re.search(r'name="repair" value="(\d+)"', page)
    assert repair is not None
    other = Visitor(ada.client.application)
    other.log_in("Bo")
    assert 'name="repair"' not in other.get("/board/1/repair").get_data(as_text=True)
    assert other.post("/board/1/repair/undo", {"repair": repair[1]}).status_code == 409
    back = ada.post("/board/1/repair/undo?side=top&turn=90", {"repair": repair[1]})
    assert back.headers["Location"] == f"/board/1/repair?side=top&turn=90#stop{number}"
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "Taken back: the repair, and the decision that was recorded with it. C1 waits for the iron again." in page
    assert "Mended, and it was a real defect: C1</button>" in page
    assert ada.post("/board/1/repair/undo", {"repair": repair[1]}).status_code == 409


def test_what_another_person_mended_says_who_can_take_it_back(ada: Visitor, engine: Engine) -> None:
    mend(engine, 1, "J1.2 and J1.3")
    mend(engine, 1, "C1", ADA)
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "Not so? Only Bo can take this back" in page
    assert "Only Ada" not in page
    assert "C1: chip shifted, mended</h2>" in page
    mend(engine, 2, "J1.2 and J1.3", ADA)
    assert "Undo: J1.2 and J1.3 are not mended" in ada.get("/board/2/repair").get_data(as_text=True)


def test_who_was_too_late_at_the_bench_goes_back_to_the_sheet(ada: Visitor, engine: Engine) -> None:
    finding = boards.findings(engine, 1)["C1 chip_shifted"]
    mend(engine, 1, "C1")
    for path, values in (("", {"finding": str(finding), "action": "chip replaced"}), ("/undo", {"repair": "1"})):
        refused = ada.post(f"/board/1/repair{path}?side=top&turn=90", values)
        assert refused.status_code == 409
        page = refused.get_data(as_text=True)
        assert 'href="/board/1/repair?side=top&amp;turn=90">Back to the board’s repair sheet</a>' in page
    refused = ada.post("/board/1/missed", {"place": "C1", "finding": "no_solder"})
    assert 'href="/board/1">Back to the board’s findings</a>' in refused.get_data(as_text=True)


def test_an_outdated_sheet_says_so_and_leads_to_the_newest(ada: Visitor, engine: Engine) -> None:
    assert "graded again since" not in ada.get("/board/1/repair").get_data(as_text=True)
    newest = boards.save(engine, boards.inspection("B1", boards.MIXED, minute=99, take=1))
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "This board was graded again since." in page
    assert f'href="/board/{newest}/repair">go to the newest sheet' in page


def test_undo_says_when_no_decision_is_taken_back_with_it(ada: Visitor, engine: Engine) -> None:
    finding = boards.findings(engine, 1)["C1 chip_shifted"]
    decide(engine, finding, Decision("real"), BO, version=0)
    ada.post("/board/1/repair", {"finding": str(finding), "action": "chip replaced"})
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "your decision" not in page[page.index("stop-done"):page.index("Undo: C1 is not mended")]
    repair = re.search(r'name="repair" value="(\d+)"', page)
    assert repair is not None
    ada.post("/board/1/repair/undo", {"repair": repair[1]})
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "Taken back: the repair. C1 waits for the iron again." in page
    assert ">Mended: C1</button>" in page


def test_the_command_says_what_it_decides(engine: Engine, tmp_path: Path) -> None:
    mixed(engine)
    done = CliRunner().invoke(main, ["rework", "B1", "--db", str(tmp_path / "results.sqlite"), "--mended", "C1",
                                     "--by", "Bo"])
    assert "C1: mended by Bo. Recorded with it: Bo's decision, a real defect." in done.stderr


# --- numbers ----------------------------------------------------------------------------------------------------------


def test_a_place_keeps_its_number_whatever_is_mended_decided_or_reported(engine: Engine) -> None:
    key = mixed(engine)
    found = boards.findings(engine, key)
    numbers = {stop.name: stop.number for stop in sheet_of(engine, key).stops}
    doings = (
        lambda: mend(engine, key, "J1.2 and J1.3"),
        lambda: decide(engine, found["C1 chip_shifted"], Decision("false_call"), ADA, version=0),
        lambda: decide(engine, found["J1.5 partial_wetting"], Decision("real"), ADA, version=0),
        lambda: decide(engine, found["X2.1 blowhole"], Decision("real"), ADA, version=0),
        lambda: report_escape(engine, key, joint_id=9, chip_id=None, finding="no_solder", note="", by=ADA),
        lambda: mend(engine, key, "J1.5"))
    for do in doings:
        do()
        now = {row.name: row.number for row in sheet_of(engine, key).rows}
        assert {name: number for name, number in now.items() if name in numbers} == {
            name: number for name, number in numbers.items() if name in now}
        assert len(set(now.values())) == len(now)
        numbers |= now
    sheet = sheet_of(engine, key)
    assert sorted(numbers.values()) == [1, 2, 3, 4, 5, 6]
    assert [row.number for row in sheet.rows] == sorted(row.number for row in sheet.rows)
    assert "A place keeps its number" in sheet.numbering
    assert "A place keeps its number" in sheet_html(sheet, boards.family(), {})


def test_what_is_mended_stays_on_list_and_map_with_its_number(engine: Engine, ada: Visitor) -> None:
    mend(engine, 1, "C1")
    (done,) = sheet_of(engine, 1).done
    assert (done.name, done.titles, done.repairer) == ("C1", "chip shifted", "Bo")
    drawn = sheet_map(sheet_of(engine, 1), boards.family())
    assert f"<title>{done.number}: C1, mended</title>" in drawn
    assert "White discs are mended." in ada.get("/board/1/repair").get_data(as_text=True)
    data = sheet_json(sheet_of(engine, 1))
    assert [(item["number"], item["place"], item["by"]) for item in data["mended"]] == [(done.number, "C1", "Bo")]
    html = sheet_html(sheet_of(engine, 1), boards.family(), {})
    assert f"{done.number}. C1: mended by Bo, chip replaced." in html


# --- notes ------------------------------------------------------------------------------------------------------------


def test_the_reviewer_s_note_reaches_the_bench(ada: Visitor, engine: Engine, tmp_path: Path) -> None:
    found = boards.findings(engine, 1)
    decide(engine, found["J1.1 partial_wetting"], Decision("real", "non_wetting", "grey, <tin> it first"), ADA,
           version=0)
    decide(engine, found["J1.2 bridge"], Decision("real", note="thin as a hair"), BO, version=0)
    report_escape(engine, 1, joint_id=9, chip_id=None, finding="no_solder", note="hole is open", by=BO)
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "Note by Ada: “grey, &lt;tin&gt; it first”" in page
    assert page.count("Note by Bo: “thin as a hair”") == 1  # both ends of a bridge share it
    assert "Note by Bo: “hole is open”" in page
    html = sheet_html(sheet_of(engine, 1), boards.family(), {})
    assert "Note by Ada: “grey, &lt;tin&gt; it first”" in html
    said = CliRunner().invoke(main, ["rework", "B1", "--db", str(tmp_path / "results.sqlite")]).stdout
    assert "J1.1: note by Ada: grey, <tin> it first" in said
    stops = sheet_json(sheet_of(engine, 1))["stops"]
    assert [stop["notes"] for stop in stops if stop["places"] == ["X2.3"]] == [[{"by": "Bo", "note": "hole is open"}]]


# --- one set of steps a joint -----------------------------------------------------------------------------------------


def test_the_more_thorough_step_swallows_the_lesser_ones() -> None:
    (step,) = sequence(["non_wetting", "excess_solder", "lead_missing"])
    assert step.action == practice("lead_missing").action
    assert "Clear the hole" in step.steps
    for contradiction in ("Take the surplus off", "Take the old solder off"):
        assert contradiction not in step.steps
    assert "it may be spoilt" in step.steps  # what is to be heeded stays
    assert "do not pull it while it is cold" in step.steps
    (step,) = sequence(["partial_wetting", "blowhole", "solder_projection"])
    assert step.action == "reflowed with flux"
    assert "the board may hold moisture" in step.steps


@pytest.mark.parametrize("part", [JOINT_FINDINGS, CHIP_FINDINGS])
def test_any_set_of_findings_gives_one_way_to_treat_the_joint_itself(part: tuple[str, ...]) -> None:
    for some in (some for count in (2, 3) for some in itertools.permutations(part, count)):
        steps = sequence(some)
        assert len(steps) == len({practice(name).turn for name in some})
        assert [step.turn for step in steps] == sorted(step.turn for step in steps)
        assert steps == sequence(reversed(some))


def test_a_bridge_goes_first_and_balls_are_cleaned_off_last() -> None:
    steps = [step.action for step in sequence(["solder_ball", "non_wetting", "bridge"])]
    assert steps == ["bridge removed with wick", "cleaned and resoldered", "balls taken off and cleaned"]


def test_usually_stands_once_at_a_stop_and_a_missed_defect_joins_its_joint(ada: Visitor, engine: Engine) -> None:
    report_escape(engine, 1, joint_id=1, chip_id=None, finding="lead_missing", note="", by=ADA)
    stop = stop_of(engine, 1, "J1.1")
    assert stop.titles == "partial wetting, solder ball, lead missing"
    assert stop.action == "lead reseated or part replaced"
    assert [text[:4] for text in stop.steps] == ["Look", "Lift"]
    page = ada.get("/board/1/repair").get_data(as_text=True)
    card = page[page.index(f'id="stop{stop.number}"'):]
    card = card[:card.index("</form>")]
    assert card.count("Usually:") == 1
    assert "<li>Look from the component side" in card
    assert sheet_html(sheet_of(engine, 1), boards.family(), {}).count("Usually:") == len(sheet_of(engine, 1).stops)
    mend(engine, 1, "J1.1")
    assert "J1.1" not in {stop.name for stop in sheet_of(engine, 1).stops}


# --- finding the place ------------------------------------------------------------------------------------------------


def open_towards(engine: Engine, pin: str, azimuth_deg: float, width_deg: float) -> None:
    """Let the pipeline have measured where the land of a pin of J1 is open, at every inspection."""
    with transaction(engine) as connection:
        key = connection.execute(select(FamilyJoint.id).where(FamilyJoint.ref == "J1", FamilyJoint.pin == pin)).scalar()
        connection.execute(update(JointResult).where(JointResult.joint_id == key)
                           .values(gap_azimuth_deg=azimuth_deg, largest_gap_deg=width_deg))


def test_the_open_part_of_a_land_is_told_as_the_picture_shows_it(ada: Visitor, engine: Engine) -> None:
    """J1.2 lies at azimuth 0 of J1.1, which is to the left as the camera sees the solder side."""
    open_towards(engine, "1", 4.0, 80.0)
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "The land is open at 9 o&#39;clock on the picture, towards J1.2, 80° wide." in page
    assert 'class="open-part"' in page
    page = ada.get("/board/1/repair?turn=90").get_data(as_text=True)  # counter-clockwise: left comes to lie below
    assert "The land is open at 6 o&#39;clock on the picture, towards J1.2" in page
    page = ada.get("/board/1/repair?side=top").get_data(as_text=True)
    assert "The land is open at 3 o&#39;clock on the picture, towards J1.2" in page
    html = sheet_html(sheet_of(engine, 1), boards.family(), {stop_of(engine, 1, "J1.1").number: "data:,"})
    assert "open at 9 o&#39;clock on the picture, towards J1.2, 80° wide.</strong> The line on the picture" in html
    assert "The land is open towards J1.2, 80° wide." in sheet_html(sheet_of(engine, 1), boards.family(), {})
    (stop,) = [stop for stop in sheet_json(sheet_of(engine, 1))["stops"] if stop["places"] == ["J1.1"]]
    assert (stop["gap_azimuth_deg"], stop["gap_width_deg"]) == (4.0, 80.0)


@pytest.mark.parametrize(("azimuth", "width", "words"), [
    (0.0, 5.0, ""), (0.0, 340.0, "The land is open nearly all round (340°)."),
    (90.0, 90.0, "The land is open towards J1.4, 90° wide."),
    (200.0, 90.0, "The land is open at 200° counter-clockwise from board x, 90° wide.")])
def test_a_direction_without_a_neighbour_and_without_a_middle(engine: Engine, azimuth: float, width: float,
                                                              words: str) -> None:
    key = mixed(engine)
    open_towards(engine, "1", azimuth, width)
    assert open_words(stop_of(engine, key, "J1.1"), boards.family()) == words


def test_the_hours_run_clockwise_from_above() -> None:
    seen = np.diag([1.0, -1.0])
    assert [clock_hour(angle, seen) for angle in (90.0, 60.0, 0.0, 270.0, 180.0, 105.1)] == [12, 1, 3, 6, 9, 11]
    first = boards.family().joints[0]
    assert [towards(first, angle, boards.family()) for angle in (0.0, 90.0, 180.0)] == ["J1.2", "J1.4", ""]


@pytest.mark.parametrize(("side", "turn", "view_turn", "lies"), [
    ("bottom", 0, 0.0, "turned-0"), ("bottom", 90, 0.0, "turned-270"), ("bottom", 180, 0.0, "turned-180"),
    ("top", 0, 0.0, "turned-0 mirrored"), ("bottom", 0, 90.0, "turned-90"), ("bottom", 90, 90.0, "turned-0")])
def test_pictures_lie_as_the_map_does(engine: Engine, side: str, turn: int, view_turn: float, lies: str) -> None:
    """The style sheet turns clockwise, `turn` and a view's rotation counter-clockwise. The arc's middle must lie where
    the map has that direction."""
    key = mixed(engine)
    open_towards(engine, "1", 30.0, 60.0)
    family = replace(boards.family(), views=(View("v1", (9.0, 8.0), view_turn),))
    sheet = sheet_of(engine, key, side=side)
    stop = next(stop for stop in sheet.stops if stop.name == "J1.1")
    pose = shown(stop, Window(stop.x_mm, stop.y_mm, 2.0), sheet, family, turn)
    assert pose.lies == lies
    points = np.array([[float(value) for value in pair.split()]
                       for pair in re.findall(r'open-line" d="M([^"]+)"', pose.arc)[0].split("L")])
    way = Map(family, side, turn).matrix / SCALE @ np.array([np.cos(np.deg2rad(30.0)), np.sin(np.deg2rad(30.0))])
    middle = points[len(points) // 2] - 50.0
    assert np.allclose(middle / np.hypot(*middle), way, atol=0.02)


def test_the_page_says_how_its_pictures_lie(ada: Visitor, engine: Engine) -> None:
    assert "The pictures" not in ada.get("/board/1/repair").get_data(as_text=True)
    assert "The pictures are turned as the map is." in ada.get("/board/1/repair?turn=90").get_data(as_text=True)
    page = ada.get("/board/1/repair?side=top").get_data(as_text=True)
    assert "they are mirrored, as if you saw through the board" in page
    assert 'class="turned-0 mirrored"' in page
    assert picture_words(sheet_of(engine, 1), boards.family(), 0) == ""


def test_the_map_names_every_part_and_each_first_pin(engine: Engine) -> None:
    key = mixed(engine)
    family = boards.family()
    for side, turn in itertools.product(("bottom", "top"), (0, 90, 180, 270)):
        sheet = sheet_of(engine, key, side=side)
        drawn = sheet_map(sheet, family, turn)
        assert sorted(re.findall(r'class="map-name"[^>]*>([^<]+)<', drawn)) == ["C1", "C2", "J1", "X2"]
        to = Map(family, side, turn)
        pins = re.findall(r'class="map-pin" x="([\d.]+)" y="([\d.]+)">1<', drawn)
        firsts = [np.array(to(joint.x_mm, joint.y_mm)) for joint in family.joints if joint.pin == "1"]
        assert 1 <= len(pins) <= len(firsts)  # in a crowd a pin has none, rather than one that seems another's
        others = np.array([to(joint.x_mm, joint.y_mm) for joint in family.joints if joint.pin != "1"])
        for pin in np.array(pins, dtype=float) - (0.0, 4.5):
            assert min(np.hypot(*(pin - first)) for first in firsts) < np.hypot(*(others - pin).T).min()


def test_names_hide_no_stop(engine: Engine) -> None:
    family = boards.family()
    stops = [(joint.x_mm, joint.y_mm) for joint in family.joints]
    to = Map(family, "bottom")
    drawn = names_on_map(family, stops, [], to)
    for x, y, text in re.findall(r'class="map-name" x="([\d.]+)" y="([\d.]+)">([^<]+)<', drawn):
        apart = np.abs(np.array([to(*stop) for stop in stops]) - (float(x), float(y) - 4.5))
        assert not ((apart[:, 0] < 12.0 + 4.0 * len(text)) & (apart[:, 1] < 12.0 + 4.0)).any(), text


# --- finding a board --------------------------------------------------------------------------------------------------


def test_the_bench_finds_a_serial_that_differs_in_case_alone_and_says_so(ada: Visitor, engine: Engine) -> None:
    assert ada.get("/bench/find?serial=B1").headers["Location"] == "/board/1/repair"
    assert ada.get("/bench/find?serial=%20b1%20").headers["Location"] == "/board/1/repair"
    assert "There is no board b1; this is B1" in ada.get("/board/1/repair").get_data(as_text=True)
    for serial in ("Ab", "aB"):
        boards.save(engine, boards.inspection(serial, minute=9))
    asked = ada.get("/bench/find?serial=ab")  # two could be meant
    assert asked.status_code == 404
    assert re.findall(r'href="/board/(\d+)/repair">(\w+)<', asked.get_data(as_text=True)) == [("3", "Ab"), ("4", "aB")]
    assert ada.get("/bench/find?serial=Ab").status_code == 302


def test_the_bench_speaks_of_no_terminal_to_whoever_mistyped(ada: Visitor) -> None:
    answer = ada.get("/bench/find?serial=B<7>")
    assert answer.status_code == 404
    page = answer.get_data(as_text=True)
    assert "There is no board “B&lt;7&gt;” in the records." in page
    assert "meniscope results" not in page
    assert 'value="B&lt;7&gt;"' in page
    assert 'action="/bench/find"' in ada.get("/bench").get_data(as_text=True)
