"""How right the pipeline measures at stations unlike the usual one: lights, channels, exposures, resolution, distance.

Run: nice python tests/benchmarks/bench_stations.py [--stations NAME ...] [--boards 16] [--train-boards 24] [--seed N]
     [--jobs 2] [--cache DIR] [--json]

For every invented station a limit sheet is taught on demo family 0 and boards of families laid out anew are graded,
with other seeds, the same boards at every station. One line a station; the first is the usual one.

What no program can mend:
- two bands of light tell only on which side of their border a slope lies, no course of slopes: toes flatter than the
  border's reach look like land, heights and wetting angles are rough;
- where nothing steeper than 33 degrees is lit, good fillets are dark nearly to their toe: wetting angles above that
  cannot be told, heights are guesses;
- a ball or pit below about six pixels is like any glint or speck: 0.15 mm are 1.5 pixels at 10 px/mm, 2.3 at 15, 3.8
  at 25. `meniscope station show` says from which size on a station shows them;
- where bars leave a side unlit, what falls that way is judged by the other lights alone.

What the renderer lacks of what a station file can describe: under a lens at a finite distance only leads and spikes
stand aside; fillets, balls, necks and chips are drawn as from straight above (0.4 mm of solder at the view's corner
would stand aside by 0.04 mm at the station `near`).
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from bench_accuracy import FAMILIES, TAUGHT, TRAIN_SEED, Seen, _error, _found, grade_one, where_called_falsely

from models.evaluate import compare
from models.limits import LimitSheet
from synthetic_images.camera import white_sheet
from synthetic_images.demo import demo_family, demo_station
from synthetic_images.recipe import Distribution, Recipe, default_recipe
from vision.setup import Light, Station, view_size_px
from vision.teaching.lots import training_tables
from vision.teaching.teach import learn


@dataclass(frozen=True)
class Setup:
    """A station and how its pictures are made."""

    station: Station
    bits: int = 8
    flat_fields: bool = False
    note: str = ""


def _ring(name: str, exposure: str, channel: str, low: float, high: float,
          azimuth: tuple[float, float] = (0.0, 360.0)) -> Light:
    return Light(name, exposure, channel, (low, high), azimuth)  # type: ignore[arg-type]


def _usual_rings(exposure: str = "a") -> tuple[Light, ...]:
    return (_ring("high", exposure, "blue", 8.0, 26.0), _ring("middle", exposure, "red", 30.0, 50.0),
            _ring("low", exposure, "green", 54.0, 78.0))


def setups() -> Mapping[str, Setup]:
    """Return the invented stations by name."""
    png, one = "{serial}_{view}_{exposure}.png", "{serial}_{view}.png"
    strong = ((0.86, 0.10, 0.04), (0.08, 0.84, 0.08), (0.03, 0.12, 0.85))
    near = tuple(replace(light, distance_mm=110.0) for light in _usual_rings())
    bars = tuple(_ring(f"low-{side}", "b", channel, 42.0, 68.0, (turn - 55.0, turn + 55.0))
                 for side, channel, turn in (("east", "red", 0.0), ("north", "green", 90.0), ("west", "blue", 180.0)))
    named = {
        "usual": Setup(demo_station(), note="3 rings, red-green-blue, 50 px/mm, 8 bit"),
        "two-mono": Setup(Station("two-mono", 1 / 30, png, (
            _ring("top", "1", "mono", 6.0, 34.0), _ring("side", "2", "mono", 40.0, 74.0)), black_level=4.0),
            note="2 rings, each a mono exposure, 30 px/mm"),
        "four-mixed": Setup(Station("four-mixed", 1 / 40, png, (
            _ring("a", "rgb", "red", 6.0, 20.0), _ring("b", "rgb", "green", 23.0, 38.0),
            _ring("c", "rgb", "blue", 41.0, 56.0), _ring("d", "mono", "mono", 60.0, 80.0)), black_level=2.0,
            cross_talk=demo_station().cross_talk), note="4 rings: a colour exposure and a mono one, 40 px/mm"),
        "six-two-colour": Setup(Station("six-two-colour", 1 / 40, "{view}-{serial}-{exposure}.tif", (
            _ring("r1", "low", "green", 66.0, 80.0), _ring("r2", "low", "red", 53.0, 64.0),
            _ring("r3", "low", "blue", 41.0, 51.0), _ring("r4", "high", "green", 29.0, 39.0),
            _ring("r5", "high", "red", 17.0, 27.0), _ring("r6", "high", "blue", 5.0, 15.0))),
            note="6 rings in two colour exposures, named from the lowest up, 40 px/mm"),
        "ten-px": Setup(replace(demo_station(), name="ten-px", mm_per_px=0.1), note="3 rings, 10 px/mm"),
        "fifteen-px": Setup(Station("fifteen-px", 1 / 15, one, _usual_rings("")), note="3 rings, 15 px/mm"),
        "twenty-five-px": Setup(replace(demo_station(), name="twenty-five-px", mm_per_px=0.04,
                                        files="{serial}_{view}_{exposure}.bmp"), note="3 rings, 25 px/mm, BMP"),
        "sixty-px": Setup(replace(demo_station(), name="sixty-px", mm_per_px=1 / 60), note="3 rings, 60 px/mm"),
        "other-bands": Setup(Station("other-bands", 0.025, one, (
            _ring("outer", "", "blue", 46.0, 66.0), _ring("mid", "", "green", 22.0, 42.0),
            _ring("lens", "", "red", 4.0, 18.0)), black_level=10.0),
            note="3 rings nearer the lens, order and channels exchanged, 40 px/mm"),
        "bars": Setup(Station("bars", 1 / 40, png, (
            _ring("lens", "a", "green", 6.0, 20.0), _ring("mid", "a", "red", 24.0, 42.0), *bars), black_level=3.0),
            note="2 rings and 3 bars over 110 degrees each (one side unlit), 40 px/mm"),
        "near": Setup(replace(demo_station(), name="near", mm_per_px=0.025, lights=near, working_distance_mm=130.0),
                      flat_fields=True, note="3 rings 110 mm away, lens at 130 mm, flat fields, 40 px/mm"),
        "deep": Setup(Station("deep", 0.03, "{serial}_{view}_{exposure}.tiff", _usual_rings(), black_level=900.0,
                              cross_talk=strong), bits=16, flat_fields=True,
                      note="16 bit TIFF, black level 900, strong cross talk, flat fields, 33 px/mm"),
    }
    return named


def main() -> int:
    """Teach, grade and print every station; return 0."""
    given = _arguments()
    rows = {}
    for name in given.stations or list(setups()):
        with tempfile.TemporaryDirectory(prefix="meniscope-stations-") as folder:
            setup = setups()[name]
            seen = grade_station(setup, Path(folder), given)
        rows[name] = {"note": setup.note, **numbers(seen)}
        if not given.json:
            _print(name, rows[name], seen, first=len(rows) == 1)
    if given.json:
        print(json.dumps(rows, indent=2))
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stations", nargs="+", choices=list(setups()), metavar="NAME", help="all by default")
    parser.add_argument("--boards", type=int, default=16, help="boards graded at each station")
    parser.add_argument("--train-boards", type=int, default=24, help="boards taught at each station")
    parser.add_argument("--seed", type=int, default=90_417, help="of the graded boards")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, help="folder that keeps the measured training boards")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    if given.seed == TRAIN_SEED:
        parser.error(f"--seed {given.seed} is the seed of the taught boards; choose another")
    return given


def grade_station(setup: Setup, folder: Path, given: argparse.Namespace) -> Seen:
    """Teach a sheet for a station and grade boards with it; flat fields go into the folder."""
    recipe, station = _recipe(setup.bits), setup.station
    if setup.flat_fields:
        station = with_flat_fields(station, folder, recipe)
    tables = training_tables(demo_family(0), station, boards=given.train_boards, seed=TRAIN_SEED, jobs=given.jobs,
                             cache=given.cache, recipe=recipe)
    sheet = learn(demo_family(0), tables.joints, tables.chips, boards=given.train_boards, seed=TRAIN_SEED,
                  folds=0).sheet
    found = Seen()
    for board in _graded(sheet, station, recipe, given):
        found.add(board)
    found.lost += [f"taught {reason}" for reason in tables.unmeasured]
    return found


def _graded(sheet: LimitSheet, station: Station, recipe: Recipe, given: argparse.Namespace) -> list[Seen]:
    job = partial(grade_one, sheet=sheet, conditions=(TAUGHT,), seed=given.seed, station=station, recipe=recipe)
    if given.jobs == 1:
        return [job(number)[TAUGHT.name] for number in range(given.boards)]
    with ProcessPoolExecutor(given.jobs, mp_context=get_context("spawn")) as pool:
        return [board[TAUGHT.name] for board in pool.map(job, range(given.boards))]


def _recipe(bits: int) -> Recipe:
    entries: dict[str, Distribution] = dict(default_recipe().entries)
    entries["camera.bits"] = replace(entries["camera.bits"], low=float(bits), high=float(bits))
    return Recipe(entries)


def with_flat_fields(station: Station, folder: Path, recipe: Recipe) -> Station:
    """Return the station with the flat fields of a white sheet, and with pictures of one size for all families."""
    sizes = [view_size_px(demo_family(number), demo_family(number).views[0], station) for number in range(FAMILIES + 1)]
    station = replace(station, picture_px=(max(size[0] for size in sizes), max(size[1] for size in sizes)))
    lights = []
    for exposure, picture in white_sheet(station, station.picture_px or (0, 0), 5, recipe).items():
        path = folder / f"flat_{exposure}.tif"
        # A station's flat field is the mean of many pictures: noise is smoothed away.
        cv2.imwrite(str(path), cv2.GaussianBlur(picture, (0, 0), 6.0))
        lights += [replace(light, flat_field=path) for light in station.lights if light.exposure == exposure]
    return replace(station, lights=tuple(sorted(lights, key=lambda light: [one.name for one in station.lights].index(
        light.name))))


Row = dict[str, Any]


def numbers(seen: Seen) -> Row:
    """Return what one station gave: counts, shares and mean absolute errors."""
    verdicts = compare(seen.outcomes, workmanship_class=2)
    off = np.array([value for board in seen.misplaced_mm for value in board])
    errors: Mapping[str, Callable[[], tuple[float, str]]] = {
        "coverage_deg": lambda: _error(seen, "coverage_deg"), "land_cover_pct": lambda: _error(seen, "land_cover_pct"),
        "wetting_angle_deg": lambda: _error(seen, "wetting_angle_deg", 10.0, 45.0),
        "fillet_height_mm": lambda: _error(seen, "fillet_height_mm"),
        "lead_offset_mm": lambda: _error(seen, "lead_offset_mm"),
        "bridges_pct": lambda: _found(seen, "bridge_width_mm", 0.25),
        "balls_pct": lambda: _found(seen, "ball_diameter_mm", 0.15),
        "large_balls_pct": lambda: _found(seen, "ball_diameter_mm", 0.30),
        "pits_pct": lambda: _found(seen, "pit_diameter_mm", 0.15)}
    found = {name: error() for name, error in errors.items()}
    review = 100.0 * (verdicts.good_reviewed.count + verdicts.defects_reviewed.count) / max(
        verdicts.good_reviewed.of + verdicts.defects_reviewed.of, 1)
    return {"not_graded": len(seen.lost), "escapes_pct": 100.0 * verdicts.escapes.share,
            "false_calls_pct": 100.0 * verdicts.false_calls.share, "review_pct": review,
            **{name: value for name, (value, _) in found.items()},
            "registration_mm": float(np.sqrt((off**2).mean())) if len(off) else float("nan"),
            "escapes": verdicts.escapes.in_words(), "false_calls": verdicts.false_calls.in_words(),
            "notes": {name: note for name, (_, note) in found.items()}, "lost": seen.lost[:5],
            "by_finding": {group.name: f"{group.escapes.count}, {group.reviewed} of {group.defects}"
                           for group in (*verdicts.by_finding, *verdicts.indicators) if group.defects}}


#: Heading, key and decimals of each column of the table.
COLUMNS = (("not graded", "not_graded", 0), ("escapes %", "escapes_pct", 2), ("false %", "false_calls_pct", 2),
           ("review %", "review_pct", 1), ("cov deg", "coverage_deg", 2), ("cover %", "land_cover_pct", 2),
           ("angle deg", "wetting_angle_deg", 2), ("height mm", "fillet_height_mm", 3),
           ("lead mm", "lead_offset_mm", 3), ("bridges %", "bridges_pct", 1), ("balls %", "balls_pct", 1),
           ("from .30", "large_balls_pct", 1), ("pits %", "pits_pct", 1), ("reg mm", "registration_mm", 4))


def _print(name: str, row: Row, seen: Seen, first: bool) -> None:
    if first:
        print(" " * 16 + "".join(f"{heading:>11}" for heading, _, _ in COLUMNS))
    print(f"{name:<16}" + "".join(f"{row[key]:>11.{decimals}f}" for _, key, decimals in COLUMNS), flush=True)
    print(f"    {row['note']}; escapes {row['escapes']}; false calls {row['false_calls']}")
    print("    " + "; ".join(f"{key}: {note}" for key, note in row["notes"].items()))
    print("    escapes, reviewed of defects: " + "; ".join(f"{key} {note}" for key, note in row["by_finding"].items()))
    for line in where_called_falsely(seen):
        print(f"    {line}")
    for reason in seen.lost[:5]:
        print(f"    {reason}")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
