"""Checking a defect database against itself: hashes recomputed, verdicts replayed, counts counted again."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, and_, func, select, text

from models.errors import MeniscopeError
from models.limits import LimitSheet, parse_limits, sheet_hash
from models.vocabulary import REJECT, REVIEW, UNGRADED, VERDICTS
from vision.pipeline.inspection import BESIDE, ChipInspection, FoundFinding, Inspection, JointInspection
from vision.records.database import reading
from vision.records.keys import job_key, picture_key, sha256_file, sha256_text
from vision.records.load import CHUNK, load_inspections
from vision.records.queries import Filter, conditions
from vision.records.replay import rejudged
from vision.records.schema import (
    FamilyJoint,
    FamilyRow,
    FindingRow,
    InspectionRow,
    Review,
    SheetRow,
    StationRow,
)

#: So far off its nominal place at most a land was looked at; older databases tell findings there.
LARGEST_MM = 0.2


@dataclass(frozen=True)
class Difference:
    """One thing that is not as it must be."""

    inspection_id: int | None  # None: not about one inspection
    serial: str
    place: str  # joint, chip, picture or table
    what: str
    stored: str
    computed: str


@dataclass
class Tally:
    """What was looked at; filled while `verify` runs."""

    inspections: int = 0
    results: int = 0
    pictures: int = 0
    gone: list[str] = field(default_factory=list)  # files that are no longer where they were: not a difference

    @property
    def pictures_gone(self) -> int:
        """How many files are no longer where they were."""
        return len(self.gone)


def verify(engine: Engine, wanted: Filter, tally: Tally, *, pictures: bool = True,
           progress: Callable[[int], None] = lambda done: None) -> Iterator[Difference]:
    """Yield every difference between what is stored and what follows from it.

    Recomputed: the hashes of families, stations, limit sheets and, where the files are still in place, pictures; the
    keys made from them; verdicts and findings of every joint and chip from its stored measurements and its sheet; the
    board's verdict and counts; the findings that wait for a person. SQLite files are also checked for damage.
    """
    sheets: dict[str, LimitSheet] = {}
    with reading(engine) as connection:
        yield from _damage(connection)
        yield from _contents(connection, sheets)
        keys = list(connection.execute(
            select(InspectionRow.id).where(*conditions(wanted)).order_by(InspectionRow.id)).scalars())
    for start in range(0, len(keys), CHUNK):
        part = keys[start:start + CHUNK]
        with reading(engine) as connection:
            heads = _heads(connection, part)
        for key, inspection in load_inspections(engine, part):
            tally.inspections += 1
            tally.results += len(inspection.joints) + len(inspection.chips)
            yield from _keys(key, inspection, heads[key])
            yield from _verdicts(key, inspection, sheets)
            yield from _counts(key, inspection, heads[key])
            if pictures:
                yield from _pictures(key, inspection, tally)
        progress(len(part))


def _damage(connection: Connection) -> Iterator[Difference]:
    """Check an SQLite file for damage and for rows that refer to nothing."""
    if connection.dialect.name != "sqlite":
        return
    for (told,) in connection.execute(text("PRAGMA integrity_check(20)")):
        if told != "ok":
            yield Difference(None, "", "file", "damaged", str(told), "ok")
    for table, row, parent, _ in connection.execute(text("PRAGMA foreign_key_check")):
        yield Difference(None, "", f"{table} row {row}", "refers to nothing", "a key", f"a row of {parent}")


def _contents(connection: Connection, sheets: dict[str, LimitSheet]) -> Iterator[Difference]:
    """Recompute the hashes of families, stations and sheets, and read the sheets."""
    for table, place in ((FamilyRow, "family"), (StationRow, "station"), (SheetRow, "limit sheet")):
        for key, digest, content in connection.execute(select(table.id, table.sha256, table.content)):
            computed = sha256_text(content)
            if computed != digest:
                yield Difference(None, "", f"{place} {key}", "content differs from its hash", digest, computed)
            if place != "limit sheet":
                continue
            try:
                sheet = parse_limits(content, f"limit sheet {key}")
            except MeniscopeError as error:
                yield Difference(None, "", f"{place} {key}", "cannot be read", str(error).splitlines()[0], "a sheet")
                continue
            sheets[digest] = sheet
            if sheet_hash(sheet) != digest and computed == digest:
                yield Difference(None, "", f"{place} {key}", "hash of the rules read", digest, sheet_hash(sheet))


@dataclass(frozen=True)
class _Head:
    """What an inspection's row says about it."""

    picture_key: str
    job_key: str
    family_sha256: str
    station_sha256: str
    family_joints: int
    counts: tuple[int, int, int, int]  # joints, review, reject, ungraded
    open_findings: int
    reviewed: int  # findings with a standing review


