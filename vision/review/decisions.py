"""Decisions of people: made once, never lost, never doubled, each with its line in the audit trail.

Optimistic locking: a page carries the version of what it showed. A decision that was made against an older version
is refused and the person is told who decided meanwhile. The version of a finding counts how often it was decided and
taken back, so it only rises. Decision, count of open findings and audit line are one transaction.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Engine, Row, delete, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from models.errors import MeniscopeError
from models.vocabulary import CHIP_FINDINGS, FINDING, JOINT_FINDINGS
from vision.records.columns import moment_text
from vision.records.database import reading, transaction
from vision.records.repairs import repair_taken_back
from vision.records.schema import (
    AUDIT,
    CONTROL,
    SETTLEMENT,
    FamilyJoint,
    FindingRow,
    InspectionRow,
    JointResult,
    Repair,
    Review,
)

REAL, FALSE_CALL, CANNOT_TELL = "real", "false_call", "cannot_tell"
DECISIONS: tuple[str, ...] = (REAL, FALSE_CALL, CANNOT_TELL)
#: The calls in words, for pages and messages.
CALL_WORDS = {REAL: "real defect", FALSE_CALL: "false call", CANNOT_TELL: "cannot tell", "escape": "missed defect"}
LONGEST_NOTE = 2000


class ConflictError(MeniscopeError):
    """Somebody else was faster, or the board was graded again; nothing was saved."""


class NotTakenBackError(ConflictError):
    """A decision that can no longer be taken back; `finding_id` is what it was about."""

    def __init__(self, words: str, finding_id: int) -> None:
        super().__init__(words)
        self.finding_id = finding_id


class UnknownError(MeniscopeError):
    """What was asked for is not in the database."""


@dataclass(frozen=True)
class Actor:
    """Who acts, and from which network address (empty: the command line)."""

    name: str
    address: str = ""


@dataclass(frozen=True)
class Decision:
    """What a person says about one finding; `corrected` names another finding than the program's."""

    call: str
    corrected: str = ""
    note: str = ""


def decide(engine: Engine, finding_id: int, decision: Decision, by: Actor, *, version: int) -> int:
    """Record a decision and return the review's key.

    Raises ConflictError where the finding changed since `version`, MeniscopeError for a decision that makes no sense.
    """
    try:
        with transaction(engine) as connection:
            finding = hold_finding(connection, finding_id)
            _check(decision, finding)
            _check_version(connection, finding_id, version)
            now = datetime.now(UTC)
            key = write_review(connection, finding, decision, by.name, blind=False, at=now)
            _decided(connection, finding, key, decision, by)
            twin = bridge_twin(connection, finding)
            if twin is not None and _standing(connection, twin.id) is None:
                _decided(connection, twin, write_review(connection, twin, decision, by.name, blind=False, at=now),
                         decision, by)
            return key
    except IntegrityError as error:  # another program wrote past the lock; its decision stands
        raise ConflictError("somebody decided on this finding while you were looking; nothing was saved") from error


def _decided(connection: Connection, finding: Row[Any], key: int, decision: Decision, by: Actor) -> None:
    """Count a fresh decision and tell of it."""
    if finding.verdict != "indicator":
        count_open(connection, finding.inspection_id, -1)
    note_audit(connection, by, "decide", finding.inspection_id, finding.id, key, _told(decision))


def bridge_twin(connection: Connection, finding: Row[Any]) -> Row[Any] | None:
    """Return the finding of a bridge's other end: one piece of solder, so people decide on both ends at once."""
    if finding.finding != "bridge" or not finding.other:
        return None
    rows = connection.execute(
        select(FindingRow.__table__, FamilyJoint.ref, FamilyJoint.pin)
        .join(FamilyJoint, FamilyJoint.id == FindingRow.joint_id)
        .where(FindingRow.inspection_id == finding.inspection_id, FindingRow.finding == "bridge")).all()
    here = next((f"{row.ref}.{row.pin}" for row in rows if row.id == finding.id), "")
    return next((row for row in rows if f"{row.ref}.{row.pin}" == finding.other and row.other == here), None)


def _standing(connection: Connection, finding_id: int) -> Any:
    """Return the open decision that stands on a finding, or None."""
    return connection.execute(
        select(Review.id, Review.call, Review.reviewer, Review.reviewed_at).where(
            Review.finding_id == finding_id, Review.withdrawn_at.is_(None), Review.blind.is_(False))).first()


