"""What is written comes back; what is written twice is there once."""

from __future__ import annotations

import dataclasses
import math
import threading
from collections import Counter

import invented_boards as invented
import pytest
from sqlalchemy import Engine, func, select

from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES
from vision.records import Filter, RecordsError, list_inspections, open_database, pareto, show_inspection
from vision.records.database import reading
from vision.records.queries import find_inspection, open_reviews
from vision.records.schema import FamilyRow, FindingRow, InspectionRow, JointResult, SheetRow, StationRow, Unit
from vision.records.totals import verdict_counts


def count(engine: Engine, table: type) -> int:
    with reading(engine) as connection:
        return connection.execute(select(func.count()).select_from(table.__table__)).scalar_one()


def test_every_value_comes_back_exactly(engine: Engine) -> None:
    item = invented.inspection("B0001", bad=True)
    saved = invented.save(engine, item)
    assert saved.fresh
    row = show_inspection(engine, saved.inspection_id)
    assert (row["serial"], row["verdict"], row["family"], row["revision"]) == ("B0001", "reject", "sample-1", 1)
    assert row["started_at"] == "2026-03-02T06:00:00.000Z"
    assert (row["joints"], row["reject"], row["review"], row["ungraded"]) == (8, 2, 1, 0)
    assert row["pictures"] == [{"view": "v1", "exposure": "a", "path": item.pictures[0].path,
                                "sha256": item.pictures[0].sha256}]
    assert row["registrations"][0]["scale"] == 1.001
    for joint, back in zip(item.joints, row["joint_results"], strict=True):
        assert (back["ref"], back["pin"], back["verdict"]) == (joint.ref, joint.pin, joint.verdict)
        for name in JOINT_MEASURES:
            value = joint.measurements[name]
            assert back[name] == (None if math.isnan(value) else value), name  # bit for bit: verdicts are replayed
        assert back["uncertainty"] == '{"coverage_deg":2,"toe_radius_mm":0.0123}'
    assert [row["chip_results"][0][name] for name in CHIP_MEASURES] == [0.02] * len(CHIP_MEASURES)
    assert row["chip_results"][0]["uncertainty"] == '{"shift_across_mm":0.0123,"turn_deg":1.5}'
    found = {(f["ref"], f["pin"], f["finding"], f["verdict"]): f for f in row["findings"]}
    assert set(found) == {("J1", "1", "partial_wetting", "reject"), ("J1", "2", "bridge", "reject"),
                          ("J1", "3", "partial_wetting", "review"), ("J1", "4", "blowhole", "indicator")}
    first = found["J1", "1", "partial_wetting", "reject"]
    assert (first["value"], first["limit"], first["side"], first["guard"]) == (212.25, 270.0, "below", 8.0)
    assert first["words"] == "partial wetting (coverage 212 deg, needs at least 270 deg)"
    assert found["J1", "2", "bridge", "reject"]["other"] == "J1.3"
    assert row["open"] == 3  # the indicator waits for nobody


def test_same_pictures_are_recorded_once(engine: Engine) -> None:
    first = invented.save(engine, invented.inspection("B0001"))
    second = invented.save(engine, invented.inspection("B0001", minute=5))
    assert (second.inspection_id, second.fresh) == (first.inspection_id, False)
    assert count(engine, InspectionRow) == 1


def test_again_writes_a_second_one_that_supersedes(engine: Engine) -> None:
    first = invented.save(engine, invented.inspection("B0001", bad=True))
    second = invented.save(engine, invented.inspection("B0001", bad=True, minute=5), again=True)
    assert second.fresh
    assert show_inspection(engine, first.inspection_id)["superseded_by"] == second.inspection_id
    assert [row["id"] for row in list_inspections(engine)] == [second.inspection_id]
    assert len(list_inspections(engine, Filter(superseded=True))) == 2
    assert {row["finding"]: row["findings"] for row in pareto(engine)} == {
        "bridge": 1, "partial_wetting": 2, "blowhole": 0}  # which is an indicator here


