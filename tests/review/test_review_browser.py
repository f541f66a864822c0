"""The page in a real browser: the whole path by keyboard alone, two people at once, accessibility, foreign requests."""

from __future__ import annotations

import itertools
from importlib.util import find_spec
from pathlib import Path

import pytest

pytest.importorskip("flask", reason="the extra `review` is not installed")

import rendered_boards as rendered
import review_boards as boards
from browser import Open
from sqlalchemy import Engine, func, select

from vision.records.database import reading
from vision.records.schema import Repair, Review
from vision.review.boards import load_board, load_case
from vision.review.decisions import Actor, Decision, decide, decide_blind
from vision.review.state import board_state

ENTER, ESCAPE, LEFT, RIGHT = "\ue007", "\ue00c", "\ue012", "\ue014"


def test_from_grading_to_closed_by_keyboard_alone(engine: Engine, people: Open, tmp_path: Path) -> None:
    rendered.render(tmp_path / "first", "B0001", bare=(0, 6))
    (first,) = rendered.grade(engine, tmp_path / "first")
    assert load_board(engine, first)[0].open_findings == 2
    ada = people("Ada")
    ada.wait_text("1 board waits for a decision")
    ada.wait_text("Enter")
    ada.keys(ENTER)  # nothing has the focus: it goes on where the page has one way on
    ada.wait_text("1 of 2 to decide")
    ada.wait(lambda: ada.js("return [...document.images].every((one) => one.complete && one.naturalWidth > 0)"),
             "all pictures")
    for layer in ("light0", "light1"):
        ada.keys(RIGHT)
        ada.wait(lambda layer=layer: layer in ada.js(  # type: ignore[misc]
            "return document.querySelector('img.large').src"), layer)
    ada.keys(LEFT, LEFT, LEFT)
    assert "slope.jpg" in ada.js("return document.querySelector('img.large[data-set=good]').src")
    ada.keys("n", "3 is no decision here", ESCAPE)  # digits in a note decide nothing
    assert load_board(engine, first)[0].open_findings == 2
    ada.keys("1")
    ada.wait_text("2 of 2 to decide")
    ada.keys("2")
    ada.wait_text("B0001 is done: to the bench")
    ada.wait_text("No finding waits.")
    ada.keys("u")
    ada.wait_text("Taken back. The finding waits again.")
    ada.keys("1")
    ada.wait_text("No finding waits.")
    ada.keys(ENTER)
    ada.wait(lambda: ada.path == "/", "the queue")
    calls = [item.standing.call for item in load_board(engine, first)[1] if item.standing is not None]
    assert calls == ["real", "real"]
    noted = load_case(engine, 1).found.standing
    assert noted is not None
    assert noted.note == "3 is no decision here"
    ada.tab_to("Bench")
    ada.keys(ENTER)
    ada.wait_text("Repair bench")
    ada.tab_to("B0001")
    ada.keys(ENTER)
    ada.wait_text("Real defects wait for the iron.")
    for left in (1, 0):
        ada.tab_to("Mended: J1.")
        ada.keys(ENTER)
        ada.wait(lambda left=left: "Recorded: 1 finding mended by Ada." in ada.text()  # type: ignore[misc]
                 and ada.text().count("Mended: J1.") == left, "the repair")
    ada.wait_text("take it back to the camera")
    assert not board_state(engine, 1).closed
    rendered.render(tmp_path / "again", "B0001")
    rendered.grade(engine, tmp_path / "again")
    ada.open("/")
    ada.tab_to("Serial")
    ada.keys("B0001", ENTER)
    ada.wait_text("Closed. The newest inspection passed.")
    assert board_state(engine, 1).closed
    with reading(engine) as connection:
        assert connection.execute(select(func.count(Repair.id))).scalar_one() == 2
    assert ada.complaints() == []


