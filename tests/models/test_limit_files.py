"""Limit sheets as files: what is written is read again, and everything wrong is reported at once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.criteria import workmanship_rules
from models.errors import InputError
from models.limits import (
    Condition,
    Evidence,
    LimitSheet,
    Rule,
    parse_limits,
    read_limits,
    sheet_hash,
    sheet_problems,
    sheet_text,
    write_limits,
)
from models.sheet_check import laxer_rules

SHEET = LimitSheet((
    Rule("partial_wetting", "workmanship class 2", (Condition("coverage_deg", below=270.0, guard=8.0),),
         Evidence(412, 0, 5210, 11)),
    Rule("excess_solder", "learned", (Condition("lead_visible", below=0.5, guard=0.1),
                                      Condition("convexity", above=-0.15)), indicator=True),
), "psu-24", 2, 'a "note"\nwith a line break')


def problems_of(text: str) -> list[tuple[str, str, str]]:
    with pytest.raises(InputError) as caught:
        parse_limits(text, "limits.toml")
    return [(p.where, p.got, p.wanted) for p in caught.value.problems]


def rule(when: str, finding: str = "partial_wetting", more: str = "") -> str:
    return f'[[rule]]\nfinding = "{finding}"\nsource = "test"\nwhen = [{when}]\n{more}\n'


def test_a_written_sheet_reads_the_same(tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    write_limits(SHEET, path)
    assert read_limits(path) == SHEET
    assert [file.name for file in tmp_path.iterdir()] == ["limits.toml"]  # no temporary file stays


def test_the_format_is_the_documented_one() -> None:
    assert ('[[rule]]\nfinding = "partial_wetting"\nsource = "workmanship class 2"\n'
            'when = [{measure = "coverage_deg", below = 270.0, guard = 8.0}]\n'
            "evidence = {defects = 412, escapes = 0, good = 5210, false_calls = 11}\n") in sheet_text(SHEET)


def test_comments_and_order_of_keys_do_not_change_the_hash_but_a_limit_does() -> None:
    edited = "# my own remark\n" + sheet_text(SHEET).replace("below = 270.0, guard = 8.0", "guard = 8, below = 270")
    assert sheet_hash(parse_limits(edited)) == sheet_hash(SHEET)
    assert sheet_hash(parse_limits(sheet_text(SHEET).replace("270.0", "271.0"))) != sheet_hash(SHEET)


@pytest.mark.parametrize("grade", [1, 2, 3])
def test_the_criteria_alone_make_a_good_sheet(grade: int) -> None:
    sheet = LimitSheet(workmanship_rules(grade), "any", grade)
    assert sheet_problems(sheet, "x") == []
    assert parse_limits(sheet_text(sheet)) == sheet


def test_every_problem_is_reported_at_once_with_its_rule_and_line() -> None:
    text = ('colour = "red"\nworkmanship_class = 4\n' + rule('{measure = "coverage_deg", below = "low"}')
            + rule('{measure = "coverag_deg", below = 3.0}', "bridg") + rule('{measure = "turn_deg", above = 5.0}'))
    found = problems_of(text)
    places = [where for where, _, _ in found]
    assert places == ["", "rule 1 (line 3), when.1.below", "workmanship_class", "rule 2 (line 8), finding",
                      "rule 2 (line 8), when.1.measure", "rule 3 (line 13), when.1.measure"]
    assert found[3][1:] == ("'bridg'", "a known name; did you mean bridge?")
    assert found[5][1] == "turn_deg, measured on a chip"


@pytest.mark.parametrize(("when", "got"), [
    ('{measure = "coverage_deg", below = 0.0}', "0, which is unreachable: coverage_deg is never below 0"),
    ('{measure = "coverage_deg", above = 360.0}', "360, which is unreachable: coverage_deg is never above 360"),
    ('{measure = "land_cover_pct", below = 140.0}', "140, which every value of land_cover_pct meets"),
    ('{measure = "coverage_deg"}', "no limit"),
    ('{measure = "coverage_deg", below = 100.0, above = 200.0}',
     "coverage_deg above 200 and below 100 at once, a contradiction"),
    ('{measure = "coverage_deg", below = 100.0}, {measure = "coverage_deg", above = 200.0}',
     "coverage_deg above 200 and below 100 at once, a contradiction: the rule can never fire"),
    ('{measure = "coverage_deg", below = 100.0}, {measure = "coverage_deg", above = 50.0}', "coverage_deg 2 times"),
    ('{measure = "coverage_deg", below = 270.0, guard = -1.0}', "-1.0"),
    ('{measure = "coverage_deg", below = 350.0, guard = 20.0}',
     "20: with it even the best coverage (360 deg) is sent to review"),
    ('{measure = "ball_count", above = 0.0, guard = 0.5}',
     "0.5: with it even the best ball count (0) is sent to review"),
    ('{measure = "coverage_deg", below = nan}', "nan"),
    ('{measure = "coverage_deg", below = true}', "True"),
    ("", "no conditions"),
])
def test_limits_that_make_no_sense_are_refused(when: str, got: str) -> None:
    finding = "solder_ball" if "ball_count" in when else "partial_wetting"
    assert [found[1] for found in problems_of(rule(when, finding))] == [got]


def test_a_rule_that_never_decides_is_refused() -> None:
    wide, narrow = '{measure = "coverage_deg", below = 270.0}', '{measure = "coverage_deg", below = 200.0}'
    both = narrow + ', {measure = "land_cover_pct", below = 50.0}'
    [(where, got, _)] = problems_of(rule(wide) + rule(both))
    assert where == "rule 2 (line 6)"
    assert got.startswith("a rule that never decides: rule 1 (line 1) answers whenever it would")
    assert [where for where, _, _ in problems_of(rule(wide) + rule(wide))] == ["rule 2 (line 6)"]


def test_a_narrower_rule_with_a_wider_guard_band_stays() -> None:
    narrow = '{measure = "coverage_deg", below = 260.0, guard = 30.0}'
    text = rule('{measure = "coverage_deg", below = 270.0, guard = 2.0}') + rule(narrow)
    assert len(parse_limits(text).rules) == 2


def test_rules_that_leave_nothing_to_accept_are_refused() -> None:
    text = (rule('{measure = "wetting_angle_deg", below = 30.0}', "excess_solder")
            + rule('{measure = "wetting_angle_deg", above = 35.0, guard = 10.0}', "non_wetting"))
    [(where, got, _)] = problems_of(text)
    assert where == "rule 2 (line 6) and rule 1 (line 1)"
    assert "no value of wetting_angle_deg is accepted" in got


@pytest.mark.parametrize(("text", "part"), [
    ("", "no rules"), ("rule = 3", "3"), ("[[rule]]\nfinding = ", "broken TOML"), ("rule = [1]", "1"),
    (rule('{measure = "coverage_deg", below = 3.0}',
          more="evidence = {defects = 1, escapes = 2, good = 0, false_calls = 0}"), "'escapes': 2"),
    (rule('{measure = "coverage_deg", below = 3.0}', more="indicator = 1"), "1"),
    (rule('{measure = "coverage_deg", below = 3.0, limit = 4}'), "'limit'"),
])
def test_files_of_the_wrong_shape_are_refused(text: str, part: str) -> None:
    assert part in problems_of(text)[0][1]


def test_files_that_cannot_be_read_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_limits(tmp_path / "none.toml")
    with pytest.raises(InputError, match="a folder"):
        read_limits(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b"family = \"\xe4\"")
    with pytest.raises(InputError, match="UTF-8"):
        read_limits(tmp_path / "latin.toml")


def test_a_bad_sheet_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Nothing was written"):
        write_limits(LimitSheet(()), tmp_path / "limits.toml")
    assert not list(tmp_path.iterdir())


@settings(deadline=None)  # the machine may be busy
@given(st.text(max_size=400))
def test_any_text_gives_a_sheet_or_a_clear_error(text: str) -> None:
    try:
        assert parse_limits(text).rules
    except InputError as error:
        assert error.problems


@settings(deadline=None)  # the machine may be busy
@given(st.floats(1.0, 359.0), st.floats(0.0, 1.0), st.text(max_size=30), st.integers(0, 10_000))
def test_any_numbers_and_texts_survive_the_file(limit: float, guard: float, text: str, count: int) -> None:
    sheet = LimitSheet((Rule("partial_wetting", "s" + text, (Condition("coverage_deg", below=limit, guard=guard),),
                             Evidence(count, 0, count, 0)),), text, 3, text)
    assert parse_limits(sheet_text(sheet)) == sheet


@pytest.mark.parametrize(("finding", "source", "condition", "caution"), [
    ("partial_wetting", "workmanship class 2: IPC-A-610E-G 7.3.5.5, confirmed", Condition("land_cover_pct", below=5.0),
     "land cover below 5 %, laxer than workmanship class 2"),
    ("partial_wetting", "set by hand; workmanship class 3 asks for 330 deg (IPC-A-610E-G 7.3.5.4, confirmed)",
     Condition("coverage_deg", below=300.0), "coverage below 300 deg, laxer than workmanship class 3"),
    ("bridge", "workmanship class 1: IPC-A-610 5.2, project default", Condition("bridge_width_mm", above=0.2),
     "bridge width above 0.20 mm, laxer than workmanship class 1"),
    ("partial_wetting", "workmanship class 2: IPC-A-610E-G 7.3.5.5, confirmed", Condition("land_cover_pct", below=80.0),
     ""),
    ("partial_wetting", "drawing note 7", Condition("land_cover_pct", below=5.0), ""),  # names no class
    ("partial_wetting", "workmanship class 2: note 7, house rule", Condition("land_cover_pct", below=5.0), ""),
    ("no_solder", "learned; asked for by workmanship class 2: IPC-A-610E-G 7.3.5",
     Condition("land_cover_pct", below=3.5), ""),  # the standard gives no number
])
def test_a_rule_that_asks_for_less_than_the_class_it_names_is_told(finding: str, source: str, condition: Condition,
                                                                   caution: str) -> None:
    found = laxer_rules(LimitSheet((Rule(finding, source, (condition,)),)), "limits.toml")
    assert [problem.got for problem in found] == ([caution] if caution else [])


def test_a_rule_beside_that_of_the_class_is_not_told() -> None:
    own = Rule("partial_wetting", "workmanship class 2, for the night shift",
               (Condition("land_cover_pct", below=90.0), Condition("convexity", above=0.1)))
    assert laxer_rules(LimitSheet((own, *workmanship_rules(2))), "limits.toml") == []
    [found] = laxer_rules(LimitSheet((own,)), "limits.toml")
    assert found.wanted.startswith("land cover below 75 % (IPC-A-610E-G 7.3.5.5, confirmed)")
    marked = tuple(replace(rule, indicator=True) for rule in workmanship_rules(2) if rule.finding == "bridge")
    [found] = laxer_rules(LimitSheet(marked), "limits.toml")
    assert "a process indicator, laxer" in found.got
