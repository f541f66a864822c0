"""The work on the page as a program sees it: from a finding to a closed board, alone and with others."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
import review_boards as boards

pytest.importorskip("flask", reason="the extra `review` is not installed")

from flask import Flask
from page_client import Visitor
from sqlalchemy import Engine

from vision.review.boards import Found, load_board, load_case
from vision.review.drawing import value_scale
from vision.review.state import board_state


def test_a_finding_is_shown_with_all_that_a_decision_needs(ada: Visitor) -> None:
    page = ada.get("/finding/1").get_data(as_text=True)
    assert "coverage 212 deg, needs at least 270 deg" in page
    assert "1 of 6 to decide" in page
    for layer in ("all", "light0", "light1", "slope"):
        assert f"/picture/finding/1/{layer}.jpg" in page
    assert "/picture/good/1/all.jpg" in page
    assert "J2" not in re.sub(r'value="[^"]*"', "", page)  # the form's random mark may hold any letters
    assert 'aria-label="Board map: J1.1 is marked"' in page
    assert "data-preload=\"/picture/finding/2/all.jpg" in page


def test_deciding_goes_on_through_the_board_and_to_the_next(ada: Visitor, engine: Engine) -> None:
    found = boards.findings(engine, 1)
    order = [key for name, key in found.items() if name not in ("X2.1 blowhole", "J1.3 bridge")]
    assert ada.get("/next").headers["Location"] == f"/finding/{order[0]}"
    for key, following in pairwise(order):
        assert ada.decide(key, "real").headers["Location"] == f"/finding/{following}"
    assert ada.decide(order[-1], "false_call").headers["Location"] == "/board/1/done"
    assert load_board(engine, 1)[0].open_findings == 0


def test_undo_brings_the_finding_back(ada: Visitor, engine: Engine) -> None:
    ada.decide(1, "real", note="sure")
    page = ada.get("/finding/2").get_data(as_text=True)
    undo = re.search(r'action="(/undo/\d+)"', page)
    assert undo is not None
    assert "Last: B1 J1.1, partial wetting: real defect" in page
    assert ada.post(undo[1]).headers["Location"] == "/finding/1"
    assert "Taken back. The finding waits again." in ada.get("/finding/1").get_data(as_text=True)
    assert load_case(engine, 1).found.standing is None
    assert ada.post(undo[1]).status_code == 409


def test_two_people_on_one_finding(app: Flask, ada: Visitor, engine: Engine) -> None:
    bo = Visitor(app)
    bo.log_in("Bo")
    seen = bo.version(1)
    ada.decide(1, "real")
    refused = bo.post("/finding/1", {"call": "false_call", "version": seen, "note": "looks good to me"})
    page = refused.get_data(as_text=True)
    assert refused.status_code == 409
    assert "Ada decided “real defect” while you were looking" in page
    assert 'value="looks good to me"' in page  # what Bo typed is not lost
    assert load_board(engine, 1)[0].open_findings == 5
    assert [item for item in boards.trail(engine) if item[1] == "decide"] == [("Ada", "decide")]


def test_two_people_are_sent_to_two_boards(app: Flask, ada: Visitor, engine: Engine) -> None:
    ada.get(ada.get("/next").headers["Location"])
    bo = Visitor(app)
    bo.log_in("Bo")
    assert bo.get("/next").headers["Location"] == f"/finding/{min(boards.findings(engine, 2).values())}"
    assert "Ada looks at this board too." in bo.get("/finding/1").get_data(as_text=True)


def test_a_board_put_off_comes_back_last(ada: Visitor, engine: Engine) -> None:
    second = min(boards.findings(engine, 2).values())
    assert ada.post("/later/1", follow_redirects=False).headers["Location"] == "/next"
    assert ada.get("/next").headers["Location"] == f"/finding/{second}"
    ada.post(f"/later/{second}")
    assert ada.get("/next").headers["Location"] == "/finding/1"


def test_from_finding_to_closed(ada: Visitor, engine: Engine) -> None:
    """The way of a board over the page; grading again is the pipeline's."""
    found = boards.findings(engine, 1)
    for name, key in found.items():
        if name not in ("X2.1 blowhole", "J1.3 bridge"):  # the bridge is decided at its other end
            ada.decide(key, "real" if name.startswith("C1") else "false_call")
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "Usually: Heat both ends together" in page
    assert "Real defects wait for the iron." in page
    assert "at most 3 s a contact" in page
    done = ada.post("/board/1/repair", {"finding": str(found["C1 chip_shifted"]), "action": "chip replaced"})
    assert done.status_code == 302
    assert "Recorded: 1 finding mended by Ada." in ada.get("/board/1/repair").get_data(as_text=True)
    assert board_state(engine, 1).kind == "grade again"
    assert "B1" in ada.get("/bench").get_data(as_text=True)
    boards.save(engine, boards.inspection("B1", minute=99, take=1))
    assert ada.get("/find?serial=B1").headers["Location"] == "/board/3"
    assert "<strong>Closed.</strong> The newest inspection passed." in ada.get("/board/3").get_data(as_text=True)
    assert "B1" not in ada.get("/bench").get_data(as_text=True)


