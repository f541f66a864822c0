"""Load: the reviewer's page with 100,000 joints waiting, over real HTTP, several people at once.

    python tests/benchmarks/bench_review.py [--waiting 100000] [--people 2] [--rounds 150] [--db FILE|URL]

Fills a database with boards of twelve joints, four of them with a finding that waits, decides on part of them, serves
the page as `meniscope review` does and lets people work: queue, next, finding, decision, board, repair sheet, bench,
rules. Prints median and 95th percentile of each. Goal: under 100 ms at the 95th percentile.
"""

from __future__ import annotations

import argparse
import dataclasses
import http.client
import re
import sys
import tempfile
import threading
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from urllib.parse import urlencode

import numpy as np
import waitress
from sqlalchemy import Engine, func, select, text

sys.path[:0] = [str(Path(__file__).parents[1] / "review"), str(Path(__file__).parents[2])]

import review_boards as boards  # noqa: E402

from vision.records import open_database  # noqa: E402
from vision.records.database import reading, transaction  # noqa: E402
from vision.records.schema import InspectionRow, Review  # noqa: E402
from vision.records.store import Work, prepare, save_all  # noqa: E402
from vision.review.app import create_app  # noqa: E402
from vision.review.decisions import Actor, Decision, decide  # noqa: E402
from vision.review.shop import Settings  # noqa: E402
from vision.setup import Family  # noqa: E402

GOAL_MS = 100.0
DECIDED = 2000
FAULTS: boards.Faults = {f"J1.{pin}": [("partial_wetting", 200.0 + pin, "reject" if pin % 2 else "review")]
                         for pin in (1, 2, 4, 5)}
TOGETHER = 100


def fill(engine: Engine, waiting: int) -> None:
    """Write boards until so many findings wait, and let people decide on the newest."""
    family: Family = dataclasses.replace(boards.family(), joints=(
        *boards.family().joints, *(dataclasses.replace(joint, ref="Y1", y_mm=joint.y_mm + 9.0)
                                   for joint in boards.family().joints[:3])))
    setup = prepare(engine, family, boards.station(), boards.sheet())
    model, count = boards.inspection("x", FAULTS, of=family), (waiting + DECIDED) // len(FAULTS)
    begin = datetime.now(UTC) - timedelta(days=30)
    for first in range(0, count, TOGETHER):
        save_all(engine, [Work(dataclasses.replace(
            model, serial=f"U{number:07d}", started_at=(begin + timedelta(seconds=60 * number)).isoformat(),
            pictures=(dataclasses.replace(model.pictures[0], sha256=f"{number:064x}"),)))
            for number in range(first, min(first + TOGETHER, count))], setup)
    with transaction(engine) as connection:
        connection.execute(text("ANALYZE"))
    for number in range(DECIDED):
        decide(engine, waiting + number + 1, Decision(("real", "false_call", "cannot_tell")[number % 40 % 3
               if number % 40 < 3 else number % 2]), Actor("past"), version=0)


class Person:
    """A person's connection, with its cookie and form token."""

    def __init__(self, port: int, name: str) -> None:
        self.port, self.cookie, self.form = port, "", ""
        self.took: dict[str, list[float]] = defaultdict(list)
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        self.ask("login page", "/login")
        self.ask("log in", "/login", {"name": name, "to": "/"})

    def ask(self, what: str, path: str, data: dict[str, str] | None = None) -> tuple[int, str, str]:
        """Ask for a page, note how long it took; returns status, where it leads, and the text."""
        body = None if data is None else urlencode({"form": self.form} | data)
        headers = {"Cookie": self.cookie} | ({} if data is None else
                                             {"Content-Type": "application/x-www-form-urlencoded"})
        start = time.perf_counter()
        self.connection.request("GET" if data is None else "POST", path, body, headers)
        answer = self.connection.getresponse()
        page = answer.read().decode()
        self.took[what].append(1000.0 * (time.perf_counter() - start))
        if cookie := answer.getheader("Set-Cookie"):
            self.cookie = cookie.split(";")[0]
        if token := re.search(r'name="form" value="([^"]+)"', page):
            self.form = token[1]
        return answer.status, answer.getheader("Location") or "", page

    def work(self, rounds: int) -> None:
        """Decide on findings, and look at the other pages now and then."""
        self.lost = 0
        for number in range(rounds):
            _, where, _ = self.ask("next", "/next")
            status, _, page = self.ask("finding", where)
            assert status == 200, (status, where)
            version = re.search(r'name="version" value="(\d+)"', page)
            assert version is not None
            status, _, _ = self.ask("decision", where, {"call": "real", "version": version[1], "note": "",
                                                          "unseen": "yes"})
            assert status in (302, 409), status
            self.lost += status == 409
            board = re.search(r'href="(/board/\d+)"', page)
            assert board is not None
            for every, what, path in ((3, "queue", "/"), (5, "board", board[1]), (7, "repair", f"{board[1]}/repair"),
                                      (11, "bench", "/bench"), (13, "settle", "/settle"), (17, "blind", "/blind"),
                                      (19, "rules", "/rules")):
                if number % every == 0:
                    status, _, _ = self.ask(what, path)
                    assert status == 200, (status, path)


