"""What is known of a finding and its board: for the page, the repair sheet and the board's state."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Engine, Row, and_, func, select

from models.errors import MeniscopeError
from models.vocabulary import CHIP_MEASURES, FINDING, JOINT_MEASURES, reason_words
from vision.records.database import reading
from vision.records.repairs import repair_taken_back
from vision.records.schema import (
    ChipResult,
    FamilyChip,
    FamilyJoint,
    FamilyRow,
    FindingRow,
    InspectionRow,
    JointResult,
    Repair,
    Review,
    Unit,
)
from vision.records.sheets import Rules, beside_words, measures_beside, recorded_rules
from vision.review.decisions import CALL_WORDS, UnknownError, finding_version
from vision.review.waiting import undecided
from vision.setup import Chip, Family, Fiducial, Joint, View

JOINT, CHIP = JointResult.__table__.c, ChipResult.__table__.c


@dataclass(frozen=True)
class Standing:
    """The decision that stands on a finding."""

    review_id: int
    call: str
    corrected: str
    reviewer: str
    at: datetime
    note: str

    @property
    def words(self) -> str:
        """The call as a person would say it."""
        really = f", really {FINDING[self.corrected].title}" if self.corrected in FINDING else ""
        return CALL_WORDS[self.call] + really


@dataclass(frozen=True)
class Found:
    """One finding of a board with what people said about it."""

    id: int
    inspection_id: int
    joint_id: int | None
    chip_id: int | None
    place: str  # REF.PIN or REF
    view: str
    finding: str
    verdict: str
    measure: str
    value: float
    limit: float
    side: str
    guard: float
    source: str
    rule: int
    x_mm: float
    y_mm: float
    other: str
    beside: str = ""  # the rule's other conditions in words, with what was measured
    standing: Standing | None = None

    @property
    def title(self) -> str:
        """The finding in two or three words."""
        return FINDING[self.finding].title

    @property
    def words(self) -> str:
        """Measured value against limit: `coverage 212 deg, needs at least 270 deg`."""
        return reason_words(self.measure, self.value, self.limit, self.side, self.verdict, self.guard, self.beside)

    @property
    def really(self) -> str:
        """The finding as the person who decided sees it."""
        return (self.standing.corrected if self.standing is not None else "") or self.finding


@dataclass(frozen=True)
class Board:
    """One inspection of one board."""

    inspection_id: int
    unit_id: int
    serial: str
    family: str
    family_id: int
    station_id: int
    sheet_id: int
    verdict: str
    started_at: datetime
    reason: str
    open_findings: int
    superseded_by: int | None


@dataclass(frozen=True)
class Case:
    """A finding before a person: the finding, its board, the rest of the board, and the version to decide against."""

    found: Found
    board: Board
    others: tuple[Found, ...]  # all findings of the board, this one too
    waiting: tuple[int, ...]  # keys of the findings that wait
    version: int
    repairs: int  # how often this joint was mended before, on whatever inspection


def load_case(engine: Engine, finding_id: int) -> Case:
    """Return all that a page about one finding needs. Raises MeniscopeError where there is no such finding."""
    with reading(engine) as connection:
        key = connection.execute(select(FindingRow.inspection_id).where(FindingRow.id == finding_id)).scalar()
        if key is None:
            raise UnknownError(f"finding {finding_id}: not in this database")
        board = _board(connection, int(key))
        found = findings_of(connection, int(key))
        this = next(item for item in found if item.id == finding_id)
        return Case(this, board, tuple(found), tuple(undecided(connection, int(key))),
                    finding_version(connection, finding_id),
                    repair_counts(connection, board.unit_id).get(this.place, 0))


def load_board(engine: Engine, inspection_id: int) -> tuple[Board, tuple[Found, ...]]:
    """Return an inspection and its findings. Raises MeniscopeError where there is none."""
    with reading(engine) as connection:
        return _board(connection, inspection_id), tuple(findings_of(connection, inspection_id))


def newest_inspection(engine: Engine, serial: str) -> int:
    """Return the key of a board's newest inspection. Raises MeniscopeError for an unknown serial."""
    with reading(engine) as connection:
        rows = connection.execute(
            select(InspectionRow.id, Unit.family_name).join(Unit, Unit.id == InspectionRow.unit_id)
            .where(Unit.serial == serial, InspectionRow.superseded_by.is_(None))
            .order_by(InspectionRow.started_at.desc(), InspectionRow.id.desc())).all()
    if not rows:
        raise UnknownError(f"serial {serial[:80]}: no board with this serial; see `meniscope results list`")
    families = sorted({row.family_name for row in rows})
    if len(families) > 1:
        raise MeniscopeError(f"serial {serial[:80]}: boards of several families have it ({', '.join(families)}); "
                             "give the inspection's number instead")
    return int(rows[0].id)