def test_another_sheet_or_family_revision_is_another_job(engine: Engine) -> None:
    item = invented.inspection("B0001")
    invented.save(engine, item)
    other = invented.sheet(330.0)
    assert invented.save(engine, invented.inspection("B0001", by=other), by=other).fresh
    moved = invented.family(pot_of_first="pot 9")
    assert invented.save(engine, invented.inspection("B0001", of=moved), of=moved).fresh
    assert count(engine, SheetRow) == 2
    with reading(engine) as connection:
        revisions = connection.execute(select(FamilyRow.revision).order_by(FamilyRow.revision)).scalars().all()
    assert revisions == [1, 2]
    assert count(engine, StationRow) == 1


def test_a_fault_is_tried_again_and_then_superseded(engine: Engine) -> None:
    broken = dataclasses.replace(invented.inspection("B0001"), joints=(), chips=(), verdict="ungraded",
                                 reason="the grading process ended")
    first = invented.save(engine, broken, fault=True)
    second = invented.save(engine, invented.inspection("B0001"))
    assert second.fresh
    assert show_inspection(engine, first.inspection_id)["superseded_by"] == second.inspection_id


def test_incomplete_pictures_are_superseded_when_complete(engine: Engine) -> None:
    one, two = invented.picture("B1", "v1", "a"), invented.picture("B1", "v1", "b")
    part = dataclasses.replace(invented.inspection("B1", pictures=(one,)), joints=(), chips=(), verdict="ungraded",
                               reason="no picture of view v1, exposure b")
    first = invented.save(engine, part)
    second = invented.save(engine, invented.inspection("B1", pictures=(one, two), minute=1))
    assert show_inspection(engine, first.inspection_id)["superseded_by"] == second.inspection_id
    third = invented.save(engine, invented.inspection("B1", pictures=(invented.picture("B1 after repair"),), minute=2))
    assert show_inspection(engine, second.inspection_id)["superseded_by"] is None
    assert show_inspection(engine, third.inspection_id)["superseded_by"] is None


def test_unknown_joint_writes_nothing_at_all(engine: Engine) -> None:
    item = invented.inspection("B0001")
    stray = dataclasses.replace(item, joints=(*item.joints, dataclasses.replace(item.joints[0], pin="99")))
    with pytest.raises(RecordsError, match=r"^joint J1\.99: family sample-1 has no such joint$"):
        invented.save(engine, stray)
    assert count(engine, InspectionRow) == 0
    assert count(engine, JointResult) == 0
    assert count(engine, Unit) == 0


def test_broken_verdict_writes_nothing_at_all(engine: Engine) -> None:
    odd = dataclasses.replace(invented.inspection("B0001"), verdict="maybe")
    with pytest.raises(RecordsError, match=r"^board B0001: the database refused it: .*verdict"):
        invented.save(engine, odd)
    assert count(engine, InspectionRow) == 0


@pytest.mark.parametrize("serial", [
    "../../etc/passwd", "'; DROP TABLE unit; --", '"', "%s{0}", "\u202eB1", "Ж漢字🙂", "a\nb", "\x00",
    "\udcff\udc80", "x" * 10_000,
])
def test_hostile_serials_are_kept_as_text(engine: Engine, serial: str) -> None:
    saved = invented.save(engine, invented.inspection(serial, bad=True) if "\udcff" not in serial else
                          dataclasses.replace(invented.inspection("B1", bad=True), serial=serial))
    kept = show_inspection(engine, saved.inspection_id)["serial"]
    assert len(kept) <= 255
    if serial.isprintable() and len(serial) <= 255:
        assert kept == serial
    assert find_inspection(engine, kept) == saved.inspection_id
    assert count(engine, Unit) == 1
    assert count(engine, FindingRow) == 4


def test_two_long_serials_stay_two(engine: Engine) -> None:
    for end in "ab":
        invented.save(engine, dataclasses.replace(invented.inspection(end), serial="y" * 400 + end))
    assert count(engine, Unit) == 2


