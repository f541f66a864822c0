"""The repair sheet: what to mend on a board, in the order of a short way for the iron; and the record of repairs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from sqlalchemy import Engine, insert, or_, select

from models.errors import MeniscopeError
from models.vocabulary import FINDING, UNGRADED
from vision.records.columns import moment_text
from vision.records.database import reading, transaction
from vision.records.schema import FamilyChip, FamilyJoint, Repair, Review
from vision.records.words import in_order
from vision.review.boards import Board, Found, findings_of, load_board, repair_counts
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
from vision.review.practice import CAUTIONS, CONTACT_CAUTION, DEFERS, FIRST_CAUTION, practice
from vision.setup import Family
from vision.setup.family import SIDE_WORDS, Side

#: Repairs of one joint after which the sheet warns; sites set their own number (common practice, no published source).
REPAIR_LIMIT = 2


@dataclass(frozen=True)
class Wrong:
    """One thing wrong at a stop."""

    finding: str  # as the person who decided sees it
    words: str  # measured value against limit; empty for a missed defect
    decided: str  # what a person said, in words
    finding_id: int | None
    review_id: int | None  # for a missed defect
    joint_id: int | None
    chip_id: int | None

    @property
    def title(self) -> str:
        """The finding in two or three words."""
        return FINDING[self.finding].title


@dataclass(frozen=True)
class Stop:
    """One place for the iron."""

    number: int  # 1 is the first
    places: tuple[str, ...]  # REF.PIN or REF; both ends of a bridge
    view: str
    part: str  # joint or chip
    x_mm: float
    y_mm: float
    wrong: tuple[Wrong, ...]
    repairs: int  # how often this place was mended before
    over_limit: bool
    look_first: bool  # a person could not tell: to be settled before it is mended
    unchecked: bool  # no person has decided yet

    @property
    def name(self) -> str:
        """`J1.3`, or `J1.3 and J1.4`."""
        return " and ".join(self.places)

    @property
    def titles(self) -> str:
        """What is wrong, each thing once: `bridge, solder ball`."""
        return ", ".join(dict.fromkeys(item.title for item in self.wrong))

    @property
    def told(self) -> tuple[tuple[str, str], ...]:
        """Measured against limit, and what was decided about it; both ends of a bridge are told once."""
        decided: dict[str, list[str]] = {}
        for item in self.wrong:
            decided.setdefault(item.words, []).append(item.decided or "not yet looked at by a person")
        return tuple((words, "; ".join(dict.fromkeys(said))) for words, said in decided.items())

    @property
    def finding_ids(self) -> tuple[int, ...]:
        """Keys of its findings."""
        return tuple(item.finding_id for item in self.wrong if item.finding_id is not None)

    @property
    def escape_ids(self) -> tuple[int, ...]:
        """Keys of its missed defects."""
        return tuple(item.review_id for item in self.wrong if item.review_id is not None)

    @property
    def steps(self) -> tuple[str, ...]:
        """What is usually done, one text a finding."""
        return tuple(dict.fromkeys(practice(item.finding).steps for item in self.wrong))

    @property
    def action(self) -> str:
        """The usual action, for the record."""
        return practice(self.wrong[0].finding).action

    @property
    def contact_s(self) -> float:
        """Longest contact of the iron that is usually given, s; 0 where no iron is needed."""
        return min((practice(item.finding).seconds for item in self.wrong if practice(item.finding).seconds),
                   default=0.0)


@dataclass(frozen=True)
class Sheet:
    """One board's repair sheet."""

    board: Board
    side: Side
    seen_from_words: str
    origin: str
    stops: tuple[Stop, ...]
    path_mm: float
    start_mm: tuple[float, float]
    undecided: int  # doubtful findings that still wait for a decision and are not on the sheet
    mended: int  # things mended already
    repair_limit: int

    @property
    def not_graded(self) -> str:
        """What is to be told of a board that could not be graded: nothing to mend is no acceptance. Else empty."""
        if self.board.verdict != UNGRADED:
            return ""
        return f"could not be graded: {self.board.reason or 'no reason is recorded'}; it is not accepted"


