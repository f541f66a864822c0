"""`meniscope family pixels`: learning on a small family, keeping only what is no worse."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from click.testing import CliRunner

from synthetic_images.demo import demo_family, demo_station
from vision.cli.family import command
from vision.setup import write_family, write_station


def test_curves_are_learned_judged_and_kept_only_if_no_worse(tmp_path: Path) -> None:
    family, station = demo_family(), demo_station()
    write_family(replace(family, views=family.views[:1]), tmp_path / "f")
    write_station(station, tmp_path / "station.toml")
    setup = ["pixels", str(tmp_path / "f"), "--station", str(tmp_path / "station.toml"), "--json"]
    result = CliRunner().invoke(command, [*setup, "--learn", "--write", "--boards", "3"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["points"] and len(told["judged"]) == 4
    assert told["better"] == (not any(item["worse"] for item in told["judged"]))
    assert told["written"] == told["better"] == (tmp_path / "f" / "pixels.csv").exists()
    again = json.loads(CliRunner().invoke(command, setup).stdout)
    assert again["points"] == (told["points"] if told["written"] else [])