def test_many_writers_at_once_lose_and_double_nothing(url: str) -> None:
    """Eight writers, each with a connection of its own, write overlapping sets of boards into a new database."""
    errors: list[BaseException] = []

    def write(offset: int) -> None:
        try:
            own = open_database(url)
            for number in range(12):
                invented.save(own, invented.inspection(f"B{(number + offset) % 16:04d}", bad=number % 2 == 0))
            own.dispose()
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=write, args=(offset,)) for offset in range(0, 16, 2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    engine = open_database(url)
    assert [count(engine, table) for table in (Unit, InspectionRow, FamilyRow, SheetRow)] == [16, 16, 1, 1]
    assert count(engine, JointResult) == 16 * 8
    engine.dispose()


def test_queries_by_filter(filled: Engine) -> None:
    assert len(list_inspections(filled)) == 12
    assert [row["serial"] for row in list_inspections(filled, Filter(limit=2))] == ["B0011", "B0010"]
    assert verdict_counts(filled) == {"reject": 4, "accept": 8}
    assert len(list_inspections(filled, Filter(verdict="reject"))) == 4
    assert len(list_inspections(filled, Filter(serial="B0003"))) == 1
    assert len(list_inspections(filled, Filter(finding="bridge"))) == 4
    assert len(list_inspections(filled, Filter(pot="pot 1"))) == 12  # an indicator at joint 4 of every board
    assert len(list_inspections(filled, Filter(pot="pot 2"))) == 0
    assert list_inspections(filled, Filter(family="none such")) == []
    early = Filter(until=invented.START.replace(minute=3))
    assert [row["serial"] for row in list_inspections(filled, early)] == ["B0002", "B0001", "B0000"]
    assert len(list_inspections(filled, Filter(since=invented.START.replace(minute=10)))) == 2
    no_indicators = {"indicators": 0, "indicator_boards": 0}
    blowhole = {"finding": "blowhole", "findings": 0, "review": 0, "boards": 0, "indicators": 12,
                "indicator_boards": 12}
    assert pareto(filled) == [
        {"finding": "partial_wetting", "findings": 8, "review": 4, "boards": 4} | no_indicators,
        {"finding": "bridge", "findings": 4, "review": 0, "boards": 4} | no_indicators, blowhole]
    assert pareto(filled, Filter(finding="blowhole")) == [blowhole]
    assert [row["finding"] for row in pareto(filled, Filter(limit=1))] == ["partial_wetting"]
    newest = list_inspections(filled, Filter(limit=3))
    assert [row["findings"] for row in newest] == ["", "", "bridge 1, partial_wetting 2"]
    assert [row["indicators"] for row in newest] == ["blowhole 1"] * 3
    waiting = open_reviews(filled, 3)
    assert [row["serial"] for row in waiting] == ["B0000", "B0003", "B0006"]


@pytest.mark.parametrize("wanted", [
    Filter(), Filter(pot="pot 1"), Filter(pot="pot 2"), Filter(finding="bridge"), Filter(finding="blowhole"),
    Filter(finding="bridge", pot="pot 1"), Filter(finding="bridge", verdict="accept"), Filter(serial="B0003"),
    Filter(finding="bridge", since=invented.START.replace(minute=5))])
def test_boards_are_counted_as_they_are_listed(filled: Engine, wanted: Filter) -> None:
    assert verdict_counts(filled, wanted) == Counter(row["verdict"] for row in list_inspections(filled, wanted))


def test_find_inspection(filled: Engine) -> None:
    key = find_inspection(filled, "B0003")
    row = show_inspection(filled, key)
    assert find_inspection(filled, row["uid"]) == key
    assert find_inspection(filled, str(key)) == key
    with pytest.raises(RecordsError, match=r"^B9999: no board with this serial, and no such inspection; see "):
        find_inspection(filled, "B9999")
