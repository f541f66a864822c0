"""What a family states about its chips' measurements arrives wherever a joint's statements do.

A board is rendered and graded with an uncertainty.csv that was written by hand, so that every number is known.
"""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path

import pytest
import small_board as small
from click.testing import CliRunner
from sqlalchemy import Engine

from models.limits import Condition, LimitSheet, Rule, write_limits
from vision.cli import main
from vision.pipeline.grade import grade_board
from vision.pipeline.inspection import Inspection
from vision.records import Filter, save_inspection
from vision.records.export import export_rows, write_parquet
from vision.records.load import load_inspection
from vision.records.replay import regrade, rejudged
from vision.records.store import Saved
from vision.setup import Family, read_family, write_family

#: As somebody would write it: all boards' bands have one station, measurement and width.
STATED = {"shift_along_mm": 0.0371, "shift_across_mm": 0.0292, "turn_deg": 1.25, "coverage_deg": 3.5}
HEAD = "station,measure,land_kind,condition,from,to,n,bias,repeatability,standard_uncertainty,low_95,high_95"


def sheet(limit: float = 0.2) -> LimitSheet:
    return LimitSheet((
        Rule("chip_shifted", "workmanship class 2", (Condition("shift_along_mm", above=limit, guard=0.05),)),
        Rule("chip_shifted", "workmanship class 2", (Condition("shift_along_mm", below=-limit, guard=0.05),)),
    ), "small-2", 2, "for tests")


@pytest.fixture(scope="module")
def taught(tmp_path_factory: pytest.TempPathFactory) -> Family:
    """Return a family read from a folder that has an uncertainty.csv."""
    folder = tmp_path_factory.mktemp("taught")
    write_family(small.family(), folder)
    station = small.station().name
    rows = [f"{station},{name},,,-1000,1000,50,0,,{u},-1,1" for name, u in STATED.items()]
    (folder / "uncertainty.csv").write_text("\n".join([HEAD, *rows]) + "\n")
    return read_family(folder)


@pytest.fixture(scope="module")
def graded(taught: Family, tmp_path_factory: pytest.TempPathFactory) -> Inspection:
    """Return a rendered board with a chip far out of its place, graded from its picture."""
    files = small.render(tmp_path_factory.mktemp("pictures"))
    return grade_board(files, taught, small.station(), sheet())


@pytest.fixture
def saved(engine: Engine, graded: Inspection, taught: Family) -> Saved:
    """Write that board; every test runs on both kinds of database."""
    return save_inspection(engine, graded, taught, small.station(), sheet())


def stated_for(graded: Inspection) -> dict[str, float]:
    """Return what must be stated: the hand-written numbers of the measurements that apply to this chip."""
    return {name: STATED[name] for name, value in graded.chips[0].measurements.items()
            if name in STATED and not math.isnan(value)}


def run(*arguments: object) -> str:
    done = CliRunner().invoke(main, [str(argument) for argument in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output + done.stderr
    return done.stdout


def test_grading_hands_them_on(graded: Inspection) -> None:
    chip = graded.chips[0]
    assert set(stated_for(graded)) == {"shift_along_mm", "shift_across_mm", "turn_deg"}
    assert {name: u for name, u in chip.uncertainties.items() if not math.isnan(u)} == stated_for(graded)
    assert chip.findings[0].measure == "shift_along_mm"
    assert graded.joints[0].uncertainties["coverage_deg"] == STATED["coverage_deg"]


def test_the_database_gives_them_back(engine: Engine, saved: Saved, graded: Inspection) -> None:
    assert load_inspection(engine, saved.inspection_id).chips[0].uncertainties == stated_for(graded)


def test_exports_hold_them(engine: Engine, saved: Saved, graded: Inspection, url: str, tmp_path: Path) -> None:
    table = list(csv.DictReader(io.StringIO(run("results", "export", "--db", url, "--kind", "chips"))))
    lines = run("results", "export", "--db", url, "--kind", "chips", "--format", "jsonl").splitlines()
    assert [json.loads(row["uncertainty"]) for row in table] == [stated_for(graded)]
    assert [json.loads(json.loads(line)["uncertainty"]) for line in lines] == [stated_for(graded)]
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra `parquet` is not installed")
    write_parquet(*export_rows(engine, "chips", Filter()), tmp_path / "chips.parquet")
    rows = parquet.read_table(tmp_path / "chips.parquet").to_pylist()
    assert [json.loads(row["uncertainty"]) for row in rows] == [stated_for(graded)]


def test_a_person_sees_them(saved: Saved, graded: Inspection, url: str) -> None:
    shown = json.loads(run("results", "show", "B0001", "--db", url, "--json"))
    assert shown["chip_results"][0]["uncertainty"] == stated_for(graded)
    heading, *lines = [line for line in run("results", "show", "B0001", "--db", url).splitlines()
                       if line.startswith(("place", "R1"))]
    assert "  u  " in heading
    assert any("0.037 mm" in line for line in lines)
    explained = json.loads(run("limits", "explain", "B0001", "R1", "--db", url, "--json"))["rules"]
    assert {line["uncertainty"] for line in explained} == {STATED["shift_along_mm"]}
    assert all(0.0 <= line["probability"] <= 1.0 for line in explained)


def test_replays_keep_them(engine: Engine, saved: Saved, graded: Inspection, url: str, tmp_path: Path) -> None:
    before = load_inspection(engine, saved.inspection_id)
    # A limit just beyond the measured shift: the guard band of the other sheet makes it a review.
    other = sheet(round(abs(graded.chips[0].measurements["shift_along_mm"]) + 0.02, 6))
    assert rejudged(before, other).chips[0].uncertainties == stated_for(graded)
    change, = regrade(engine, other, Filter(), save=True)
    again = load_inspection(engine, change.saved_as or 0)
    assert (again.chips[0].verdict, again.chips[0].findings[0].guard) == ("review", 0.05)
    assert again.chips[0].uncertainties == stated_for(graded)
    run("results", "verify", "--db", url)
    write_limits(sheet(), tmp_path / "limits.toml")
    run("results", "regrade", "--db", url, "--limits", tmp_path / "limits.toml", "--save")
    shown = json.loads(run("results", "show", "B0001", "--db", url, "--json"))
    assert shown["chip_results"][0]["uncertainty"] == stated_for(graded)
    run("results", "verify", "--db", url)
