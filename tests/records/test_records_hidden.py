"""A board that could not be graded whole hides no reject: neither from --fail-on nor from the summary."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from models.criteria import workmanship_rules
from models.limits import LimitSheet, write_limits
from synthetic_images.board import plan_board
from tests.synthetic_images.small import quiet_recipe, small_family, small_station, write_views
from vision.cli import main
from vision.setup import Chip, write_family, write_station


def grade(folder: Path, *more: str, code: int) -> Result:
    done = CliRunner().invoke(main, [
        "grade", str(folder / "pictures"), "--family", str(folder / "family"), "--station",
        str(folder / "station.toml"), "--limits", str(folder / "limits.toml"), "--db", str(folder / "r.sqlite"),
        "--jobs", "1", "--json", *more], catch_exceptions=False)
    assert done.exit_code == code, done.output + done.stderr
    return done


def written(folder: Path, planned: dict[int, tuple[str, float]], guard_pct: float = 3.0) -> Path:
    """Write a board with a chip that its picture does not show whole."""
    family = replace(small_family(), chips=(Chip("C9", 14.7, 6.0, 0.0, 1.6, 0.8),))
    (folder / "pictures").mkdir()
    plan = plan_board(family, np.random.default_rng(21), planned=planned, planned_chips={},
                      recipe=quiet_recipe(good__harmless=0.0, good__blemish=0.0, place__offset=0.0))
    write_views(plan, small_station(), folder / "pictures", "B1")
    write_family(family, folder / "family")
    write_station(small_station(), folder / "station.toml")
    rules = tuple(replace(rule, when=tuple(replace(part, guard=guard_pct) if part.below == 75.0 else part
                                           for part in rule.when)) for rule in workmanship_rules(2))
    write_limits(LimitSheet(rules, family.name, 2), folder / "limits.toml")
    return folder


@pytest.mark.parametrize("seen_before", [False, True])
def test_a_reject_on_an_ungraded_board_is_told(tmp_path: Path, seen_before: bool) -> None:
    """Also of a board that was graded before, of which only the records know."""
    folder = written(tmp_path, {2: ("no_solder", 1.0)})
    if seen_before:
        grade(folder, code=0)
    done = grade(folder, "--fail-on", "reject", code=3)
    (board,) = json.loads(done.stdout)
    assert (board["verdict"], board["reject"], board["ungraded"]) == ("ungraded", 1, 1)
    assert "1 board: 0 accept, 0 review, 0 reject, 1 ungraded, 1 of them with rejected joints or chips" in done.stderr
    grade(folder, "--fail-on", "review", code=0)


def test_a_board_with_nothing_else_wrong_is_only_ungraded(tmp_path: Path) -> None:
    folder = written(tmp_path, {})
    done = grade(folder, "--fail-on", "reject", "--fail-on", "review", code=0)
    assert done.stderr.splitlines()[-2] == "1 board: 0 accept, 0 review, 0 reject, 1 ungraded"
    grade(folder, "--fail-on", "ungraded", code=3)


def test_a_review_on_an_ungraded_board_is_told(tmp_path: Path) -> None:
    """With a guard band up to the whole land every joint waits for a person."""
    folder = written(tmp_path, {}, guard_pct=24.9)
    grade(folder, "--fail-on", "reject", code=0)
    grade(folder, "--fail-on", "review", code=3)