def found_at(page: str) -> list[tuple[str, str]]:
    """Return the boards that a search lists: key and serial."""
    return re.findall(r'href="/board/(\d+)">([^<]+)<', page[page.index('id="missing"'):].partition("</form>")[0])


def test_a_search_in_vain_lists_serials_that_read_alike(ada: Visitor, engine: Engine) -> None:
    for serial in ("PSU-00417", "PSU-00471", "OTHER-9"):
        boards.save(engine, boards.inspection(serial, minute=9))
    for typed, listed in (("0417", {"PSU-00417"}), ("psu-0041", {"PSU-00417", "PSU-00471"}),
                          ("PSU-O0417", {"PSU-00417", "PSU-00471"}), ("OTHER-8", {"OTHER-9"})):
        answer = ada.get(f"/find?serial={typed}")
        page = answer.get_data(as_text=True)
        assert answer.status_code == 404
        assert f"There is no board “{typed}” in the records. Is it" in page
        assert f'value="{typed}"' in page
        assert {serial for _, serial in found_at(page)} == listed, typed
    assert ada.get("/find?serial=psu-00417").headers["Location"] == "/board/3"
    assert "There is no board psu-00417; this is PSU-00417" in ada.get("/board/3").get_data(as_text=True)


@pytest.mark.parametrize("typed", ["ZZ-77777", "<b>", "%25", "_", "%00"])
def test_a_search_in_vain_speaks_of_no_terminal(ada: Visitor, typed: str) -> None:
    answer = ada.get(f"/find?serial={typed}")
    page = answer.get_data(as_text=True)
    assert answer.status_code == 404
    assert "in the records. Read the serial off the board’s label once more." in page
    assert "meniscope results" not in page
    assert found_at(page) == []
    assert "To the boards that wait" not in page  # the queue itself, to search once more


def test_a_serial_of_several_families_is_asked_about(ada: Visitor, engine: Engine) -> None:
    other = boards.family("other-9")
    boards.save(engine, boards.inspection("B1", minute=9, of=other), of=other)
    page = ada.get("/find?serial=B1").get_data(as_text=True)
    assert "Boards of several families have the serial “B1”. Which one is it?" in page
    assert found_at(page) == [("1", "B1"), ("3", "B1")]
    assert "other-9" in page


def test_a_missed_defect_is_reported_from_the_board(ada: Visitor, engine: Engine) -> None:
    ada.post("/board/2/missed", {"place": "X2.3", "finding": "no_solder"})
    ada.post("/board/2/missed", {"place": "C2", "finding": "chip_missing"})
    page = ada.get("/board/2/repair").get_data(as_text=True)
    assert "X2.3: no solder" in page
    assert "C2: chip missing" in page
    assert ada.post("/board/2/missed", {"place": "X2.3", "finding": "chip_missing"}).status_code == 400
    assert ada.post("/board/2/missed", {"place": "X9.3", "finding": "no_solder"}).status_code == 404


def test_blind_mode_hides_the_opinion_of_the_program(ada: Visitor, engine: Engine) -> None:
    page = ada.get("/blind").get_data(as_text=True)
    body = page[page.index("<main"):]
    for word in ("reject", "needs at", "limit", "coverage", "/picture/finding/", "Rule", "verdict"):
        assert word not in body
    seen = set()
    for _ in range(4):
        look = re.search(r'name="look" value="([\d-]+)"', ada.get("/blind").get_data(as_text=True))
        assert look is not None
        seen.add(look[1])
        ada.post("/blind", {"look": look[1], "call": "real", "corrected": "blowhole"})
    assert len(seen) >= 3
    assert load_board(engine, 1)[0].open_findings == 6
    assert {action for _, action in boards.trail(engine)} <= {"login", "blind", "control"}
    stale = ada.post("/blind", {"look": "1-9999", "call": "real"})
    assert stale.status_code == 302
    assert "nothing was saved" in ada.get("/blind").get_data(as_text=True)