def visit(port: int, name: str, rounds: int) -> tuple[dict[str, list[float]], int]:
    """Work as one person; return how long each kind of request took, ms, and how many decisions came second."""
    person = Person(port, name)
    person.work(rounds)
    return dict(person.took), person.lost


def shared() -> float:
    """Return how many times its processor time a busy loop takes: 1 on a machine that has nothing else to do."""
    wall, processor = time.perf_counter(), time.process_time()
    while time.process_time() - processor < 0.3:
        pass
    return (time.perf_counter() - wall) / (time.process_time() - processor)


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--waiting", type=int, default=100_000)
    parser.add_argument("--people", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=150)
    parser.add_argument("--db", help="another database; one that is filled already is used as it is")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        engine = open_database(options.db or f"{folder}/results.sqlite")
        app = create_app(engine, Settings(passwords=False))
        start = time.perf_counter()
        with reading(engine) as connection:
            empty = connection.execute(select(InspectionRow.id).limit(1)).first() is None
        if empty:
            fill(engine, options.waiting)
        with reading(engine) as connection:
            before = connection.execute(select(func.count(Review.id))).scalar_one()
            waiting = connection.execute(select(func.sum(InspectionRow.open_findings))).scalar_one()
        print(f"{waiting} joints wait on {engine.dialect.name}; filled in {time.perf_counter() - start:.0f} s")
        sys.setswitchinterval(0.0005)  # as `meniscope review` does
        server = waitress.create_server(app, host="127.0.0.1", port=0, threads=8)
        threading.Thread(target=server.run, daemon=True).start()
        with ProcessPoolExecutor(options.people, mp_context=get_context("spawn")) as pool:
            work = [pool.submit(visit, server.effective_port, f"person {number}", options.rounds)
                    for number in range(options.people)]
            people = [one.result() for one in work]
        stretch = shared()
        with reading(engine) as connection:
            after = connection.execute(select(func.sum(InspectionRow.open_findings))).scalar_one()
            reviews = connection.execute(select(func.count(Review.id))).scalar_one()
        done = sum(options.rounds - lost for _, lost in people)
        assert waiting - after == done == reviews - before, (waiting, after, done, reviews)
        took = {what: np.array([value for times, _ in people for value in times[what]]) for what in people[0][0]}
        for what, values in took.items():
            print(f"{what:12s} {len(values):5d} requests  median {np.median(values):7.1f} ms  "
                  f"p95 {np.percentile(values, 95):7.1f} ms  most {values.max():7.1f} ms")
        everything = np.concatenate(list(took.values()))
        p95 = float(np.percentile(everything, 95))
        print(f"all          {len(everything):5d} requests  median {np.median(everything):7.1f} ms  p95 {p95:7.1f} ms  "
              f"(goal {GOAL_MS:.0f} ms: {'met' if p95 < GOAL_MS else 'missed'})")
        print(f"the machine was shared: work took {stretch:.1f} times its processor time; alone, about "
              f"{p95 / stretch:.0f} ms at p95")
        server.close()
        engine.dispose()


if __name__ == "__main__":
    main()
