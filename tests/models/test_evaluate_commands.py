"""`meniscope evaluate` as its user types it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import run
from invented_reviews import add_escape, add_review
from invented_tables import joint_table
from recorded_boards import SHEET, inspection

from models.evaluate import shared_boards
from models.table import write_table
from vision.records.database import open_database


def test_evaluate_counts_against_truth(place: Path) -> None:
    out = place / "out"
    found = json.loads(run("evaluate", place / "truth.csv", "--db", place / "results.sqlite", "--json",
                           "--out", out).stdout)
    # S2.3 is partial wetting with 285 degrees measured: accepted, an escape. S2.2 and the bridge are rejected.
    assert (found["escapes"]["count"], found["escapes"]["of"]) == (1, 3)
    assert (found["false_calls"]["count"], found["false_calls"]["of"]) == (0, 9)
    assert found["marginal"] == [{"truth": "good", "verdict": "review", "count": 1}]
    assert found["indicators"][0]["named"] == 1
    assert [(w["board"], w["place"]) for w in found["worst"]] == [("S2", "J1.3")]
    page = (out / "evaluation.html").read_text()
    assert "1 of 3" in page
    assert "<svg" in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")  # nothing is loaded from outside
    assert (out / "tradeoff.png").read_bytes().startswith(b"\x89PNG")
    text = run("evaluate", place / "truth.csv", "--db", place / "results.sqlite").stdout
    assert "escapes: defects accepted" in text
    assert "round 1.8 mm" in text
    assert "partial wetting" in text.partition("worst cases:")[2]
    assert "partial_wetting" not in text


def test_evaluate_under_another_sheet(place: Path) -> None:
    strict = place / "strict.toml"
    strict.write_text((place / "limits.toml").read_text().replace("270.0", "290.0"))
    found = json.loads(run("evaluate", place / "truth.csv", "--db", place / "results.sqlite", "--limits", strict,
                           "--json").stdout)
    assert found["escapes"]["count"] == 0


def test_evaluate_against_reviews(place: Path) -> None:
    db = place / "results.sqlite"
    assert "nobody has reviewed" in run("evaluate", "--reviews", "--db", db, code=1).stderr
    engine = open_database(db)
    from sqlalchemy import select

    from vision.records.queries import Filter, iterate_findings
    from vision.records.schema import FamilyJoint, InspectionRow, Unit

    for row in list(iterate_findings(engine, Filter())):
        if row["verdict"] == "reject":
            add_review(engine, row["finding_id"], call="real", reviewer="a person")
    with engine.connect() as connection:
        key = connection.execute(select(InspectionRow.id).join(Unit, Unit.id == InspectionRow.unit_id)
                                 .where(Unit.serial == "S2")).scalar_one()
        joint = connection.execute(select(FamilyJoint.id).where(FamilyJoint.pin == "3")).scalar_one()
    add_escape(engine, key, joint_id=joint, corrected="partial_wetting", reviewer="a person")
    engine.dispose()
    found = json.loads(run("evaluate", "--reviews", "--db", db, "--json").stdout)
    assert (found["escapes"]["count"], found["escapes"]["of"]) == (1, 3)


def test_evaluate_refuses_boards_that_training_has_seen(place: Path) -> None:
    import numpy as np

    from models.table import LabelledTable

    table = LabelledTable("joint", {"coverage_deg": np.array([300.0])}, ((),), ("S1",), np.zeros(1, dtype=bool))
    write_table(table, place / "joints.csv")
    text = run("evaluate", place / "truth.csv", "--db", place / "results.sqlite", "--training", place, code=1).stderr
    assert "1 board of the test was used in training too" in text
    assert "S1" in text
    assert "too good to be true" in text


def test_evaluate_takes_a_whole_training_cache(place: Path) -> None:
    """A shell gives the second of several folders to TRUTH, so the folder around them is named."""
    import numpy as np

    from models.table import LabelledTable

    def lot(name: str, board: str) -> None:
        (place / "cache" / name).mkdir(parents=True)
        write_table(LabelledTable("joint", {"coverage_deg": np.array([300.0])}, ((),), (board,),
                                  np.zeros(1, dtype=bool)), place / "cache" / name / "joints.csv")
        (place / "cache" / name / "boards.csv").write_text("number,reason\n1,\n")

    lot("first", "other")
    arguments = ("evaluate", place / "truth.csv", "--db", place / "results.sqlite", "--training", place / "cache")
    run(*arguments)
    lot("second", "S1")
    text = run(*arguments, code=1).stderr
    assert "1 board of the test was used in training too" in text
    assert str(place / "cache" / "second") in text
    text = run("evaluate", place / "truth.csv", place / "cache" / "second", "--db", place / "results.sqlite",
               "--training", place / "cache" / "first", code=1).stderr
    assert "second: got a lot of a training cache, wanted a truth.csv" in text
    assert f"--training {place / 'cache'}" in text
    (place / "empty").mkdir()
    text = run(*arguments[:-1], place / "empty", code=1).stderr
    assert "got a folder without joints.csv, wanted the cache folder" in text


def test_boards_rendered_again_are_known_by_their_true_values() -> None:
    from dataclasses import replace

    seen, fresh = joint_table(3, 1), joint_table(3, 2)
    again = replace(seen, boards=tuple(f"other {board}" for board in seen.boards))
    assert len(shared_boards(seen, again)) == 3
    assert shared_boards(seen, fresh) == []


def test_evaluate_wants_exactly_one_truth(place: Path) -> None:
    assert "give one or more TRUTH, or --reviews" in run("evaluate", code=2).stderr
    both = run("evaluate", place / "truth.csv", "--reviews", code=2).stderr
    assert "give either TRUTH or --reviews, not both" in both
    text = run("evaluate", place / "none.csv", "--db", place / "results.sqlite", code=1).stderr
    assert "none.csv" in text


def test_evaluate_takes_the_grading_whose_pictures_lie_beside_the_truth(place: Path) -> None:
    from dataclasses import replace

    from recorded_boards import FAMILY, STATION

    from vision.pipeline.inspection import PictureFile
    from vision.records import save_inspection

    # The same serial from this folder, graded before the one that is in the database already; 100 degrees less.
    own = replace(inspection("S1", -60, 100.0), pictures=(PictureFile("v1", "a", str(place / "S1.png"), "c" * 64),))
    engine = open_database(place / "results.sqlite")
    save_inspection(engine, own, FAMILY, STATION, SHEET)
    engine.dispose()
    result = run("evaluate", place / "truth.csv", "--db", place / "results.sqlite", "--json")
    assert json.loads(result.stdout)["false_calls"]["count"] == 5  # of six good joints one is marginal, none is bad
    assert "1 board graded from pictures that lie elsewhere" in result.stderr
    assert "(S2)" in result.stderr


@pytest.mark.parametrize("ending", ["csv", "jsonl"])
def test_evaluate_reads_exported_results_too(place: Path, ending: str) -> None:
    db, files = place / "results.sqlite", [place / f"{kind}.{ending}" for kind in ("joints", "chips")]
    for file in files:
        run("results", "export", "--db", db, "--kind", file.stem, "--out", file)
    given = [word for file in files for word in ("--results", file)]
    from_file = json.loads(run("evaluate", place / "truth.csv", *given, "--json").stdout)
    from_db = json.loads(run("evaluate", place / "truth.csv", "--db", db, "--json").stdout)
    for found in (from_file, from_db):
        for case in found["worst"]:
            case.pop("why")  # limits are not exported
    assert from_file == from_db
    again = json.loads(run("evaluate", place / "truth.csv", *given, "--limits", place / "limits.toml", "--json").stdout)
    assert again["by_finding"] == from_db["by_finding"]


def test_evaluate_refuses_a_truth_about_other_boards_of_the_same_serials(place: Path) -> None:
    """Serials begin anew with every lot: held against another lot's truth, every defect seemed to escape."""
    words = ("evaluate", place / "truth.csv", "--db", place / "results.sqlite")
    assert "2 boards graded from pictures that lie elsewhere" in run(*words).stderr  # nothing is known about them
    (place / "S1.png").write_bytes(b"S1 0")  # what was graded, moved beside the truth
    told = run(*words).stderr
    assert "1 board graded from pictures that lie elsewhere" in told
    assert "(S2)" in told
    (place / "S2.png").write_bytes(b"another board")
    refused = run(*words, code=1)
    assert "got a truth about other boards than those graded: of S2 the pictures beside it" in refused.stderr
    assert "name their --db" in refused.stderr
    assert refused.stdout == ""


