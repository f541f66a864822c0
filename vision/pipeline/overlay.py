"""Pictures of what was seen: land, covered arc, gaps, toe, lead, bridges and verdict of every joint."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from models.vocabulary import FINDING
from vision.pipeline.capture import Capture, load_view
from vision.pipeline.fillet import covered_azimuths, find_toe
from vision.pipeline.folder import BoardFiles
from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection
from vision.pipeline.lands import land_outline
from vision.pipeline.measure import ViewSurfaces, leads_of, see_view
from vision.pipeline.unwrap import AZIMUTHS, azimuths_rad, chip_outline
from vision.setup.family import Family
from vision.setup.geometry import Similarity
from vision.setup.station import Station

Picture = NDArray[np.uint8]
#: Okabe and Ito's colour-blind safe palette ("Color universal design", 2008), as blue, green, red.
VERDICT_BGR = {"accept": (178, 114, 0), "review": (0, 159, 230), "reject": (0, 94, 213), "ungraded": (153, 153, 153)}
WHITE, INK = (255, 255, 255), (30, 30, 30)
_FONT = cv2.FONT_HERSHEY_SIMPLEX


def write_overlays(inspection: Inspection, files: BoardFiles, family: Family, station: Station,
                   folder: Path) -> list[Path]:
    """Write one annotated picture a view into a folder; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for view in family.views:
        seen = see_view(load_view(view.name, files.pictures, station), family, view, station)
        path = folder / f"{inspection.serial}_{view.name}_overlay.jpg"
        good, data = cv2.imencode(".jpg", draw_view(seen, inspection, station), [cv2.IMWRITE_JPEG_QUALITY, 88])
        if good:
            path.write_bytes(data.tobytes())
            written.append(path)
    return written


def draw_view(seen: ViewSurfaces, inspection: Inspection, station: Station) -> Picture:
    """Return the annotated picture of one view, blue-green-red."""
    canvas = natural(seen.capture)
    joints = {(joint.ref, joint.pin): joint for joint in inspection.joints}
    covered = covered_azimuths(seen.patches, seen.surface, leads_of(seen, station))
    _, toe = find_toe(seen.patches, seen.surface, covered)
    to_picture = seen.registration.to_picture
    centers = {}
    for index, joint in enumerate(seen.joints):
        result = joints.get((joint.ref, joint.pin))
        if result is None:
            continue
        centers[joint.name] = to_picture.to_px((joint.x_mm, joint.y_mm))
        _draw_joint(canvas, result, to_picture, land_outline(joint, to_picture, 0.06), (joint.x_mm, joint.y_mm),
                    covered[index], toe[index])
    _draw_bridges(canvas, inspection.joints, centers)
    chips = {chip.ref: chip for chip in inspection.chips}
    for chip in seen.chips:
        if chip.ref in chips:
            _draw_chip(canvas, chips[chip.ref], chip_outline(chip, to_picture, 0.1))
    _draw_heading(canvas, inspection, seen.capture.view)
    return canvas