def repair_sheet(engine: Engine, inspection_id: int, family: Family, *, side: Side | None = None,
                 repair_limit: int = REPAIR_LIMIT) -> Sheet:
    """Return the repair sheet of an inspection.

    On it stand real defects, missed ones included, rejects that nobody has looked at yet, and what a person could not
    tell, marked as such. False calls, doubtful findings without a decision, and what is mended already do not.
    `side` is where the person stands; None is the side that the camera sees, which is where the solder is.
    """
    side = side or family.seen_from
    board, found = load_board(engine, inspection_id)
    with reading(engine) as connection:
        counts = repair_counts(connection, board.unit_id)
        mended = connection.execute(
            select(Repair.finding_id, Repair.joint_id, Repair.chip_id, Repair.repaired_at)
            .where(Repair.inspection_id == inspection_id)).all()
        escapes = connection.execute(
            select(Review.__table__, FamilyJoint.ref, FamilyJoint.pin, FamilyJoint.x_mm, FamilyJoint.y_mm,
                   FamilyChip.ref.label("chip_ref"), FamilyChip.x_mm.label("chip_x"), FamilyChip.y_mm.label("chip_y"))
            .join(FamilyJoint, FamilyJoint.id == Review.joint_id, isouter=True)
            .join(FamilyChip, FamilyChip.id == Review.chip_id, isouter=True)
            .where(Review.inspection_id == inspection_id, Review.call == "escape",
                   Review.withdrawn_at.is_(None))).all()
    done = {row.finding_id for row in mended if row.finding_id is not None}
    stops = _stops([item for item in found if _on_sheet(item) and item.id not in done], family, counts, repair_limit)
    view = family.views[0].name
    for row in escapes:
        if any((row.joint_id, row.chip_id) == (fix.joint_id, fix.chip_id) and fix.repaired_at >= row.reviewed_at
               for fix in mended):
            continue
        stops.append(_missed(row, view, counts, repair_limit))
    places = [(stop.x_mm, stop.y_mm) for stop in stops]
    start = _start(family, side)
    order = short_path(places, start)
    numbered = tuple(_numbered(stops[index], number) for number, index in enumerate(order, start=1))
    waiting = sum(item.standing is None and item.verdict == "review" for item in found)
    return Sheet(board, side, f"seen from the {SIDE_WORDS[side]}", origin_words(side), numbered,
                 path_length(places, order, start), start, waiting, len(done), repair_limit)


def stop_named(sheet: Sheet, name: str) -> Stop | None:
    """Return the stop at a place, named as on the sheet; a bridge's ends in either order. None where there is none."""
    wanted = sorted(re.split(r"\s+and\s+|\s*,\s*", name.strip()))
    return next((stop for stop in sheet.stops if stop.name == name or sorted(stop.places) == wanted), None)


def origin_words(side: str) -> str:
    """Say where positions are counted from, as the person at that side sees it."""
    x_way = "left" if side == "bottom" else "right"
    return (f"millimetres from the zero of the board's CAD data; seen from the {SIDE_WORDS[side]}, "
            f"x runs to the {x_way} and y upward")


def _on_sheet(found: Found) -> bool:
    if found.verdict == "indicator":
        return found.standing is not None and found.standing.call == REAL
    if found.standing is None:
        return found.verdict == "reject"
    return found.standing.call != FALSE_CALL


def _stops(found: Sequence[Found], family: Family, counts: dict[str, int], limit: int) -> list[Stop]:
    """Gather findings at one place into one stop; a bridge that both its ends report is one stop between them."""
    centers = {joint.name: (joint.x_mm, joint.y_mm) for joint in family.joints}
    groups: dict[tuple[str, ...], list[Found]] = {}
    for item in found:
        ends = (item.place, item.other) if item.finding == "bridge" and item.other in centers else (item.place,)
        groups.setdefault(tuple(sorted(ends, key=in_order)), []).append(item)
    stops = []
    for places, items in groups.items():
        x, y = np.mean([centers.get(place, (items[0].x_mm, items[0].y_mm)) for place in places], axis=0)
        wrong = tuple(Wrong(item.really, item.words, "" if item.standing is None else item.standing.words, item.id,
                            None, item.joint_id, item.chip_id) for item in items)
        repairs = max(counts.get(place, 0) for place in places)
        stops.append(Stop(0, places, items[0].view, "joint" if items[0].joint_id is not None else "chip", float(x),
                          float(y), wrong, repairs, repairs >= limit,
                          any(i.standing is not None and i.standing.call == CANNOT_TELL for i in items),
                          all(i.standing is None for i in items)))
    return stops


