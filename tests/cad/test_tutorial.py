"""The tutorial's commands run as they stand, in its order, and teach a family in minutes."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.cad.tutorial import ROOM, commands, typed_at
from vision.cli import main
from vision.setup import read_family

pytest.importorskip("gerbonara")


def test_commands_of_the_tutorial(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(ROOM / "example", tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    told = []
    assert len(commands()) == 8
    for arguments in commands():
        typed = typed_at(arguments)
        if arguments[0] in ("train", "render"):
            arguments = [*arguments, "--jobs", "1"]  # noqa: PLW2901 - tests start no processes
        done = CliRunner().invoke(main, arguments, input=typed)
        assert done.exit_code == 0, (arguments, done.output, done.exception)
        told.append(done.output)
    family = read_family(tmp_path / "driver-9")
    assert {joint.ref: joint.pot for joint in family.joints} == {"J1": "P1", "Q1": "P2", "C1": "P1"}
    assert [chip.ref for chip in family.chips] == ["R1"]
    assert "leads of 2 joints are guesses: C1.1, C1.2" in told[0]
    assert "guesses" not in told[1]
    assert "stage x mm" in told[2]
    assert told[3] == "driver-9: good\n"
    assert (tmp_path / "map.svg").exists()
    assert (tmp_path / "driver-9" / "limits.toml").exists()
    assert "learned from 3 boards" in told[7]
    assert (tmp_path / "driver-9" / "recipe.toml").exists()
