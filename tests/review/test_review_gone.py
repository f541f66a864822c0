"""Pictures that are no longer there: the page says so in words, and nobody decides by a key what they cannot see."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

pytest.importorskip("flask", reason="the extra `review` is not installed")

import review_boards as boards
from page_client import Visitor
from sqlalchemy import Engine

from vision.review.boards import load_board

GONE = "B1_v1_a.png: the picture is no longer where it was graded"


@pytest.fixture
def blind(ada: Visitor, tmp_path: Path) -> Visitor:
    """Return a person at a board whose picture was removed."""
    (tmp_path / "pictures" / "B1_v1_a.png").unlink()
    return ada


def test_the_page_says_which_picture_is_gone(blind: Visitor, engine: Engine) -> None:
    page = blind.get("/finding/1").get_data(as_text=True)
    assert page.count(GONE) >= 2  # above all, and in place of the picture
    assert '<img class="large" data-set="this"' not in page
    other = max(found.id for found in load_board(engine, 2)[1])
    assert "no longer" not in blind.get(f"/finding/{other}").get_data(as_text=True)


def test_only_cannot_tell_stays_on_a_key(blind: Visitor) -> None:
    page = blind.get("/finding/1").get_data(as_text=True)
    assert 'data-key="1"' not in page
    assert 'data-key="2"' not in page
    assert 'data-key="3"' in page
    assert 'name="unseen" value="yes" required' in page


def test_nothing_is_decided_unseen_without_saying_so(blind: Visitor, engine: Engine) -> None:
    for call in ("real", "false_call"):
        refused = blind.decide(1, call, unseen="", note="typed")
        page = refused.get_data(as_text=True)
        assert refused.status_code == 400
        assert "Nothing was saved: the picture cannot be shown" in page
        assert 'value="typed"' in page
    assert load_board(engine, 1)[0].open_findings == 6
    assert blind.decide(1, "real").status_code == 302  # board in hand
    assert blind.decide(2, "cannot_tell", unseen="").status_code == 302
    assert load_board(engine, 1)[0].open_findings == 4


@pytest.fixture
def looks(ada: Visitor, tmp_path: Path) -> Visitor:
    """Return a person whose blind looks have no pictures any more."""
    for serial in ("B1", "B2"):
        (tmp_path / "pictures" / f"{serial}_v1_a.png").unlink()
    return ada


def next_look(visitor: Visitor) -> str:
    found = re.search(r'name="look" value="([\d-]+)"', visitor.get("/blind").get_data(as_text=True))
    assert found is not None
    return found[1]


def test_the_blind_page_says_which_picture_is_gone(looks: Visitor) -> None:
    page = looks.get("/blind").get_data(as_text=True)
    assert page.count("_v1_a.png: the picture is no longer where it was graded") == 2
    assert "Judge only with the board itself before you" in page
    assert '<img class="large"' not in page
    assert "/picture/" not in page
    assert re.findall(r'data-key="(\d)"', page) == ["3"]
    assert 'name="unseen" value="yes" required' in page


def test_nobody_judges_blind_what_is_not_shown_without_saying_so(looks: Visitor, engine: Engine) -> None:
    look = next_look(looks)
    for call in ("real", "false_call"):
        refused = looks.post("/blind", {"look": look, "call": call, "note": "typed", "corrected": "blowhole"})
        page = refused.get_data(as_text=True)
        assert refused.status_code == 400
        assert "Nothing was saved: the picture cannot be shown" in page
        assert 'value="typed"' in page
        assert ('value="blowhole" selected' in page) == (call == "real")
    assert boards.trail(engine) == [("Ada", "login")]
    assert looks.post("/blind", {"look": look, "call": "real", "unseen": "yes"}).status_code == 302  # board in hand
    following = next_look(looks)
    assert following != look
    assert looks.post("/blind", {"look": following, "call": "cannot_tell"}).status_code == 302
    assert next_look(looks) not in (look, following)


def test_a_blind_look_that_is_shown_asks_for_no_more(ada: Visitor) -> None:
    page = ada.get("/blind").get_data(as_text=True)
    assert "unseen" not in page
    assert re.findall(r'data-key="(\d)"', page) == ["1", "2", "3"]
    assert ada.post("/blind", {"look": next_look(ada), "call": "real"}).status_code == 302


def test_a_picture_that_is_shown_asks_for_no_more(ada: Visitor) -> None:
    page = ada.get("/finding/1").get_data(as_text=True)
    assert "unseen" not in page
    assert 'data-key="1"' in page
    assert ada.decide(1, "real", unseen="").status_code == 302
