"""What all commands share: help without heavy imports, one clear error, tables, colours, progress."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import vision
from models.errors import InputError, MeniscopeError, Problem, some
from vision.cli import COMMANDS, main
from vision.cli._common import Column, many, print_rows, progress, rows_options, table_text

HEAVY = ("cv2", "numpy", "sqlalchemy", "pydantic", "sklearn", "scipy", "skimage", "alembic", "jinja2")


def run_python(code: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run code in a fresh interpreter, so that what it imports is known."""
    import os

    return subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False,
                          env={**os.environ, **environment}, cwd=Path(__file__).resolve().parents[2])


@pytest.mark.parametrize("arguments", [["--help"], ["-h"], ["--version"], []])
def test_help_comes_without_heavy_imports(arguments: list[str]) -> None:
    code = (f"import sys\nfrom vision.cli import main\ntry:\n    main({arguments!r})\nexcept SystemExit:\n    pass\n"
            f"print('loaded:', [name for name in {HEAVY!r} if name in sys.modules])")
    done = run_python(code)
    assert "loaded: []" in done.stdout, done.stdout + done.stderr


def test_help_of_every_command_comes_without_heavy_imports() -> None:
    code = f"""
import sys
from vision.cli import COMMANDS, main
for name in COMMANDS:
    try:
        main([name, "--help"])
    except SystemExit as end:
        assert end.code == 0, name
    print(name, "loaded:", [heavy for heavy in {HEAVY!r} if heavy in sys.modules])
"""
    done = run_python(code)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("loaded: []") == len(COMMANDS), done.stdout


def test_help_lists_every_command_with_a_line() -> None:
    text = CliRunner().invoke(main, ["--help"]).output
    for name, entry in COMMANDS.items():
        assert f"\n  {name} " in text
        assert entry.help.split(".")[0][:40] in text


def test_version() -> None:
    assert CliRunner().invoke(main, ["--version"]).output == f"meniscope {vision.__version__}\n"


@pytest.mark.parametrize("arguments", [["nonsense"], ["station"], ["station", "show"], ["family", "joints", "--colour"],
                                       ["family", "joints", "x", "--json", "--csv"]])
def test_a_wrong_command_line_ends_with_2(arguments: list[str]) -> None:
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 2
    assert "Usage:" in done.stderr
    assert done.stdout == ""


GRADE = ["grade", "pictures", "--family", "f", "--station", "s", "--limits", "l.toml"]


@pytest.mark.parametrize(("arguments", "message"), [
    (["limits", "explain", "B1", "J1.1", "--station", "s.toml"], "--station: wanted with --picture FILE only"),
    (["limits", "set", "l.toml", "1", "--limit", "3", "--boards", "9"], "--boards: wanted with --db only"),
    (["limits", "history", "l.toml", "--restore", "ab12", "--csv"], "--csv: wanted without --restore"),
    (["train", "f", "--station", "s", "--out", "l.toml", "--review-weight", "2"],
     "--review-weight: wanted with --with-reviews DB only"),
    (["line", "watch", "--every", "2"], "--every: wanted with --follow only"),
    (["results", "export", "--kind", "joints", "--format", "ipc2591"], "--kind: wanted without --format ipc2591"),
    (["review", "--port", "9", "--host", "::1", "people"], "--host, --port: wanted to serve the page, not with people"),
    ([*GRADE, "--watch", "--spread"], "--spread: wanted without --watch"),
    ([*GRADE, "--cluster", "tcp://x:1", "--jobs", "2"], "--jobs: wanted without --cluster"),
])
def test_options_that_would_be_passed_over_are_refused(arguments: list[str], message: str,
                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("MENISCOPE_DB", raising=False)
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 2
    assert f"Error: {message}" in done.stderr
    assert done.stdout == ""


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[Exception], list[str]]:
    """Run a command that raises, through the group; return stderr's lines after checking the exit code."""
    def run(error: Exception) -> list[str]:
        @click.command()
        def command() -> None:
            raise error

        monkeypatch.setattr(type(main), "get_command", lambda self, ctx, name: command)
        done = CliRunner().invoke(main, ["demo"])
        assert done.exit_code == 1
        assert done.stdout == ""
        return done.stderr.splitlines()
    return run


def test_errors_that_a_user_can_mend_are_one_message(failing: Callable[[Exception], list[str]]) -> None:
    assert failing(MeniscopeError("no boards in folder x")) == ["error: no boards in folder x"]
    assert failing(PermissionError(13, "Permission denied", "/x/out.csv")) == ["error: /x/out.csv: permission denied"]
    two = [Problem("f.toml", "a", "1", "2"), Problem("f.toml", "b", "3", "4")]
    assert failing(InputError(two, "Mend it.")) == ["error: f.toml: a: got 1, wanted 2",
                                                    "       f.toml: b: got 3, wanted 4", "       Mend it."]
    many = failing(InputError([Problem("f", str(k), "1", "2") for k in range(100)]))
    assert len(many) == 31
    assert many[-1] == "       and 70 more"


