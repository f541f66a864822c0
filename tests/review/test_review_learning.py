"""Back to training: labels with provenance, disagreement left out until settled, how the rules fared."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
import review_boards as boards
from sqlalchemy import Engine

from models.criteria import CRITERIA, Criterion
from models.limits import judge
from models.table import LabelledTable, read_table, write_table
from models.train import train_sheet
from models.vocabulary import JOINT_MEASURES
from vision.review.agreement import disputes, next_look, pair_agreements
from vision.review.boards import load_case
from vision.review.decisions import Actor, Decision, decide, decide_blind, look_blind, report_escape, settle
from vision.review.rules import rule_records
from vision.review.samples import reviewed_joints, with_reviews

ADA, BO, CY = Actor("Ada"), Actor("Bo"), Actor("Cy")
REAL, FALSE, UNSURE = Decision("real"), Decision("false_call"), Decision("cannot_tell")


def labels(engine: Engine) -> dict[str, tuple[str, ...]]:
    return {item.place: item.labels for item in reviewed_joints(engine, "invented-9").provenance}


def left_out(engine: Engine) -> dict[str, str]:
    return {item.place: item.why for item in reviewed_joints(engine, "invented-9").left_out}


def test_decided_joints_become_samples_with_their_origin(both: Engine, tmp_path: Path) -> None:
    key = boards.save(both, boards.inspection("B1", boards.MIXED))
    found = boards.findings(both, key)
    decide(both, found["J1.1 partial_wetting"], Decision("real", "no_solder"), ADA, version=0)
    decide(both, found["J1.1 solder_ball"], FALSE, BO, version=0)
    decide(both, found["J1.2 bridge"], REAL, ADA, version=0)
    decide(both, found["J1.5 partial_wetting"], FALSE, ADA, version=0)
    report_escape(both, key, joint_id=8, chip_id=None, finding="blowhole", note="", by=BO)
    assert labels(both) == {"J1.1": ("no_solder",), "J1.2": ("bridge",), "J1.3": ("bridge",), "J1.5": (),
                            "X2.2": ("blowhole",)}
    reviewed = reviewed_joints(both, "invented-9", weight=4.0)
    assert reviewed.provenance[0].reviewers == ("Ada", "Bo")
    assert reviewed.table.columns["coverage_deg"].tolist() == [212.0, 355.0, 355.0, 274.0, 355.0]
    assert np.isnan(reviewed.table.columns["wetting_angle_deg"]).all()
    assert reviewed.table.uncertainties["coverage_deg"].tolist() == [2.0] * 5
    assert reviewed.table.weight().tolist() == [4.0] * 5
    assert set(reviewed.table.boards) == {"invented-9/B1"}
    write_table(reviewed.table, tmp_path / "reviewed.csv")
    assert read_table(tmp_path / "reviewed.csv", "joint").findings == reviewed.table.findings


def test_training_takes_reviewed_joints_beside_rendered_ones(engine: Engine) -> None:
    """What people saw moves a limit: real defects at 300 deg, which the rendered boards alone would accept."""
    rng = np.random.default_rng(4)
    coverage = np.concatenate([rng.uniform(335.0, 360.0, 300), rng.uniform(60.0, 200.0, 120)])
    columns = {name: np.full(420, 0.5) for name in JOINT_MEASURES} | {"coverage_deg": coverage}
    rendered = LabelledTable("joint", columns, ((),) * 300 + (("partial_wetting",),) * 120,
                             tuple(f"lot:{row % 20}" for row in range(420)), np.zeros(420, dtype=bool))
    for number in range(30):
        key = boards.save(engine, boards.inspection(
            f"B{number}", {"J1.2": [("partial_wetting", 295.0 + number / 3.0, "review")]}, minute=number))
        (finding,) = boards.findings(engine, key).values()
        decide(engine, finding, REAL, ADA, version=0)
    both_kinds = with_reviews(rendered, reviewed_joints(engine, "invented-9", weight=2.0))
    assert len(both_kinds) == 450
    assert len(set(both_kinds.boards)) == 50
    seen = {"coverage_deg": np.array([300.0])} | {name: np.array([0.5]) for name in JOINT_MEASURES
                                                  if name != "coverage_deg"}
    verdicts = [judge(train_sheet(table, folds=0, criteria=()).sheet, "joint", seen).verdicts[0]
                for table in (rendered, both_kinds)]
    assert verdicts == ["accept", "reject"]


def test_half_decided_joints_and_unseen_indicators_teach_nothing(engine: Engine) -> None:
    faults = {**boards.MIXED, "X2.1": [("blowhole", 0.5, "indicator"), ("partial_wetting", 272.0, "review")]}
    found = boards.findings(engine, boards.save(engine, boards.inspection("B1", faults)))
    decide(engine, found["J1.1 partial_wetting"], REAL, ADA, version=0)
    decide(engine, found["X2.1 partial_wetting"], FALSE, ADA, version=0)
    assert labels(engine) == {}
    assert left_out(engine) == {"J1.1": "another finding at this joint waits",
                                "X2.1": "nobody has looked at its process indicator (blowhole)"}


def test_disagreement_is_shown_and_left_out_until_settled(both: Engine) -> None:
    finding = boards.findings(both, boards.save(both, boards.inspection("B1", boards.MIXED)))["J1.5 partial_wetting"]
    decide(both, finding, REAL, ADA, version=0)
    assert labels(both) == {"J1.5": ("partial_wetting",)}
    decide_blind(both, finding, REAL, BO)
    assert disputes(both) == []
    decide_blind(both, finding, FALSE, CY)
    (dispute,) = disputes(both)
    assert (dispute.serial, dispute.reason) == ("B1", "people disagree")
    assert [(item.reviewer, item.call, item.blind) for item in dispute.opinions] == [
        ("Ada", "real", False), ("Bo", "real", True), ("Cy", "false_call", True)]
    assert labels(both) == {}
    assert left_out(both) == {"J1.5": "people disagree"}
    settle(both, finding, FALSE, BO, version=load_case(both, finding).version)
    assert disputes(both) == []
    assert labels(both) == {"J1.5": ()}


def test_cannot_tell_is_to_be_settled_and_teaches_nothing(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    decide(engine, boards.findings(engine, key)["J1.5 partial_wetting"], UNSURE, ADA, version=0)
    assert [item.reason for item in disputes(engine)] == ["somebody could not tell"]
    assert left_out(engine) == {"J1.5": "somebody could not tell"}


def test_samples_of_other_families_and_old_gradings_stay_out(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    decide(engine, boards.findings(engine, key)["J1.2 bridge"], REAL, ADA, version=0)
    assert len(reviewed_joints(engine, "another").table) == 0
    other = boards.sheet("second")
    boards.save(engine, boards.inspection("B1", boards.MIXED, minute=1, by=other), by=other)
    assert labels(engine) == {}


def test_agreement_of_two_people_is_cohen_s_kappa(engine: Engine) -> None:
    """Cohen's kappa by hand: two people, ten findings, both real 4, both false 3, Ada alone 2, Bo alone 1:
    po = 0.7, pe = 0.6 * 0.5 + 0.4 * 0.5 = 0.5, kappa = 0.4 (the 20, 5, 10, 15 table of the literature in small)."""
    calls = [(REAL, REAL)] * 4 + [(FALSE, FALSE)] * 3 + [(REAL, FALSE)] * 2 + [(FALSE, REAL)]
    for number, (one, two) in enumerate(calls):
        key = boards.save(engine, boards.inspection(f"B{number}", {"J1.2": [("partial_wetting", 200.0, "reject")]},
                                                    minute=number))
        (finding,) = boards.findings(engine, key).values()
        decide(engine, finding, one, ADA, version=0)
        decide_blind(engine, finding, two, BO)
    (pair,) = pair_agreements(engine)
    assert (pair.one, pair.two, pair.count, pair.agreed) == ("Ada", "Bo", 10, 7)
    assert pair.kappa == pytest.approx(0.4)


def test_blind_looks_mix_accepted_joints_in_and_never_repeat(engine: Engine) -> None:
    key = boards.save(engine, boards.inspection("B1", boards.MIXED))
    seen: list[tuple[int, bool]] = []
    while (look := next_look(engine, "Ada")) is not None:
        assert look.inspection_id == key
        seen.append((look.joint_id, look.finding_id is None))
        if look.finding_id is None:
            look_blind(engine, key, look.joint_id, FALSE, ADA)
        else:
            decide_blind(engine, look.finding_id, FALSE, ADA)
    flagged = [joint for joint, control in seen if not control]
    controls = {joint for joint, control in seen if control}
    assert sorted(set(flagged)) == [1, 2, 3, 5]  # J1.1, J1.2, J1.3, J1.5; its indicator does not count
    assert flagged.count(1) == 2  # J1.1 has two findings, each shown on its own
    assert controls
    assert not controls & set(flagged)
    assert next_look(engine, "Bo") is not None


def test_rules_are_told_apart_and_the_hint_says_what_moving_would_do(both: Engine) -> None:
    values = [(268.0, FALSE), (265.0, FALSE), (250.0, REAL), (120.0, REAL), (90.0, UNSURE)]
    for number, (value, call) in enumerate(values):
        key = boards.save(both, boards.inspection(f"B{number}", {"J1.2": [("partial_wetting", value, "reject")]},
                                                  minute=number))
        (finding,) = boards.findings(both, key).values()
        decide(both, finding, call, ADA, version=0)
    (record,) = rule_records(both)
    assert record.words == "partial wetting when coverage below 270 deg"
    assert (record.decided, len(record.false_values), record.unsure) == (4, 2, 1)
    # Clopper-Pearson 95 % for 2 of 4: 0.0676 to 0.9324 (exact binomial tables; closed by beta quantiles).
    assert record.interval == pytest.approx((0.0676, 0.9324), abs=5e-4)
    assert record.hint == "All 2 real defects lie at 250 deg or less; 2 of 2 false calls lie above that."
    assert [(week.real, week.false_calls) for week in record.weeks] == [(2, 2)]
    assert rule_records(both, now=boards.START + timedelta(days=400)) == []


def test_overlapping_values_get_no_hint_to_move_the_limit(engine: Engine) -> None:
    for number, (value, call) in enumerate([(200.0, FALSE), (268.0, REAL)]):
        key = boards.save(engine, boards.inspection(f"B{number}", {"J1.2": [("partial_wetting", value, "reject")]},
                                                    minute=number))
        (finding,) = boards.findings(engine, key).values()
        decide(engine, finding, call, ADA, version=0)
    (record,) = rule_records(engine)
    assert "would lose real defects" in record.hint


def decided_false(engine: Engine, count: int, source: str) -> str:
    """Return what is said of a rule of some source after so many false calls and nothing else."""
    before = dict(boards.RULES)
    boards.RULES["partial_wetting"] = replace(before["partial_wetting"], source=source)
    try:
        for number in range(count):
            key = boards.save(engine, boards.inspection(
                f"N{number}", {"J1.1": [("partial_wetting", 250.0, "reject")]}, minute=number))
            (finding,) = boards.findings(engine, key).values()
            decide(engine, finding, Decision("false_call"), Actor("Ada"), version=0)
    finally:
        boards.RULES.clear()
        boards.RULES.update(before)
    (record,) = rule_records(engine)
    return record.hint


@pytest.mark.parametrize(("count", "words"), [
    (1, "The one finding decided so far was a false call: too few to judge the rule by"),
    (2, "Both findings decided so far were false calls: too few to judge the rule by, for the interval reaches down "
        "to 16 %."),
    (16, "All 16 findings decided so far were false calls: too few"),
])
def test_nothing_is_concluded_from_a_few_false_calls(engine: Engine, count: int, words: str) -> None:
    """Reference: with k = n the interval's lower end is 0.025 ** (1 / n): 0.158 for 2, 0.794 for 16."""
    hint = decided_false(engine, count, "learned")
    assert hint.startswith(words)
    assert "too strict" not in hint


