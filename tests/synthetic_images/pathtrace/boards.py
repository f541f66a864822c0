"""Whole boards drawn by Mitsuba 3: joints, mask, fiducials, chips, three rings, a camera; pictures and truth.csv.

Run: nice python -m tests.synthetic_images.pathtrace.boards FOLDER [--boards 12] [--seed 1] [--cache DIR]

Geometry, materials, camera and truth are written for these boards alone; with the project's renderer they share only
the descriptions of family and station. Frame: picture axes in mm, y up, origin at the view's centre, z = 0 on the
lands.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES
from vision.setup import Family, Station, write_family, write_station

from .joints import KINDS, Built, build_joint, judge_truth, on_shape
from .layouts import SETTINGS, Look, Setting, draw_look
from .scene import Part, Scene, assemble, render_responses
from .surfaces import Sheet, azimuths, saddle

HEADER = ("serial", "view", "ref", "pin", "finding", *JOINT_MEASURES, *CHIP_MEASURES, "marginal", "land_kind")
BAD_SHARE = 0.18
SAMPLES = 48
COVERAGE_DEG = {1: 270.0, 2: 270.0, 3: 330.0}  # IPC-A-610 E to G, 7.3.5.4
Row = dict[str, Any]
#: Hash of everything that makes a board, so that a cached one cannot be stale.
CODE = hashlib.sha256(b"".join((Path(__file__).parent / f"{name}.py").read_bytes() for name in (
    "surfaces", "relax", "joints", "layouts", "scene", "boards"))).hexdigest()


@dataclass
class Board:
    """A board's scene, the look it was given and its truth."""

    scene: Scene
    look: Look
    rows: list[Row]


def mirror(family: Family) -> float:
    return -1.0 if family.seen_from == "bottom" else 1.0


def places(family: Family) -> NDArray[np.float64]:
    """Return the joints' places (joint, 2) in the picture's frame."""
    centre = family.views[0].center_mm
    return np.array([(mirror(family) * (j.x_mm - centre[0]), j.y_mm - centre[1]) for j in family.joints])


def deal_kinds(family: Family, rng: np.random.Generator, bad_share: float) -> list[tuple[str, float]]:
    """Return a kind and a severity per joint; bridges take two neighbours."""
    count = len(family.joints)
    kinds = [("", 0.0)] * count
    spot = places(family)
    for joint in rng.permutation(count)[:round(bad_share * count + rng.uniform(-0.5, 0.5))]:
        kind = str(rng.choice(KINDS))
        if kinds[joint][0]:
            continue
        kinds[joint] = (kind, float(rng.beta(1.5, 1.1)))
        if kind == "bridge":
            away = np.hypot(*(spot - spot[joint]).T)
            free = [i for i in np.argsort(away)[1:4] if not kinds[i][0] and away[i] < 4.2]
            kinds[joint] = kinds[joint] if free else ("", 0.0)
            if free:
                kinds[free[0]] = (f"bridged to {joint}", 0.0)
    return kinds


def make_board(setting: Setting, seed: Sequence[int], kinds: list[tuple[str, float]] | None = None,
               bad_share: float = BAD_SHARE) -> Board:
    """Return the scene and truth of one board; `kinds` (joint: kind of KINDS or "", severity) is drawn if not given."""
    rng = np.random.default_rng(list(seed))
    family = setting.family
    look = draw_look(len(setting.station.lights), rng)
    kinds = deal_kinds(family, rng, bad_share) if kinds is None else kinds
    spot = places(family)
    parts: list[Part] = []
    built: list[Built] = []
    for number, joint in enumerate(family.joints):
        one = build_joint(joint, kinds[number][0] if kinds[number][0] in KINDS else "", kinds[number][1], rng)
        tone = int(rng.integers(3))
        built.append(one)
        parts += [Part(f"solder{tone}" if name == "solder" else name, _moved(sheet, spot[number]))
                  for name, sheet in one.sheets]
    balls: list[tuple[float, float, float]] = []
    for number, (kind, severity) in enumerate(kinds):
        if kind.startswith("bridged to"):
            parts.append(Part("solder1", _bridge(spot, built, int(kind.split()[-1]), number, rng,
                                                 kinds[int(kind.split()[-1])][1])))
        if kind == "ball":
            balls += _ball(family, spot, built, number, severity, rng)
    rows = []
    for joint, one in zip(family.joints, built, strict=True):
        azimuth = one.values.get("gap_azimuth_deg", np.nan)
        one.values["gap_azimuth_deg"] = (180.0 - azimuth) % 360.0 if mirror(family) < 0 else azimuth
        judge_truth(one, COVERAGE_DEG[family.workmanship_class])
        rows.append({"ref": joint.ref, "pin": joint.pin, "findings": one.findings, "values": one.values,
                     "marginal": one.marginal, "land_kind": joint.land_kind})
    scene = assemble(setting, look, parts, balls, rng)
    rows += [{"ref": ref, "pin": "", "findings": [finding] if finding else [], "values": values, "marginal": False,
              "land_kind": ""} for ref, finding, values in scene.chips]
    return Board(scene, look, rows)


