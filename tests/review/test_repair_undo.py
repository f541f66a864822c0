"""At the bench: how a repair is taken back, and what that leaves as it was."""

from __future__ import annotations

import pytest
import review_boards as boards
from bench import ADA, BO, mend, mixed, sheet_of, undo_key
from sqlalchemy import Engine, func, select

from vision.records.database import reading
from vision.records.schema import Repair
from vision.review.boards import load_board, repair_counts
from vision.review.decisions import ConflictError, Decision, decide, report_escape, settle, undo
from vision.review.repair import undo_repair
from vision.review.state import board_state, history


def test_a_repair_is_taken_back_with_its_decision_and_stays_in_the_records(both: Engine) -> None:
    key = mixed(both)
    before = board_state(both, 1)
    waiting = load_board(both, key)[0].open_findings
    mend(both, key, "J1.2 and J1.3")
    repair = undo_key(both, key, "J1.2 and J1.3")
    assert repair is not None
    assert len(undo_repair(both, key, repair, BO)) == 2
    assert load_board(both, key)[0].open_findings == waiting
    assert all(item.standing is None for item in load_board(both, key)[1])
    assert board_state(both, 1) == before
    with reading(both) as connection:
        assert connection.execute(select(func.count(Repair.id))).scalar_one() == 2  # nothing is deleted
        assert repair_counts(connection, 1) == {}
    assert boards.trail(both)[-4:] == [("Bo", "undo repair"), ("Bo", "undo")] * 2
    assert [event.what for event in history(both, 1)][-4:] == [
        f"{place} bridge: {what} taken back" for place in ("J1.2", "J1.3") for what in ("repair", "decision")]
    mend(both, key, "J1.2 and J1.3", ADA)  # by anybody, once more
    with reading(both) as connection:
        assert repair_counts(connection, 1) == {"J1.2": 1, "J1.3": 1}
    assert [done.repairer for done in sheet_of(both, key).done] == ["Ada"]


def test_the_same_person_mends_again_after_taking_back(engine: Engine) -> None:
    key = mixed(engine)
    for _ in range(2):
        mend(engine, key, "C1")
        repair = undo_key(engine, key, "C1")
        assert repair is not None
        undo_repair(engine, key, repair, BO)
    mend(engine, key, "C1")
    assert [done.name for done in sheet_of(engine, key).done] == ["C1"]
    decide(engine, boards.findings(engine, key)["J1.1 partial_wetting"], Decision("false_call"), ADA, version=0)
    assert undo_key(engine, key, "C1") is not None


def test_each_repair_of_one_s_own_is_taken_back_whatever_was_mended_since(engine: Engine) -> None:
    key = mixed(engine)
    mend(engine, key, "C1")
    first = undo_key(engine, key, "C1")
    assert first is not None
    with pytest.raises(ConflictError, match="recorded by Bo; only they can take it back"):
        undo_repair(engine, key, first, ADA)
    mend(engine, key, "J1.1", ADA)
    assert undo_key(engine, key, "C1") == first  # another person's does not matter
    mend(engine, key, "J1.2 and J1.3")
    assert undo_key(engine, key, "C1") == first
    undo_repair(engine, key, first, BO)
    assert {done.name for done in sheet_of(engine, key).done} == {"J1.1", "J1.2 and J1.3"}
    for gone in (first, 999):
        with pytest.raises(ConflictError, match="taken back already"):
            undo_repair(engine, key, gone, BO)


ONE = {"J1.1": [("partial_wetting", 200.0, "reject")]}


def test_a_decision_made_before_the_repair_outlives_it(both: Engine) -> None:
    """The joint waits for the iron again, nobody has to decide anew, and nothing counts the repair as done."""
    key = boards.save(both, boards.inspection("B1", ONE))
    (finding,) = boards.findings(both, key).values()
    review = decide(both, finding, Decision("real", note="dull"), ADA, version=0)
    before, asked = board_state(both, 1), load_board(both, key)[1]
    assert before.kind == "mend"
    mend(both, key, "J1.1")
    assert board_state(both, 1).kind == "grade again"
    (done,) = sheet_of(both, key).done
    assert not done.decided
    assert done.undo is not None
    undo_repair(both, key, done.undo, BO)
    assert board_state(both, 1) == before
    assert load_board(both, key)[1] == asked
    assert boards.trail(both)[-2:] == [("Bo", "repair"), ("Bo", "undo repair")]
    assert history(both, 1)[-1].what == "J1.1 partial wetting: repair taken back"
    with reading(both) as connection:
        assert connection.execute(select(func.count(Repair.id))).scalar_one() == 1  # nothing is deleted
        assert repair_counts(connection, 1) == {}
    undo(both, review, ADA)  # no repair stands in its way any more
    mend(both, key, "J1.1")
    assert [done.name for done in sheet_of(both, key).done] == ["J1.1"]


def test_a_decision_given_the_last_word_after_the_repair_outlives_it(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", ONE))
    (finding,) = boards.findings(engine, key).values()
    mend(engine, key, "J1.1")
    settle(engine, finding, Decision("false_call"), ADA, version=1)
    assert board_state(engine, 1).kind == "grade again"  # it was heated
    (done,) = sheet_of(engine, key).done
    assert done.undo is not None
    undo_repair(engine, key, done.undo, BO)
    assert board_state(engine, 1).kind == "closed"  # it was not
    assert sheet_of(engine, key).rows == ()


def test_the_repair_of_a_missed_defect_is_taken_back_alone(both: Engine) -> None:
    """It has no finding to be known by; what was reported and mended there before stays mended."""
    key = boards.save(both, boards.inspection("B1"))
    for finding in ("no_solder", "blowhole"):
        report_escape(both, key, joint_id=9, chip_id=None, finding=finding, note="", by=ADA)
        mend(both, key, "X2.3")
    report_escape(both, key, joint_id=None, chip_id=1, finding="chip_shifted", note="", by=ADA)
    mend(both, key, "C1")
    sheet = sheet_of(both, key)
    assert {done.name for done in sheet.done} == {"C1", "X2.3"}
    assert sheet.mended == 2
    undo_repair(both, key, undo_key(both, key, "X2.3") or 0, BO)
    (stop,) = sheet_of(both, key).stops
    assert [item.finding for item in stop.wrong] == ["blowhole"]
    assert stop.repairs == 1
    assert (board_state(both, 1).kind, board_state(both, 1).mended) == ("mend", 2)
    assert history(both, 1)[-1].what == "X2.3: repair taken back"
    mend(both, key, "X2.3")
    assert board_state(both, 1).kind == "grade again"


def test_no_repair_is_taken_back_once_the_board_was_graded_again(engine: Engine) -> None:
    key = mixed(engine)
    mend(engine, key, "J1.1")
    repair = undo_key(engine, key, "J1.1")
    assert repair is not None
    boards.save(engine, boards.inspection("B1", minute=99, take=1))
    assert undo_key(engine, key, "J1.1") is None
    with pytest.raises(ConflictError, match="the board was graded again, and its new inspection"):
        undo_repair(engine, key, repair, BO)
