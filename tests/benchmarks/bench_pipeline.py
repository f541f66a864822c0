"""Measuring time per joint on one core, part by part, against a plain scikit-image script with the same kind of job.

Run: nice python tests/benchmarks/bench_pipeline.py [--joints 60] [--rounds 7] [--json]

Renders one board of 60 joints with lands of 2.0 mm at 50 px/mm (100 pixels across) and three chips, keeps its pictures
in memory and times, least of several rounds, on one thread: reading, registration, unwrapping, segmenting, joint
measurements and chips. The comparison registers by the fiducials' centroids, cuts every joint out, thresholds, labels
and takes regionprops with scikit-image, joint after joint, in the same run.
Goals: at most 0.5 ms a joint without reading the file, and at least 15 times faster than the script. Exit 1 where one
is missed.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images.board import plan_board, render_view
from synthetic_images.demo import demo_station
from vision.pipeline import measure
from vision.pipeline.capture import Capture, load_view
from vision.pipeline.optics import optics_of
from vision.pipeline.register import register_view
from vision.pipeline.surface import find_surface
from vision.pipeline.unwrap import owner_map, unwrap_joints
from vision.pipeline.worker import set_up
from vision.setup import Chip, Family, Fiducial, Joint, Similarity, Station, View

PITCH_MM = 2.9
GOAL_MS, GOAL_RATIO = 0.5, 15.0


@dataclass(frozen=True)
class Scene:
    """One rendered board: the family, the station and its capture."""

    family: Family
    station: Station
    capture: Capture
    path: Path


def main() -> int:
    """Time and print; return 1 where a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--joints", type=int, default=60)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    set_up()
    with tempfile.TemporaryDirectory(prefix="meniscope-speed-") as name:
        scene = make_scene(given.joints, Path(name))
        parts = times(scene, given.rounds)
        script = least(lambda: plain_script(scene), max(2, given.rounds // 3))
    count = len(scene.family.joints)
    whole = sum(seconds for part, seconds in parts.items() if part != "read")
    ratio = script / whole
    result: dict[str, Any] = {
        "joints": count, "picture_px": list(scene.capture.size_px),
        "ms_a_joint": {part: round(1e3 * seconds / count, 4) for part, seconds in parts.items()},
        "measuring_ms_a_joint": round(1e3 * whole / count, 4), "script_ms_a_joint": round(1e3 * script / count, 3),
        "times_faster": round(ratio, 2),
        "goals_reached": {f"at most {GOAL_MS} ms a joint": whole / count <= GOAL_MS / 1e3,
                          f"at least {GOAL_RATIO:g} times faster": ratio >= GOAL_RATIO}}
    if given.json:
        print(json.dumps(result, indent=2))
    else:
        print_table(result)
    return 0 if all(result["goals_reached"].values()) else 1


def grid_family(count: int) -> Family:
    """Return joints of three land kinds, 2.0 mm across, in ten columns, with a row of chips below."""
    lands = (("round", 2.0, 2.0, "square", 0.64, 0.64), ("oblong", 1.8, 2.2, "round", 0.7, 0.7),
             ("rect", 1.9, 1.9, "rect", 0.8, 0.5))
    rows = -(-count // 10)
    joints = []
    for index in range(count):
        shape, width, height, lead, lead_w, lead_h = lands[index % 3]
        joints.append(Joint("J1", str(index + 1), 2.5 + PITCH_MM * (index % 10), 5.0 + PITCH_MM * (index // 10), shape,
                            width, height, 0.0, 1.1, lead, lead_w, lead_h, f"N{index}"))
    top = 5.0 + PITCH_MM * rows
    chips = tuple(Chip(f"R{n + 1}", 6.0 + 9.0 * n, 1.8, 0.0, 2.0, 1.25) for n in range(3))
    marks = tuple(Fiducial(x, y, 1.0) for x, y in ((1.5, 1.5), (29.5, 1.5), (1.5, top), (29.5, top)))
    return Family("grid", 2, "bottom", tuple(joints), chips, marks, (View("v1", (15.5, top / 2.0 + 0.5)),))


def make_scene(count: int, folder: Path) -> Scene:
    """Render the board and read it back."""
    family = grid_family(count)
    height = int(np.ceil((family.fiducials[2].y_mm + 4.0) / 0.02 / 4.0)) * 4
    station = replace(demo_station(), picture_px=(1700, height))
    plan = plan_board(family, np.random.default_rng(77), defect_rate=0.15)
    path = folder / "B1_v1_a.png"
    cv2.imwrite(str(path), render_view(plan, "v1", station).pictures["a"])
    return Scene(family, station, load_view("v1", {("v1", "a"): path}, station), path)


def least(job: Callable[[], Any], rounds: int) -> float:
    """Return the least processor time of a job in seconds; a first run warms caches and does not count."""
    job()
    best = np.inf
    for _ in range(rounds):
        started = time.process_time()
        job()
        best = min(best, time.process_time() - started)
    return float(best)


def times(scene: Scene, rounds: int) -> dict[str, float]:
    """Return the seconds of every part of the pipeline for the whole board."""
    family, station, capture = scene.family, scene.station, scene.capture
    view, joints, optics = family.views[0], family.joints, optics_of(scene.station)
    registration = register_view(capture, family, view, station)

    def owners() -> NDArray[np.uint16]:
        return owner_map(capture.size_px, family, joints, family.chips, registration.to_picture, measure.SHADE_MM)

    map_of_owners = owners()
    patches = unwrap_joints(capture, joints, registration, map_of_owners)
    seen = measure.see_view(capture, family, view, station)
    return {
        "read": least(lambda: load_view("v1", {("v1", "a"): scene.path}, station), rounds),
        "register": least(lambda: register_view(capture, family, view, station), rounds),
        "unwrap": least(lambda: unwrap_joints(capture, joints, registration, owners()), rounds),
        "segment": least(lambda: find_surface(patches, capture, registration, optics, family.fiducials), rounds),
        # The two steps that see_view leaves to be done; measure_board calls the same.
        "measure": least(lambda: measure._measure_joints(seen), rounds),
        "chips": least(lambda: measure._measure_chips(seen), rounds)}


def plain_script(scene: Scene) -> list[dict[str, float]]:
    """Do the job as a first script would: scikit-image, one joint after the other.

    Finds the fiducials by threshold and label, fits a similarity, then for every joint cuts out a window, thresholds
    each light (Otsu), labels, measures regions, compares with masks of land and hole, and counts covered azimuths on
    a polar picture. It measures far less than the pipeline does: cover, coverage, lead and one angle proxy.
    """
    from skimage.draw import disk
    from skimage.filters import gaussian, threshold_otsu
    from skimage.measure import label, regionprops
    from skimage.transform import warp_polar

    picture = np.moveaxis(np.asarray(scene.capture.responses, dtype=np.float64), 0, -1)
    to_picture = _placed_by_script(picture, scene)
    scale = to_picture.px_per_mm
    results = []
    for joint in scene.family.joints:
        x, y = to_picture.to_px((joint.x_mm, joint.y_mm))
        reach = int(np.ceil((max(joint.land_w_mm, joint.land_h_mm) / 2.0 + 0.36) * scale))
        top, left = int(y) - reach, int(x) - reach
        window = gaussian(picture[top:top + 2 * reach + 1, left:left + 2 * reach + 1], 1.0, channel_axis=-1)
        found: dict[str, float] = {}
        for light in range(window.shape[2]):
            plane = window[:, :, light]
            regions = regionprops(label(plane > threshold_otsu(plane)), intensity_image=plane)
            regions.sort(key=lambda region: -region.area)
            if regions:
                first = regions[0]
                found |= {f"area_{light}": float(first.area), f"round_{light}": float(first.eccentricity),
                          f"solid_{light}": float(first.solidity), f"edge_{light}": float(first.perimeter),
                          f"mean_{light}": float(first.intensity_mean)}
        energy = window.sum(axis=2)
        metal = energy > threshold_otsu(energy)
        land, hole = np.zeros(metal.shape, dtype=bool), np.zeros(metal.shape, dtype=bool)
        land[disk((reach, reach), joint.land_w_mm / 2.0 * scale, shape=metal.shape)] = True
        hole[disk((reach, reach), joint.hole_mm / 2.0 * scale, shape=metal.shape)] = True
        found["land_cover_pct"] = 100.0 * float((metal & land & ~hole).sum() / max((land & ~hole).sum(), 1))
        flat = warp_polar(window, center=(reach, reach), radius=reach, output_shape=(180, 68), channel_axis=-1)
        bright = flat.sum(axis=2) > threshold_otsu(energy)
        found["coverage_deg"] = 2.0 * float(bright[:, 20:56].mean(axis=1).round().sum())
        slope = (flat * [8.5, 20.0, 33.0]).sum(axis=2) / np.maximum(flat.sum(axis=2), 1e-6)
        found["wetting_angle_deg"] = float(np.median(slope[:, 48:56]))
        dark = regionprops(label((energy < threshold_otsu(energy)) & hole))
        found["lead_offset_mm"] = min((float(np.hypot(*(np.array(one.centroid) - reach))) / scale for one in dark),
                                      default=float("nan"))
        results.append(found)
    return results


def _placed_by_script(picture: NDArray[np.float64], scene: Scene) -> Similarity:
    """Find the fiducials by label and centroid and fit a similarity, all by scikit-image."""
    from skimage.filters import gaussian, threshold_otsu
    from skimage.measure import label, regionprops
    from skimage.transform import SimilarityTransform

    from vision.setup import nominal_view

    nominal = nominal_view(scene.family, scene.family.views[0], scene.station, scene.capture.size_px)
    bright = gaussian(np.clip(picture.max(axis=2), 0.0, 1.5), 1.0)
    source, target = [], []
    for mark in scene.family.fiducials:
        place = nominal.to_px((mark.x_mm, mark.y_mm))
        left, top = (max(int(value) - 75, 0) for value in place)
        window = bright[top:top + 150, left:left + 150]
        nearest = min(regionprops(label(window > threshold_otsu(window))),
                      key=lambda one: abs(one.area - np.pi * (mark.diameter_mm * 25.0)**2))
        source.append(place)
        target.append(np.array(nearest.centroid[::-1]) + 0.5 + (left, top))
    fit = SimilarityTransform.from_estimate(np.array(source), np.array(target))
    turn, shift = fit.params[:2, :2], fit.params[:2, 2]
    return Similarity(turn @ nominal.matrix, turn @ nominal.shift + shift)


def print_table(result: dict[str, Any]) -> None:
    """Print the figures."""
    width, height = result["picture_px"]
    print(f"{result['joints']} joints, lands of 100 px, picture {width} x {height} px, one thread")
    for part, value in result["ms_a_joint"].items():
        print(f"  {part:<12}{value:8.3f} ms a joint" + ("   (not counted)" if part == "read" else ""))
    print(f"  {'measuring':<12}{result['measuring_ms_a_joint']:8.3f} ms a joint")
    print(f"  {'plain script':<12}{result['script_ms_a_joint']:8.3f} ms a joint, {result['times_faster']} times")
    for goal, reached in result["goals_reached"].items():
        print(f"  {goal}: {'reached' if reached else 'MISSED'}")


if __name__ == "__main__":
    sys.exit(main())