def undo(engine: Engine, review_id: int, by: Actor) -> int:
    """Take one's own decision back; the finding waits again. Returns the finding's key.

    Raises NotTakenBackError where it was taken back or settled already, or where the joint has been mended since.
    """
    with transaction(engine) as connection:
        review = connection.execute(select(Review.__table__).where(Review.id == review_id)).first()
        if review is None or review.finding_id is None or review.blind:
            raise MeniscopeError(f"decision {review_id}: there is none to take back")
        finding = hold_finding(connection, review.finding_id, superseded=True)
        if review.reviewer != by.name:
            raise MeniscopeError(f"decision {review_id}: made by {review.reviewer}; only they can take it back")
        mended = connection.execute(select(Repair.id).where(Repair.finding_id == review.finding_id,
                                                            Repair.repaired_at >= review.reviewed_at,
                                                            ~repair_taken_back())).first()
        if mended is not None:
            raise NotTakenBackError("this joint was mended after your decision; it can no longer be taken back",
                                    finding.id)
        if not _withdraw(connection, finding, review_id, by):
            raise NotTakenBackError(_overtaken(connection, review), finding.id)
        twin = bridge_twin(connection, finding)
        other = None if twin is None else _standing(connection, twin.id)
        if twin is not None and other is not None and (other.reviewer, other.reviewed_at) == (by.name,
                                                                                             review.reviewed_at):
            _withdraw(connection, twin, other.id, by)
        return int(review.finding_id)


def _overtaken(connection: Connection, review: Row[Any]) -> str:
    """Say why a decision that stands no more cannot be taken back: who settled the finding, and how."""
    settled = connection.execute(
        select(SETTLEMENT.c.settled_by, SETTLEMENT.c.settled_at, Review.call)
        .join(Review, Review.id == SETTLEMENT.c.review_id)
        .where(SETTLEMENT.c.finding_id == review.finding_id, SETTLEMENT.c.settled_at >= review.reviewed_at)).first()
    if settled is None:
        return "you took this decision back already"
    return (f"{settled.settled_by} settled this finding as “{CALL_WORDS[settled.call]}” after your decision "
            f"“{CALL_WORDS[review.call]}” ({moment_text(settled.settled_at)[11:16]} UTC); that stands, and there is "
            "nothing left to take back")


def _withdraw(connection: Connection, finding: Row[Any], review_id: int, by: Actor) -> bool:
    """Take a review back and let its finding wait again; False where it was taken back before."""
    if not connection.execute(update(Review).where(Review.id == review_id, Review.withdrawn_at.is_(None))
                              .values(withdrawn_at=datetime.now(UTC))).rowcount:
        return False
    if finding.verdict != "indicator":
        count_open(connection, finding.inspection_id, 1)
    connection.execute(delete(SETTLEMENT).where(SETTLEMENT.c.review_id == review_id))
    note_audit(connection, by, "undo", finding.inspection_id, finding.id, review_id)
    return True


def settle(engine: Engine, finding_id: int, decision: Decision, by: Actor, *, version: int) -> int:
    """Give the last word on a finding on which people disagreed or could not tell; return the review's key.

    The decision that stood before is withdrawn, and the audit trail keeps it. "Cannot tell" settles nothing.
    """
    if decision.call == CANNOT_TELL:
        raise MeniscopeError("settling: got cannot tell, wanted real defect or false call")
    with transaction(engine) as connection:
        finding = hold_finding(connection, finding_id, superseded=True)
        _check(decision, finding)
        _check_version(connection, finding_id, version)
        now = datetime.now(UTC)
        key = _settle(connection, finding, decision, by, now)
        twin = bridge_twin(connection, finding)
        if twin is not None:
            _settle(connection, twin, decision, by, now)
        return key


def _settle(connection: Connection, finding: Row[Any], decision: Decision, by: Actor, now: datetime) -> int:
    before = _standing(connection, finding.id)
    if before is not None:
        connection.execute(update(Review).where(Review.id == before.id).values(withdrawn_at=now))
    elif finding.verdict != "indicator":
        count_open(connection, finding.inspection_id, -1)
    key = write_review(connection, finding, decision, by.name, blind=False, at=now)
    done = connection.execute(update(SETTLEMENT).where(SETTLEMENT.c.finding_id == finding.id)
                              .values(review_id=key, settled_by=by.name, settled_at=now))
    if not done.rowcount:
        connection.execute(insert(SETTLEMENT), [{"finding_id": finding.id, "review_id": key,
                                                 "settled_by": by.name, "settled_at": now}])
    was = "" if before is None else f"; {before.reviewer} had said {CALL_WORDS[before.call]}"
    note_audit(connection, by, "settle", finding.inspection_id, finding.id, key, _told(decision) + was)
    return key


