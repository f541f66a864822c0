"""A whole board drawn by Mitsuba 3 is registered and graded like any other folder of pictures.

Good joints are accepted and plain defects rejected by the workmanship criteria alone. Needs the extra `pathtrace`.
"""

from __future__ import annotations

import csv
from pathlib import Path

import cv2
import pytest

pytest.importorskip("mitsuba", reason="Mitsuba 3 is not installed: pip install '.[pathtrace]'",
                    exc_type=ImportError)

from models.criteria import workmanship_rules
from models.limits import LimitSheet
from vision.pipeline.folder import scan_folder
from vision.pipeline.grade import grade_board
from vision.teaching import read_truth

from .boards import HEADER, board_files, cells
from .layouts import setting_small

#: Joint by joint, three a row: what is wrong with it and how badly (0 to 1).
PLANTED = [("", 0.0), ("no solder", 1.0), ("", 0.0), ("bridge", 0.7), ("bridged to 3", 0.0), ("", 0.0),
           ("open gap", 0.8), ("", 0.0), ("lead missing, open", 1.0)]


def test_plain_defects_are_rejected_and_good_joints_accepted(tmp_path: Path) -> None:
    setting = setting_small()
    picture, rows = board_files(setting, (4, 1), samples=32, kinds=PLANTED)
    cv2.imwrite(str(tmp_path / "TR0001_v1_a.png"), picture)
    with (tmp_path / "truth.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([HEADER, *(line for row in rows for line in cells("TR0001", "v1", row))])
    truth = read_truth(tmp_path)
    files = scan_folder(tmp_path, setting.station, setting.family)[0]
    inspection = grade_board(files, setting.family, setting.station, LimitSheet(workmanship_rules(2)))
    assert inspection.registrations[0].method == "fiducials"
    assert inspection.registrations[0].residual_mm < 0.02
    seen = {joint.pin: joint for joint in inspection.joints}
    for number, (kind, _) in enumerate(PLANTED, start=1):
        joint, known = seen[str(number)], truth["TR0001", "J1", str(number)]
        named = {finding.finding for finding in joint.findings if finding.verdict == "reject"}
        assert bool(known.findings) == bool(kind)
        assert joint.verdict == ("reject" if kind else "accept"), (number, kind, joint.findings)
        assert set(known.findings) <= named, (number, kind, named)
        if not kind:
            assert joint.measurements["coverage_deg"] == pytest.approx(known.exact["coverage_deg"], abs=25.0)
            # A bare rim of one pixel is not seen.
            assert joint.measurements["land_cover_pct"] == pytest.approx(known.exact["land_cover_pct"], abs=12.0)