def test_many_false_calls_say_what_their_interval_bears_out(engine: Engine) -> None:
    """0.025 ** (1 / 20) = 0.832."""
    assert decided_false(engine, 20, "learned") == (
        "All 20 findings decided so far were false calls, and the interval begins at 83 %. Look whether the limit of "
        "coverage is too strict.")


@pytest.mark.parametrize("count", [2, 20])
def test_what_the_standard_asks_for_is_said_so(engine: Engine, count: int) -> None:
    source = criteria("partial_wetting", "coverage_deg").source(2)
    hint = decided_false(engine, count, source)
    assert "The standard asks for this limit" in hint
    assert "too strict" not in hint
    assert "needed" not in hint


def test_a_learned_limit_of_what_the_standard_asks_for_is_told_apart(engine: Engine) -> None:
    asked = criteria("partial_wetting", "coverage_deg").asked(2)
    assert "The standard asks for this finding; its limit was learned." in decided_false(
        engine, 2, f"learned; asked for by {asked}")


def criteria(finding: str, measure: str) -> Criterion:
    (one,) = (item for item in CRITERIA if (item.finding, item.measure) == (finding, measure))
    assert one.status == "confirmed"
    return one


def test_one_defect_and_one_false_call_are_told_in_good_english(engine: Engine) -> None:
    for number, (value, call) in enumerate(((240.0, "real"), (262.0, "false_call"))):
        key = boards.save(engine, boards.inspection(
            f"N{number}", {"J1.1": [("partial_wetting", value, "reject")]}, minute=number))
        (finding,) = boards.findings(engine, key).values()
        decide(engine, finding, Decision(call), Actor("Ada"), version=0)
    (record,) = rule_records(engine)
    assert record.hint == "The only real defect lies at 240 deg; the only false call lies above that."
