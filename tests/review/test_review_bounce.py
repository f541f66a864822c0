"""In a headless browser: a key or a touch that bounces, or is held, acts on no second page."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("flask", reason="the extra `review` is not installed")

import review_boards as boards
from browser import Open
from sqlalchemy import Engine

from vision.review.boards import load_board

PRESS = """const press = (type, key, repeat = false) => document.body.dispatchEvent(
    new KeyboardEvent(type, {key, code: `Key ${key}`, repeat, bubbles: true, cancelable: true}));"""
TOUCH = """const touch = (selector) => document.querySelector(selector)?.dispatchEvent(
    new MouseEvent("click", {detail: 1, bubbles: true, cancelable: true}));"""
SENT = "return [...document.forms].some((one) => 'sent' in one.dataset)"


def test_a_key_that_bounces_does_not_decide_the_next_finding(engine: Engine, people: Open, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada = people("Ada")
    ada.open("/finding/1")
    ada.when_a_page_comes(PRESS + "for (const key of '14u') press('keydown', key);")
    ada.keys("1")
    ada.wait(lambda: ada.path == "/finding/2", "the next finding")
    ada.wait_awake()
    assert (ada.path, load_board(engine, 1)[0].open_findings) == ("/finding/2", 5)
    for repeat in ("true", "false"):  # held ever since; not every system says of a repeat that it is one
        ada.js(PRESS + f"press('keydown', '1', {repeat})")
        assert not ada.js(SENT)
    ada.js(PRESS + "press('keyup', '1'); press('keydown', '1', true)")
    assert not ada.js(SENT)
    ada.js(PRESS + "press('keydown', '1')")
    ada.wait(lambda: load_board(engine, 1)[0].open_findings == 4, "the decision")


def test_a_touch_that_bounces_does_not_decide_the_next_finding(engine: Engine, people: Open, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada = people("Ada")
    ada.open("/finding/1")
    ada.wait_awake()
    ada.when_a_page_comes(TOUCH + "touch('button.call.real')")
    ada.js(TOUCH + "touch('button.call.real')")
    ada.wait(lambda: ada.path == "/finding/2", "the next finding")
    ada.wait_awake()
    assert (ada.path, load_board(engine, 1)[0].open_findings) == ("/finding/2", 5)
    ada.js(TOUCH + "touch('button.call.real')")
    ada.wait(lambda: load_board(engine, 1)[0].open_findings == 4, "the decision")


def test_a_key_pressed_while_a_decision_is_on_its_way_does_nothing(engine: Engine, people: Open,
                                                                  tmp_path: Path) -> None:
    for minute, serial in enumerate(("B1", "B2")):
        boards.save(engine, boards.inspection(serial, boards.MIXED, minute=minute,
                                              pictures=boards.shown(tmp_path, serial)))
    ada = people("Ada")
    ada.open("/finding/1")
    ada.wait_awake()
    ada.js(PRESS + "for (const key of '14') press('keydown', key);")  # real defect; board later
    ada.wait(lambda: ada.path == "/finding/2", "the next finding")
    ada.open("/")
    assert "put off by you" not in ada.text()


def test_note_and_lights_answer_at_once(engine: Engine, people: Open, tmp_path: Path) -> None:
    """A note begun at once must not fall on the calls."""
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada = people("Ada")
    ada.when_a_page_comes(PRESS + """press('keydown', 'ArrowRight'); press('keydown', 'n');
        window.early = [document.activeElement.name, document.querySelector('img.large').src];""")
    ada.open("/finding/1")
    name, picture = ada.js("return window.early")
    assert name == "note"
    assert picture.endswith("/light0.jpg")
