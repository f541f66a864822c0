"""The queue: oldest first, one board a person, nothing that a newer inspection has overtaken."""

from __future__ import annotations

import pytest
import review_boards as boards
from sqlalchemy import Engine

from vision.review import waiting
from vision.review.decisions import Actor, Decision, decide
from vision.review.waiting import Desks, count_waiting, next_finding, ungraded_boards, waiting_boards

FAULTS = {"J1.1": [("partial_wetting", 200.0, "reject")], "J1.5": [("partial_wetting", 274.0, "review")]}


def serials(engine: Engine) -> list[str]:
    return [board.serial for board in waiting_boards(engine)]


def test_boards_come_oldest_first_and_accepted_ones_do_not(both: Engine) -> None:
    for serial, minute in (("late", 9), ("early", 1), ("middle", 5)):
        boards.save(both, boards.inspection(serial, FAULTS, minute=minute))
    boards.save(both, boards.inspection("good", minute=0))
    assert serials(both) == ["early", "middle", "late"]
    assert count_waiting(both) == 3


def test_a_board_photographed_again_waits_with_its_newest_inspection_only(both: Engine) -> None:
    boards.save(both, boards.inspection("B1", FAULTS, minute=0))
    assert serials(both) == ["B1"]
    boards.save(both, boards.inspection("B1", minute=9, take=1))
    assert serials(both) == []
    boards.save(both, boards.inspection("B1", FAULTS, minute=20, take=2))
    assert [board.inspection_id for board in waiting_boards(both)] == [3]


def test_the_queue_is_paged_without_gap_or_double(both: Engine) -> None:
    for number in range(7):
        boards.save(both, boards.inspection(f"B{number}", FAULTS, minute=number // 2))
    seen: list[int] = []
    after = None
    while page := waiting_boards(both, after=after, limit=3):
        seen += [board.inspection_id for board in page]
        after = (page[-1].started_at, page[-1].inspection_id)
    assert seen == [1, 2, 3, 4, 5, 6, 7]


def test_counting_stops_where_an_exact_number_helps_nobody(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waiting, "COUNTED", 3)
    for number in range(6):
        boards.save(engine, boards.inspection(f"B{number}", FAULTS))
    assert count_waiting(engine) == 4


def test_the_rest_of_a_board_comes_before_the_next_board(engine: Engine) -> None:
    first = boards.save(engine, boards.inspection("B1", FAULTS, minute=0))
    second = boards.save(engine, boards.inspection("B2", FAULTS, minute=1))
    mine, theirs = list(boards.findings(engine, first).values()), list(boards.findings(engine, second).values())
    assert next_finding(engine) == mine[0]
    assert next_finding(engine, inspection_id=first, after=mine[0]) == mine[1]
    assert next_finding(engine, inspection_id=first, after=mine[1]) == mine[0]
    for key in mine:
        decide(engine, key, Decision("real"), Actor("Ada"), version=0)
    assert next_finding(engine, inspection_id=first, after=mine[1]) == theirs[0]
    assert next_finding(engine, inspection_id=first, after=mine[1], leave_out=[second]) is None


def test_two_people_are_handed_two_boards() -> None:
    desks = Desks()
    desks.sit(1, "Ada")
    desks.sit(1, "Bo")  # Bo came by address: Ada still has it
    assert desks.others("Bo") == {1: "Ada"}
    desks.sit(2, "Bo")
    assert desks.others("Ada") == {2: "Bo"}
    desks.sit(3, "Ada")
    assert desks.others("Bo") == {3: "Ada"}


def test_a_desk_is_forgotten_after_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [100.0]
    monkeypatch.setattr(waiting.time, "monotonic", lambda: clock[0])
    desks = Desks()
    desks.sit(1, "Ada")
    clock[0] += waiting.HELD_SECONDS - 1.0
    assert desks.others("Bo") == {1: "Ada"}
    clock[0] += 2.0
    assert desks.others("Bo") == {}


def test_ungraded_boards_are_listed_until_photographed_again(both: Engine) -> None:
    boards.save(both, boards.inspection("B1", verdict="ungraded", minute=0))
    assert [board.serial for board in ungraded_boards(both)] == ["B1"]
    assert serials(both) == []
    boards.save(both, boards.inspection("B1", minute=1, take=1))
    assert ungraded_boards(both) == []
