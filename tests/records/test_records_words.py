"""Findings in words: how near a doubtful value is to its limit, and all conditions of the rule, in every place."""

from __future__ import annotations

import dataclasses

import invented_boards as invented
import pytest
from sqlalchemy import Engine, text

from models.limits import Condition, LimitSheet, Rule
from models.vocabulary import reason_words
from vision.pipeline.inspection import Inspection
from vision.pipeline.pictures.zoom_table import _finding_words
from vision.records import Filter, show_inspection
from vision.records.database import transaction
from vision.records.load import load_inspection
from vision.records.queries import FINDING_FIELDS, iterate_findings
from vision.records.replay import rejudged
from vision.report.page import worst_places
from vision.review.boards import load_board

DOMED = Rule("non_wetting", "learned", (Condition("convexity", above=0.125, guard=0.04),
                                        Condition("land_cover_pct", below=93.0, guard=2.2)))
TURNED = Rule("chip_shifted", "learned", (Condition("turn_deg", above=8.0), Condition("body_cover_pct", below=50.0)))
SHEET = LimitSheet((DOMED, TURNED), "sample-1", 2, "two conditions a rule")
#: 86 % of the land under solder is enough by the land's own limit of 75 %; here it is too little for a dome.
WORDS = "land cover 86 %, needs at least 93 % where convexity is above 0.125 (here 0.310)"
DOUBT = "land cover 94 %, within 2.2 % of the limit 93 % where convexity is above 0.125 (here 0.310)"
CHIP = "body cover 40 %, needs at least 50 % where turn is above 8 deg (here 20 deg)"


@pytest.mark.parametrize(("value", "guard", "words"), [
    (19.5, 36.0, "land cover 19.5 %, within 36 % of the limit 3.5 %"),
    (19.5, None, "land cover 19.5 %, the limit is 3.5 %"),  # further from the limit than the limit from nothing
    (19.5, 5.0, "land cover 19.5 %, the limit is 3.5 %"),  # of another limit, as older programs told it
    (4.5, None, "land cover 4.5 %, near the limit 3.5 %"),
    (3.5, 36.0, "land cover 3.5 %, within 36 % of the limit 3.5 %"),
])
def test_a_doubtful_value_is_near_its_limit_only_where_it_is(value: float, guard: float | None, words: str) -> None:
    assert reason_words("land_cover_pct", value, 3.5, "below", "review", guard) == words


def test_a_joints_sheet_says_a_reason_as_all_other_places_do() -> None:
    """Rounded to whole percents, 19.5 and 3.5 % would read as 20 and 3.5."""
    found = dataclasses.replace(board().joints[0].findings[0], finding="bridge", other="J1.4", value=19.5, limit=3.5,
                                guard=36.0, verdict="indicator", beside="")
    assert found.words == "land cover 19.5 %, needs at least 3.5 %"
    assert _finding_words(found) == f"bridge to J1.4 (process indicator): {found.words}"


def board() -> Inspection:
    """Return a board: its first joint is rejected by two conditions, its second doubtful, its chip lies askew."""
    made = invented.inspection("B1", by=SHEET)
    joints = tuple(dataclasses.replace(joint, measurements={
        **joint.measurements, "convexity": 0.31 if number < 2 else -0.5,
        "land_cover_pct": {0: 86.0, 1: 94.0}.get(number, 99.0)}) for number, joint in enumerate(made.joints))
    askew = {"turn_deg": 20.0, "body_cover_pct": 40.0}
    chips = tuple(dataclasses.replace(chip, measurements={**chip.measurements, **askew}) for chip in made.chips)
    return rejudged(dataclasses.replace(made, joints=joints, chips=chips), SHEET)


@pytest.fixture
def key(engine: Engine) -> int:
    return invented.save(engine, board(), by=SHEET).inspection_id


def test_rows_of_findings_tell_all_conditions(engine: Engine, key: int) -> None:
    wanted = [f"non-wetting ({WORDS})", f"non-wetting ({DOUBT})", f"chip shifted ({CHIP})"]
    assert [row["words"] for row in iterate_findings(engine, Filter())] == wanted
    assert [row["words"] for row in show_inspection(engine, key)["findings"]] == wanted
    assert [row["words"] for row in iterate_findings(engine, Filter(finding="non_wetting", pot="pot 1"))] == wanted[:2]
    first = next(iterate_findings(engine, Filter()))
    assert set(first) == set(FINDING_FIELDS)  # what is stored and told otherwise stays as it was
    assert (first["measure"], first["value"], first["limit"], first["side"]) == ("land_cover_pct", 86.0, 93.0, "below")


def test_inspections_tell_all_conditions_graded_or_loaded(engine: Engine, key: int) -> None:
    for inspection in (board(), load_inspection(engine, key)):
        told = [part.findings[0].words for part in (*inspection.joints[:2], *inspection.chips)]
        assert told == [WORDS, DOUBT, CHIP]
        assert [_finding_words(joint.findings[0]) for joint in inspection.joints[:2]] == [
            f"non-wetting: {WORDS}", f"non-wetting: {DOUBT}"]
        assert {place.reason for place in worst_places([inspection], invented.family(), 9)} == {WORDS, DOUBT, CHIP}


def test_the_reviewers_page_tells_all_conditions(engine: Engine, key: int) -> None:
    assert [found.words for found in load_board(engine, key)[1]] == [WORDS, DOUBT, CHIP]


def test_without_a_readable_sheet_the_deciding_condition_is_told(engine: Engine, key: int) -> None:
    with transaction(engine) as connection:
        connection.execute(text("UPDATE limit_sheet SET content = 'x'"))
    alone = WORDS.partition(" where")[0]
    assert next(iterate_findings(engine, Filter()))["words"] == f"non-wetting ({alone})"
    assert load_inspection(engine, key).joints[0].findings[0].words == alone
    assert load_board(engine, key)[1][0].words == alone


def test_a_rule_that_is_not_the_findings_own_tells_nothing(engine: Engine, key: int) -> None:
    with transaction(engine) as connection:
        connection.execute(text("UPDATE finding SET rule = 1 WHERE finding = 'non_wetting'"))
    assert next(iterate_findings(engine, Filter()))["words"] == f"non-wetting ({WORDS.partition(' where')[0]})"
