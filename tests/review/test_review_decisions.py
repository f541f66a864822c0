"""Decisions: made once, never lost, never doubled, all in the audit trail."""

from __future__ import annotations

import threading

import pytest
import review_boards as boards
from sqlalchemy import Engine, func, select

from models.errors import MeniscopeError
from vision.records.database import reading
from vision.records.schema import AUDIT, InspectionRow, Review
from vision.review.boards import load_board, load_case
from vision.review.decisions import (
    Actor,
    ConflictError,
    Decision,
    UnknownError,
    decide,
    decide_blind,
    report_escape,
    settle,
    undo,
)

ADA, BO = Actor("Ada", "10.0.0.1"), Actor("Bo", "10.0.0.2")
REAL, FALSE, UNSURE = Decision("real"), Decision("false_call"), Decision("cannot_tell")


def open_count(engine: Engine, key: int) -> int:
    with reading(engine) as connection:
        return int(connection.execute(select(InspectionRow.open_findings).where(InspectionRow.id == key)).scalar_one())


def test_a_decision_is_counted_and_told_in_the_trail(both: Engine) -> None:
    key = boards.save(both, boards.inspection("B1", boards.MIXED))
    found = boards.findings(both, key)
    assert open_count(both, key) == 6  # the indicator does not wait
    decide(both, found["J1.1 partial_wetting"], Decision("real", "no_solder", "bare"), ADA, version=0)
    decide(both, found["X2.1 blowhole"], FALSE, ADA, version=0)
    assert open_count(both, key) == 5
    standing = load_case(both, found["J1.1 partial_wetting"]).found.standing
    assert standing is not None
    assert (standing.call, standing.corrected, standing.reviewer, standing.note) == ("real", "no_solder", "Ada", "bare")
    assert standing.words == "real defect, really no solder"
    assert boards.trail(both) == [("Ada", "decide"), ("Ada", "decide")]


def test_the_second_of_two_people_is_told_who_was_first(both: Engine) -> None:
    key = boards.save(both, boards.inspection("B1", boards.MIXED))
    finding = boards.findings(both, key)["C1 chip_shifted"]
    seen_by_both = load_case(both, finding).version
    decide(both, finding, REAL, ADA, version=seen_by_both)
    with pytest.raises(ConflictError, match="Ada decided “real defect” while you were looking"):
        decide(both, finding, FALSE, BO, version=seen_by_both)
    assert open_count(both, key) == 5
    assert boards.trail(both) == [("Ada", "decide")]


def test_a_page_older_than_a_decision_taken_back_is_refused(both: Engine) -> None:
    """Withdrawn decisions raise the version too: what Bo saw is no longer what there is."""
    key = boards.save(both, boards.inspection("B1", boards.MIXED))
    finding = boards.findings(both, key)["C1 chip_shifted"]
    undo(both, decide(both, finding, REAL, ADA, version=0), ADA)
    with pytest.raises(ConflictError, match="changed while you were looking"):
        decide(both, finding, FALSE, BO, version=0)
    assert load_case(both, finding).version == 2
    decide(both, finding, FALSE, BO, version=2)
    assert open_count(both, key) == 5


def test_many_people_at_once_neither_lose_nor_double_a_decision(both: Engine) -> None:
    for number in range(4):
        boards.save(both, boards.inspection(f"B{number}", boards.MIXED, minute=number))
    # One end of each bridge is left to be decided with the other.
    waiting = [key for number in range(1, 5) for name, key in boards.findings(both, number).items()
               if name not in ("X2.1 blowhole", "J1.3 bridge")]
    won: list[int] = []
    lost: list[int] = []
    start = threading.Barrier(4)

    def work(name: str) -> None:
        start.wait()
        for finding in waiting:
            try:
                decide(both, finding, REAL, Actor(name), version=0)
                won.append(finding)
            except ConflictError:
                lost.append(finding)

    people = [threading.Thread(target=work, args=(f"person {number}",)) for number in range(4)]
    for person in people:
        person.start()
    for person in people:
        person.join(60)
    assert sorted(won) == sorted(waiting)
    assert len(lost) == 3 * len(waiting)
    with reading(both) as connection:
        assert connection.execute(select(func.count(Review.id))).scalar_one() == len(waiting) + 4
        assert connection.execute(select(func.sum(InspectionRow.open_findings))).scalar_one() == 0
        assert connection.execute(select(func.count()).select_from(AUDIT)).scalar_one() == len(waiting) + 4


