"""How a limit sheet judges rows: limits, guard bands, values that do not apply, strongest rule."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import MeniscopeError
from models.limits import Condition, LimitSheet, Rule, holds, judge

COVERAGE = Rule("partial_wetting", "test", (Condition("coverage_deg", below=270.0, guard=8.0),))
LAND = Rule("partial_wetting", "test", (Condition("land_cover_pct", below=75.0, guard=3.0),))
HIDDEN = Rule("excess_solder", "test", (Condition("lead_visible", below=0.5, guard=0.1),
                                        Condition("convexity", above=0.0, guard=0.1)))


def verdicts(rules: tuple[Rule, ...], **columns: list[float]) -> list[str]:
    return judge(LimitSheet(rules), "joint", {k: np.array(v, dtype=float) for k, v in columns.items()}).verdicts


def test_a_value_on_the_limit_is_inside_the_guard_band_and_not_rejected() -> None:
    assert verdicts((COVERAGE,), coverage_deg=[269.9, 270.0, 277.9, 278.0, 360.0]) == [
        "reject", "review", "review", "accept", "accept"]


def test_without_guard_there_is_no_review() -> None:
    rule = Rule("bridge", "test", (Condition("bridge_width_mm", above=0.1),))
    assert verdicts((rule,), bridge_width_mm=[0.1, 0.1000001, 0.0]) == ["accept", "reject", "accept"]


def test_a_condition_on_a_value_that_does_not_apply_never_holds() -> None:
    assert verdicts((COVERAGE,), coverage_deg=[np.nan]) == ["accept"]
    assert verdicts((HIDDEN,), lead_visible=[0.1, 0.1], convexity=[np.nan, 0.5]) == ["accept", "reject"]


def test_all_conditions_of_a_rule_must_hold_and_any_in_its_guard_band_makes_a_review() -> None:
    assert verdicts((HIDDEN,), lead_visible=[0.1, 0.1, 0.55, 0.9], convexity=[0.5, -0.05, 0.5, 0.5]) == [
        "reject", "review", "review", "accept"]


def test_binary_rounding_does_not_make_a_review() -> None:
    # 0.3 + 0.1 is 0.4 exactly on the edge, but not in binary arithmetic.
    rule = Rule("lead_missing", "test", (Condition("lead_visible", below=0.3, guard=0.1),))
    assert verdicts((rule,), lead_visible=[0.4, 0.3999]) == ["accept", "review"]


def test_one_finding_a_row_is_kept_from_its_strongest_rule_with_the_deciding_condition() -> None:
    judgement = judge(LimitSheet((COVERAGE, LAND, HIDDEN)), "joint", {
        "coverage_deg": np.array([275.0, 100.0]), "land_cover_pct": np.array([60.0, 74.0]),
        "lead_visible": np.array([0.49, 1.0]), "convexity": np.array([0.9, -1.0])})
    assert [(f.row, f.rule, f.verdict, f.value, f.limit, f.side) for f in judgement.fired] == [
        (0, 1, "reject", 60.0, 75.0, "below"),  # land rejects, coverage would only review
        (0, 2, "reject", 0.49, 0.5, "below"),  # the lead is nearer to its limit than the convexity
        (1, 0, "reject", 100.0, 270.0, "below"),  # coverage lies deeper beyond its limit than the land
    ]


def test_the_conditions_beside_the_one_that_decided_are_told() -> None:
    """`lead visible 0.49, needs at least 0.50` alone would be untrue: without the dome the lead need not be seen."""
    assert HIDDEN.beside_in_words("lead_visible", {"convexity": 0.9}) == "convexity is above 0.00 (here 0.90)"
    assert HIDDEN.beside_in_words("convexity", {"lead_visible": 0.4999}) == "lead visible is below 0.50 (here 0.4999)"
    assert HIDDEN.beside_in_words("convexity", {"lead_visible": 0.55}) == (
        "lead visible is below 0.50, give or take 0.1 (here 0.55)")  # within its guard band: the rule asks for review
    assert HIDDEN.beside_in_words("convexity", {}) == "lead visible is below 0.50"
    assert COVERAGE.beside_in_words("coverage_deg", {"coverage_deg": 200.0}) == ""
    three = Rule("non_wetting", "t", (Condition("convexity", above=0.1), Condition("land_cover_pct", below=93.0),
                                      Condition("wetting_angle_deg", above=20.0, below=80.0)))
    assert three.beside_in_words("convexity", {"land_cover_pct": 92.6, "wetting_angle_deg": 79.8}) == (
        "land cover is below 93 % (here 92.6 %) and wetting angle is between 20 deg and 80 deg (here 79.8 deg)")


def test_a_process_indicator_is_reported_and_changes_no_verdict() -> None:
    rule = Rule("blowhole", "test", (Condition("pit_diameter_mm", above=0.1, guard=0.05),), indicator=True)
    judgement = judge(LimitSheet((rule,)), "joint", {"pit_diameter_mm": np.array([0.3, 0.08, 0.0])})
    assert judgement.verdicts == ["accept"] * 3
    assert [(f.row, f.verdict) for f in judgement.fired] == [(0, "indicator")]


def test_bare_copper_is_not_called_partial_wetting_too() -> None:
    bare = Rule("no_solder", "test", (Condition("land_cover_pct", below=15.0, guard=3.0),))
    judgement = judge(LimitSheet((COVERAGE, bare)), "joint",
                      {"coverage_deg": np.array([0.0, 0.0]), "land_cover_pct": np.array([1.0, 16.0])})
    # In the second row bare copper is only suspected, so both are reported.
    assert [(f.row, f.rule, f.verdict) for f in judgement.fired] == [
        (0, 1, "reject"), (1, 0, "reject"), (1, 1, "review")]


BARE = Rule("no_solder", "test", (Condition("land_cover_pct", below=3.5, guard=36.0),))


def test_nobody_is_asked_about_a_value_that_another_rule_rejects() -> None:
    """The band of bare copper may be wide: 19.5 % is rejected as partial wetting, and a person has nothing to add."""
    columns = {"land_cover_pct": np.array([19.5, 2.0, 80.0]), "coverage_deg": np.array([300.0, 300.0, 300.0])}
    found = judge(LimitSheet((BARE, LAND, COVERAGE)), "joint", columns)
    assert [(f.row, f.rule, f.verdict) for f in found.fired] == [(0, 1, "reject"), (1, 0, "reject")]
    assert found.idle == {(0, 0)}
    older = judge(LimitSheet((BARE, LAND, COVERAGE)), "joint", columns, keep_idle=True)
    assert [(f.row, f.rule, f.verdict) for f in older.fired] == [(0, 0, "review"), (0, 1, "reject"), (1, 0, "reject")]
    assert older.verdicts == found.verdicts == ["reject", "reject", "accept"]


@pytest.mark.parametrize(("other", "why"), [
    (COVERAGE, "rejects by another measurement"),
    (Rule("excess_solder", "test", (Condition("land_cover_pct", above=10.0),)), "rejects for too much"),
    (Rule("non_wetting", "test", (Condition("land_cover_pct", below=90.0), Condition("coverage_deg", below=350.0))),
     "says more than that there is too little"),
    (Rule("blowhole", "test", (Condition("land_cover_pct", below=90.0),), indicator=True), "rejects nothing"),
    (Rule("partial_wetting", "test", (Condition("land_cover_pct", below=15.0, guard=10.0),)), "only asks itself"),
])
def test_a_person_is_asked_where_no_rule_rejects_by_the_same_measurement(other: Rule, why: str) -> None:
    found = judge(LimitSheet((BARE, other)), "joint",
                  {"land_cover_pct": np.array([19.5]), "coverage_deg": np.array([100.0])})
    assert (0, "review") in {(f.rule, f.verdict) for f in found.fired}, why
    assert not found.idle


@settings(deadline=None)  # the machine may be busy
@given(st.lists(st.floats(0, 100), min_size=1, max_size=20), st.floats(1, 50), st.floats(0, 45), st.floats(1, 99))
def test_an_idle_rule_changes_no_verdict(values: list[float], limit: float, guard: float, other: float) -> None:
    sheet = LimitSheet((Rule("no_solder", "t", (Condition("land_cover_pct", below=limit, guard=guard),)),
                        Rule("partial_wetting", "t", (Condition("land_cover_pct", below=other, guard=3.0),))))
    columns = {"land_cover_pct": np.array(values)}
    kept, found = (judge(sheet, "joint", columns, keep_idle=keep) for keep in (True, False))
    assert kept.verdicts == found.verdicts
    assert [f for f in kept.fired if f.verdict != "review" or kept.verdicts[f.row] != "reject"] == list(found.fired)


def test_a_band_fires_between_its_limits_and_guards_both() -> None:
    band = Rule("excess_solder", "test", (Condition("lead_visible", above=0.2, below=0.4, guard=0.05),))
    assert verdicts((band,), lead_visible=[0.14, 0.17, 0.3, 0.43, 0.46]) == [
        "accept", "review", "reject", "review", "accept"]


def test_rules_for_chips_do_not_speak_of_joints() -> None:
    chip = Rule("chip_missing", "test", (Condition("chip_present", below=0.5),))
    assert judge(LimitSheet((chip,)), "joint", {"coverage_deg": np.zeros(2)}).verdicts == ["accept", "accept"]
    assert judge(LimitSheet((chip, COVERAGE)), "chip", {"chip_present": np.array([0.2])}).verdicts == ["reject"]


def test_a_missing_column_is_named() -> None:
    with pytest.raises(MeniscopeError, match=r"asks for coverage_deg.*holds land_cover_pct"):
        verdicts((COVERAGE,), land_cover_pct=[1.0])


def test_an_empty_table_gives_no_verdicts() -> None:
    assert verdicts((COVERAGE,), coverage_deg=[]) == []


@settings(deadline=None)  # the machine may be busy
@given(st.lists(st.one_of(st.floats(0, 360), st.just(float("nan"))), min_size=1, max_size=30),
       st.floats(1, 359), st.floats(0, 40))
def test_a_wider_guard_only_turns_accept_into_review(values: list[float], limit: float, guard: float) -> None:
    def with_guard(width: float) -> list[str]:
        return verdicts((Rule("partial_wetting", "t", (Condition("coverage_deg", below=limit, guard=width),)),),
                        coverage_deg=values)

    for narrow, wide in zip(with_guard(0.0), with_guard(guard), strict=True):
        assert (narrow, wide) in {("accept", "accept"), ("accept", "review"), ("reject", "reject")}


@settings(deadline=None)  # the machine may be busy
@given(st.lists(st.floats(-400, 400), min_size=1, max_size=30), st.floats(1, 359))
def test_verdicts_agree_with_plain_comparison(values: list[float], limit: float) -> None:
    rule = Rule("partial_wetting", "t", (Condition("coverage_deg", below=limit),))
    assert holds(rule, {"coverage_deg": np.array(values)}).tolist() == [value < limit for value in values]


def test_twenty_thousand_joints_are_judged_as_one_by_one() -> None:
    """Thirty rules at once; a plain comparison of the whole columns says what must come out."""
    rng = np.random.default_rng(1)
    columns = {"coverage_deg": rng.uniform(260, 360, 20_000), "land_cover_pct": rng.uniform(74, 100, 20_000)}
    rules = tuple(Rule("partial_wetting", "t", (Condition("coverage_deg", below=240.0 + k, guard=5.0),
                                                Condition("land_cover_pct", below=70.0 + k, guard=2.0)))
                  for k in range(30))
    coverage, land = (values[:, None] for values in columns.values())
    step = np.arange(30)
    fires = ((coverage < 240.0 + step) & (land < 70.0 + step)).any(axis=1)
    near = ((coverage < 245.0 + step) & (land < 72.0 + step)).any(axis=1)
    found = judge(LimitSheet(rules), "joint", columns)
    assert found.verdicts == np.where(fires, "reject", np.where(near, "review", "accept")).tolist()
    assert set(found.verdicts) == {"accept", "review", "reject"}
    assert [item.row for item in found.fired] == np.flatnonzero(fires | near).tolist()
