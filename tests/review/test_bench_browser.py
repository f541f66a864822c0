"""The repair bench in a real browser: paper from the page, the tablet's first screen, the place after a repair."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("flask", reason="the extra `review` is not installed")

import review_boards as boards
from browser import Browser, Open
from sqlalchemy import Engine

from vision.review.practice import CAUTIONS
from vision.review.repair import repair_sheet
from vision.review.sheet import sheet_html


@pytest.fixture
def bench(engine: Engine, people: Open) -> Browser:
    """Return Ada's browser before a board with three stops."""
    boards.save(engine, boards.inspection("B1", boards.MIXED))
    return people("Ada")


def printed(browser: Browser, look: str) -> None:
    """Show what a printer gets, with a system that prefers a light or a dark look."""
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {
        "media": "print", "features": [{"name": "prefers-color-scheme", "value": look}]})


def shown(browser: Browser, selector: str) -> list[bool]:
    return list(browser.js("return [...document.querySelectorAll(arguments[0])].map("
                           "(one) => one.getBoundingClientRect().height > 0)", selector))


@pytest.mark.parametrize("look", ["light", "dark"])
def test_paper_from_the_page_can_report_back_and_is_dark_on_white(bench: Browser, look: str) -> None:
    bench.open("/board/1/repair")
    assert shown(bench, ".sign") == [False] * 3
    printed(bench, look)
    assert shown(bench, ".sign") == [True] * 3
    assert bench.js("return document.querySelector('.sign').innerText").startswith("Done: ____")
    assert shown(bench, ".mend, .top, .paper, .bench-map form").count(True) == 0
    for selector, what, wanted in (
            (".stop-number", "color", "rgb(0, 0, 0)"), (".stop-number", "borderTopColor", "rgb(0, 0, 0)"),
            (".map .board", "fill", "rgb(238, 240, 242)"), (".map-name", "fill", "rgb(0, 0, 0)"),
            (".m-stop", "fill", "rgb(0, 0, 0)"), (".m-label", "fill", "rgb(255, 255, 255)"),
            ("body", "color", "rgb(0, 0, 0)"), (".card", "backgroundColor", "rgb(255, 255, 255)")):
        assert bench.js("return getComputedStyle(document.querySelector(arguments[0]))[arguments[1]]", selector,
                        what) == wanted, (selector, what)


def test_a_look_chosen_as_dark_does_not_reach_the_paper(bench: Browser) -> None:
    bench.open("/board/1/repair")
    bench.js("document.documentElement.dataset.look = 'dark'")
    printed(bench, "light")
    assert bench.js("return getComputedStyle(document.querySelector('.map .board')).fill") == "rgb(238, 240, 242)"


AFTER = """
const after = document.querySelector(".after"), stop = [...document.querySelectorAll(".stop")].at(-1);
const cautions = document.querySelector(".cautions");
return [after.innerText, stop.compareDocumentPosition(after) & 4, after.compareDocumentPosition(cautions) & 4,
        getComputedStyle(after).breakBefore, [...document.querySelectorAll(".cautions dl > div")].map(
            (one) => [one.querySelector("dt").innerText, getComputedStyle(one).breakInside])];
"""


def show(bench: Browser, engine: Engine, folder: Path, paper: str) -> None:
    """Open the first board's repair sheet, as a page or as the file that the command writes."""
    if paper == "page":
        bench.open("/board/1/repair")
    else:
        file = folder / "sheet.html"
        file.write_text(sheet_html(repair_sheet(engine, 1, boards.family()), boards.family(), {}), encoding="utf-8")
        bench.driver.get(file.as_uri())


@pytest.mark.parametrize("paper", ["page", "file"])
def test_what_to_do_afterwards_follows_the_last_stop_and_no_caution_is_split(bench: Browser, engine: Engine,
                                                                             tmp_path: Path, paper: str) -> None:
    show(bench, engine, tmp_path, paper)
    printed(bench, "dark")
    words, behind_stop, before_cautions, breaks, cautions = bench.js(AFTER)
    assert words.startswith("After mending: clean the board and take it back to the camera.")
    assert behind_stop
    assert before_cautions
    assert breaks == "avoid"
    assert cautions == [[name, "avoid"] for name, _ in CAUTIONS]


