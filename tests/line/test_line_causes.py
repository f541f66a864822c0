"""Candidate causes: said as hints, ranked by the log and by common practice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_line import history_of, rows_of

from models.vocabulary import FINDING, MEASURE
from synthetic_images.line_lot import Drift, LineLot, line_family, simulate_line
from vision.line.alarm import Alarm, describe
from vision.line.alarm_text import alarm_lines, place_words
from vision.line.causes import AGREES, PRACTICE, SPEAKS_AGAINST, log_differences, rank_causes
from vision.line.history import PLACE_KINDS, places
from vision.line.log_join import Logged, fit_clock, join
from vision.line.log_words import QUANTITY
from vision.line.practice import CAUSES, SOURCE
from vision.line.watch import Settings, scan

FAMILY = line_family()


def alarm_of(lot: LineLot, with_log: bool = True) -> Alarm:
    history, log = history_of(lot), rows_of(lot)
    logged = join(log, lot.serials, lot.at_s, fit_clock(log, lot.serials, lot.at_s)) if with_log else ()
    return describe(history, scan(history)[0], Settings(), logged)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("drift", "cause", "quantity"), [
    (Drift("nozzle_dewetting", 90, place="N2"), "nozzle_dewetted", "time since the nozzle was cleaned"),
    (Drift("flux_jet_clogging", 80, place="S5"), "flux_short", "missing flux drops"),
    (Drift("cold_after_pause", 80), "preheat_low", "preheat end temperature"),
    (Drift("poor_board_batch", 100, length=50), "lands_poor", "board batch PB003"),
], ids=["nozzle", "flux", "preheat", "boards"])
def test_the_true_cause_comes_first_and_the_log_says_why(drift: Drift, cause: str, quantity: str, seed: int) -> None:
    alarm = alarm_of(simulate_line(FAMILY, boards=150, seed=seed, drifts=(drift,), clock_offset_s=200.0))
    assert alarm.hints[0].cause == cause
    assert alarm.hints[0].standing == AGREES
    assert quantity in alarm.hints[0].evidence
    assert alarm.hints[0].source == SOURCE


def test_without_a_log_only_common_practice_speaks() -> None:
    alarm = alarm_of(simulate_line(FAMILY, boards=120, seed=1, drifts=(Drift("flux_jet_clogging", 80, place="S5"),)),
                     with_log=False)
    assert "flux_short" in [hint.cause for hint in alarm.hints]
    assert {hint.standing for hint in alarm.hints} == {PRACTICE}
    assert all(hint.source == SOURCE for hint in alarm.hints)


def test_a_cause_that_the_log_contradicts_comes_last() -> None:
    alarm = alarm_of(simulate_line(FAMILY, boards=150, seed=1, drifts=(Drift("cold_after_pause", 80),)))
    standings = [hint.standing for hint in alarm.hints]
    assert SPEAKS_AGAINST in standings
    assert standings.index(SPEAKS_AGAINST) > max(i for i, word in enumerate(standings) if word != SPEAKS_AGAINST)


def test_evidence_always_carries_an_interval() -> None:
    alarm = alarm_of(simulate_line(FAMILY, boards=150, seed=2, drifts=(Drift("cold_after_pause", 80),)))
    first = alarm.hints[0].evidence
    assert " K (−" in first and " to −" in first and "from 1" in first
    assert all(change.low <= change.shift <= change.high for change in alarm.changes)


def test_hints_are_worded_as_hints() -> None:
    text = "\n".join(alarm_lines(alarm_of(simulate_line(FAMILY, boards=120, seed=3,
                                                        drifts=(Drift("flux_jet_clogging", 80, place="S5"),)))))
    assert "hints, not findings" in text
    assert "1. perhaps: " in text
    assert "next check:" in text
    assert "at most once in 10,000 boards" in text
    assert max(len(line) for line in text.splitlines()) <= 120


def test_a_batch_seen_before_the_change_is_not_blamed() -> None:
    alarm = alarm_of(simulate_line(FAMILY, boards=150, seed=4, drifts=(Drift("poor_board_batch", 80, length=70),)))
    assert alarm.batch.startswith("not with a board batch")
    assert not any("board batch" in hint.evidence and hint.standing == AGREES for hint in alarm.hints)


def test_a_drift_that_begins_with_a_batch_says_how_easily_that_happens_by_chance() -> None:
    alarm = alarm_of(simulate_line(FAMILY, boards=150, seed=5, drifts=(Drift("poor_board_batch", 100, length=50),)))
    assert "begins with board batch PB003" in alarm.batch
    assert "% of cases" in alarm.batch


def test_pictures_that_show_the_drift_come_with_one_from_before() -> None:
    lot = simulate_line(FAMILY, boards=120, seed=6, drifts=(Drift("flux_jet_clogging", 80, place="S5"),))
    alarm = alarm_of(lot)
    shown = [example for example in alarm.examples if example.shows == "drift"]
    before = [example for example in alarm.examples if example.shows == "before"]
    joints = {joint.name for joint in FAMILY.joints if joint.step == "S5"}
    assert len(shown) >= 3 and len(before) == 1
    assert all(example.joint in joints and lot.serials.index(example.serial) >= 79 for example in shown)
    assert lot.serials.index(before[0].serial) < 80
    assert before[0].joint == shown[0].joint


def test_the_table_of_practice_uses_known_words_only() -> None:
    for cause in CAUSES:
        assert set(cause.places) <= set(PLACE_KINDS)
        assert all(symptom[:-1] in MEASURE or symptom[:-1] in FINDING for symptom in cause.symptoms)
        assert all(sign[:-1] in QUANTITY and sign[-1] in "+-*" for sign in cause.signs)
        assert cause.check.endswith((".", "?"))
    assert len({cause.name for cause in CAUSES}) == len(CAUSES)


def test_every_joint_finding_that_a_process_makes_has_a_usual_cause() -> None:
    covered = {symptom[:-1] for cause in CAUSES for symptom in cause.symptoms}
    chips_and_leads = {"lead_missing", "chip_missing", "chip_shifted"}
    assert {name for name in FINDING if name not in covered} <= chips_and_leads


def test_a_cause_needs_a_fitting_place() -> None:
    assert "nozzle_dewetted" in [hint.cause for hint in rank_causes(["coverage_deg-"], ["nozzle"], ())]
    assert "nozzle_dewetted" not in [hint.cause for hint in rank_causes(["coverage_deg-"], ["whole board"], ())]


def test_a_camera_that_lost_its_focus_is_not_blamed_on_the_soldering() -> None:
    lot = simulate_line(FAMILY, boards=130, seed=9)
    history = history_of(lot)
    sharpness = history.measures["sharpness"].copy()
    sharpness[90:] -= 0.05
    history = replace(history, measures={**history.measures, "sharpness": sharpness})
    alarm = describe(history, scan(history)[0], Settings())
    assert (alarm.quantity, alarm.kind, alarm.hints[0].cause) == ("sharpness", "whole board", "station")


def test_checks_are_compared_as_shares_exactly() -> None:
    # reference: scipy.stats.fisher_exact
    from scipy import stats

    lot = simulate_line(FAMILY, boards=120, seed=2)
    history = history_of(lot)
    passed = np.ones(120)
    passed[90:] = np.arange(30) % 3 != 0
    place = next(place for place in places(history.joints) if place.text == "step S5")
    good, bad = np.arange(120) < 90, np.arange(120) >= 90
    found = log_differences(history, [Logged("flux_direction_ok", "", "", "S5", passed)], place, bad, good)[0]
    assert found.difference.p_value == pytest.approx(stats.fisher_exact([[90, 0], [20, 10]]).pvalue)
    assert found.differs and found.side == "-"
    assert "passed in 67 % since then, in 100 % before (−33 points" in found.text
    assert rank_causes(["wetting_angle_deg+"], ["step"], [found])[0].cause == "flux_short"


def test_a_quantity_that_follows_the_damage_says_so() -> None:
    lot = simulate_line(FAMILY, boards=120, seed=2)
    history = history_of(lot)
    rng = np.random.default_rng(1)
    missing = np.where(np.arange(120) >= 90, 15.0, 0.0) + rng.normal(0, 3, 120)
    place = next(place for place in places(history.joints) if place.text == "step S5")
    good, bad = np.arange(120) < 90, np.arange(120) >= 90
    items = [Logged("flux_drops_missing", "", "", "S5", missing)]
    follows = log_differences(history, items, place, bad, good, severity=missing + rng.normal(0, 1, 120))[0]
    apart = log_differences(history, items, place, bad, good, severity=rng.normal(0, 1, 120))[0]
    assert follows.link > 0.4 and "the worse ones have more of it" in follows.text
    assert apart.link == 0.0 and "worse ones" not in apart.text


def test_an_open_choice_of_place_is_told() -> None:
    alarm = alarm_of(simulate_line(FAMILY, boards=120, seed=6, drifts=(Drift("flux_jet_clogging", 80, place="S5"),)))
    unsure = replace(alarm, place_share=0.5, next_share=0.4, next_place="nozzle N3")
    assert place_words(unsure) == "open: nozzle N3 is only 1.2 times less likely"
    assert np.isfinite(alarm.evidence) and alarm.evidence >= 1.0
