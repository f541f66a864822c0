"""`meniscope limits` and `study` as a user runs them."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_line import run
from invented_reviews import add_review
from invented_tables import joint_table
from recorded_boards import SHEET, inspection, make_database
from test_study import AIAG

from models.limits import Condition, LimitSheet, Rule, read_limits, sheet_hash, write_limits
from models.table import write_table
from vision.records.database import open_database


def test_show_prints_every_rule(place: Path) -> None:
    text = run("limits", "show", place / "limits.toml").stdout
    assert f"limit sheet for sample, workmanship class 2, {sheet_hash(SHEET)[:12]}" in text
    assert "coverage below 270 deg" in text
    assert "blowhole (indicator)" in text
    rows = json.loads(run("limits", "show", place / "limits.toml", "--json").stdout)
    assert [(row["rule"], row["finding"], row["guard"]) for row in rows] == [
        (1, "partial_wetting", "8 deg"), (2, "bridge", "0.02 mm"), (3, "blowhole", "none"), (4, "chip_missing", "0.1")]
    assert [row["conditions"] for row in rows[:3]] == [
        [{"measure": "coverage_deg", "below": 270.0, "guard": 8.0}],
        [{"measure": "bridge_width_mm", "above": 0.1, "guard": 0.02}],
        [{"measure": "pit_diameter_mm", "above": 0.3, "guard": 0.0}]]
    assert "conditions" not in run("limits", "show", place / "limits.toml", "--csv").stdout


def test_criteria_are_told_as_data_too() -> None:
    rows = json.loads(run("limits", "criteria", "--class", "3", "--json").stdout)
    assert rows[0]["conditions"] == [{"measure": "coverage_deg", "below": 330.0, "guard": 8.0}]
    table = json.loads(run("limits", "criteria", "--json").stdout)
    assert [(each["workmanship_class"], each["measure"], each["below"]) for each in table[0]["conditions"]] == [
        (1, "coverage_deg", 270.0), (2, "coverage_deg", 270.0), (3, "coverage_deg", 330.0)]
    two = next(row for row in table if row["finding"] == "excess solder")["conditions"]
    assert [each["measure"] for each in two if each["workmanship_class"] == 2] == ["lead_visible", "convexity"]
    assert [row["conditions"] for row in table if row["reject when"] == "not seen by the camera"] == [[], [], []]


def test_check_reports_problems_with_exit_code_1(place: Path) -> None:
    assert "good" in run("limits", "check", place / "limits.toml").stdout
    lax = place / "lax.toml"
    lax.write_text((place / "limits.toml").read_text().replace("270.0", "200.0").replace(
        '"workmanship class 2', '"workmanship class 2: IPC-A-610E-G 7.3.5.4', 1))
    text = run("limits", "check", lax).stdout
    assert "caution: " in text
    assert "rule 1: got coverage below 200 deg, laxer than workmanship class 2, wanted coverage below 270 deg" in text
    bad = place / "bad.toml"
    bad.write_text((place / "limits.toml").read_text().replace("270.0", "400.0").replace("bridge_width", "bridg_width"))
    text = run("limits", "check", bad, code=1).stdout
    assert "rule 1 (line 8), when.1.below: got 400, which every value of coverage_deg meets" in text
    assert "did you mean bridge_width_mm?" in text
    assert "2 problems" in text


def test_criteria_are_listed_with_source_and_caution() -> None:
    result = run("limits", "criteria")
    assert "330 deg" in result.stdout
    assert "confirmed" in result.stdout
    assert "current revision of the standard governs" in result.stderr
    assert "coverage below 330 deg" in run("limits", "criteria", "--class", "3").stdout


def test_tables_about_limits_tell_findings_in_words(place: Path) -> None:
    """`limits show` did, the others told the names that files use; JSON and CSV keep those."""
    other = place / "other.toml"
    other.write_text((place / "limits.toml").read_text().replace("270.0", "280.0"))
    for command, code in ((("criteria", "--class", "2"), 0),
                          (("diff", place / "limits.toml", other), 3),
                          (("explain", "S1", "J1.4", "--db", place / "results.sqlite"), 0)):
        table = run("limits", *command, code=code).stdout
        assert "partial wetting" in table
        assert "partial_wetting" not in table
        assert "partial_wetting" in run("limits", *command, "--csv", code=code).stdout


def test_diff_shows_what_differs_with_exit_code_3(place: Path) -> None:
    other = place / "other.toml"
    other.write_text((place / "limits.toml").read_text().replace("270.0", "280.0"))
    assert "judge alike" in run("limits", "diff", place / "limits.toml", place / "limits.toml").stderr
    text = run("limits", "diff", place / "limits.toml", other, code=3).stdout
    assert "coverage below 270 deg" in text
    assert "coverage below 280 deg" in text
    [row] = json.loads(run("limits", "diff", place / "limits.toml", other, "--json", code=3).stdout)
    assert row["conditions_before"] == [{"measure": "coverage_deg", "below": 270.0, "guard": 8.0}]
    assert row["conditions_after"] == [{"measure": "coverage_deg", "below": 280.0, "guard": 8.0}]
    assert row["after"].startswith("coverage below 280 deg; guard 8 deg;")  # a number without its unit says little
    only = place / "only.toml"
    only.write_text((place / "limits.toml").read_text().split("[[rule]]")[0]
                    + "[[rule]]" + (place / "limits.toml").read_text().split("[[rule]]")[1])
    [bridge, *_] = json.loads(run("limits", "diff", place / "limits.toml", only, "--json", code=3).stdout)
    assert (bridge["what"], bridge["conditions_after"]) == ("removed", [])
    assert bridge["conditions_before"][0]["measure"] == "bridge_width_mm"


def test_explain_tells_every_rule_for_a_joint(place: Path) -> None:
    text = run("limits", "explain", "S1", "J1.4", "--db", place / "results.sqlite").stdout
    assert "S1 J1.4: review" in text
    assert "4 deg inside the limit" in text
    assert "-1.0" in text  # one standard uncertainty
    assert "15.9" in text  # per cent of a normal distribution beyond one standard deviation
    found = json.loads(run("limits", "explain", "S2", "C1", "--db", place / "results.sqlite", "--json").stdout)
    assert [(row["rule"], row["outcome"]) for row in found["rules"]] == [(4, "clear")]


def test_explain_says_what_a_tired_person_would_ask(place: Path) -> None:
    rules = (Rule("partial_wetting", "t", (Condition("coverage_deg", below=280.0),
                                           Condition("bridge_width_mm", above=0.5))), SHEET.rules[2])
    write_limits(LimitSheet(rules), place / "two.toml")
    result = run("limits", "explain", "S1", "J1.4", "--db", place / "results.sqlite", "--limits", place / "two.toml")
    told = {line.split("  ")[-1].strip() for line in result.stdout.splitlines() if "280 deg" in line}
    assert told == {"not enough alone"}  # 6 deg beyond its limit, and yet clear
    assert "274.0 deg" in result.stdout  # as fine as the distance beside it
    assert "blowhole (indicator)" in result.stdout
    assert "no uncertainty" not in result.stderr
    chip = run("limits", "explain", "S1", "C1", "--db", place / "results.sqlite")
    assert "no uncertainty (u) is known of these measurements: `meniscope train`" in chip.stderr


def test_explain_names_the_choice_where_the_joint_is_unknown(place: Path) -> None:
    text = run("limits", "explain", "S1", "J9.1", "--db", place / "results.sqlite", code=1).stderr
    assert "got J9.1, wanted one of its joints or chips: J1.1, J1.2" in text


def test_set_shows_the_effect_and_writes_only_when_told(place: Path) -> None:
    before = (place / "limits.toml").read_text()
    table = joint_table(6, 1)
    write_table(table, place / "joints.csv")
    arguments = ("limits", "set", place / "limits.toml", 1, "--limit", 290, "--db", place / "results.sqlite",
                 "--training", place / "joints.csv")
    text = run(*arguments, "--dry-run").stdout
    assert "rule 1, partial wetting: coverage below 270 deg, guard 8 deg\nbecomes: coverage below 290 deg" in text
    assert "on 240 joints with known truth" in text
    assert "false calls" in text
    assert "on 12 recorded joints of 2 boards" in text
    assert "2 verdicts flip" in text
    assert "nothing was written" in run(*arguments, input="n\n").stderr
    assert (place / "limits.toml").read_text() == before
    run(*arguments, "--yes", "--why", "customer asks")
    assert read_limits(place / "limits.toml").rules[0].when[0].below == 290.0
    evidence = read_limits(place / "limits.toml").rules[0].evidence
    assert evidence is not None
    assert evidence.defects == table.has("partial_wetting").sum()
    rows = json.loads(run("limits", "history", place / "limits.toml", "--json").stdout)
    assert [(row["why"], row["before"]) for row in rows] == [("customer asks", sheet_hash(SHEET))]
    restored = run("limits", "history", place / "limits.toml", "--restore", sheet_hash(SHEET)[:10]).stdout
    assert restored == before


def test_set_tells_a_program_the_effect_and_writes_only_with_yes(place: Path) -> None:
    before = (place / "limits.toml").read_text()
    write_table(joint_table(6, 1), place / "joints.csv")
    arguments = ("limits", "set", place / "limits.toml", 1, "--limit", 290, "--db", place / "results.sqlite",
                 "--training", place / "joints.csv", "--json")
    told = run(*arguments)
    found = json.loads(told.stdout)
    assert (found["rule"], found["finding"], found["written"]) == (1, "partial_wetting", False)
    assert found["conditions_before"] == [{"measure": "coverage_deg", "below": 270.0, "guard": 8.0}]
    assert found["conditions_after"] == [{"measure": "coverage_deg", "below": 290.0, "guard": 8.0}]
    known, recorded = found["trials"]
    assert (known["on"], known["parts"], known["boards"]) == ("known truth", 240, 6)
    assert known["escapes_after"] is not None
    assert (recorded["on"], recorded["parts"], recorded["boards"]) == ("recorded", 12, 2)
    assert recorded["escapes_after"] is None
    assert sum(recorded["before"].values()) == sum(recorded["after"].values()) == 12
    assert len(recorded["flips"]) == 2
    assert set(recorded["flips"][0]) == {"board", "name", "before", "after", "truth", "why", "marginal", "counts"}
    assert "nothing was written; --yes writes the change" in told.stderr
    assert (place / "limits.toml").read_text() == before
    written = json.loads(run(*arguments, "--yes").stdout)
    assert written | {"written": False} == found
    assert written["written"]
    assert written["sheet_after"] == sheet_hash(read_limits(place / "limits.toml"))
    again = json.loads(run(*arguments, "--yes").stdout)
    assert (again["trials"], again["written"]) == ([], False)
    assert again["sheet_before"] == again["sheet_after"]


def test_set_lists_every_flip_that_counts_and_tells_marginal_ones_apart(place: Path) -> None:
    """A list of flips must not contradict the counts above it, nor hide the escapes behind others."""
    table = joint_table(6, 1)
    lot = "193e1cda46b0b9c83a0348ed"
    names = list(dict.fromkeys(table.boards))
    table = replace(table, boards=tuple(f"{lot}:{names.index(board) + 1}" for board in table.boards),
                    marginal=np.arange(len(table)) % 3 == 0)
    write_table(table, place / "joints.csv")
    arguments = ("limits", "set", place / "limits.toml", 1, "--limit", 20, "--training", place / "joints.csv")
    [known] = json.loads(run(*arguments, "--json").stdout)["trials"]
    told = run(*arguments, "--dry-run").stdout
    flips = known["flips"]
    assert known["marginal"] == 80
    assert [sum(flip["counts"] == word for flip in flips) for word in ("escape", "escape no more")] == [
        known["escapes_after"] - known["escapes_before"], 0]
    assert known["escapes_after"] > known["escapes_before"]
    assert not any(flip["counts"] for flip in flips if flip["marginal"])
    lines = told.splitlines()
    begin = next(number for number, line in enumerate(lines) if line.startswith("board "))
    listed = lines[begin + 2: begin + 2 + len(flips)]
    counted = [bool(re.search(r"  (escape|false call)( no more)?  ", line)) for line in listed]
    assert sum(counted) == sum(bool(flip["counts"]) for flip in flips)
    assert counted == sorted(counted, reverse=True)
    assert any(line.startswith("rendered ") for line in listed) and lot not in told
    assert "80 joints are marginal: both verdicts can be defended, and neither counts as escape or false call" in told
    assert f"Of these {sum(flip['marginal'] for flip in flips)} flip" in told
    assert "partial wetting (marginal)" in told


def test_set_speaks_of_chips_where_the_rule_does(place: Path) -> None:
    text = run("limits", "set", place / "limits.toml", 4, "--limit", 0.6, "--db", place / "results.sqlite",
               "--dry-run").stdout
    assert "on 2 recorded chips of 2 boards" in text


def test_set_refuses_a_limit_that_makes_no_sense(place: Path) -> None:
    before = (place / "limits.toml").read_text()
    text = run("limits", "set", place / "limits.toml", 1, "--limit", 400, "--yes", code=1).stderr
    assert "which every value of coverage_deg meets" in text
    assert "Nothing was written" in text
    assert "from 1 to 4" in run("limits", "set", place / "limits.toml", 9, "--limit", 4, code=1).stderr
    assert (place / "limits.toml").read_text() == before


def test_set_uses_reviews_as_truth(place: Path) -> None:
    engine = open_database(place / "results.sqlite")
    from vision.records.queries import Filter, iterate_findings

    for row in list(iterate_findings(engine, Filter())):
        if row["verdict"] == "review":
            add_review(engine, row["finding_id"], call="false_call", reviewer="a person")
    engine.dispose()
    text = run("limits", "set", place / "limits.toml", 1, "--limit", 280, "--db", place / "results.sqlite",
               "--dry-run").stdout
    assert "on 1 of them that people reviewed" in text
    assert "false calls       0      1" in text


def test_history_of_the_database_tells_what_changed(place: Path) -> None:
    from dataclasses import replace

    from recorded_boards import FAMILY, STATION

    from models.edit import with_limit
    from vision.records import save_inspection

    new = with_limit(SHEET, 1, limit=290.0)
    engine = open_database(place / "results.sqlite")
    save_inspection(engine, replace(inspection("S1", 30, sheet=new)), FAMILY, STATION, new)
    engine.dispose()
    rows = json.loads(run("limits", "history", "--db", place / "results.sqlite", "--json").stdout)
    assert [(row["sheet"], row["boards"], row["what"]) for row in rows] == [
        (sheet_hash(SHEET), 2, "sample: first sheet"),
        (sheet_hash(new), 1, "sample: partial_wetting changed")]
    table = run("limits", "history", "--db", place / "results.sqlite").stdout
    assert "at (UTC)" in table
    assert re.search(r"^20\d\d-\d\d-\d\d \d\d:\d\d  ", table, re.MULTILINE)
    refused = run("limits", "history", "--db", place / "results.sqlite", "--restore", "zz", code=1).stderr
    assert "got zz, with which 0 kept sheets begin, wanted one; kept are" in refused
    assert sheet_hash(new)[:12] in refused
    assert "give a limit sheet, or --db" in run("limits", "history", code=2, env={"MENISCOPE_DB": ""}).stderr


def write_gauge(path: Path) -> None:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["part", "appraiser", "trial", "value"])
        writer.writerows([part + 1, "ABC"[a], trial + 1, AIAG[a, trial, part]]
                         for a in range(3) for trial in range(3) for part in range(10))


def test_study_gauge_prints_the_published_study(tmp_path: Path) -> None:
    # AIAG, Measurement Systems Analysis, 4th edition: 26.68 % and 5 categories by ranges.
    write_gauge(tmp_path / "g.csv")
    text = run("study", "gauge", tmp_path / "g.csv", "--method", "range").stdout
    assert "26.68" in text
    assert "5 categories" in text
    found = json.loads(run("study", "gauge", tmp_path / "g.csv", "--json").stdout)
    assert found["sums_of_squares"]["part"] == pytest.approx(88.361934, abs=1e-5)


def test_study_gauge_names_what_is_missing(tmp_path: Path) -> None:
    write_gauge(tmp_path / "g.csv")
    lines = (tmp_path / "g.csv").read_text().splitlines()
    (tmp_path / "g.csv").write_text("\n".join([*lines[:-1], "x,y,z,much"]))
    assert "row 91, value: got 'much'" in run("study", "gauge", tmp_path / "g.csv", code=1).stderr
    (tmp_path / "g.csv").write_text("\n".join(lines[:-1]))
    assert "1 missing, the first appraiser C, part 10, trial 3" in run(
        "study", "gauge", tmp_path / "g.csv", code=1).stderr


def test_study_agreement(tmp_path: Path) -> None:
    # Counts of the attribute study in AIAG MSA III.C as remembered: kappa of A and B 0.8629.
    cells = [("reject", "reject", 44), ("reject", "accept", 6), ("accept", "reject", 3), ("accept", "accept", 97)]
    rows = ["part,appraiser,trial,verdict"]
    part = 0
    for one, two, count in cells:
        for _ in range(count):
            part += 1
            rows += [f"{part},A,1,{one}", f"{part},B,1,{two}"]
    (tmp_path / "a.csv").write_text("\n".join(rows))
    found = json.loads(run("study", "agreement", tmp_path / "a.csv", "--json").stdout)
    assert found["pairs"][0]["kappa"] == pytest.approx(0.8629, abs=5e-5)
    assert found["pairs"][0]["agreed"] == 141


def test_explain_marks_all_conditions_of_the_rule_that_decides(place: Path) -> None:
    rule = Rule("partial_wetting", "t", (Condition("coverage_deg", below=280.0),
                                         Condition("bridge_width_mm", below=0.05)))
    write_limits(LimitSheet((rule, SHEET.rules[1])), place / "both.toml")
    words = ("limits", "explain", "S1", "J1.4", "--db", place / "results.sqlite", "--limits", place / "both.toml")
    told = [line.split("  ")[-1].strip() for line in run(*words).stdout.splitlines() if "partial wetting" in line]
    assert sorted(told) == ["decides", "with it"]
    rows = json.loads(run(*words, "--json").stdout)["rules"]
    assert sorted(row["decides"] for row in rows) == ["", "", "decides"]  # for programs it is the one condition


def test_study_agreement_asks_which_word_is_good(tmp_path: Path) -> None:
    """Where nobody says `accept` every part counted as bad, and everybody was right about all of them."""
    file = tmp_path / "a.csv"
    file.write_text("part,appraiser,trial,verdict,reference\n1,A,1,pass,fail\n2,A,1,pass,pass\n3,A,1,fail,fail\n")
    told = run("study", "agreement", file, code=1)
    assert "no verdict or reference says 'accept'; the file has fail, pass; say which is good with" in told.stderr
    assert told.stdout == ""
    found = json.loads(run("study", "agreement", file, "--good", "pass", "--json").stdout)["against_reference"][0]
    assert (found["right"], found["miss_pct"], found["grade"]) == (2, 50.0, "not acceptable")
    # Without a reference nothing is good or bad, so no word for it is asked for.
    file.write_text("part,appraiser,trial,verdict\n1,A,1,pass\n2,A,1,fail\n1,B,1,pass\n2,B,1,pass\n")
    assert json.loads(run("study", "agreement", file, "--json").stdout)["pairs"][0]["agreed"] == 1


def test_study_sample_size() -> None:
    # Zero-acceptance table: 299 tries show less than 1 % at 95 % confidence.
    assert "at least 299 and see none" in run("study", "sample-size", "--rate", "0.01").stdout
    assert "4603" in run("study", "sample-size").stdout


def test_study_repeats_reads_boards_pictured_twice(place: Path) -> None:
    db = place / "twice.sqlite"
    make_database(db, again=True)
    found = json.loads(run("study", "repeats", "--db", db, "--json").stdout)
    coverage = next(row for row in found["measurements"] if row["measure"] == "coverage_deg")
    # Two readings 2 degrees apart: standard deviation sqrt(2).
    assert coverage["within"] == pytest.approx(2**0.5)
    assert coverage["joints"] == 12
    assert (found["verdicts"]["boards"], found["verdicts"]["joints"]) == (2, 14)
    assert "no board was graded more than once" in run(
        "study", "repeats", "--db", place / "results.sqlite", code=1).stderr
