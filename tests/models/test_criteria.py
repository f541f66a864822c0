"""Workmanship numbers of the three classes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.criteria import CRITERIA, SEVERITY, criteria_table, defects_of, severity_of, unsought, workmanship_rules
from models.errors import MeniscopeError
from models.rules import LimitSheet
from models.vocabulary import FINDINGS


# IPC-A-610 revisions E to G, 7.3.5.4 and 7.3.5.5 (public extracts and training sheets): fillet and wetting on the
# solder side 270, 270, 330 degrees; land covered 75, 75, 75 %.
@pytest.mark.parametrize(("grade", "coverage", "land"), [(1, 270.0, 75.0), (2, 270.0, 75.0), (3, 330.0, 75.0)])
def test_numbers_of_the_standard(grade: int, coverage: float, land: float) -> None:
    limits = {c.measure: c.below for rule in workmanship_rules(grade, placed=False) for c in rule.when}
    assert limits["coverage_deg"] == coverage
    assert limits["land_cover_pct"] == land


def test_three_quarters_of_a_circle_is_the_wetting_of_class_1_and_2() -> None:
    # 75 % of 360 degrees; 330 of 360 degrees is 91.67 %. Arithmetic.
    by_grade = next(c.limits for c in CRITERIA if c.measure == "coverage_deg")
    assert by_grade[1] == 0.75 * 360
    assert by_grade[2] / 360 == pytest.approx(0.9167, abs=1e-4)


def test_loose_balls_of_the_old_revision_with_a_number() -> None:
    # IPC-A-610 revision B as quoted by a user: larger than 0.13 mm. Later revisions name no size.
    assert [c.limits for c in CRITERIA if c.finding == "solder_ball"] == [(0.13, 0.13, 0.13)]


def test_every_source_says_how_far_it_can_be_trusted() -> None:
    for grade in (1, 2, 3):
        for rule in workmanship_rules(grade):
            assert rule.source.startswith(f"workmanship class {grade}: ")
            assert rule.source.endswith(("confirmed", "from memory", "project default"))


def test_every_finding_has_a_severity_for_each_class() -> None:
    assert set(SEVERITY) == {finding.name for finding in FINDINGS}
    # IPC-A-610 5.2, from memory: pits are no defect by themselves. Bridges and loose balls are in all classes.
    assert severity_of("blowhole", 2) == "indicator"
    for grade in (1, 2, 3):
        assert {"bridge", "solder_ball", "no_solder", "non_wetting", "lead_missing"} <= defects_of(grade)
    assert "excess_solder" not in defects_of(1)
    assert "excess_solder" in defects_of(3)


def test_process_indicators_become_indicator_rules() -> None:
    flags = {rule.finding: rule.indicator for rule in workmanship_rules(1)}
    assert flags["blowhole"]
    assert flags["excess_solder"]
    assert not flags["bridge"]


def test_the_table_for_readers_holds_every_criterion_and_what_the_camera_cannot_see() -> None:
    rows = criteria_table()
    assert len(rows) > len(CRITERIA)
    wetting = next(row for row in rows if row["clause"] == "7.3.5.4")
    assert (wetting["class 1"], wetting["class 2"], wetting["class 3"]) == ("270 deg", "270 deg", "330 deg")
    # IPC-A-610F 7.3.5.1: vertical fill not specified, 75 %, 75 %.
    fill = next(row for row in rows if row["clause"] == "7.3.5.1")
    assert (fill["class 2"], fill["reject when"]) == ("75 %", "not seen by the camera")


def test_a_class_that_does_not_exist_is_refused() -> None:
    with pytest.raises(MeniscopeError, match="got 4, wanted 1, 2 or 3"):
        workmanship_rules(4)


def test_defects_that_no_rule_rejects_are_named() -> None:
    """The built-in criteria have no number for a shifted chip; indicators reject nothing, and are not asked to."""
    whole = LimitSheet(workmanship_rules(2))
    assert unsought(whole) == ("chip_shifted",)
    only = LimitSheet(tuple(rule for rule in whole.rules if rule.finding == "no_solder"))
    assert unsought(only) == tuple(f.name for f in FINDINGS if f.name not in ("no_solder", "blowhole"))
    weakened = replace(whole, rules=tuple(replace(rule, indicator=rule.finding == "bridge") for rule in whole.rules))
    assert unsought(weakened) == ("bridge", "chip_shifted")
    assert "excess_solder" not in unsought(replace(only, workmanship_class=1))
