"""truth.csv, joining it to measurements, and errors against it."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from models.errors import InputError
from models.table import LabelledTable
from vision.pipeline.inspection import FoundFinding, Inspection, JointInspection
from vision.pipeline.measure import BoardMeasurements, PartTable
from vision.teaching import labelled, outcomes, read_truth, spreads

TRUTH = """\
serial,view,ref,pin,finding,coverage_deg,ball_count,shift_along_mm,marginal,land_kind
B1,v1,J1,1,,352.5,0,,0,round 1.8 mm
B1,v1,J1,2,partial_wetting,201.0,1,,0,round 1.8 mm
B1,v1,J1,2,solder_ball,201.0,1,,0,round 1.8 mm
B1,v1,J1,3,partial_wetting,268.0,0,,1,oblong 2.4 x 1.6 mm
B1,v1,R1,,chip_shifted,,,0.42,0,
B2,v1,J1,1,,360,0,,,round 1.8 mm
"""


@pytest.fixture
def truth_file(tmp_path: Path) -> Path:
    path = tmp_path / "truth.csv"
    path.write_text(TRUTH)
    return path


def part_table(refs: tuple[str, ...], pins: tuple[str, ...], reasons: tuple[str, ...], **columns: list[float]
               ) -> PartTable:
    count = len(refs)
    return PartTable(refs, pins, ("v1",) * count, np.zeros(count), np.zeros(count),
                     {name: np.array(values) for name, values in columns.items()},
                     {"coverage_deg": np.full(count, 3.0)} if "coverage_deg" in columns else {}, reasons)


def board(serial: str) -> BoardMeasurements:
    joints = part_table(("J1", "J1", "J1", "J9"), ("1", "2", "3", "1"), ("", "", "not wholly in the picture", ""),
                        coverage_deg=[350.0, 199.0, math.nan, 360.0], ball_count=[0.0, 1.0, math.nan, 0.0])
    chips = part_table(("R1",), ("",), ("",), shift_along_mm=[0.4])
    return BoardMeasurements(serial, joints, chips, (), ())


def test_a_clear_finding_stands_whatever_marginal_ones_are_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "truth.csv"
    path.write_text("serial,view,ref,pin,finding,ball_diameter_mm,marginal\n"
                    "B1,v1,J1,1,partial_wetting,,1\nB1,v1,J1,1,bridge,,0\nB1,v1,J1,1,solder_ball,0.3,1\n"
                    "B1,v1,J1,2,partial_wetting,,1\nB1,v1,J1,2,solder_ball,,1\nB1,v1,J1,3,,,1\n")
    truth = read_truth(path)
    assert (truth["B1", "J1", "1"].findings, truth["B1", "J1", "1"].marginal) == (("bridge",), False)
    assert truth["B1", "J1", "1"].exact == {"ball_diameter_mm": 0.3}
    assert truth["B1", "J1", "2"].findings == ("partial_wetting", "solder_ball") and truth["B1", "J1", "2"].marginal
    assert truth["B1", "J1", "3"].findings == () and truth["B1", "J1", "3"].marginal


def test_columns_of_others_are_told_and_left_out(truth_file: Path) -> None:
    truth_file.write_text(TRUTH.replace("ball_count", "drop_area", 1))
    told: list[str] = []
    truth = read_truth(truth_file, told.append)
    assert told == [f"{truth_file}: drop_area: no measurements known here, so they are not compared"]
    assert truth["B1", "J1", "1"].exact == {"coverage_deg": 352.5}
    with pytest.raises(InputError, match="unknown column 'drop_area'"):
        read_truth(truth_file)


def test_truth_is_read_with_several_findings_a_joint(truth_file: Path) -> None:
    truth = read_truth(truth_file)
    assert read_truth(truth_file.parent) == truth
    assert truth["B1", "J1", "1"].findings == ()
    assert truth["B1", "J1", "1"].exact == {"coverage_deg": 352.5, "ball_count": 0.0}
    assert truth["B1", "J1", "2"].findings == ("partial_wetting", "solder_ball")
    assert truth["B1", "J1", "3"].marginal
    assert truth["B1", "J1", "3"].land_kind == "oblong 2.4 x 1.6 mm"
    assert truth["B1", "R1", ""].findings == ("chip_shifted",)
    assert len(truth) == 5


@pytest.mark.parametrize(("old", "new", "wanted"), [
    ("B1,v1,J1,1,,", "B1,v1,J1,1,dirty,", "row 2, finding: got 'dirty', wanted a finding of a joint"),
    ("B1,v1,J1,1,,", "B1,v1,J1,1,chip_missing,", "row 2, finding: got 'chip_missing', wanted a finding of a joint"),
    ("B1,v1,R1,,chip_shifted", "B1,v1,R1,,blowhole", "row 6, finding: got 'blowhole', wanted a finding of a chip"),
    ("352.5", "much", "row 2, coverage_deg: got 'much', wanted a number or nothing"),
    ("B2,", ",", "row 7: got no serial or no ref, wanted both"),
    ("coverage_deg", "coverage", "header: got unknown column 'coverage'"),
])
def test_mistakes_in_truth_are_reported(truth_file: Path, old: str, new: str, wanted: str) -> None:
    truth_file.write_text(TRUTH.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        read_truth(truth_file)
    assert any(wanted in str(problem) for problem in caught.value.problems), str(caught.value)


def test_measurements_meet_their_truth_by_serial_ref_and_pin(truth_file: Path) -> None:
    table = labelled([board("B1"), board("B2"), board("B3")], read_truth(truth_file), "joint")
    # J1.3 could not be measured, J9.1 and board B3 are unknown to the truth
    assert table.names == ("J1.1", "J1.2", "J1.1")
    assert table.boards == ("B1", "B1", "B2")
    assert table.findings == ((), ("partial_wetting", "solder_ball"), ())
    np.testing.assert_allclose(table.columns["coverage_deg"], [350.0, 199.0, 350.0])
    np.testing.assert_allclose(table.exact["coverage_deg"], [352.5, 201.0, 360.0])
    np.testing.assert_allclose(table.uncertainties["coverage_deg"], 3.0)
    chips = labelled([board("B1")], read_truth(truth_file), "chip", "lot:1")
    assert (chips.names, chips.boards, chips.findings) == (("R1",), ("lot:1",), (("chip_shifted",),))


def test_nothing_measured_gives_an_empty_table(truth_file: Path) -> None:
    assert len(labelled([], read_truth(truth_file), "joint")) == 0


def found(finding: str, verdict: str) -> FoundFinding:
    return FoundFinding(finding, verdict, "coverage_deg", 201.0, 270.0, "below", 8.0, "deg", "test", 0, 0.0, 0.0)


def test_outcomes_set_verdicts_beside_the_truth(truth_file: Path) -> None:
    joints = (JointInspection("J1", "1", "v1", "accept", 0.0, 0.0, {}),
              JointInspection("J1", "2", "v1", "reject", 0.0, 0.0, {}, {},
                              (found("solder_ball", "indicator"), found("partial_wetting", "reject"))))
    boards = [Inspection("B1", "f", "s", "reject", "", 0.0, (), "", "", (), joints),
              Inspection("B2", "f", "s", "ungraded", "", 0.0, (), "", "")]
    rows = {(row.board, row.name): row for row in outcomes(boards, read_truth(truth_file))}
    assert len(rows) == 5
    assert rows["B1", "J1.1"].verdict == "accept"
    assert rows["B1", "J1.2"].found == ("partial_wetting", "solder_ball")
    assert rows["B1", "J1.2"].why == "coverage 201 deg, needs at least 270 deg"
    assert rows["B1", "J1.3"].verdict == "ungraded"  # the inspection does not speak of it
    assert rows["B1", "J1.3"].marginal
    assert rows["B1", "R1"].part == "chip"
    assert rows["B2", "J1.1"].verdict == "ungraded"


def test_spreads_are_bias_and_root_mean_square_error() -> None:
    exact = np.array([100.0, 200.0, 300.0, 350.0])
    error = np.array([1.0, -2.0, 4.0, np.nan])
    columns = {"coverage_deg": exact + error, "gap_azimuth_deg": np.array([359.0, 2.0, 10.0, 0.0])}
    findings: tuple[tuple[str, ...], ...] = ((), (), ("blowhole",), ())
    table = LabelledTable("joint", columns, findings, ("a", "a", "b", "b"), np.zeros(4, dtype=bool), (), (),
                          {"coverage_deg": exact, "gap_azimuth_deg": np.array([1.0, 358.0, 10.0, 0.0])},
                          {"coverage_deg": np.array([3.0, 4.0, np.nan, 9.0])})
    coverage, azimuth = spreads(table)
    assert (coverage.measure, coverage.count) == ("coverage_deg", 3)
    assert coverage.bias == pytest.approx(1.0)
    assert coverage.mean_absolute == pytest.approx(7.0 / 3.0)
    assert coverage.rms == pytest.approx(math.sqrt(7.0))
    assert coverage.largest == 4.0
    assert coverage.stated == pytest.approx(math.sqrt(12.5))
    assert azimuth.mean_absolute == pytest.approx(1.5)  # across north: 359 to 1 is 2 degrees, 2 to 358 is 4
    assert spreads(table, only_good=True)[0].count == 2