def _moved(sheet: Sheet, place: NDArray[np.float64]) -> Sheet:
    return Sheet(sheet.vertices + np.array([place[0], place[1], 0.0]), sheet.faces, sheet.smooth)


def _bridge(spot: NDArray[np.float64], built: list[Built], a: int, b: int, rng: np.random.Generator,
            severity: float) -> Sheet:
    """Return the solder between two joints and note its width."""
    width = 0.2 * 5.0**severity
    ends, reach = [], []
    for i, other in ((a, b), (b, a)):
        way = spot[other] - spot[i]
        ray = int(np.rad2deg(np.arctan2(way[1], way[0]))) % 360
        reach.append(0.75 * float(built[i].edge.min()))
        ends.append(spot[i] + way / np.hypot(*way) * 0.45 * built[i].toe[ray])
        built[i].values["bridge_width_mm"] = width
    neck = 0.06 + width * rng.uniform(0.15, 0.4)
    return saddle(ends[0], ends[1], (max(reach[0], width / 2), max(reach[1], width / 2)), width / 2.0,
                  (0.7 * built[a].contact_mm, neck, 0.7 * built[b].contact_mm))


def _ball(family: Family, spot: NDArray[np.float64], built: list[Built], joint: int, severity: float,
          rng: np.random.Generator) -> list[tuple[float, float, float]]:
    """Return (x, y, radius) of a ball on the mask by a joint, if there is room, and note it."""
    radius = 0.5 * 0.17 * (0.5 / 0.17) ** severity
    centre = family.views[0].center_mm
    chips = np.array([(mirror(family) * (c.x_mm - centre[0]), c.y_mm - centre[1]) for c in family.chips] or [(99, 99)])
    for _ in range(40):
        ray = int(rng.integers(360))
        away = max(built[joint].edge[ray], built[joint].toe[ray]) + radius + rng.uniform(0.04, 0.35)
        x, y = spot[joint] + away * np.array([np.cos(azimuths()[ray]), np.sin(azimuths()[ray])])
        around = np.linspace(0, 2 * np.pi, 24)
        rim = np.stack([x + (radius + 0.04) * np.cos(around), y + (radius + 0.04) * np.sin(around)])
        free = not any(on_shape(j, rim[0] - p[0], rim[1] - p[1]).any()
                       for j, p in zip(family.joints, spot, strict=True))
        nearest = int(np.argmin(np.hypot(spot[:, 0] - x, spot[:, 1] - y))) == joint
        if free and nearest and np.hypot(*(chips - (x, y)).T).min() > 1.6:
            built[joint].values |= {"ball_count": 1.0, "ball_diameter_mm": 2.0 * radius}
            return [(float(x), float(y), radius)]
    return []