def test_ctrl_c_ends_any_command_with_130(monkeypatch: pytest.MonkeyPatch) -> None:
    @click.command()
    def command() -> None:
        raise KeyboardInterrupt

    @click.command()
    def asking() -> None:
        click.confirm("Write?", err=True)

    monkeypatch.setattr(type(main), "get_command", lambda self, ctx, name: asking if name == "limits" else command)
    done = CliRunner().invoke(main, ["train"])
    assert (done.exit_code, done.stdout, done.stderr.split()) == (130, "", ["stopped", "by", "Ctrl-C"])
    nobody = CliRunner().invoke(main, ["limits"], input="")
    assert nobody.exit_code == 1  # no Ctrl-C: a script that forgot an option
    assert "error: a question was not answered: standard input has ended" in nobody.stderr


def test_a_fault_of_the_program_is_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    @click.command()
    def command() -> None:
        raise KeyError("oops")

    monkeypatch.setattr(type(main), "get_command", lambda self, ctx, name: command)
    assert isinstance(CliRunner().invoke(main, ["demo"]).exception, KeyError)


ROWS = [{"serial": "B1", "verdict": "reject", "value": 212.345, "note": None, "limit": float("nan")},
        {"serial": "B20", "verdict": "accept", "value": 3.0, "note": "a,\nb", "limit": 1.0}]
COLUMNS = [Column("serial"), Column("verdict"), Column("value", "measured deg", 1), Column("limit"), "note"]


@click.command()
@rows_options
def rows(output: str) -> None:
    """Print the sample rows."""
    print_rows(ROWS, COLUMNS, output)  # type: ignore[arg-type]


def test_rows_as_aligned_text() -> None:
    lines = CliRunner().invoke(rows).output.splitlines()
    assert lines == ["serial  verdict  measured deg  limit  note",
                     "------  -------  ------------  -----  ----",
                     "B1      reject          212.3      -  -",
                     "B20     accept            3.0      1  a, b"]


def test_a_rounded_zero_has_no_sign() -> None:
    text = table_text([{"bias": -0.0004}, {"bias": -0.0006}], [Column("bias", "", 3)])
    assert [line.strip() for line in text.splitlines()[2:]] == ["0.000", "-0.001"]


def test_rows_as_json_hold_full_values_and_no_nan() -> None:
    text = CliRunner().invoke(rows, ["--json"]).output
    assert json.loads(text) == [{**ROWS[0], "limit": None}, ROWS[1]]
    assert "NaN" not in text


def test_rows_as_csv_hold_full_values() -> None:
    found = list(csv.DictReader(io.StringIO(CliRunner().invoke(rows, ["--csv"]).output)))
    assert found[0] == {"serial": "B1", "verdict": "reject", "value": "212.345", "limit": "", "note": ""}
    assert found[1]["note"] == "a,\nb"


def test_no_rows_are_said_in_words_on_stderr(capsys: pytest.CaptureFixture[str]) -> None:
    print_rows([], ["a"], empty="no boards yet")
    assert capsys.readouterr() == ("", "no boards yet\n")
    print_rows([], ["a"], "json")
    assert capsys.readouterr().out == "[]\n"


def test_verdicts_have_colours_and_always_their_word() -> None:
    text = table_text([{"verdict": word} for word in ("accept", "review", "reject", "ungraded")], [Column("verdict")])
    lines = text.splitlines()[2:]
    assert all("\x1b[38;5;" in line for line in lines)
    assert len({line.split("m")[0] for line in lines}) == 4
    assert [click.unstyle(line).strip() for line in lines] == ["accept", "review", "reject", "ungraded"]


@pytest.mark.parametrize(("environment", "coloured"), [
    ({}, True), ({"NO_COLOR": "1"}, False), ({"TERM": "dumb"}, False), ({"NO_COLOR": ""}, True)])
def test_no_color_is_honoured(setup_folder: Path, monkeypatch: pytest.MonkeyPatch, environment: dict[str, str],
                              coloured: bool) -> None:
    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    # color=True makes the runner keep colours, as a terminal would
    done = CliRunner().invoke(main, ["station", "show", str(setup_folder / "absent")], color=True)
    assert done.exit_code == 1
    assert ("\x1b[" in done.stderr) is coloured


def test_progress_is_silent_where_nobody_watches(capsys: pytest.CaptureFixture[str]) -> None:
    with progress(3, "grading") as bar:
        bar.step()
        bar(2, 3)
        assert bar.done == 2
    assert capsys.readouterr() == ("", "")


def test_progress_moves_on_a_terminal(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    with progress(2, "grading boards") as bar:
        bar.step(2)
    out, err = capsys.readouterr()
    assert out == ""
    assert "grading boards" in err
    assert "2/2" in err


@pytest.mark.parametrize(("count", "words"), [(0, "0 boards"), (1, "1 board"), (2, "2 boards")])
def test_counts_have_their_nouns(count: int, words: str) -> None:
    assert many(count, "board") == words


def test_long_lists_say_how_many_more_there_are() -> None:
    assert some(["a", "b"], 3) == "a, b"
    assert some(["a", "b", "c", "d", "e"], 3) == "a, b, c and 2 more"
    assert many(12345, "board", ",") == "12,345 boards"