def test_two_browsers_at_once_neither_lose_nor_double(engine: Engine, people: Open, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada, bo = people("Ada"), people("Bo")
    for key in (1, 2, 7):
        for browser in (ada, bo):
            browser.open(f"/finding/{key}")
        bo.keys("n", "typed by Bo", ESCAPE)
        ada.keys("1")
        ada.wait(lambda key=key: not ada.path.startswith(f"/finding/{key}"), "Ada to go on")  # type: ignore[misc]
        bo.keys("2")
        bo.wait_text("Ada decided “real defect” while you were looking")
        assert bo.js("return document.querySelector('[name=note]').value") == "typed by Bo"
        for press in ("2", "1", "2"):  # a second press settles nothing: that is a step of its own
            bo.keys(press)
        bo.js("""[...document.querySelectorAll("button")].find((one) => one.innerText.startsWith("Settle")).click()""")
        bo.wait_text("What you choose here stands instead")
        assert bo.js("return document.querySelector('[name=note]').value") == "typed by Bo"
        assert bo.js("return document.activeElement.closest('form')") is None
        bo.keys("2", "1")
        assert bo.path == f"/finding/{key}/settle"
    with reading(engine) as connection:
        rows = connection.execute(select(Review.reviewer, Review.call)).all()
    assert [tuple(row) for row in rows] == [("Ada", "real")] * 3
    assert load_board(engine, 1)[0].open_findings == 3


def test_single_keys_can_be_turned_off(engine: Engine, people: Open, tmp_path: Path) -> None:
    """WCAG 2.1, success criterion 2.1.4: shortcuts of one character can be turned off."""
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada = people("Ada")
    ada.open("/finding/1")
    ada.keys("?")
    ada.wait_text("Turn single keys off")
    ada.keys(ENTER, ESCAPE, "1")
    ada.open("/finding/2")
    ada.keys("2")
    assert load_board(engine, 1)[0].open_findings == 6
    ada.tab_to("false call")
    ada.keys(ENTER)
    ada.wait(lambda: load_board(engine, 1)[0].open_findings == 5, "the decision")


def test_a_glove_that_touches_twice_decides_once(engine: Engine, people: Open, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada = people("Ada")
    ada.open("/finding/1")
    ada.js("const b = document.querySelector('button.call.real'); b.click(); b.click(); b.click();")
    ada.wait(lambda: ada.path.startswith("/finding/2"), "the next finding")
    assert load_board(engine, 1)[0].open_findings == 5


# --- accessibility ----------------------------------------------------------------------------------------------------

PAGES = ("/", "/finding/1", "/finding/2", "/board/1", "/board/1/repair", "/bench", "/rules", "/settle", "/blind",
         "/finding/999")


def busy_shop(engine: Engine, pictures: Path | None = None) -> None:
    """Something on every page: decisions, a dispute, a repair, a board that could not be graded; B1 with pictures?"""
    boards.save(engine, boards.inspection("B1", boards.MIXED,
                                          pictures=None if pictures is None else boards.shown(pictures, "B1")))
    boards.save(engine, boards.inspection("B2", boards.MIXED, minute=1))
    boards.save(engine, boards.inspection("B3", verdict="ungraded", minute=2))
    decide(engine, 1, Decision("real", note="dull"), Actor("Ada"), version=0)
    decide_blind(engine, 1, Decision("false_call"), Actor("Bo"))
    decide(engine, 3, Decision("cannot_tell"), Actor("Bo"), version=0)
    decide(engine, 5, Decision("false_call"), Actor("Bo"), version=0)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_violation_of_wcag_a_and_aa(engine: Engine, people: Open, scheme: str) -> None:
    """Reference: axe-core, an established accessibility engine, with its rules for WCAG 2.0 and 2.1, A and AA."""
    found = find_spec("axe_core_python")
    if found is None or found.origin is None:
        pytest.skip("axe-core-python is not installed (pip install axe-core-python)")
    engine_code = (Path(found.origin).parent / "axe.min.js").read_text(encoding="utf-8")
    busy_shop(engine)
    ada = people("")
    ada.scheme(scheme)
    pages = ["/login", *PAGES]
    violations: list[str] = []
    for path in pages:
        if path == "/":
            ada.log_in("Ada")
        for width in (1280, 800):
            ada.size(width, 800)
            ada.open(path)
            ada.js(engine_code)
            result = ada.driver.execute_async_script(
                "const done = arguments[arguments.length - 1];"
                "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'best-practice']})"
                ".then(done)")
            assert len(result["passes"]) >= 10
            violations += [f"{path} at {width}: {item['id']}: {node['target']} {node['failureSummary']}"
                           for item in result["violations"] for node in item["nodes"]]
    assert violations == []


SMALL = """
const small = [];
for (const one of document.querySelectorAll("a, button, input:not([type=hidden]), select, summary")) {
  const box = one.getBoundingClientRect();
  const inText = one.matches("p a, li p a, .stop-words a") && !one.matches(".row-link, .main-button, .pager a");
  if (box.width && !one.matches(".skip") && !inText && (box.height < 44 || box.width < 30))
    small.push(`${one.tagName} ${one.innerText} ${box.width}x${box.height}`);
}
return small;
"""


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (1024, 768), (800, 1180)])
def test_targets_fit_gloves_and_nothing_runs_out_of_the_page(engine: Engine, people: Open, width: int,
                                                            height: int) -> None:
    """At least 44 px high: WCAG 2.5.5 (AAA); AA (2.5.8) asks for 24. No sideways scrolling: 1.4.10."""
    busy_shop(engine)
    ada = people("Ada", width=width, height=height)
    for path in PAGES:
        ada.open(path)
        assert ada.js(SMALL) == [], path
        assert ada.js("return document.documentElement.scrollWidth") <= width, path