def photograph(responses: NDArray[np.float32], station: Station, look: Look, rng: np.random.Generator
               ) -> NDArray[np.uint8]:
    """Return the 8 bit blue-green-red picture of responses (row, col, light): lamps, lens, mixing, noise."""
    planes = np.zeros((*responses.shape[:2], 3), np.float32)
    for i, light in enumerate(station.lights):
        planes[..., ("red", "green", "blue").index(light.channel)] = responses[..., i] * look.levels[i]
    planes = cv2.GaussianBlur(np.minimum(planes, 12.0), (0, 0), look.blur_px) + np.float32(0.012)
    if station.cross_talk is not None:
        planes = planes @ np.array(station.cross_talk, np.float32).T
    electrons = planes * look.white_share * 15_000.0
    electrons = electrons + rng.standard_normal(planes.shape) * np.sqrt(np.clip(electrons, 0, 16_000) + 8.0**2)
    grey = station.black_level + electrons / 15_000.0 * (255.0 - station.black_level)
    return np.ascontiguousarray(np.clip(np.round(grey), 0, 255).astype(np.uint8)[..., ::-1])


def board_files(setting: Setting, seed: Sequence[int], samples: int = SAMPLES, cache: Path | None = None,
                kinds: list[tuple[str, float]] | None = None) -> tuple[NDArray[np.uint8], list[Row]]:
    """Return picture and truth rows of one board, from the cache where it holds them."""
    key = hashlib.sha256(f"{CODE} {asdict(setting)} {list(seed)} {samples} {kinds}".encode()).hexdigest()[:20]
    picture_file = cache / f"{key}.png" if cache else None
    if picture_file is not None and cache is not None and (cache / f"{key}.json").is_file():
        stored = cv2.imread(str(picture_file))
        if stored is not None:
            return stored.astype(np.uint8), json.loads((cache / f"{key}.json").read_text())
    board = make_board(setting, seed, kinds)
    responses = render_responses(board.scene, setting, board.look, samples)
    picture = photograph(responses, setting.station, board.look, np.random.default_rng([*seed, 7]))
    if picture_file is not None and cache is not None:
        cache.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(picture_file), picture)
        (cache / f"{key}.json").write_text(json.dumps(board.rows))
    return picture, board.rows


def write_lot(folder: Path, setting: Setting, boards: int, seed: int, samples: int = SAMPLES,
              cache: Path | None = None) -> Path:
    """Write pictures and truth.csv of boards TR0001.. into folder/pictures, family and station beside it."""
    pictures = folder / "pictures"
    pictures.mkdir(parents=True, exist_ok=True)
    write_family(setting.family, folder / "family")
    write_station(setting.station, folder / "station.toml")
    table: list[list[str]] = []
    for number in range(1, boards + 1):
        serial = f"TR{number:04d}"
        picture, rows = board_files(setting, (seed, number, *setting.name.encode()), samples, cache)
        view = setting.family.views[0].name
        name = setting.station.files.format(serial=serial, view=view, exposure="a")
        cv2.imwrite(str(pictures / name), picture)
        table += [line for row in rows for line in cells(serial, view, row)]
        with (pictures / "truth.csv").open("w", newline="", encoding="utf-8") as file:
            csv.writer(file, lineterminator="\n").writerows([HEADER, *table])
        if sys.stderr.isatty():
            print(f"\rtracing {setting.name} {number} of {boards} ", end="", file=sys.stderr, flush=True)
    return pictures


def cells(serial: str, view: str, row: Row) -> list[list[str]]:
    """Return the lines of truth.csv of one joint or chip, one a finding."""
    values = [row["values"].get(name) for name in (*JOINT_MEASURES, *CHIP_MEASURES)]
    words = ["" if v is None or np.isnan(v) else f"{v:.6g}" for v in values]
    return [[serial, view, row["ref"], row["pin"], finding, *words, str(int(row["marginal"])), row["land_kind"]]
            for finding in row["findings"] or [""]]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--boards", type=int, default=6, help="per setting")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--samples", type=int, default=SAMPLES)
    parser.add_argument("--settings", nargs="+", default=["one", "two"])
    parser.add_argument("--cache", type=Path)
    given = parser.parse_args()
    for name in given.settings:
        print(write_lot(given.folder / name, SETTINGS[name](), given.boards, given.seed, given.samples, given.cache))


if __name__ == "__main__":
    main()