def test_only_one_s_own_decision_can_be_taken_back_and_only_once(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    finding = boards.findings(engine, key)["C1 chip_shifted"]
    review = decide(engine, finding, REAL, ADA, version=0)
    with pytest.raises(MeniscopeError, match="made by Ada"):
        undo(engine, review, BO)
    assert undo(engine, review, ADA) == finding
    with pytest.raises(ConflictError, match="already"):
        undo(engine, review, ADA)
    assert open_count(engine, key) == 6
    with pytest.raises(MeniscopeError, match="none to take back"):
        undo(engine, 999, ADA)


def test_settling_gives_the_last_word_and_keeps_who_said_what(both: Engine) -> None:
    key = boards.save(both, boards.inspection("B1", boards.MIXED))
    finding = boards.findings(both, key)["J1.5 partial_wetting"]
    decide(both, finding, UNSURE, ADA, version=0)
    with pytest.raises(MeniscopeError, match="wanted real defect or false call"):
        settle(both, finding, UNSURE, BO, version=1)
    settle(both, finding, FALSE, BO, version=1)
    standing = load_case(both, finding).found.standing
    assert standing is not None
    assert (standing.call, standing.reviewer) == ("false_call", "Bo")
    assert open_count(both, key) == 5
    with reading(both) as connection:
        told = connection.execute(select(AUDIT.c.detail).where(AUDIT.c.action == "settle")).scalar_one()
    assert told == "false call; Ada had said cannot tell"


def test_both_ends_of_a_bridge_are_decided_taken_back_and_settled_together(both: Engine) -> None:
    key = boards.save(both, boards.inspection("B1", boards.MIXED))
    found = boards.findings(both, key)
    here, there = found["J1.2 bridge"], found["J1.3 bridge"]

    def calls() -> list[str | None]:
        standing = [load_case(both, finding).found.standing for finding in (here, there)]
        return [None if item is None else item.call for item in standing]

    review = decide(both, there, UNSURE, ADA, version=0)
    assert calls() == ["cannot_tell"] * 2
    assert open_count(both, key) == 4
    undo(both, review, ADA)
    assert calls() == [None, None]
    assert open_count(both, key) == 6
    decide(both, here, UNSURE, ADA, version=2)
    settle(both, there, REAL, BO, version=3)
    assert calls() == ["real", "real"]
    assert open_count(both, key) == 4
    assert [action for _, action in boards.trail(both)] == [
        *["decide"] * 2, *["undo"] * 2, *["decide"] * 2, *["settle"] * 2]


def test_a_bridge_s_other_end_that_was_decided_before_keeps_its_decision(engine: Engine) -> None:
    """Two bridges meet at J1.2: only the one that names it back is its other end."""
    faults = {"J1.2": [("bridge", 0.5, "reject", "J1.3")], "J1.3": [("bridge", 0.6, "reject", "J1.4")],
              "J1.4": [("bridge", 0.6, "reject", "J1.3")]}
    found = boards.findings(engine, boards.save(engine, boards.inspection("B1", faults)))
    decide(engine, found["J1.2 bridge"], FALSE, ADA, version=0)
    assert load_case(engine, found["J1.3 bridge"]).found.standing is None
    decide(engine, found["J1.3 bridge"], REAL, BO, version=0)
    standing = [load_case(engine, found[f"{place} bridge"]).found.standing for place in ("J1.2", "J1.3", "J1.4")]
    assert [item.call for item in standing if item is not None] == ["false_call", "real", "real"]


def test_a_blind_opinion_counts_for_nothing_but_agreement(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    finding = boards.findings(engine, key)["C1 chip_shifted"]
    decide_blind(engine, finding, FALSE, ADA)
    assert open_count(engine, key) == 6
    assert load_case(engine, finding).found.standing is None
    with pytest.raises(ConflictError, match="judged this finding already"):
        decide_blind(engine, finding, REAL, ADA)
    decide(engine, finding, REAL, ADA, version=load_case(engine, finding).version)


def test_a_missed_defect_is_recorded_once(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1"))
    report_escape(engine, key, joint_id=2, chip_id=None, finding="blowhole", note="", by=ADA)
    with pytest.raises(ConflictError, match="already"):
        report_escape(engine, key, joint_id=2, chip_id=None, finding="blowhole", note="", by=BO)
    report_escape(engine, key, joint_id=3, chip_id=None, finding="blowhole", note="", by=BO)
    with pytest.raises(MeniscopeError, match="wanted a place and a finding of its kind"):
        report_escape(engine, key, joint_id=2, chip_id=None, finding="chip_missing", note="", by=ADA)


def test_a_board_graded_again_takes_no_decision_on_its_old_inspection(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    other = boards.sheet("another sheet")
    boards.save(engine, boards.inspection("B1", boards.MIXED, minute=1, by=other), by=other)
    assert load_board(engine, key)[0].superseded_by is not None
    with pytest.raises(ConflictError, match="graded again"):
        decide(engine, boards.findings(engine, key)["C1 chip_shifted"], REAL, ADA, version=0)


@pytest.mark.parametrize(("decision", "message"), [
    (Decision("maybe"), "wanted real, false_call, cannot_tell"),
    (Decision("escape"), "wanted real, false_call, cannot_tell"),
    (Decision("real", "chip_missing"), "wanted none, or with a real defect one of"),
    (Decision("real", "'; DROP TABLE review; --"), "corrected finding"),
    (Decision("false_call", "bridge"), "corrected finding"),
])
def test_decisions_that_make_no_sense_are_refused(engine: Engine, decision: Decision, message: str) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    with pytest.raises(MeniscopeError, match=message):
        decide(engine, boards.findings(engine, key)["J1.5 partial_wetting"], decision, ADA, version=0)
    assert open_count(engine, key) == 6
    assert boards.trail(engine) == []


def test_an_unknown_finding_is_told_so(engine: Engine) -> None:
    with pytest.raises(UnknownError, match="finding 77: not in this database"):
        decide(engine, 77, REAL, ADA, version=0)


def test_a_note_may_hold_anything_a_person_types(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    finding = boards.findings(engine, key)["C1 chip_shifted"]
    decide(engine, finding, Decision("real", note="  <b>\0 ü 漢\u202e " + "x" * 5000), ADA, version=0)
    standing = load_case(engine, finding).found.standing
    assert standing is not None
    assert standing.note.startswith("<b> ü 漢")
    assert len(standing.note) == 2000
