"""Alarms in the records: raised once, answered by a person, never forgotten.

An answer is a row of its own, so that who said what and when stays traceable; the newest answer counts.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Engine, Row, func, insert, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import aliased

from vision.line.alarm import Alarm, Answer, Change, Example
from vision.line.causes import Hint
from vision.line.errors import LineError
from vision.line.watch import Known
from vision.records.columns import moment_text
from vision.records.database import reading, transaction
from vision.records.rows import number
from vision.records.schema import ANSWERS, AlarmAnswer, AlarmExample, AlarmRow, Unit

#: The fields of an alarm that a column keeps as they are.
PLAIN = ("title", "quantity", "side", "kind", "place", "boards", "false_alarm_boards", "evidence", "next_place",
         "batch")


def save_alarm(engine: Engine, alarm: Alarm) -> bool:
    """Write an alarm; return False where another watch has written the same one.

    Raises LineError where it names a board that the records lack.
    """
    with transaction(engine) as connection:
        make = sqlite.insert if connection.dialect.name == "sqlite" else postgresql.insert
        key = connection.execute(
            make(AlarmRow).on_conflict_do_nothing(index_elements=["code"]).returning(AlarmRow.id),
            _row(alarm, _units(connection, alarm))).scalar()
        if key is None:
            return False
        if alarm.examples:
            connection.execute(insert(AlarmExample), [
                {"alarm_id": key, "position": position, "inspection_id": item.key or None, "serial": item.serial,
                 "joint": item.joint, "text": item.text, "shows": item.shows, "pictures": _json(item.pictures)}
                for position, item in enumerate(alarm.examples)])
    return True


def _units(connection: Connection, alarm: Alarm) -> dict[str, int]:
    """Return the keys of the boards that an alarm names, by serial."""
    serials = {alarm.seen_serial, alarm.since_serial, alarm.since_low, alarm.since_high}
    found = {serial: int(key) for serial, key in connection.execute(
        select(Unit.serial, Unit.id).where(Unit.family_name == alarm.family, Unit.serial.in_(serials)))}
    if missing := sorted(serials - set(found)):
        raise LineError(f"alarm {alarm.id}: got board {missing[0]}, wanted a board of family {alarm.family} in the "
                        "records; grade it first")
    return found


def _row(alarm: Alarm, units: dict[str, int]) -> dict[str, Any]:
    return {name: getattr(alarm, name) for name in PLAIN} | {
        "code": alarm.id, "family_name": alarm.family, "also": _json(alarm.also), "joints": _json(alarm.joints),
        "seen_at": datetime.fromisoformat(alarm.seen_at), "seen_unit_id": units[alarm.seen_serial],
        "since_at": datetime.fromisoformat(alarm.since_at), "since_unit_id": units[alarm.since_serial],
        "since_low_unit_id": units[alarm.since_low], "since_high_unit_id": units[alarm.since_high],
        "place_share": number(alarm.place_share), "next_share": number(alarm.next_share),
        "changes": _json([asdict(item) for item in alarm.changes]),
        "hints": _json([asdict(item) for item in alarm.hints])}


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def list_alarms(engine: Engine, family: str = "", *, only_open: bool = False) -> list[Alarm]:
    """Return the alarms with all their answers, oldest alarm first."""
    wanted: list[Any] = [AlarmRow.family_name == family] if family else []
    if only_open:
        any_answer = aliased(AlarmAnswer)
        wanted.append(~select(any_answer.id).where(any_answer.alarm_id == AlarmRow.id).exists())
    with reading(engine) as connection:
        return list(_load(connection, wanted).values())


def _load(connection: Connection, wanted: Sequence[Any]) -> dict[int, Alarm]:
    """Return the alarms that fulfil some conditions by key, oldest first."""
    seen, since, low, high = (aliased(Unit) for _ in range(4))
    rows = connection.execute(
        select(AlarmRow.__table__, seen.serial.label("seen_serial"), since.serial.label("since_serial"),
               low.serial.label("since_low"), high.serial.label("since_high"))
        .join(seen, seen.id == AlarmRow.seen_unit_id).join(since, since.id == AlarmRow.since_unit_id)
        .join(low, low.id == AlarmRow.since_low_unit_id).join(high, high.id == AlarmRow.since_high_unit_id)
        .where(*wanted).order_by(AlarmRow.seen_at, AlarmRow.id)).all()
    examples: dict[int, list[Example]] = {}
    for item in connection.execute(
            select(AlarmExample.__table__).join(AlarmRow, AlarmRow.id == AlarmExample.alarm_id).where(*wanted)
            .order_by(AlarmExample.alarm_id, AlarmExample.position)):
        examples.setdefault(item.alarm_id, []).append(Example(
            item.serial, item.joint, item.text, item.shows, item.inspection_id or 0, tuple(json.loads(item.pictures))))
    alarms = {int(row.id): _alarm(row, tuple(examples.get(row.id, ()))) for row in rows}
    for answer in connection.execute(
            select(AlarmAnswer.__table__).join(AlarmRow, AlarmRow.id == AlarmAnswer.alarm_id).where(*wanted)
            .order_by(AlarmAnswer.alarm_id, AlarmAnswer.answered_at, AlarmAnswer.id)):
        alarms[answer.alarm_id] = _with_answer(alarms[answer.alarm_id], Answer(
            answer.answer, answer.answered_by, moment_text(answer.answered_at), answer.note))
    return alarms


def _with_answer(alarm: Alarm, newest: Answer) -> Alarm:
    return replace(alarm, status=newest.answer, answered_by=newest.by, answered_at=newest.at, note=newest.note,
                   answers=(newest, *alarm.answers))


def _alarm(row: Row[Any], examples: tuple[Example, ...]) -> Alarm:
    return Alarm(
        id=row.code, family=row.family_name, **{name: getattr(row, name) for name in PLAIN},
        also=tuple(json.loads(row.also)), joints=tuple(json.loads(row.joints)), seen_at=moment_text(row.seen_at),
        seen_serial=row.seen_serial, since_at=moment_text(row.since_at), since_serial=row.since_serial,
        since_low=row.since_low, since_high=row.since_high,
        place_share=math.nan if row.place_share is None else row.place_share,
        next_share=math.nan if row.next_share is None else row.next_share,
        changes=tuple(Change(**item) for item in json.loads(row.changes)), examples=examples,
        hints=tuple(Hint(**item) for item in json.loads(row.hints)))


def answer_alarm(engine: Engine, alarm_id: str, answer: str, by: str, note: str = "") -> Alarm:
    """Record a person's answer to an alarm and return the alarm as answered.

    `fixed`: the cause was removed, boards in between do not count as normal; `normal`: the new state is accepted.
    Raises LineError for an unknown alarm (or a beginning of an id that fits several) and for an empty name.
    """
    if answer not in ANSWERS:
        raise LineError(f"answer: got {answer!r}, wanted one of {', '.join(ANSWERS)}")
    if not by.strip():
        raise LineError("answer: got no name, wanted the name of the person who answers")
    now = datetime.now(UTC)
    with transaction(engine) as connection:
        begins = func.substr(AlarmRow.code, 1, len(alarm_id)) == alarm_id
        fitting = _load(connection, [begins]) if alarm_id else {}
        if len(fitting) != 1:
            several = "several alarms" if fitting else "no alarm of the records"
            raise LineError(f"alarm {alarm_id!r}: fits {several}; `meniscope line alarms` lists them")
        (key, alarm), = fitting.items()
        connection.execute(insert(AlarmAnswer), [{"alarm_id": key, "answer": answer, "answered_by": by.strip(),
                                                  "answered_at": now, "note": note}])
    return _with_answer(alarm, Answer(answer, by.strip(), moment_text(now), note))


def as_known(alarms: Sequence[Alarm]) -> list[Known]:
    """Return alarms as the watch must know them."""
    return [Known(frozenset(alarm.joints), datetime.fromisoformat(alarm.since_at).timestamp(),
                  "" if alarm.status == "open" else alarm.status,
                  datetime.fromisoformat(alarm.answered_at).timestamp() if alarm.answered_at else 0.0)
            for alarm in alarms]