def _board(connection: Connection, inspection_id: int) -> Board:
    row = connection.execute(
        select(InspectionRow.id, InspectionRow.unit_id, Unit.serial, FamilyRow.name, InspectionRow.family_id,
               InspectionRow.station_id, InspectionRow.sheet_id, InspectionRow.verdict, InspectionRow.started_at,
               InspectionRow.reason, InspectionRow.open_findings, InspectionRow.superseded_by)
        .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
        .where(InspectionRow.id == inspection_id)).first()
    if row is None:
        raise UnknownError(f"inspection {inspection_id}: not in this database")
    return Board(*tuple(row))


def findings_of(connection: Connection, inspection_id: int) -> list[Found]:
    """Return an inspection's findings, each once, with the decision that stands."""
    standing = and_(Review.finding_id == FindingRow.id, Review.withdrawn_at.is_(None), Review.blind.is_(False))
    sheet = connection.execute(
        select(InspectionRow.sheet_id).where(InspectionRow.id == inspection_id)).scalar() or 0
    rules = recorded_rules(connection, [sheet])
    beside = [part[name] for part, names in ((JOINT, JOINT_MEASURES), (CHIP, CHIP_MEASURES))
              for name in measures_beside(rules, names)]
    rows = connection.execute(
        select(FindingRow.__table__, FamilyJoint.ref, FamilyJoint.pin, FamilyChip.ref.label("chip_ref"),
               func.coalesce(JOINT.view, CHIP.view, "").label("view"), Review.id.label("review_id"), Review.call,
               Review.corrected, Review.reviewer, Review.reviewed_at, Review.note,
               *(column.label(f"beside {column.name}") for column in beside))
        .join(FamilyJoint, FamilyJoint.id == FindingRow.joint_id, isouter=True)
        .join(FamilyChip, FamilyChip.id == FindingRow.chip_id, isouter=True)
        .join(JointResult.__table__, and_(JOINT.inspection_id == FindingRow.inspection_id,
                                          JOINT.joint_id == FindingRow.joint_id), isouter=True)
        .join(ChipResult.__table__, and_(CHIP.inspection_id == FindingRow.inspection_id,
                                         CHIP.chip_id == FindingRow.chip_id), isouter=True)
        .join(Review, standing, isouter=True)
        .where(FindingRow.inspection_id == inspection_id).order_by(FindingRow.id))
    return [_found(row, rules.get(sheet, ()), {column.name: row._mapping[f"beside {column.name}"] for column in beside})
            for row in rows]


def _found(row: Row[Any], rules: Rules, measured: Mapping[str, float | None]) -> Found:
    place = row.chip_ref if row.joint_id is None else f"{row.ref}.{row.pin}"
    found = Found(row.id, row.inspection_id, row.joint_id, row.chip_id, place, row.view, row.finding, row.verdict,
                  row.measure, row.value, row.limit_value, row.side, row.guard, row.source, row.rule, row.x_mm,
                  row.y_mm, row.other, beside_words(rules, row.rule, row.finding, row.measure, measured))
    if row.review_id is None:
        return found
    return replace(found, standing=Standing(row.review_id, row.call, row.corrected, row.reviewer, row.reviewed_at,
                                            row.note))


def repair_counts(connection: Connection, unit_id: int) -> dict[str, int]:
    """Return how often each place of a board was mended, over all its inspections: `REF.PIN` to number of times.

    Several findings mended in one go at one place count once: what ages a land is how often it was heated. What was
    taken back does not count.
    """
    rows = connection.execute(
        select(FamilyJoint.ref, FamilyJoint.pin, FamilyChip.ref.label("chip_ref"), Repair.joint_id,
               Repair.repaired_at)
        .join(InspectionRow, InspectionRow.id == Repair.inspection_id)
        .join(FamilyJoint, FamilyJoint.id == Repair.joint_id, isouter=True)
        .join(FamilyChip, FamilyChip.id == Repair.chip_id, isouter=True)
        .where(InspectionRow.unit_id == unit_id, ~repair_taken_back())
        .distinct())
    counts: dict[str, int] = {}
    for row in rows:
        place = row.chip_ref if row.joint_id is None else f"{row.ref}.{row.pin}"
        counts[place] = counts.get(place, 0) + 1
    return counts


