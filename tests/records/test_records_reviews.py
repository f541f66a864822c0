"""What people decide is kept once: the schema lets one review of a finding stand, however many come at once."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

import invented_boards as invented
import pytest
from invented_reviews import add_review
from sqlalchemy import Engine, update
from sqlalchemy.exc import IntegrityError

from vision.records import Filter, open_reviews, show_inspection
from vision.records.database import transaction
from vision.records.schema import InspectionRow, Review
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


def test_one_review_of_a_finding_stands(engine: Engine) -> None:
    key = invented.save(engine, invented.inspection("B1", bad=True)).inspection_id
    place = findings(engine, key)["J1.1"]
    add_review(engine, place, call="real", reviewer="A")
    with pytest.raises(IntegrityError):
        add_review(engine, place, call="false_call", reviewer="B")
    add_review(engine, place, call="false_call", reviewer="B", blind=True)  # an agreement study is another matter
    assert open_reviews(engine)[0]["open"] == 2
    assert list(verify(engine, Filter(), Tally())) == []


def test_taking_back(engine: Engine) -> None:
    key = invented.save(engine, invented.inspection("B1", bad=True)).inspection_id
    place = findings(engine, key)["J1.1"]
    review = add_review(engine, place, call="real", reviewer="A")
    with transaction(engine) as connection:
        connection.execute(update(Review).where(Review.id == review).values(withdrawn_at=datetime.now(UTC)))
        connection.execute(update(InspectionRow).where(InspectionRow.id == key)
                           .values(open_findings=InspectionRow.open_findings + 1))
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
        except IntegrityError as error:
            lost.append(error)

    threads = [threading.Thread(target=decide, args=(f"P{n}",)) for n in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(won), len(lost)) == (1, 5)
    assert open_reviews(engine)[0]["open"] == 2
