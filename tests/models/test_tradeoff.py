"""Trade-off curves: what they count, and how they are drawn."""

from __future__ import annotations

import io
import xml.etree.ElementTree as Xml
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_tables import joint_table

from models.limits import Condition, LimitSheet, Rule, judge
from models.table import LabelledTable
from models.tradeoff import Curve, curves
from vision.report.curves import chart_words, curve_svg, curves_png, nice_ticks

SHEET = LimitSheet((
    Rule("partial_wetting", "test", (Condition("coverage_deg", below=270.0, guard=8.0),)),
    Rule("bridge", "test", (Condition("bridge_width_mm", above=0.1, guard=0.02),)),
    Rule("blowhole", "test", (Condition("pit_diameter_mm", above=0.1),), indicator=True)))


def test_at_its_own_limit_a_curve_says_what_judging_says() -> None:
    table = joint_table(40, 1)
    found = curves(SHEET, table, points=31)
    assert [curve.finding for curve in found] == ["partial_wetting", "bridge"]  # indicators reject nothing
    for curve in found:
        at = int(np.abs(curve.limits - curve.limit).argmin())
        own = LimitSheet((SHEET.rules[curve.rule],))
        good = judge(own, "joint", table.take(table.good).columns).verdicts
        bad = judge(SHEET, "joint", table.take(table.has(curve.finding)).columns).verdicts
        assert curve.false_calls[at] == pytest.approx(good.count("reject") / len(good), abs=1e-12)
        assert curve.escapes[at] == pytest.approx(bad.count("accept") / len(bad), abs=1e-12)
        assert (curve.good, curve.defects) == (len(good), len(bad))


def test_a_stricter_limit_lets_fewer_escape_and_rejects_more_good_ones() -> None:
    for curve in curves(SHEET, joint_table(40, 2)):
        stricter = 1 if curve.side == "below" else -1
        assert (stricter * np.diff(curve.escapes) <= 1e-12).all()
        assert (stricter * np.diff(curve.false_calls) >= -1e-12).all()


def test_what_other_rules_or_the_guard_band_catch_is_no_escape() -> None:
    columns = {"coverage_deg": np.array([100.0, 275.0, 300.0, 360.0]), "land_cover_pct": np.array([90.0, 90, 20, 90])}
    bad = ("partial_wetting",)
    table = LabelledTable("joint", columns, (bad, bad, bad, ()), ("b",) * 4, np.zeros(4, dtype=bool))
    land = Rule("partial_wetting", "test", (Condition("land_cover_pct", below=75.0),))
    for rules, escapes in (((SHEET.rules[0], land), 0.0), ((SHEET.rules[0],), 1 / 3)):
        curve = curves(LimitSheet(rules), table)[0]
        assert curve.escapes[curve.limits == 270.0] == pytest.approx([escapes])


def invented_curve(guard: float = 10.0) -> Curve:
    limits = np.linspace(200, 340, 141)
    return Curve(0, "partial_wetting", "coverage_deg", "below", 270.0, guard, limits, (340 - limits) / 1400,
                 (limits - 200) / 700, 120, 900)


def test_the_svg_is_sound_and_says_its_numbers_in_words() -> None:
    curve = invented_curve()
    root = Xml.fromstring(curve_svg(curve))
    words = [element.text for element in root.iter() if element.text]
    assert "partial wetting: coverage below 270 deg" in words
    assert "escapes, of 120" in words
    assert "guard band" in words
    assert root.get("aria-label") == chart_words(curve)
    assert "5.0 % of 120 defects escape" in chart_words(curve)
    bridge = replace(curve, finding="bridge", measure="bridge_width_mm", side="above", limit=0.1)
    assert chart_words(bridge).startswith("bridge: bridge width above 0.10 mm: ")  # as limit sheets tell it
    assert "guard band" not in curve_svg(invented_curve(0.0))


def test_the_png_shows_the_same_lines() -> None:
    from PIL import Image

    picture = np.asarray(Image.open(io.BytesIO(curves_png([invented_curve(), invented_curve(), invented_curve()]))))
    assert picture.shape == (2 * 2 * 300, 2 * 2 * 560, 3)
    for colour in ((213, 94, 0), (0, 114, 178)):  # Okabe-Ito vermilion and blue
        assert (np.abs(picture.astype(int) - colour).sum(axis=2) < 12).sum() > 200
    assert (picture[700:, 1200:] == 255).all()  # the fourth place is empty


@settings(deadline=None)
@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4))
def test_ticks_are_round_and_inside(low: float, width: float) -> None:
    ticks = nice_ticks(low, low + width)
    assert 2 <= len(ticks) <= 8
    assert ticks[0] >= low - 1e-6 * width - 1e-9
    assert ticks[-1] <= low + width * (1 + 1e-6) + 1e-9
    steps = np.diff(ticks)
    assert steps == pytest.approx(steps[0])
    power = 10.0 ** np.round(np.log10(steps[0]))  # a step a hair below a power of ten is that power all the same
    assert min(abs(steps[0] / power - m) for m in (0.2, 0.5, 1, 2, 5)) < 1e-4
