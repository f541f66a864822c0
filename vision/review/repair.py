"""The repair sheet: what to mend on a board, in the order of a short way for the iron; and the record of repairs."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine, Row, insert, or_, select, update

from models.errors import MeniscopeError
from vision.records.columns import moment_text
from vision.records.database import reading, transaction
from vision.records.repairs import REPAIR_UNDONE, repair_taken_back
from vision.records.schema import FamilyChip, FamilyJoint, InspectionRow, JointResult, Repair, Review
from vision.records.words import in_order
from vision.review.boards import Board, Found, Standing, findings_of, load_board, repair_counts
from vision.review.decisions import (
    CALL_WORDS,
    CANNOT_TELL,
    FALSE_CALL,
    REAL,
    Actor,
    ConflictError,
    Decision,
    clean_note,
    count_open,
    hold_inspection,
    note_audit,
    write_review,
)
from vision.review.path import path_length, short_path
from vision.review.stops import Done, Gap, Sheet, Stop, Wrong
from vision.setup import Family
from vision.setup.family import SIDE_WORDS, Side

#: Repairs of one joint after which the sheet warns; sites set their own number (common practice, no published source).
REPAIR_LIMIT = 2
#: Findings at which the open part of the ring is told: solder is missing on one side of the land.
OPEN_RING = ("partial_wetting", "non_wetting")
#: Open parts narrower than this are told of nobody, degrees.
LEAST_GAP_DEG = 10.0
#: What a repair writes beside the decision that it makes.
AT_THE_BENCH = "seen and mended at the bench"


@dataclass(frozen=True)
class Missed:
    """A defect that a person reported and the program did not find."""

    place: str
    joint_id: int | None
    chip_id: int | None
    x_mm: float
    y_mm: float
    finding: str
    reviewer: str
    at: datetime
    note: str
    review_id: int
    stands: bool


@dataclass(frozen=True)
class Known:
    """What is known beside the findings: earlier repairs by place, the site's limit of them, open parts by joint."""

    repairs: Mapping[str, int]
    limit: int
    gaps: Mapping[int, Gap]

def repair_sheet(engine: Engine, inspection_id: int, family: Family, *, side: Side | None = None,
                 repair_limit: int = REPAIR_LIMIT) -> Sheet:
    """Return the repair sheet of an inspection.

    On it stand real defects, missed ones included, rejects that nobody has looked at yet, and what a person could not
    tell, marked as such. False calls and doubtful findings without a decision do not; what is mended stands beside.
    `side` is where the person stands; None is the side that the camera sees, which is where the solder is. Stops have
    the same numbers from either side, and keep them whatever is decided or mended: paper and page must agree.
    """
    side = side or family.seen_from
    board, found = load_board(engine, inspection_id)
    with reading(engine) as connection:
        counts = repair_counts(connection, board.unit_id)
        fixes = _fixes(connection, inspection_id)
        escapes = _escapes(connection, inspection_id)
        gaps = _gaps(connection, inspection_id)
        graded_since = _graded_since(connection, board)
    start = _start(family)
    known = Known(counts, repair_limit, gaps)
    stops: list[Stop] = []
    done: list[Done] = []
    for number, places, items in _numbered(_groups(found, escapes, family), start, family):
        wanted = [item for item in items if _on_sheet(item)]
        left = [item for item in wanted if _fix_of(item, fixes) is None]
        if left:
            stops.append(_stop(number, places, left, family, known))
        elif mended_here := [item for item in items if _fix_of(item, fixes) is not None]:
            done.append(_done(number, places, mended_here, family, fixes, graded_since))
    way = [(stop.x_mm, stop.y_mm) for stop in stops]
    waiting = sum(item.standing is None and item.verdict == "review" for item in found)
    mended = len({fix.finding_id or (fix.joint_id, fix.chip_id) for fix in fixes})
    return Sheet(board, side, f"seen from the {SIDE_WORDS[side]}", origin_words(side), tuple(stops),
                 path_length(way, list(range(len(way))), start), start, waiting, mended, repair_limit,
                 tuple(done))


