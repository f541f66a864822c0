"""A simulated line as the line room sees it: as arrays, as inspections in a database, as a log file."""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from sqlalchemy import Engine

from models.limits import LimitSheet
from models.vocabulary import ACCEPT, REJECT
from synthetic_images.line_lot import LineLot
from vision.line.history import History, Joints
from vision.line.log_join import Rows
from vision.pipeline.inspection import FoundFinding, Inspection, JointInspection, PictureFile
from vision.records.database import open_database
from vision.records.store import save_inspection
from vision.setup import Light, Station

SHEET = LimitSheet((), family="line", workmanship_class=2, note="invented")
STATION = Station("line-cam", 0.02, "{serial}_{view}.png",
                  (Light("high", "", "blue", (8.0, 24.0)), Light("low", "", "red", (60.0, 80.0))))


def joints_of(lot: LineLot) -> Joints:
    joints = lot.family.joints
    return Joints(tuple(j.name for j in joints), np.array([j.x_mm for j in joints]), np.array([j.y_mm for j in joints]),
                  tuple(j.pot for j in joints), tuple(j.nozzle for j in joints), tuple(j.step for j in joints),
                  tuple(j.land_kind for j in joints))


def history_of(lot: LineLot) -> History:
    graded = np.ones((len(lot.serials), len(lot.family.joints)), dtype=bool)
    return History(lot.serials, lot.at_s, joints_of(lot), lot.measures, lot.findings, graded, (), lot.family.name,
                   lot.batches)


def rows_of(lot: LineLot) -> Rows:
    entries = sorted(lot.log, key=lambda entry: entry.at_s)
    return Rows(np.array([e.at_s for e in entries]), tuple(e.serial for e in entries), tuple(e.pot for e in entries),
                tuple(e.nozzle for e in entries), tuple(e.step for e in entries), tuple(e.quantity for e in entries),
                np.array([np.nan if e.value is None else e.value for e in entries]), tuple(e.text for e in entries))


def inspections_of(lot: LineLot, boards: slice = slice(None)) -> list[Inspection]:
    out = []
    for row in range(len(lot.serials))[boards]:
        results = []
        for column, joint in enumerate(lot.family.joints):
            found = tuple(FoundFinding(name, REJECT, "coverage_deg", float(lot.measures["coverage_deg"][row, column]),
                                       270.0, "below", 8.0, "deg", "workmanship class 2", 0, joint.x_mm, joint.y_mm)
                          for name, truth in lot.findings.items() if truth[row, column])
            results.append(JointInspection(joint.ref, joint.pin, "v1", REJECT if found else ACCEPT, joint.x_mm,
                                           joint.y_mm, {n: float(v[row, column]) for n, v in lot.measures.items()},
                                           {}, found))
        verdict = REJECT if any(result.findings for result in results) else ACCEPT
        at = datetime.fromtimestamp(float(lot.at_s[row]), UTC).isoformat()
        picture = PictureFile("v1", "", f"/pictures/{lot.serials[row]}_v1.png", f"{row:064x}")
        out.append(Inspection(lot.serials[row], lot.family.name, STATION.name, verdict, at, 0.5, (picture,), "", "0",
                              (), tuple(results)))
    return out


def record(engine: Engine, lot: LineLot, boards: slice = slice(None)) -> None:
    for inspection in inspections_of(lot, boards):
        save_inspection(engine, inspection, lot.family, STATION, SHEET)


def database(folder: Path, lot: LineLot) -> Engine:
    engine = open_database(folder / "line.sqlite")
    record(engine, lot)
    return engine


def write_log(lot: LineLot, path: Path) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["at", "serial", "pot", "nozzle", "step", "quantity", "value"])
        for e in lot.log:
            at = datetime.fromtimestamp(e.at_s, UTC).isoformat()
            writer.writerow([at, e.serial, e.pot, e.nozzle, e.step, e.quantity, e.text if e.value is None else e.value])
    return path
