"""Where people disagree, and blind looks for agreement studies."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations

from sqlalchemy import Connection, Engine, Integer, func, select

from models.study import Agreement, agreement
from vision.records.database import reading
from vision.records.schema import CONTROL, SETTLEMENT, FamilyJoint, FindingRow, InspectionRow, JointResult, Review, Unit
from vision.review.decisions import CANNOT_TELL

#: Findings from which a blind look is drawn: the newest.
POOL = 300


@dataclass(frozen=True)
class Opinion:
    """What one person said about one finding."""

    reviewer: str
    call: str
    corrected: str
    at: datetime
    blind: bool


@dataclass(frozen=True)
class Dispute:
    """A finding on which people disagree, or of which somebody could not tell, and nobody has settled it."""

    finding_id: int
    inspection_id: int
    serial: str
    finding: str
    opinions: tuple[Opinion, ...]

    @property
    def reason(self) -> str:
        """Why it has to be settled."""
        calls = {(item.call, item.corrected) for item in self.opinions if item.call != CANNOT_TELL}
        return "people disagree" if len(calls) > 1 else "somebody could not tell"


def disputes(engine: Engine, limit: int = 60) -> list[Dispute]:
    """Return what has to be settled, the oldest first.

    A dispute: two different calls (or corrected findings) on one finding, or a standing "cannot tell", none of them
    settled since.
    """
    with reading(engine) as connection:
        keys = _disputed(connection, limit)
        said = _opinions(connection, keys)
        heads = {row.id: row for row in connection.execute(
            select(FindingRow.id, FindingRow.inspection_id, Unit.serial, FindingRow.finding)
            .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
            .join(Unit, Unit.id == InspectionRow.unit_id).where(FindingRow.id.in_(keys)))}
    return [Dispute(key, heads[key].inspection_id, heads[key].serial, heads[key].finding, said[key]) for key in keys]


def disputed_findings(connection: Connection) -> set[int]:
    """Return the keys of all findings that have to be settled before their joints can teach."""
    return set(_disputed(connection, None))


def _disputed(connection: Connection, limit: int | None) -> list[int]:
    said = Review.call + ":" + Review.corrected
    standing = (
        select(Review.finding_id, func.count(said.distinct()).label("calls"),
               func.max(Review.reviewed_at).label("latest"),
               func.sum(((Review.call == CANNOT_TELL) & Review.blind.is_(False)).cast(Integer)).label("unsure"))
        .where(Review.withdrawn_at.is_(None), Review.finding_id.is_not(None)).group_by(Review.finding_id)
        .having((func.count(said.distinct()) > 1)
                | (func.sum(((Review.call == CANNOT_TELL) & Review.blind.is_(False)).cast(Integer)) > 0)).subquery())
    rows = connection.execute(
        select(standing.c.finding_id)
        .join(SETTLEMENT, (SETTLEMENT.c.finding_id == standing.c.finding_id)
              & (SETTLEMENT.c.settled_at >= standing.c.latest), isouter=True)
        .where(SETTLEMENT.c.finding_id.is_(None)).order_by(standing.c.latest).limit(limit))
    return [int(row.finding_id) for row in rows]


def opinions(connection: Connection, finding_id: int) -> tuple[Opinion, ...]:
    """Return what people say about a finding, decisions taken back left out."""
    return _opinions(connection, [finding_id])[finding_id]


def _opinions(connection: Connection, keys: Sequence[int]) -> dict[int, tuple[Opinion, ...]]:
    said: dict[int, tuple[Opinion, ...]] = {key: () for key in keys}
    for row in connection.execute(
            select(Review.finding_id, Review.reviewer, Review.call, Review.corrected, Review.reviewed_at, Review.blind)
            .where(Review.finding_id.in_(keys), Review.withdrawn_at.is_(None)).order_by(Review.reviewed_at)):
        said[row.finding_id] += (Opinion(row.reviewer, row.call, row.corrected, row.reviewed_at, row.blind),)
    return said


@dataclass(frozen=True)
class BlindLook:
    """A place for a blind look: with a finding behind it, or a joint that the program accepted."""

    inspection_id: int
    finding_id: int | None
    joint_id: int
    place: str


def next_look(engine: Engine, name: str) -> BlindLook | None:
    """Return the next place for a person to judge without the program's opinion, or None where none is left.

    Drawn from the newest findings on joints and, about as often, from accepted joints of the same boards, in an order
    that is fixed for a person but looks random, so that nobody can guess what the program said.
    """
    with reading(engine) as connection:
        seen = select(Review.id).where(Review.finding_id == FindingRow.id, Review.reviewer == name,
                                       Review.withdrawn_at.is_(None)).exists()
        found = connection.execute(
            select(FindingRow.inspection_id, FindingRow.id, FindingRow.joint_id, FamilyJoint.ref, FamilyJoint.pin)
            .join(FamilyJoint, FamilyJoint.id == FindingRow.joint_id)
            .where(FindingRow.verdict != "indicator", ~seen).order_by(FindingRow.id.desc()).limit(POOL)).all()
        looks = [BlindLook(row.inspection_id, row.id, row.joint_id, f"{row.ref}.{row.pin}") for row in found]
        looks = _once_each(looks)
        boards = sorted({look.inspection_id for look in looks})[:20]
        looks += _controls(connection, boards, name, len(looks))
    return min(looks, key=lambda look: _shuffle(name, look), default=None)


def _once_each(looks: Sequence[BlindLook]) -> list[BlindLook]:
    """Keep one finding a joint: the person judges the joint, not one finding after the other."""
    kept: dict[tuple[int, int], BlindLook] = {}
    for look in looks:
        kept.setdefault((look.inspection_id, look.joint_id), look)
    return list(kept.values())


def _controls(connection: Connection, boards: Sequence[int], name: str, most: int) -> list[BlindLook]:
    joint = JointResult.__table__.c
    looked = select(CONTROL.c.id).where(CONTROL.c.inspection_id == joint.inspection_id,
                                        CONTROL.c.joint_id == joint.joint_id, CONTROL.c.reviewer == name).exists()
    rows = connection.execute(
        select(joint.inspection_id, joint.joint_id, FamilyJoint.ref, FamilyJoint.pin)
        .join(FamilyJoint, FamilyJoint.id == joint.joint_id)
        .where(joint.inspection_id.in_(boards), joint.verdict == "accept", ~looked)).all()
    looks = [BlindLook(row.inspection_id, None, row.joint_id, f"{row.ref}.{row.pin}") for row in rows]
    return sorted(looks, key=lambda look: _shuffle(name, look))[:most]


def _shuffle(name: str, look: BlindLook) -> bytes:
    return hashlib.sha256(f"{name}\n{look.inspection_id}\n{look.joint_id}".encode()).digest()


def pair_agreements(engine: Engine, limit: int = 5000) -> list[Agreement]:
    """Return how every two people agree on the findings that both judged (defect or not; cannot tell left out)."""
    with reading(engine) as connection:
        rows = connection.execute(
            select(Review.finding_id, Review.reviewer, Review.call)
            .where(Review.withdrawn_at.is_(None), Review.finding_id.is_not(None), Review.call != CANNOT_TELL)
            .order_by(Review.id.desc()).limit(limit)).all()
    said: dict[int, dict[str, str]] = {}
    for row in rows:
        said.setdefault(row.finding_id, {}).setdefault(row.reviewer, row.call)
    tables: dict[tuple[str, str], tuple[list[str], list[str]]] = {}
    for calls in said.values():
        for first, second in combinations(sorted(calls), 2):
            ones, twos = tables.setdefault((first, second), ([], []))
            ones.append(calls[first])
            twos.append(calls[second])
    return [agreement(*pair, *calls) for pair, calls in sorted(tables.items())]