def test_disagreement_is_settled_over_the_page_by_who_may(locked: Flask, engine: Engine) -> None:
    ada, bo = Visitor(locked), Visitor(locked)
    ada.log_in("Ada", "three green boats")
    bo.log_in("Bo", "seven tall lamps")
    bo.decide(1, "cannot_tell")
    assert "somebody could not tell" in ada.get("/settle").get_data(as_text=True)
    assert "Only people who may settle" in bo.get("/finding/1").get_data(as_text=True)
    assert bo.post("/finding/1/settle", {"call": "real", "version": "1"}).status_code == 403
    assert ada.post("/finding/1/settle", {"call": "real", "version": ada.version(1, "/settle"),
                                              "unseen": "yes"}).headers["Location"] == "/settle"
    assert "Nothing is to be settled." in ada.get("/settle").get_data(as_text=True)


def test_the_rules_page_shows_how_false_calls_developed(ada: Visitor) -> None:
    ada.decide(1, "false_call")
    page = ada.get("/rules").get_data(as_text=True)
    assert "partial wetting when coverage below 270 deg" in page
    assert "1 false call</strong> of 1 decided: 100 %" in page
    assert re.search(r"<th scope=\"col\">20\d\d-W\d\d</th>", page)


def test_the_marks_lie_over_the_picture_and_can_be_left_out_without_scripts(ada: Visitor) -> None:
    page = ada.get("/finding/1").get_data(as_text=True)
    assert '<svg class="marks"' in page
    assert 'data-marks="on"' in page
    assert page.count('class="bar"') == 2  # both pictures at one scale
    switch = re.search(r'data-key="m" data-marks-switch href="([^"]+)"', page)
    assert switch is not None
    assert "marks=off" in switch[1]
    assert 'data-marks="off"' in ada.get(switch[1].replace("&amp;", "&")).get_data(as_text=True)


def test_the_queue_tells_its_key(ada: Visitor) -> None:
    page = ada.get("/").get_data(as_text=True)
    assert "<kbd>Enter</kbd>" in page
    assert "accesskey" not in page


def scale(**more: object) -> str:
    values: dict[str, object] = {
        "id": 1, "inspection_id": 1, "joint_id": 1, "chip_id": None, "place": "J1.1", "view": "v1",
        "finding": "bridge", "verdict": "reject", "measure": "bridge_width_mm", "value": 0.7029, "limit": 0.1,
        "side": "above", "guard": 0.1, "source": "", "rule": 0, "x_mm": 0.0, "y_mm": 0.0, "other": ""} | more
    return value_scale(Found(**values))  # type: ignore[arg-type]


@pytest.mark.parametrize("more", [
    {}, {"value": 0.1041}, {"measure": "lead_visible", "value": 0.0, "limit": 0.05, "side": "below", "guard": 0.11},
    {"measure": "land_cover_pct", "value": 0.0, "limit": 3.5, "side": "below", "guard": 36.0},
    {"measure": "coverage_deg", "value": 96.0, "limit": 270.0, "side": "below", "guard": 11.0},
    {"measure": "coverage_deg", "value": 269.9, "limit": 270.0, "side": "below", "guard": 0.0},
    {"measure": "convexity", "value": 0.1147, "limit": 0.125, "guard": 0.04, "verdict": "review"},
])
def test_a_scale_cuts_no_word_off_and_names_its_zones(more: dict[str, object]) -> None:
    drawn = scale(**more)
    texts = re.findall(r'<text class="([^"]+)" x="([\d.-]+)" y="([\d.]+)" text-anchor="middle">([^<]+)<', drawn)
    rows: dict[str, list[tuple[float, float]]] = {}
    for _, x, y, words in texts:
        half = len(words) * 7.0 / 2.0  # letters of 13 px are hardly wider
        assert float(x) - half >= 0.0, words
        assert float(x) + half <= 360.0, words
        rows.setdefault(y, []).append((float(x) - half, float(x) + half))
    for spans in rows.values():
        for before, after in pairwise(sorted(spans)):
            assert before[1] <= after[0]
    names = [words for *_, words in texts]
    assert "reject" in names
    assert ("review" in names) == (more.get("guard", 0.1) != 0.0)
    assert ("url(#s-hatch)" in drawn.partition("</defs>")[2])  # in grey the guard is told by its hatch


def test_a_process_indicator_s_scale_does_not_speak_of_rejecting() -> None:
    drawn = scale(finding="blowhole", verdict="indicator", measure="pit_diameter_mm", value=0.18, limit=0.165,
                  guard=0.0)
    assert ">indicator<" in drawn
    assert ">reject<" not in drawn
