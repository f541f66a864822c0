"""Alarms in the records: raised once, answered by a person, never forgotten.

An alarm is a process record like everything else that the line tells (quantity `drift_alarm`, its content as JSON in
the note, pot, nozzle and step where it is at one). An answer is a second record (`drift_alarm_answer`), so that
who said what and when stays traceable; the newest answer counts.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Engine, insert, select
from sqlalchemy.exc import IntegrityError

from vision.line.alarm import Alarm, Change, Example
from vision.line.causes import Hint
from vision.line.errors import LineError
from vision.line.history import NOZZLE, POT, STEP
from vision.line.log_words import ANSWERED, OWN_QUANTITIES, RAISED
from vision.line.watch import Known
from vision.records.database import reading, transaction
from vision.records.schema import ProcessRecord

SOURCE = "meniscope line"
ANSWERS: tuple[str, ...] = ("fixed", "normal")


def save_alarm(engine: Engine, alarm: Alarm) -> bool:
    """Write an alarm; return False where another watch has written the same one."""
    row = _row(datetime.fromisoformat(alarm.seen_at), alarm, RAISED, json.dumps(asdict(alarm), ensure_ascii=False))
    try:
        with transaction(engine) as connection:
            connection.execute(insert(ProcessRecord), [row])
    except IntegrityError:
        return False
    return True


def _row(at: datetime, alarm: Alarm, quantity: str, note: str) -> dict[str, Any]:
    place = {kind: alarm.place if alarm.kind == kind else "" for kind in (POT, NOZZLE, STEP)}
    return {"recorded_at": at, "serial": alarm.seen_serial, "pot": place[POT], "nozzle": place[NOZZLE],
            "step": place[STEP], "quantity": quantity, "value": None, "note": note, "source": SOURCE}


def list_alarms(engine: Engine, family: str = "", *, only_open: bool = False) -> list[Alarm]:
    """Return the alarms with their newest answers, oldest first."""
    with reading(engine) as connection:
        rows = connection.execute(
            select(ProcessRecord.quantity, ProcessRecord.note).where(ProcessRecord.quantity.in_(OWN_QUANTITIES))
            .order_by(ProcessRecord.recorded_at, ProcessRecord.id)).all()
    alarms: dict[str, Alarm] = {}
    answers: dict[str, dict[str, str]] = {}
    for quantity, note in rows:
        content = json.loads(note)
        if quantity == RAISED:
            alarms[content["id"]] = _alarm(content)
        else:
            answers[content["alarm"]] = content
    found = []
    for key, alarm in alarms.items():
        answer = answers.get(key)
        if answer is not None:
            alarm = replace(alarm, status=answer["answer"], answered_by=answer["by"],  # noqa: PLW2901 - as answered
                            answered_at=answer["at"], note=answer["note"])
        if (not family or alarm.family == family) and not (only_open and alarm.status != "open"):
            found.append(alarm)
    return found


def _alarm(content: dict[str, Any]) -> Alarm:
    lists = {"changes": Change, "examples": Example, "hints": Hint}
    values: dict[str, Any] = {name: tuple(item) if isinstance(item, list) else item for name, item in content.items()}
    for name, kind in lists.items():
        values[name] = tuple(_tuples(kind, item) for item in content[name])
    return Alarm(**values)


def _tuples(kind: Any, item: dict[str, Any]) -> Any:
    return kind(**{name: tuple(value) if isinstance(value, list) else value for name, value in item.items()})


def answer_alarm(engine: Engine, alarm_id: str, answer: str, by: str, note: str = "") -> Alarm:
    """Record a person's answer to an alarm and return the alarm as answered.

    `fixed`: the cause was removed, boards in between do not count as normal; `normal`: the new state is accepted.
    Raises LineError for an unknown alarm (or a beginning of an id that fits several) and for an empty name.
    """
    if answer not in ANSWERS:
        raise LineError(f"answer: got {answer!r}, wanted one of {', '.join(ANSWERS)}")
    if not by.strip():
        raise LineError("answer: got no name, wanted the name of the person who answers")
    fitting = [alarm for alarm in list_alarms(engine) if alarm.id.startswith(alarm_id)] if alarm_id else []
    if len(fitting) != 1:
        several = "several alarms" if fitting else "no alarm of the records"
        raise LineError(f"alarm {alarm_id!r}: fits {several}; `meniscope line alarms` lists them")
    alarm, now = fitting[0], datetime.now(UTC)
    at = now.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    content = {"alarm": alarm.id, "answer": answer, "by": by.strip(), "at": at, "note": note}
    with transaction(engine) as connection:
        connection.execute(insert(ProcessRecord), [_row(now, alarm, ANSWERED, json.dumps(content, ensure_ascii=False))])
    return replace(alarm, status=answer, answered_by=by.strip(), answered_at=at, note=note)


def as_known(alarms: Sequence[Alarm]) -> list[Known]:
    """Return alarms as the watch must know them."""
    return [Known(frozenset(alarm.joints), datetime.fromisoformat(alarm.since_at).timestamp(),
                  "" if alarm.status == "open" else alarm.status,
                  datetime.fromisoformat(alarm.answered_at).timestamp() if alarm.answered_at else 0.0)
            for alarm in alarms]
