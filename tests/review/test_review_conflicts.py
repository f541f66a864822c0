"""Two people on one finding: nothing is overruled by a key pressed twice, and everybody is told what stands."""

from __future__ import annotations

import re

import pytest
import review_boards as boards

pytest.importorskip("flask", reason="the extra `review` is not installed")

from flask import Flask
from page_client import Visitor
from sqlalchemy import Engine

from vision.review.boards import load_case
from vision.review.decisions import Actor, Decision, NotTakenBackError, decide, settle, undo

LIVE = ('data-key="1"', 'data-key="2"', 'data-key="3"')


@pytest.fixture
def bo(app: Flask) -> Visitor:
    visitor = Visitor(app)
    visitor.log_in("Bo")
    return visitor


def call_of(engine: Engine, finding: int) -> tuple[str, str]:
    standing = load_case(engine, finding).found.standing
    assert standing is not None
    return standing.reviewer, standing.call


def test_the_page_of_a_conflict_has_nothing_to_decide_with(ada: Visitor, bo: Visitor, engine: Engine) -> None:
    seen = bo.version(5)
    ada.decide(5, "real", note="sure")
    page = bo.post("/finding/5", {"call": "false_call", "version": seen, "note": "good"}).get_data(as_text=True)
    assert "Ada decided" in page
    assert "“sure”" in page
    for live in (*LIVE, 'name="call"'):
        assert live not in page
    assert 'value="good"' in page
    again = bo.get("/finding/5").get_data(as_text=True)
    assert 'name="call"' not in again
    assert call_of(engine, 5) == ("Ada", "real")


def test_settling_is_a_step_of_its_own_without_keys(ada: Visitor, bo: Visitor, engine: Engine) -> None:
    ada.decide(5, "real", corrected="chip_missing" if load_case(engine, 5).found.chip_id else "blowhole", note="sure")
    asked = bo.post("/finding/5/settle", {"note": "good", "corrected": ""})
    page = asked.get_data(as_text=True)
    assert asked.status_code == 200
    assert "Ada decided <strong>real defect" in page
    assert 'value="good"' in page
    assert 'name="call" value="false_call"' in page
    for live in (*LIVE, "autofocus"):
        assert live not in page
    assert call_of(engine, 5) == ("Ada", "real")
    bo.post("/finding/5/settle", {"call": "false_call", "version": bo.version(5, "/settle"), "note": "good"})
    assert call_of(engine, 5) == ("Bo", "false_call")


def test_a_finding_that_waits_has_nothing_to_settle(bo: Visitor) -> None:
    page = bo.get("/finding/5/settle").get_data(as_text=True)
    assert "Settle:" not in page
    assert 'data-key="1"' in page


def test_who_was_overruled_is_told_by_whom(app: Flask, ada: Visitor, bo: Visitor, engine: Engine) -> None:
    ada.decide(5, "real")
    bo.post("/finding/5/settle", {"call": "false_call", "version": bo.version(5, "/settle")})
    undo_path = re.search(r'action="(/undo/\d+)"', ada.get("/finding/1").get_data(as_text=True))
    assert undo_path is not None
    refused = ada.post(undo_path[1])
    page = refused.get_data(as_text=True)
    assert refused.status_code == 409
    assert "Bo settled this finding as “false call” after your decision “real defect”" in page
    assert "Not taken back" in page
    assert "Not saved" not in page
    assert 'href="/finding/5"' in page
    assert "/undo/" not in ada.get("/finding/1").get_data(as_text=True)  # not offered again


def test_what_was_taken_back_by_oneself_is_told_so(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    finding = boards.findings(engine, key)["C1 chip_shifted"]
    review = decide(engine, finding, Decision("real"), Actor("Ada"), version=0)
    undo(engine, review, Actor("Ada"))
    with pytest.raises(NotTakenBackError, match="you took this decision back already"):
        undo(engine, review, Actor("Ada"))
    second = decide(engine, finding, Decision("real"), Actor("Ada"), version=2)
    settle(engine, finding, Decision("false_call"), Actor("Bo"), version=3)
    with pytest.raises(NotTakenBackError, match="Bo settled this finding") as caught:
        undo(engine, second, Actor("Ada"))
    assert caught.value.finding_id == finding


def test_undo_keeps_the_note_and_the_corrected_finding_in_their_fields(ada: Visitor, bo: Visitor) -> None:
    ada.decide(1, "real", note="a long note", corrected="no_solder")
    undo_path = re.search(r'action="(/undo/\d+)"', ada.get("/finding/2").get_data(as_text=True))
    assert undo_path is not None
    page = ada.post(undo_path[1], follow_redirects=True).get_data(as_text=True)
    assert 'value="a long note"' in page
    assert '<option value="no_solder" selected>' in page
    assert "a long note" not in bo.get("/finding/1").get_data(as_text=True)  # it is Ada's, and not said yet