def stop_named(sheet: Sheet, name: str) -> Stop | None:
    """Return the stop at a place, named as on the sheet; a bridge's ends in either order. None where there is none."""
    wanted = sorted(re.split(r"\s+and\s+|\s*,\s*", name.strip()))
    return next((stop for stop in sheet.stops if stop.name == name or sorted(stop.places) == wanted), None)


def origin_words(side: str) -> str:
    """Say where positions are counted from, as the person at that side sees it."""
    x_way = "left" if side == "bottom" else "right"
    return (f"millimetres from the zero of the board's CAD data; seen from the {SIDE_WORDS[side]}, "
            f"x runs to the {x_way} and y upward")


def _on_sheet(item: Found | Missed) -> bool:
    if isinstance(item, Missed):
        return item.stands
    if item.verdict == "indicator":
        return item.standing is not None and item.standing.call == REAL
    if item.standing is None:
        return item.verdict == "reject"
    return item.standing.call != FALSE_CALL


def _escapes(connection: Connection, inspection_id: int) -> list[Missed]:
    """Return the defects that the program did not find, in the order in which people reported them."""
    rows = connection.execute(
        select(Review.__table__, FamilyJoint.ref, FamilyJoint.pin, FamilyJoint.x_mm, FamilyJoint.y_mm,
               FamilyChip.ref.label("chip_ref"), FamilyChip.x_mm.label("chip_x"), FamilyChip.y_mm.label("chip_y"))
        .join(FamilyJoint, FamilyJoint.id == Review.joint_id, isouter=True)
        .join(FamilyChip, FamilyChip.id == Review.chip_id, isouter=True)
        .where(Review.inspection_id == inspection_id, Review.call == "escape").order_by(Review.id))
    return [Missed(f"{row.ref}.{row.pin}" if row.joint_id is not None else row.chip_ref, row.joint_id, row.chip_id,
                   *((row.x_mm, row.y_mm) if row.joint_id is not None else (row.chip_x, row.chip_y)), row.corrected,
                   row.reviewer, row.reviewed_at, row.note, row.id, row.withdrawn_at is None) for row in rows]


def _fixes(connection: Connection, inspection_id: int) -> list[Row[Any]]:
    """Return the repairs of an inspection that stand, the oldest first."""
    return list(connection.execute(select(Repair.__table__).where(
        Repair.inspection_id == inspection_id, ~repair_taken_back()).order_by(Repair.id)))


def _gaps(connection: Connection, inspection_id: int) -> dict[int, Gap]:
    """Return the widest open part of the joints of an inspection that have one, by the joints' keys."""
    part = JointResult.__table__.c
    rows = connection.execute(select(part.joint_id, part.gap_azimuth_deg, part.largest_gap_deg).where(
        part.inspection_id == inspection_id, part.largest_gap_deg >= LEAST_GAP_DEG, part.gap_azimuth_deg.is_not(None)))
    return {row.joint_id: Gap(row.gap_azimuth_deg, row.largest_gap_deg) for row in rows}


def _groups(found: Sequence[Found], escapes: Sequence[Missed],
            family: Family) -> dict[tuple[str, ...], list[Found | Missed]]:
    """Gather what was found at one place; a bridge that both its ends report is one place between them."""
    joints = {joint.name for joint in family.joints}
    groups: dict[tuple[str, ...], list[Found | Missed]] = {}
    for item in found:
        ends = (item.place, item.other) if item.finding == "bridge" and item.other in joints else (item.place,)
        groups.setdefault(tuple(sorted(ends, key=in_order)), []).append(item)
    for missed in escapes:
        groups.setdefault((missed.place,), []).append(missed)
    return groups


