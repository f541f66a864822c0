"""README and contributor's guide against the program: what they say is so, and what there is they say."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import vision
from models.limits import LimitSheet
from models.vocabulary import FINDINGS, MEASURES
from vision.cli import COMMANDS, main
from vision.setup import read_family, read_station
from vision.setup.family import _Chip, _Family, _Fiducial, _Joint, _View
from vision.setup.station import _Light, _Station

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    """The text of a README section down to the next heading of the same or a higher level."""
    found = re.search(rf"^(#+) {re.escape(title)}$\n(.*?)(?=^#{{1,3}} |\Z)", README, re.MULTILINE | re.DOTALL)
    assert found, title
    return found.group(2)


def test_the_job_stands_at_the_very_top_in_one_paragraph() -> None:
    title, paragraph, heading, *_ = README.split("\n\n")
    assert title == "# meniscope"
    assert heading.startswith("## What it looks like")
    assert len(paragraph.split()) > 100
    for word in ("process engineer", "pot", "repair bench", "drifting", "escape", "limits"):
        assert word in paragraph


def test_exactly_two_commands_set_up_and_run() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", section("Set up and run"), re.DOTALL)
    assert len(blocks) == 2
    assert all(block.count("\n") == 1 for block in blocks)
    assert blocks[0].endswith("meniscope demo\n")
    assert blocks[1].endswith("python -m pytest\n")
    assert all("python3 -m venv .venv" in block for block in blocks)


def test_extras_are_named_where_the_work_needs_them() -> None:
    """After the README's first command none of them is installed."""
    text = section("Your own boards")
    for extra in ("cad", "review", "parquet"):
        assert f"extra `{extra}`" in text
    assert text.count("pip install '.[") == 2
    assert "meniscope[" not in README + GUIDE  # an index would be asked for whatever bears that name


def test_the_ball_of_the_readme_is_the_one_that_examples_show() -> None:
    from vision.cli.station import command

    assert isinstance(command, click.Group)
    option = next(p for p in command.commands["example-pictures"].params if p.name == "ball_mm")
    told = re.findall(r"--ball-mm (\d+)", README + (command.commands["calibrate"].help or ""))
    assert len(told) == 2
    assert {float(size) for size in told} == {option.default}


def test_exit_codes_are_told_in_readme_and_help() -> None:
    help_text = re.sub(r"\s+", " ", main.help or "")
    readme = re.sub(r"\s+", " ", README)
    for code in ("0", "1", "2", "3", "130"):
        assert re.search(rf"[ ;,]{code}:", help_text), code
        assert re.search(rf"Exit codes:.*\b{code} ", readme), code


def test_benchmarks_are_called_as_the_scripts_they_are() -> None:
    assert "pytest tests/benchmarks" not in GUIDE
    for name in re.findall(r"python (tests/benchmarks/\w+\.py)", GUIDE):
        assert (ROOT / name).is_file()
    for path in (ROOT / "tests" / "benchmarks").glob("bench_*.py"):
        assert f"python tests/benchmarks/{path.name}" in path.read_text(encoding="utf-8").split('"""')[1], path.name


def test_ci_runs_the_readmes_test_command() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "grep -m1 -- '-m pytest' README.md" in script
    first = next(line for line in README.splitlines() if "-m pytest" in line)
    assert first.endswith(".venv/bin/python -m pytest")
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    named = re.search(r"\.\[([a-z,]+)\]", first)
    assert named
    assert set(named.group(1).split(",")) <= set(extras)


def test_pictures_are_there_and_small() -> None:
    names = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(names) >= 3
    for name in names:
        assert 0 < (ROOT / name).stat().st_size < 300_000


def test_links_lead_somewhere() -> None:
    for text in (README, GUIDE):
        for target in re.findall(r"(?<!!)\[[^\]]+\]\(([^)#]+)\)", text):
            assert (ROOT / target).exists(), target


