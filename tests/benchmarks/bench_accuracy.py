"""How right verdicts and measurements are on rendered boards of seeds and families that training has not seen.

Run: nice python tests/benchmarks/bench_accuracy.py [--boards 24] [--train-boards 48] [--jobs 2] [--conditions] [--json]

Teaches a limit sheet on boards of the demo family, then grades boards of other seeds of families laid out anew.
Escapes, false calls and reviews are counted outside marginal joints, with exact 95 % intervals; measurements are
compared with the renderer's truth, registration with where the renderer put the board (up to 0.5 mm and 1.2 degrees
off). With --conditions the same boards are seen by a station that differs from the one taught: gain, one dim light,
blur, ring angles, and boards with flux residue. Prints one table a condition and every goal with reached or missed.
Exit 1 where a required goal is missed at the taught station; sought goals are only told.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from telling import tell

from models.evaluate import Comparison, Outcome, compare, counted
from models.limits import LimitSheet
from synthetic_images.board import RenderedView, plan_board, render_view
from synthetic_images.camera import expose
from synthetic_images.demo import demo_family, demo_station
from synthetic_images.lot import write_truth
from synthetic_images.recipe import Recipe, default_recipe
from vision.pipeline.folder import BoardFiles, scan_folder
from vision.pipeline.grade import grade_board
from vision.pipeline.view.capture import load_view
from vision.pipeline.view.register import RegistrationError, register_view
from vision.setup import Family, Similarity, Station
from vision.teaching import outcomes, read_truth
from vision.teaching.conditions import shifted, with_residue
from vision.teaching.lots import training_tables
from vision.teaching.teach import learn

TRAIN_SEED = 1
FAMILIES = 4  # test boards are of demo families 1 to this, training boards of family 0
DEFECT_RATE = 0.25


@dataclass(frozen=True)
class Condition:
    """How the station that takes the pictures differs from the one that was taught."""

    name: str
    gains: tuple[float, ...] = (1.0, 1.0, 1.0)
    blur_px: float | None = None
    ring_shift_deg: float = 0.0
    residue: float | None = None  # strength of flux residue all over the board; None: as the recipe has it

    @property
    def scene(self) -> tuple[float, float | None]:
        """Return what a board must be rendered anew for."""
        return self.ring_shift_deg, self.residue


TAUGHT = Condition("as taught")
CONDITIONS = (TAUGHT, Condition("gain +20 %", (1.2, 1.2, 1.2)), Condition("gain -20 %", (0.8, 0.8, 0.8)),
              Condition("high light -30 %", (0.7, 1.0, 1.0)), Condition("middle light -30 %", (1.0, 0.7, 1.0)),
              Condition("low light -30 %", (1.0, 1.0, 0.7)), Condition("blur 1.2 px", blur_px=1.2),
              Condition("rings +3 deg", ring_shift_deg=3.0), Condition("rings -3 deg", ring_shift_deg=-3.0),
              Condition("residue", residue=0.6))


@dataclass
class Seen:
    """What one condition gave on some boards."""

    outcomes: list[Outcome] = field(default_factory=list)
    pairs: list[tuple[dict[str, float], dict[str, float]]] = field(default_factory=list)  # true and measured, a joint
    misplaced_mm: list[list[float]] = field(default_factory=list)  # a board, its joints' registration errors
    lost: list[str] = field(default_factory=list)  # boards not graded, with the reason

    def add(self, other: Seen) -> None:
        self.outcomes += other.outcomes
        self.pairs += other.pairs
        self.misplaced_mm += other.misplaced_mm
        self.lost += other.lost


@dataclass(frozen=True)
class Goal:
    """One line of the table: a value, its goal and whether it is required or only sought."""

    what: str
    value: float
    limit: float
    at_least: bool
    unit: str
    note: str
    required: bool = False

    @property
    def reached(self) -> bool:
        return bool(self.value >= self.limit if self.at_least else self.value <= self.limit)

    def line(self) -> str:
        side = "at least" if self.at_least else "at most"
        word = "reached" if self.reached else "not tried" if np.isnan(self.value) else "MISSED"
        kind = "required" if self.required else "sought"
        return (f"  {self.what:<44}{self.value:>10.4f} {self.unit:<4} {kind} {side} {self.limit:g}".ljust(88)
                + f"{word:<10}{self.note}")


def main() -> int:
    """Teach, grade and print; return 1 where a required goal is missed."""
    given = _arguments()
    station = demo_station()
    tables = training_tables(demo_family(0), station, boards=given.train_boards, seed=TRAIN_SEED, jobs=given.jobs,
                             cache=given.cache, progress=partial(tell, "teaching"))
    sheet = learn(demo_family(0), tables.joints, tables.chips, boards=given.train_boards, seed=TRAIN_SEED,
                  folds=0).sheet
    conditions = CONDITIONS if given.conditions else (TAUGHT,)
    found = grade_all(sheet, conditions, given.boards, given.seed, given.jobs)
    results = {name: (compare(seen.outcomes, workmanship_class=2), goals(seen)) for name, seen in found.items()}
    if given.json:
        print(json.dumps({name: as_json(found[name], *result) for name, result in results.items()}, indent=2))
    else:
        print(f"{given.train_boards} boards of demo family 0 taught (seed {TRAIN_SEED}), {len(sheet.rules)} rules; "
              f"{given.boards} boards of demo families 1 to {FAMILIES} graded (seed {given.seed})")
        for name, result in results.items():
            print_table(name, found[name], *result)
    return 0 if all(goal.reached for goal in results[TAUGHT.name][1] if goal.required) else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=24, help="boards graded")
    parser.add_argument("--train-boards", type=int, default=48, help="boards taught")
    parser.add_argument("--seed", type=int, default=70_341, help="of the graded boards")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, help="folder that keeps the measured training boards")
    parser.add_argument("--conditions", action="store_true", help="also with a station that has drifted")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    if given.seed == TRAIN_SEED:
        parser.error(f"--seed {given.seed} is the seed of the taught boards; choose another")
    return given


def grade_all(sheet: LimitSheet, conditions: Sequence[Condition], boards: int, seed: int,
              jobs: int) -> dict[str, Seen]:
    """Render and grade all boards under all conditions, boards side by side."""
    found = {condition.name: Seen() for condition in conditions}
    job = partial(grade_one, sheet=sheet, conditions=tuple(conditions), seed=seed)
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for done, board in enumerate(pool.map(job, range(boards)), start=1):
            for name, seen in board.items():
                found[name].add(seen)
            tell("grading", done, boards)
    return found


def grade_one(number: int, sheet: LimitSheet, conditions: Sequence[Condition], seed: int,
              station: Station | None = None, recipe: Recipe | None = None) -> dict[str, Seen]:
    """Render one board as every condition shows it and grade it (in a worker); the station is the demo's by default."""
    cv2.setNumThreads(1)
    family, station = demo_family(1 + number % FAMILIES), station or demo_station()
    plan = plan_board(family, np.random.default_rng([seed, number]), recipe=recipe, defect_rate=DEFECT_RATE)
    serial, view = f"T{number:04d}", family.views[0]
    scenes = dict.fromkeys(condition.scene for condition in conditions)
    rendered = {scene: render_view(with_residue(plan, scene[1]), view, shifted(station, scene[0]), serial=serial)
                for scene in scenes}
    found = {}
    for condition in conditions:
        shown = rendered[condition.scene]
        with tempfile.TemporaryDirectory(prefix="meniscope-accuracy-") as name:
            folder = Path(name)
            write_truth(list(shown.rows), folder / "truth.csv")
            for exposure, picture in _pictures(shown, condition, plan.recipe, station, [seed, number]).items():
                cv2.imwrite(str(folder / station.files.format(serial=serial, view=view.name, exposure=exposure)),
                            picture)
            files = scan_folder(folder, station, family)[0]
            found[condition.name] = _graded(files, folder, family, station, sheet, shown.board_to_px, condition.name)
    return found