@pytest.mark.parametrize("paper", ["page", "file"])
def test_the_first_stop_stands_on_the_first_sheet_of_paper(bench: Browser, engine: Engine, tmp_path: Path,
                                                           paper: str) -> None:
    """A4 less margins of 12 mm is 273 mm high; 96 px an inch."""
    show(bench, engine, tmp_path, paper)
    printed(bench, "light")
    bench.size(round(186 / 25.4 * 96), 1032)
    assert bench.js("return document.querySelector('.stop').getBoundingClientRect().bottom") < 273 / 25.4 * 96


@pytest.mark.parametrize(("width", "height"), [(1024, 768), (1280, 800)])
def test_a_tablet_s_first_screen_shows_the_first_stop(bench: Browser, width: int, height: int) -> None:
    bench.size(width, height)
    bench.open("/board/1/repair")
    where = bench.js("const one = document.querySelector('.stop').getBoundingClientRect(); return [one.top, one.left]")
    assert where[0] < height - 150
    assert where[0] >= 0
    seen = bench.js("const one = document.querySelector('.map').getBoundingClientRect(); return [one.right, one.width]")
    assert seen[0] <= where[1]  # beside the map
    assert seen[1] >= 300


def test_a_touch_that_bounces_does_not_take_the_repair_back(bench: Browser, engine: Engine) -> None:
    """Where the one button was, the next page shows the other."""
    bench.open("/board/1/repair")
    bench.when_a_page_comes("document.querySelector('.stop-done .mend button')?.dispatchEvent("
                            "new MouseEvent('click', {detail: 1, bubbles: true, cancelable: true}))")
    bench.js("document.querySelector('.stop .main-button').click()")
    bench.wait(lambda: any(shown(bench, ".stop-done")), "the mended stop")
    bench.wait_awake()
    assert shown(bench, ".stop-done") == [True]
    assert [done.undo is not None for done in repair_sheet(engine, 1, boards.family()).done] == [True]


@pytest.mark.parametrize(("width", "height"), [(768, 1024), (800, 1180)])
def test_upright_a_tablet_s_first_screen_shows_map_and_first_stop(bench: Browser, width: int, height: int) -> None:
    bench.size(width, height)
    bench.open("/board/1/repair")
    box = "return document.querySelector(arguments[0]).getBoundingClientRect().toJSON()"
    seen = {what: bench.js(box, what) for what in (".map", ".defers", ".first-caution", ".stop", ".stop .seen")}
    assert seen[".map"]["height"] >= 180
    assert seen[".defers"]["bottom"] <= seen[".map"]["top"]
    assert seen[".map"]["bottom"] <= seen[".first-caution"]["top"]
    assert seen[".stop .seen"]["bottom"] <= height  # place, what is wrong, and picture
    bench.js("[...document.querySelectorAll('.stop .main-button')].at(-1).focus()")
    button, drawn = bench.js("return document.activeElement.getBoundingClientRect().toJSON()"), bench.js(box, ".map")
    assert drawn["top"] >= 0  # the map stays
    assert drawn["bottom"] <= button["top"]
    assert button["bottom"] <= height
    bench.js("document.querySelector('.to-ways').click()")
    ways = bench.js(box, "#ways")
    assert 0 <= ways["top"] <= ways["bottom"] <= height


def test_the_page_stays_at_the_stop_that_was_mended_and_at_the_one_taken_back(bench: Browser) -> None:
    bench.open("/board/1/repair?turn=90")
    number = bench.js("return [...document.querySelectorAll('.stop')].at(-1).id")
    bench.js("document.querySelector(`#${arguments[0]} .main-button`).click()", number)
    bench.wait(lambda: bench.path == f"/board/1/repair?side=bottom&turn=90#{number}", "the stop")
    bench.wait(lambda: f"#{number}" in bench.path and bool(shown(bench, f"#{number}.stop-done")), "the mended stop")
    inside = "const at = document.getElementById(arguments[0]).getBoundingClientRect(); " \
             "return at.top >= 0 && at.top < innerHeight"
    assert bench.js(inside, number)
    assert bench.js("return scrollY") > 0
    bench.js("document.querySelector(`#${arguments[0]} .mend button`).click()", number)
    bench.wait(lambda: bool(shown(bench, f"#{number}.stop")), "the stop again")
    assert bench.js(inside, number)
    assert [words for words in bench.complaints() if "/picture/" not in words] == []  # this board has no pictures