def _numbered(groups: Mapping[tuple[str, ...], list[Found | Missed]], start: tuple[float, float],
              family: Family) -> list[tuple[int, tuple[str, ...], list[Found | Missed]]]:
    """Number all places at which something was found along one short way, whether or not it has to be mended.

    So nothing that people decide or mend later gives another place a new number. Places with nothing but indicators,
    which are seldom mended, have numbers after those, and what the program did not find the next ones, as reported.
    """
    def weight(ends: tuple[str, ...]) -> int:
        kinds = [2 if isinstance(item, Missed) else item.verdict == "indicator" for item in groups[ends]]
        return int(min(kinds))

    ordered: list[tuple[str, ...]] = []
    for wanted in (0, 1):
        ends = [some for some in groups if weight(some) == wanted]
        ordered += [ends[index] for index in short_path([_center(some, groups[some], family) for some in ends], start)]
    ordered += [some for some in groups if weight(some) == 2]
    return [(number, some, groups[some]) for number, some in enumerate(ordered, start=1)]


def _center(places: Sequence[str], items: Sequence[Found | Missed], family: Family) -> tuple[float, float]:
    """Return the middle of a stop, board mm: that of its joints, or where a chip or nothing but a ball was found."""
    if all(isinstance(item, Found) and item.really == "solder_ball" for item in items):
        return items[0].x_mm, items[0].y_mm
    joints = {joint.name: (joint.x_mm, joint.y_mm) for joint in family.joints}
    x, y = np.mean([joints.get(place, (items[0].x_mm, items[0].y_mm)) for place in places], axis=0)
    return float(x), float(y)


def _stop(number: int, places: tuple[str, ...], items: Sequence[Found | Missed], family: Family,
          known: Known) -> Stop:
    """Return the stop at which these things are to be mended."""
    wrong = tuple(_wrong(item) for item in items)
    repairs = max(known.repairs.get(place, 0) for place in places)
    found = [item for item in items if isinstance(item, Found)]
    open_ring = any(item.finding in OPEN_RING for item in wrong) and len(places) == 1
    gap = known.gaps.get(items[0].joint_id) if open_ring and items[0].joint_id is not None else None
    return Stop(number, places, found[0].view if found else family.views[0].name,
                "joint" if items[0].joint_id is not None else "chip", *_center(places, items, family), wrong, repairs,
                repairs >= known.limit, any(i.standing is not None and i.standing.call == CANNOT_TELL for i in found),
                all(isinstance(i, Found) and i.standing is None for i in items),
                tuple(item.id for item in found if item.standing is None and item.verdict != "indicator"), gap)


def _wrong(item: Found | Missed) -> Wrong:
    if isinstance(item, Missed):
        return Wrong(item.finding, "", f"{CALL_WORDS['escape']}, reported by {item.reviewer}", None, item.review_id,
                     item.joint_id, item.chip_id, item.note, item.reviewer)
    said = item.standing
    words, note, by = ("", "", "") if said is None else (said.words, said.note, said.reviewer)
    return Wrong(item.really, item.words, words, item.id, None, item.joint_id, item.chip_id, note, by)


def _fix_of(item: Found | Missed, fixes: Sequence[Row[Any]]) -> Row[Any] | None:
    """Return the repair that mended a thing, or None."""
    if isinstance(item, Found):
        return next((fix for fix in fixes if fix.finding_id == item.id), None)
    return next((fix for fix in fixes if (fix.joint_id, fix.chip_id) == (item.joint_id, item.chip_id)
                 and fix.repaired_at >= item.at), None)