def _pictures(shown: RenderedView, condition: Condition, recipe: Recipe, station: Station,
              seed: list[int]) -> dict[str, NDArray[Any]]:
    if condition.blur_px is None and set(condition.gains) == {1.0}:
        return dict(shown.pictures)
    entries = dict((recipe or default_recipe()).entries)
    if condition.blur_px is not None:
        blur = entries["camera.blur"]
        entries["camera.blur"] = replace(blur, kind="fixed", low=condition.blur_px, high=condition.blur_px)
    gains = np.array(condition.gains, dtype=np.float32)[:, None, None]
    return dict(expose(shown.responses * gains, station, Recipe(entries), np.random.default_rng([*seed, 1])))


def _graded(files: BoardFiles, folder: Path, family: Family, station: Station, sheet: LimitSheet, true: Similarity,
            condition: str) -> Seen:
    """Grade one board and set it beside the truth."""
    inspection, truth = grade_board(files, family, station, sheet), read_truth(folder)
    seen = Seen(outcomes([inspection], truth, condition))
    if not inspection.joints:
        seen.lost.append(f"{files.serial}: {inspection.reason}")
        return seen
    for joint in inspection.joints:
        row = truth.get((files.serial, joint.ref, joint.pin))
        if row is not None and not joint.reason:
            seen.pairs.append((dict(row.exact), dict(joint.measurements)))
    try:
        found = register_view(load_view(family.views[0].name, files.pictures, station), family, family.views[0],
                              station).to_picture
    except RegistrationError as error:
        seen.lost.append(f"{files.serial}: {error}")
        return seen
    places = [(joint.x_mm, joint.y_mm) for joint in family.joints]
    off = np.hypot(*(found.to_px(places) - true.to_px(places)).T) * station.mm_per_px
    seen.misplaced_mm.append(off.tolist())
    return seen


