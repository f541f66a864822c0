"""Alarms of the line watch get tables of their own; they were process records with their content as JSON in the note."""
# ruff: noqa: E501

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa
from alembic import op

from vision.records.columns import Moment, moment_text

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

RAISED, ANSWERED, SOURCE = "drift_alarm", "drift_alarm_answer", "meniscope line"
#: Fields of the JSON object that are columns as they are, and those that stay JSON lists.
PLAIN = ("title", "quantity", "side", "kind", "place", "boards", "false_alarm_boards", "evidence", "next_place", "batch")
LISTS = ("also", "joints", "changes", "hints")
#: Serials of boards in the JSON object, and the columns that hold the boards' keys.
UNITS = {"seen_serial": "seen_unit_id", "since_serial": "since_unit_id", "since_low": "since_low_unit_id",
         "since_high": "since_high_unit_id"}


def _table(name: str, *columns: str, moments: tuple[str, ...] = ()) -> Any:
    return sa.table(name, *(sa.column(column, Moment() if column in moments else None) for column in columns))


RECORD = _table("process_record", "id", "recorded_at", "serial", "pot", "nozzle", "step", "quantity", "value", "note",
                "source", moments=("recorded_at",))
UNIT = _table("unit", "id", "family_name", "serial", "added_at", moments=("added_at",))
INSPECTION = _table("inspection", "id")
ALARM = _table("alarm", "id", "code", "family_name", *PLAIN, *LISTS, "place_share", "next_share", "seen_at", "since_at",
               *UNITS.values(), moments=("seen_at", "since_at"))
EXAMPLE = _table("alarm_example", "alarm_id", "position", "inspection_id", "serial", "joint", "text", "shows",
                 "pictures")
ANSWER = _table("alarm_answer", "id", "alarm_id", "answer", "answered_by", "answered_at", "note",
                moments=("answered_at",))


def upgrade() -> None:
    """Make the tables and move the alarms there; a record that is no alarm stays where it is."""
    _create()
    bind = op.get_bind()
    records = bind.execute(sa.select(RECORD).where(RECORD.c.quantity.in_((RAISED, ANSWERED)))
                           .order_by(RECORD.c.recorded_at, RECORD.c.id)).all()
    keys: dict[str, int] = {}
    moved: list[int] = []
    newest = {content["id"]: row.id for row in records if (content := _content(row, RAISED))}
    for row in records:
        content = _content(row, RAISED)
        if content is None:
            continue
        if newest[content["id"]] == row.id:  # of two under one name the older was never shown
            keys[content["id"]] = _move_alarm(bind, content)
        moved.append(row.id)
    for row in records:
        content = _content(row, ANSWERED)
        if content is None or content["alarm"] not in keys:
            continue
        bind.execute(sa.insert(ANSWER).values(
            alarm_id=keys[content["alarm"]], answer=content["answer"], answered_by=content["by"],
            answered_at=datetime.fromisoformat(content["at"]), note=content["note"]))
        moved.append(row.id)
    for key in moved:
        bind.execute(sa.delete(RECORD).where(RECORD.c.id == key))


def _content(row: Any, quantity: str) -> dict[str, Any] | None:
    """Return what a record says, or None where it is no alarm (or answer) as the program wrote them."""
    if row.quantity != quantity:
        return None
    try:
        content = json.loads(row.note)
    except ValueError:
        return None
    needed = ({"id", "family", "seen_at", "since_at", "place_share", "next_share", "examples", *PLAIN, *LISTS, *UNITS}
              if quantity == RAISED else {"alarm", "answer", "by", "at", "note"})
    return content if isinstance(content, dict) and needed <= set(content) else None


def _move_alarm(bind: sa.Connection, content: dict[str, Any]) -> int:
    values = {name: content[name] for name in PLAIN} | {name: _json(content[name]) for name in LISTS}
    values |= {column: _unit(bind, content, content[name]) for name, column in UNITS.items()}
    shares = {name: None if content[name] != content[name] else content[name] for name in ("place_share", "next_share")}
    key = int(bind.execute(sa.insert(ALARM).values(
        code=content["id"], family_name=content["family"], seen_at=datetime.fromisoformat(content["seen_at"]),
        since_at=datetime.fromisoformat(content["since_at"]), **values, **shares).returning(ALARM.c.id)).scalar_one())
    for position, item in enumerate(content["examples"]):
        there = bind.execute(sa.select(INSPECTION.c.id).where(INSPECTION.c.id == item["key"])).scalar()
        bind.execute(sa.insert(EXAMPLE).values(
            alarm_id=key, position=position, inspection_id=there, serial=item["serial"], joint=item["joint"],
            text=item["text"], shows=item["shows"], pictures=_json(item["pictures"])))
    return key


