"""What the pages must say: what a verdict is for, cautions, zones of times, and that ungraded is not accepted."""

from __future__ import annotations

import re
import time

import pytest
import review_boards as boards

pytest.importorskip("flask", reason="the extra `review` is not installed")

from page_client import Visitor
from sqlalchemy import Engine

from vision.review.app import create_app
from vision.review.shop import Settings


@pytest.fixture
def ada(engine: Engine) -> Visitor:
    boards.save(engine, boards.inspection("B1", boards.MIXED))
    visitor = Visitor(create_app(engine, Settings(passwords=False)))
    assert visitor.log_in("Ada").status_code == 302
    return visitor


def test_a_finding_s_page_says_what_a_verdict_is_for_and_names_the_zone(
        ada: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Etc/GMT-5")
    time.tzset()
    try:
        page = ada.get("/finding/1").get_data(as_text=True)
        assert re.search(r"graded \d{4}-\d\d-\d\d \d\d:\d\d \+05", page)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert "A verdict supports a trained person and does not replace one." in page


def test_a_board_that_could_not_be_graded_is_told_as_not_accepted(ada: Visitor, engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B9", minute=9, verdict="ungraded"))
    page = ada.get(f"/board/{key}/repair").get_data(as_text=True)
    assert "This board could not be graded: no picture of view v1; it is not accepted." in page
    assert "Nothing to mend" not in page
    page = ada.get(f"/board/{key}").get_data(as_text=True)
    assert "Could not be graded: no picture of view v1. It is not accepted." in page
    assert "Nothing was found" not in page


def test_a_repair_page_without_a_stop_does_not_speak_of_hot_irons(ada: Visitor, engine: Engine) -> None:
    assert "Hot iron" in ada.get("/board/1/repair").get_data(as_text=True)
    key = boards.save(engine, boards.inspection("B9", minute=9))
    page = ada.get(f"/board/{key}/repair").get_data(as_text=True)
    assert "Nothing to mend." in page
    for words in ("Hot iron", "Take care", "no instruction", "open ring"):
        assert words not in page, words


def test_a_repair_page_cautions_before_its_first_stop(ada: Visitor) -> None:
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert page.index("Before the first stop: the iron is at") < page.index('id="stop1"')
