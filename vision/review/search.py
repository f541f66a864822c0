"""Finding a board by the serial that a person typed: the board itself, or those that may be meant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from sqlalchemy import Connection, Engine, func, select

from vision.records.database import reading
from vision.records.schema import InspectionRow, Unit

#: Boards listed where the serial is not in the records, and the newest boards searched for one that reads alike.
MOST_LISTED, SEARCHED = 6, 500
#: How alike two serials are at least, as difflib's ratio counts: of five characters one may be wrong.
ALIKE = 0.75


@dataclass(frozen=True)
class Hit:
    """A board by its newest inspection."""

    serial: str
    family: str
    inspection_id: int


@dataclass(frozen=True)
class Search:
    """What a typed serial leads to."""

    typed: str
    hit: Hit | None  # the only board that can be meant
    choices: tuple[Hit, ...]  # otherwise boards that may be meant
    words: str  # what the person is to be told; empty where a board has just this serial
    otherwise: str = ""  # what to do if it is none of the choices


def find_board(engine: Engine, typed: str) -> Search:
    """Return the board with a serial, or the only one whose serial differs in capital and small letters alone.

    Otherwise boards to choose from: of several families or ways to write it; or with a serial that holds what was
    typed or reads much like it, the newest first.
    """
    typed = typed.replace("\0", "").strip()
    shown = typed[:80]
    with reading(engine) as connection:
        same = _hits(connection, connection.execute(
            select(Unit.id).where(Unit.serial == typed).order_by(Unit.id)).scalars().all())
        if len(same) == 1:
            return Search(shown, same[0], (), "")
        if same:
            return Search(shown, None, same, f"Boards of several families have the serial “{shown}”. Which one is it?")
        alike = _hits(connection, connection.execute(
            select(Unit.id).where(func.lower(Unit.serial) == func.lower(typed)).order_by(Unit.id)
            .limit(MOST_LISTED)).scalars().all())
        if len(alike) == 1:
            return Search(shown, alike[0], (), f"There is no board {shown}; this is {alike[0].serial}, the only one "
                          "that differs in capital and small letters alone.")
        choices = alike or _hits(connection, _similar(connection, typed) if typed else [])
    ask = "" if not choices else " Is it this one?" if len(choices) == 1 else " Is it one of these?"
    read = "If not, read" if choices else "Read"
    return Search(shown, None, choices, f"There is no board “{shown}” in the records.{ask}",
                  f"{read} the serial off the board’s label once more. A board is found here once the camera station "
                  "has graded it; if this one should be, tell whoever looks after the station.")


def _similar(connection: Connection, typed: str) -> list[int]:
    """Return the keys of boards whose serials hold what was typed, then of new ones that read much like it."""
    holding = connection.execute(
        select(Unit.id).where(func.lower(Unit.serial).contains(typed.lower(), autoescape=True))
        .order_by(Unit.id.desc()).limit(MOST_LISTED)).scalars().all()
    keys = list(holding)
    newest: dict[str, int] = {}
    for row in connection.execute(select(Unit.id, Unit.serial).order_by(Unit.id.desc()).limit(SEARCHED)):
        newest.setdefault(row.serial.lower(), row.id)
    keys += [newest[name] for name in get_close_matches(typed.lower()[:255], newest, MOST_LISTED, ALIKE)]
    return list(dict.fromkeys(keys))[:MOST_LISTED]


def _hits(connection: Connection, keys: Sequence[int]) -> tuple[Hit, ...]:
    """Return boards by their keys in `Unit`, in this order, with their newest inspections."""
    newest: dict[int, Hit] = {}
    for row in connection.execute(
            select(InspectionRow.id, InspectionRow.unit_id, Unit.serial, Unit.family_name)
            .join(Unit, Unit.id == InspectionRow.unit_id)
            .where(InspectionRow.unit_id.in_(keys), InspectionRow.superseded_by.is_(None))
            .order_by(InspectionRow.started_at, InspectionRow.id)):
        newest[row.unit_id] = Hit(row.serial, row.family_name, row.id)
    return tuple(newest[key] for key in keys if key in newest)