def decide_blind(engine: Engine, finding_id: int, decision: Decision, by: Actor) -> int:
    """Record what a person says without knowing the program's opinion; it counts for agreement studies alone.

    Raises ConflictError where this person has judged the finding already, openly or blind.
    """
    with transaction(engine) as connection:
        finding = hold_finding(connection, finding_id, superseded=True)
        _check(decision, finding)
        earlier = connection.execute(select(Review.id).where(
            Review.finding_id == finding_id, Review.reviewer == by.name, Review.withdrawn_at.is_(None))).first()
        if earlier is not None:
            raise ConflictError("you have judged this finding already")
        key = write_review(connection, finding, decision, by.name, blind=True)
        note_audit(connection, by, "blind", finding.inspection_id, finding_id, key, _told(decision))
        return key


def look_blind(engine: Engine, inspection_id: int, joint_id: int, decision: Decision, by: Actor) -> None:
    """Record a blind look at a joint that the program accepted. The call `real` means that the person sees a defect.

    Raises ConflictError where this person has looked at it already.
    """
    _check_words(decision, "joint")
    said = {REAL: "defect", FALSE_CALL: "good", CANNOT_TELL: "cannot_tell"}[decision.call]
    try:
        with transaction(engine) as connection:
            joint = JointResult.__table__.c
            if connection.execute(select(joint.verdict).where(
                    joint.inspection_id == inspection_id, joint.joint_id == joint_id)).first() is None:
                raise UnknownError(f"joint {joint_id} of inspection {inspection_id}: not in this database")
            connection.execute(insert(CONTROL), [{
                "inspection_id": inspection_id, "joint_id": joint_id, "reviewer": by.name, "said": said,
                "corrected": decision.corrected, "looked_at": datetime.now(UTC)}])
            note_audit(connection, by, "control", inspection_id, detail=f"joint {joint_id}: {_told(decision)}")
    except IntegrityError as error:
        raise ConflictError("you have judged this joint already") from error


def report_escape(engine: Engine, inspection_id: int, *, joint_id: int | None, chip_id: int | None, finding: str,
                  note: str, by: Actor) -> int:
    """Record a defect that the program did not find at a joint or a chip; return the review's key."""
    part = "joint" if joint_id is not None else "chip"
    if (joint_id is None) == (chip_id is None) or finding not in (JOINT_FINDINGS if part == "joint" else CHIP_FINDINGS):
        raise MeniscopeError(f"missed defect: got {finding[:40]!r}, wanted a place and a finding of its kind")
    with transaction(engine) as connection:
        hold_inspection(connection, inspection_id)
        same = connection.execute(select(Review.id).where(
            Review.inspection_id == inspection_id, Review.call == "escape", Review.withdrawn_at.is_(None),
            Review.corrected == finding, Review.joint_id.is_not_distinct_from(joint_id),
            Review.chip_id.is_not_distinct_from(chip_id))).first()
        if same is not None:
            raise ConflictError("this missed defect is in the records already")
        key = int(connection.execute(insert(Review).returning(Review.id), [{
            "inspection_id": inspection_id, "joint_id": joint_id, "chip_id": chip_id, "finding_id": None,
            "call": "escape", "corrected": finding, "reviewer": by.name, "reviewed_at": datetime.now(UTC),
            "blind": False, "note": clean_note(note)}]).scalar_one())
        note_audit(connection, by, "escape", inspection_id, None, key, finding)
        return key


def finding_version(connection: Connection, finding_id: int) -> int:
    """Return how often a finding was decided and taken back: a number that only rises."""
    return int(connection.execute(
        select(func.count(Review.id) + func.count(Review.withdrawn_at))
        .where(Review.finding_id == finding_id, Review.blind.is_(False))).scalar_one())


