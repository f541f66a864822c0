"""`meniscope grade` as a user meets it."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import invented_boards as invented
import pytest

from models.criteria import workmanship_rules
from models.limits import LimitSheet, write_limits
from tests.command_line import run
from vision.setup import write_family, write_station

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Bench:
    """A folder with everything that grading takes."""

    folder: Path

    def files(self, *more: str, pictures: str = "pictures", db: str = "r.sqlite") -> list[str]:
        place = self.folder
        return ["grade", str(place / pictures), "--family", str(place / "family"), "--station",
                str(place / "station.toml"), "--limits", str(place / "limits.toml"), "--db", str(place / db),
                "--jobs", "2", *more]


@pytest.fixture(scope="session")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Render three boards once; gives the folder with pictures, family, station and a limit sheet."""
    from synthetic_images.demo import demo_family, demo_station
    from synthetic_images.lot import render_lot

    folder = tmp_path_factory.mktemp("rendered")
    family = demo_family()
    write_family(family, folder / "family")
    write_station(demo_station(), folder / "station.toml")
    write_limits(LimitSheet(workmanship_rules(2), family.name, 2), folder / "limits.toml")
    render_lot(family, demo_station(), folder / "pictures", boards=3, seed=5, defect_rate=0.15)
    return folder


@pytest.fixture
def bench(rendered: Path, tmp_path: Path) -> Bench:
    """Return a copy of the rendered boards."""
    shutil.copytree(rendered, tmp_path / "bench")
    return Bench(tmp_path / "bench")


@pytest.fixture
def junk(tmp_path: Path) -> Bench:
    """Return boards of the invented family whose pictures are no pictures: quickly ungraded."""
    folder = tmp_path / "junk"
    (folder / "pictures").mkdir(parents=True)
    write_family(invented.family(), folder / "family")
    write_station(invented.station(), folder / "station.toml")
    write_limits(invented.sheet(), folder / "limits.toml")
    for number in range(4):
        (folder / "pictures" / f"B{number}_v1_a.png").write_bytes(b"no picture %d" % number)
    return Bench(folder)


def test_grade_records_every_board_and_goes_on(bench: Bench) -> None:
    first = run(*bench.files("--json", "--overlays", str(bench.folder / "seen")))
    rows = json.loads(first.stdout)
    assert [row["serial"] for row in rows] == ["B0001", "B0002", "B0003"]
    assert all(row["joints"] == 42 and not row["skipped"] for row in rows)
    assert any(row["verdict"] == "reject" for row in rows)
    for row in rows:
        assert (row["verdict"] == "reject") == any(item["verdict"] == "reject" for item in row["findings"])
    assert len(list((bench.folder / "seen").iterdir())) >= 3
    second = run(*bench.files("--json"))
    assert [row | {"skipped": False} for row in json.loads(second.stdout)] == rows
    assert "3 of them graded before" in second.stderr
    run("results", "verify", "--db", str(bench.folder / "r.sqlite"))


def test_table_says_why_in_words(bench: Bench) -> None:
    result = run(*bench.files())
    assert re.search(r"^serial +verdict +joints +reject +review +ungraded +what was found$", result.stdout, re.M)
    assert re.search(r"J\d+\.\d+ \w[\w -]*(?: to J\d+\.\d+)? \(\w[\w ]* -?[\d.]+ ?(?:deg|mm|%)?, "
                     r"needs at (?:least|most) ", result.stdout)
    assert re.search(r"^3 boards: \d accept, \d review, \d reject, 0 ungraded$", result.stderr, re.M)