def _missed(row: Any, view: str, counts: dict[str, int], limit: int) -> Stop:
    """Return the stop of a defect that the program did not find."""
    joint = row.joint_id is not None
    name = f"{row.ref}.{row.pin}" if joint else row.chip_ref
    x, y = (row.x_mm, row.y_mm) if joint else (row.chip_x, row.chip_y)
    wrong = Wrong(row.corrected, "", f"{CALL_WORDS['escape']}, reported by {row.reviewer}", None, row.id, row.joint_id,
                  row.chip_id)
    repairs = counts.get(name, 0)
    return Stop(0, (name,), view, "joint" if joint else "chip", x, y, (wrong,), repairs, repairs >= limit, False, False)


def _numbered(stop: Stop, number: int) -> Stop:
    return replace(stop, number=number)


def _start(family: Family, side: str) -> tuple[float, float]:
    """Return where the iron's way begins: the corner of the joints at the person's lower left."""
    x = [joint.x_mm for joint in family.joints]
    y = [joint.y_mm for joint in family.joints]
    return (max(x) if side == "bottom" else min(x)), min(y)


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
        for key in dict.fromkeys(escape_ids):
            escape = connection.execute(select(Review.__table__).where(
                Review.id == key, Review.inspection_id == inspection_id, Review.call == "escape",
                Review.withdrawn_at.is_(None))).first()
            if escape is None:
                raise MeniscopeError(f"repair: missed defect {key} is not of inspection {inspection_id}")
            rows.append({"joint_id": escape.joint_id, "chip_id": escape.chip_id, "finding_id": None})
        same: list[Any] = [Repair.finding_id.in_(list(finding_ids))] if finding_ids else []
        same += [(Repair.finding_id.is_(None)) & Repair.joint_id.is_not_distinct_from(row["joint_id"])
                 & Repair.chip_id.is_not_distinct_from(row["chip_id"]) for row in rows if row["finding_id"] is None]
        earlier = connection.execute(select(Repair.repairer, Repair.repaired_at).where(
            Repair.inspection_id == inspection_id, or_(*same))).first()
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
            key = write_review(connection, found, Decision(REAL, note="seen and mended at the bench"), by.name,
                               blind=False, at=now)
            count_open(connection, found.inspection_id, -1)
            note_audit(connection, by, "decide", found.inspection_id, found.id, key, "real defect, at the bench")
    elif found.standing.call == CANNOT_TELL:
        raise ConflictError(f"{found.place}: {found.standing.reviewer} could not tell; settle it before it is mended")
    elif found.standing.call == FALSE_CALL:
        raise ConflictError(f"{found.place}: {found.standing.reviewer} decided that this is a false call")
    return {"joint_id": found.joint_id, "chip_id": found.chip_id, "finding_id": found.id}


def sheet_json(sheet: Sheet) -> dict[str, Any]:
    """Return the sheet for a positioning aid: stops in order, coordinates, words. Plain JSON values."""
    mirror = -1.0 if sheet.side == "bottom" else 1.0
    return {
        "kind": "meniscope repair sheet", "version": 1, "serial": sheet.board.serial, "family": sheet.board.family,
        "inspection": sheet.board.inspection_id, "verdict": sheet.board.verdict, "not_graded": sheet.not_graded,
        "graded_at": moment_text(sheet.board.started_at),
        "side": sheet.side, "origin": sheet.origin, "unit": "mm", "path_mm": round(sheet.path_mm, 2),
        "start": {"x_mm": round(sheet.start_mm[0], 3), "y_mm": round(sheet.start_mm[1], 3)},
        "undecided": sheet.undecided, "repair_limit": sheet.repair_limit,
        "stops": [{
            "number": stop.number, "places": list(stop.places), "part": stop.part, "x_mm": round(stop.x_mm, 3),
            "y_mm": round(stop.y_mm, 3), "seen_right_mm": round(mirror * stop.x_mm, 3),
            "seen_up_mm": round(stop.y_mm, 3),
            "wrong": [{"finding": item.finding, "words": item.words, "decided": item.decided} for item in stop.wrong],
            "usual_action": stop.action, "usual_steps": list(stop.steps), "longest_contact_s": stop.contact_s,
            "repairs_before": stop.repairs, "over_repair_limit": stop.over_limit, "settle_first": stop.look_first,
            "not_yet_checked": stop.unchecked} for stop in sheet.stops],
        "first_caution": FIRST_CAUTION, "contact_caution": CONTACT_CAUTION,
        "cautions": [{"about": name, "text": text} for name, text in CAUTIONS],
        "note": DEFERS}
