"""`meniscope review` and `meniscope rework` from the command line."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest
import rendered_boards as rendered
import review_boards as boards
from click.testing import CliRunner, Result
from sqlalchemy import Engine

from models.table import read_table
from synthetic_images.demo import demo_station
from vision.cli import main
from vision.review.decisions import Actor, Decision, decide
from vision.review.state import board_state
from vision.setup import write_family, write_station

ROOT = Path(__file__).resolve().parents[2]


def run(*arguments: str, text: str | None = None) -> Result:
    return CliRunner().invoke(main, list(arguments), input=text)


@pytest.fixture
def db(engine: Engine, tmp_path: Path) -> str:
    boards.save(engine, boards.inspection("B1", boards.MIXED))
    return str(tmp_path / "results.sqlite")


def test_rework_lists_stops_and_cautions_on_standard_output(db: str) -> None:
    """All of it is the sheet: a file or a printer must not lose the cautions."""
    done = run("rework", "B1", "--db", db)
    assert done.exit_code == 0
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    top = next(number for number, line in enumerate(lines) if line.split()[:2] == ["stop", "place"])
    assert [line.split()[0] for line in lines[top + 2:top + 5]] == ["1", "2", "4"]
    for words in ("J1.2 and J1.3", "not yet looked at by a person", "Hot iron:", "Fume extraction:",
                  "at most 3 s a contact", "no instruction",
                  "1 doubtful finding waits for a decision and is not on this sheet"):
        assert words in done.stdout


def test_rework_cautions_before_the_first_stop_and_says_the_side_once(db: str) -> None:
    said = run("rework", "B1", "--db", db).stdout
    assert said.index("Before the first stop: the iron is at") < said.index("stop  place") < said.index("Hot iron:")
    assert said.count("seen from the solder side") == 1


def test_rework_without_a_stop_does_not_speak_of_hot_irons(engine: Engine, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1", {"J1.5": [("partial_wetting", 274.0, "review")]}))
    done = run("rework", "B1", "--db", str(tmp_path / "results.sqlite"))
    assert done.stdout.splitlines()[1:] == ["nothing to mend", "1 doubtful finding waits for a decision and is not on "
                                            "this sheet"]
    assert done.stderr == ""


def test_rework_of_an_ungraded_board_says_that_it_is_not_accepted(engine: Engine, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1", verdict="ungraded"))
    db, told = str(tmp_path / "results.sqlite"), "could not be graded: no picture of view v1; it is not accepted"
    text = run("rework", "B1", "--db", db)
    assert f"board B1 {told}" in text.stdout
    assert "nothing to mend" not in text.stdout + text.stderr
    data = json.loads(run("rework", "B1", "--db", db, "--json").stdout)
    assert (data["verdict"], data["not_graded"], data["stops"]) == ("ungraded", told, [])
    run("rework", "B1", "--db", db, "--html", str(tmp_path / "sheet.html"))
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert f"This board {told}" in page
    assert "Nothing to mend" not in page


def test_rework_of_a_good_board_says_that_nothing_is_to_mend(engine: Engine, tmp_path: Path) -> None:
    boards.save(engine, boards.inspection("B1"))
    assert "nothing to mend\n" in run("rework", "B1", "--db", str(tmp_path / "results.sqlite")).stdout
    data = json.loads(run("rework", "B1", "--db", str(tmp_path / "results.sqlite"), "--json").stdout)
    assert (data["verdict"], data["not_graded"]) == ("accept", "")


def test_rework_prints_json_and_nothing_else_on_standard_output(db: str) -> None:
    data = json.loads(run("rework", "B1", "--db", db, "--json", "--side", "top").stdout)
    assert data["kind"] == "meniscope repair sheet"
    assert data["side"] == "top"
    assert [stop["number"] for stop in data["stops"]] == [1, 2, 4]


def test_rework_writes_a_sheet_with_pictures_in_it(engine: Engine, tmp_path: Path) -> None:
    rendered.render(tmp_path / "lot", "B7", bare=(0,))
    rendered.grade(engine, tmp_path / "lot")
    path = tmp_path / "sheet.html"
    done = run("rework", "B7", "--db", str(tmp_path / "results.sqlite"), "--html", str(path), "--turn", "90")
    assert done.exit_code == 0
    page = path.read_text(encoding="utf-8")
    assert len(re.findall(r'src="data:image/jpeg;base64,[A-Za-z0-9+/=]{2000,}"', page)) == 1
    assert "1. J1.1: no solder" in page


def test_a_repair_is_recorded_by_place(db: str, engine: Engine) -> None:
    done = run("rework", "B1", "--db", db, "--mended", "J1.2 and J1.3", "--by", "Bo", "--note", "wick")
    assert done.exit_code == 0
    assert "J1.2 and J1.3: mended by Bo." in done.stderr
    assert board_state(engine, 1).mended == 2
    again = run("rework", "B1", "--db", db, "--mended", "J1.2 and J1.3", "--by", "Bo")
    assert again.exit_code == 1
    assert "on it stand 'J1.1', 'C1'" in again.stderr or "on it stand 'C1', 'J1.1'" in again.stderr
    assert run("rework", "B1", "--db", db, "--mended", "C1").exit_code == 2


@pytest.mark.parametrize(("arguments", "message"), [
    (("--by", "anna", "--note", "wick"), "--by, --note: wanted with --mended PLACE only"),
    (("--action", "cleaned"), "--action: wanted with --mended PLACE only"),
    (("--turn", "90"), "--turn: wanted with --html FILE only"),
    (("--turn", "0", "--json"), "--turn: wanted with --html FILE only"),
    (("--mended", "C1", "--by", "Bo", "--side", "top", "--repair-limit", "3"),
     "--side, --repair-limit: wanted without --mended"),
    (("--mended", "C1", "--by", "Bo", "--json"), "--json: wanted without --mended"),
    (("--mended", "C1", "--by", "Bo", "--html", "sheet.html"), "--html: wanted without --mended"),
])
def test_options_that_would_be_passed_over_are_refused(db: str, engine: Engine, arguments: tuple[str, ...],
                                                       message: str) -> None:
    done = run("rework", "B1", "--db", db, *arguments)
    assert done.exit_code == 2
    assert message in done.stderr
    assert done.stdout == ""
    assert board_state(engine, 1).mended == 0


@pytest.mark.parametrize(("arguments", "message"), [
    (("rework", "NO-SUCH"), "no board with this serial"),
    (("rework", "B1", "--inspection", "9"), "inspection 9: not in this database"),
    (("review", "remove-person", "Eve"), "person 'Eve': not in this database"),
    (("review", "add-person", "Eve", "--password-stdin"), "wanted 10 to 200"),
    (("review", "--host", "0.0.0.0"), "nobody has a password"),
    (("review", "--behind-tls", "127.0.0.1"), "nobody has a password"),
])
def test_what_cannot_be_done_is_told_in_one_line(db: str, arguments: tuple[str, ...], message: str) -> None:
    command, *rest = arguments
    done = run(command, *rest, "--db", db, text="short\n") if command == "rework" else run(
        "review", "--db", db, *rest, text="short\n")
    assert done.exit_code == 1
    assert message in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_database_that_is_not_there_is_told(tmp_path: Path) -> None:
    for command in (("rework", "B1"), ("review",)):
        done = run(*command, "--db", str(tmp_path / "no.sqlite"))
        assert done.exit_code == 1
        assert "no such file" in done.stderr
        assert not (tmp_path / "no.sqlite").exists()


def test_people_are_added_changed_listed_and_removed(db: str) -> None:
    add = ("review", "--db", db, "add-person", "anna", "--password-stdin")
    assert run(*add, text="three green boats\n").exit_code == 0
    assert run(*add, "--may-settle", text="four green boats\n").exit_code == 0
    (row,) = json.loads(run("review", "--db", db, "people", "--json").stdout)
    assert (row["name"], row["may_settle"]) == ("anna", True)
    assert "boats" not in run("review", "--db", db, "audit").stdout
    assert run("review", "--db", db, "remove-person", "anna").exit_code == 0
    assert json.loads(run("review", "--db", db, "people", "--json").stdout) == []
    actions = [row["action"] for row in json.loads(run("review", "--db", db, "audit", "--json").stdout)]
    assert actions == ["user removed", "user changed", "user added"]


def test_samples_go_out_as_a_table_for_training(db: str, engine: Engine, tmp_path: Path) -> None:
    found = boards.findings(engine, 1)
    decide(engine, found["J1.2 bridge"], Decision("real"), Actor("Ada"), version=0)
    decide(engine, found["J1.5 partial_wetting"], Decision("false_call"), Actor("Ada"), version=0)
    decide(engine, found["J1.1 solder_ball"], Decision("cannot_tell"), Actor("Ada"), version=0)
    decide(engine, found["J1.1 partial_wetting"], Decision("real"), Actor("Ada"), version=0)
    out = tmp_path / "reviewed.csv"
    done = run("review", "--db", db, "samples", "--family", "invented-9", "--out", str(out), "--json")
    rows = {row["place"]: row for row in json.loads(done.stdout)}
    assert (rows["J1.2"]["labels"], rows["J1.2"]["reviewers"]) == ("bridge", "Ada")
    assert rows["J1.5"]["labels"] == "good"
    assert rows["J1.1"]["left_out"] == "somebody could not tell"
    assert read_table(out, "joint").findings == (("bridge",), ("bridge",), ())


def test_training_takes_reviewed_joints_from_a_database(db: str, engine: Engine, tmp_path: Path) -> None:
    found = boards.findings(engine, 1)
    decide(engine, found["J1.2 bridge"], Decision("real"), Actor("Ada"), version=0)
    decide(engine, found["J1.5 partial_wetting"], Decision("false_call"), Actor("Ada"), version=0)
    write_family(boards.family(), tmp_path / "family")
    write_station(demo_station(), tmp_path / "station.toml")
    done = run("train", str(tmp_path / "family"), "--station", str(tmp_path / "station.toml"), "--boards", "4",
               "--jobs", "1", "--out", str(tmp_path / "limits.toml"), "--with-reviews", db, "--review-weight", "5")
    assert done.exit_code == 0, done.stderr
    assert "3 reviewed joints" in done.stderr
    assert (tmp_path / "limits.toml").is_file()


def test_without_the_extra_it_says_what_to_install(db: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "waitress", None)
    done = run("review", "--db", db)
    assert done.exit_code == 1
    assert "needs the extra `review`: pip install '.[review]' in the source folder" in done.stderr


def test_the_page_is_served_on_this_machine_alone_until_it_is_stopped(db: str) -> None:
    pytest.importorskip("waitress", reason="the extra `review` is not installed")
    program = [sys.executable, "-c", "from vision.cli import main; main()", "review", "--db", db, "--port", "0"]
    with subprocess.Popen(program, cwd=ROOT, stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        try:
            address = re.search(r"http://127\.0\.0\.1:\d+", server.stderr.readline())
            assert address is not None
            with urllib.request.urlopen(address[0], timeout=20) as answer:
                assert "Who are you?" in answer.read().decode()
                assert answer.headers.get("Server") in (None, "")
        finally:
            server.send_signal(signal.SIGINT)
            rest = server.stderr.read()
        assert server.wait(30) == 0
    assert "Traceback" not in rest


@pytest.mark.parametrize("command", [("people",), ("audit",), ("samples", "--family", "invented-9")])
def test_the_database_may_be_named_before_and_behind_a_sub_command(db: str, command: tuple[str, ...],
                                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(Path(db).parent.parent)
    monkeypatch.delenv("MENISCOPE_DB", raising=False)
    before, behind = run("review", "--db", db, *command, "--json"), run("review", *command, "--db", db, "--json")
    assert before.exit_code == behind.exit_code == 0, behind.stderr
    assert before.stdout == behind.stdout
    other = run("review", "--db", db, *command, "--db", "absent.sqlite")
    assert other.exit_code == 1
    assert "absent.sqlite" in other.stderr  # what stands nearer counts
    monkeypatch.setenv("MENISCOPE_DB", db)
    assert run("review", *command, "--json").stdout == before.stdout


def test_help_says_how_it_is_used() -> None:
    for command in ("review", "rework"):
        done = run(command, "--help")
        assert done.exit_code == 0
        assert "--db" in done.stdout
