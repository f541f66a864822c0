"""Reviewed joints as labelled samples for training, each with where its label comes from."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine, select

from models.table import LabelledTable, join_tables
from models.vocabulary import JOINT_MEASURES
from vision.records.columns import moment_text
from vision.records.database import reading
from vision.records.schema import FamilyJoint, FamilyRow, FindingRow, InspectionRow, JointResult, Review, Unit
from vision.review.agreement import disputed_findings
from vision.review.decisions import CANNOT_TELL, FALSE_CALL

JOINT = JointResult.__table__.c


@dataclass(frozen=True)
class Provenance:
    """Where one label comes from."""

    serial: str
    place: str  # REF.PIN
    inspection_id: int
    labels: tuple[str, ...]  # true findings; empty = good
    reviewers: tuple[str, ...]
    reviews: tuple[int, ...]  # keys of the reviews that count
    at: str  # when the last of them was made


@dataclass(frozen=True)
class LeftOut:
    """One reviewed joint that teaches nothing, and why."""

    serial: str
    place: str
    inspection_id: int
    why: str


@dataclass(frozen=True)
class Reviewed:
    """The labelled samples of one family, row by row with their provenance, and what was left out."""

    table: LabelledTable
    provenance: tuple[Provenance, ...]
    left_out: tuple[LeftOut, ...]


def reviewed_joints(engine: Engine, family: str, *, weight: float = 1.0) -> Reviewed:
    """Return the joints of a family that people decided on, as a table for `models.train`.

    A joint counts when each of its findings is decided: real ones (as corrected) and missed defects are its true
    findings, and with nothing but false calls it is good. Left out, with the reason, is a joint with a finding that
    waits, that somebody could not tell, or on which people disagree and nobody has settled. Boards are told apart by
    family and serial, so that all inspections of one board fall on one side of a split.
    """
    with reading(engine) as connection:
        disputed = disputed_findings(connection)
        kept: list[tuple[Any, Provenance]] = []
        left: list[LeftOut] = []
        for joint, findings, reviews in _reviewed(connection, family):
            place = f"{joint.ref}.{joint.pin}"
            why = _why_not(findings, reviews, disputed)
            if why:
                left.append(LeftOut(joint.serial, place, joint.inspection_id, why))
            else:
                kept.append((joint, _provenance(joint, place, findings, reviews)))
    columns = {name: np.array([np.nan if getattr(joint, name) is None else getattr(joint, name) for joint, _ in kept],
                              dtype=np.float64) for name in JOINT_MEASURES}
    spreads = [json.loads(joint.uncertainty) if joint.uncertainty else {} for joint, _ in kept]
    known = sorted({name for spread in spreads for name in spread})
    table = LabelledTable(
        "joint", columns, tuple(origin.labels for _, origin in kept),
        tuple(f"{family}/{joint.serial}" for joint, _ in kept), np.zeros(len(kept), dtype=bool),
        tuple(origin.place for _, origin in kept), tuple(joint.land_kind for joint, _ in kept),
        uncertainties={name: np.array([spread.get(name, np.nan) for spread in spreads], dtype=np.float64)
                       for name in known}, weights=np.full(len(kept), weight))
    return Reviewed(table, tuple(origin for _, origin in kept), tuple(left))


def with_reviews(table: LabelledTable, reviewed: Reviewed) -> LabelledTable:
    """Return a table of rendered joints with the reviewed ones behind it, for training on both.

    A board that is in both would be on both sides of a split; their names differ, so it cannot be.
    """
    return join_tables([table, reviewed.table]) if len(reviewed.table) else table


def _reviewed(connection: Connection, family: str) -> Iterator[tuple[Any, list[Any], list[Any]]]:
    """Yield (joint result, its findings, its standing open reviews) for every joint with such a review."""
    reviews: dict[tuple[int, int], list[Any]] = {}
    for review in connection.execute(
            select(Review.__table__).join(InspectionRow, InspectionRow.id == Review.inspection_id)
            .join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
            .where(FamilyRow.name == family, Review.withdrawn_at.is_(None), Review.blind.is_(False),
                   Review.joint_id.is_not(None), InspectionRow.superseded_by.is_(None)).order_by(Review.id)):
        reviews.setdefault((review.inspection_id, review.joint_id), []).append(review)
    boards = sorted({key for key, _ in reviews})
    for start in range(0, len(boards), 500):
        some = boards[start:start + 500]
        findings: dict[tuple[int, int], list[Any]] = {}
        for found in connection.execute(select(FindingRow.__table__).where(
                FindingRow.inspection_id.in_(some), FindingRow.joint_id.is_not(None))):
            findings.setdefault((found.inspection_id, found.joint_id), []).append(found)
        for joint in connection.execute(
                select(JointResult.__table__, Unit.serial, FamilyJoint.ref, FamilyJoint.pin, FamilyJoint.land_kind)
                .join(InspectionRow, InspectionRow.id == JOINT.inspection_id)
                .join(Unit, Unit.id == InspectionRow.unit_id).join(FamilyJoint, FamilyJoint.id == JOINT.joint_id)
                .where(JOINT.inspection_id.in_(some)).order_by(JOINT.inspection_id, JOINT.joint_id)):
            key = (joint.inspection_id, joint.joint_id)
            if key in reviews:
                yield joint, findings.get(key, []), reviews[key]


def _why_not(findings: list[Any], reviews: list[Any], disputed: set[int]) -> str:
    """Return why a joint teaches nothing, or an empty text."""
    by_finding = {review.finding_id: review for review in reviews if review.finding_id is not None}
    for found in findings:
        review = by_finding.get(found.id)
        if found.id in disputed:
            return "somebody could not tell" if review is not None and review.call == CANNOT_TELL else "people disagree"
        if review is None and found.verdict != "indicator":
            return "another finding at this joint waits"
    seen = {found.id for found in findings if found.id in by_finding}
    unseen = [found for found in findings if found.id not in seen]
    if unseen and not any(review.call != FALSE_CALL for review in reviews):
        return f"nobody has looked at its process indicator ({unseen[0].finding})"
    return ""


def _provenance(joint: Any, place: str, findings: list[Any], reviews: list[Any]) -> Provenance:
    names = {found.id: found.finding for found in findings}
    decided = {review.finding_id for review in reviews}
    labels = [review.corrected or names[review.finding_id] for review in reviews if review.call != FALSE_CALL]
    # An indicator beside a real defect is kept as the program saw it: the defect is what matters there.
    labels += [found.finding for found in findings if found.id not in decided]
    return Provenance(joint.serial, place, joint.inspection_id, tuple(sorted(set(labels))),
                      tuple(sorted({review.reviewer for review in reviews})), tuple(review.id for review in reviews),
                      moment_text(max(review.reviewed_at for review in reviews)))