def _heads(connection: Connection, keys: Sequence[int]) -> dict[int, _Head]:
    joints = _by_key(connection, select(FamilyJoint.family_id, func.count()).group_by(FamilyJoint.family_id))
    reviewed = _by_key(
        connection,
        select(FindingRow.inspection_id, func.count())
        .join(Review, and_(Review.finding_id == FindingRow.id, Review.withdrawn_at.is_(None), Review.blind.is_(False)))
        .where(FindingRow.inspection_id.in_(keys), FindingRow.verdict != "indicator")
        .group_by(FindingRow.inspection_id))
    rows = connection.execute(
        select(InspectionRow.__table__, FamilyRow.sha256.label("family_sha256"),
               StationRow.sha256.label("station_sha256"))
        .join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
        .join(StationRow, StationRow.id == InspectionRow.station_id).where(InspectionRow.id.in_(keys)))
    return {row.id: _Head(
        row.picture_key, row.job_key, row.family_sha256, row.station_sha256, joints.get(row.family_id, 0),
        (row.joint_count, row.review_count, row.reject_count, row.ungraded_count), row.open_findings,
        reviewed.get(row.id, 0)) for row in rows}


def _by_key(connection: Connection, query: Any) -> dict[int, int]:
    return {row[0]: row[1] for row in connection.execute(query)}


def _keys(key: int, inspection: Inspection, head: _Head) -> Iterator[Difference]:
    pictures = picture_key((p.view, p.exposure, p.sha256) for p in inspection.pictures)
    if pictures != head.picture_key:
        yield Difference(key, inspection.serial, "pictures", "picture key", head.picture_key, pictures)
    job = job_key(inspection.serial, head.family_sha256, head.station_sha256, inspection.sheet_hash, head.picture_key)
    if job != head.job_key:
        yield Difference(key, inspection.serial, "inspection", "job key", head.job_key, job)


def _verdicts(key: int, inspection: Inspection, sheets: dict[str, LimitSheet]) -> Iterator[Difference]:
    """Replay the sheet on the stored measurements."""
    sheet = sheets.get(inspection.sheet_hash)
    if sheet is None:  # reported already as a sheet that cannot be read
        return
    again = rejudged(inspection, sheet)
    before: list[JointInspection | ChipInspection] = [*inspection.joints, *inspection.chips]
    after: list[JointInspection | ChipInspection] = [*again.joints, *again.chips]
    older: list[JointInspection | ChipInspection] = []
    for row, (old, new) in enumerate(zip(before, after, strict=True)):
        place = old.name
        if old.verdict != new.verdict:
            yield Difference(key, inspection.serial, place, "verdict", old.verdict, new.verdict)
        stored = tuple(_as_told_now(_at_its_part(finding, old), sheet) for finding in old.findings)
        kept, made = _told(stored), _told(new.findings)
        if kept - made and not older:
            whole = rejudged(inspection, sheet, keep_idle=True)
            older = [*whole.joints, *whole.chips]
        # Older programs asked a person at a joint also where another rule rejects it by the same measurement.
        if kept != made and not (older and kept == _told(older[row].findings)):
            yield Difference(key, inspection.serial, place, "findings", "; ".join(kept - made) or "nothing more",
                             "; ".join(made - kept) or "nothing more")
        if any(not _same(f.value, old.measurements.get(f.measure, math.nan)) for f in old.findings):
            yield Difference(key, inspection.serial, place, "value of a finding differs from the measurement",
                             "; ".join(sorted(kept)), "the measurement")