def _done(number: int, places: tuple[str, ...], items: Sequence[Found | Missed], family: Family, fixes: list[Row[Any]],
          graded_since: bool) -> Done:
    """Return what is told of a stop of which all is mended: its last repair, and whether it can be taken back."""
    last = max((fix for item in items if (fix := _fix_of(item, fixes)) is not None), key=lambda fix: fix.id)
    titles = ", ".join(dict.fromkeys(_wrong(item).title for item in items))
    return Done(number, " and ".join(places), titles, *_center(places, items, family), last.action, last.repairer,
                last.repaired_at, last.note, None if graded_since else last.id,
                any(isinstance(item, Found) and (fix := _fix_of(item, fixes)) is not None
                    and (fix.repairer, fix.repaired_at) == (last.repairer, last.repaired_at)
                    and _decided_by(fix, item.standing) for item in items))


def _start(family: Family) -> tuple[float, float]:
    """Return where the iron's way begins: the corner of the joints at the lower left, as the solder side is seen."""
    x = [joint.x_mm for joint in family.joints]
    y = [joint.y_mm for joint in family.joints]
    return (max(x) if family.seen_from == "bottom" else min(x)), min(y)


def record_repair(engine: Engine, inspection_id: int, *, finding_ids: Sequence[int], escape_ids: Sequence[int] = (),
                  action: str, note: str, by: Actor) -> int:
    """Record that one stop was mended; return how many things were mended.

    Mending a reject that nobody has decided on says that it was real, and is recorded as this person's decision too.
    Raises ConflictError where somebody recorded it already, or where it has to be settled first.
    """
    action = clean_note(action)
    if not action or len(action) > 200:
        raise MeniscopeError("repair: got no action (or too long a one), wanted what was done in a few words")
    if not finding_ids and not escape_ids:
        raise MeniscopeError("repair: got no finding, wanted what was mended")
    with transaction(engine) as connection:
        hold_inspection(connection, inspection_id)
        known = {item.id: item for item in findings_of(connection, inspection_id)}
        strange = [key for key in finding_ids if key not in known]
        if strange:
            raise MeniscopeError(f"repair: finding {strange[0]} is not of inspection {inspection_id}")
        now = datetime.now(UTC)
        rows = [_fix(known[key], connection, by, now) for key in dict.fromkeys(finding_ids)]
        escapes = []
        for key in dict.fromkeys(escape_ids):
            escape = connection.execute(select(Review.__table__).where(
                Review.id == key, Review.inspection_id == inspection_id, Review.call == "escape",
                Review.withdrawn_at.is_(None))).first()
            if escape is None:
                raise MeniscopeError(f"repair: missed defect {key} is not of inspection {inspection_id}")
            escapes.append(escape)
        rows += [{"joint_id": escape.joint_id, "chip_id": escape.chip_id, "finding_id": None} for escape in escapes]
        same: list[Any] = [Repair.finding_id.in_(list(finding_ids))] if finding_ids else []
        same += [(Repair.finding_id.is_(None)) & Repair.joint_id.is_not_distinct_from(escape.joint_id)
                 & Repair.chip_id.is_not_distinct_from(escape.chip_id) & (Repair.repaired_at >= escape.reviewed_at)
                 for escape in escapes]
        earlier = connection.execute(select(Repair.repairer, Repair.repaired_at).where(
            Repair.inspection_id == inspection_id, or_(*same), ~repair_taken_back())).first()
        if earlier is not None:
            raise ConflictError(f"{earlier.repairer} recorded this repair already "
                                f"({moment_text(earlier.repaired_at)[11:16]} UTC); nothing was saved")
        more = {"inspection_id": inspection_id, "action": action, "repairer": by.name, "repaired_at": now,
                "note": clean_note(note)}
        connection.execute(insert(Repair), [row | more for row in rows])
        note_audit(connection, by, "repair", inspection_id, next(iter(finding_ids), None),
                   next(iter(escape_ids), None), action)
    return len(rows)


