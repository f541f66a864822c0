"""Alarms and reports on a real database: raised once, answered, counted rightly."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from invented_line import SHEET, STATION, database, history_of, inspections_of, record, write_log
from invented_reviews import add_escape, add_repair, add_review, take_repair_back
from sqlalchemy import Engine, select

from models.errors import MeniscopeError
from models.intervals import clopper_pearson
from models.vocabulary import CHIP_MEASURES
from synthetic_images.line_lot import Drift, LineLot, line_family, simulate_line
from vision.cli.line import report_text
from vision.line.alarm_store import answer_alarm, list_alarms, save_alarm
from vision.line.load import Scope, load_history, only_family
from vision.line.log_file import read_log
from vision.line.log_store import import_entries
from vision.line.page import report_page
from vision.line.report import build_report
from vision.line.series import WATCHED
from vision.line.watching import look
from vision.pipeline.inspection import ChipInspection, FoundFinding
from vision.records.database import open_database, reading
from vision.records.schema import FamilyJoint, FindingRow, InspectionRow
from vision.records.store import save_inspection
from vision.setup import Chip, Family

FAMILY = line_family(4)  # 32 joints
DRIFT = Drift("flux_jet_clogging", 60, place="S5", strength=1.5)


@pytest.fixture(scope="module")
def lot() -> LineLot:
    return simulate_line(FAMILY, boards=100, seed=1, drifts=(DRIFT,), clock_offset_s=200.0)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, lot: LineLot) -> Engine:
    """A database that tests only read."""
    return database(tmp_path_factory.mktemp("line"), lot)


@pytest.fixture
def fresh(tmp_path: Path, lot: LineLot) -> Engine:
    return database(tmp_path, lot)


def test_the_history_read_back_is_the_one_recorded(filled: Engine, lot: LineLot) -> None:
    found, wanted = load_history(filled, FAMILY.name, measures=WATCHED), history_of(lot)
    assert found.serials == wanted.serials
    assert found.joints.names == wanted.joints.names
    assert found.joints.step == wanted.joints.step
    assert found.at_s == pytest.approx(wanted.at_s, abs=0.002)
    for name in WATCHED:
        assert np.array_equal(found.measures[name], wanted.measures[name])
    for name, truth in wanted.findings.items():
        assert np.array_equal(found.findings.get(name, np.zeros_like(truth)), truth)


def test_only_the_newest_boards_are_read(filled: Engine, lot: LineLot) -> None:
    assert load_history(filled, FAMILY.name, measures=WATCHED, boards=10).serials == lot.serials[-10:]


def test_a_board_back_from_repair_counts_by_its_first_inspection(fresh: Engine, lot: LineLot) -> None:
    again = replace(inspections_of(lot, slice(5, 6))[0], started_at=datetime(2026, 3, 3, tzinfo=UTC).isoformat(),
                    pictures=(), verdict="accept", joints=())
    save_inspection(fresh, again, FAMILY, STATION, SHEET)
    assert load_history(fresh, FAMILY.name, measures=WATCHED).serials == lot.serials
    assert build_report(fresh, Scope(), charts=False).boards == 100
    later = Scope(since=datetime(2026, 3, 3, tzinfo=UTC))
    assert build_report(fresh, later, charts=False).boards == 0


def test_an_alarm_is_raised_once_and_kept(fresh: Engine, lot: LineLot, tmp_path: Path) -> None:
    import_entries(fresh, read_log(write_log(lot, tmp_path / "log.csv")), "log.csv")
    raised = look(fresh, FAMILY.name)
    assert [alarm.title.split(" at ")[1] for alarm in raised] == ["step S5"]
    assert raised[0].hints[0].cause == "flux_short"
    assert raised[0].batch != ""
    assert all(path.startswith("/pictures/") for example in raised[0].examples for path in example.pictures)
    assert raised[0].examples[0].pictures == (f"/pictures/{raised[0].examples[0].serial}_v1.png",)
    assert look(fresh, FAMILY.name) == []
    assert list_alarms(fresh) == raised
    assert save_alarm(fresh, raised[0]) is False  # another watch may say the same at the same moment


def test_an_answer_is_kept_with_name_and_time(fresh: Engine) -> None:
    alarm = look(fresh, FAMILY.name)[0]
    answered = answer_alarm(fresh, alarm.id[:5], "fixed", " R. Example ", "jet changed")
    assert (answered.status, answered.answered_by, answered.note) == ("fixed", "R. Example", "jet changed")
    assert list_alarms(fresh) == [answered]
    assert list_alarms(fresh, only_open=True) == []
    assert list_alarms(fresh, "another family") == []
    assert look(fresh, FAMILY.name) == []  # boards before the answer are left out


def test_a_drift_that_comes_back_is_a_new_alarm(tmp_path: Path) -> None:
    now = datetime.now(UTC).timestamp()
    early = simulate_line(FAMILY, boards=100, seed=2, drifts=(replace(DRIFT, length=40),), start_s=now - 20_000.0)
    engine = database(tmp_path, early)
    first = look(engine, FAMILY.name)
    answer_alarm(engine, first[0].id, "fixed", "R. Example")
    drifts = (Drift("flux_jet_clogging", 30, place="S5", strength=1.5),)
    later = simulate_line(FAMILY, boards=80, seed=2, drifts=drifts, start_s=now + 60.0, first_serial=101)
    record(engine, later)
    second = look(engine, FAMILY.name)
    assert [alarm.place for alarm in second] == ["S5"]
    assert second[0].id != first[0].id
    assert [alarm.status for alarm in list_alarms(engine)] == ["fixed", "open"]
    engine.dispose()


@pytest.mark.parametrize(("alarm_id", "answer", "by", "told"), [
    ("zz", "fixed", "R.", "fits no alarm"), ("", "fixed", "R.", "fits no alarm"), ("zz", "maybe", "R.", "wanted one"),
    ("zz", "fixed", "  ", "got no name")])
def test_an_answer_that_fits_nothing_is_refused(filled: Engine, alarm_id: str, answer: str, by: str, told: str) -> None:
    with pytest.raises(MeniscopeError, match=told):
        answer_alarm(filled, alarm_id, answer, by)


def test_the_family_must_be_clear(filled: Engine, tmp_path: Path) -> None:
    assert only_family(filled) == FAMILY.name
    with pytest.raises(MeniscopeError, match="wanted one of the records"):
        only_family(filled, "nobody")
    empty = open_database(tmp_path / "empty.sqlite")
    with pytest.raises(MeniscopeError, match="name one with --family"):
        only_family(empty)
    empty.dispose()


def finding_ids(engine: Engine) -> list[tuple[int, int, str]]:
    with reading(engine) as connection:
        return [tuple(row) for row in connection.execute(
            select(FindingRow.id, FindingRow.joint_id, FindingRow.finding).order_by(FindingRow.id))]


def reviewed(engine: Engine) -> list[tuple[int, int, str]]:
    """Return all findings; of each four one is called real, one false, one cannot be told, one waits; one escaped."""
    found = finding_ids(engine)
    for number, (finding, _, _) in enumerate(found):
        if number % 4 < 3:
            add_review(engine, finding, call=("real", "false_call", "cannot_tell")[number % 4], reviewer="R. Example")
    with reading(engine) as connection:
        accepted = select(InspectionRow.id).where(InspectionRow.verdict == "accept").limit(1)
        clean = connection.execute(accepted).scalar_one()
        joint = connection.execute(select(FamilyJoint.id).limit(1)).scalar_one()
    add_escape(engine, clean, joint_id=joint, corrected="bridge", reviewer="R. Example")
    return found


def test_the_report_counts_what_was_recorded(filled: Engine, lot: LineLot) -> None:
    report = build_report(filled, Scope())
    calls = np.sum([truth.sum(axis=1) for truth in lot.findings.values()], axis=0)
    assert (report.boards, report.opportunities, report.calls) == (100, 3200, int(calls.sum()))
    assert (report.real, report.false_calls, report.waiting) == (0, 0, int(calls.sum()))
    assert report.first_pass.count == int((calls == 0).sum())
    assert (report.first_pass.low, report.first_pass.high) == clopper_pearson(report.first_pass.count, 100)
    assert report.dpmo_calls == pytest.approx(1e6 * calls.sum() / 3200)
    by_finding = {row.finding: row.calls for row in report.findings}
    assert by_finding == {name: int(truth.sum()) for name, truth in lot.findings.items() if truth.any()}
    assert report.findings[-1].cumulative == pytest.approx(1.0)


def test_places_and_joints_add_up(filled: Engine, lot: LineLot) -> None:
    report = build_report(filled, Scope())
    for kind in ("pot", "nozzle", "step", "land kind"):
        rows = [row for row in report.places if row.kind == kind]
        assert sum(row.calls for row in rows) == report.calls
        assert sum(row.opportunities for row in rows) == report.opportunities
    assert sum(row.calls for row in report.joints) == report.calls
    steps = [row for row in report.places if row.kind == "step"]
    for row in steps:
        joints = [joint.step == row.place for joint in FAMILY.joints]
        assert row.calls == sum(int(truth[:, joints].sum()) for truth in lot.findings.values())
    assert [row.dpmo for row in steps] == sorted((row.dpmo for row in steps), reverse=True)


def test_places_are_compared_exactly_and_adjusted(filled: Engine) -> None:
    # reference: scipy.stats binomtest (upper tail) and false_discovery_control
    from scipy import stats

    report = build_report(filled, Scope())
    steps = [row for row in report.places if row.kind == "step"]
    tails = [stats.binomtest(row.calls, report.calls, row.opportunities / report.opportunities, "greater").pvalue
             for row in steps]
    assert [row.q_value for row in steps] == pytest.approx(list(stats.false_discovery_control(tails)), rel=1e-9)


def test_a_scope_narrows_the_report(filled: Engine, lot: LineLot) -> None:
    step = build_report(filled, Scope(step="S5"))
    assert step.opportunities == 100 * 4
    assert {row.joint for row in step.joints} == {j.name for j in FAMILY.joints if j.step == "S5"}
    joint = build_report(filled, Scope(joint="J5.1"))
    assert (joint.opportunities, len(joint.joints)) == (100, 1)
    half = datetime.fromtimestamp(float(lot.at_s[50]) - 1.0, UTC)
    assert build_report(filled, Scope(until=half)).boards + build_report(filled, Scope(since=half)).boards == 100
    assert build_report(filled, Scope(family="nobody")).boards == 0


def test_what_people_said_is_kept_apart_from_what_was_called(fresh: Engine) -> None:
    found = reviewed(fresh)
    before, report = len(found), build_report(fresh, Scope())
    said = [sum(number % 4 == kind for number in range(before)) for kind in range(4)]
    assert (report.real, report.false_calls, report.unsure, report.waiting) == (said[0] + 1, said[1], said[2], said[3])
    assert report.escapes == 1
    assert report.false_share.size == said[0] + said[1]
    assert report.passed_after_review.count >= report.first_pass.count - 1
    assert report.review_wait.count >= said[0] + said[1] + said[2]
    assert sum(row.real + row.escapes for row in report.findings) == report.real
    history = load_history(fresh, FAMILY.name, measures=WATCHED)
    assert sum(int(truth.sum()) for truth in history.findings.values()) == before - said[1] + 1


def test_every_column_of_calls_adds_up_and_dpmo_counts_confirmed_defects_alone(fresh: Engine) -> None:
    """Real, false, cannot tell and waiting are all calls, at every place; a rate of calls is not called DPMO."""
    found = reviewed(fresh)
    report = build_report(fresh, Scope())
    rows = [report.counts, *(row.counts for row in report.places), *(row.counts for row in report.joints)]
    for row in rows:
        assert row.real + row.false_calls + row.unsure + row.waiting == row.calls
        assert row.not_false == row.calls - row.false_calls + row.escapes
    for row in report.findings:
        assert row.real + row.false_calls + row.unsure + row.waiting == row.calls
    assert report.counts.calls == report.calls == len(found)
    for kind in ("pot", "nozzle", "step", "land kind"):
        mine = [row for row in report.places if row.kind == kind]
        assert sum(row.counts.calls for row in mine) == report.calls
        assert sum(row.counts.escapes for row in mine) == 1
    for row in report.places:  # what programs read under older names
        assert (row.calls, row.real) == (row.counts.not_false, row.counts.real + row.counts.escapes)
        assert row.dpmo == row.counts.not_false_per_million
    told, page = report_text(report), report_page(report)
    assert f"{report.counts.real} real calls and 1 escape" in told and f"{report.counts.real} real calls" in page
    assert [line.split()[0] for line in told.splitlines() if "DPMO" in line and not line.startswith("million")] == [
        "confirmed"]
    head = next(line for line in told.splitlines() if line.startswith("place "))
    names = ("calls", "real", "false", "cannot tell", "waiting", "escapes", "not false per million", "from", "to")
    assert [name for name in names if f"  {name}  " in head] == list(names)
    assert "cannot tell</th>" in page and "not false per million (95 %)</th>" in page and "DPMO (95 %)" not in page
    assert "not false per million</text>" in page and "DPMO</text>" not in page


def test_calls_at_chips_are_told_where_places_do_not_add_up_to_all_calls(tmp_path: Path) -> None:
    family = Family("pair", 2, "bottom", FAMILY.joints[:2], (Chip("R1", 30.0, 2.0, 0.0, 2.0, 1.25),),
                    FAMILY.fiducials, FAMILY.views)
    engine = open_database(tmp_path / "pair.sqlite")
    for whole in inspections_of(simulate_line(FAMILY, boards=2, seed=3)):
        joints = tuple(replace(joint, findings=(), verdict="accept") for joint in whole.joints[:2])
        gone = FoundFinding("chip_missing", "reject", "chip_present", 0.1, 0.5, "below", 0.0, "", "learned", 0, 30.0,
                            2.0)
        chip = ChipInspection("R1", "v1", "reject", 30.0, 2.0, dict.fromkeys(CHIP_MEASURES, 0.0), (gone,))
        save_inspection(engine, replace(whole, family="pair", joints=joints, chips=(chip,), verdict="reject"), family,
                        STATION, SHEET)
    report = build_report(engine, Scope("pair"))
    engine.dispose()
    assert (report.calls, report.chip_calls, sum(row.counts.calls for row in report.places)) == (2, 2, 0)
    assert "2 of the calls are at chips and so at no joint and no place." in report_text(report).replace("\n", " ")


def test_a_corrected_finding_counts_under_its_right_name(fresh: Engine) -> None:
    finding = next(item for item in finding_ids(fresh) if item[2] == "partial_wetting")
    add_review(fresh, finding[0], call="real", reviewer="R. Example", corrected="blowhole")
    rows = {row.finding: row for row in build_report(fresh, Scope()).findings}
    assert rows["blowhole"].real == 1
    assert rows["partial_wetting"].real == 0


def test_repairs_are_timed(fresh: Engine) -> None:
    finding = finding_ids(fresh)[0][0]
    later = datetime.now(UTC) + timedelta(minutes=90)
    add_repair(fresh, finding, action="added solder", repairer="R. Example", at=later)
    report = build_report(fresh, Scope())
    assert report.repair_wait.count == 1
    assert report.repair_wait.median_min == pytest.approx(90.0, abs=2.0)


def test_a_repair_that_was_taken_back_is_not_timed(fresh: Engine) -> None:
    finding, other = [key for key, *_ in finding_ids(fresh)[:2]]
    now = datetime.now(UTC)
    for key, minutes in ((finding, 30), (finding, 90), (other, 60)):
        add_repair(fresh, key, action="added solder", repairer="R. Example", at=now + timedelta(minutes=minutes))
    for key in (finding, other):
        take_repair_back(fresh, key, repairer="R. Example", at=now + timedelta(minutes=70))
    report = build_report(fresh, Scope())
    assert report.repair_wait.count == 1  # the one that was done once more
    assert report.repair_wait.median_min == pytest.approx(90.0, abs=2.0)


def test_joints_that_could_not_be_graded_are_no_opportunities(tmp_path: Path, lot: LineLot) -> None:
    engine = open_database(tmp_path / "line.sqlite")
    for number, inspection in enumerate(inspections_of(lot, slice(0, 20))):
        joints = tuple(replace(joint, verdict="ungraded", findings=(), reason="too dark") if column < 3 and number < 5
                       else joint for column, joint in enumerate(inspection.joints))
        save_inspection(engine, replace(inspection, joints=joints), FAMILY, STATION, SHEET)
    report = build_report(engine, Scope())
    assert report.ungraded_joints == 15
    assert report.opportunities == 20 * 32 - 15
    assert report.joints[0].opportunities == 15
    engine.dispose()


def test_charts_need_boards_and_have_the_stated_form(filled: Engine) -> None:
    report = build_report(filled, Scope())
    assert [item.chart.kind for item in report.count_charts] == ["p", "u"]
    assert sum(report.count_charts[0].boards) == 100
    assert [item.measure for item in report.measure_charts] == ["coverage_deg", "wetting_angle_deg", "fillet_height_mm"]
    narrow = build_report(filled, Scope(step="S5"))
    assert narrow.measure_charts[0].cusum.out[-1]
    assert "CUSUM" in narrow.measure_charts[0].state


def test_the_page_is_whole_and_escapes_what_it_shows(tmp_path: Path) -> None:
    hostile = "<script>alert(1)</script>&\"'"
    family = replace(FAMILY, name="a<b>&", joints=tuple(replace(j, pot="<i>A</i>") for j in FAMILY.joints))
    lot = simulate_line(family, boards=80, seed=3, drifts=(Drift("flux_jet_clogging", 50, place="S5", strength=2.0),),
                        prefix="<b>")
    engine = database(tmp_path, lot)
    alarm = look(engine, family.name)[0]
    answer_alarm(engine, alarm.id, "fixed", hostile, hostile)
    page = report_page(build_report(engine, Scope()))
    assert "<script" not in page and "<i>A" not in page and "<b>0" not in page and "a<b>" not in page
    assert "&lt;script&gt;" in page
    assert "stop the machine and let it cool" in page and "the solder side as the camera sees it" in page
    for outside in ("http://", "https://", "src=", "@import", "url(h"):
        assert outside not in page
    assert page.count("<svg") == page.count("</svg>") == 1 + 1 + 2 + 3 + 3  # the last: signs of the key to the bars
    assert page.count('<rect class="real"') >= 1  # the key has the bars' own colours
    assert "Content-Security-Policy" in page
    engine.dispose()


def test_the_page_of_an_empty_database_says_so(tmp_path: Path) -> None:
    engine = open_database(tmp_path / "empty.sqlite")
    report = build_report(engine, Scope())
    assert report.boards == 0
    page = report_page(report)
    assert "no boards" in page and "nothing to count" in page
    engine.dispose()


def test_chips_that_could_not_be_graded_do_not_pass_a_board_over(tmp_path: Path) -> None:
    """Two joints graded and two chips not: the board was graded, and its joints count."""
    family = Family("pair", 2, "bottom", FAMILY.joints[:2], (Chip("R1", 30.0, 2.0, 0.0, 2.0, 1.25),
                    Chip("R2", 34.0, 2.0, 0.0, 2.0, 1.25)), FAMILY.fiducials, FAMILY.views)
    lot = simulate_line(FAMILY, boards=12, seed=3)
    engine = open_database(tmp_path / "pair.sqlite")
    for number, whole in enumerate(inspections_of(lot)):
        blind = tuple(ChipInspection(chip.ref, "v1", "ungraded", chip.x_mm, chip.y_mm,
                                     dict.fromkeys(CHIP_MEASURES, 0.0), reason="too dark") for chip in family.chips)
        joints = tuple(replace(joint, verdict="ungraded", findings=(), reason="too dark") if number < 3 else joint
                       for joint in whole.joints[:2])
        save_inspection(engine, replace(whole, family="pair", joints=joints, chips=blind, verdict="ungraded",
                                        reason="R1, R2: too dark"), family, STATION, SHEET)
    report = build_report(engine, Scope("pair"))
    engine.dispose()
    assert (report.boards, report.ungraded_boards) == (12, 3)
    assert (report.opportunities, report.ungraded_joints) == (2 * 9, 2 * 3)
    assert report.first_pass.size == 9


@pytest.mark.parametrize("scope", [
    Scope(FAMILY.name, pot=FAMILY.joints[0].pot, joint=next(j.name for j in FAMILY.joints if j.pot == "B")),
    Scope(FAMILY.name, joint="J1.1")])
def test_nothing_tried_is_nothing_to_count(tmp_path: Path, lot: LineLot, scope: Scope) -> None:
    """A joint that lies at another pot, or that could not be graded on any board: no board has passed there."""
    engine = open_database(tmp_path / "dark.sqlite")
    for whole in inspections_of(lot, slice(0, 25)):
        joints = tuple(replace(joint, verdict="ungraded", findings=(), reason="too dark") if joint.pin == "1" else joint
                       for joint in whole.joints)
        save_inspection(engine, replace(whole, joints=joints, verdict="ungraded", reason="J1.1: too dark"), FAMILY,
                        STATION, SHEET)
    report = build_report(engine, scope)
    engine.dispose()
    assert (report.boards, report.opportunities) == (25, 0)
    assert (report.first_pass.size, report.passed_after_review.size) == (0, 0)
    told = report_text(report)
    assert "nan" not in told
    assert "100.0 %" not in told
    assert [line.split("  ")[-1].strip() for line in told.splitlines()
            if line.startswith(("confirmed defects", "calls before review"))] == ["nothing to count"] * 2
    page = report_page(report)
    assert "nan" not in page.lower().replace("finan", "")
