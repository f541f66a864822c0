"""How verdicts and measurements hold on boards of a second renderer, drawn from analytic slope fields.

Run: nice python tests/benchmarks/bench_other_renderer.py [--pairs S0F0 S1F1 S2F2] [--boards 10] [--cache DIR]

What is measured and taught on the project's own renders may fit those renders only. This tells: for each pair of
station and family it teaches a limit sheet on the project's own renders, as `meniscope train` does, then grades boards
of tests/synthetic_images/sketch, which share no code with them. Escapes, false calls and reviews are counted outside
marginal joints, with exact 95 % intervals and by finding; measurements are compared with the slopes drawn. The worst
joints are listed with truth, finding, measured value and limit. All goals are sought only (escapes and false calls at
most 2 %). Take a seed that nobody has tuned on. --cache keeps the measured training boards, --keep the drawn ones.

Some truths are defined differently: coverage is 0 by definition where a cap of solder lies on the land without wetting
it, or solder on the land leaves the lead dry; such joints are left out of the mean error of coverage. Heights are not
compared: they follow from the whole course of slopes up to the lead, and no light of these stations shows slopes that
are steeper than 42 degrees.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pathtraced_report import FOUND, TRAIN_SEED, Graded, grade_lot, lines_of, table_of, taught, wrong, wrong_lines
from telling import tell

from models.evaluate import compare
from models.limits import LimitSheet
from tests.synthetic_images.sketch.boards import FAULT_RATE, write_lot
from tests.synthetic_images.sketch.layouts import DEFAULTS, Setting, setting
from vision.teaching.lots import in_parallel

NOT_COMPARED = ("fillet_height_mm",)


def main() -> int:
    """Teach, draw, grade and print; no goal is required."""
    given = _arguments()
    settings = [setting(name) for name in given.pairs]
    sheets = [taught(one, given) for one in settings]
    with tempfile.TemporaryDirectory(prefix="meniscope-sketch-") as name:
        job = partial(grade_one, settings=settings, sheets=sheets, folder=given.keep or Path(name),
                      boards=given.boards, seed=given.seed)
        graded = in_parallel(job, range(len(settings)), given.jobs, partial(tell, "grading pair"))
    whole = Graded.joined("all", graded)
    if given.json:
        print(json.dumps({one.name: as_json(one) for one in (*graded, whole)}, indent=2))
        return 0
    print(f"{given.train_boards} boards a pair taught (seed {TRAIN_SEED}), {given.boards} graded (seed {given.seed}, "
          f"{FAULT_RATE:.0%} of the joints with a fault)")
    for one in (*graded, whole) if len(graded) > 1 else graded:
        verdicts = compare(one.outcomes, workmanship_class=2)
        print("\n".join(lines_of(one, verdicts, escapes_pct=2, left_out=NOT_COMPARED)))
    print(f"\nthe worst of {len(wrong(whole))} wrongly graded (marginal joints left out):")
    print("\n".join(wrong_lines(worst(whole, given.worst))) or "  none")
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pairs", nargs="+", default=list(DEFAULTS), help="station and family, S0F0 to S2F2")
    parser.add_argument("--boards", type=int, default=10, help="boards graded per pair")
    parser.add_argument("--train-boards", type=int, default=24, help="rendered boards taught per pair")
    parser.add_argument("--seed", type=int, default=20_611, help="of the graded boards")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--worst", type=int, default=40, help="how many wrongly graded joints are listed")
    parser.add_argument("--cache", type=Path, help="folder that keeps the measured training boards")
    parser.add_argument("--keep", type=Path, help="folder for the drawn boards: station, family, pictures, truth.csv")
    parser.add_argument("--json", action="store_true")
    return parser.parse_args()


def grade_one(number: int, settings: Sequence[Setting], sheets: Sequence[LimitSheet], folder: Path, boards: int,
              seed: int) -> Graded:
    """Draw and grade the boards of one pair (in a worker)."""
    one = settings[number]
    graded = grade_lot(one, write_lot(folder / one.name, one, boards, seed), sheets[number])
    graded.pairs = [(comparable(true), seen, good) for true, seen, good in graded.pairs]
    return graded


def comparable(true: dict[str, float]) -> dict[str, float]:
    """Return a joint's true values as they are compared.

    Without a coverage that is 0 by definition while the land is covered; what is not stated to be there is not there.
    """
    by_definition = true.get("coverage_deg") == 0.0 and true.get("land_cover_pct", 0.0) > 0.0
    return dict.fromkeys((name for name, _, _ in FOUND), 0.0) | {
        name: value for name, value in true.items() if name != "coverage_deg" or not by_definition}


def worst(graded: Graded, most: int) -> Graded:
    """Return what was wrongly graded alone: escapes first, then false calls, then reviews, `most` of them."""
    order = ("accept", "reject", "ungraded", "review")
    return replace(graded, outcomes=sorted(wrong(graded), key=lambda one: order.index(one.verdict))[:most])


def as_json(graded: Graded) -> dict[str, Any]:
    """Return the numbers as plain data."""
    verdicts = compare(graded.outcomes, workmanship_class=2)
    return {"boards": verdicts.boards, "joints": len(graded.pairs), "not_graded": graded.lost,
            "escapes": verdicts.escapes.in_words(), "false_calls": verdicts.false_calls.in_words(),
            "good_to_review": verdicts.good_reviewed.in_words(),
            "by_finding": {group.name: {"clear": group.defects, "rejected": group.rejected,
                                        "to_review": group.reviewed, "escaped": group.escapes.count}
                           for group in verdicts.by_finding if group.defects},
            "measures": [row for row in table_of(graded) if row["what"].split(",")[0] not in NOT_COMPARED],
            "wrong": wrong_lines(worst(graded, len(graded.outcomes)))}


if __name__ == "__main__":
    sys.exit(main())