def natural(capture: Capture) -> Picture:
    """Return a picture for looking at: three lights as blue, green, red, highlights held down."""
    count = len(capture.responses)
    chosen = [0, count // 2, count - 1]
    toned = [np.sqrt(np.clip(capture.responses[light] / 2.0, 0.0, 1.0)) * 235.0 for light in chosen]
    return np.ascontiguousarray(np.stack(toned, axis=2).astype(np.uint8))


def _draw_joint(canvas: Picture, result: JointInspection, to_picture: Similarity, outline: NDArray[np.float64],
                center_mm: tuple[float, float], covered: NDArray[np.bool_], toe_mm: NDArray[np.float64]) -> None:
    color = VERDICT_BGR[result.verdict]
    thick = 1 if result.verdict == "accept" else 2
    cv2.polylines(canvas, [_fixed(outline)], True, color, thick, cv2.LINE_AA, 4)
    azimuth = azimuths_rad()
    points = np.asarray(center_mm) + toe_mm[:, None] * np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    toe_px = to_picture.to_px(points)
    for start, stop in _runs(covered):
        arc = np.arange(start, stop + 1) % AZIMUTHS
        cv2.polylines(canvas, [_fixed(toe_px[arc])], False, WHITE, 1, cv2.LINE_AA, 4)
    size = result.measurements.get("lead_size_mm", math.nan)
    if math.isfinite(size) and result.measurements.get("lead_visible", 0.0) > 0.5:
        _cross(canvas, to_picture.to_px(center_mm), 4, WHITE)
    if result.verdict != "accept":
        place = (int(outline[:, 0].max()) + 3, int(outline[:, 1].min()) + 2)
        words = f"{result.ref}.{result.pin} {result.verdict}"
        reasons = [FINDING[finding.finding].title for finding in result.findings if finding.verdict != "indicator"]
        _label(canvas, [words, *dict.fromkeys(reasons)], place, color)


def _draw_bridges(canvas: Picture, joints: Sequence[JointInspection],
                  centers: dict[str, NDArray[np.float64]]) -> None:
    for joint in joints:
        for finding in joint.findings:
            here, there = centers.get(f"{joint.ref}.{joint.pin}"), centers.get(finding.other)
            if finding.finding == "bridge" and here is not None and there is not None:
                cv2.line(canvas, _pixel(here), _pixel(there), VERDICT_BGR[finding.verdict], 2, cv2.LINE_AA)


def _draw_chip(canvas: Picture, result: ChipInspection, outline: NDArray[np.float64]) -> None:
    color = VERDICT_BGR[result.verdict]
    cv2.polylines(canvas, [_fixed(outline)], True, color, 1 if result.verdict == "accept" else 2, cv2.LINE_AA, 4)
    if result.verdict != "accept":
        reasons = [FINDING[finding.finding].title for finding in result.findings]
        _label(canvas, [f"{result.ref} {result.verdict}", *dict.fromkeys(reasons)],
               (int(outline[:, 0].max()) + 3, int(outline[:, 1].min()) + 2), color)


def _draw_heading(canvas: Picture, inspection: Inspection, view: str) -> None:
    words = f"{inspection.serial}  view {view}  {inspection.verdict.upper()}"
    cv2.rectangle(canvas, (0, 0), (canvas.shape[1], 34), VERDICT_BGR[inspection.verdict], -1)
    ink = INK if inspection.verdict == "review" else WHITE
    cv2.putText(canvas, words, (10, 24), _FONT, 0.7, ink, 2, cv2.LINE_AA)


def _label(canvas: Picture, lines: list[str], place: tuple[int, int], color: tuple[int, int, int]) -> None:
    """Write lines on a plate, moved so that it stays inside the picture."""
    width = max(cv2.getTextSize(line, _FONT, 0.42, 1)[0][0] for line in lines) + 8
    height = 15 * len(lines) + 5
    left = min(max(place[0], 0), max(canvas.shape[1] - width, 0))
    top = min(max(place[1], 36), max(canvas.shape[0] - height, 0))
    cv2.rectangle(canvas, (left, top), (left + width, top + height), INK, -1)
    cv2.rectangle(canvas, (left, top), (left + width, top + height), color, 1)
    for row, line in enumerate(lines):
        cv2.putText(canvas, line, (left + 4, top + 14 + 15 * row), _FONT, 0.42, WHITE, 1, cv2.LINE_AA)


def _cross(canvas: Picture, center: NDArray[np.float64], reach: int, color: tuple[int, int, int]) -> None:
    x, y = _pixel(center)
    cv2.line(canvas, (x - reach, y), (x + reach, y), color, 1, cv2.LINE_AA)
    cv2.line(canvas, (x, y - reach), (x, y + reach), color, 1, cv2.LINE_AA)


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, last) of the circular runs of true flags; last may exceed the array's length."""
    if flags.all():
        return [(0, len(flags))]
    starts = np.nonzero(flags & ~np.roll(flags, 1))[0].tolist()
    runs = []
    for start in starts:
        stop = start
        while flags[(stop + 1) % len(flags)]:
            stop += 1
        runs.append((start, stop))
    return runs


def _fixed(points: NDArray[np.float64]) -> NDArray[np.int32]:
    """Picture px to OpenCV's fixed point with 4 fractional bits, whose zero is a pixel's centre."""
    return np.round((points - 0.5) * 16).astype(np.int32)


def _pixel(point: NDArray[np.float64]) -> tuple[int, int]:
    return round(float(point[0]) - 0.5), round(float(point[1]) - 0.5)