def test_bad_pictures_become_ungraded_boards_and_the_rest_goes_on(bench: Bench) -> None:
    pictures = bench.folder / "pictures"
    good = next(pictures.glob("B0001_*.png"))
    whole = good.read_bytes()
    ends = good.name.removeprefix("B0001")
    for serial, content in {"empty": b"", "text": b"hello", "cut": whole[: len(whole) // 2],
                            "flipped": whole[:5000] + bytes(b ^ 0x55 for b in whole[5000:5400]) + whole[5400:]}.items():
        (pictures / f"{serial}{ends}").write_bytes(content)
    (pictures / "stranger.png").write_bytes(whole)
    result = run(*bench.files("--csv", "--fail-on", "ungraded"), code=3)
    rows = {row["serial"]: row for row in csv.DictReader(io.StringIO(result.stdout))}
    assert {serial for serial, row in rows.items() if row["verdict"] == "ungraded"} >= {"empty", "text", "cut"}
    for serial in ("empty", "text", "cut"):
        assert rows[serial]["reason"].startswith(f"{serial}{ends}: ")
    assert all(rows[serial]["verdict"] != "ungraded" for serial in ("B0001", "B0002", "B0003"))
    assert "caution: 1 picture does not fit the file names" in result.stderr
    assert "stranger.png" in result.stderr


def test_exit_codes(junk: Bench) -> None:
    run(*junk.files())
    run(*junk.files("--fail-on", "reject"))
    run(*junk.files("--fail-on", "reject", "--fail-on", "ungraded"), code=3)
    run(*junk.files("--fail-on", "nothing"), code=2)
    run(*junk.files("--json", "--csv"), code=2)
    run(*junk.files("--hand-over", "-", "--json"), code=2)


def test_the_end_of_watching_tells_what_was_not_graded(junk: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A board whose second exposure never came was not mentioned at all."""
    from vision.records import watch
    from vision.setup import Light, Station

    write_station(Station("bench", 0.02, "{serial}_{view}_{exposure}.png", (
        Light("high", "a", "blue", (8.0, 24.0)), Light("low", "b", "red", (50.0, 70.0)))), junk.folder / "station.toml")
    monkeypatch.setattr(watch, "arriving", lambda *arguments: iter(()))  # Ctrl-C at once
    (junk.folder / "pictures" / "stray.png").write_bytes(b"")
    told = run(*junk.files("--watch")).stderr
    assert "caution: 4 boards in " in told
    assert "are not graded yet: B0 (no picture of view v1, exposure b), B1 (" in told
    assert "the same command takes them up" in told
    assert told.count("left out: stray.png") == 2  # at the beginning, and at the end


@pytest.mark.parametrize(("change", "message"), [
    (lambda b: shutil.rmtree(b.folder / "pictures"), r"error: .*pictures: got no such folder, wanted a folder"),
    (lambda b: [p.unlink() for p in (b.folder / "pictures").iterdir()],
     r"error: .*pictures: no picture is named after '\{serial\}_\{view\}_\{exposure\}\.png', the pattern .*"
     r"wanted names like B0001_v1_a\.png, and there is no picture at all in this folder"),
    (lambda b: (b.folder / "station.toml").write_text("name = "), r"error: .*station\.toml: got broken TOML"),
    (lambda b: (b.folder / "limits.toml").unlink(), r"error: .*limits\.toml: got no such file or directory"),
    (lambda b: (b.folder / "r.sqlite").write_bytes(b"not a database" * 100),
     r"error: database .*r\.sqlite: the file is no SQLite database; name another file"),
    (lambda b: (b.folder / "r.sqlite").mkdir(), r"error: database .*r\.sqlite: got a folder, wanted a file"),
    (lambda b: (b.folder / "family" / "joints.csv").write_bytes(b"\xff\xfe"),
     r"error: .*joints\.csv: byte 0: got text"),
])
def test_what_cannot_run_says_so_and_writes_nothing(junk: Bench, change: object, message: str) -> None:
    change(junk)  # type: ignore[operator]
    result = run(*junk.files(), code=1)
    assert re.match(message, result.stderr), result.stderr
    assert result.stdout == ""
    assert "Traceback" not in result.stderr


def test_hand_over_to_standard_output_and_file(junk: Bench) -> None:
    lines = [json.loads(line) for line in run(*junk.files("--hand-over", "-")).stdout.splitlines()]
    assert sorted(line["serial"] for line in lines) == ["B0", "B1", "B2", "B3"]
    assert all(line["verdict"] == "ungraded" and line["reason"] for line in lines)
    target = junk.folder / "out.jsonl"
    run(*junk.files("--again", "--hand-over", str(target)))
    assert len(target.read_text().splitlines()) == 4


def test_an_address_that_is_down_never_stops_grading(junk: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vision.cli.grade.LAST_DELIVERY_SECONDS", 0.1)
    result = run(*junk.files("--hand-over", "http://127.0.0.1:1/boards"))
    assert "caution: 4 disposition lines wait for http://127.0.0.1:1/boards (" in result.stderr
    db = str(junk.folder / "r.sqlite")
    told = run("results", "deliver", "http://127.0.0.1:1/boards", "--db", db, code=1).stderr
    assert re.match(r"error: hand-over http://127\.0\.0\.1:1/boards: .*refused.*; 0 lines delivered, 4 wait$", told)


def start(bench: Bench, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-c", "from vision.cli import main; main()", *bench.files(*more)],
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
                            env=os.environ | {"PYTHONPATH": str(ROOT)})


def test_watch_grades_what_arrives_until_ctrl_c(junk: Bench) -> None:
    process = start(junk, "--watch")
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(4)]
    (junk.folder / "pictures" / "B9_v1_a.png").write_bytes(b"later")
    lines.append(process.stdout.readline())
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the workers too
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert [line.split()[:2] for line in [*lines, *out.splitlines()]][-1] == ["B9", "ungraded"]
    assert "stopping after the boards in hand" in err
    assert "5 boards: 0 accept, 0 review, 0 reject, 5 ungraded" in err
    assert "Traceback" not in err


def test_ctrl_c_stops_cleanly_and_the_next_run_goes_on(junk: Bench) -> None:
    for number in range(400):
        (junk.folder / "pictures" / f"C{number}_v1_a.png").write_bytes(b"no picture %d" % number)
    process = start(junk)
    db = junk.folder / "r.sqlite"
    end = time.monotonic() + 60
    while time.monotonic() < end and (not db.exists() or boards(db) == 0):
        time.sleep(0.02)
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert "Traceback" not in err
    if process.returncode == 0:
        pytest.skip("this machine graded 404 boards before it could be stopped")
    assert process.returncode == 130
    done = boards(db)
    assert re.search(rf"^stopped: {404 - done} boards are left; the same command goes on$", err, re.M), err
    result = run(*junk.files("--json"))
    assert sum(row["skipped"] for row in json.loads(result.stdout)) == done
    assert boards(db) == 404


def boards(db: Path) -> int:
    import sqlite3

    connection = sqlite3.connect(db, timeout=10)
    try:
        return int(connection.execute("SELECT count(*) FROM inspection").fetchone()[0])
    except sqlite3.OperationalError:
        return 0  # the tables are being made
    finally:
        connection.close()
