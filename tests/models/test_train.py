"""Learning a sheet from invented tables: readable, physically sensible, and proved on boards it has not seen."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from invented_tables import NOISE, chip_table, joint_table

from models.candidates import CANDIDATES, SPARES
from models.errors import MeniscopeError
from models.evaluate import compare, judged
from models.guards import guarded, uncertainty_near
from models.learn import LearnOptions, learn_rules
from models.limits import Condition, LimitSheet, Rule, holds, judge, parse_limits, sheet_problems, sheet_text
from models.placing import SIGNED
from models.table import LabelledTable, board_folds, join_tables
from models.train import TrainResult, train_sheet, with_evidence
from models.vocabulary import FINDING, MEASURE


@pytest.fixture(scope="module")
def trained() -> TrainResult:
    return train_sheet(joint_table(30, 1), chips=chip_table(30, 1), family="invented", folds=3)


def test_unseen_boards_show_no_escapes_and_hardly_any_false_call(trained: TrainResult) -> None:
    seen = compare(judged(trained.sheet, joint_table(60, 2)) + judged(trained.sheet, chip_table(60, 2)))
    assert seen.escapes.of > 300
    assert seen.escapes.count == 0
    assert seen.false_calls.share <= 0.005
    assert seen.good_reviewed.share <= 0.03


def test_the_sheet_is_short_sound_and_survives_its_file(trained: TrainResult) -> None:
    sheet = trained.sheet
    assert 8 <= len(sheet.rules) <= 40
    assert all(1 <= len(rule.when) <= 3 for rule in sheet.rules)
    assert sheet_problems(sheet, "x") == []
    assert parse_limits(sheet_text(sheet)) == sheet


def test_limits_are_readable_numbers(trained: TrainResult) -> None:
    for rule in trained.sheet.rules:
        for condition in rule.when:
            limit = condition.below if condition.above is None else condition.above
            assert limit is not None
            tenths = limit / (MEASURE[condition.measure].step / 10)
            assert tenths == pytest.approx(round(tenths), abs=1e-6), condition


def test_rules_speak_only_of_measurements_that_mean_the_finding(trained: TrainResult) -> None:
    for rule in trained.sheet.rules:
        for condition in rule.when:
            side = (CANDIDATES[rule.finding] | SPARES.get(rule.finding, {}))[condition.measure]
            if condition.measure not in SIGNED:
                assert (condition.above is not None) == (side == "above")


def test_numbers_of_the_standard_stand_and_name_it(trained: TrainResult) -> None:
    wetting = [r for r in trained.sheet.rules if r.when[0].measure == "coverage_deg"]
    assert [(r.when[0].below, r.source) for r in wetting] == [
        (270.0, "workmanship class 2: IPC-A-610E-G 7.3.5.4, confirmed")]


def test_class_3_asks_for_more(trained: TrainResult) -> None:
    sheet = train_sheet(joint_table(20, 3, workmanship_class=3), workmanship_class=3, folds=0).sheet
    assert [c.below for r in sheet.rules for c in r.when if c.measure == "coverage_deg"] == [330.0]


def test_chips_shifted_or_turned_to_either_side_are_found(trained: TrainResult) -> None:
    shifted = [rule for rule in trained.sheet.rules if rule.finding == "chip_shifted"]
    limits = {(c.measure, "above" if c.below is None else "below"): c for r in shifted for c in r.when}
    for measure in SIGNED:
        over, under = limits[(measure, "above")], limits[(measure, "below")]
        assert over.above == -(under.below or 0.0)


def test_noise_of_a_turn_is_no_reason_to_reject_a_chip() -> None:
    # Shifted chips whose shift is not seen, by chance turned by 2 to 3 degrees: no limit belongs there.
    rng = np.random.default_rng(22)
    turn = np.concatenate([rng.uniform(-1, 1, 200), rng.uniform(2, 3, 40)])
    table = LabelledTable("chip", {"turn_deg": turn, "shift_along_mm": rng.normal(0, 0.01, 240)},
                          ((),) * 200 + (("chip_shifted",),) * 40, tuple(f"b{i % 20}" for i in range(240)),
                          np.zeros(240, dtype=bool))
    for rule in learn_rules("chip_shifted", table, [], "learned"):
        for condition in rule.when:
            limit = condition.above if condition.below is None else -condition.below
            assert limit is not None
            assert limit >= {"turn_deg": 5.0, "shift_along_mm": 0.1}[condition.measure]


def test_no_limit_lies_below_what_the_family_allows() -> None:
    # Good chips lie within 0.05 mm and shifted ones from 0.3 mm on: a limit between them would be less than allowed.
    rng = np.random.default_rng(23)
    shift = np.concatenate([rng.uniform(-0.05, 0.05, 200), rng.uniform(0.3, 0.9, 60)])
    table = LabelledTable("chip", {"shift_along_mm": shift, "shift_across_mm": rng.normal(0, 0.01, 260)},
                          ((),) * 200 + (("chip_shifted",),) * 60, tuple(f"b{i % 20}" for i in range(260)),
                          np.zeros(260, dtype=bool))
    smallest = {"shift_along_mm": 0.4, "shift_across_mm": 0.4, "turn_deg": 5.0}
    free, held = (learn_rules("chip_shifted", table, [], "learned", options=options)
                  for options in (LearnOptions(), LearnOptions(smallest=smallest)))
    limits = [[abs(c.above if c.below is None else c.below) for rule in rules for c in rule.when
               if c.measure == "shift_along_mm"] for rules in (free, held)]
    assert max(limits[0]) < 0.4 <= min(limits[1])


@pytest.mark.parametrize(("least", "expected"), [(0.06, 0.12), (0.3, 0.15)])
def test_solder_a_little_domed_is_no_finding_whatever_the_examples_say(least: float, expected: float) -> None:
    """Good ones as they were rendered end at a straight cone; others may be domed a little round a lead that shows."""
    rng = np.random.default_rng(24)
    convexity = np.concatenate([rng.uniform(-0.5, 0.0, 300), rng.uniform(least, 0.5, 60)])
    table = LabelledTable("joint", {"convexity": convexity}, ((),) * 300 + (("excess_solder",),) * 60,
                          tuple(f"b{i % 20}" for i in range(360)), np.zeros(360, dtype=bool))
    (rule,) = learn_rules("excess_solder", table, [], "learned")
    assert rule.when[0].above == pytest.approx(expected, abs=0.03)
    assert rule.when[0].above is not None and rule.when[0].above >= 0.12


def test_two_measurements_name_what_neither_tells_alone() -> None:
    """Good joints are as domed, others as bare; rules of other findings reject these anyway: little is at stake."""
    rng = np.random.default_rng(25)
    domed, bare, both = 120, 120, 40
    table = LabelledTable("joint", {
        "convexity": np.concatenate([rng.uniform(-0.5, 0.5, domed), rng.uniform(-0.5, 0.1, bare),
                                     rng.uniform(0.15, 0.5, both)]),
        "land_cover_pct": np.concatenate([rng.uniform(90.0, 100.0, domed), rng.uniform(30.0, 80.0, bare),
                                          rng.uniform(30.0, 80.0, both)]),
        "wetting_angle_deg": np.concatenate([rng.uniform(15.0, 35.0, domed + bare), rng.uniform(50.0, 55.0, both)])},
        ((),) * domed + (("partial_wetting",),) * bare + (("non_wetting",),) * both,
        tuple(f"b{i % 20}" for i in range(domed + bare + both)), np.zeros(domed + bare + both, dtype=bool))
    standing = [Rule("partial_wetting", "", (Condition("land_cover_pct", below=75.0),))]
    beside = [Rule("excess_solder", "", (Condition("wetting_angle_deg", above=45.0),))]
    rules = learn_rules("non_wetting", table, [], "learned", standing=standing, beside=beside)
    assert len(rules) == 1 and len(rules[0].when) == 2
    assert (holds(rules[0], table.columns) == table.has("non_wetting")).all()


def test_a_measurement_without_examples_is_not_left_open() -> None:
    table = chip_table(40, 5)
    turned = np.array([abs(t) > 10 for t in np.nan_to_num(table.columns["turn_deg"])])
    sheet = train_sheet(joint_table(20, 5), chips=table.take(~turned), folds=0).sheet
    verdicts = judge(sheet, "chip", {name: values[turned] for name, values in table.columns.items()}).verdicts
    assert "accept" not in verdicts


def test_evidence_is_what_the_rules_do(trained: TrainResult) -> None:
    table = joint_table(30, 1)
    for rule in trained.sheet.rules:
        if rule.part != "joint":
            continue
        truth = np.array([rule.finding in row for row in table.findings]) & ~table.marginal
        good = np.array([not row for row in table.findings]) & ~table.marginal
        assert rule.evidence is not None
        assert rule.evidence.defects == truth.sum()
        assert rule.evidence.good == good.sum()
        assert rule.evidence.false_calls == (holds(rule, table.columns) & good).sum()
        same = LimitSheet(tuple(r for r in trained.sheet.rules if r.finding == rule.finding))
        answered = {item.row for item in judge(same, "joint", table.columns).fired}
        assert rule.evidence.escapes == sum(row not in answered for row in np.flatnonzero(truth))


def test_escapes_in_the_evidence_are_counted_not_assumed() -> None:
    table = joint_table(10, 7)
    blind = Rule("bridge", "test", (Condition("bridge_width_mm", above=5.0),))
    [counted] = with_evidence([blind], table)
    assert counted.evidence is not None
    assert counted.evidence.escapes == counted.evidence.defects > 0


def test_training_twice_gives_the_same_sheet() -> None:
    first, second = (sheet_text(train_sheet(joint_table(12, 4), folds=0).sheet) for _ in range(2))
    assert first == second


def test_marginal_joints_teach_nothing() -> None:
    table = joint_table(15, 6, findings=("bridge", "solder_ball"))
    lies = np.array([i % 5 == 0 for i in range(len(table))])
    # Marginal joints all over the gap between good joints and bridges, called good, would push the limit up.
    width = np.where(lies, np.random.default_rng(6).uniform(0.05, 0.3, len(table)), table.columns["bridge_width_mm"])
    spoiled = replace(
        table, marginal=table.marginal | lies, columns={**table.columns, "bridge_width_mm": width},
        findings=tuple(() if lie else row for lie, row in zip(lies, table.findings, strict=True)))
    honest = table.take(~lies)
    rules = [learn_rules("bridge", some, [], "learned") for some in (spoiled, honest)]
    assert rules[0] == rules[1]
    trusted = replace(spoiled, marginal=table.marginal)
    assert learn_rules("bridge", trusted, [], "learned") != rules[1]


def test_an_escape_costs_more_than_a_false_call() -> None:
    # Two overlapping Gaussians: the limit must lie on the good side of where they cross (1.0).
    rng = np.random.default_rng(8)
    values = np.concatenate([rng.normal(0.8, 0.1, 2000), rng.normal(1.2, 0.1, 2000)])
    table = LabelledTable("joint", {"projection_mm": values}, ((),) * 2000 + (("solder_projection",),) * 2000,
                          tuple(f"b{i % 20}" for i in range(4000)), np.zeros(4000, dtype=bool))
    # Equally many of both and an escape at 20 false calls.
    [rule] = learn_rules("solder_projection", table, [], "learned",
                         options=LearnOptions(escape_cost=20.0, prevalence=1.0))
    # The expected cost is least where 20 * density of bad = density of good: 1.0 - 0.1**2 * ln(20) / 0.4 = 0.925.
    # Arithmetic for equal Gaussians.
    assert rule.when[0].above == pytest.approx(0.925, abs=0.03)


def test_the_limit_lies_in_the_middle_of_a_clean_gap() -> None:
    rng = np.random.default_rng(9)
    values = np.concatenate([rng.uniform(0.0, 0.1, 900), rng.uniform(0.5, 0.9, 100)])
    table = LabelledTable("joint", {"bridge_width_mm": values}, ((),) * 900 + (("bridge",),) * 100,
                          tuple(f"b{i % 20}" for i in range(1000)), np.zeros(1000, dtype=bool))
    [rule] = learn_rules("bridge", table, [], "learned")
    assert rule.when[0].above == pytest.approx(0.3, abs=0.05)


def test_a_value_that_does_not_apply_does_not_make_a_rule_that_never_fires() -> None:
    # Where no lead stands its size is NaN, and here nothing else tells: a tree that took NaN for a small value would
    # part the classes with a rule that cannot fire.
    rng = np.random.default_rng(10)
    size = np.concatenate([rng.uniform(0.6, 0.7, 900), np.full(100, np.nan)])
    hole = np.concatenate([np.where(rng.random(900) < 0.02, 40.0, 0.0), rng.uniform(30.0, 60.0, 100)])
    truth: tuple[tuple[str, ...], ...] = ((),) * 900 + (("lead_missing",),) * 100
    table = LabelledTable("joint", {"lead_size_mm": size, "hole_open_pct": hole}, truth,
                          tuple(f"b{i % 20}" for i in range(1000)), np.zeros(1000, dtype=bool))
    rules = learn_rules("lead_missing", table, [], "learned")
    caught = np.zeros(len(table), dtype=bool)
    for rule in rules:
        caught |= holds(rule, table.columns)
    assert caught[table.has("lead_missing")].all()
    assert caught[table.good].mean() < 0.04


def test_a_number_that_stands_is_not_undercut() -> None:
    table = joint_table(25, 20, findings=("bridge",))
    lax = Rule("bridge", "drawing note", (Condition("bridge_width_mm", above=0.4),))
    assert learn_rules("bridge", table, [lax], "learned") == []
    assert learn_rules("bridge", table, [], "learned") != []


def test_a_finding_without_examples_keeps_its_default_and_says_so() -> None:
    result = train_sheet(joint_table(10, 11, findings=("no_solder",)), folds=0)
    bridge = [rule for rule in result.sheet.rules if rule.finding == "bridge"]
    assert [c.above for rule in bridge for c in rule.when] == [0.05]
    assert any(note.startswith("bridge: no examples to learn from; the default limit stands")
               for note in result.report.notes)


def test_a_measurement_that_reads_too_low_is_told_not_hidden_by_another_limit() -> None:
    table = joint_table(12, 21)
    low = np.where(np.arange(len(table)) % 10 == 0, -120.0, 0.0)  # every tenth joint reads 120 degrees less
    wrong = replace(table, columns={**table.columns, "coverage_deg": table.columns["coverage_deg"] + low})
    result = train_sheet(wrong, folds=0)
    [note] = [note for note in result.report.notes if "rejects" in note]
    assert note.startswith('partial_wetting: the criterion "coverage below 270 deg" rejects ')
    assert re.search(r"it reads 1[12]\d deg too low", note)
    assert [c.below for r in result.sheet.rules for c in r.when if c.measure == "coverage_deg"] == [270.0]
    assert not any("rejects" in note for note in train_sheet(table, folds=0).report.notes)


def test_boards_are_never_on_both_sides_of_a_split() -> None:
    table = joint_table(13, 12)
    boards = np.array(table.boards)
    held: list[str] = []
    for train, test in board_folds(table.boards, 5):
        assert not set(boards[train]) & set(boards[test])
        assert len(train) + len(test) == len(table)
        held += sorted(set(boards[test]))
    assert sorted(held) == sorted(set(table.boards))  # each board is held out once


def test_validation_would_show_a_sheet_that_learned_boards_by_heart() -> None:
    # Labels drawn by lot for each board: there is nothing to learn, and grouped validation must say so.
    rng = np.random.default_rng(13)
    table = joint_table(24, 13, defect_rate=0.0)
    fate = {board: rng.random() < 0.5 for board in dict.fromkeys(table.boards)}
    level = {board: rng.uniform(0.0, 0.5) for board in fate}
    columns = {**table.columns, "bridge_width_mm": np.array([level[b] for b in table.boards])}
    drawn = replace(table, columns=columns, marginal=np.zeros(len(table), dtype=bool),
                    findings=tuple(("bridge",) if fate[b] else () for b in table.boards))
    result = train_sheet(drawn, folds=6)
    assert result.report.validation is not None
    wrong = result.report.validation.escapes.share + result.report.validation.false_calls.share
    assert wrong > 0.3


def test_guards_follow_the_scatter_against_truth() -> None:
    table = joint_table(60, 14)
    found = uncertainty_near(table, "wetting_angle_deg", 40.0)
    assert found.scatter == pytest.approx(NOISE["wetting_angle_deg"], rel=0.25)
    assert abs(found.bias) < 1.0
    [rule] = guarded([Rule("non_wetting", "test", (Condition("wetting_angle_deg", above=55.0),))], table, k=2.0)
    assert rule.when[0].guard == pytest.approx(2 * NOISE["wetting_angle_deg"], rel=0.25)


def test_guards_count_a_bias_only_where_it_hides_defects() -> None:
    table = joint_table(60, 15)
    high = replace(table, columns={**table.columns, "coverage_deg": table.columns["coverage_deg"] + 20})
    found = uncertainty_near(high, "coverage_deg", 300.0)
    assert found.toward_escape("below") == pytest.approx(np.hypot(found.scatter, found.bias))
    assert found.toward_escape("above") == pytest.approx(found.scatter)


def test_a_stray_good_joint_beyond_the_limit_does_not_close_the_gap() -> None:
    # Good joints read exactly no bridge but one, which reads a wide one: the band must not shrink to nothing for it.
    width = np.concatenate([np.zeros(999), [0.3], np.full(30, 0.4)])
    table = LabelledTable("joint", {"bridge_width_mm": width}, ((),) * 1000 + (("bridge",),) * 30,
                          tuple(f"b{i % 20}" for i in range(1030)), np.zeros(1030, dtype=bool))
    [rule] = guarded([Rule("bridge", "test", (Condition("bridge_width_mm", above=0.1),))], table, learned=[True])
    sheet = LimitSheet((rule,))
    columns = {"bridge_width_mm": np.array([0.0, 0.02, 0.088, 0.12])}
    assert judge(sheet, "joint", columns).verdicts == ["accept", "review", "review", "reject"]


def test_a_truth_of_two_values_tells_no_scatter_near_a_limit() -> None:
    # Whether a lead is seen is 0 or 1: half of the examples read wrong are no scatter of 0.5 at a limit between.
    seen = np.concatenate([np.ones(200), np.zeros(40), np.ones(40)])
    table = LabelledTable("joint", {"lead_visible": seen}, ((),) * 200 + (("lead_missing",),) * 80,
                          tuple(f"b{i % 20}" for i in range(280)), np.zeros(280, dtype=bool),
                          exact={"lead_visible": np.concatenate([np.ones(200), np.zeros(80)])})
    assert np.isnan(uncertainty_near(table, "lead_visible", 0.2).scatter)


def test_where_good_joints_read_nothing_the_limit_lies_below_the_middle() -> None:
    rng = np.random.default_rng(23)
    width = np.concatenate([np.zeros(600), rng.uniform(0.15, 0.55, 60)])
    table = LabelledTable("joint", {"bridge_width_mm": width}, ((),) * 600 + (("bridge",),) * 60,
                          tuple(f"b{i % 20}" for i in range(660)), np.zeros(660, dtype=bool))
    [rule] = learn_rules("bridge", table, [], "learned")
    limit = rule.when[0].above
    assert limit is not None
    assert 0.03 <= limit < 0.075  # from a quarter of the way, and not half-way, to the narrowest


def test_limits_are_plain_numbers(trained: TrainResult) -> None:
    # One that is not (a NumPy scalar) would print as such where a sheet is shown.
    for rule in trained.sheet.rules:
        for condition in rule.when:
            assert all(type(value) is float for value in (condition.below, condition.above) if value is not None)
            assert type(condition.guard) is float


def test_guards_send_no_more_good_joints_to_review_than_allowed() -> None:
    table = joint_table(40, 16)
    rule = Rule("non_wetting", "test", (Condition("wetting_angle_deg", above=45.0),))
    for most in (0.005, 0.02, 0.05):
        [narrow] = guarded([rule], table, k=8.0, most_review=most)
        verdicts = judge(LimitSheet((narrow,)), "joint", table.take(table.good).columns).verdicts
        assert verdicts.count("review") <= most * len(verdicts)


def test_rules_name_findings_of_their_part(trained: TrainResult) -> None:
    for rule in trained.sheet.rules:
        assert all(MEASURE[c.measure].part == FINDING[rule.finding].part for c in rule.when)


def test_weights_count() -> None:
    # One mislabelled good board with little weight must not move the limit.
    table = joint_table(20, 17, findings=("bridge",))
    wrong = joint_table(1, 99, findings=("bridge",), prefix="W")
    wrong = replace(wrong, columns={**wrong.columns, "bridge_width_mm": np.full(len(wrong), 0.5)},
                    findings=((),) * len(wrong), weights=np.full(len(wrong), 0.001))
    rules = [learn_rules("bridge", some, [], "learned") for some in (table, join_tables([table, wrong]))]
    assert rules[0][0].when[0].above == pytest.approx(rules[1][0].when[0].above, abs=0.03)


def test_tables_without_good_joints_or_of_the_wrong_part_are_refused() -> None:
    table = joint_table(4, 18)
    with pytest.raises(MeniscopeError, match="no good joint"):
        train_sheet(table.take(~table.good))
    with pytest.raises(MeniscopeError, match="wanted a table of joints"):
        train_sheet(chip_table(4, 1))


def test_what_only_confirms_a_finding_is_no_rule_of_its_own() -> None:
    """Steep toes alone would part these examples best, but good solder may stand steep round a lead that shows."""
    rng = np.random.default_rng(25)
    dome = np.concatenate([rng.normal(-0.4, 0.25, 400), rng.uniform(0.13, 0.5, 60)])
    toe = np.concatenate([rng.uniform(10.0, 44.0, 400), rng.uniform(46.0, 70.0, 60)])
    table = LabelledTable("joint", {"convexity": dome, "wetting_angle_deg": toe},
                          ((),) * 400 + (("excess_solder",),) * 60, tuple(f"b{i % 20}" for i in range(460)),
                          np.zeros(460, dtype=bool))
    rules = learn_rules("excess_solder", table, [], "learned")
    assert rules
    for rule in rules:
        assert {"convexity", "lead_visible"} & {condition.measure for condition in rule.when}
    caught = np.any([holds(rule, table.columns) for rule in rules], axis=0)
    assert caught[400:].mean() > 0.9
    assert caught[:400].mean() < 0.02


def test_a_second_condition_lies_where_good_joints_end_though_other_findings_show_as_much_of_it() -> None:
    """Caps that have not wetted are as steep at their toe as domes are, and a few domed good joints as well."""
    rng = np.random.default_rng(44)
    kinds = ("", 400), ("", 12), ("", 2), ("excess_solder", 2), ("excess_solder", 58), ("non_wetting", 40)
    convexity = [(-0.5, -0.1), (0.16, 0.3), (0.16, 0.3), (0.2, 0.5), (0.2, 0.5), (0.2, 0.5)]
    angle = [(10.0, 30.0), (12.0, 27.0), (55.0, 55.0), (34.0, 36.0), (55.0, 55.0), (55.0, 55.0)]
    columns = {name: np.concatenate([rng.uniform(low, high, count) for (_, count), (low, high)
                                     in zip(kinds, ranges, strict=True)])
               for name, ranges in (("convexity", convexity), ("wetting_angle_deg", angle))}
    findings = tuple((name,) if name else () for name, count in kinds for _ in range(count))
    table = LabelledTable("joint", columns, findings, tuple(f"b{number % 20}" for number in range(len(findings))),
                          np.zeros(len(findings), dtype=bool))
    rule, = learn_rules("excess_solder", table, (), "learned")
    assert [condition.measure for condition in rule.when] == ["convexity", "wetting_angle_deg"]
    assert 26.0 < (rule.when[1].above or 0.0) < 34.5


def test_no_more_than_a_third_of_a_lead_is_asked_for() -> None:
    """Though all good ones rendered show wholly and some without a lead seem to show half of one."""
    rng = np.random.default_rng(26)
    visible = np.concatenate([rng.uniform(0.9, 1.0, 400), np.zeros(40), rng.uniform(0.4, 0.6, 20)])
    table = LabelledTable("joint", {"lead_visible": visible}, ((),) * 400 + (("lead_missing",),) * 60,
                          tuple(f"b{i % 20}" for i in range(460)), np.zeros(460, dtype=bool))
    rules = learn_rules("lead_missing", table, [], "learned")
    limits = [condition.below for rule in rules for condition in rule.when]
    assert limits
    assert all(limit is not None and 0.0 < limit <= 0.3 for limit in limits)