def _at_its_part(finding: FoundFinding, part: JointInspection | ChipInspection) -> FoundFinding:
    """Return a stored finding at the place that the family gives its joint or chip.

    Older databases hold the place where a joint's land was seen; such a finding stands. One further off is left, and so
    is one of what lies beside its joint: no measurement says where.
    """
    if finding.finding in BESIDE or math.hypot(finding.x_mm - part.x_mm, finding.y_mm - part.y_mm) > LARGEST_MM:
        return finding
    return replace(finding, x_mm=part.x_mm, y_mm=part.y_mm)


def _as_told_now(finding: FoundFinding, sheet: LimitSheet) -> FoundFinding:
    """Return a stored finding as it is told today.

    In older databases, boards graded from pictures told the upper limit of a condition with two, also where the value
    lay nearer to the lower one. Both are the sheet's own numbers, so such a finding stands; any other is left.
    """
    when = sheet.rules[finding.rule].when if 0 <= finding.rule < len(sheet.rules) else ()
    for condition in when:
        if condition.measure == finding.measure and condition.above is not None and (
                finding.limit, finding.side) == (condition.below, "below"):
            limit, side = condition.nearer(finding.value)
            return replace(finding, limit=limit, side=side)
    return finding


def _told(findings: tuple[FoundFinding, ...]) -> set[str]:
    return {f"{f.finding} {f.verdict}: {f.measure} {f.value!r} {f.side} {f.limit!r} guard {f.guard!r} rule {f.rule} "
            f"at {f.x_mm!r}, {f.y_mm!r} mm" for f in findings}


def _same(one: float, two: float) -> bool:
    return one == two or (math.isnan(one) and math.isnan(two))


def _counts(key: int, inspection: Inspection, head: _Head) -> Iterator[Difference]:
    """Count again what the inspection's row says in short."""
    results: list[JointInspection | ChipInspection] = [*inspection.joints, *inspection.chips]
    counted = (len(inspection.joints),
               *(sum(result.verdict == verdict for result in results) for verdict in (REVIEW, REJECT, UNGRADED)))
    for name, stored, found in zip(("joints", "review", "reject", "ungraded"), head.counts, counted, strict=True):
        if stored != found:
            yield Difference(key, inspection.serial, "inspection", f"count of {name}", str(stored), str(found))
    if results and len(inspection.joints) != head.family_joints:
        yield Difference(key, inspection.serial, "inspection", "joints of the family", str(len(inspection.joints)),
                         str(head.family_joints))
    verdict = max((result.verdict for result in results), key=VERDICTS.index, default=UNGRADED)
    if verdict != inspection.verdict:
        yield Difference(key, inspection.serial, "inspection", "verdict of the board", inspection.verdict, verdict)
    waiting = sum(f.verdict != "indicator" for result in results for f in result.findings) - head.reviewed
    if waiting != head.open_findings:
        yield Difference(key, inspection.serial, "inspection", "findings that wait", str(head.open_findings),
                         str(waiting))


def _pictures(key: int, inspection: Inspection, tally: Tally) -> Iterator[Difference]:
    """Hash again the picture files that are still in place."""
    for picture in inspection.pictures:
        if not picture.sha256 or not Path(picture.path).is_file():
            tally.gone.append(picture.path)
            continue
        tally.pictures += 1
        computed = sha256_file(picture.path)
        if computed != picture.sha256:
            yield Difference(key, inspection.serial, Path(picture.path).name, "picture changed since it was graded",
                             picture.sha256, computed or "cannot be read")
