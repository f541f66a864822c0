"""Properties: whatever the numbers and texts are, they come back as they were."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import tempfile
from collections.abc import Iterator
from pathlib import Path

import invented_boards as invented
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine

from models.limits import Condition
from models.vocabulary import JOINT_MEASURES, MEASURE, limit_text, reason_words
from vision.records import Filter, open_database
from vision.records.columns import moment_text
from vision.records.export import csv_lines, export_rows, guarded
from vision.records.keys import clean_text, picture_key
from vision.records.load import load_inspection
from vision.records.rows import disposition_line, uncertainty_text

NUMBERS = st.one_of(st.floats(allow_nan=True, allow_infinity=False), st.integers(-5, 400).map(float))
FEW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def store() -> Iterator[Engine]:
    with tempfile.TemporaryDirectory() as folder:
        engine = open_database(Path(folder) / "r.sqlite")
        yield engine
        engine.dispose()


@FEW
@given(values=st.fixed_dictionaries({name: NUMBERS for name in JOINT_MEASURES}))
def test_any_measurement_comes_back_bit_for_bit(store: Engine, values: dict[str, float]) -> None:
    item = invented.inspection("B1")
    board = dataclasses.replace(item, joints=(dataclasses.replace(item.joints[0], measurements=values),
                                              *item.joints[1:]))
    back = load_inspection(store, invented.save(store, board, again=True).inspection_id)
    for name, value in values.items():
        found = back.joints[0].measurements[name]
        assert found == value or (math.isnan(found) and math.isnan(value)), name


@FEW
@given(serial=st.text(st.characters(), min_size=1, max_size=300), reason=st.text(st.characters(), max_size=300))
def test_any_serial_and_reason_can_be_recorded(store: Engine, serial: str, reason: str) -> None:
    board = dataclasses.replace(invented.inspection("B1"), serial=serial, reason=reason, joints=(), chips=(),
                                verdict="ungraded")
    back = load_inspection(store, invented.save(store, board, again=True).inspection_id)
    assert back.serial == clean_text(serial, 255)
    assert back.reason == clean_text(reason)
    line = disposition_line(board, "id")
    assert "\n" not in line
    assert json.loads(line)["serial"] == clean_text(serial)
    rows, fields = export_rows(store, "inspections", Filter(limit=1))
    table = list(csv.DictReader(io.StringIO("".join(csv_lines(rows, fields)), newline="")))
    assert len(table) == 1


@given(text=st.text(st.characters()), limit=st.integers(30, 300))
def test_cleaned_texts_are_short_storable_and_stay_apart(text: str, limit: int) -> None:
    cleaned = clean_text(text, limit)
    assert len(cleaned) <= limit
    assert "\0" not in cleaned
    cleaned.encode("utf-8")
    assert clean_text(cleaned, limit) == cleaned
    assert clean_text(text + "a" * 400, limit) != clean_text(text + "b" * 400, limit)


@given(st.lists(st.tuples(st.text(max_size=5), st.text(max_size=5), st.text("0123456789abcdef", max_size=8)),
                unique=True, max_size=6))
def test_the_order_of_pictures_does_not_matter(pictures: list[tuple[str, str, str]]) -> None:
    assert picture_key(pictures) == picture_key(reversed(pictures))


@given(st.dictionaries(st.sampled_from(JOINT_MEASURES),
                       st.floats(-1e300, 1e300) | st.sampled_from([math.nan, math.inf])))
def test_uncertainties_are_json_to_three_digits(values: dict[str, float]) -> None:
    text = uncertainty_text(values)
    found = json.loads(text or "{}")
    assert set(found) == {name for name, value in values.items() if math.isfinite(value)}
    for name, value in found.items():
        assert value == pytest.approx(values[name], rel=0.0051)


@given(st.datetimes(timezones=st.timezones()))
def test_times_as_text_sort_as_times(moment: object) -> None:
    from datetime import UTC, datetime, timedelta

    assert isinstance(moment, datetime)
    if not 2 < moment.year < 9998:
        return
    text = moment_text(moment)
    assert len(text) == 24
    back = datetime.fromisoformat(text)
    assert timedelta(0) <= moment.astimezone(UTC) - back < timedelta(milliseconds=1)
    assert moment_text(moment.astimezone(UTC) + timedelta(seconds=1)) > text


@given(measure=st.sampled_from(sorted(MEASURE)), value=st.floats(-500, 500), limit=st.floats(-500, 500),
       side=st.sampled_from(["below", "above"]))
def test_a_reason_never_says_the_same_number_twice(measure: str, value: float, limit: float, side: str) -> None:
    """`coverage 270 deg, needs at least 270 deg` would tell nobody anything."""
    words = reason_words(measure, value, limit, side)
    got, wanted = words.split(", needs at ")
    assert wanted.startswith("least" if side == "below" else "most")
    if abs(value - limit) > 1e-5:
        place = -2 if MEASURE[measure].unit else -1  # of the number before its unit
        assert got.split()[place] != wanted.split()[place]


@given(measure=st.sampled_from(sorted(MEASURE)), value=st.floats(-500, 500),
       limit=st.integers(-500_000, 500_000).map(lambda number: number / 1000.0),
       side=st.sampled_from(["below", "above"]), verdict=st.sampled_from(["reject", "review"]))
def test_a_reason_tells_the_very_limit(measure: str, value: float, limit: float, side: str, verdict: str) -> None:
    """Rounded, it would be another limit; and the value must lie on its side of it as they are told."""
    words = reason_words(measure, value, limit, side, verdict)
    place = -2 if MEASURE[measure].unit else -1  # of the number before its unit
    assert float(words.split()[place]) == limit
    assert float(limit_text(measure, limit).split()[0]) == limit
    told = float(words.split(",")[0].split()[place])
    assert (told - limit) * (value - limit) >= 0.0


@pytest.mark.parametrize(("measure", "limit", "words"), [
    ("lead_visible", 0.025, "0.025"), ("projection_mm", 0.055, "0.055 mm"), ("coverage_deg", 270.0, "270 deg"),
    ("coverage_deg", 269.5, "269.5 deg"), ("bridge_width_mm", 0.1, "0.10 mm"), ("ball_count", 0.0, "0")])
def test_limits_keep_all_their_decimals(measure: str, limit: float, words: str) -> None:
    assert limit_text(measure, limit) == words
    assert reason_words(measure, limit - 20.0, limit, "below").endswith(f"needs at least {words}")
    assert Condition(measure, below=limit).in_words().endswith(f" below {words}")


@given(st.one_of(st.text(), st.floats(), st.integers(), st.none()))
def test_no_cell_begins_like_a_formula(value: object) -> None:
    cell = guarded(value)
    if isinstance(cell, str):
        assert cell[:1] not in ("=", "+", "-", "@", "\t", "\r")
    assert isinstance(value, str) or cell is value or (cell != cell and value != value)  # noqa: PLR0124 - NaN