def test_evaluate_takes_boards_from_one_place_only(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = place / "exported.csv"
    run("results", "export", "--db", place / "results.sqlite", "--kind", "joints", "--out", file)
    told = run("evaluate", place / "truth.csv", "--results", file, "--db", place / "none.sqlite", code=2).stderr
    assert "give either --db or --results, not both" in told
    monkeypatch.setenv("MENISCOPE_DB", str(place / "none.sqlite"))  # which is for all commands, not asked for here
    run("evaluate", place / "truth.csv", "--results", file)


def test_evaluate_refuses_what_it_would_pass_over(place: Path) -> None:
    told = run("evaluate", place / "truth.csv", "--db", place / "results.sqlite", "--family", place, code=2).stderr
    assert "--family: wanted with --pictures only" in told


def test_evaluate_names_what_is_wrong_in_exported_results(place: Path) -> None:
    file = place / "joints.csv"
    file.write_text("serial,ref,pin,verdict,findings\nS1,J1,1,fine,\nS1,J1,2,accept,crack\n")
    text = run("evaluate", place / "truth.csv", "--results", file, code=1).stderr
    assert "row 2, verdict: got 'fine'" in text
    assert "row 3, findings: got 'crack'" in text
    file.write_text("board,joint\nS1,J1\n")
    assert "no serial, ref, verdict, findings" in run("evaluate", place / "truth.csv", "--results", file, code=1).stderr
    (place / "x.jsonl").write_text("{")
    assert "broken JSON" in run("evaluate", place / "truth.csv", "--results", place / "x.jsonl", code=1).stderr