@lru_cache(maxsize=32)
def family_of(content: str) -> Family:
    """Return a family from its JSON text in the records."""
    data = json.loads(content)
    return Family(data["name"], data["workmanship_class"], data["seen_from"],
                  tuple(Joint(**joint) for joint in data["joints"]), tuple(Chip(**chip) for chip in data["chips"]),
                  tuple(Fiducial(**mark) for mark in data["fiducials"]),
                  tuple(View(view["name"], tuple(view["center_mm"]), view["rotation_deg"]) for view in data["views"]))


class Families:
    """Families of one database by key, read once."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._known: dict[int, Family] = {}

    def __call__(self, family_id: int) -> Family:
        """Return a family revision."""
        if family_id not in self._known:
            with reading(self._engine) as connection:
                content = connection.execute(select(FamilyRow.content).where(FamilyRow.id == family_id)).scalar_one()
            self._known[family_id] = family_of(content)
        return self._known[family_id]


@dataclass(frozen=True)
class GoodPlace:
    """A joint or chip of the same kind that was accepted, to hold beside the doubtful one."""

    inspection_id: int
    place: str
    view: str
    x_mm: float
    y_mm: float
    same_board: bool
    serial: str


#: How many earlier boards of the family are searched for a good joint.
SEARCHED_BOARDS = 20


def good_place(engine: Engine, board: Board, found: Found, family: Family) -> GoodPlace | None:
    """Return the best accepted joint of the same land kind, on the board itself or else on recent boards of its family.

    Best: without any finding, widest wetting, then most land covered. For a chip: the same chip, or one of its size.
    """
    with reading(engine) as connection:
        recent = connection.execute(
            select(InspectionRow.id).where(InspectionRow.family_id == board.family_id,
                                           InspectionRow.started_at <= board.started_at,
                                           InspectionRow.superseded_by.is_(None))
            .order_by(InspectionRow.started_at.desc()).limit(SEARCHED_BOARDS)).scalars().all()
        for some in ([board.inspection_id], [key for key in recent if key != board.inspection_id]):
            if not some:
                continue
            good = (_good_joint(connection, some, board, found, family) if found.joint_id is not None
                    else _good_chip(connection, some, board, found, family))
            if good is not None:
                serial = connection.execute(select(Unit.serial).join(InspectionRow, InspectionRow.unit_id == Unit.id)
                                            .where(InspectionRow.id == good.inspection_id)).scalar_one()
                return replace(good, serial=serial)
    return None


def _good_joint(connection: Connection, inspections: Sequence[int], board: Board, found: Found,
                family: Family) -> GoodPlace | None:
    kind = next((joint.land_kind for joint in family.joints if joint.name == found.place), "")
    with_finding = select(FindingRow.id).where(FindingRow.inspection_id == JOINT.inspection_id,
                                               FindingRow.joint_id == JOINT.joint_id).exists()
    row = connection.execute(
        select(JOINT.inspection_id, FamilyJoint.ref, FamilyJoint.pin, JOINT.view, FamilyJoint.x_mm, FamilyJoint.y_mm)
        .join(FamilyJoint, FamilyJoint.id == JOINT.joint_id)
        .where(JOINT.inspection_id.in_(inspections), JOINT.verdict == "accept", FamilyJoint.land_kind == kind,
               JOINT.joint_id != found.joint_id, ~with_finding)
        .order_by(func.coalesce(JOINT.coverage_deg, 0.0).desc(), func.coalesce(JOINT.land_cover_pct, 0.0).desc(),
                  JOINT.inspection_id.desc(), JOINT.joint_id).limit(1)).first()
    if row is None:
        return None
    return GoodPlace(row.inspection_id, f"{row.ref}.{row.pin}", row.view, row.x_mm, row.y_mm,
                     row.inspection_id == board.inspection_id, "")


def _good_chip(connection: Connection, inspections: Sequence[int], board: Board, found: Found,
               family: Family) -> GoodPlace | None:
    this = next((chip for chip in family.chips if chip.ref == found.place), None)
    if this is None:
        return None
    alike = [chip.ref for chip in family.chips
             if (chip.body_w_mm, chip.body_h_mm) == (this.body_w_mm, this.body_h_mm)]
    row = connection.execute(
        select(CHIP.inspection_id, FamilyChip.ref, CHIP.view, FamilyChip.x_mm, FamilyChip.y_mm)
        .join(FamilyChip, FamilyChip.id == CHIP.chip_id)
        .where(CHIP.inspection_id.in_(inspections), CHIP.verdict == "accept", FamilyChip.ref.in_(alike))
        .order_by((FamilyChip.ref == this.ref).desc(), CHIP.inspection_id.desc()).limit(1)).first()
    if row is None:
        return None
    return GoodPlace(row.inspection_id, row.ref, row.view, row.x_mm, row.y_mm,
                     row.inspection_id == board.inspection_id, "")
