"""Asking the defect database: boards, joints, findings. Plain rows (dicts) come back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Engine, RowMapping, and_, exists, func, or_, select

from models.errors import some
from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES, reason_words
from vision.records.columns import moment_text
from vision.records.database import reading
from vision.records.errors import RecordsError
from vision.records.schema import (
    ChipResult,
    FamilyChip,
    FamilyJoint,
    FamilyRow,
    FindingRow,
    InspectionRow,
    JointResult,
    Picture,
    Registration,
    Review,
    SheetRow,
    StationRow,
    Unit,
)
from vision.records.sheets import beside_words, measures_beside, recorded_rules
from vision.records.words import finding_words

Row = dict[str, Any]
Query = Any  # a select; its type parameters differ between SQLAlchemy 2.0 and 2.1
JOINT = JointResult.__table__.c
CHIP = ChipResult.__table__.c
CHUNK = 2000

#: Columns of an exported or listed inspection, in this order.
INSPECTION_FIELDS: tuple[str, ...] = (
    "id", "uid", "started_at", "serial", "family", "revision", "station", "sheet", "verdict", "joints", "reject",
    "review", "ungraded", "open", "seconds", "program_version", "reason")
PLACE_FIELDS: tuple[str, ...] = ("started_at", "serial", "family", "inspection_id")
JOINT_FIELDS: tuple[str, ...] = (
    *PLACE_FIELDS, "ref", "pin", "view", "pot", "nozzle", "step", "net", "land_kind", "x_mm", "y_mm", "verdict",
    "findings", *JOINT_MEASURES, "uncertainty", "reason")
CHIP_FIELDS: tuple[str, ...] = (
    *PLACE_FIELDS, "ref", "view", "x_mm", "y_mm", "verdict", "findings", *CHIP_MEASURES, "uncertainty",
    "reason")
FINDING_FIELDS: tuple[str, ...] = (
    *PLACE_FIELDS, "finding_id", "ref", "pin", "pot", "nozzle", "step", "finding", "verdict", "measure", "value",
    "limit", "side", "guard", "unit", "source", "rule", "x_mm", "y_mm", "other", "call", "reviewer", "words")


@dataclass(frozen=True)
class Filter:
    """Which inspections are asked for. What is left out does not narrow.

    `pot` and `finding` keep boards with at least one finding there, or of that kind; of joints and findings they keep
    only those. `superseded` also brings gradings that a later grading of the same pictures has replaced.
    """

    since: datetime | None = None
    until: datetime | None = None
    family: str = ""
    serial: str = ""
    pot: str = ""
    finding: str = ""
    verdict: str = ""
    inspection_id: int | None = None
    superseded: bool = False
    limit: int | None = None


EVERYTHING = Filter()


def check_known(engine: Engine, wanted: Filter) -> None:
    """Raise RecordsError where a filter names a family or a pot that the records do not hold: it would find nothing."""
    if wanted.family:
        _check_one("family", wanted.family, recorded_families(engine))
    if wanted.pot:
        pots = (select(FamilyJoint.pot).join(FamilyRow, FamilyRow.id == FamilyJoint.family_id)
                .where(FamilyJoint.pot != "", *([FamilyRow.name == wanted.family] if wanted.family else []))
                .distinct().order_by(FamilyJoint.pot))
        with reading(engine) as connection:
            known = list(connection.execute(pots).scalars())
        _check_one("pot", wanted.pot, known)


def _check_one(kind: str, wanted: str, known: Sequence[str]) -> None:
    if wanted not in known:
        raise RecordsError(f"{kind}: got {wanted!r}, wanted one of the records: {some(known, 20) or '(none yet)'}")


def conditions(wanted: Filter) -> list[Any]:
    """Return SQL conditions on inspection, unit and family for a filter, without pot and finding."""
    found: list[Any] = []
    if wanted.since is not None:
        found.append(InspectionRow.started_at >= wanted.since)
    if wanted.until is not None:
        found.append(InspectionRow.started_at < wanted.until)
    if wanted.family:
        found.append(InspectionRow.family_id.in_(select(FamilyRow.id).where(FamilyRow.name == wanted.family)))
    if wanted.serial:
        found.append(InspectionRow.unit_id.in_(select(Unit.id).where(Unit.serial == wanted.serial)))
    if wanted.inspection_id is not None:
        found.append(InspectionRow.id == wanted.inspection_id)
    if wanted.verdict:
        found.append(InspectionRow.verdict == wanted.verdict)
    if not wanted.superseded:
        found.append(InspectionRow.superseded_by.is_(None))
    return found


def finding_conditions(wanted: Filter) -> list[Any]:
    """Return SQL conditions on findings for the pot and the kind that a filter asks for."""
    found: list[Any] = []
    if wanted.finding:
        found.append(FindingRow.finding == wanted.finding)
    if wanted.pot:
        found.append(FindingRow.joint_id.in_(select(FamilyJoint.id).where(FamilyJoint.pot == wanted.pot)))
    return found


def with_finding(wanted: Filter) -> list[Any]:
    """Return the SQL condition on inspections that one of their findings is at the pot, or of the kind, asked for."""
    narrow = finding_conditions(wanted)
    return [exists().where(FindingRow.inspection_id == InspectionRow.id, *narrow)] if narrow else []


def inspections_query(wanted: Filter) -> Query:
    """Return the query for inspections, newest first."""
    query: Query = (
        select(InspectionRow.id, InspectionRow.uid, InspectionRow.started_at, Unit.serial,
               FamilyRow.name.label("family"), FamilyRow.revision, StationRow.name.label("station"),
               SheetRow.sha256.label("sheet"), InspectionRow.verdict, InspectionRow.joint_count.label("joints"),
               InspectionRow.reject_count.label("reject"), InspectionRow.review_count.label("review"),
               InspectionRow.ungraded_count.label("ungraded"), InspectionRow.open_findings.label("open"),
               InspectionRow.seconds, InspectionRow.program_version, InspectionRow.reason)
        .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
        .join(StationRow, StationRow.id == InspectionRow.station_id)
        .join(SheetRow, SheetRow.id == InspectionRow.sheet_id)
        .where(*conditions(wanted), *with_finding(wanted))
        .order_by(InspectionRow.started_at.desc(), InspectionRow.id.desc()))
    return query if wanted.limit is None else query.limit(wanted.limit)


def list_inspections(engine: Engine, wanted: Filter = EVERYTHING) -> list[Row]:
    """Return inspections, newest first, with their findings counted: `bridge 1, partial_wetting 2`.

    Process indicators, which change no verdict, are counted apart under `indicators`.
    """
    with reading(engine) as connection:
        rows = [plain(row) for row in connection.execute(inspections_query(wanted)).mappings()]
        counts: dict[tuple[int, bool], Counter[str]] = {}
        keys = [row["id"] for row in rows]
        for start in range(0, len(keys), CHUNK):
            some = connection.execute(
                select(FindingRow.inspection_id, FindingRow.finding, FindingRow.verdict, func.count())
                .where(FindingRow.inspection_id.in_(keys[start:start + CHUNK]))
                .group_by(FindingRow.inspection_id, FindingRow.finding, FindingRow.verdict))
            for key, finding, verdict, count in some:
                counts.setdefault((key, verdict == "indicator"), Counter())[finding] += count
    for row in rows:
        for field, apart in (("findings", False), ("indicators", True)):
            named = counts.get((row["id"], apart), Counter())
            row[field] = ", ".join(f"{name} {count}" for name, count in sorted(named.items()))
    return rows


def iterate_inspections(engine: Engine, wanted: Filter) -> Iterator[Row]:
    """Yield inspections, newest first, in bounded memory."""
    with reading(engine) as connection:
        for row in _streamed(connection, inspections_query(wanted)):
            yield plain(row)


def iterate_joints(engine: Engine, wanted: Filter) -> Iterator[Row]:
    """Yield joint results with place, measurements and the names of their findings, newest inspection first."""
    query = (
        select(InspectionRow.started_at, Unit.serial, FamilyRow.name.label("family"), JOINT.inspection_id,
               FamilyJoint.ref, FamilyJoint.pin, JOINT.view, FamilyJoint.pot, FamilyJoint.nozzle, FamilyJoint.step,
               FamilyJoint.net, FamilyJoint.land_kind, FamilyJoint.x_mm, FamilyJoint.y_mm, JOINT.verdict,
               _finding_names(FindingRow.joint_id == JOINT.joint_id, JOINT.inspection_id),
               *(JOINT[name] for name in JOINT_MEASURES), JOINT.uncertainty, JOINT.reason)
        .join(InspectionRow, InspectionRow.id == JOINT.inspection_id)
        .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
        .join(FamilyJoint, FamilyJoint.id == JOINT.joint_id)
        .where(*conditions(wanted))
        .order_by(InspectionRow.started_at.desc(), JOINT.inspection_id.desc(), JOINT.joint_id))
    if wanted.pot:
        query = query.where(FamilyJoint.pot == wanted.pot)
    if wanted.finding:
        query = query.where(exists().where(
            FindingRow.inspection_id == JOINT.inspection_id, FindingRow.joint_id == JOINT.joint_id,
            FindingRow.finding == wanted.finding))
    yield from _all(engine, query, wanted.limit)


def iterate_chips(engine: Engine, wanted: Filter) -> Iterator[Row]:
    """Yield chip results with place, measurements and the names of their findings, newest inspection first."""
    query = (
        select(InspectionRow.started_at, Unit.serial, FamilyRow.name.label("family"), CHIP.inspection_id,
               FamilyChip.ref, CHIP.view, FamilyChip.x_mm, FamilyChip.y_mm, CHIP.verdict,
               _finding_names(FindingRow.chip_id == CHIP.chip_id, CHIP.inspection_id),
               *(CHIP[name] for name in CHIP_MEASURES), CHIP.uncertainty, CHIP.reason)
        .join(InspectionRow, InspectionRow.id == CHIP.inspection_id)
        .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
        .join(FamilyChip, FamilyChip.id == CHIP.chip_id)
        .where(*conditions(wanted))
        .order_by(InspectionRow.started_at.desc(), CHIP.inspection_id.desc(), CHIP.chip_id))
    if wanted.finding:
        query = query.where(exists().where(
            FindingRow.inspection_id == CHIP.inspection_id, FindingRow.chip_id == CHIP.chip_id,
            FindingRow.finding == wanted.finding))
    yield from _all(engine, query, wanted.limit)


def iterate_findings(engine: Engine, wanted: Filter) -> Iterator[Row]:
    """Yield findings with value, limit, place, what a person said about them, and all of it in words."""
    with reading(engine) as connection:
        rules = recorded_rules(connection)
    # Under other names: the filters' own conditions look into these tables too.
    joint, chip = JointResult.__table__.alias("joint_beside"), ChipResult.__table__.alias("chip_beside")
    beside = {name: part.c[name] for part, names in ((joint, JOINT_MEASURES), (chip, CHIP_MEASURES))
              for name in measures_beside(rules, names)}
    query = (
        select(InspectionRow.started_at, Unit.serial, FamilyRow.name.label("family"), FindingRow.inspection_id,
               FindingRow.id.label("finding_id"), func.coalesce(FamilyJoint.ref, FamilyChip.ref).label("ref"),
               func.coalesce(FamilyJoint.pin, "").label("pin"), func.coalesce(FamilyJoint.pot, "").label("pot"),
               func.coalesce(FamilyJoint.nozzle, "").label("nozzle"), func.coalesce(FamilyJoint.step, "").label("step"),
               FindingRow.finding, FindingRow.verdict, FindingRow.measure, FindingRow.value,
               FindingRow.limit_value.label("limit"), FindingRow.side, FindingRow.guard, FindingRow.unit,
               FindingRow.source, FindingRow.rule, FindingRow.x_mm, FindingRow.y_mm, FindingRow.other,
               func.coalesce(Review.call, "").label("call"), func.coalesce(Review.reviewer, "").label("reviewer"),
               InspectionRow.sheet_id, *(column.label(f"beside {name}") for name, column in beside.items()))
        .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
        .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
        .join(FamilyJoint, FamilyJoint.id == FindingRow.joint_id, isouter=True)
        .join(FamilyChip, FamilyChip.id == FindingRow.chip_id, isouter=True)
        .join(Review, and_(Review.finding_id == FindingRow.id, Review.withdrawn_at.is_(None),
                           Review.blind.is_(False)), isouter=True)
        .where(*conditions(wanted), *finding_conditions(wanted))
        .order_by(InspectionRow.started_at.desc(), FindingRow.inspection_id.desc(), FindingRow.id))
    if beside:
        query = (query.join(joint, and_(joint.c.inspection_id == FindingRow.inspection_id,
                                        joint.c.joint_id == FindingRow.joint_id), isouter=True)
                 .join(chip, and_(chip.c.inspection_id == FindingRow.inspection_id,
                                  chip.c.chip_id == FindingRow.chip_id), isouter=True))
    for row in _all(engine, query, wanted.limit):
        measured = {name: row.pop(f"beside {name}") for name in beside}
        others = beside_words(rules.get(row.pop("sheet_id"), ()), row["rule"], row["finding"], row["measure"], measured)
        reason = reason_words(row["measure"], row["value"], row["limit"], row["side"], row["verdict"], row["guard"],
                              others)
        row["words"] = finding_words(row["finding"], reason, row["other"])
        yield row


def _finding_names(place: Any, inspection_id: Any) -> Any:
    """Return a column with the finding names of one joint or chip, joined by commas."""
    joined = func.aggregate_strings(FindingRow.finding, ",")
    return (select(func.coalesce(joined, "")).where(FindingRow.inspection_id == inspection_id, place)
            .scalar_subquery().label("findings"))


def recorded_families(engine: Engine) -> list[str]:
    """Return the names of the families that boards were graded as, in alphabetical order."""
    with reading(engine) as connection:
        return list(connection.execute(select(FamilyRow.name).distinct().order_by(FamilyRow.name)).scalars())


def find_inspection(engine: Engine, wanted: str) -> int:
    """Return the key of an inspection named by key, UUID or serial (then the board's newest one).

    Raises RecordsError where there is none, or where boards of several families bear the serial.
    """
    with reading(engine) as connection:
        by_serial = connection.execute(
            select(InspectionRow.id, Unit.family_name).join(Unit, Unit.id == InspectionRow.unit_id)
            .where(Unit.serial == wanted)
            .order_by(InspectionRow.started_at.desc(), InspectionRow.id.desc())).all()
        if by_serial:
            families = sorted({row.family_name for row in by_serial})
            if len(families) > 1:
                keys = ", ".join(str(row.id) for row in by_serial[:5])
                raise RecordsError(f"serial {wanted}: boards of the families {', '.join(families)} bear it; "
                                   f"name an inspection instead: {keys}")
            return int(by_serial[0].id)
        same = [InspectionRow.uid == wanted]
        if wanted.isdecimal() and len(wanted) < 10:
            same.append(InspectionRow.id == int(wanted))
        key = connection.execute(select(InspectionRow.id).where(or_(*same))).scalar()
    if key is None:
        raise RecordsError(f"{wanted[:80]}: no board with this serial, and no such inspection; "
                           "see `meniscope results list`")
    return int(key)


def find_keys(engine: Engine, wanted: Filter) -> list[int]:
    """Return the keys of inspections, oldest first."""
    query: Query = (select(InspectionRow.id).where(*conditions(wanted), *with_finding(wanted))
                    .order_by(InspectionRow.started_at, InspectionRow.id))
    with reading(engine) as connection:
        return list(connection.execute(query if wanted.limit is None else query.limit(wanted.limit)).scalars())


def show_head(engine: Engine, key: int) -> Row:
    """Return one inspection's own fields.

    Raises RecordsError where there is no such inspection.
    """
    with reading(engine) as connection:
        query = inspections_query(Filter(inspection_id=key, superseded=True))
        head = connection.execute(query).mappings().first()
    if head is None:
        raise RecordsError(f"inspection {key}: not in this database")
    return plain(head)


def show_inspection(engine: Engine, key: int) -> Row:
    """Return one inspection whole: its fields, pictures, registrations, joint_results, chip_results, findings."""
    row = show_head(engine, key)
    with reading(engine) as connection:
        pictures = connection.execute(
            select(Picture.view, Picture.exposure, Picture.path, Picture.sha256)
            .where(Picture.inspection_id == key).order_by(Picture.view, Picture.exposure)).mappings()
        row["pictures"] = [plain(item) for item in pictures]
        places = connection.execute(
            select(Registration.__table__).where(Registration.inspection_id == key)
            .order_by(Registration.view)).mappings()
        row["registrations"] = [{name: value for name, value in item.items() if name != "inspection_id"}
                                for item in places]
        later = connection.execute(select(InspectionRow.superseded_by).where(InspectionRow.id == key)).scalar()
        row["superseded_by"] = later
    one = Filter(inspection_id=key, superseded=True)
    row["joint_results"] = list(iterate_joints(engine, one))
    row["chip_results"] = list(iterate_chips(engine, one))
    row["findings"] = list(iterate_findings(engine, one))
    return row


def open_reviews(engine: Engine, limit: int = 50) -> list[Row]:
    """Return inspections with findings that wait for a person, the oldest first."""
    query = (
        select(InspectionRow.id, InspectionRow.started_at, Unit.serial, FamilyRow.name.label("family"),
               InspectionRow.verdict, InspectionRow.open_findings.label("open"))
        .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
        .where(InspectionRow.open_findings > 0, InspectionRow.superseded_by.is_(None))
        .order_by(InspectionRow.started_at, InspectionRow.id).limit(limit))
    with reading(engine) as connection:
        return [plain(row) for row in connection.execute(query).mappings()]


def plain(row: RowMapping) -> Row:
    """Return a row as a dict, times as text."""
    return {name: moment_text(value) if isinstance(value, datetime) else value for name, value in row.items()}


def _streamed(connection: Connection, query: Query) -> Iterator[RowMapping]:
    with connection.execution_options(yield_per=CHUNK).execute(query) as result:
        for part in result.mappings().partitions():
            yield from part


def _all(engine: Engine, query: Query, limit: int | None) -> Iterator[Row]:
    if limit is not None:
        query = query.limit(limit)
    with reading(engine) as connection:
        for row in _streamed(connection, query):
            yield plain(row)
