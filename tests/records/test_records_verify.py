"""Verification finds every kind of tampering; replays give what grading gave."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import fake_graders as fake
import invented_boards as invented
import pytest
from sqlalchemy import Engine, text

from models.limits import Condition, LimitSheet, Rule, sheet_hash
from vision.records import Filter, list_inspections, show_inspection
from vision.records.database import transaction
from vision.records.load import load_inspection, load_inspections
from vision.records.queries import find_keys
from vision.records.replay import regrade, rejudged
from vision.records.verify import Difference, Tally, verify


def differences(engine: Engine, **options: bool) -> list[Difference]:
    return list(verify(engine, Filter(superseded=True), Tally(), **options))


def test_an_untouched_database_is_clean(filled: Engine) -> None:
    tally = Tally()
    assert list(verify(filled, Filter(superseded=True), tally)) == []
    assert (tally.inspections, tally.results, tally.pictures, tally.pictures_gone) == (12, 108, 0, 12)


@pytest.mark.parametrize(("statement", "what"), [
    ("UPDATE joint_result SET verdict = 'accept' WHERE verdict = 'reject' AND inspection_id = 1 AND coverage_deg < 270",
     {"verdict", "count of reject"}),
    ("UPDATE joint_result SET coverage_deg = 300 WHERE coverage_deg = 212.25 AND inspection_id = 1",
     {"verdict", "findings", "value of a finding differs from the measurement"}),
    ("UPDATE joint_result SET coverage_deg = 212.25000000000003 WHERE coverage_deg = 212.25 AND inspection_id = 1",
     {"findings", "value of a finding differs from the measurement"}),
    ("UPDATE joint_result SET coverage_deg = NULL WHERE coverage_deg = 212.25 AND inspection_id = 1",
     {"verdict", "findings", "value of a finding differs from the measurement"}),
    ("DELETE FROM finding WHERE inspection_id = 1 AND finding = 'bridge'", {"findings", "findings that wait"}),
    ("UPDATE finding SET limit_value = 200 WHERE inspection_id = 1 AND finding = 'bridge'", {"findings"}),
    ("UPDATE inspection SET verdict = 'accept' WHERE id = 1", {"verdict of the board"}),
    ("UPDATE inspection SET joint_count = 7 WHERE id = 1", {"count of joints"}),
    ("UPDATE inspection SET open_findings = 0 WHERE id = 1", {"findings that wait"}),
    ("UPDATE inspection SET job_key = 'x' WHERE id = 1", {"job key"}),
    ("UPDATE picture SET sha256 = 'x' WHERE inspection_id = 1", {"picture key"}),
    ("UPDATE unit SET serial = 'B9999' WHERE serial = 'B0000'", {"job key"}),
    ("UPDATE limit_sheet SET content = replace(content, '270', '100')", {"content differs from its hash", "findings",
                                                                         "verdict"}),
    ("UPDATE limit_sheet SET content = 'x'", {"content differs from its hash", "cannot be read"}),
    ("UPDATE family SET content = '{}'", {"content differs from its hash"}),
    ("UPDATE station SET content = '{}'", {"content differs from its hash"}),
    ("DELETE FROM joint_result WHERE inspection_id = 2 AND verdict = 'accept' AND coverage_deg < 345",
     {"count of joints", "joints of the family"}),
])
def test_tampering_is_found(filled: Engine, statement: str, what: set[str]) -> None:
    with transaction(filled) as connection:
        connection.execute(text(statement))
    found = differences(filled)
    assert {item.what for item in found} == what
    assert all(item.stored != item.computed for item in found)


def test_a_finding_that_lies_beside_its_joint_keeps_its_place(engine: Engine) -> None:
    """No measurement says where a ball or a bridge lies, so the place recorded with the finding is the only one."""
    board = invented.inspection("B1", bad=True)
    joint = board.joints[1]
    moved = dataclasses.replace(joint, findings=tuple(
        dataclasses.replace(found, x_mm=found.x_mm + 1.27) if found.finding == "bridge" else found
        for found in joint.findings))
    assert moved != joint
    invented.save(engine, dataclasses.replace(board, joints=(board.joints[0], moved, *board.joints[2:])))
    assert differences(engine) == []
    sheet = dataclasses.replace(invented.sheet(), rules=(
        *invented.sheet().rules[:1], dataclasses.replace(invented.sheet().rules[1], when=(
            Condition("bridge_width_mm", above=0.2, guard=0.02),)), *invented.sheet().rules[2:]))
    list(regrade(engine, sheet, Filter(), save=True))
    again = load_inspection(engine, find_keys(engine, Filter())[0])
    [found] = [item for item in again.joints[1].findings if item.finding == "bridge"]
    assert (found.limit, found.x_mm, found.y_mm) == (0.2, joint.x_mm + 1.27, joint.y_mm)
    assert differences(engine) == []


def wide_band() -> LimitSheet:
    return dataclasses.replace(invented.sheet(), rules=(
        Rule("no_solder", "learned", (Condition("land_cover_pct", below=3.5, guard=36.0),)),
        Rule("partial_wetting", "workmanship class 2", (Condition("land_cover_pct", below=75.0, guard=4.0),)),
        *invented.sheet().rules[1:]))


def save_older(engine: Engine) -> int:
    """Write a board as older programs did: a person is asked about land that another rule rejects already."""
    board = invented.inspection("B1", by=wide_band())
    spare = dataclasses.replace(board.joints[0], measurements={**board.joints[0].measurements, "land_cover_pct": 19.5})
    board = rejudged(dataclasses.replace(board, joints=(spare, *board.joints[1:])), wide_band(), keep_idle=True)
    assert [(f.finding, f.verdict) for f in board.joints[0].findings][:2] == [
        ("partial_wetting", "reject"), ("no_solder", "review")]
    return invented.save(engine, board, by=wide_band()).inspection_id


def test_what_older_programs_asked_beside_a_reject_is_no_difference(engine: Engine) -> None:
    key = save_older(engine)
    assert differences(engine) == []
    # Judged anew it is asked no more, and the verdict is the same.
    again = rejudged(load_inspection(engine, key), wide_band())
    assert [f.finding for f in again.joints[0].findings if f.verdict != "indicator"] == ["partial_wetting"]
    assert again.joints[0].verdict == load_inspection(engine, key).joints[0].verdict == "reject"
    [change] = regrade(engine, dataclasses.replace(wide_band(), note="the same again"), Filter(), save=True)
    assert change.joints == ()
    assert differences(engine) == []


@pytest.mark.parametrize("change", ["guard = 5", "limit_value = 4", "verdict = 'indicator'", "rule = 2"])
def test_beside_a_reject_only_what_the_sheet_says_is_no_difference(engine: Engine, change: str) -> None:
    save_older(engine)
    with transaction(engine) as connection:
        connection.execute(text(f"UPDATE finding SET {change} WHERE finding = 'no_solder'"))
    assert "findings" in {item.what for item in differences(engine)}


def test_pictures_are_hashed_again(engine: Engine, tmp_path: Path) -> None:
    board = fake.boards(tmp_path, ["B1"])[0]
    invented.save(engine, fake.grade(board))
    tally = Tally()
    assert list(verify(engine, Filter(), tally)) == []
    assert (tally.pictures, tally.pictures_gone) == (1, 0)
    board.pictures["v1", "a"].write_bytes(b"changed")
    assert [(item.place, item.what) for item in differences(engine)] == [
        ("B1_v1_a.png", "picture changed since it was graded")]
    assert differences(engine, pictures=False) == []


def test_a_row_that_refers_to_nothing_is_found(tmp_path: Path) -> None:
    import sqlite3

    from vision.records import open_database

    path = tmp_path / "r.sqlite"
    engine = open_database(path)
    invented.save(engine, invented.inspection("B1", bad=True))
    tamper = sqlite3.connect(path)  # without foreign keys switched on
    tamper.execute("DELETE FROM joint_result WHERE joint_id = 1")
    tamper.commit()
    tamper.close()
    assert "refers to nothing" in {item.what for item in differences(engine)}
    engine.dispose()


def test_what_is_loaded_is_what_was_saved(engine: Engine) -> None:
    item = invented.inspection("B1", bad=True)
    back = load_inspection(engine, invented.save(engine, item).inspection_id)
    for name in ("serial", "family", "station", "verdict", "seconds", "pictures", "sheet_hash", "program_version",
                 "registrations", "reason"):
        assert getattr(back, name) == getattr(item, name), name
    assert back.chips[0].uncertainties == {"shift_across_mm": 0.0123, "turn_deg": 1.5}
    assert repr([dataclasses.replace(chip, uncertainties={}) for chip in back.chips]) == repr(
        [dataclasses.replace(chip, uncertainties={}) for chip in item.chips])
    # Uncertainties keep three digits, everything else every bit; repr because NaN is not equal to itself.
    assert back.joints[0].uncertainties == {"coverage_deg": 2.0, "toe_radius_mm": 0.0123}
    assert repr([dataclasses.replace(joint, uncertainties={}) for joint in back.joints]) == repr(
        [dataclasses.replace(joint, uncertainties={}) for joint in item.joints])


def test_a_replay_under_the_same_sheet_changes_nothing(filled: Engine) -> None:
    for _, inspection in load_inspections(filled, find_keys(filled, Filter())):
        assert repr(rejudged(inspection, invented.sheet())) == repr(inspection)


def test_a_replay_gives_what_grading_would(engine: Engine) -> None:
    other = invented.sheet(348.0)
    item = invented.inspection("B1", bad=True)
    again = rejudged(item, other)
    assert repr(again) == repr(invented.inspection("B1", bad=True, by=other))  # repr: NaN is not equal to itself
    assert again.sheet_hash == sheet_hash(other) != item.sheet_hash


def test_regrading_first_shows_then_writes(filled: Engine) -> None:
    other = invented.sheet(349.0)
    changes = list(regrade(filled, other, Filter(), save=False))
    assert len(changes) == 12
    assert all(change.saved_as is None for change in changes)
    assert len(list_inspections(filled, Filter(superseded=True))) == 12
    good = next(change for change in changes if change.serial == "B0001")
    assert (good.before, good.after) == ("accept", "reject")
    assert ("J1.4", "accept", "reject") in good.joints
    assert ("J1.1", "accept", "review") in good.joints
    written = list(regrade(filled, other, Filter(), save=True))
    assert [(change.serial, change.after) for change in written] == [(c.serial, c.after) for c in changes]
    assert len(list_inspections(filled)) == 12
    assert len(list_inspections(filled, Filter(superseded=True))) == 24
    assert {row["verdict"] for row in list_inspections(filled)} == {"reject"}
    assert differences(filled) == []
    assert list(regrade(filled, other, Filter(), save=True)) == []  # nothing twice
    back = list(regrade(filled, invented.sheet(), Filter(), save=True))
    assert len(back) == 12
    assert sum(row["verdict"] == "reject" for row in list_inspections(filled)) == 4
    assert differences(filled) == []
    assert show_inspection(filled, back[0].saved_as or 0)["started_at"] == "2026-03-02T06:00:00.000Z"


def test_ungraded_stays_ungraded(engine: Engine) -> None:
    item = invented.inspection("B1")
    blind = dataclasses.replace(item.joints[0], verdict="ungraded", findings=(), reason="out of focus")
    board = dataclasses.replace(item, joints=(blind, *item.joints[1:]), verdict="ungraded", reason="J1.1: out of focus")
    invented.save(engine, board)
    assert differences(engine) == []
    again = rejudged(board, invented.sheet(349.0))
    assert (again.joints[0].verdict, again.verdict, again.reason) == ("ungraded", "ungraded", "J1.1: out of focus")
