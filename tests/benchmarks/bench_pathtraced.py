"""How verdicts and measurements hold on boards drawn by an independent path tracer (Mitsuba 3).

Run: nice python tests/benchmarks/bench_pathtraced.py [--boards 6] [--train-boards 24] [--cache DIR] [--keep DIR]

Teaches a limit sheet for each of two families and stations on the project's own renders, then grades boards whose
geometry, materials, light transport and camera come from tests/synthetic_images/pathtrace. Escapes, false calls and
reviews are counted outside marginal joints, with exact 95 % intervals; measurements are compared with the traced
geometry. Every wrongly graded joint is listed with its truth, finding, measured value and limit. Traced boards and
measured training boards are kept in --cache; --keep keeps pictures, truth, overlays and crops of what was graded
wrongly. Needs the extra `pathtrace`.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pathtraced_report import Graded, grade_lot, lines_of, table_of, taught, write_crops, wrong_lines

from models.evaluate import compare
from tests.synthetic_images.pathtrace.layouts import SETTINGS, Setting

TRACE_SEED = 1


def main() -> int:
    """Teach, trace, grade and print; return 1 where escapes exceed 1 % or false calls 2 %."""
    given = _arguments()
    if importlib.util.find_spec("mitsuba") is None:
        print("Mitsuba 3 is not installed: pip install '.[pathtrace]'", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory(prefix="meniscope-pathtraced-") as name:
        folder = given.keep or Path(name)
        graded = [one_setting(SETTINGS[name](), folder, given) for name in given.settings]
    whole = Graded.joined("all", graded)
    reached = True
    for one in (*graded, whole) if len(graded) > 1 else graded:
        verdicts = compare(one.outcomes, workmanship_class=2)
        reached = verdicts.escapes.share <= 0.01 and verdicts.false_calls.share <= 0.02
        print("\n".join(lines_of(one, verdicts)))
    print("\nwrongly graded (marginal joints left out):")
    print("\n".join(wrong_lines(whole)) or "  none")
    if given.json:
        given.json.write_text(json.dumps(as_json(whole), indent=2) + "\n")
    return 0 if reached else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=6, help="traced boards per family and station")
    parser.add_argument("--train-boards", type=int, default=24, help="rendered boards taught per family and station")
    parser.add_argument("--seed", type=int, default=TRACE_SEED, help="of the traced boards")
    parser.add_argument("--samples", type=int, default=48, help="paths per pixel")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--settings", nargs="+", choices=("one", "two"), default=["one", "two"])
    parser.add_argument("--cache", type=Path, help="folder that keeps traced boards and measured training boards")
    parser.add_argument("--keep", type=Path, help="folder for pictures, truth.csv, limit sheets and overlays")
    parser.add_argument("--json", type=Path, help="file for the numbers")
    return parser.parse_args()


def one_setting(setting: Setting, folder: Path, given: argparse.Namespace) -> Graded:
    """Teach one family at its station and grade its traced boards."""
    from tests.synthetic_images.pathtrace.boards import write_lot

    sheet = taught(setting, given)
    pictures = write_lot(folder / setting.name, setting, given.boards, given.seed, given.samples,
                         given.cache / "traced" if given.cache else None)
    graded = grade_lot(setting, pictures, sheet, folder / setting.name / "overlays" if given.keep else None)
    if given.keep:
        from models.limits import write_limits

        write_limits(sheet, folder / setting.name / "limits.toml")
        write_crops(graded, setting, folder / setting.name)
    return graded


def as_json(graded: Graded) -> dict[str, Any]:
    """Return the numbers as plain data."""
    verdicts = compare(graded.outcomes, workmanship_class=2)
    return {"boards": verdicts.boards, "joints": len(graded.pairs), "not_graded": graded.lost,
            "escapes": verdicts.escapes.in_words(), "false_calls": verdicts.false_calls.in_words(),
            "good_to_review": verdicts.good_reviewed.in_words(), "measures": table_of(graded),
            "wrong": wrong_lines(graded)}


if __name__ == "__main__":
    sys.exit(main())
