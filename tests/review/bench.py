"""What tests of the bench share: who works there, and sheets, stops and repairs of one board."""

from __future__ import annotations

import review_boards as boards
from sqlalchemy import Engine

from vision.review.decisions import Actor
from vision.review.repair import record_repair, repair_sheet
from vision.review.stops import Sheet, Stop

ADA, BO = Actor("Ada"), Actor("Bo")


def sheet_of(engine: Engine, key: int, **more: object) -> Sheet:
    return repair_sheet(engine, key, boards.family(), **more)  # type: ignore[arg-type]


def stop_of(engine: Engine, key: int, name: str) -> Stop:
    return next(stop for stop in sheet_of(engine, key).stops if stop.name == name)


def mend(engine: Engine, key: int, name: str, by: Actor = BO) -> None:
    stop = stop_of(engine, key, name)
    record_repair(engine, key, finding_ids=stop.finding_ids, escape_ids=stop.escape_ids, action=stop.action,
                  note="", by=by)


def undo_key(engine: Engine, key: int, name: str) -> int | None:
    return next(done.undo for done in sheet_of(engine, key).done if done.name == name)


def mixed(engine: Engine) -> int:
    return boards.save(engine, boards.inspection("B1", boards.MIXED))
