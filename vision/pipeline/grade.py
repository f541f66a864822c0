"""One board's pictures in, one inspection out: capture, register, unwrap, segment, measure, judge.

No database, no printing. Whatever is wrong with a board's pictures makes it `ungraded` with the reason.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.limits import Fired, LimitSheet, judge, sheet_hash
from models.vocabulary import ACCEPT, REVIEW, UNGRADED, VERDICTS
from vision import __version__
from vision.pipeline.folder import BoardFiles
from vision.pipeline.inspection import (
    ChipInspection,
    FoundFinding,
    Inspection,
    JointInspection,
    PictureFile,
    found_finding,
)
from vision.pipeline.measure import BoardMeasurements, PartTable, ViewSurfaces, measure_board
from vision.pipeline.view.capture import PictureError
from vision.pipeline.view.register import RegistrationError
from vision.setup.family import Family
from vision.setup.station import Station

VIEWS_KEPT = 2  # views of one board that are kept in memory until its pictures are drawn


def grade_board(files: BoardFiles, family: Family, station: Station, sheet: LimitSheet,
                overlay: Path | None = None, zooms: Path | None = None, places: Collection[str] = ()) -> Inspection:
    """Grade one board. Never raises for bad pictures: the inspection is then ungraded and says why.

    With `overlay`, pictures of what was seen are written into that folder, one a view. With `zooms`, a sheet for each
    joint and chip that is not accepted, or for those named by `places`.
    """
    started, clock = datetime.now(UTC).isoformat(timespec="milliseconds"), time.perf_counter()
    measured: BoardMeasurements | None = None
    reason = "; ".join(files.problems)
    drawn = overlay is not None or zooms is not None
    # A view in memory is large: the views of a board with many are rather read twice.
    seen: list[ViewSurfaces] | None = [] if drawn and len(family.views) <= VIEWS_KEPT else None
    if not reason:
        try:
            measured = measure_board(files, family, station, keep=seen)
        except (PictureError, RegistrationError) as error:
            reason = str(error)
    if measured is None:
        return Inspection(files.serial, family.name, station.name, UNGRADED, started, time.perf_counter() - clock,
                          _pictures_of(files), sheet_hash(sheet), __version__, reason=reason)
    joints = _joint_inspections(measured, sheet)
    chips = _chip_inspections(measured, sheet)
    verdict = worst([part.verdict for part in joints] + [part.verdict for part in chips])
    if verdict == UNGRADED:
        missed = [part.name for part in joints if part.verdict == UNGRADED]
        missed += [part.ref for part in chips if part.verdict == UNGRADED]
        reasons = [part.reason for part in joints if part.reason] + [part.reason for part in chips if part.reason]
        first = reasons[0] if reasons else "not measured"
        reason = f"{', '.join(missed[:6])}{' and more' if len(missed) > 6 else ''}: {first}" if missed else (
            f"family {family.name} has no joints and no chips, so there is nothing to grade")
    inspection = Inspection(files.serial, family.name, station.name, verdict, started, time.perf_counter() - clock,
                            measured.pictures, sheet_hash(sheet), __version__, measured.registrations,
                            joints, chips, reason)
    if drawn:
        from vision.pipeline.pictures.show import write_pictures

        write_pictures(inspection, files, family, station, sheet, overlays=overlay, zooms=zooms, places=places,
                       seen=seen or ())
    return inspection


def worst(verdicts: Sequence[str]) -> str:
    """Return the worst of some verdicts; a board without parts is ungraded."""
    return max(verdicts, key=VERDICTS.index, default=UNGRADED)


def _pictures_of(files: BoardFiles) -> tuple[PictureFile, ...]:
    """List the pictures of a board that could not be measured, with hashes of those that can be read."""
    import hashlib

    listed = []
    for (view, exposure), path in sorted(files.pictures.items()):
        try:
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
        except OSError:
            digest = ""
        listed.append(PictureFile(view, exposure, str(path), digest))
    return tuple(listed)


def _joint_inspections(measured: BoardMeasurements, sheet: LimitSheet) -> tuple[JointInspection, ...]:
    table = measured.joints
    if not table.refs:
        return ()
    judgement = judge(sheet, "joint", table.columns)
    findings = _findings(judgement.fired, sheet, table)
    joints = []
    rows = zip(_rows(table.columns, len(table.refs)), _rows(table.uncertainties, len(table.refs)), strict=True)
    for row, (values, spreads) in enumerate(rows):
        reason = table.reasons[row]
        joints.append(JointInspection(
            table.refs[row], table.pins[row], table.views[row], UNGRADED if reason else judgement.verdicts[row],
            float(table.x_mm[row]), float(table.y_mm[row]), values, spreads,
            () if reason else tuple(findings.get(row, ())), reason))
    return tuple(joints)


def _chip_inspections(measured: BoardMeasurements, sheet: LimitSheet) -> tuple[ChipInspection, ...]:
    table = measured.chips
    if not table.refs:
        return ()
    judgement = judge(sheet, "chip", table.columns)
    findings = _findings(judgement.fired, sheet, table)
    rows = zip(_rows(table.columns, len(table.refs)), _rows(table.uncertainties, len(table.refs)), strict=True)
    return tuple(ChipInspection(
        table.refs[row], table.views[row], UNGRADED if table.reasons[row] else judgement.verdicts[row],
        float(table.x_mm[row]), float(table.y_mm[row]), values,
        () if table.reasons[row] else tuple(findings.get(row, ())), table.reasons[row], spreads)
        for row, (values, spreads) in enumerate(rows))


def _rows(columns: Mapping[str, NDArray[np.float64]], count: int) -> list[dict[str, float]]:
    """Turn columns into one dict a row; without columns, into `count` empty ones."""
    if not columns:
        return [{} for _ in range(count)]
    names = list(columns)
    return [dict(zip(names, values, strict=True))
            for values in zip(*(columns[name].tolist() for name in names), strict=True)]


def _findings(fired: Sequence[Fired], sheet: LimitSheet, table: PartTable) -> dict[int, list[FoundFinding]]:
    """Turn what fired into findings by row, the worst first."""
    found: dict[int, list[FoundFinding]] = {}
    for item in fired:
        other = table.bridged_to[item.row] if table.bridged_to else ""
        rule = sheet.rules[item.rule]
        found.setdefault(item.row, []).append(found_finding(
            item, rule, *table.place(item.row, rule.finding), other, table.columns))
    order = {"reject": 0, REVIEW: 1}
    return {row: sorted(items, key=lambda item: order.get(item.verdict, 2)) for row, items in found.items()}


__all__ = ["ACCEPT", "grade_board", "worst"]