def _unit(bind: sa.Connection, content: dict[str, Any], serial: str) -> int:
    """Return the key of a board; one that the records lack is written, so that no alarm is lost for it."""
    same = (UNIT.c.family_name == content["family"], UNIT.c.serial == serial)
    key = bind.execute(sa.select(UNIT.c.id).where(*same)).scalar()
    if key is None:
        key = bind.execute(sa.insert(UNIT).values(
            family_name=content["family"], serial=serial, added_at=datetime.fromisoformat(content["seen_at"]))
            .returning(UNIT.c.id)).scalar_one()
    return int(key)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def downgrade() -> None:
    """Write the alarms back as process records and drop their tables."""
    bind = op.get_bind()
    serials: dict[int, str] = {key: serial for key, serial in bind.execute(sa.select(UNIT.c.id, UNIT.c.serial))}
    codes: dict[int, dict[str, Any]] = {}
    for row in bind.execute(sa.select(ALARM).order_by(ALARM.c.seen_at, ALARM.c.id)).mappings().all():
        content = {"id": row["code"], "family": row["family_name"]} | {name: row[name] for name in PLAIN}
        content |= {name: json.loads(row[name]) for name in LISTS}
        content |= {name: serials[row[column]] for name, column in UNITS.items()}
        content |= {name: float("nan") if row[name] is None else row[name] for name in ("place_share", "next_share")}
        content |= {name: moment_text(row[name]) for name in ("seen_at", "since_at")}
        content["examples"] = [
            {"serial": item.serial, "joint": item.joint, "text": item.text, "shows": item.shows,
             "key": item.inspection_id or 0, "pictures": json.loads(item.pictures)}
            for item in bind.execute(sa.select(EXAMPLE).where(EXAMPLE.c.alarm_id == row["id"])
                                     .order_by(EXAMPLE.c.position))]
        content |= {"status": "open", "answered_by": "", "answered_at": "", "note": ""}
        codes[row["id"]] = content
        _write_back(bind, content, RAISED, row["seen_at"], content)
    for answer in bind.execute(sa.select(ANSWER).order_by(ANSWER.c.answered_at, ANSWER.c.id)).all():
        alarm = codes[answer.alarm_id]
        _write_back(bind, alarm, ANSWERED, answer.answered_at, {
            "alarm": alarm["id"], "answer": answer.answer, "by": answer.answered_by,
            "at": moment_text(answer.answered_at), "note": answer.note})
    for name in ("alarm_answer", "alarm_example", "alarm"):
        op.drop_table(name)


def _write_back(bind: sa.Connection, alarm: dict[str, Any], quantity: str, at: datetime, note: dict[str, Any]) -> None:
    """Write a process record; where one of the same moment, board and place is there, a millisecond later."""
    place = {kind: alarm["place"] if alarm["kind"] == kind else "" for kind in ("pot", "nozzle", "step")}
    same = [RECORD.c[name] == value for name, value in place.items()]
    same += [RECORD.c.serial == alarm["seen_serial"], RECORD.c.quantity == quantity]
    at = at.astimezone(UTC)
    while bind.execute(sa.select(RECORD.c.id).where(RECORD.c.recorded_at == at, *same)).first() is not None:
        at += timedelta(milliseconds=1)
    bind.execute(sa.insert(RECORD).values(recorded_at=at, serial=alarm["seen_serial"], quantity=quantity, value=None,
                                          note=_json(note), source=SOURCE, **place))


