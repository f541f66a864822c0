"""A limit sheet of another workmanship class, or without a rule for some defect, is not used in silence."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import invented_boards as invented
import pytest
from click.testing import Result
from command_line import run

from models.criteria import workmanship_rules
from models.limits import LimitSheet, write_limits
from vision.records import open_database
from vision.setup import write_family, write_station

REFUSED = "made for workmanship class 2, but "
SHIFTED = tuple(rule for rule in invented.sheet().rules if rule.finding == "chip_shifted")
WHOLE = LimitSheet((*workmanship_rules(2), *SHIFTED), "sample-1", 2)


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """Boards of a class-3 family whose pictures are no pictures, and a sheet of class 2 for it."""
    (tmp_path / "pictures").mkdir()
    write_family(replace(invented.family(), workmanship_class=3), tmp_path / "family")
    write_station(invented.station(), tmp_path / "station.toml")
    write_limits(WHOLE, tmp_path / "limits.toml")
    for number in range(3):
        (tmp_path / "pictures" / f"B{number}_v1_a.png").write_bytes(b"no picture %d" % number)
    return tmp_path


def grade(shop: Path, *more: str, code: int = 0) -> Result:
    return run("grade", str(shop / "pictures"), "--family", str(shop / "family"), "--station",
               str(shop / "station.toml"), "--limits", str(shop / "limits.toml"), "--db", str(shop / "r.sqlite"),
               "--jobs", "1", *more, code=code)


def test_a_sheet_of_another_class_is_refused(shop: Path) -> None:
    told = grade(shop, code=1).stderr
    assert REFUSED + "family sample-1 is of class 3" in told
    assert "meniscope train" in told
    assert not (shop / "r.sqlite").exists()


def test_a_sheet_of_another_class_may_be_wanted(shop: Path) -> None:
    told = grade(shop, "--other-class").stderr
    assert told.count("caution: " + str(shop / "limits.toml") + ": " + REFUSED) == 1
    assert "3 boards" in told


def test_a_sheet_of_the_same_class_is_used_without_a_word(shop: Path) -> None:
    write_limits(replace(WHOLE, workmanship_class=3), shop / "limits.toml")
    assert "caution" not in grade(shop).stderr


@pytest.mark.parametrize("save", [(), ("--save",)])
def test_recorded_boards_are_not_judged_by_another_class_in_silence(tmp_path: Path, save: tuple[str, ...]) -> None:
    db = str(tmp_path / "r.sqlite")
    engine = open_database(db)
    strict = replace(invented.family(), workmanship_class=3)
    invented.save(engine, invented.inspection("B1", bad=True, of=strict), of=strict)
    invented.save(engine, invented.inspection("B2", bad=True, minute=1))
    engine.dispose()
    write_limits(WHOLE, tmp_path / "limits.toml")
    command = ("results", "regrade", "--limits", str(tmp_path / "limits.toml"), "--db", db, *save)
    before = run("results", "list", "--db", db, "--json").stdout
    assert REFUSED + "there are boards of family sample-1 of class 3" in run(*command, code=1).stderr
    assert run("results", "list", "--db", db, "--json").stdout == before
    assert run(*command, "--other-class").stderr.count(REFUSED) == 1
    # Boards of the sheet's own class alone need no permission.
    told = run("results", "regrade", "--limits", str(tmp_path / "limits.toml"), "--db", db, "--serial", "B2").stderr
    assert REFUSED not in told


def test_defects_that_no_rule_looks_for_are_named(shop: Path) -> None:
    """With the rule for bare holes alone, boards without leads would be accepted."""
    few = LimitSheet(tuple(rule for rule in WHOLE.rules if rule.finding == "no_solder"), "sample-1", 3)
    write_limits(few, shop / "limits.toml")
    joints = "no rule that rejects partial wetting, non-wetting, excess solder, lead missing, bridge, solder ball"
    chips = "no rule that rejects chip missing, chip shifted"
    path = str(shop / "limits.toml")
    for told in (grade(shop).stderr, run("limits", "show", path).stderr, run("limits", "show", path, "--json").stderr,
                 run("limits", "check", path).stdout):
        assert told.count("caution") == 2
        assert told.count(joints) == told.count(chips) == 1
    checked = json.loads(run("limits", "check", path, "--json").stdout)
    assert checked["good"]
    assert [item["got"].startswith("no rule that rejects") for item in checked["cautions"]] == [True, True]
    # A family without chips does not ask for rules about them.
    write_family(replace(invented.family(), workmanship_class=3, chips=()), shop / "family")
    told = grade(shop).stderr
    assert joints in told
    assert chips not in told


def test_a_sheet_that_looks_for_all_is_good_without_a_caution(tmp_path: Path) -> None:
    write_limits(WHOLE, tmp_path / "limits.toml")
    assert run("limits", "check", str(tmp_path / "limits.toml")).stdout == f"{tmp_path / 'limits.toml'}: good\n"
    assert run("limits", "show", str(tmp_path / "limits.toml")).stderr == ""
