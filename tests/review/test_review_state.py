"""A board's way: decide, settle, mend, grade again, closed; it closes only when its newest inspection passes."""

from __future__ import annotations

import pytest
import review_boards as boards
from sqlalchemy import Engine

from vision.review.boards import load_board
from vision.review.decisions import Actor, Decision, decide, report_escape, settle, undo
from vision.review.repair import record_repair
from vision.review.state import ASKS, bench_boards, board_state, history

ADA, BO = Actor("Ada"), Actor("Bo")
ONE = {"J1.1": [("partial_wetting", 200.0, "reject")]}


def kind(engine: Engine) -> str:
    return board_state(engine, 1).kind


def only(engine: Engine, key: int) -> int:
    (finding,) = boards.findings(engine, key).values()
    return finding


def test_the_whole_way_of_a_bad_board(both: Engine) -> None:
    key = boards.save(both, boards.inspection("B1", ONE))
    finding = only(both, key)
    assert kind(both) == "decide"
    decide(both, finding, Decision("real"), ADA, version=0)
    assert kind(both) == "mend"
    assert [board.serial for board in bench_boards(both)] == ["B1"]
    record_repair(both, key, finding_ids=[finding], action="reflowed with flux", note="", by=BO)
    assert kind(both) == "grade again"
    boards.save(both, boards.inspection("B1", ONE, minute=60, take=1))  # it did not work
    assert kind(both) == "decide"
    again = only(both, 2)
    decide(both, again, Decision("real"), ADA, version=0)
    record_repair(both, 2, finding_ids=[again], action="reflowed with flux", note="", by=BO)
    assert kind(both) == "grade again"
    boards.save(both, boards.inspection("B1", minute=120, take=2))
    state = board_state(both, 1)
    assert (state.kind, state.closed, state.inspection_id) == ("closed", True, 3)
    assert bench_boards(both) == []
    assert [event.what for event in history(both, 1)] == [
        "graded: reject", "graded: reject", "graded: accept", "J1.1 partial wetting: real defect",
        "J1.1 mended: reflowed with flux", "J1.1 partial wetting: real defect", "J1.1 mended: reflowed with flux"]


def test_false_calls_alone_close_a_board_and_taking_one_back_opens_it(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", ONE))
    review = decide(engine, only(engine, key), Decision("false_call"), ADA, version=0)
    assert kind(engine) == "closed"
    undo(engine, review, ADA)
    assert kind(engine) == "decide"


def test_cannot_tell_closes_nothing_until_it_is_settled(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", ONE))
    decide(engine, only(engine, key), Decision("cannot_tell"), ADA, version=0)
    assert kind(engine) == "settle"
    settle(engine, only(engine, key), Decision("false_call"), BO, version=1)
    assert kind(engine) == "closed"


def test_a_missed_defect_opens_an_accepted_board(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1"))
    assert kind(engine) == "closed"
    escape = report_escape(engine, key, joint_id=2, chip_id=None, finding="blowhole", note="", by=ADA)
    assert kind(engine) == "mend"
    record_repair(engine, key, finding_ids=[], escape_ids=[escape], action="reflowed with flux", note="", by=BO)
    assert kind(engine) == "grade again"


def test_an_ungraded_board_is_never_closed(engine: Engine) -> None:
    boards.save(engine, boards.inspection("B1"))
    boards.save(engine, boards.inspection("B1", verdict="ungraded", minute=5, take=1))
    assert kind(engine) == "take pictures"
    assert "not accepted" in board_state(engine, 1).asks


def test_a_false_call_made_after_mending_does_not_close_a_board_that_was_heated(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    found = boards.findings(engine, key)
    record_repair(engine, key, finding_ids=[found["C1 chip_shifted"]], action="chip replaced", note="", by=BO)
    for name, finding in found.items():
        if name not in ("C1 chip_shifted", "X2.1 blowhole", "J1.3 bridge"):
            decide(engine, finding, Decision("false_call"), ADA, version=0)
    assert load_board(engine, key)[0].open_findings == 0
    assert kind(engine) == "grade again"


@pytest.mark.parametrize("words", ASKS.values())
def test_every_state_says_what_it_asks_for(words: str) -> None:
    assert words.endswith(".")


def test_a_board_closed_by_false_calls_does_not_say_that_it_passed(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", ONE))
    decide(engine, only(engine, key), Decision("false_call"), ADA, version=0)
    state = board_state(engine, 1)
    assert (state.kind, state.asks) == ("closed", "A person called all findings false.")
    boards.save(engine, boards.inspection("B1", minute=5, take=1))
    assert board_state(engine, 1).asks == "The newest inspection passed."


@pytest.mark.parametrize(("kind", "words"), ASKS.items())
def test_no_state_says_its_kind_twice(kind: str, words: str) -> None:
    """Pages print the kind in bold and what it asks for behind it."""
    assert not words.lower().startswith(kind)


def test_history_names_places_and_speaks_in_words(both: Engine) -> None:
    key = boards.save(both, boards.inspection("B1", boards.MIXED))
    found = boards.findings(both, key)
    decide(both, found["J1.5 partial_wetting"], Decision("real", "non_wetting"), ADA, version=0)
    settle(both, found["J1.5 partial_wetting"], Decision("real", "no_solder"), BO, version=1)
    report_escape(both, key, joint_id=3, chip_id=None, finding="lead_missing", note="", by=ADA)
    decide(both, found["C1 chip_shifted"], Decision("real"), ADA, version=0)
    record_repair(both, key, finding_ids=[found["C1 chip_shifted"]], action="chip replaced", note="", by=BO)
    assert [event.what for event in history(both, 1)][1:] == [
        "J1.5 partial wetting: real defect, really non-wetting",
        "J1.5 partial wetting: settled, real defect, really no solder; Ada had said real defect",
        "J1.3 missed defect reported: lead missing", "C1 chip shifted: real defect",
        "C1 mended: chip replaced"]
