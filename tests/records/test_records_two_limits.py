"""Of a rule with two limits a finding tells the nearer one: by grading, by a replay, and beside an older program."""

from __future__ import annotations

from pathlib import Path

import pytest
import small_board as small
from old_database import OLD, make_old
from sqlalchemy import Engine, text

from models.limits import Condition, LimitSheet, Rule
from vision.pipeline.folder import BoardFiles
from vision.pipeline.grade import grade_board
from vision.records import Filter, save_inspection
from vision.records.database import transaction
from vision.records.load import load_inspection
from vision.records.migrate import upgrade
from vision.records.queries import iterate_findings
from vision.records.replay import rejudged
from vision.records.verify import Difference, Tally, verify

MEASURE = "fillet_height_mm"
GUARD = 0.02


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> BoardFiles:
    return small.render(tmp_path_factory.mktemp("pictures"))


@pytest.fixture(scope="module")
def value(files: BoardFiles) -> float:
    """Return the measured height of the first joint's fillet."""
    empty = LimitSheet((), "small-2", 2, "no rules")
    return grade_board(files, small.family(), small.station(), empty).joints[0].measurements[MEASURE]


def band(low: float, high: float) -> LimitSheet:
    rule = Rule("excess_solder", "by hand", (Condition(MEASURE, above=low, below=high, guard=GUARD),))
    return LimitSheet((rule,), "small-2", 2, "a rule with two limits")


def differences(engine: Engine) -> list[Difference]:
    return list(verify(engine, Filter(superseded=True), Tally()))


#: Where the two limits lie against the value, and what a person must read. A reject lies between them; a value in the
#: guard band lies outside, and only the limit that it is near to makes "within 0.02 mm of the limit" true (JCGM
#: 106:2012, 8.3.2).
CASES = [(-0.01, 0.05, "reject", "above"), (-0.05, 0.01, "reject", "below"), (0.01, 0.06, "review", "above"),
         (-0.06, -0.01, "review", "below")]


@pytest.mark.parametrize(("low", "high", "verdict", "side"), CASES)
def test_grading_and_replaying_tell_the_nearer_limit(engine: Engine, files: BoardFiles, value: float, low: float,
                                                     high: float, verdict: str, side: str) -> None:
    sheet = band(value + low, value + high)
    board = grade_board(files, small.family(), small.station(), sheet)
    found = board.joints[0].findings[0]
    limit = value + (low if side == "above" else high)
    assert (found.verdict, found.value, found.limit, found.side) == (verdict, value, limit, side)
    assert (found.finding, found.guard, found.unit, found.source, found.rule) == (
        "excess_solder", GUARD, "mm", "by hand", 0)
    assert [joint.findings for joint in rejudged(board, sheet).joints] == [joint.findings for joint in board.joints]
    key = save_inspection(engine, board, small.family(), small.station(), sheet).inspection_id
    assert differences(engine) == []
    told = next(row for row in iterate_findings(engine, Filter()) if row["pin"] == "1")
    assert (told["value"], told["limit"], told["side"], told["unit"]) == (value, limit, side, "mm")
    if verdict == "review":
        assert f"within {GUARD:g} mm of the limit" in told["words"]
        assert abs(told["value"] - told["limit"]) <= told["guard"]
    else:
        assert f"needs at {'most' if side == 'above' else 'least'}" in told["words"]
        assert (told["value"] - told["limit"]) * (1.0 if side == "above" else -1.0) > 0.0
    assert load_inspection(engine, key).joints[0].findings == board.joints[0].findings


def test_a_rule_with_one_limit_tells_that_one(files: BoardFiles, value: float) -> None:
    for condition, side in ((Condition(MEASURE, above=value - 0.1), "above"),
                            (Condition(MEASURE, below=value + 0.1), "below")):
        sheet = LimitSheet((Rule("excess_solder", "by hand", (condition,)),), "small-2", 2, "")
        found = grade_board(files, small.family(), small.station(), sheet).joints[0].findings[0]
        assert (found.limit, found.side) == (condition.above if side == "above" else condition.below, side)


def test_what_an_older_program_told_stays_and_is_no_difference(url: str) -> None:
    """That program's own verify said eight differences of what its own grading had written."""
    engine = make_old(url)
    upgrade(engine)
    assert differences(engine) == []
    columns = OLD["tables"]["finding"]["columns"]
    written = {row[0]: dict(zip(columns, row, strict=True)) for row in OLD["tables"]["finding"]["rows"]}
    found = {row["finding_id"]: row for row in iterate_findings(engine, Filter())}
    assert set(found) == set(written)
    farther = 0
    for key, row in found.items():
        assert (row["value"], row["limit"], row["side"]) == (
            written[key]["value"], written[key]["limit_value"], written[key]["side"])
        farther += row["finding"] == "excess_solder" and abs(row["value"] - 0.25) < abs(row["value"] - 0.31)
    assert farther >= 4  # findings that are told differently today
    engine.dispose()


@pytest.mark.parametrize("change", ["limit_value = 0.3", "side = 'above'", "limit_value = 0.25, side = 'below'",
                                    "value = 0.2", "guard = 0.01", "rule = 9"])
def test_other_limits_are_still_found(tmp_path: Path, change: str) -> None:
    engine = make_old(str(tmp_path / "r.sqlite"))
    upgrade(engine)
    with transaction(engine) as connection:
        connection.execute(text(f"UPDATE finding SET {change} WHERE id = 3"))
    assert "findings" in {item.what for item in differences(engine)}
    engine.dispose()
