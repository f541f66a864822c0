"""Dispositions reach the handling system at least once, in order, whatever fails, and never hold grading up."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import invented_boards as invented
import pytest
from sqlalchemy import Engine, func, select

from vision.records import RecordsError
from vision.records.database import reading
from vision.records.handover import (
    BATCH,
    Courier,
    append_lines,
    checked_target,
    deliver_waiting,
    deliverer,
    post,
    waiting,
)
from vision.records.schema import Handover


def unused(text: str) -> None:
    raise AssertionError(f"nothing is to be printed here: {text}")


class Receiver:
    """A handling system that can be down."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.answer = 200
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"])).decode()
                if outer.answer == 200:
                    outer.lines.append(body)
                self.send_response(outer.answer)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_args: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self.server.server_port}/boards"
        self.thread = threading.Thread(target=self.server.serve_forever)
        self.thread.start()

    def close(self) -> None:
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    made = Receiver()
    yield made
    made.close()


def test_the_line_says_what_the_handler_needs(engine: Engine) -> None:
    invented.save(engine, invented.inspection("B1", bad=True), targets=("-",))
    with reading(engine) as connection:
        line = json.loads(connection.execute(select(Handover.body)).scalar_one())
    assert set(line) == {"id", "serial", "family", "verdict", "at", "reason", "findings"}
    assert (line["serial"], line["family"], line["verdict"]) == ("B1", "sample-1", "reject")
    assert [item["place"] for item in line["findings"]] == ["J1.1", "J1.2", "J1.3"]  # indicators are not told
    assert line["findings"][0] == {"place": "J1.1", "finding": "partial_wetting", "verdict": "reject",
                                   "measure": "coverage_deg", "value": 212.25, "limit": 270.0, "unit": "deg",
                                   "x_mm": 3.0, "y_mm": 5.0}


def test_a_skipped_board_is_not_handed_over_twice(engine: Engine) -> None:
    for _ in range(2):
        invented.save(engine, invented.inspection("B1"), targets=("-",))
    assert waiting(engine) == 1


def test_file_gets_whole_lines_in_order(engine: Engine, tmp_path: Path) -> None:
    target = checked_target(str(tmp_path / "out.jsonl"))
    for number in range(BATCH + 20):
        invented.save(engine, invented.inspection(f"B{number:04d}"), targets=(target,))
    deliver = deliverer(target, unused)
    assert deliver_waiting(engine, target, deliver) == BATCH
    assert deliver_waiting(engine, target, deliver) == 20
    assert deliver_waiting(engine, target, deliver) == 0
    serials = [json.loads(line)["serial"] for line in Path(target).read_text().splitlines()]
    assert serials == [f"B{number:04d}" for number in range(BATCH + 20)]


def test_a_line_torn_by_a_crash_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "out.jsonl"
    path.write_text('{"serial":"B1"}\n{"ser')
    append_lines(path, ['{"serial":"B2"}'])
    assert path.read_text() == '{"serial":"B1"}\n{"ser\n{"serial":"B2"}\n'


def test_post_reaches_an_address(engine: Engine, receiver: Receiver) -> None:
    courier = Courier(engine, receiver.address, deliverer(receiver.address, unused))
    for number in range(5):
        invented.save(engine, invented.inspection(f"B{number}"), targets=(receiver.address,))
        courier.wake()
    courier.close(10.0)
    assert [json.loads(line)["serial"] for line in receiver.lines] == [f"B{number}" for number in range(5)]
    assert waiting(engine) == 0


@pytest.mark.parametrize(("answer", "problem"), [(500, "answered 500 Internal Server Error"), (404, "answered 404")])
def test_a_receiver_that_refuses_is_tried_again(engine: Engine, receiver: Receiver, answer: int, problem: str) -> None:
    receiver.answer = answer
    invented.save(engine, invented.inspection("B1"), targets=(receiver.address,))
    deliver = deliverer(receiver.address, unused)
    with pytest.raises(OSError, match=problem):
        deliver_waiting(engine, receiver.address, deliver)
    with reading(engine) as connection:
        row = connection.execute(select(Handover.attempts, Handover.problem, Handover.delivered_at)).one()
    assert (row.attempts, row.delivered_at) == (1, None)
    assert row.problem.startswith(problem)
    receiver.answer = 200
    courier = Courier(engine, receiver.address, deliver)
    courier.close(10.0)
    assert len(receiver.lines) == 1


def test_nobody_listens(engine: Engine) -> None:
    with pytest.raises(OSError, match="refused"):
        post("http://127.0.0.1:1/x", "{}")


def test_grading_is_never_held_up(engine: Engine) -> None:
    """A receiver that takes for ever does not slow the writing of boards down."""
    release, returned = threading.Event(), threading.Event()

    def stuck(lines: Sequence[str]) -> int:
        release.wait(300.0)
        returned.set()
        return len(lines)

    invented.save(engine, invented.inspection("B0"), targets=("stuck",))
    courier = Courier(engine, "stuck", stuck)
    for number in range(1, 20):
        invented.save(engine, invented.inspection(f"B{number}"), targets=("stuck",))
        courier.wake()
    assert not returned.is_set()  # all boards are written while the receiver still holds the first line
    release.set()
    courier.close(10.0)
    assert waiting(engine) == 0


def test_what_waits_survives_a_restart(engine: Engine, receiver: Receiver) -> None:
    def down(lines: Sequence[str]) -> int:
        raise OSError("down")

    first = Courier(engine, receiver.address, down)
    for number in range(3):
        invented.save(engine, invented.inspection(f"B{number}"), targets=(receiver.address,))
    first.close(0.2)
    assert first.problem == "down"
    assert waiting(engine, receiver.address) == 3
    second = Courier(engine, receiver.address, deliverer(receiver.address, unused))
    second.close(10.0)
    assert [json.loads(line)["serial"] for line in receiver.lines] == ["B0", "B1", "B2"]


def test_a_crash_after_delivery_gives_a_double_with_the_same_id(engine: Engine) -> None:
    """At least once: what was delivered but not noted comes again, and its id tells."""
    got: list[str] = []

    def crashes(lines: Sequence[str]) -> int:
        got.extend(lines)
        raise KeyboardInterrupt  # stands for the end of the process between delivery and note

    invented.save(engine, invented.inspection("B1"), targets=("x",))
    with pytest.raises(KeyboardInterrupt):
        deliver_waiting(engine, "x", crashes)
    deliver_waiting(engine, "x", lambda lines: got.extend(lines) or len(lines))  # type: ignore[func-returns-value]
    assert len(got) == 2
    assert json.loads(got[0])["id"] == json.loads(got[1])["id"]


def test_targets_do_not_mix(engine: Engine) -> None:
    invented.save(engine, invented.inspection("B1"), targets=("x", "y"))
    assert deliver_waiting(engine, "x", len) == 1
    assert (waiting(engine, "x"), waiting(engine, "y"), waiting(engine)) == (0, 1, 1)
    with reading(engine) as connection:
        assert connection.execute(select(func.count()).select_from(Handover.__table__)).scalar_one() == 2


@pytest.mark.parametrize(("target", "message"), [
    ("ftp://x/y", "hand-over ftp://x/y: got an address that is neither http:// nor https://"),
    ("/", "hand-over /: got a folder, wanted a file"),
    ("/no/such/out.jsonl", "hand-over /no/such/out.jsonl: no folder /no/such; make it first"),
])
def test_targets_that_are_none(target: str, message: str) -> None:
    with pytest.raises(RecordsError) as caught:
        checked_target(target)
    assert str(caught.value) == message