def note_audit(connection: Connection, by: Actor, action: str, inspection_id: int | None = None,
               finding_id: int | None = None, review_id: int | None = None, detail: str = "") -> None:
    """Write one line of the audit trail in the caller's transaction."""
    connection.execute(insert(AUDIT), [{
        "at": datetime.now(UTC), "who": by.name[:60], "address": by.address[:60], "action": action,
        "inspection_id": inspection_id, "finding_id": finding_id, "review_id": review_id, "detail": detail}])


def hold_finding(connection: Connection, finding_id: int, *, superseded: bool = False) -> Row[Any]:
    """Return a finding with its inspection locked, so that nobody else changes it in this moment."""
    finding = connection.execute(select(FindingRow.__table__).where(FindingRow.id == finding_id)).first()
    if finding is None:
        raise UnknownError(f"finding {finding_id}: not in this database")
    later = hold_inspection(connection, finding.inspection_id)
    if later is not None and not superseded:
        raise ConflictError("this board was graded again meanwhile; nothing was saved: look at its new inspection")
    return finding


def hold_inspection(connection: Connection, inspection_id: int) -> int | None:
    """Lock an inspection (SQLite: the transaction holds the whole file) and return which one superseded it."""
    row = connection.execute(select(InspectionRow.id, InspectionRow.superseded_by)
                             .where(InspectionRow.id == inspection_id).with_for_update()).first()
    if row is None:
        raise UnknownError(f"inspection {inspection_id}: not in this database")
    return None if row.superseded_by is None else int(row.superseded_by)


def _check_version(connection: Connection, finding_id: int, version: int) -> None:
    if finding_version(connection, finding_id) == version:
        return
    now = _standing(connection, finding_id)
    if now is None:
        raise ConflictError("this finding changed while you were looking; nothing was saved: look again")
    raise ConflictError(f"{now.reviewer} decided “{CALL_WORDS[now.call]}” while you were looking "
                        f"({moment_text(now.reviewed_at)[11:16]} UTC); your decision was not saved")


def _check(decision: Decision, finding: Row[Any]) -> None:
    _check_words(decision, FINDING[finding.finding].part)


def _check_words(decision: Decision, part: str) -> None:
    if decision.call not in DECISIONS:
        raise MeniscopeError(f"decision: got {decision.call[:40]!r}, wanted {', '.join(DECISIONS)}")
    allowed = JOINT_FINDINGS if part == "joint" else CHIP_FINDINGS
    if decision.corrected and (decision.corrected not in allowed or decision.call == FALSE_CALL):
        raise MeniscopeError(f"decision: got corrected finding {decision.corrected[:40]!r}, "
                             f"wanted none, or with a real defect one of {', '.join(allowed)}")


def last_words(engine: Engine, finding_id: int, by: Actor) -> Decision | None:
    """Return what a person said last about a finding that waits again since they took it back, else None."""
    with reading(engine) as connection:
        last = connection.execute(
            select(Review.call, Review.corrected, Review.note, Review.reviewer, Review.withdrawn_at)
            .where(Review.finding_id == finding_id, Review.blind.is_(False)).order_by(Review.id.desc())).first()
    if last is None or last.withdrawn_at is None or last.reviewer != by.name:
        return None
    return Decision(last.call, last.corrected, last.note)


def write_review(connection: Connection, finding: Any, decision: Decision, reviewer: str, *, blind: bool,
                 at: datetime | None = None) -> int:
    """Insert a review of a finding in the caller's transaction; return its key."""
    corrected = "" if decision.corrected == finding.finding else decision.corrected
    return int(connection.execute(insert(Review).returning(Review.id), [{
        "inspection_id": finding.inspection_id, "joint_id": finding.joint_id, "chip_id": finding.chip_id,
        "finding_id": finding.id, "call": decision.call, "corrected": corrected, "reviewer": reviewer,
        "reviewed_at": at or datetime.now(UTC), "blind": blind, "note": clean_note(decision.note)}]).scalar_one())


def clean_note(text: str) -> str:
    """Return a note that every database takes: no NUL, no endless length."""
    return text.replace("\0", "").strip()[:LONGEST_NOTE]


def count_open(connection: Connection, inspection_id: int, change: int) -> None:
    """Change how many findings of an inspection wait, in the caller's transaction."""
    connection.execute(update(InspectionRow).where(InspectionRow.id == inspection_id)
                       .values(open_findings=InspectionRow.open_findings + change))


def _told(decision: Decision) -> str:
    return CALL_WORDS[decision.call] + (f", really {decision.corrected}" if decision.corrected else "")
