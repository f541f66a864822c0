"""Counting verdicts against truth."""

from __future__ import annotations

import pytest

from models.errors import MeniscopeError
from models.evaluate import Outcome, compare, refuse_overlap
from models.intervals import clopper_pearson


def outcome(number: int, truth: str = "", verdict: str = "accept", found: str = "", **more: object) -> Outcome:
    return Outcome(f"B{number // 10}", f"J{number}.1", "joint", tuple(truth.split()), verdict, tuple(found.split()),
                   **more)  # type: ignore[arg-type]


LOT = [
    *(outcome(n) for n in range(20)),
    outcome(20, verdict="reject", found="bridge", kind="round 1.8 mm"),
    outcome(21, verdict="review", found="bridge"),
    outcome(22, "bridge", "reject", "bridge"),
    outcome(23, "bridge", "accept", kind="round 1.8 mm"),
    outcome(24, "bridge", "review", "solder_ball bridge"),
    outcome(25, "bridge", "ungraded"),
    outcome(26, "no_solder", "reject", "partial_wetting"),
    outcome(27, "partial_wetting", "accept", marginal=True),
    outcome(28, "", "reject", "partial_wetting", marginal=True),
    outcome(29, "blowhole", "accept", "blowhole"),
    outcome(30, "blowhole", "accept"),
]


def test_escapes_and_false_calls_are_counted_over_clear_graded_joints() -> None:
    seen = compare(LOT)
    assert (seen.escapes.count, seen.escapes.of) == (1, 4)
    assert (seen.escapes.low, seen.escapes.high) == clopper_pearson(1, 4)
    assert (seen.false_calls.count, seen.false_calls.of) == (1, 22)
    assert (seen.good_reviewed.count, seen.defects_reviewed.count) == (1, 1)
    assert (seen.ungraded.count, seen.ungraded.of) == (1, 29)
    assert (seen.boards, seen.boards_with_escape) == (4, 1)


def test_marginal_joints_are_apart() -> None:
    assert dict(compare(LOT).marginal) == {("defect", "accept"): 1, ("good", "reject"): 1}


def test_an_ungraded_defect_is_neither_an_escape_nor_caught() -> None:
    [bridge] = [g for g in compare(LOT).by_finding if g.name == "bridge"]
    assert (bridge.defects, bridge.rejected, bridge.reviewed, bridge.ungraded, bridge.escapes.count) == (4, 1, 1, 1, 1)
    assert bridge.named == 2


def test_process_indicators_follow_the_class() -> None:
    seen = compare(LOT, workmanship_class=2)
    [pits] = seen.indicators
    assert (pits.name, pits.defects, pits.named) == ("blowhole", 2, 1)
    assert "blowhole" not in [g.name for g in seen.by_finding]
    hidden = [outcome(1, "excess_solder")]
    assert compare(hidden, workmanship_class=1).escapes.of == 0
    assert compare(hidden, workmanship_class=2).escapes.count == 1


def test_the_confusion_names_what_was_said_instead() -> None:
    confusion = compare(LOT).confusion
    assert confusion[("no_solder", "partial_wetting")] == 1
    assert confusion[("bridge", "bridge")] == 2  # named, also where another finding came first
    assert confusion[("bridge", "accept")] == 1
    assert confusion[("good", "accept")] == 20
    assert sum(confusion.values()) == 29


def test_rates_by_land_kind() -> None:
    [kind] = compare(LOT).by_kind
    assert (kind.name, kind.escapes.count, kind.escapes.of, kind.false_calls.count, kind.good) == (
        "round 1.8 mm", 1, 1, 1, 1)


def test_worst_cases_begin_with_escapes() -> None:
    assert [o.name for o in compare(LOT).worst[:2]] == ["J23.1", "J20.1"]
    assert len(compare(LOT, worst=1).worst) == 1


def test_a_test_that_shares_boards_with_training_is_refused() -> None:
    refuse_overlap(["a", "b"], ["c"], "board")
    with pytest.raises(MeniscopeError, match="1 board of the test was used in training too: b;"):
        refuse_overlap(["a", "b"], ["c", "b"], "board")
