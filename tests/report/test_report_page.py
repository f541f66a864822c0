"""The page about a lot: self-contained, safe with any text, and telling what was found."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.criteria import workmanship_rules
from models.decision import TOO_FEW, CriterionRisks, Risks
from models.evaluate import Outcome, compare
from models.limits import Condition, LimitSheet
from vision import report
from vision.pipeline.inspection import ChipInspection, FoundFinding, Inspection, JointInspection
from vision.report import LotReport, board_map, report_html, worst_places
from vision.report.evaluation import EvaluationReport, evaluation_html
from vision.report.pictures import data_uri
from vision.setup import Family, read_family

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def family(setup_folder: Path) -> Family:
    return read_family(setup_folder)


def found(finding: str, verdict: str, value: float, measure: str = "coverage_deg", limit: float = 270.0,
          side: str = "below", other: str = "") -> FoundFinding:
    return FoundFinding(finding, verdict, measure, value, limit, side, 5.0, "deg", "test", 0, 0.0, 0.0, other)


def inspection(serial: str, family: Family, verdict: str, findings: dict[str, tuple[FoundFinding, ...]],
               reason: str = "") -> Inspection:
    joints = tuple(JointInspection(j.ref, j.pin, "v1", findings[j.name][0].verdict if j.name in findings else "accept",
                                   j.x_mm, j.y_mm, {}, {}, findings.get(j.name, ())) for j in family.joints)
    chips = tuple(ChipInspection(c.ref, "v1", "reject" if c.ref in findings else "accept", c.x_mm, c.y_mm, {},
                                 findings.get(c.ref, ())) for c in family.chips)
    return Inspection(serial, family.name, "bench", verdict, "2026-01-01T00:00:00+00:00", 0.2, (), "ab" * 32, "0",
                      (), joints, chips, reason)


@pytest.fixture
def lot(family: Family) -> list[Inspection]:
    return [
        inspection("B1", family, "accept", {}),
        inspection("B2", family, "reject", {
            "J1.1": (found("partial_wetting", "reject", 212.0),),
            "J1.2": (found("bridge", "reject", 0.3, "bridge_width_mm", 0.05, "above", "J1.1"),),
            "R1": (found("chip_shifted", "reject", 0.6, "shift_along_mm", 0.3, "above"),)}),
        inspection("B3", family, "reject", {
            "J1.1": (found("partial_wetting", "reject", 90.0),), "C1.1": (found("partial_wetting", "review", 274.0),),
            "C1.2": (found("blowhole", "indicator", 0.4, "pit_diameter_mm", 0.2, "above"),)})]


def page(family: Family, lot: list[Inspection], **more: object) -> str:
    sheet = LimitSheet(workmanship_rules(2), family.name, 2)
    return report_html(replace(LotReport("Lot 7", family, "bench", sheet, lot), **more))  # type: ignore[arg-type]


def test_worst_places_take_each_finding_in_turn_the_furthest_first(family: Family, lot: list[Inspection]) -> None:
    places = worst_places(lot, family, 4)
    assert [(place.serial, place.name, place.finding) for place in places] == [
        ("B3", "J1.1", "partial_wetting"), ("B2", "J1.2", "bridge"), ("B2", "R1", "chip_shifted"),
        ("B2", "J1.1", "partial_wetting")]
    assert places[0].reason == "coverage 90 deg, needs at least 270 deg"
    assert places[1].title == "bridge to J1.1"
    assert (places[0].pot, places[0].nozzle, places[0].step) == ("P1", "N4", "S1")
    everything = worst_places(lot, family, 99)
    assert [place.verdict for place in everything] == ["reject"] * 4 + ["review"]  # indicators are no bad places


def test_page_tells_verdicts_findings_and_reasons(family: Family, lot: list[Inspection]) -> None:
    text = page(family, lot, worst=worst_places(lot, family, 4))
    assert "coverage 212 deg, needs at least 270 deg" in text
    assert "bridge to J1.1" in text
    assert "Lot 7" in text
    assert re.search(r'<b>2</b><span class="word reject">reject</span>', text)
    for serial in ("B1", "B2", "B3"):
        assert serial in text
    for caution in ("workmanship standard", "300 to 400", "extraction", "wrist strap", "lights"):
        assert caution in text


def test_page_needs_nothing_from_outside(family: Family, lot: list[Inspection]) -> None:
    uri = data_uri(np.zeros((20, 20, 3), dtype=np.uint8))
    text = page(family, lot, overview=uri, overview_words="a board", worst=worst_places(lot, family, 1),
                pictures={("B3", "J1.1"): uri})
    assert text.count(uri) == 2
    links = re.findall(r'(?:src|href|url)\s*[=(]\s*["\']?([^"\')\s>]+)', text)
    assert links
    assert all(link.startswith("data:image/jpeg;base64,") for link in links)
    assert "<script" not in text


def test_worst_places_can_be_looked_at_in_detail(family: Family, lot: list[Inspection]) -> None:
    small, whole = data_uri(np.zeros((20, 20, 3), np.uint8)), data_uri(np.full((30, 50, 3), 200, np.uint8))
    text = page(family, lot, worst=worst_places(lot, family, 3), sheets={("B2", "J1.2"): whole},
                pictures={("B3", "J1.1"): small, ("B2", "J1.2"): small})
    assert text.count(whole) == 1
    assert text.count('href="#sheet-2"') == 1, "the second place's small picture leads to its sheet"
    assert text.count('id="sheet-2"') == 1
    assert "sheet-1" not in text, "the first place has no sheet to lead to"
    links = re.findall(r'(?:src|href|url)\s*[=(]\s*["\']?([^"\')\s>]+)', text)
    assert all(link.startswith(("data:image/jpeg;base64,", "#sheet-")) for link in links)
    assert "#sheet" not in page(family, lot, worst=worst_places(lot, family, 3))


def test_evaluation_page_shows_its_worst_cases_in_detail() -> None:
    outcomes = [Outcome("B2", "J1.1", "joint", ("bridge",), "accept"), Outcome("B2", "J1.2", "joint", (), "reject"),
                Outcome("B3", "J1.3", "joint", (), "accept")]
    whole = data_uri(np.full((30, 50, 3), 200, np.uint8))
    comparison = compare(outcomes, workmanship_class=2)
    assert [o.name for o in comparison.worst[:2]] == ["J1.1", "J1.2"]
    text = evaluation_html(EvaluationReport("Proof", "truth.csv", comparison, 2, pictures={("B2", "J1.2"): whole},
                                            sheets={("B2", "J1.2"): whole}))
    assert "2 boards against truth.csv" in text
    assert "on 1 board<" in text
    assert 'href="#sheet-2"' in text
    assert re.search(r'<details class="sheet" id="sheet-2"><summary>B2 J1\.2', text)
    assert text.count(whole) == 2
    assert "sheet-1" not in text


def test_evaluation_page_calls_things_as_the_command_does() -> None:
    outcomes = [Outcome("B2", "J1.1", "joint", ("bridge",), "accept", kind="round 1.8 mm"),
                Outcome("B2", "J1.2", "joint", (), "review", kind="round 1.8 mm")]
    text = evaluation_html(EvaluationReport("Proof", "truth.csv", compare(outcomes, workmanship_class=2), 2))
    assert "Good ones sent to review<b>1 of 1</b>" in text
    assert ">100.00 %, interval 2.50 % to 100.00 %" in text
    by_finding, by_land = text.split("<h2>By finding")[1].split("<h2>By land")
    assert "false calls" in by_land
    assert "false calls" not in by_finding  # good parts belong to no finding: its cells were dashes


def test_evaluation_page_tells_an_uncertainty_with_its_unit_and_none_as_none() -> None:
    """A standard uncertainty of 0 would read as a perfect measurement."""
    nothing, width = float("nan"), Condition("bridge_width_mm", above=0.1)
    risks = [CriterionRisks(0, "bridge", width, nothing, 40, Risks(nothing, nothing, nothing), TOO_FEW),
             CriterionRisks(1, "bridge", width, 0.0297, 40, Risks(0.01, 0.02, 0.03))]
    comparison = compare([Outcome("B2", "J1.1", "joint", ("bridge",), "accept")], workmanship_class=2)
    text = evaluation_html(EvaluationReport("Proof", "truth.csv", comparison, 2, risks=risks))
    rows = [re.findall(r"<td[^>]*>([^<]*)</td>", row) for row in text.split("Risks of each")[1].split("<tr>")[2:4]]
    assert rows == [["bridge: bridge width above 0.10 mm", "too few near the limit to tell", "40", "-", "-", "-"],
                    ["bridge: bridge width above 0.10 mm", "0.0297 mm", "40", "1.00 %", "2.00 %", "3.00 %"]]
    assert "nan" not in text.lower()


@pytest.mark.parametrize("page", ["report.html", "evaluation.html", "calibration.html"])
def test_no_column_of_a_page_is_wider_than_a_narrow_window(page: str) -> None:
    """A page has 20 px on either side, so columns of a window of 400 px have 360 px."""
    text = (Path(report.__file__).parent / "templates" / page).read_text(encoding="utf-8")
    least = [int(width) for width in re.findall(r"minmax\((\d+)px", text)]
    assert least or "minmax(" not in text
    assert max(least, default=0) <= 360


def test_verdict_colours_come_with_word_and_shape_in_light_and_dark(family: Family, lot: list[Inspection]) -> None:
    text = page(family, lot).lower()
    # Okabe & Ito, "Color universal design" (2008): blue, orange, vermilion
    assert all(colour in text for colour in ("#0072b2", "#e69f00", "#d55e00"))
    assert "prefers-color-scheme: dark" in text
    assert all(f'class="word {verdict}">' in text for verdict in ("accept", "review", "reject", "ungraded"))
    shapes = re.findall(r"\.(accept|review|ungraded)::before \{([^}]+)\}", text)
    assert len({shape for _, shape in shapes}) == 3  # the fourth, reject, is the plain square


def test_hostile_texts_do_no_harm(family: Family) -> None:
    evil = '<script>alert("x")</script>'
    joint = replace(family.joints[0], ref=evil)
    strange = replace(family, name=evil, joints=(joint, *family.joints[1:]))
    lot = [inspection(evil, strange, "reject", {joint.name: (found("partial_wetting", "reject", 1.0),)}, evil)]
    text = page(strange, lot, worst=worst_places(lot, strange, 3), notes=[evil], next_steps=[(evil, evil)])
    assert "<script" not in text
    assert "&lt;script&gt;" in text


def test_comparison_with_truth_is_told_with_its_interval(family: Family, lot: list[Inspection]) -> None:
    outcomes = [Outcome("B2", f"J1.{k}", "joint", ("partial_wetting",), "reject") for k in range(20)]
    outcomes += [Outcome("B2", f"J1.{k}", "joint", (), "accept") for k in range(20, 120)]
    text = page(family, lot, comparison=compare(outcomes))
    assert "0 of 20" in text
    assert "0 of 100" in text
    # exact 95 % interval of 0 in 20: 0 to 16.84 %, of 0 in 100: 0 to 3.62 % (Clopper and Pearson 1934;
    # 0/20 is case of Newcombe, Statist. Med. 17 (1998) 857)
    assert "0.00 and 16.84 %" in text
    assert "0.00 and 3.62 %" in text


def test_an_empty_lot_makes_a_page(family: Family) -> None:
    assert "0 boards" in page(family, [])


def test_board_map_is_drawn_to_scale_as_the_camera_sees_it(family: Family) -> None:
    root = ET.fromstring(board_map(family, {}).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))
    circles = [c for c in root.iter(f"{SVG}circle") if c.get("class") == "land"]
    first, second = ((float(c.get("cx", 0)), float(c.get("cy", 0)), float(c.get("r", 0))) for c in circles)
    assert first[0] - second[0] == pytest.approx(2.54 * 20.0, abs=0.1)  # seen from the bottom, x is mirrored
    assert first[1] == second[1]
    assert first[2] == pytest.approx(0.9 * 20.0)
    top = replace(family, seen_from="top")
    root = ET.fromstring(board_map(top, {}).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))
    xs = [float(c.get("cx", 0)) for c in root.iter(f"{SVG}circle") if c.get("class") == "land"]
    assert xs[1] > xs[0]
    # a land turned by 90 degrees counter-clockwise on the board turns clockwise seen from the other side: the same
    # rectangle either way, but one turned by 45 degrees does not stay the same
    turns = [r.get("transform", "") for r in root.iter(f"{SVG}rect") if r.get("class") == "land"]
    assert turns[1].startswith("rotate(-45.0")


def test_board_map_marks_carry_shape_number_and_words(family: Family) -> None:
    text = board_map(family, {"J1.1": Counter(reject=3, accept=2), "C1.1": Counter(review=1), "R1": Counter(accept=5)})
    assert "<title>J1.1: 3 reject, 2 accept</title><rect class=\"mark-reject\"" in text
    assert "<title>C1.1: 1 review</title><path class=\"mark-review\"" in text
    assert re.findall(r'class="mark-count"[^>]*>(\d)<', text) == ["3", "1"]