def _both(seen: Seen, name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return true and measured values of all joints, NaN where unknown."""
    nan = float("nan")
    return (np.array([true.get(name, nan) for true, _ in seen.pairs]),
            np.array([measured.get(name, nan) for _, measured in seen.pairs]))


def _error(seen: Seen, name: str, low: float = -np.inf, high: float = np.inf) -> tuple[float, str]:
    """Return the mean absolute error over joints whose truth lies within bounds, and over how many it was taken."""
    true, measured = _both(seen, name)
    asked = (true >= low) & (true <= high)
    known = asked & np.isfinite(measured)
    lost = int(asked.sum() - known.sum())
    note = f"{known.sum()} joints" + (f", {lost} without a value" if lost else "")
    if not known.any():
        return float("nan"), note
    rest = (measured - true)[known]
    return float(np.abs(rest).mean()), note + f", bias {rest.mean():+.3f}"


def _found(seen: Seen, name: str, from_mm: float) -> tuple[float, str]:
    """Return the share (%) of things from a size on that were found at all, with counts and exact interval."""
    true, measured = _both(seen, name)
    rate = counted(int((measured[true >= from_mm] > 0.0).sum()), int((true >= from_mm).sum()))
    return (100.0 * rate.share if rate.of else float("nan")), rate.in_words()


def goals(seen: Seen) -> list[Goal]:
    """Return every goal with its value."""
    verdicts = compare(seen.outcomes, workmanship_class=2)
    off = np.array([value for board in seen.misplaced_mm for value in board])
    rms = float(np.sqrt((off**2).mean())) if len(off) else float("nan")
    boards = [float(np.sqrt((np.array(board)**2).mean())) for board in seen.misplaced_mm]
    where = f"{len(boards)} boards, worst {max(boards, default=np.nan):.4f}"
    ball_true, ball = _both(seen, "ball_diameter_mm")
    known = (ball_true >= 0.15) & (ball > 0.0)
    near = counted(int((np.abs(ball - ball_true)[known] <= 0.05).sum()), int(known.sum()))
    listed = [
        Goal("escapes", 100.0 * verdicts.escapes.share, 1.0, False, "%", verdicts.escapes.in_words(), True),
        Goal("false calls", 100.0 * verdicts.false_calls.share, 2.0, False, "%", verdicts.false_calls.in_words(), True),
        Goal("coverage, mean absolute error", *_split(_error(seen, "coverage_deg"), 8.0, "deg"), required=True),
        Goal("registration, RMS at the joints", rms, 0.03, False, "mm", where, required=True),
        Goal("coverage, mean absolute error", *_split(_error(seen, "coverage_deg"), 5.0, "deg")),
        Goal("land cover, mean absolute error", *_split(_error(seen, "land_cover_pct"), 3.0, "%")),
        Goal("wetting angle 10 to 45 deg, mean abs. error",
             *_split(_error(seen, "wetting_angle_deg", 10.0, 45.0), 6.0, "deg")),
        Goal("fillet height, mean absolute error", *_split(_error(seen, "fillet_height_mm"), 0.08, "mm")),
        Goal("lead offset, mean absolute error", *_split(_error(seen, "lead_offset_mm"), 0.04, "mm")),
        Goal("bridges from 0.25 mm found", *_split(_found(seen, "bridge_width_mm", 0.25), 99.0, "%", True)),
        Goal("balls from 0.15 mm found", *_split(_found(seen, "ball_diameter_mm", 0.15), 97.0, "%", True)),
        Goal("balls found: diameter, mean absolute error",
             float(np.abs(ball - ball_true)[known].mean()) if known.any() else float("nan"), 0.05, False, "mm",
             f"within 0.05 mm: {near.in_words()}"),
        Goal("registration, RMS at the joints", rms, 0.015, False, "mm", where)]
    return listed


def _split(value_and_note: tuple[float, str], limit: float, unit: str,
           at_least: bool = False) -> tuple[float, float, bool, str, str]:
    return value_and_note[0], limit, at_least, unit, value_and_note[1]


def others(seen: Seen) -> list[str]:
    """Return lines on where errors of cover lie, and on measurements without a goal."""
    lines = []
    for what, name, bounds in (("coverage", "coverage_deg", (-1.0, 5.0, 180.0, 345.0, 361.0)),
                               ("land cover", "land_cover_pct", (-1.0, 5.0, 50.0, 90.0, 101.0))):
        for low, high in pairwise(bounds):
            error, note = _error(seen, name, low, high)
            lines.append(f"  {what} truly {max(low, 0.0):g} to {min(high, 360.0):g}: off by {error:.2f} ({note})")
    for what, name, least in (("pits", "pit_diameter_mm", 0.15), ("projections", "projection_mm", 0.25),
                              ("bridges", "bridge_width_mm", 0.25)):
        error, note = _error(seen, name, least)
        lines.append(f"  {what} from {least:g} mm: found {_found(seen, name, least)[1]}; size off by {error:.3f} mm "
                     f"({note})")
        true, measured = _both(seen, name)
        clear = counted(int((measured[true == 0.0] > 0.0).sum()), int((true == 0.0).sum()))
        lines.append(f"  {what} seen where none is: {clear.in_words()}")
    return lines


def print_table(name: str, seen: Seen, verdicts: Comparison, listed: Sequence[Goal]) -> None:
    """Print what one condition gave."""
    print(f"\n{name}: {verdicts.boards} boards, {len(seen.pairs)} joints measured, {len(seen.lost)} boards not graded")
    for reason in seen.lost[:5]:
        print(f"  {reason}")
    print(f"  {'':<44}escapes, reject, review | of clear defects")
    for group in (*verdicts.by_finding, *verdicts.indicators):
        if group.defects:
            what = group.name + (" (indicator)" if group in verdicts.indicators else "")
            print(f"  {what:<44}{group.escapes.count}, {group.rejected}, {group.reviewed} | {group.defects}"
                  f"   escapes {group.escapes.in_words()}")
    print(f"  defects to review: {verdicts.defects_reviewed.in_words()}")
    print(f"  good to review:    {verdicts.good_reviewed.in_words()}")
    for goal in listed:
        print(goal.line())
    print("\n".join(others(seen)))
    for line in where_called_falsely(seen):
        print(f"  {line}")
    for one in verdicts.worst:
        if one.verdict == "accept":
            print(f"  escaped: {one.board} {one.name} {'+'.join(one.truth)}")


def where_called_falsely(seen: Seen) -> list[str]:
    """Return lines that count the false calls by finding and by board."""
    called = [one for one in seen.outcomes if one.verdict == "reject" and not one.truth and not one.marginal]
    return [f"false calls by {what}: {', '.join(f'{key} {count}' for key, count in counts.most_common(8)) or 'none'}"
            for what, counts in (("finding", Counter(one.found[0] for one in called)),
                                 ("board", Counter(one.board for one in called)))]


def as_json(seen: Seen, verdicts: Comparison, listed: Sequence[Goal]) -> dict[str, Any]:
    """Return the table of one condition as plain data."""
    return {"boards": verdicts.boards, "joints": len(seen.pairs), "not_graded": seen.lost,
            "escapes": verdicts.escapes.in_words(), "false_calls": verdicts.false_calls.in_words(),
            "good_to_review": verdicts.good_reviewed.in_words(),
            "defects_to_review": verdicts.defects_reviewed.in_words(),
            "by_finding": {group.name: {"escapes": group.escapes.count, "rejected": group.rejected,
                                        "reviewed": group.reviewed, "of": group.defects}
                           for group in verdicts.by_finding},
            "goals": [{"what": goal.what, "value": None if np.isnan(goal.value) else round(goal.value, 4),
                       "limit": goal.limit, "side": "at least" if goal.at_least else "at most", "unit": goal.unit,
                       "required": goal.required, "reached": goal.reached, "note": goal.note} for goal in listed],
            "others": [line.strip() for line in others(seen)]}


if __name__ == "__main__":
    sys.exit(main())
