"""Reading, importing and joining the process log."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_line import database, rows_of, write_log

from models.errors import InputError, MeniscopeError
from synthetic_images.line_lot import line_family, simulate_line
from vision.line.log_file import read_log
from vision.line.log_join import Rows, find_gaps, fit_clock, join
from vision.line.log_store import import_entries
from vision.line.log_words import QUANTITIES, spoken

LOT = simulate_line(line_family(), boards=60, seed=1, clock_offset_s=300.0)


def rows(*items: tuple[float, str, str, float, str]) -> Rows:
    """Rows from (time, serial, quantity, value, text)."""
    return Rows(np.array([i[0] for i in items]), tuple(i[1] for i in items), ("",) * len(items), ("N1",) * len(items),
                ("",) * len(items), tuple(i[2] for i in items), np.array([i[3] for i in items]),
                tuple(i[4] for i in items))


def test_long_and_wide_and_json_lines_say_the_same(tmp_path: Path) -> None:
    long, wide, lines = tmp_path / "long.csv", tmp_path / "wide.csv", tmp_path / "log.jsonl"
    long.write_text("at,serial,step,quantity,value\n2026-03-02T07:00:00+01:00,B1,S1,flux_drops,118\n"
                    "2026-03-02T07:00:00+01:00,B1,S1,flux_direction_ok,yes\n")
    wide.write_text("at,serial,step,flux_drops,flux_direction_ok,pot_temperature_c\n"
                    "2026-03-02T06:00:00Z,B1,S1,118,1,\n")
    lines.write_text(json.dumps({"at": "2026-03-02T06:00:00+00:00", "serial": "B1", "step": "S1", "flux_drops": 118,
                                 "flux_direction_ok": True}) + "\n\n")
    assert read_log(long) == read_log(wide) == read_log(lines)
    assert read_log(long)[0].at == datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def test_a_single_joint_is_named_as_its_step(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("at,serial,ref,pin,solder_time_s\n2026-03-02T06:00:00Z,B1,J1,3,2.9\n")
    assert read_log(path)[0].step == "J1.3"


def test_times_without_offset_need_one(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("at,pot_temperature_c\n2026-03-02 07:00:00,285\n")
    with pytest.raises(InputError, match="--utc-offset"):
        read_log(path)
    assert read_log(path, utc_offset="+01:00")[0].at == datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
    assert read_log(path, utc_offset="Z", clock_ahead_s=60.0)[0].at == datetime(2026, 3, 2, 6, 59, tzinfo=UTC)


@pytest.mark.parametrize(("text", "told"), [
    ("", "no column at"),
    ("time,flux_drops\n1,2\n", "no column at"),
    ("at,quantity\n2026-03-02T06:00:00Z,flux_drops\n", "quantity without value"),
    ("at,flux_drops,flux_drops\n", "column flux_drops twice"),
    ("at,flux_drops\n2026-03-02T06:00:00Z\n", "line 2: got 1 cells, wanted 2 cells"),
    ("at,flux_drops\nyesterday,7\n", "line 2, at: got 'yesterday', wanted a time such as"),
    ("at,flux_drops\n2026-03-02T06:00:00Z,many\n", "line 2, flux_drops: got 'many', wanted a number"),
    ("at,flux_drops\n2026-03-02T06:00:00Z,nan\n", "wanted a finite number"),
    ("at,flux_drops\n2026-03-02T06:00:00Z,1e999\n", "wanted a finite number"),
    ("at,flux_direction_ok\n2026-03-02T06:00:00Z,perhaps\n", "wanted 1 or 0"),
    ("at,ref,flux_drops\n2026-03-02T06:00:00Z,J1,7\n", "wanted both or none"),
    ("at,flux_drops\n", "no values"),
    ("at,flux_drops\n2026-03-02T06:00:00Z,\n", "no values"),
    ("at,quantity,value\n2026-03-02T06:00:00Z,,7\n", "wanted the name of what was logged"),
    ("at,quantity,value\n2026-03-02T06:00:00Z,drift_alarm,7\n", "kept for the program's own alarms"),
    ("at,serial,flux_drops\n2026-03-02T06:00:00Z," + "x" * 300 + ",7\n", "at most 255 characters"),
    ("at,flux_drops\n2026-03-02T06:00:00Z,\0\n", "NUL"),
    ('{"at": "2026-03-02T06:00:00Z", "flux_drops": [1]}\n', "got list, wanted a number or a word"),
    ('{"at": "2026-03-02T06:00:00Z", \n', "broken JSON"),
    ('{"at": "2026-03-02T06:00:00Z"}\n[1]\n', "got list, wanted one JSON object a line"),
])
def test_a_bad_file_is_refused_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        read_log(path)
    assert told in str(caught.value)
    assert str(path) in str(caught.value)


def test_all_bad_rows_are_told_at_once_and_nothing_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("at,flux_drops\n2026-03-02T06:00:00Z,a\n2026-03-02T06:00:01Z,7\nnever,7\n")
    with pytest.raises(InputError) as caught:
        read_log(path)
    assert [problem.where for problem in caught.value.problems] == ["line 2, flux_drops", "line 4, at"]
    assert "Nothing was imported" in str(caught.value)


def test_a_missing_file_and_other_bytes_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_log(tmp_path / "none.csv")
    (tmp_path / "latin.csv").write_bytes(b"at,flux_batch\n2026-03-02T06:00:00Z,\xe9\n")
    with pytest.raises(InputError, match="UTF-8"):
        read_log(tmp_path / "latin.csv")


@given(st.binary(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_bytes_give_entries_or_one_clear_error(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "log"
    path.write_bytes(b"at,serial,flux_drops\n2026-03-02T06:00:00Z," + content)
    try:
        entries = read_log(path)
    except MeniscopeError as error:
        assert str(path) in str(error)
    else:
        assert entries


def test_importing_twice_adds_nothing(tmp_path: Path) -> None:
    engine = database(tmp_path, LOT)
    entries = read_log(write_log(LOT, tmp_path / "log.csv"))
    first, second = import_entries(engine, entries, "log.csv"), import_entries(engine, entries, "log.csv")
    assert (first.values, first.new, second.new) == (len(LOT.log), len(LOT.log), 0)
    assert (first.boards, first.boards_without, first.strangers, first.gaps) == (60, 0, 0, ())
    assert first.counts["flux_drops"] == 60 * 8
    engine.dispose()


def test_clock_offset_is_reported(tmp_path: Path) -> None:
    # the log's clock runs 300 s ahead; boards reach the camera 26 s after their last entry
    engine = database(tmp_path, LOT)
    found = import_entries(engine, read_log(write_log(LOT, tmp_path / "log.csv")), "log.csv")
    assert found.clock is not None
    assert found.clock.delay_s == pytest.approx(26.0 - 300.0, abs=2.0)
    assert not found.clock.plausible
    engine.dispose()


def test_a_clock_that_jumps_is_reported() -> None:
    found = rows_of(LOT)
    late = found.at_s + np.where(found.at_s > LOT.at_s[40] + 270.0, 3600.0, 0.0)
    clock = fit_clock(replace(found, at_s=late), LOT.serials, LOT.at_s)
    assert clock is not None
    assert len(clock.jumps) == 1
    serial, change = clock.jumps[0]
    assert LOT.serials.index(serial) in (40, 41)
    assert change == pytest.approx(-3600.0, abs=5.0)


def test_steady_clocks_do_not_jump() -> None:
    clock = fit_clock(rows_of(LOT), LOT.serials, LOT.at_s)
    assert clock is not None
    assert clock.jumps == ()
    assert fit_clock(rows((0.0, "A", "flux_drops", 1.0, "")), ["A"], np.array([5.0])) is None


def test_gaps_are_reported_and_single_misses_are_not() -> None:
    found = rows_of(LOT)
    lost = set(LOT.serials[20:26]) | {LOT.serials[40]}
    kept = [i for i, (serial, name) in enumerate(zip(found.serial, found.quantity, strict=True))
            if not (serial in lost and name == "preheat_end_c")]
    thin = Rows(found.at_s[kept], *(tuple(getattr(found, name)[i] for i in kept) for name in
                                    ("serial", "pot", "nozzle", "step", "quantity")), found.value[kept],
                tuple(found.text[i] for i in kept))
    clock = fit_clock(thin, LOT.serials, LOT.at_s)
    gaps = find_gaps(join(thin, LOT.serials, LOT.at_s, clock), LOT.serials)
    assert [(gap.quantity, gap.first, gap.last, gap.boards) for gap in gaps] == [
        ("preheat_end_c", LOT.serials[20], LOT.serials[25], 6)]


def test_rows_without_serial_are_joined_by_time() -> None:
    at_s = np.array([100.0, 200.0, 300.0, 400.0])
    logged = join(rows((90.0, "", "brush_passes", 3.0, ""), (250.0, "", "brush_passes", 1.0, ""),
                       (250.0, "", "nozzle_cleaned", np.nan, "")), list("ABCD"), at_s)
    values = {item.quantity: item.values for item in logged}
    assert values["brush_passes"].tolist() == [3.0, 3.0, 1.0, 1.0]
    assert values["minutes_since_cleaning"] == pytest.approx([np.nan, np.nan, 50 / 60, 150 / 60], nan_ok=True)


def test_a_clock_offset_is_allowed_for_when_joining_by_time() -> None:
    at_s = np.arange(10) * 100.0 + 1000.0
    named = [(at + 1000.0, f"B{i}", "preheat_end_c", 110.0, "") for i, at in enumerate(at_s)]
    log = rows(*sorted([*named, (2450.0, "", "nozzle_cleaned", np.nan, "")]))
    clock = fit_clock(log, [f"B{i}" for i in range(10)], at_s)
    values = {item.quantity: item.values for item in join(log, [f"B{i}" for i in range(10)], at_s, clock)}
    since = values["minutes_since_cleaning"]
    assert np.isnan(since[:5]).all()
    assert since[5] == pytest.approx(50.0 / 60.0)


def test_missing_drops_and_pauses_are_derived() -> None:
    log = rows((90.0, "A", "flux_drops", 100.0, ""), (90.0, "A", "flux_drops_reference", 120.0, ""))
    logged = {item.quantity: item.values for item in join(log, ["A", "B"], np.array([100.0, 2000.0]))}
    assert logged["flux_drops_missing"][0] == 20.0
    assert logged["minutes_since_pause"].tolist() == [0.0, 0.0]


def test_every_known_quantity_can_be_spoken() -> None:
    for quantity in QUANTITIES:
        assert spoken(quantity.name, 1.0)
    assert spoken("preheat_end_c", -13.94, signed=True) == "−13.9 K"
    assert spoken("preheat_end_c", 98.3) == "98.3 °C"
