"""`meniscope results` as a user meets it."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import invented_boards as invented
import pytest

from models.limits import write_limits
from tests.command_line import run
from vision.cli._results_list import fitted
from vision.cli.results import LIST_COLUMNS
from vision.records import open_database
from vision.records.schema import SCHEMA_VERSION

ROOT = Path(__file__).parents[2]


@pytest.fixture
def recorded(tmp_path: Path) -> str:
    """Return a database with six boards."""
    engine = open_database(tmp_path / "r.sqlite")
    for number in range(6):
        invented.save(engine, invented.inspection(f"B{number:04d}", bad=number % 3 == 0, minute=number))
    engine.dispose()
    return str(tmp_path / "r.sqlite")


def test_list_show_totals(recorded: str) -> None:
    rows = json.loads(run("results", "list", "--db", recorded, "--json").stdout)
    assert [row["serial"] for row in rows] == [f"B{n:04d}" for n in range(5, -1, -1)]
    assert len(json.loads(run("results", "list", "--db", recorded, "--json", "--finding", "bridge").stdout)) == 2
    late = run("results", "list", "--db", recorded, "--json", "--since", "2026-03-02T06:04:00+00:00")
    assert len(json.loads(late.stdout)) == 2
    shown = run("results", "show", "B0003", "--db", recorded).stdout
    assert "board B0003 of family sample-1 (revision 1): reject" in shown
    assert "partial wetting (coverage 212 deg, needs at least 270 deg)" in shown
    assert "partial wetting (coverage 274 deg, within 8 deg of the limit 270 deg)" in shown
    assert "J1.8" not in shown
    assert "J1.8" in run("results", "show", "B0003", "--all", "--db", recorded).stdout
    assert json.loads(run("results", "show", "B0003", "--json", "--db", recorded).stdout)["joint_results"][0][
        "uncertainty"] == {"coverage_deg": 2, "toe_radius_mm": 0.0123}
    totals = json.loads(run("results", "totals", "--db", recorded, "--json").stdout)
    assert totals["boards"] == {"accept": 4, "review": 0, "reject": 2, "ungraded": 0}
    assert totals["findings"][0] == {"finding": "partial_wetting", "findings": 4, "review": 2, "boards": 2,
                                     "indicators": 0, "indicator_boards": 0}


def test_tables_tell_findings_in_words_and_programs_their_names(recorded: str) -> None:
    for command in (("list",), ("totals",), ("show", "B0003", "--all")):
        table = run("results", *command, "--db", recorded).stdout
        assert "partial wetting" in table
        assert "partial_wetting" not in table
    for form in ("--json", "--csv"):
        assert "partial_wetting" in run("results", "totals", "--db", recorded, form).stdout
    for name in ("partial_wetting", "partial wetting", "Partial-Wetting"):  # what was read may be typed
        assert len(json.loads(run("results", "list", "--db", recorded, "--finding", name, "--json").stdout)) == 2


def test_indicators_are_told_apart_from_findings(recorded: str) -> None:
    told = run("results", "totals", "--db", recorded, "--finding", "blowhole").stdout
    assert told.startswith("boards with blowhole, by the verdict of the whole board: 4 accept, 0 review, 2 reject, "
                           "0 ungraded\nBoards without are not counted, so that this is no yield.\n")
    at_pot = run("results", "totals", "--db", recorded, "--pot", "pot 1", "--finding", "bridge").stdout
    assert at_pot.startswith("boards with bridge at pot pot 1, by the verdict of the whole board: 0 accept,")
    assert run("results", "totals", "--db", recorded).stdout.startswith("4 accept, 0 review, 2 reject, 0 ungraded\n\n")
    assert re.search(r"^finding +findings +review +boards +indicators +boards with one$", told, re.M)
    assert re.search(r"^blowhole +0 +0 +0 +6 +6$", told, re.M)
    assert "indicators" not in run("results", "totals", "--db", recorded, "--finding", "bridge").stdout
    assert run("results", "totals", "--db", recorded, "--csv").stdout.splitlines()[0] == (
        "finding,findings,review,boards,indicators,indicator_boards")
    listed = run("results", "list", "--db", recorded, "--finding", "blowhole", "--limit", "1").stdout
    assert re.search(r"findings +indicators\n.*\n.* blowhole 1$", listed, re.M)


@pytest.mark.parametrize("width", [76, 90, 110, 125])
def test_in_a_terminal_the_list_fits_its_width(recorded: str, monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    whole = run("results", "list", "--db", recorded).stdout
    monkeypatch.setattr("vision.cli.results.terminal_width", lambda: width)
    result = run("results", "list", "--db", recorded)
    lines = result.stdout.splitlines()
    assert max(len(line) for line in lines) <= width < max(len(line) for line in whole.splitlines())
    assert len(lines) == len(whole.splitlines())
    assert all(name in lines[0] for name in ("id", "graded (UTC)", "serial", "verdict", "findings"))
    left = [name for name in ("ungraded", "family", "joints", "indicators", "review") if name not in lines[0]]
    assert ("left out for want of width" in result.stderr) == bool(left)
    assert all(name in result.stderr for name in left)
    assert "2026-03-02 06:05" in result.stdout
    names = list(json.loads(run("results", "list", "--db", recorded, "--json").stdout)[0])
    assert run("results", "list", "--db", recorded, "--csv").stdout.splitlines()[0] == ",".join(names)
    assert {"family", "joints", "ungraded", "indicators"} <= set(names)


def test_a_column_that_tells_boards_apart_goes_last() -> None:
    rows = [{"id": n, "started_at": "2026-03-02T06:00:00.000Z", "serial": "B1", "family": f"family-{n}",
             "verdict": "reject", "joints": 9, "reject": 1, "review": 0, "ungraded": 0, "open": 1,
             "findings": "bridge 1, solder_ball 2, solder_projection 1, partial_wetting 3"} for n in range(2)]
    columns = [column for column in LIST_COLUMNS if column.name in rows[0]]
    made, kept, gone = fitted(rows, columns, 90)
    assert [column.name for column in gone] == ["ungraded", "joints"]
    assert "family" in [column.name for column in kept]
    assert made[0]["findings"].endswith("…") and made[0]["findings"] != rows[0]["findings"]
    assert fitted(rows, columns, 400) == ([row | {"started_at": "2026-03-02 06:00"} for row in rows], columns, [])


def test_a_long_list_is_shortened_in_a_table_only(recorded: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vision.cli.results.NEWEST", 4)
    result = run("results", "list", "--db", recorded)
    assert result.stderr == "the newest 4 boards are shown; --limit N shows more, --json and --csv show all\n"
    assert "B0002" in result.stdout
    assert "B0001" not in result.stdout
    assert "B0000" in run("results", "list", "--db", recorded, "--limit", "6").stdout
    assert len(json.loads(run("results", "list", "--db", recorded, "--json").stdout)) == 6


@pytest.mark.parametrize(("arguments", "code", "message"), [
    (["list", "--since", "yesterday"], 2, "'yesterday' is no time: wanted 2026-03-31, 2026-03-31T14:00, or"),
    (["list", "--since", "9999999d"], 2, "'9999999d' is too long ago: that lies before the year 1; wanted a time like"),
    (["totals", "--since", "2026-03-02", "--until", "2026-03-01"], 2, "is not before --until"),
    (["list", "--finding", "rust"], 2, "'rust' is not one of 'no_solder'"),
    (["totals", "--pot", "P9"], 1, "error: pot: got 'P9', wanted one of the records: pot 1, pot 2"),
    (["list", "--pot", "pot 3"], 1, "error: pot: got 'pot 3', wanted one of the records: pot 1, pot 2"),
    (["export", "--family", "sample"], 1, "error: family: got 'sample', wanted one of the records: sample-1"),
    (["show", "B9999"], 1, "error: B9999: no board with this serial, and no such inspection; see `meniscope "),
    (["sql", ""], 1, 'error: sql: got an empty statement, wanted for example "SELECT * FROM inspection LIM'),
    (["sql", "SELECT 1; SELECT 2"], 1, "error: sql: You can only execute one statement at a time."),
    (["sql", "DELETE FROM finding"], 1, "error: sql: attempt to write a readonly database; only reading"),
    (["sql", "PRAGMA user_version = 5"], 1, "error: sql: attempt to write a readonly database"),
    (["sql", "SELECT nosuch FROM unit"], 1, "error: sql: no such column: nosuch"),
    (["export", "--format", "parquet"], 2, "--format parquet needs --out FILE"),
    (["backup", "{db}"], 1, "r.sqlite: the file is there already; name a new one"),
    (["restore", "/no/such/file"], 1, "error: restore /no/such/file: no such file"),
    (["deliver", "ftp://x"], 1, "error: hand-over ftp://x: got an address that is neither http:// nor https://"),
])
def test_refusals(recorded: str, arguments: list[str], code: int, message: str) -> None:
    filled_in = [recorded if argument == "{db}" else argument for argument in arguments]
    result = run("results", *filled_in, "--db", recorded, code=code)
    assert message in result.stderr
    assert "Traceback" not in result.output


def test_the_example_of_a_pot_is_one_of_the_demo() -> None:
    """What the help shows can be typed after `meniscope demo`."""
    from synthetic_images.demo import demo_family

    named = re.search(r"results totals .*--pot (\S+)", run("results", "--help").stdout)
    assert named is not None
    assert named[1] in {joint.pot for joint in demo_family().joints}


def test_sql_reads(recorded: str) -> None:
    statement = "SELECT verdict, count(*) AS boards FROM inspection GROUP BY verdict ORDER BY verdict"
    rows = json.loads(run("results", "sql", statement, "--db", recorded, "--json").stdout)
    assert rows == [{"verdict": "accept", "boards": 4}, {"verdict": "reject", "boards": 2}]
    twice = json.loads(run("results", "sql", "SELECT 1 AS a, 2 AS a", "--db", recorded, "--json").stdout)
    assert twice == [{"a": 1, "a_2": 2}]


def test_export_verify_regrade(recorded: str, tmp_path: Path) -> None:
    out = tmp_path / "joints.csv"
    run("results", "export", "--kind", "joints", "--db", recorded, "--out", str(out))
    assert len(list(csv.DictReader(io.StringIO(out.read_text())))) == 48
    none = run("results", "export", "--db", recorded, "--out", str(tmp_path / "joints.xlsx"), code=2)
    assert "got a file that ends in .xlsx, wanted .csv, .jsonl or .parquet" in none.stderr
    assert not (tmp_path / "joints.xlsx").exists()
    message = json.loads(run("results", "export", "--format", "ipc2591", "--db", recorded).stdout)
    assert len(message["MessageBody"]["InspectedUnits"]) == 6
    assert "no difference found" in run("results", "verify", "--db", recorded).stderr
    write_limits(invented.sheet(349.0), tmp_path / "other.toml")
    shown = run("results", "regrade", "--limits", str(tmp_path / "other.toml"), "--db", recorded)
    assert "6 boards judged anew, 6 change; nothing was written" in shown.stderr
    assert "J1.4 accept -> reject" in shown.stdout
    same = tmp_path / "same.toml"  # "0 boards judged anew" alone reads as if nothing was found
    write_limits(invented.sheet(), same)
    assert "6 boards were graded with this very sheet already" in run("results", "regrade", "--limits", same, "--db",
                                                                      recorded).stderr
    write_limits(replace(invented.sheet(349.0), family="another"), tmp_path / "foreign.toml")
    none = run("results", "regrade", "--limits", str(tmp_path / "foreign.toml"), "--db", recorded).stderr
    assert "no board is judged anew" in none
    assert "is for family another, and boards of another family are not judged by it" in none
    assert "recorded are boards of sample-1" in none
    assert "0 boards judged anew, 0 change; nothing was written" in none
    saved = run("results", "regrade", "--limits", str(tmp_path / "other.toml"), "--db", recorded, "--save", "--json")
    assert all(row["saved_as"] > 6 for row in json.loads(saved.stdout))
    run("results", "verify", "--db", recorded)


@pytest.mark.parametrize(("name", "more", "told"), [
    ("all.csv", (), "6 rows in {}"), ("all.jsonl", (), "6 rows in {}"), ("all.parquet", (), "6 rows in {}"),
    ("one.csv", ("--limit", "1"), "1 row in {}"), ("none.csv", ("--serial", "none"), "0 rows in {}"),
    ("all", (), "6 rows in {}, CSV"), ("all.txt", ("--format", "jsonl"), "6 rows in {}, JSON Lines"),
    ("all.json", ("--format", "ipc2591"), "1 message in {}, JSON Lines of IPC-2591 messages")])
def test_export_says_how_much_it_wrote(recorded: str, tmp_path: Path, name: str, more: tuple[str, ...],
                                       told: str) -> None:
    if name.endswith(".parquet"):
        pytest.importorskip("pyarrow")
    done = run("results", "export", "--db", recorded, "--out", str(tmp_path / name), *more)
    assert done.stderr == told.format(tmp_path / name) + "\n"


@pytest.mark.parametrize("name", ["kept.csv", "kept.parquet"])
def test_export_replaces_a_file_only_when_told_to(recorded: str, tmp_path: Path, name: str) -> None:
    if name.endswith(".parquet"):
        pytest.importorskip("pyarrow")
    place = tmp_path / name
    place.write_text("kept")
    arguments = ("results", "export", "--db", recorded, "--out", str(place))
    told = run(*arguments, code=1).stderr
    assert told == f"error: {place}: there already; name a new file with --out, or --force to replace it\n"
    assert place.read_text() == "kept"
    run(*arguments, "--force")
    assert place.read_bytes() != b"kept"
    assert "--force needs --out FILE" in run("results", "export", "--db", recorded, "--force", code=2).stderr


def test_verify_tells_of_differences(recorded: str) -> None:
    import sqlite3

    connection = sqlite3.connect(recorded)
    connection.execute("UPDATE inspection SET verdict = 'accept' WHERE id = 1")
    connection.commit()
    connection.close()
    result = run("results", "verify", "--db", recorded, "--json", code=3)
    assert json.loads(result.stdout) == [{"inspection_id": 1, "serial": "B0000", "place": "inspection",
                                          "what": "verdict of the board", "stored": "accept", "computed": "reject"}]


def test_backup_restore_upgrade_dictionary(recorded: str, tmp_path: Path) -> None:
    copy, new = str(tmp_path / "copy.sqlite"), str(tmp_path / "new.sqlite")
    run("results", "backup", copy, "--db", recorded)
    run("results", "restore", copy, "--db", new)
    before, after = (run("results", "list", "--db", db, "--json").stdout for db in (recorded, new))
    assert before == after
    told = run("results", "restore", copy, "--db", new, code=1).stderr
    assert told == f"error: restore: {new} is there already; move it away first\n"
    assert f"schema {SCHEMA_VERSION} is this program's already" in run("results", "upgrade", "--db", recorded).stderr
    assert run("results", "dictionary").stdout.startswith("# Data dictionary of the defect database\n")
    assert len(json.loads(run("results", "dictionary", "--json").stdout)) > 100


def test_help_of_every_command_is_complete() -> None:
    names = re.findall(r"^  (\w+) ", run("results", "--help").stdout.split("Commands:")[1], re.M)
    assert set(names) == {"list", "show", "totals", "export", "sql", "regrade", "verify", "backup", "restore",
                          "upgrade", "dictionary", "deliver"}
    for name in names:
        text = run("results", name, "--help").stdout
        for option in re.findall(r"^  (--[\w-]+).*$", text, re.M):
            after = text.split(f"  {option}", 1)[1].split("\n  --", 1)[0]
            assert re.search(r"[a-z]{3,}.*\.", after, re.S), f"{name} {option} is not explained"


def test_verify_names_the_pictures_that_are_gone(tmp_path: Path) -> None:
    """Ten of them, and how many more. A picture that is gone is no difference: the list on stdout stays empty."""
    engine = open_database(tmp_path / "r.sqlite")
    for number in range(12):
        invented.save(engine, invented.inspection(f"B{number:04d}", minute=number))
    engine.dispose()
    result = run("results", "verify", "--db", str(tmp_path / "r.sqlite"), "--json")
    assert json.loads(result.stdout) == []
    assert "pictures no longer in place:\n" in result.stderr
    for number in range(10):
        assert f"  /pictures/B{number:04d}_v1_a.png\n" in result.stderr
    assert "B0010" not in result.stderr
    assert "  and 2 more\n" in result.stderr
    assert "12 no longer in place" in result.stderr
