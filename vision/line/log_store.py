"""The process log into the records, and what its reading found: clock, gaps, boards without log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from sqlalchemy import Engine, func, select

from vision.line.alarm import iso
from vision.line.load import Scope, first_inspections, load_log
from vision.line.log_file import Entry
from vision.line.log_join import Clock, Gap, find_gaps, fit_clock, join
from vision.line.log_words import QUANTITY
from vision.records.database import reading, transaction
from vision.records.schema import ProcessRecord

#: Rows of one insert.
CHUNK = 5_000


@dataclass(frozen=True)
class Imported:
    """What an import did and found."""

    values: int
    new: int
    first: str
    last: str
    counts: dict[str, int]  # values by quantity
    unknown: tuple[str, ...]  # quantities kept under their own name
    boards: int  # boards inspected in the log's time
    boards_without: int  # of them without any row that names their serial
    strangers: int  # serials in the log that no inspection knows
    clock: Clock | None
    gaps: tuple[Gap, ...]


def import_entries(engine: Engine, entries: Sequence[Entry], source: str) -> Imported:
    """Write entries into the records in one transaction and report on them; what is there already is left alone."""
    rows = [{"recorded_at": entry.at, "serial": entry.serial, "pot": entry.pot, "nozzle": entry.nozzle,
             "step": entry.step, "quantity": entry.quantity, "value": entry.value, "note": entry.text,
             "source": source} for entry in entries]
    with transaction(engine) as connection:
        before = connection.execute(select(func.count()).select_from(ProcessRecord)).scalar_one()
        for start in range(0, len(rows), CHUNK):
            connection.execute(_insert_new(connection.dialect.name), rows[start: start + CHUNK])
        after = connection.execute(select(func.count()).select_from(ProcessRecord)).scalar_one()
    return _report(engine, entries, int(after) - int(before))


def _insert_new(dialect: str):  # type: ignore[no-untyped-def]
    from sqlalchemy.dialects import postgresql, sqlite

    make = sqlite.insert if dialect == "sqlite" else postgresql.insert
    return make(ProcessRecord).on_conflict_do_nothing()


def _report(engine: Engine, entries: Sequence[Entry], new: int) -> Imported:
    first, last = min(entry.at for entry in entries), max(entry.at for entry in entries)
    counts: dict[str, int] = {}
    for entry in entries:
        counts[entry.quantity] = counts.get(entry.quantity, 0) + 1
    margin = timedelta(hours=2)
    with reading(engine) as connection:
        boards = connection.execute(first_inspections(Scope(since=first - margin, until=last + margin))).all()
    rows = load_log(engine, first, last)
    serials = [row.serial for row in boards]
    at_s = np.array([row.started_at.timestamp() for row in boards])
    named = {entry.serial for entry in entries if entry.serial}
    clock = fit_clock(rows, serials, at_s)
    gaps = find_gaps(join(rows, serials, at_s, clock), serials) if serials else ()
    delay = timedelta(seconds=clock.delay_s) if clock else timedelta(0)
    inside = [row.serial for row in boards if first <= row.started_at - delay <= last]
    return Imported(len(entries), new, iso(first.timestamp()), iso(last.timestamp()), dict(sorted(counts.items())),
                    tuple(sorted(set(counts) - set(QUANTITY))), len(inside),
                    sum(serial not in named for serial in inside), len(named - set(serials)), clock, gaps)

