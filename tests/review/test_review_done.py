"""The end of a board: where it goes, which one comes next, and how far one is."""

from __future__ import annotations

import pytest
import review_boards as boards

pytest.importorskip("flask", reason="the extra `review` is not installed")

from page_client import Visitor
from sqlalchemy import Engine

from vision.review.app import create_app
from vision.review.shop import Settings
from vision.review.state import WAYS_ON, board_state

TWO = {"J1.1": [("partial_wetting", 200.0, "reject")], "X2.1": [("blowhole", 0.5, "indicator")],
       "J1.5": [("partial_wetting", 274.0, "review")]}


@pytest.fixture
def ada(engine: Engine) -> Visitor:
    for minute, serial in enumerate(("B1", "B2")):
        boards.save(engine, boards.inspection(serial, TWO, minute=minute))
    visitor = Visitor(create_app(engine, Settings(passwords=False)))
    visitor.log_in("Ada")
    return visitor


@pytest.mark.parametrize(("calls", "way", "asks"), [
    (("real", "false_call"), "B1 is done: to the bench", "Real defects wait for the iron."),
    (("false_call", "false_call"), "B1 is done: back to the line", "A person called all findings false."),
    (("cannot_tell", "false_call"), "B1 is decided so far: put it aside", "a second person has to settle it"),
])
def test_the_end_of_a_board_says_where_it_goes_and_what_comes_next(ada: Visitor, engine: Engine,
                                                                   calls: tuple[str, str], way: str,
                                                                   asks: str) -> None:
    here = boards.findings(engine, 1)
    first, last = here["J1.1 partial_wetting"], here["J1.5 partial_wetting"]
    assert "1 of 2 to decide" in ada.get(f"/finding/{first}").get_data(as_text=True)
    assert ada.decide(first, calls[0]).headers["Location"] == f"/finding/{last}"
    assert "2 of 2 to decide" in ada.get(f"/finding/{last}").get_data(as_text=True)
    assert ada.decide(last, calls[1]).headers["Location"] == "/board/1/done"
    page = ada.get("/board/1/done").get_data(as_text=True)
    assert way in page
    assert asks in page
    following = min(boards.findings(engine, 2).values())
    assert f'href="/finding/{following}" data-key="enter"' in page
    assert "Next board: B2 (2 to decide)" in page
    assert "/undo/" in page


def test_after_the_last_board_nothing_waits(ada: Visitor, engine: Engine) -> None:
    for key in (1, 2):
        for name, finding in boards.findings(engine, key).items():
            if "blowhole" not in name:
                done = ada.decide(finding, "false_call")
    page = ada.get(done.headers["Location"]).get_data(as_text=True)
    assert "No finding waits." in page
    assert "Next board" not in page


def test_a_board_that_waits_is_not_told_as_done(ada: Visitor) -> None:
    assert ada.get("/board/1/done").headers["Location"] == "/next"


def test_every_state_says_where_its_board_goes(engine: Engine) -> None:
    boards.save(engine, boards.inspection("B1"))
    assert board_state(engine, 1).way_on == "is done: back to the line"
    assert len(set(WAYS_ON.values())) == len(WAYS_ON)