def test_every_command_is_in_the_readme_with_its_own_line() -> None:
    table = dict(re.findall(r"^\| `meniscope ([a-z-]+)` \| (.+) \|$", README, re.MULTILINE))
    assert table == {name: entry.help.rstrip(".") for name, entry in COMMANDS.items()}


def test_every_finding_and_measurement_is_in_the_readme() -> None:
    rows = re.findall(r"^\| `([a-z_]+)` \| (.*?) \| (.+) \|$", section("What it finds"), re.MULTILINE)
    assert rows == [(finding.name, finding.part, finding.text) for finding in FINDINGS]
    rows = re.findall(r"^\| `([a-z_]+)` \| (.*?) ?\| (.+) \|$", section("What it measures"), re.MULTILINE)
    assert rows == [(measure.name, measure.unit, measure.text) for measure in MEASURES]


def test_every_key_and_column_is_in_the_readme() -> None:
    text = section("station.toml")
    for key in [*_Station.model_fields, *(f"lights.{name}" for name in _Light.model_fields)]:
        assert f"`{key}`" in text, key
    text = section("family.toml, joints.csv, chips.csv")
    for key in [*(name for name in _Family.model_fields if name not in ("fiducials", "views")),
                *(f"fiducials.{name}" for name in _Fiducial.model_fields),
                *(f"views.{name}" for name in _View.model_fields), *_Joint.model_fields, *_Chip.model_fields]:
        assert f"`{key}`" in text, key


def test_the_readmes_files_are_good_as_they_stand(tmp_path: Path) -> None:
    """Written down word by word they are read and checked, with nothing to say against them."""
    blocks = re.findall(r"```(?:toml|csv)\n(.*?)```", section("station.toml") + section(
        "family.toml, joints.csv, chips.csv"), re.DOTALL)
    folder, station = tmp_path / "psu-24", tmp_path / "station.toml"
    folder.mkdir()
    for path, text in zip((station, *(folder / name for name in ("family.toml", "joints.csv", "chips.csv"))), blocks,
                          strict=True):
        path.write_text(text, encoding="utf-8")
    assert [light.name for light in read_station(station).lights] == ["high", "middle", "low"]
    family = read_family(folder)
    assert [joint.name for joint in family.joints] == ["J1.1", "J1.2", "C1.1"]
    assert [chip.ref for chip in family.chips] == ["R1"]
    for command in (["station", "check-file", str(station)],
                    ["family", "check", str(folder), "--station", str(station)]):
        done = CliRunner().invoke(main, command)
        assert (done.exit_code, done.output) == (0, f"{command[2]}: good\n")


#: Commands that only write or change something: no `--json`, as the README says.
SILENT = {"station example-pictures", "family draw", "results backup", "results restore",
          "results upgrade", "results export", "results deliver", "review add-person", "review remove-person",
          "line answer", "line rehearse"}


def test_what_commands_answer_they_print_as_json_too() -> None:
    silent = set()
    for name in COMMANDS:
        top = main.get_command(click.Context(main), name)
        assert top is not None
        for path, found in walk(top, (name,)):
            if not isinstance(found, click.Group) and not any("--json" in option.opts for option in found.params):
                silent.add(" ".join(path))
    assert silent == SILENT
    named = re.search(r"have no `--json`", README)
    assert named
    shown = set(re.findall(r"`([a-z]+ [a-z-]+)`", README[named.start() - 130:named.start()]))
    assert shown == {"results export", "family draw", "results backup"} <= SILENT


def test_the_readme_names_the_colours_of_the_rings_that_its_pictures_show() -> None:
    """The gallery shows what the camera sees of the demo's rings; overlays and sheets are in false colours."""
    from synthetic_images.demo import demo_family, demo_station
    from vision.pipeline.pictures.tones import tones_in_words
    from vision.setup.station import light_bands

    station = demo_station(demo_family())
    told = re.sub(r"\s+", " ", section("What it looks like"))
    for light in station.lights:
        assert f"the {light.name} ring ({light.channel})" in told
    assert tones_in_words(station.lights, light_bands(station.lights)) == "blue high, green middle, red low"
    assert "in false colours, whatever colours the rings have: blue is what the highest ring lights" in told
    assert "green the middle ring; red the lowest" in told


