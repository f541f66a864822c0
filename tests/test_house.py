"""The house rules that a reader could check by hand, checked by machine instead."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from models.vocabulary import FINDING, FINDINGS, MEASURE, MEASURES, VERDICTS, plain_name, with_unit

ROOT = Path(__file__).resolve().parents[1]
#: The rooms from the top of the house to its ground; imports run downward only.
ROOMS = ("vision.cli", "vision.review", "vision.report", "vision.line", "vision.teaching", "vision.records",
         "vision.calibration", "vision.pipeline", "vision.setup", "models")
#: The folders of the pipeline from the top to the ground. `vision.pipeline.measure` composes all of them but the
#: pictures, and each may hand over what `vision.pipeline.inspection` holds.
STAIRS = tuple(f"vision.pipeline.{name}" for name in (
    "pictures", "chips", "defects", "fillets", "leads", "light", "view", "arrays"))
MAY_RENDER = ("vision.cli", "vision.teaching")
PACKAGES = ("vision", "models", "synthetic_images")
MODULES = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def module_name(path: Path) -> str:
    """`vision/setup/family.py` -> `vision.setup.family`."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imports(path: Path) -> Iterator[tuple[int, str]]:
    """Yield (line, full module name) of everything that a file imports, also inside functions."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, name.name) for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            assert node.module is not None
            yield node.lineno, node.module
            if node.module.split(".")[0] in PACKAGES:
                yield from ((node.lineno, f"{node.module}.{name.name}") for name in node.names)


def room_of(name: str) -> str | None:
    return next((room for room in ROOMS if name == room or name.startswith(f"{room}.")), None)


def stair_of(name: str) -> int | None:
    return next((at for at, stair in enumerate(STAIRS) if name.startswith(f"{stair}.")), None)


def broken_rules(path: Path) -> list[str]:
    """Return the imports of a file that break the order of the rooms."""
    own = module_name(path)
    room = room_of(own)
    found = []
    for line, name in imports(path):
        package = name.split(".")[0]
        target = room_of(name)
        if package == "synthetic_images" and not own.startswith(("synthetic_images", *MAY_RENDER)):
            found.append(f"{own}:{line} imports {name}")
        elif own.startswith("synthetic_images"):
            outside = package in ("models",) or (package == "vision" and target != "vision.setup")
            strange = package not in ("vision", "models", "synthetic_images", "numpy", "scipy", "cv2")
            if outside or (strange and package not in sys.stdlib_module_names):
                found.append(f"{own}:{line} imports {name}")
        elif is_upstairs(own, name) or (target and room and ROOMS.index(target) < ROOMS.index(room)):
            found.append(f"{own}:{line} imports {name}")
    return found


def is_upstairs(own: str, name: str) -> bool:
    """Tell whether a module of the pipeline's folders imports from one above it."""
    here, there = stair_of(own), stair_of(name)
    if here is None:
        return False
    if there is not None:
        return there < here
    composes = name.startswith(("vision.pipeline.measure", "vision.pipeline.grade"))
    return composes and STAIRS[here] != "vision.pipeline.pictures"


def test_the_contributors_guide_lists_the_folders_of_the_pipeline() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = [line.split("|")[1].strip() for line in guide.splitlines() if line.startswith("| `")]
    assert [f"`{stair.rsplit('.', 1)[1]}/`" for stair in reversed(STAIRS)] == [
        row for row in rows if f"vision.pipeline.{row.strip('`/')}" in STAIRS]
    found = [path.name for path in (ROOT / "vision/pipeline").iterdir() if (path / "__init__.py").exists()]
    assert sorted(found) == sorted(stair.rsplit(".", 1)[1] for stair in STAIRS)


def test_top_level_holds_exactly_the_rooms_and_papers() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("no git checkout")
    names = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in names if not name.startswith(".")} == {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "vision", "models", "tests", "synthetic_images"}


@pytest.mark.parametrize("folder", sorted({path.parent for path in MODULES}), ids=lambda folder: folder.name)
def test_every_room_says_what_it_is_for(folder: Path) -> None:
    door = folder / "__init__.py"
    assert door.exists(), f"{folder}: a folder of modules without __init__.py"
    assert ast.get_docstring(ast.parse(door.read_text(encoding="utf-8"))) or folder.name == "versions"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_imports_run_downward_only(path: Path) -> None:
    assert broken_rules(path) == []


@pytest.mark.parametrize(("file", "line"), [
    ("vision/setup/x.py", "from vision.pipeline import grade"),
    ("vision/pipeline/x.py", "import synthetic_images.lot"),
    ("vision/pipeline/x.py", "from vision import records"),
    ("vision/pipeline/view/x.py", "from vision.pipeline.leads.lead import find_leads"),
    ("vision/pipeline/leads/x.py", "from vision.pipeline import measure"),
    ("models/x.py", "def f():\n    from vision.setup import Family"),
    ("models/x.py", "import synthetic_images"),
    ("synthetic_images/x.py", "from vision.pipeline import capture"),
    ("synthetic_images/x.py", "from models.vocabulary import FINDINGS"),
    ("synthetic_images/x.py", "import skimage"),
])
def test_the_import_check_sees_a_breach(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, file: str, line: str) -> None:
    monkeypatch.setattr(f"{__name__}.ROOT", tmp_path)
    path = tmp_path / file
    path.parent.mkdir(parents=True)
    path.write_text(line)
    assert len(broken_rules(path)) >= 1


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_nothing_is_pickled(path: Path) -> None:
    banned = {"pickle", "cPickle", "dill", "cloudpickle", "shelve", "marshal", "joblib"}
    assert [name for _, name in imports(path) if name.split(".")[0] in banned] == []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.keyword) and node.arg == "allow_pickle":
            assert isinstance(node.value, ast.Constant)
            assert node.value.value is False


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_only_the_commands_print(path: Path) -> None:
    if module_name(path).startswith("vision.cli"):
        return
    assert "click" not in {name.split(".")[0] for _, name in imports(path)}
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    assert [call.lineno for call in calls if isinstance(call.func, ast.Name) and call.func.id == "print"] == []


def test_vocabulary_is_complete_and_its_names_carry_their_units() -> None:
    assert len(FINDING) == len(FINDINGS) == 11
    assert len(MEASURE) == len(MEASURES)
    assert VERDICTS == ("accept", "review", "reject", "ungraded")
    suffix = {"deg": "_deg", "mm": "_mm", "%": "_pct", "": ""}
    for measure in MEASURES:
        assert measure.name.endswith(suffix[measure.unit])
        assert measure.unit or not measure.name.endswith(tuple(filter(None, suffix.values())))
        assert measure.text
        assert measure.step > 0.0
        assert measure.decimals >= 0
    for finding in FINDINGS:
        assert finding.text.endswith(".")
        assert finding.title == finding.title.lower()


def test_values_are_said_as_a_person_would_say_them() -> None:
    assert with_unit("coverage_deg", 212.3) == "212 deg"
    assert with_unit("hole_open_pct", 61.2) == "61 %"
    assert with_unit("ball_diameter_mm", 0.3499) == "0.35 mm"
    assert with_unit("convexity", -0.4) == "-0.40"
    assert plain_name("land_cover_pct") == "land cover"
