"""How long a report over 2,000,000 joint results takes, and one look of the drift watch.

Run: python tests/benchmarks/bench_line.py [boards] [joints]
Makes a database in a temporary folder (about 600 MB), then times the report five times in fresh processes' worth of
state: the engine is opened anew each time. Prints JSON; fails where the median report takes 3 s or more.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
import time
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, insert

from models.limits import LimitSheet
from models.vocabulary import ACCEPT, JOINT_MEASURES, REJECT
from synthetic_images.line_lot import line_family
from vision.line.load import Scope
from vision.line.page import report_page
from vision.line.report import build_report
from vision.line.watching import look
from vision.records.database import open_database, transaction
from vision.records.schema import FindingRow, InspectionRow, JointResult, Review, Unit
from vision.records.store import prepare
from vision.setup import Family, Light, Station

LIMIT_S = 3.0
STATION = Station("bench", 0.02, "{serial}_{view}.png",
                  (Light("high", "", "blue", (8.0, 24.0)), Light("low", "", "red", (60.0, 80.0))))


def fill(engine: Engine, family: Family, boards: int) -> tuple[int, int]:
    """Write `boards` boards with findings at 0.5 % of the joints; return joint results and findings written."""
    setup = prepare(engine, family, STATION, LimitSheet((), family=family.name, workmanship_class=2, note=""))
    joint_ids = np.array(list(setup.joints.values()))
    rng = np.random.default_rng(1)
    start, now = datetime(2026, 1, 5, 6, 0, tzinfo=UTC), datetime(2026, 6, 1, tzinfo=UTC)
    watched = {"coverage_deg": (355.0, 4.0), "wetting_angle_deg": (28.0, 2.5), "fillet_height_mm": (0.8, 0.05),
               "sharpness": (0.8, 0.03)}
    names = list(JointResult.__table__.c.keys())
    statement = f"INSERT INTO joint_result ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
    total = findings = 0
    for first in range(0, boards, 200):
        keys = range(first + 1, min(first + 200, boards) + 1)
        with transaction(engine) as connection:
            connection.execute(insert(Unit), [{"id": key, "family_name": family.name, "serial": f"B{key:07d}",
                                               "added_at": now} for key in keys])
            bad = rng.random((len(keys), joint_ids.size)) < 0.005
            connection.execute(insert(InspectionRow), [
                {"id": key, "uid": str(uuid.UUID(int=key)), "unit_id": key, "family_id": setup.family_id,
                 "station_id": setup.station_id, "sheet_id": setup.sheet_id, "origin": "pictures", "source_id": None,
                 "started_at": start + timedelta(seconds=45 * key), "saved_at": start + timedelta(seconds=45 * key + 1),
                 "seconds": 0.5, "verdict": REJECT if bad[row].any() else ACCEPT, "reason": "", "fault": False,
                 "program_version": "0", "picture_key": "", "job_key": f"{key:064d}", "run": 1, "superseded_by": None,
                 "joint_count": joint_ids.size, "review_count": 0, "reject_count": int(bad[row].sum()),
                 "ungraded_count": 0, "open_findings": int(bad[row].sum())} for row, key in enumerate(keys)])
            values = {name: rng.normal(mean, spread, bad.shape) for name, (mean, spread) in watched.items()}
            rows = []
            for row, key in enumerate(keys):
                columns = {name: values[name][row].tolist() for name in watched}
                for j, joint in enumerate(joint_ids.tolist()):
                    cell = {"inspection_id": key, "joint_id": joint, "view": "v1", "uncertainty": "", "reason": "",
                            "verdict": REJECT if bad[row, j] else ACCEPT}
                    rows.append(tuple(cell[name] if name in cell else columns[name][j] if name in columns
                                      else 0.5 if name in JOINT_MEASURES else "" for name in names))
            connection.exec_driver_sql(statement, rows)
            total += len(rows)
            found = [{"inspection_id": keys[b], "joint_id": int(joint_ids[j]), "chip_id": None,
                      "finding": ("partial_wetting", "bridge", "solder_ball")[int(j) % 3], "verdict": "reject",
                      "measure": "coverage_deg", "value": 200.0, "limit_value": 270.0, "side": "below", "guard": 8.0,
                      "unit": "deg", "source": "class 2", "rule": 0, "x_mm": 0.0, "y_mm": 0.0, "other": ""}
                     for b, j in np.argwhere(bad).tolist()]
            connection.execute(insert(FindingRow), found)
            connection.execute(insert(Review), [
                {"inspection_id": item["inspection_id"], "joint_id": item["joint_id"], "chip_id": None,
                 "finding_id": findings + number + 1, "call": "real" if number % 4 else "false_call", "corrected": "",
                 "reviewer": "bench", "reviewed_at": now, "blind": False, "note": "", "withdrawn_at": None}
                for number, item in enumerate(found) if number % 2])
            findings += len(found)
    return total, findings


def main() -> int:
    """Fill, time, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("boards", type=int, nargs="?", help="default: as many as make 2,000,000 joint results")
    parser.add_argument("joints", type=int, nargs="?", default=250, help="of a board, at least (default: 250)")
    wanted = parser.parse_args()
    family = line_family(wanted.joints // 8 + 1)
    boards = wanted.boards or int(np.ceil(2_000_000 / len(family.joints)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.sqlite"
        engine = open_database(path)
        begun = time.perf_counter()
        results, findings = fill(engine, family, boards)
        filled = time.perf_counter() - begun
        engine.dispose()
        reports, pages, looks = [], [], []
        for _ in range(5):
            engine = open_database(path)
            begun = time.perf_counter()
            report = build_report(engine, Scope())
            reports.append(time.perf_counter() - begun)
            begun = time.perf_counter()
            report_page(report)
            pages.append(time.perf_counter() - begun)
            begun = time.perf_counter()
            look(engine, family.name, save=False)
            looks.append(time.perf_counter() - begun)
            engine.dispose()
        size = path.stat().st_size / 1e6
    median = statistics.median(reports)
    print(json.dumps({"joint_results": results, "findings": findings, "boards": boards, "database_mb": round(size),
                      "fill_s": round(filled, 1), "report_s": [round(s, 3) for s in reports],
                      "report_median_s": round(median, 3), "page_s": [round(s, 3) for s in pages],
                      "look_s": [round(s, 3) for s in looks], "limit_s": LIMIT_S, "met": median < LIMIT_S}, indent=2))
    return 0 if median < LIMIT_S else 1


if __name__ == "__main__":
    sys.exit(main())
