"""What people decide is counted once, can be taken back, and two at once never double."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

import invented_boards as invented
import pytest
from sqlalchemy import Engine, func, select

from vision.records import Filter, RecordsError, open_reviews, show_inspection
from vision.records.database import reading
from vision.records.reviews import (
    DecidedError,
    add_escape,
    add_process_records,
    add_repair,
    add_review,
    withdraw_review,
)
from vision.records.schema import FamilyJoint, ProcessRecord, Repair, Review
from vision.records.verify import Tally, verify


def findings(engine: Engine, key: int) -> dict[str, int]:
    return {f"{row['ref']}.{row['pin']}": row["finding_id"] for row in show_inspection(engine, key)["findings"]}


def test_a_board_leaves_the_queue_when_all_is_decided(engine: Engine) -> None:
    key = invented.save(engine, invented.inspection("B1", bad=True)).inspection_id
    places = findings(engine, key)
    for number, place in enumerate(("J1.1", "J1.2", "J1.3")):
        assert [row["open"] for row in open_reviews(engine)] == [3 - number]
        add_review(engine, places[place], call="real" if number else "false_call", reviewer="A")
    assert open_reviews(engine) == []
    calls = {f"{row['ref']}.{row['pin']}": row["call"] for row in show_inspection(engine, key)["findings"]}
    assert calls == {"J1.1": "false_call", "J1.2": "real", "J1.3": "real", "J1.4": ""}
    assert list(verify(engine, Filter(), Tally())) == []


def test_the_second_person_is_told(engine: Engine) -> None:
    key = invented.save(engine, invented.inspection("B1", bad=True)).inspection_id
    place = findings(engine, key)["J1.1"]
    add_review(engine, place, call="real", reviewer="A")
    with pytest.raises(DecidedError, match=r"^finding \d+: somebody has decided on it already; load the board again$"):
        add_review(engine, place, call="false_call", reviewer="B")
    add_review(engine, place, call="false_call", reviewer="B", blind=True)  # an agreement study is another matter
    assert open_reviews(engine)[0]["open"] == 2
    assert list(verify(engine, Filter(), Tally())) == []


def test_taking_back(engine: Engine) -> None:
    key = invented.save(engine, invented.inspection("B1", bad=True)).inspection_id
    place = findings(engine, key)["J1.1"]
    review = add_review(engine, place, call="real", reviewer="A")
    withdraw_review(engine, review)
    withdraw_review(engine, review)
    assert open_reviews(engine)[0]["open"] == 3
    add_review(engine, place, call="cannot_tell", reviewer="B")
    assert list(verify(engine, Filter(), Tally())) == []


def test_many_people_at_once(engine: Engine) -> None:
    key = invented.save(engine, invented.inspection("B1", bad=True)).inspection_id
    place = findings(engine, key)["J1.2"]
    won: list[int] = []
    lost: list[BaseException] = []

    def decide(name: str) -> None:
        try:
            won.append(add_review(engine, place, call="real", reviewer=name))
        except DecidedError as error:
            lost.append(error)

    threads = [threading.Thread(target=decide, args=(f"P{n}",)) for n in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(won), len(lost)) == (1, 5)
    assert open_reviews(engine)[0]["open"] == 2


@pytest.mark.parametrize(("options", "message"), [
    ({"call": "perhaps", "reviewer": "A"}, "review: got call 'perhaps', wanted real, false_call, cannot_tell"),
    ({"call": "real", "reviewer": " "}, "review: got no reviewer, wanted who decided"),
])
def test_bad_reviews(engine: Engine, options: dict[str, str], message: str) -> None:
    with pytest.raises(RecordsError) as caught:
        add_review(engine, 1, **options)  # type: ignore[arg-type]
    assert str(caught.value) == message


def test_unknown_finding(engine: Engine) -> None:
    with pytest.raises(RecordsError, match=r"^finding 99: not in this database$"):
        add_review(engine, 99, call="real", reviewer="A")
    with pytest.raises(RecordsError, match=r"^finding 99: not in this database$"):
        add_repair(engine, 99, action="resoldered", repairer="A")
    with pytest.raises(RecordsError, match=r"^review 99: not in this database$"):
        withdraw_review(engine, 99)


def test_escapes_and_repairs(engine: Engine) -> None:
    key = invented.save(engine, invented.inspection("B1", bad=True)).inspection_id
    add_repair(engine, findings(engine, key)["J1.1"], action="added solder with flux", repairer="A")
    with reading(engine) as connection:
        joint = connection.execute(select(FamilyJoint.id).where(FamilyJoint.pin == "8")).scalar_one()
    add_escape(engine, key, joint_id=joint, corrected="no_solder", reviewer="A")
    with reading(engine) as connection:
        assert connection.execute(select(Repair.action)).scalar_one() == "added solder with flux"
        assert connection.execute(select(Review.corrected).where(Review.call == "escape")).scalar_one() == "no_solder"


def test_a_log_can_be_read_twice(engine: Engine) -> None:
    at = datetime(2026, 3, 2, 6, 30, tzinfo=UTC)
    records = [{"recorded_at": at, "pot": "pot 1", "quantity": "pot_temperature_c", "value": 268.5},
               {"recorded_at": at, "pot": "pot 2", "quantity": "pot_temperature_c", "value": 271.0},
               {"recorded_at": at, "serial": "B1", "quantity": "flux_drops", "value": 120.0, "source": "log.csv"}]
    assert add_process_records(engine, records) == 3
    assert add_process_records(engine, records) == 0
    with reading(engine) as connection:
        assert connection.execute(select(func.count()).select_from(ProcessRecord.__table__)).scalar_one() == 3
