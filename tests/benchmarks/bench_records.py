"""Load: the defect database with two million joint results, on SQLite and PostgreSQL.

    python tests/benchmarks/bench_records.py [--rows 2000000] [--db FILE|URL] [--joints 50]

Prints one line a figure: insert rate through the store (five boards a transaction, as a batch on two processors does
when boards come faster than the disk can confirm them; and one board a transaction), and the everyday queries with
their median and 95th percentile. Goals: at least 20,000 joint results a second; queries under 200 ms at
the 95th percentile. Without --db, SQLite in a temporary folder and, where it is installed, a private PostgreSQL with
its usual durable settings.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, text

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS / "records"), str(TESTS), str(TESTS.parent)]

import invented_boards as invented  # noqa: E402
from invented_reviews import add_review  # noqa: E402

from vision.pipeline.inspection import Inspection  # noqa: E402
from vision.records import Filter, list_inspections, open_database, open_reviews, pareto, show_inspection  # noqa: E402
from vision.records.database import transaction  # noqa: E402
from vision.records.queries import find_inspection  # noqa: E402
from vision.records.store import Work, prepare, save_all  # noqa: E402
from vision.records.totals import verdict_counts  # noqa: E402
from vision.setup import Family  # noqa: E402

GOAL_ROWS = 20_000
GOAL_MS = 200.0
#: Boards in hand of a batch on two processors.
TOGETHER = 5
NOW = datetime(2026, 6, 30, 12, 0, tzinfo=UTC)


def boards(count: int, joints: int) -> tuple[Callable[[int], Inspection], Family]:
    """Return a maker of boards (a tenth of them bad) spread evenly over the half year before NOW."""
    family = invented.family(joints, "bench")
    good, bad = invented.inspection("x", of=family), invented.inspection("x", of=family, bad=True)

    def make(number: int) -> Inspection:
        serial = f"U{number:07d}"
        when = NOW - timedelta(days=180) * (1.0 - (number % count) / count)
        return dataclasses.replace(bad if number % 10 == 0 else good, serial=serial, started_at=when.isoformat(),
                                   pictures=(invented.picture(serial, "v1", "a"), invented.picture(serial, "v1", "b")))

    return make, family


def fill(engine: Engine, rows: int, joints: int, together: int, first: int = 0) -> float:
    """Write boards through the store, so many a transaction, and return joint results a second."""
    count = rows // joints
    make, family = boards(max(count, 1), joints)
    setup = prepare(engine, family, invented.station(), invented.sheet())
    start = time.perf_counter()
    for number in range(0, count, together):
        save_all(engine, [Work(make(first + k)) for k in range(number, min(number + together, count))], setup)
        if number and number % 4000 == 0:
            rate = number * joints / (time.perf_counter() - start)
            print(f"  {number * joints:>9} joint results, {rate:,.0f} a second", file=sys.stderr, flush=True)
    return count * joints / (time.perf_counter() - start)


def review_most(engine: Engine) -> None:
    """Have nearly all findings decided on, as after half a year of work; those of the last two days wait."""
    with transaction(engine) as connection:
        last = connection.execute(text("SELECT max(id) FROM inspection")).scalar_one()
        connection.execute(text(
            "INSERT INTO review (inspection_id, joint_id, chip_id, finding_id, call, corrected, reviewer, reviewed_at,"
            " blind, note) SELECT f.inspection_id, f.joint_id, f.chip_id, f.id, 'real', '', 'A', i.started_at, :no, ''"
            " FROM finding f JOIN inspection i ON i.id = f.inspection_id"
            " WHERE f.verdict <> 'indicator' AND i.id < :last"), {"no": False, "last": last - last // 90})
        connection.execute(text("UPDATE inspection SET open_findings = 0 WHERE id < :last"),
                           {"last": last - last // 90})


def timed(name: str, query: Callable[[], object], repeats: int = 60) -> bool:
    """Print median and 95th percentile of a query; return whether the goal is met."""
    query()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        query()
        times.append((time.perf_counter() - start) * 1000)
    p95 = float(np.percentile(times, 95))
    print(f"  {name:<44} median {np.median(times):8.1f} ms   p95 {p95:8.1f} ms   {'ok' if p95 < GOAL_MS else 'MISSED'}")
    return p95 < GOAL_MS


def queries(engine: Engine, rows: int, joints: int) -> bool:
    """Time the everyday queries."""
    rng = np.random.default_rng(1)
    count = rows // joints

    def serial() -> str:
        return f"U{rng.integers(1, count):07d}"

    week = Filter(since=NOW - timedelta(days=7), until=NOW)
    return all([
        timed("unit by serial, whole", lambda: show_inspection(engine, find_inspection(engine, serial()))),
        timed("pareto of a week", lambda: pareto(engine, week)),
        timed("pareto of a week at one pot", lambda: pareto(engine, dataclasses.replace(week, pot="pot 1"))),
        timed("open reviews, oldest 50", lambda: open_reviews(engine, 50)),
        timed("verdicts of a week", lambda: verdict_counts(engine, week)),
        timed("verdicts of a week at one pot", lambda: verdict_counts(engine, dataclasses.replace(week, pot="pot 1"))),
        timed("verdicts of a week with a bridge", lambda: verdict_counts(
            engine, dataclasses.replace(week, finding="bridge"))),
        timed("newest 50 boards", lambda: list_inspections(engine, Filter(limit=50))),
        timed("newest 50 boards with a bridge", lambda: list_inspections(engine, Filter(finding="bridge", limit=50))),
        timed("rejected boards of a week", lambda: list_inspections(engine, dataclasses.replace(
            week, verdict="reject", limit=200))),
    ])


def bench(name: str, where: str, rows: int, joints: int) -> bool:
    print(f"{name}: {rows:,} joint results, {joints} a board")
    engine = open_database(where)
    used = time.process_time()
    rate = fill(engine, rows, joints, TOGETHER)
    used = time.process_time() - used
    print(f"  insert, {TOGETHER} boards a transaction               {rate:10,.0f} joint results a second   "
          f"{'ok' if rate >= GOAL_ROWS else 'MISSED'}   ({1e6 * used / rows:.0f} us of this process's time a joint "
          "result, whatever else the machine does)")
    single = fill(engine, min(rows, 50_000), joints, 1, first=10_000_000)
    print(f"  insert, 1 board a transaction                {single:10,.0f} joint results a second")
    review_most(engine)
    add_review(engine, _open_finding(engine), call="real", reviewer="B")
    with engine.connect() as connection:
        connection.execute(text("ANALYZE"))
        connection.commit()
    good = queries(engine, rows, joints)
    engine.dispose()
    if "://" not in where:
        print(f"  file size                                    {Path(where).stat().st_size / 1e6:,.0f} MB")
    return good and rate >= GOAL_ROWS


def _open_finding(engine: Engine) -> int:
    with engine.connect() as connection:
        return int(connection.execute(text("SELECT max(id) FROM finding WHERE verdict <> 'indicator'")).scalar_one())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=2_000_000)
    parser.add_argument("--joints", type=int, default=50)
    parser.add_argument("--db", help="this database only; it must be empty")
    parser.add_argument("--only", choices=("sqlite", "postgresql"))
    args = parser.parse_args()
    results = []
    with tempfile.TemporaryDirectory() as folder:
        if args.db:
            results.append(bench(args.db, args.db, args.rows, args.joints))
        else:
            if args.only != "postgresql":
                results.append(bench("SQLite", f"{folder}/bench.sqlite", args.rows, args.joints))
            if args.only != "sqlite":
                from postgres_server import PostgresServer, programs

                if programs() is None:
                    print("PostgreSQL: not installed")
                else:
                    server = PostgresServer(durable=True)
                    try:
                        results.append(bench("PostgreSQL", server.new_database(), args.rows, args.joints))
                    finally:
                        server.stop()
    sys.exit(0 if all(results) else 1)


if __name__ == "__main__":
    main()
