"""Tables of the line watch: drift alarms, the joints that show them, and what people answered."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from vision.records.columns import Moment
from vision.records.schema.base import REAL, Base, one_of

ANSWERS: tuple[str, ...] = ("fixed", "normal")


class AlarmRow(Base):
    """One drift alarm."""

    __tablename__ = "alarm"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key, in the order in which they were written")
    code: Mapped[str] = mapped_column(
        String(16), unique=True, comment="name of the alarm: hash over family, place, quantity and board")
    family_name: Mapped[str] = mapped_column(String(60), comment="family of the boards")
    title: Mapped[str] = mapped_column(Text, comment="the alarm in words")
    quantity: Mapped[str] = mapped_column(String(60), comment="measurement or finding that speaks loudest")
    side: Mapped[str] = mapped_column(String(1), comment="+ rose, - fell")
    kind: Mapped[str] = mapped_column(String(20), comment="what the place is: whole board, pot, nozzle, joint ...")
    place: Mapped[str] = mapped_column(Text, comment="the place's name; empty for the whole board")
    also: Mapped[str] = mapped_column(Text, comment="other names of the same joints, JSON list")
    joints: Mapped[str] = mapped_column(Text, comment="joints of the place, JSON list of REF.PIN")
    seen_at: Mapped[datetime] = mapped_column(Moment, comment="when the board was graded that raised it, UTC")
    seen_unit_id: Mapped[int] = mapped_column(ForeignKey("unit.id"), comment="board that raised it")
    since_at: Mapped[datetime] = mapped_column(Moment, comment="when the likeliest first board was graded, UTC")
    since_unit_id: Mapped[int] = mapped_column(ForeignKey("unit.id"), comment="likeliest first board of the change")
    since_low_unit_id: Mapped[int] = mapped_column(
        ForeignKey("unit.id"), comment="first board of the 90 % interval of the start")
    since_high_unit_id: Mapped[int] = mapped_column(
        ForeignKey("unit.id"), comment="last board of the 90 % interval of the start")
    boards: Mapped[int] = mapped_column(comment="boards from the start to the alarm, both counted")
    false_alarm_boards: Mapped[float] = mapped_column(
        REAL, comment="without drift an alarm comes on average no sooner than after so many boards")
    evidence: Mapped[float] = mapped_column(REAL, comment="evidence over what that rate asks for")
    place_share: Mapped[float | None] = mapped_column(REAL, comment="share of the evidence that names it, 0 to 1")
    next_place: Mapped[str] = mapped_column(Text, comment="the next likely place; may be empty")
    next_share: Mapped[float | None] = mapped_column(REAL, comment="share of the evidence that names the next place")
    batch: Mapped[str] = mapped_column(Text, comment="what can be said about the board batch; may be empty")
    changes: Mapped[str] = mapped_column(Text, comment="what changed at the place with its size, JSON list of objects")
    hints: Mapped[str] = mapped_column(Text, comment="candidate causes, JSON list of objects, the likeliest first")
    __table_args__ = (
        one_of("side", ("+", "-")), CheckConstraint("code <> ''", name="code"),
        CheckConstraint("boards >= 1", name="boards"),
        CheckConstraint("false_alarm_boards > 0", name="false_alarm_boards"),
        CheckConstraint("since_at <= seen_at", name="since_at"), Index(None, "family_name", "seen_at"),
        {"comment": "Drift alarms of the line watch: what changed, where, since which board, how sure."},
    )


class AlarmExample(Base):
    """One joint on one board that shows an alarm."""

    __tablename__ = "alarm_example"
    alarm_id: Mapped[int] = mapped_column(ForeignKey("alarm.id"), primary_key=True, comment="the alarm")
    position: Mapped[int] = mapped_column(primary_key=True, comment="order in which they are shown, from 0")
    inspection_id: Mapped[int | None] = mapped_column(
        ForeignKey("inspection.id"), comment="inspection of the board; empty where it is not known")
    serial: Mapped[str] = mapped_column(String(255), comment="serial number of the board")
    joint: Mapped[str] = mapped_column(Text, comment="the joint, REF.PIN")
    text: Mapped[str] = mapped_column(Text, comment="what was measured or found there, in words")
    shows: Mapped[str] = mapped_column(String(6), comment="drift, or before: the same joint as it was")
    pictures: Mapped[str] = mapped_column(Text, comment="paths of its pictures, JSON list")
    __table_args__ = (
        one_of("shows", ("drift", "before")), CheckConstraint("position >= 0", name="position"),
        {"comment": "Joints whose pictures show an alarm, and one as it was before."},
    )


class AlarmAnswer(Base):
    """What a person answered to an alarm."""

    __tablename__ = "alarm_answer"
    id: Mapped[int] = mapped_column(primary_key=True, comment="key")
    alarm_id: Mapped[int] = mapped_column(ForeignKey("alarm.id"), comment="the alarm")
    answer: Mapped[str] = mapped_column(
        String(6), comment="fixed: the cause was removed; normal: the new state is accepted")
    answered_by: Mapped[str] = mapped_column(Text, comment="who answered")
    answered_at: Mapped[datetime] = mapped_column(Moment, comment="when, UTC")
    note: Mapped[str] = mapped_column(Text, comment="free text; may be empty")
    __table_args__ = (
        one_of("answer", ANSWERS), CheckConstraint("answered_by <> ''", name="answered_by"),
        Index(None, "alarm_id", "answered_at"),
        {"comment": "Answers to alarms, none ever changed: the newest counts; an alarm without one is open."},
    )