def _create() -> None:
    """Make the three tables and their indexes."""
    real = sa.Float(precision=53)
    op.create_table(
        "alarm",
        sa.Column("id", sa.Integer(), nullable=False, comment="key, in the order in which they were written"),
        sa.Column("code", sa.String(16), nullable=False, comment="name of the alarm: hash over family, place, quantity and board"),
        sa.Column("family_name", sa.String(60), nullable=False, comment="family of the boards"),
        sa.Column("title", sa.Text(), nullable=False, comment="the alarm in words"),
        sa.Column("quantity", sa.String(60), nullable=False, comment="measurement or finding that speaks loudest"),
        sa.Column("side", sa.String(1), nullable=False, comment="+ rose, - fell"),
        sa.Column("kind", sa.String(20), nullable=False, comment="what the place is: whole board, pot, nozzle, joint ..."),
        sa.Column("place", sa.Text(), nullable=False, comment="the place's name; empty for the whole board"),
        sa.Column("also", sa.Text(), nullable=False, comment="other names of the same joints, JSON list"),
        sa.Column("joints", sa.Text(), nullable=False, comment="joints of the place, JSON list of REF.PIN"),
        sa.Column("seen_at", Moment(), nullable=False, comment="when the board was graded that raised it, UTC"),
        sa.Column("seen_unit_id", sa.Integer(), nullable=False, comment="board that raised it"),
        sa.Column("since_at", Moment(), nullable=False, comment="when the likeliest first board was graded, UTC"),
        sa.Column("since_unit_id", sa.Integer(), nullable=False, comment="likeliest first board of the change"),
        sa.Column("since_low_unit_id", sa.Integer(), nullable=False, comment="first board of the 90 % interval of the start"),
        sa.Column("since_high_unit_id", sa.Integer(), nullable=False, comment="last board of the 90 % interval of the start"),
        sa.Column("boards", sa.Integer(), nullable=False, comment="boards from the start to the alarm, both counted"),
        sa.Column("false_alarm_boards", real, nullable=False, comment="without drift an alarm comes on average no sooner than after so many boards"),
        sa.Column("evidence", real, nullable=False, comment="evidence over what that rate asks for"),
        sa.Column("place_share", real, nullable=True, comment="share of the evidence that names it, 0 to 1"),
        sa.Column("next_place", sa.Text(), nullable=False, comment="the next likely place; may be empty"),
        sa.Column("next_share", real, nullable=True, comment="share of the evidence that names the next place"),
        sa.Column("batch", sa.Text(), nullable=False, comment="what can be said about the board batch; may be empty"),
        sa.Column("changes", sa.Text(), nullable=False, comment="what changed at the place with its size, JSON list of objects"),
        sa.Column("hints", sa.Text(), nullable=False, comment="candidate causes, JSON list of objects, the likeliest first"),
        sa.CheckConstraint("side IN ('+', '-')", name=op.f("ck_alarm_side")),
        sa.CheckConstraint("code <> ''", name=op.f("ck_alarm_code")),
        sa.CheckConstraint("boards >= 1", name=op.f("ck_alarm_boards")),
        sa.CheckConstraint("false_alarm_boards > 0", name=op.f("ck_alarm_false_alarm_boards")),
        sa.CheckConstraint("since_at <= seen_at", name=op.f("ck_alarm_since_at")),
        *(sa.ForeignKeyConstraint([column], ["unit.id"], name=op.f(f"fk_alarm_{column}")) for column in UNITS.values()),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm")), sa.UniqueConstraint("code", name=op.f("uq_alarm_code")),
        comment="Drift alarms of the line watch: what changed, where, since which board, how sure.")
    op.create_index(op.f("ix_alarm_family_name_seen_at"), "alarm", ["family_name", "seen_at"])
    op.create_table(
        "alarm_example",
        sa.Column("alarm_id", sa.Integer(), nullable=False, comment="the alarm"),
        sa.Column("position", sa.Integer(), nullable=False, comment="order in which they are shown, from 0"),
        sa.Column("inspection_id", sa.Integer(), nullable=True, comment="inspection of the board; empty where it is not known"),
        sa.Column("serial", sa.String(255), nullable=False, comment="serial number of the board"),
        sa.Column("joint", sa.Text(), nullable=False, comment="the joint, REF.PIN"),
        sa.Column("text", sa.Text(), nullable=False, comment="what was measured or found there, in words"),
        sa.Column("shows", sa.String(6), nullable=False, comment="drift, or before: the same joint as it was"),
        sa.Column("pictures", sa.Text(), nullable=False, comment="paths of its pictures, JSON list"),
        sa.CheckConstraint("shows IN ('drift', 'before')", name=op.f("ck_alarm_example_shows")),
        sa.CheckConstraint("position >= 0", name=op.f("ck_alarm_example_position")),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name=op.f("fk_alarm_example_alarm_id")),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspection.id"], name=op.f("fk_alarm_example_inspection_id")),
        sa.PrimaryKeyConstraint("alarm_id", "position", name=op.f("pk_alarm_example")),
        comment="Joints whose pictures show an alarm, and one as it was before.")
    op.create_table(
        "alarm_answer",
        sa.Column("id", sa.Integer(), nullable=False, comment="key"),
        sa.Column("alarm_id", sa.Integer(), nullable=False, comment="the alarm"),
        sa.Column("answer", sa.String(6), nullable=False, comment="fixed: the cause was removed; normal: the new state is accepted"),
        sa.Column("answered_by", sa.Text(), nullable=False, comment="who answered"),
        sa.Column("answered_at", Moment(), nullable=False, comment="when, UTC"),
        sa.Column("note", sa.Text(), nullable=False, comment="free text; may be empty"),
        sa.CheckConstraint("answer IN ('fixed', 'normal')", name=op.f("ck_alarm_answer_answer")),
        sa.CheckConstraint("answered_by <> ''", name=op.f("ck_alarm_answer_answered_by")),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name=op.f("fk_alarm_answer_alarm_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm_answer")),
        comment="Answers to alarms, none ever changed: the newest counts; an alarm without one is open.")
    op.create_index(op.f("ix_alarm_answer_alarm_id_answered_at"), "alarm_answer", ["alarm_id", "answered_at"])