def _fix(found: Found, connection: Any, by: Actor, now: datetime) -> dict[str, Any]:
    """Return the repair row of a finding; one without a decision is decided real in the same transaction."""
    if found.standing is None:
        if found.verdict != "indicator":
            key = write_review(connection, found, Decision(REAL, note=AT_THE_BENCH), by.name,
                               blind=False, at=now)
            count_open(connection, found.inspection_id, -1)
            note_audit(connection, by, "decide", found.inspection_id, found.id, key, "real defect, at the bench")
    elif found.standing.call == CANNOT_TELL:
        raise ConflictError(f"{found.place}: {found.standing.reviewer} could not tell; settle it before it is mended")
    elif found.standing.call == FALSE_CALL:
        raise ConflictError(f"{found.place}: {found.standing.reviewer} decided that this is a false call")
    return {"joint_id": found.joint_id, "chip_id": found.chip_id, "finding_id": found.id}


def _decided_by(fix: Row[Any], standing: Standing | None) -> bool:
    """Say whether the decision that stands on a finding was made by recording its repair, in the same moment."""
    return standing is not None and (standing.reviewer, standing.at) == (fix.repairer, fix.repaired_at)


def _graded_since(connection: Connection, board: Board) -> bool:
    return board.superseded_by is not None or connection.execute(select(InspectionRow.id).where(
        InspectionRow.unit_id == board.unit_id, InspectionRow.superseded_by.is_(None),
        InspectionRow.started_at > board.started_at)).first() is not None


def undo_repair(engine: Engine, inspection_id: int, repair_id: int, by: Actor) -> tuple[int, ...]:
    """Take one's own repair of one stop back; what was mended in one go with it waits for the iron again.

    Where the repair itself said that a finding was real, that decision is taken back with it; a decision made before
    or after it stands. The repair stays in the records; the audit trail says that it was taken back. Returns the keys
    of the repairs taken back. Raises ConflictError where it is another person's, taken back already, or where the
    board was graded again, for its newer inspection counts then.
    """
    board, _ = load_board(engine, inspection_id)
    with transaction(engine) as connection:
        hold_inspection(connection, inspection_id)
        fixes = _fixes(connection, inspection_id)
        this = next((fix for fix in fixes if fix.id == repair_id), None)
        if this is None:
            raise ConflictError("this repair was taken back already, or is not of this board")
        if this.repairer != by.name:
            raise ConflictError(f"this repair was recorded by {this.repairer}; only they can take it back")
        if _graded_since(connection, board):
            raise ConflictError("this repair can no longer be taken back: the board was graded again, and its new "
                                "inspection shows what is to be mended; nothing was saved")
        batch = [fix for fix in fixes if (fix.repairer, fix.repaired_at) == (this.repairer, this.repaired_at)]
        found = {item.id: item for item in findings_of(connection, inspection_id)}
        escapes = _escapes(connection, inspection_id)
        for fix in batch:
            standing = None if fix.finding_id is None else found[fix.finding_id].standing
            ours = standing.review_id if standing is not None and _decided_by(fix, standing) else None
            about = _report_of(fix, escapes) if fix.finding_id is None else ours
            note_audit(connection, by, REPAIR_UNDONE, inspection_id, fix.finding_id, about, fix.action)
            if ours is not None:
                _take_decision_back(connection, found[fix.finding_id], ours, by)
    return tuple(fix.id for fix in batch)


def _report_of(fix: Row[Any], escapes: Sequence[Missed]) -> int | None:
    """Return the key of the last missed defect reported at a repair's place before it: what it mended."""
    return next((item.review_id for item in reversed(escapes)
                 if (item.joint_id, item.chip_id) == (fix.joint_id, fix.chip_id) and item.at <= fix.repaired_at), None)


def _take_decision_back(connection: Connection, found: Found, review_id: int, by: Actor) -> None:
    connection.execute(update(Review).where(Review.id == review_id).values(withdrawn_at=datetime.now(UTC)))
    if found.verdict != "indicator":
        count_open(connection, found.inspection_id, 1)
    note_audit(connection, by, "undo", found.inspection_id, found.id, review_id)
