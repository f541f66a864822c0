"""Explaining a verdict and changing a limit with its effect known beforehand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from invented_tables import NOISE, joint_table

from models.criteria import workmanship_rules
from models.edit import differences, edited_text, effect, table_effect, with_limit, with_new_evidence
from models.errors import MeniscopeError
from models.explain import distance_words, explain
from models.limits import Condition, Evidence, LimitSheet, Rule, judge, parse_limits, sheet_text

SHEET = LimitSheet((
    Rule("partial_wetting", "workmanship class 2", (Condition("coverage_deg", below=270.0, guard=8.0),),
         Evidence(5, 0, 9, 1)),
    Rule("excess_solder", "learned", (Condition("lead_visible", below=0.5, guard=0.1),
                                      Condition("convexity", above=0.0, guard=0.1))),
    Rule("blowhole", "learned", (Condition("pit_diameter_mm", above=0.1),), indicator=True),
    Rule("chip_missing", "learned", (Condition("chip_present", below=0.5),)),
), "invented")
JOINT = {"coverage_deg": 275.0, "lead_visible": 0.3, "convexity": math.nan, "pit_diameter_mm": 0.2}


def test_every_rule_for_joints_is_explained() -> None:
    found = explain(SHEET, "joint", JOINT, {"coverage_deg": 4.0})
    assert found.verdict == "review"
    assert [(line.rule, line.condition.measure, line.outcome, line.decides) for line in found.lines] == [
        (0, "coverage_deg", "review", True), (1, "lead_visible", "clear", False), (1, "convexity", "clear", False),
        (2, "pit_diameter_mm", "indicator", True)]
    first = found.lines[0]
    assert (first.beyond, first.in_uncertainties) == (-5.0, -1.25)
    # The normal distribution's share beyond 1.25 standard deviations.
    assert first.probability == pytest.approx(0.10565, abs=1e-5)
    assert distance_words(first) == "5 deg inside the limit"
    assert distance_words(found.lines[2]) == "does not apply"
    assert distance_words(found.lines[3]) == "0.1 mm beyond the limit"


def test_a_rule_that_asks_a_person_for_nothing_is_clear() -> None:
    sheet = LimitSheet((Rule("no_solder", "t", (Condition("land_cover_pct", below=3.5, guard=36.0),)),
                        Rule("partial_wetting", "t", (Condition("land_cover_pct", below=75.0, guard=4.0),))))
    found = explain(sheet, "joint", {"land_cover_pct": 19.5})
    assert [(line.finding, line.outcome, line.decides) for line in found.lines] == [
        ("no_solder", "clear", False), ("partial_wetting", "reject", True)]


def test_an_uncertainty_that_is_not_stated_is_not_taken_as_zero() -> None:
    line = explain(SHEET, "joint", JOINT).lines[0]
    assert math.isnan(line.probability)
    assert math.isnan(line.in_uncertainties)


def test_an_uncertainty_that_is_not_stated_comes_from_known_joints() -> None:
    line = explain(SHEET, "joint", JOINT, table=joint_table(60, 4)).lines[0]
    assert line.uncertainty == pytest.approx(NOISE["coverage_deg"], rel=0.35)
    assert line.in_uncertainties == pytest.approx(-5.0 / line.uncertainty)


def test_a_limit_is_changed_and_says_so() -> None:
    changed = with_limit(SHEET, 1, limit=280.0)
    assert changed.rules[0].when == (Condition("coverage_deg", below=280.0, guard=8.0),)
    assert changed.rules[0].source == "workmanship class 2; set by hand"
    assert changed.rules[0].evidence is None
    assert changed.rules[1:] == SHEET.rules[1:]
    assert with_limit(changed, 1, limit=281.0).rules[0].source == "workmanship class 2; set by hand"
    assert with_limit(SHEET, 2, "convexity", guard=0.2).rules[1].when[1].guard == 0.2


OF_CLASS = "workmanship class 2: IPC-A-610E-G 7.3.5.5, confirmed"
BESIDE = "set by hand; workmanship class 2 asks for 75 % (IPC-A-610E-G 7.3.5.5, confirmed)"


@pytest.mark.parametrize(("source", "before", "limit", "after"), [
    (OF_CLASS, 75.0, 5.0, BESIDE),
    (OF_CLASS, 60.0, 50.0, BESIDE),  # changed in an editor before: what the class asks for is not the sheet's number
    (BESIDE, 5.0, 6.0, BESIDE),
    (BESIDE, 5.0, 75.0, OF_CLASS),
    (f"{OF_CLASS}; set by hand", 5.0, 6.0, BESIDE),  # as older programs wrote it
    (f"{OF_CLASS}; set by hand", 5.0, 75.0, OF_CLASS),
    ("workmanship class 2: drawing note 7 (B), house rule", 80.0, 70.5,
     "set by hand; workmanship class 2 asks for 80 % (drawing note 7 (B), house rule)"),
    ("set by hand; workmanship class 2 asks for 80 % (drawing note 7 (B), house rule)", 70.5, 80.0,
     "workmanship class 2: drawing note 7 (B), house rule"),
    ("workmanship class 2: drawing note 7, house rule; set by hand", 70.0, 60.0,
     "workmanship class 2: drawing note 7, house rule; set by hand"),
    ("learned; asked for by workmanship class 2: IPC-A-610 5.1", 3.5, 5.0,
     "learned; asked for by workmanship class 2: IPC-A-610 5.1; set by hand"),
])
def test_a_class_is_named_beside_its_own_number_only(source: str, before: float, limit: float, after: str) -> None:
    """`workmanship class 2: ..., confirmed; set by hand` gave a shop's own number out for the standard's."""
    old = LimitSheet((Rule("partial_wetting", source, (Condition("land_cover_pct", below=before, guard=4.0),)),))
    assert with_limit(old, 1, limit=limit).rules[0].source == after
    assert with_limit(old, 1, guard=1.0).rules[0].source == source


def test_a_rule_of_a_class_with_two_conditions_tells_both() -> None:
    asked = next(rule for rule in workmanship_rules(2) if rule.finding == "excess_solder")
    changed = with_limit(LimitSheet((asked,)), 1, "convexity", limit=0.3)
    assert changed.rules[0].source == ("set by hand; workmanship class 2 has lead visible below 0.50 and convexity "
                                       "above 0.00 (IPC-A-610F 7.3.5, project default)")
    assert with_limit(changed, 1, "convexity", limit=0.0).rules[0].source == asked.source


@pytest.mark.parametrize(("arguments", "words"), [
    ((9,), "got rule 9, wanted a number from 1 to 4"), ((0,), "got rule 0"),
    ((2,), "2 conditions, wanted the measurement to change, one of lead_visible, convexity"),
    ((1, "turn_deg"), "rule 1 has no condition on turn_deg"),
])
def test_a_change_that_is_not_clear_is_refused(arguments: tuple[object, ...], words: str) -> None:
    with pytest.raises(MeniscopeError, match=words):
        with_limit(SHEET, *arguments, limit=1.0)  # type: ignore[arg-type]
    with pytest.raises(MeniscopeError, match="neither"):
        with_limit(SHEET, 1)


def test_the_effect_is_what_judging_with_both_sheets_gives() -> None:
    table = joint_table(40, 1)
    old = LimitSheet(SHEET.rules[:1])
    new = with_limit(old, 1, limit=330.0)
    found = table_effect(old, new, table)
    before, after = (judge(sheet, "joint", table.columns).verdicts for sheet in (old, new))
    assert [(flip.name, flip.before, flip.after) for flip in found.flips] == [
        (table.names[row], a, b) for row, (a, b) in enumerate(zip(before, after, strict=True)) if a != b]
    assert found.before == {word: before.count(word) for word in set(before)}
    assert found.false_calls_after == sum(v == "reject" and g for v, g in zip(after, table.good, strict=True))
    assert (found.false_calls_after or 0) > (found.false_calls_before or 0)
    defects = [not m and any(f != "blowhole" for f in row)
               for row, m in zip(table.findings, table.marginal, strict=True)]
    assert found.escapes_before == sum(v == "accept" and d for v, d in zip(before, defects, strict=True))
    assert "coverage" in found.flips[0].why
    assert sum(flip.counts == "false call" for flip in found.flips) - sum(
        flip.counts == "false call no more" for flip in found.flips) == (found.false_calls_after or 0) - (
            found.false_calls_before or 0)
    assert sum(flip.counts == "escape no more" for flip in found.flips) == (found.escapes_before or 0) - (
        found.escapes_after or 0) > 0


def test_marginal_joints_flip_but_count_as_neither() -> None:
    old = LimitSheet(SHEET.rules[:1])
    columns = {"coverage_deg": np.array([100.0, 290.0, 350.0, 290.0])}
    truth = [("partial_wetting",), (), ("partial_wetting",), ("partial_wetting",)]
    for marginal, escapes, false_calls in (([False] * 4, (2, 1), (0, 1)), ([True] * 4, (0, 0), (0, 0))):
        found = effect(old, with_limit(old, 1, limit=300.0), "joint", columns, ["b"] * 4, list("wxyz"), truth, marginal)
        assert (found.escapes_before, found.escapes_after) == escapes
        assert (found.false_calls_before, found.false_calls_after) == false_calls
        assert [flip.name for flip in found.flips] == ["x", "z"]
        assert ([flip.marginal for flip in found.flips], found.marginal) == ([marginal[0]] * 2, sum(marginal))
        assert [flip.counts for flip in found.flips] == (["", ""] if marginal[0] else ["false call", "escape no more"])


def test_why_a_verdict_flips_is_told_by_the_rule_that_decides_and_with_its_guard_band() -> None:
    """An indicator that fired too decides nothing, and 71 % is not below 70 %: it lies in the guard band."""
    old = LimitSheet((Rule("partial_wetting", "t", (Condition("land_cover_pct", below=75.0, guard=4.0),)),
                      Rule("blowhole", "t", (Condition("pit_diameter_mm", above=0.165),), indicator=True),
                      Rule("solder_ball", "t", (Condition("ball_diameter_mm", above=0.1, guard=0.1),))))
    columns = {"land_cover_pct": np.array([73.0, 71.0, 78.0, 60.0]), "pit_diameter_mm": np.array([0.22, 0, 0.3, 0.0]),
               "ball_diameter_mm": np.array([0.0, 0.0, 0.0, 0.15])}
    new = with_limit(old, 1, limit=68.5)
    found = effect(old, new, "joint", columns, ["b"] * 4, list("wxyz"))
    assert [(flip.name, flip.before, flip.after, flip.why) for flip in found.flips] == [
        ("w", "reject", "accept", "partial wetting: land cover 73 %, needs at least 75 %"),
        ("x", "reject", "review", "partial wetting: land cover 71 %, needs at least 75 %; then partial wetting: "
                                  "land cover 71.0 %, within 4 % of the limit 68.5 %"),
        ("y", "review", "accept", "partial wetting: land cover 78 %, within 4 % of the limit 75 %")]
    back = effect(with_limit(old, 1, limit=70.0), old, "joint", columns, ["b"] * 4, list("wxyz")).flips
    assert [flip.why for flip in back][:2] == [
        f"partial wetting: land cover {value} %, needs at least 75 %, before within 4 % of the limit 70 %"
        for value in (73, 71)]


def test_without_truth_only_verdicts_are_compared() -> None:
    old = LimitSheet(SHEET.rules[:1])
    found = effect(old, with_limit(old, 1, limit=300.0), "joint", {"coverage_deg": np.array([290.0, 350.0])},
                   ["b1", "b1"], ["J1.1", "J1.2"])
    assert (found.escapes_before, found.false_calls_after) == (None, None)
    assert [(flip.name, flip.before, flip.after, flip.truth) for flip in found.flips] == [
        ("J1.1", "accept", "reject", "")]


def test_new_evidence_is_counted_for_the_right_rules() -> None:
    table = joint_table(10, 2)
    counted = with_new_evidence(SHEET, table)
    assert counted.rules[3] == SHEET.rules[3]
    assert counted.rules[0].evidence is not None
    assert counted.rules[0].evidence.defects == table.has("partial_wetting").sum()


def test_differences_between_sheets() -> None:
    moved = with_limit(SHEET, 1, limit=280.0)
    other = replace(moved, workmanship_class=3, rules=(*moved.rules[::-1][1:], Rule(
        "bridge", "learned", (Condition("bridge_width_mm", above=0.1),))))
    found = [(d.what, d.finding) for d in differences(SHEET, other)]
    assert found == [("changed", "workmanship class"), ("changed", "partial_wetting"),
                     ("removed", "chip_missing"), ("added", "bridge")]
    assert differences(SHEET, replace(SHEET, rules=SHEET.rules[::-1])) == []
    assert [(d.what, d.finding) for d in differences(other, SHEET)][-1] == ("added", "chip_missing")


def test_a_change_keeps_what_a_person_wrote_into_the_file() -> None:
    text = ("# my sheet\nfamily = \"invented\"\n\n# wetting: agreed with the customer\n[[rule]]\n"
            "finding = \"partial_wetting\"\nsource = \"workmanship class 2\"   # checked\n"
            "when = [{measure = \"coverage_deg\", below = 270.0, guard = 8.0}]\n\n"
            "[[rule]]  # second\nfinding = \"bridge\"\nsource = \"learned\"\n"
            "when = [{measure = \"bridge_width_mm\", above = 0.1, guard = 0.02}]\n")
    new = with_limit(parse_limits(text), 1, limit=280.0)
    edited = edited_text(text, new)
    assert edited is not None
    assert parse_limits(edited) == new
    assert edited == (text.replace('"workmanship class 2"   # checked', '"workmanship class 2; set by hand"  # checked')
                      .replace("270.0", "280.0"))


def test_a_file_in_an_unusual_layout_is_not_edited_blindly() -> None:
    text = ('[[rule]]\nfinding = "bridge"\nsource = "learned"\nwhen = [\n'
            '  {measure = "bridge_width_mm", above = 0.1},\n]\n')
    assert edited_text(text, with_limit(parse_limits(text), 1, limit=0.2)) is None


def test_a_sheet_with_evidence_is_edited_too() -> None:
    text = sheet_text(SHEET)
    new = with_limit(SHEET, 1, limit=275.0)
    edited = edited_text(text, new)
    assert edited is not None
    assert parse_limits(edited) == new
    assert edited.count("evidence") == 0