def test_the_decision_is_in_sight_without_scrolling(engine: Engine, people: Open, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada = people("Ada")
    for width, height in ((1280, 800), (1024, 768), (800, 1180)):
        ada.size(width, height)
        ada.open("/finding/1")
        for what in ("button.call.real", "button.call.cannot_tell", "h1", ".measured", "img.large"):
            box = ada.js("return document.querySelector(arguments[0]).getBoundingClientRect().toJSON()", what)
            assert box["top"] >= 0, (what, width)
            assert box["top"] + min(box["height"], 120) <= height, (what, width)


def test_the_focus_is_always_seen(engine: Engine, people: Open) -> None:
    """WCAG 2.4.7 and 2.4.11: every focused element has a visible outline and is not wholly covered."""
    busy_shop(engine)
    ada = people("Ada")
    for path in ("/", "/finding/2", "/board/1"):
        ada.open(path)
        for _ in range(25):
            ada.keys("\ue004")
            seen = ada.js("""
                const one = document.activeElement, style = getComputedStyle(one), box = one.getBoundingClientRect();
                if (one === document.body) return null;
                const there = document.elementFromPoint(box.left + box.width / 2, box.top + box.height / 2);
                return {outline: style.outlineStyle, width: parseFloat(style.outlineWidth),
                        name: one.outerHTML.slice(0, 90),
                        covered: !(there && (one.contains(there) || there.contains(one)))};""")
            if seen is not None:
                assert seen["outline"] not in ("none", "auto"), seen
                assert seen["width"] >= 2, seen
                assert not seen["covered"], seen


def test_the_page_works_at_twice_the_text_size(engine: Engine, people: Open) -> None:
    """WCAG 1.4.4 and 1.4.10: 640 px stand for 1280 px at 200 %, 320 px for 400 %."""
    busy_shop(engine)
    ada = people("Ada")
    for width, path in itertools.product((640, 320), ("/", "/finding/2", "/board/1", "/board/1/repair", "/settle")):
        ada.size(width, 800)
        ada.open(path)
        assert ada.js("return document.documentElement.scrollWidth") <= width, (path, width)


def test_a_narrow_window_and_a_long_serial_cut_nothing_off(engine: Engine, people: Open, tmp_path: Path) -> None:
    key = boards.save(engine, boards.inspection("B" * 80, boards.MIXED, minute=3,
                                                pictures=boards.shown(tmp_path, "B" * 80)))
    finding = min(boards.findings(engine, key).values())
    ada = people("Ada")
    ada.size(400, 800)
    for path in (f"/finding/{finding}", f"/board/{key}", f"/board/{key}/repair", "/", "/bench", "/blind"):
        ada.open(path)
        assert ada.js("return document.documentElement.scrollWidth") <= 400, path
    wide = ada.js("return [...document.querySelectorAll('img.large')].map(one => one.getBoundingClientRect().right)")
    assert wide and max(wide) <= 400


def test_colour_is_never_alone(engine: Engine, people: Open) -> None:
    """Every verdict has a shape and its word; every call a shape and words."""
    busy_shop(engine)
    ada = people("Ada")
    for path in ("/", "/board/1", "/finding/2"):
        ada.open(path)
        assert ada.js("""return [...document.querySelectorAll('.verdict, .call')].filter((one) =>
            !one.querySelector('svg') || !one.innerText.trim()).length""") == 0
        assert ada.js("return document.querySelectorAll('.verdict').length") >= 1


# --- foreign requests -------------------------------------------------------------------------------------------------


def test_nothing_is_fetched_from_elsewhere_and_nothing_is_blocked(engine: Engine, people: Open, tmp_path: Path) -> None:
    rendered.render(tmp_path / "lot", "B0001", bare=(0,))
    rendered.grade(engine, tmp_path / "lot")
    ada = people("Ada")
    for path in ("/", "/finding/1", "/board/1", "/board/1/repair", "/bench", "/rules", "/settle", "/blind"):
        ada.open(path)
        fetched = ada.js("return performance.getEntriesByType('resource').map((one) => one.name)")
        assert fetched
        assert [name for name in fetched if not name.startswith(ada.base)] == []
    assert ada.complaints() == []


def test_a_script_in_a_note_does_not_run(engine: Engine, people: Open) -> None:
    boards.save(engine, boards.inspection("B1<img src=x onerror=\"document.title='broken in'\">", boards.MIXED))
    decide(engine, 1, Decision("cannot_tell", note="<script>document.title='broken in'</script>"), Actor("Eve"),
           version=0)
    ada = people("Ada")
    for path in ("/", "/finding/1", "/board/1", "/settle", "/board/1/repair"):
        ada.open(path)
        assert ada.driver.title != "broken in"


# --- small and low windows --------------------------------------------------------------------------------------------

BOX = "return document.querySelector(arguments[0]).getBoundingClientRect().toJSON()"


def test_at_twice_the_size_a_low_window_shows_picture_and_decision_at_once(engine: Engine, people: Open,
                                                                         tmp_path: Path) -> None:
    """1366 by 768 px at 200 % are 683 by 384: the bar takes little, and the joint is seen above it (WCAG 1.4.4)."""
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada = people("Ada", width=683, height=384)
    ada.open("/finding/1")
    picture, bar = ada.js(BOX, "img.large"), ada.js(BOX, ".calls")
    assert bar["height"] <= 80
    assert bar["bottom"] <= 384
    assert bar["top"] - picture["top"] >= 100
    ada.js("document.querySelector('img.large').scrollIntoView()")
    picture, bar = ada.js(BOX, "img.large"), ada.js(BOX, ".calls")
    assert picture["top"] >= 0
    assert picture["bottom"] <= bar["top"]  # all of the joint
    assert ada.js("return document.documentElement.scrollWidth") <= 683


def test_on_a_narrow_screen_the_calls_are_beside_the_picture(engine: Engine, people: Open, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada = people("Ada", width=390, height=800)
    ada.open("/finding/1")
    assert ada.js(BOX, ".top")["height"] <= 110
    picture, bar = ada.js(BOX, "img.large"), ada.js(BOX, ".calls")
    assert bar["bottom"] <= 800
    assert picture["bottom"] <= bar["top"]
    for call in ("real", "false_call", "cannot_tell"):
        assert ada.js(f"return document.querySelector('button.call.{call} span').getClientRects().length") == 1
        box = ada.js(BOX, f"button.call.{call}")
        assert box["height"] >= 44
        assert box["right"] <= 390
        words = ada.js(BOX, f"button.call.{call} span")
        assert box["left"] <= words["left"] <= words["right"] <= box["right"]


def test_on_a_narrow_screen_no_column_lies_off_the_edge(engine: Engine, people: Open) -> None:
    busy_shop(engine)
    ada = people("Ada", width=390, height=800)
    for path, columns in (("/", 6), ("/board/1", 5), ("/settle", 4), ("/bench", 6)):
        ada.open(path)
        cells = ada.js("return [...document.querySelectorAll('.stacking tbody tr:first-child > *')].map((one) => "
                       "[one.getBoundingClientRect().right, one.innerText, one.dataset.label])")
        assert len(cells) == columns, path
        assert max(right for right, *_ in cells) <= 390, path
        assert [label for *_, label in cells[1:]] == ada.js(
            "return [...document.querySelectorAll('.stacking thead th')].slice(1).map((one) => one.textContent)")


def test_one_key_hides_the_marks_and_the_choice_is_kept(engine: Engine, people: Open, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1", boards.MIXED, pictures=boards.shown(tmp_path, "B1")))
    ada = people("Ada")
    shown = "return getComputedStyle(document.querySelector('.marks')).display !== 'none'"
    ada.open("/finding/1")
    assert ada.js(shown)
    place, over = ada.js(BOX, "img.large"), ada.js(BOX, ".marks")
    assert [over[side] for side in ("left", "top", "right", "bottom")] == pytest.approx(
        [place[side] for side in ("left", "top", "right", "bottom")], abs=0.5)
    ada.keys("m")
    assert not ada.js(shown)
    ada.wait_text("Marks: off")
    ada.open("/finding/2")
    assert not ada.js(shown)
    ada.keys("m")
    assert ada.js(shown)


def test_without_a_picture_no_key_decides_but_cannot_tell(engine: Engine, people: Open) -> None:
    boards.save(engine, boards.inspection("B1", boards.MIXED))
    ada = people("Ada")
    ada.open("/finding/1")
    ada.keys("1", "2")
    ada.js("document.querySelector('button.call.real').click()")  # the browser itself asks for the tick
    assert ada.path == "/finding/1"
    assert load_board(engine, 1)[0].open_findings == 6
    ada.keys("3")
    ada.wait(lambda: load_board(engine, 1)[0].open_findings == 5, "the decision")
    ada.wait(lambda: ada.path == "/finding/2", "the next finding")
    ada.js("document.querySelector('[name=unseen]').click(); document.querySelector('button.call.real').click()")
    ada.wait(lambda: load_board(engine, 1)[0].open_findings == 4, "the decision")
