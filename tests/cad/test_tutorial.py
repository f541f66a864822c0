"""The tutorial's commands run as they stand, in its order, and teach a family in minutes."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from vision.cli import main
from vision.setup import read_family

pytest.importorskip("gerbonara")

ROOM = Path(__file__).resolve().parents[2] / "vision" / "setup" / "cad"
#: What is typed at a command that asks: the capacitor's lead.
TYPED = {"--ask": "round 0.6\n"}


def commands() -> list[list[str]]:
    lines = (ROOM / "TUTORIAL.md").read_text(encoding="utf-8").splitlines()
    return [shlex.split(line)[1:] for line in lines if line.startswith("    meniscope ")]


def test_commands_of_the_tutorial(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(ROOM / "example", tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    told = []
    assert len(commands()) == 8
    for arguments in commands():
        typed = "".join(text for flag, text in TYPED.items() if flag in arguments)
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