def test_the_readmes_limit_sheet_is_read(tmp_path: Path) -> None:
    from models.limits import read_limits

    text = re.findall(r"```toml\n(.*?)```", section("limits.toml"), re.DOTALL)[0]
    (tmp_path / "limits.toml").write_text(text)
    sheet = read_limits(tmp_path / "limits.toml")
    assert isinstance(sheet, LimitSheet)
    assert sheet.rules[0].when[0].below == 270.0


def test_cautions_are_spoken() -> None:
    text = section("Limits and cautions").lower()
    for word in ("workmanship standard", "does not replace", "iron", "flux fume", "leaded", "light", "electrostatic"):
        assert word in text


def test_the_guide_names_every_room() -> None:
    rooms = {path.name for path in (ROOT / "vision").iterdir() if path.is_dir() and any(path.glob("*.py"))}
    for room in rooms:
        assert f"`vision/{room}/`" in GUIDE, room
    for topic in ("Conventions", "Run, test, bench", "Release", "(0.5, 0.5)", "counter-clockwise", "blue-green-red"):
        assert topic in GUIDE


def test_the_version_is_told_once() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == vision.__version__


def walk(command: click.Command, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Yield a command and all commands below it."""
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            found = command.get_command(context, name)
            assert found is not None
            yield from walk(found, (*path, name))


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_has_help(name: str) -> None:
    command = main.get_command(click.Context(main), name)
    assert command is not None
    assert COMMANDS[name].help.endswith(".")
    for path, found in walk(command, (name,)):
        where = " ".join(path)
        assert found.help, where
        assert len(found.get_short_help_str(200)) > 15, where
        for parameter in found.params:
            if isinstance(parameter, click.Option) and not parameter.hidden:
                assert parameter.help, f"{where} {parameter.name}"


@pytest.mark.parametrize("name", COMMANDS)
def test_overview_and_command_say_the_same(name: str) -> None:
    command = main.get_command(click.Context(main), name)
    assert command is not None
    assert command.get_short_help_str(200).rstrip(".") == COMMANDS[name].help.rstrip(".")


@pytest.mark.parametrize("name", COMMANDS)
def test_lists_of_commands_are_whole_in_a_narrow_terminal(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """80 columns: no line is cut with dots, and each command takes one line."""
    monkeypatch.setenv("COLUMNS", "80")
    command = main.get_command(click.Context(main), name)
    assert command is not None
    for path, found in walk(command, (name,)):
        if not isinstance(found, click.Group):
            continue
        done = CliRunner().invoke(main, [*path, "--help"], terminal_width=80)
        listed = done.output[done.output.index("\nCommands:\n"):].splitlines()[2:]
        assert [line.split()[0] for line in listed] == sorted(found.commands), " ".join(path)
        for line in listed:
            assert not line.rstrip().endswith("..."), line
            assert line.endswith("."), line


def test_every_imported_distribution_is_declared() -> None:
    import ast
    import sys

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = " ".join(project["dependencies"]).replace("opencv-python", "cv2").replace("scikit-learn", "sklearn")
    declared = declared.replace("pillow", "PIL")
    optional = project["optional-dependencies"]
    extras = " ".join(word for name, words in optional.items() if name != "dev" for word in words)
    extras = extras.replace("argon2-cffi", "argon2").replace("flask", "flask werkzeug markupsafe")
    for package in ("vision", "models", "synthetic_images"):
        for path in (ROOT / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                names = ([alias.name for alias in node.names] if isinstance(node, ast.Import) else
                         [node.module or ""] if isinstance(node, ast.ImportFrom) else [])
                for name in names:
                    top = name.split(".")[0]
                    if top not in sys.stdlib_module_names and top not in ("vision", "models", "synthetic_images"):
                        assert re.search(rf"\b{top}\b", f"{declared} {extras}"), f"{path}: {name}"
