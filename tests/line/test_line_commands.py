"""`meniscope line` as a person types it."""

from __future__ import annotations

import csv
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from invented_line import database, record, write_log

from models.errors import MeniscopeError
from synthetic_images.line_lot import Drift, line_family, simulate_line
from vision.cli._common import clear_errors
from vision.cli.line import command

ROOT = Path(__file__).resolve().parents[2]
LOT = simulate_line(line_family(4), boards=90, seed=1, clock_offset_s=200.0,
                    drifts=(Drift("flux_jet_clogging", 55, place="S5", strength=1.5),))


@pytest.fixture(scope="module")
def db(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database with an alarm and its log, for commands that only read."""
    folder = tmp_path_factory.mktemp("commands")
    database(folder, LOT).dispose()
    path = str(folder / "line.sqlite")
    assert run("import-log", str(write_log(LOT, folder / "log.csv")), "--db", path).exit_code == 0
    assert run("watch", "--db", path).exit_code == 0
    return path


@pytest.fixture
def fresh(tmp_path: Path) -> str:
    database(tmp_path, LOT).dispose()
    return str(tmp_path / "line.sqlite")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(command, list(arguments))


def test_help_is_light() -> None:
    code = ("import sys\nfrom vision.cli.line import command\n"
            "try:\n    command(['--help'])\nexcept SystemExit:\n    pass\n"
            "print('loaded:', [n for n in ('numpy', 'scipy', 'sqlalchemy', 'jinja2', 'cv2') if n in sys.modules])")
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True,
                          cwd=ROOT)
    assert "loaded: []" in done.stdout
    for name in ("report", "watch", "import-log", "alarms", "answer", "rehearse"):
        assert f"\n  {name} " in done.stdout


def test_the_benchmark_explains_its_arguments() -> None:
    done = subprocess.run([sys.executable, str(ROOT / "tests" / "benchmarks" / "bench_line.py"), "--help"],
                          capture_output=True, text=True, check=False, cwd=ROOT,
                          env=os.environ | {"PYTHONPATH": str(ROOT)})
    assert done.returncode == 0, done.stderr
    assert "usage: bench_line.py [-h] [boards] [joints]" in done.stdout


def test_report_as_text_json_and_page(db: str, tmp_path: Path) -> None:
    text = run("report", "--db", db)
    assert text.exit_code == 0
    assert "first-pass yield" in text.stdout and "step S5" in text.stdout and "ALARM [" in text.stdout
    page = tmp_path / "report.html"
    found = run("report", "--db", db, "--json", "--html", str(page), "--step", "S5")
    content = json.loads(found.stdout)
    assert content["boards"] == 90
    assert content["opportunities"] == 90 * 4
    assert content["measure_charts"][0]["state"]
    assert len(content["count_charts"][0]["chart"]["points"]) == 9
    assert content["alarms"][0]["place"] == "S5"
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_report_of_nothing(db: str) -> None:
    assert "no boards in this period" in run("report", "--db", db, "--since", "2030-01-01").stdout


def test_report_tells_of_drift_that_no_watch_has_seen(fresh: str, tmp_path: Path) -> None:
    """Nobody has watched these boards: no open alarm does not mean no drift."""
    page = tmp_path / "report.html"
    told = run("report", "--db", fresh, "--html", str(page)).stdout
    assert re.search(r"^DRIFT without an alarm yet: .* at step S5, since about board \w+; run `meniscope line watch`$",
                     told, re.M)
    assert "no open drift alarm" not in told
    assert "DRIFT without an alarm yet" in page.read_text(encoding="utf-8")
    assert run("alarms", "--db", fresh).stdout == ""  # the report writes none
    assert len(json.loads(run("report", "--db", fresh, "--json").stdout)["drift"][0]["new"]) == 1
    run("watch", "--db", fresh)
    told = run("report", "--db", fresh).stdout
    assert "ALARM [" in told
    assert "DRIFT without" not in told


def test_report_says_when_drift_cannot_be_told_or_is_not_there(tmp_path: Path) -> None:
    engine = database(tmp_path, simulate_line(line_family(4), boards=40, seed=1))
    path = str(tmp_path / "line.sqlite")
    told = run("report", "--db", path).stdout
    assert "drift cannot be told yet: 40 boards graded, and the watch begins after 40\n" in told
    assert "no open drift alarm" not in told
    record(engine, simulate_line(line_family(4), boards=80, seed=2, prefix="X"))
    engine.dispose()
    assert "no open drift alarm, and no drift now: looked at all 120 boards\n" in run("report", "--db", path).stdout
    past = run("report", "--db", path, "--until", "2026-03-02T06:30+00:00").stdout
    assert "no open drift alarm of this period; `meniscope line watch` looks at the newest boards\n" in past


def test_an_alarm_answered_as_fixed_is_not_told_as_gone_before_boards_have_shown_it(tmp_path: Path) -> None:
    """The boards before the answer are left out: that no alarm comes after no board at all says nothing."""
    now = time.time()
    engine = database(tmp_path, simulate_line(line_family(4), boards=90, seed=1, start_s=now - 20_000.0, drifts=(
        Drift("flux_jet_clogging", 55, place="S5", strength=1.5),)))
    path, page = str(tmp_path / "line.sqlite"), tmp_path / "page.html"
    run("watch", "--db", path)
    alarm = json.loads(run("alarms", "--db", path, "--json").stdout)[0]
    run("answer", alarm["id"], "--as", "fixed", "--by", "Kim", "--db", path)
    told = run("report", "--db", path, "--html", str(page)).stdout
    wanted = (f"[{alarm['id']}] {alarm['title']}: answered as fixed; 0 boards since: whether it is gone cannot be "
              "told yet, as the alarm took ")
    assert wanted in told and wanted in page.read_text(encoding="utf-8")
    assert wanted in run("watch", "--db", path).stderr
    assert "no drift now:" not in told
    assert "no open drift alarm, and no drift now at any other joint: looked at all 90 boards\n" in told
    [item] = json.loads(run("report", "--db", path, "--json").stdout)["drift"][0]["answered"]
    assert (item["alarm"], item["answer"], item["boards_since"], item["told"]) == (alarm["id"], "fixed", 0, False)
    assert item["boards_wanted"] > 1
    later = simulate_line(line_family(4), boards=item["boards_wanted"], seed=1, start_s=now + 60.0, prefix="X")
    record(engine, later)
    engine.dispose()
    told = run("report", "--db", path).stdout
    assert "cannot be told yet" not in told
    assert f"no open drift alarm, and no drift now: looked at all {90 + item['boards_wanted']} boards\n" in told


def test_after_an_alarm_answered_as_normal_the_watch_must_learn_what_is_normal(fresh: str) -> None:
    run("watch", "--db", fresh)
    alarm = json.loads(run("alarms", "--db", fresh, "--json").stdout)[0]
    run("answer", alarm["id"], "--as", "normal", "--by", "Kim", "--db", fresh)
    told = run("report", "--db", fresh).stdout
    assert re.search(r"answered as normal; \d+ boards since the change began: a further drift there cannot be told "
                     r"before the watch knows 41\n", told)
    assert "no drift now:" not in told


def test_charts_that_signal_without_an_alarm_are_told_beside_it(tmp_path: Path) -> None:
    path = str(tmp_path / "try.sqlite")
    run("rehearse", "--db", path, "--boards", "100")
    run("watch", "--db", path)
    run("answer", json.loads(run("alarms", "--db", path, "--json").stdout)[0]["id"], "--as", "fixed", "--by", "Kim",
        "--db", path)
    told = run("report", "--db", path).stdout
    assert "signal by EWMA" in told
    assert re.search(r"^coverage.*: the charts? signals? at the newest board all the same; charts know nothing of "
                     "answers", told, re.M)


def test_watch_tells_an_alarm_once(fresh: str) -> None:
    first, second = run("watch", "--db", fresh), run("watch", "--db", fresh)
    assert "at step S5" in first.stdout and "perhaps" not in first.stderr
    assert second.stdout == ""
    assert "1 open alarm" in second.stderr


def test_watch_says_when_it_is_too_early(tmp_path: Path) -> None:
    database(tmp_path, simulate_line(line_family(4), boards=5, seed=1)).dispose()
    told = run("watch", "--db", str(tmp_path / "line.sqlite"))
    assert told.exit_code == 0
    assert "5 boards so far; the watch begins after 40" in told.stderr


def test_watch_in_json_is_one_object_a_line(fresh: str) -> None:
    lines = run("watch", "--db", fresh, "--json").stdout.splitlines()
    alarm = json.loads(lines[0])
    assert len(lines) == 1
    assert alarm["place"] == "S5" and alarm["status"] == "open" and alarm["hints"][0]["source"]


def test_alarms_are_listed_shown_and_answered(db: str, fresh: str) -> None:
    listed = json.loads(run("alarms", "--db", db, "--json").stdout)
    assert [row["status"] for row in listed] == ["open"]
    shown = run("alarms", listed[0]["id"][:3], "--db", db).stdout
    [line] = csv.DictReader(run("alarms", listed[0]["id"][:3], "--db", db, "--csv").stdout.splitlines())
    assert line["id"] == listed[0]["id"]
    assert "what to look at first" in shown
    assert "caution: solder, nozzles, pots and boards are hot" in shown
    assert shown.index("caution: solder") < shown.index("next check:")
    assert "missing flux drops" in shown
    run("watch", "--db", fresh)
    key = json.loads(run("alarms", "--db", fresh, "--json").stdout)[0]["id"]
    done = run("answer", key, "--as", "normal", "--by", "R. Example", "--note", "new flux", "--db", fresh)
    assert done.exit_code == 0
    assert "accepted as the new normal, said R. Example" in done.stderr
    assert run("alarms", "--open", "--db", fresh).stdout == ""
    assert "new flux" in run("alarms", "--db", fresh).stdout


def test_a_second_answer_hides_the_first_nowhere(fresh: str, tmp_path: Path) -> None:
    run("watch", "--db", fresh)
    key = json.loads(run("alarms", "--db", fresh, "--json").stdout)[0]["id"]
    first = run("answer", key, "--as", "normal", "--by", "R. Example", "--note", "new flux", "--db", fresh)
    assert "answer before" not in first.stderr
    assert "answered before" not in run("alarms", "--db", fresh).stdout
    second = run("answer", key, "--as", "fixed", "--by", "Kim", "--db", fresh)
    assert "cause removed, said Kim" in second.stderr
    assert ("this takes the place of the answer before, which is kept: accepted as the new normal, said R. Example"
            in second.stderr) and second.stderr.rstrip().endswith(": new flux")
    shown = run("alarms", key, "--db", fresh).stdout
    assert re.search(r"status +cause removed, said Kim .*\n +answered before +accepted as the new normal, said R. "
                     r"Example on .*: new flux\n", shown)
    whole = json.loads(run("alarms", key, "--db", fresh, "--json").stdout)
    assert [(item["answer"], item["by"], item["note"]) for item in whole["answers"]] == [
        ("fixed", "Kim", ""), ("normal", "R. Example", "new flux")]
    assert (whole["status"], whole["answered_by"], whole["note"]) == ("fixed", "Kim", "")
    [row] = json.loads(run("alarms", "--db", fresh, "--json").stdout)
    assert [item["note"] for item in row["answered_before"]] == ["new flux"]
    assert "new flux" in run("alarms", "--db", fresh).stdout and "new flux" in run("alarms", "--db", fresh,
                                                                                   "--csv").stdout
    page = tmp_path / "page.html"
    run("report", "--db", fresh, "--html", str(page))
    assert "answered before: accepted as the new normal, said R. Example" in page.read_text(encoding="utf-8")


def test_unknown_alarms_and_families_are_one_clear_error(db: str) -> None:
    for arguments, told in ((("alarms", "zzz"), "wanted one"), (("watch", "--family", "x"), "of the records"),
                            (("answer", "zzz", "--as", "fixed", "--by", "R."), "fits no alarm")):
        done = run(*arguments, "--db", db)
        assert isinstance(done.exception, MeniscopeError)
        assert told in str(done.exception)
        assert "\n" not in str(done.exception)


@pytest.mark.parametrize(("kind", "wanted", "known"), [
    ("pot", "P9", ["A", "B"]), ("nozzle", "N99", ["N1", "N2"]), ("step", "S99", ["S1", "S2", "S3"]),
    ("joint", "J9.9", ["J1.1", "J1.2", "J1.3"])])
def test_places_that_the_records_do_not_hold_are_refused(db: str, kind: str, wanted: str, known: list[str]) -> None:
    """Without a word they would give a yield of 100 %."""
    done = run("report", "--db", db, f"--{kind}", wanted)
    assert isinstance(done.exception, MeniscopeError)
    assert str(done.exception).startswith(f"{kind}: got {wanted!r}, wanted one of the records: {', '.join(known)}")
    assert run("report", "--db", db, f"--{kind}", known[-1]).exit_code == 0


def test_places_that_share_no_joint_are_refused(db: str) -> None:
    done = run("report", "--db", db, "--nozzle", "N1", "--pot", "B")
    assert isinstance(done.exception, MeniscopeError)
    assert str(done.exception) == ("pot B and nozzle N1: no joint is in both, wanted places that share joints; the "
                                   "joints of nozzle N1 are at pot A")
    assert "no joint is in all" in str(run("report", "--db", db, "--nozzle", "N1", "--pot", "A", "--step",
                                           "S5").exception)
    assert run("report", "--db", db, "--nozzle", "N1", "--pot", "A").exit_code == 0


def test_an_alarm_elsewhere_is_named_as_such(db: str) -> None:
    """A report about one place shows its own alarms, and does not pass the others over in silence."""
    here, there = (run("report", "--db", db, "--step", step).stdout for step in ("S5", "S1"))
    assert "ALARM [" in here and "elsewhere" not in here
    assert "ALARM [" not in there and "no drift now" not in there
    assert "no open drift alarm here; 1 open drift alarm elsewhere, not at family line-32, step S1" in there


@pytest.mark.parametrize(("arguments", "told"), [
    (("--since", "2026-05-01", "--until", "2026-03-01"), "is not before --until"),
    (("--since", "99999999d"), "'99999999d' is too long ago"), (("--since", "999999d"), "'999999d' is too long ago"),
    (("--since", f"{10**25}w"), "is too long ago")])
def test_a_period_that_cannot_be_is_refused(db: str, arguments: tuple[str, ...], told: str) -> None:
    done = run("report", "--db", db, *arguments)
    assert done.exit_code == 2
    assert told in " ".join(done.stderr.split())


def test_import_reports_clock_and_gaps(fresh: str, tmp_path: Path) -> None:
    log = write_log(LOT, tmp_path / "log.csv")
    lines = log.read_text().splitlines()
    lost = {f",{serial}," for serial in LOT.serials[30:36]}
    log.write_text("\n".join(line for line in lines if not any(serial in line for serial in lost)) + "\n")
    text = run("import-log", str(log), "--db", fresh).stdout
    assert "runs ahead of the station's by at least 17" in text
    assert "6 of them are not in the log" in text
    gap = next(line for line in text.splitlines() if "gap:" in line)
    assert f"6 boards, {LOT.serials[30]} to {LOT.serials[35]}, have no " in gap
    assert "preheat_end_c (whole board)" in gap and "flux_drops (8 places)" in gap
    assert text.count("gap:") == 1
    again = json.loads(run("import-log", str(log), "--db", fresh, "--json").stdout)
    assert again[0]["new"] == 0


def test_a_bad_log_changes_nothing(fresh: str, tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_text("at,flux_drops\n2026-03-02T06:00:00Z,7\nnever,8\n")
    done = run("import-log", str(tmp_path / "bad.csv"), "--db", fresh)
    assert isinstance(done.exception, MeniscopeError)
    assert json.loads(run("import-log", str(write_log(LOT, tmp_path / "log.csv")), "--db", fresh,
                          "--json").stdout)[0]["new"] == len(LOT.log)


def test_rehearsal_is_found_by_the_watch(tmp_path: Path) -> None:
    path = str(tmp_path / "try.sqlite")
    done = run("rehearse", "--db", path, "--drift", "preheat", "--boards", "90")
    assert done.exit_code == 0
    assert "preheat stays too cold" in done.stderr
    told = run("watch", "--db", path).stdout
    assert "on the whole board" in told and "preheat too cold" in told
    assert run("rehearse", "--db", path).exit_code == 2  # never into a file that is there


def test_follow_tells_of_a_drift_as_boards_arrive_and_stops_quietly(tmp_path: Path) -> None:
    engine = database(tmp_path, simulate_line(line_family(4), boards=2, seed=9, prefix="X"))
    program = "from vision.cli.line import command; command()"
    arguments = ["watch", "--follow", "--every", "0.2", "--json", "--db", str(tmp_path / "line.sqlite")]
    with subprocess.Popen([sys.executable, "-c", program, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          text=True, cwd=ROOT, env={**os.environ, "PYTHONUNBUFFERED": "1"}) as process:
        try:
            time.sleep(1.0)
            record(engine, LOT)
            assert process.stdout is not None
            alarm = json.loads(process.stdout.readline())
            process.send_signal(signal.SIGINT)
            rest, talk = process.communicate(timeout=30)
        finally:
            process.kill()
    engine.dispose()
    assert alarm["place"] == "S5"
    assert rest == ""
    assert "stopped" in talk and "Traceback" not in talk


def test_errors_become_one_line(tmp_path: Path) -> None:
    @clear_errors
    def call() -> None:
        command.main(["watch", "--db", str(tmp_path / "none.sqlite")], standalone_mode=False)

    import click

    with pytest.raises(click.exceptions.Exit) as caught:
        call()
    assert caught.value.exit_code == 1
