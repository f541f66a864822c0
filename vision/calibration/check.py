"""Is the station still what it was? A day's reference pictures and boards against the reference file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from models.errors import MeniscopeError
from vision.calibration.ball import find_ball
from vision.calibration.bands import LightSeen, ball_diameter_mm, expected_radius_px, light_words, see_lights
from vision.calibration.boards import BoardDay
from vision.calibration.calibrate import exchanged_with
from vision.calibration.pictures import CalibrationError, ReferenceFiles, Shot, read_all
from vision.calibration.plane import black_level, smooth_field
from vision.calibration.reference import LightReference, Reference
from vision.pipeline.view.capture import flat_field
from vision.setup.family import Family
from vision.setup.station import Light, Station

GOOD, CAUTION, FAULT = "good", "caution", "fault"
RESULTS = (GOOD, CAUTION, FAULT)


@dataclass(frozen=True)
class Finding:
    """One comparison. reference, now and change are numbers with `unit`, NaN where there is none.

    limits: of caution and fault, on the size of the change, in `change_unit`.
    """

    target: str
    what: str
    light: str
    reference: float
    now: float
    unit: str
    change: float
    change_unit: str
    limits: tuple[float, float] | None
    result: str
    note: str = ""


def worst(findings: Sequence[Finding]) -> str:
    """Return the worst result of some rows: good, caution or fault; good where there are none."""
    return max((finding.result for finding in findings), key=RESULTS.index, default=GOOD)


def _judged(change: float, limits: tuple[float, float]) -> str:
    if not np.isfinite(change):
        return GOOD
    return FAULT if abs(change) > limits[1] else CAUTION if abs(change) > limits[0] else GOOD


def _row(target: str, what: str, light: str, numbers: tuple[float, float, str], change: tuple[float, str],
         limits: tuple[float, float], note: str = "") -> Finding:
    return Finding(target, what, light, numbers[0], numbers[1], numbers[2], change[0], change[1], limits,
                   _judged(change[0], limits), note)


def _said(target: str, what: str, light: str, result: str, note: str) -> Finding:
    nan = float("nan")
    return Finding(target, what, light, nan, nan, "", nan, "", None, result, note)


def check_references(station: Station, reference: Reference, files: ReferenceFiles) -> list[Finding]:
    """Compare a shift's reference pictures with the reference file. Unusable pictures are faults, with the reason."""
    found: list[Finding] = []
    kinds: tuple[tuple[str, Callable[[Sequence[Shot]], list[Finding]]], ...] = (
        ("dark", lambda shots: check_dark(shots, station, reference)),
        ("plane", lambda shots: check_plane(shots, station, reference)),
        ("ball", lambda shots: check_ball(shots, station, reference)))
    for kind, check in kinds:
        takings = getattr(files, kind)
        if not takings:
            continue
        try:
            found += check(read_all(takings, station, kind))
        except MeniscopeError as error:
            found.append(_said(kind, "picture", "", FAULT, str(error)))
    return found


def check_dark(shots: Sequence[Shot], station: Station, reference: Reference) -> list[Finding]:
    """Compare the black level of pictures without light with the station's, in grey levels of the file: one row."""
    level, _ = black_level(shots)
    scale = shots[0].full / 255.0
    limits = (reference.limits.black_levels[0] * scale, reference.limits.black_levels[1] * scale)
    return [_row("dark", "black level", "", (station.black_level, level, "grey levels"),
                 (level - station.black_level, "grey levels"), limits)]


def check_plane(shots: Sequence[Shot], station: Station, reference: Reference) -> list[Finding]:
    """Compare each light's level and evenness on the sheet; name dead ones."""
    found = []
    share = reference.sheet_reflectance if np.isfinite(reference.sheet_reflectance) else 1.0
    for row, light in enumerate(station.lights):
        plane = np.asarray(np.mean([shot.planes[row] for shot in shots], axis=0), dtype=np.float32) / np.float32(share)
        clipped = 100.0 * max(float(shot.clipped[row].mean()) for shot in shots)
        before = reference.light(light.name).sheet_level
        if not np.isfinite(before):
            found.append(_said("plane", "level", light.name, CAUTION, "the reference has no plane: calibrate with one"))
            continue
        level = float(np.median(plane))
        found.append(_level("plane", light, before, level, reference))
        if clipped > 0.1:
            found.append(Finding("plane", "full scale", light.name, 0.0, clipped, "%", clipped, "%",
                                 reference.limits.saturated_pct, _judged(clipped, reference.limits.saturated_pct),
                                 "the sheet is at full scale"))
        if light.flat_field is not None and level > 0.2 * before:
            found.append(_evenness(plane, light, station, reference))
    return found


def _level(target: str, light: Light, before: float, now: float, reference: Reference) -> Finding:
    change = 100.0 * (now / before - 1.0)
    limits = reference.limits
    if 100.0 + change < limits.dead_pct:
        note = f"{light_words(light)} is dead"
    elif _judged(change, limits.level_pct) != GOOD:
        note = f"{light_words(light)} is {'weak' if change < 0 else 'too bright'}"
    else:
        note = ""
    return _row(target, "level", light.name, (before, now, "grey levels"), (change, "%"), limits.level_pct, note)


def _evenness(plane: np.ndarray, light: Light, station: Station, reference: Reference) -> Finding:
    """Compare the course over the picture: the largest departure from the flat-field, levels made equal."""
    assert light.flat_field is not None
    flat = flat_field(light.flat_field, light.channel, plane.shape, station.black_level)
    try:
        ratio, _, _ = smooth_field(np.asarray(plane / flat, dtype=np.float32), f"light {light.name}")
    except CalibrationError as error:
        return _said("plane", "evenness", light.name, FAULT, str(error))
    off = 100.0 * float(np.max(np.abs(ratio / np.median(ratio) - 1.0)))
    note = "brightness is spread otherwise over the picture: has a lamp moved?" if off > reference.limits.even_pct[0] \
        else ""
    return _row("plane", "evenness", light.name, (0.0, off, "%"), (off, "%"), reference.limits.even_pct, note)


def check_ball(shots: Sequence[Shot], station: Station, reference: Reference) -> list[Finding]:
    """Compare where each light stands and how bright it is on the ball, scale and focus; name exchanged lights."""
    known = reference.ball_diameter_mm
    expected = expected_radius_px(known, station) if np.isfinite(known) else None
    found: list[Finding] = []
    for shot in shots:
        ball = find_ball(shot, expected)
        size = ball_diameter_mm(ball, shot.size_px, station)
        limits = reference.limits
        if np.isfinite(known) and ball.outline:
            found.append(_row("ball", "scale", "", (known, size, "mm across"), (100.0 * (size / known - 1.0), "%"),
                              limits.scale_pct, "another ball, or the camera has moved" if abs(size / known - 1) >
                              limits.scale_pct[0] / 100 else ""))
        if np.isfinite(reference.ball_blur_px) and np.isfinite(ball.blur_px):
            change = ball.blur_px - reference.ball_blur_px
            found.append(_row("ball", "focus", "", (reference.ball_blur_px, ball.blur_px, "px blur"), (change, "px"),
                              limits.blur_px, "out of focus" if change > limits.blur_px[0] else ""))
        lights = see_lights(shot, ball, station)
        for light, seen in zip(station.lights, lights, strict=True):
            found += _ball_light(light, seen, station, reference)
    return found


def _ball_light(light: Light, seen: LightSeen | None, station: Station, reference: Reference) -> list[Finding]:
    if seen is None:
        return [_said("ball", "level", light.name, FAULT, f"{light_words(light)} is dead: it does not light the ball")]
    other = exchanged_with(seen.zenith_deg, light.name, station.lights)
    if other:
        return [_said("ball", "zenith", light.name, FAULT, f"{light_words(light)} stands where {other} should: "
                      "exposures, cables or colour channels are exchanged")]
    before: LightReference = reference.light(light.name)
    zenith = before.zenith_deg if np.isfinite(before.zenith_deg[0]) else light.zenith_deg
    limits = reference.limits
    found = []
    if np.isfinite(before.ball_level) and seen.full_pct < 5.0:
        found.append(_level("ball", light, before.ball_level, seen.level, reference))
    middle = (sum(zenith) / 2.0, sum(seen.zenith_deg) / 2.0)
    shift = max((now - then for now, then in zip(seen.zenith_deg, zenith, strict=True)), key=abs)
    note = f"{light_words(light)} has moved or is tilted" if _judged(shift, limits.zenith_deg) != GOOD else ""
    found.append(_row("ball", "zenith", light.name, (*middle, "deg"), (shift, "deg"), limits.zenith_deg, note))
    if light.azimuth_deg[1] - light.azimuth_deg[0] < 360.0 or seen.azimuth_deg[1] - seen.azimuth_deg[0] < 360.0:
        found.append(_azimuth(light, seen, reference))
    return found


def _azimuth(light: Light, seen: LightSeen, reference: Reference) -> Finding:
    """Compare the lit sector: the larger of the turn of its middle and half the change of its width."""
    then, now = (sum(sector) / 2.0 for sector in (light.azimuth_deg, seen.azimuth_deg))
    wide, width = (sector[1] - sector[0] for sector in (light.azimuth_deg, seen.azimuth_deg))
    turn = (now - then + 180.0) % 360.0 - 180.0 if wide < 360.0 and width < 360.0 else 0.0
    change = turn if abs(turn) > abs(width - wide) / 2.0 else (width - wide) / 2.0
    lost = "part of the ring is dark" if width < wide - 10.0 else "the sector has turned"
    note = f"{light_words(light)}: {lost}" if abs(change) > reference.limits.azimuth_deg[0] else ""
    return _row("ball", "azimuth", light.name, (wide, width, "deg wide"), (change, "deg"), reference.limits.azimuth_deg,
                note)


def check_boards(day: BoardDay, family: Family, station: Station, reference: Reference) -> list[Finding]:
    """Compare a day's boards: levels on fiducials and mask, scale, focus, saturation; name lights at fault."""
    found: list[Finding] = []
    if day.boards == 0:
        return [_said("boards", "picture", "", FAULT, "no board in the folder")]
    for kind, named, words, count in day.faults:
        found.append(_said("boards", kind, named, FAULT if 2 * count > day.boards else CAUTION,
                           f"{count} of {day.boards} boards: {words}"))
    for words, count in day.lost:
        found.append(_said("boards", "picture", "", FAULT if 2 * count > day.boards else CAUTION,
                           f"{count} of {day.boards} boards: {words}"))
    if not day.read:
        return found
    limits = reference.limits
    before = reference.board(family.name)
    scale = 1.0 if before is None else before.scale
    change = 100.0 * (day.scale / scale - 1.0)
    found.append(_row("boards", "scale", "", (scale, day.scale, "of mm_per_px"), (change, "%"), limits.scale_pct,
                      "the fiducials stand closer or wider: camera moved, or other boards"
                      if abs(change) > limits.scale_pct[0] else ""))
    found.append(Finding("boards", "full scale", "", 0.0, day.saturated_pct, "% of a land", day.saturated_pct, "%",
                         limits.saturated_pct, _judged(day.saturated_pct, limits.saturated_pct),
                         "too bright: shorter exposure" if day.saturated_pct > limits.saturated_pct[0] else ""))
    if before is None or len(before.fiducial) != len(station.lights):
        found.append(_said("boards", "level", "", GOOD, f"not compared: the reference has no boards of {family.name}; "
                           "calibrate with --boards to have levels and focus compared too"))
        return found
    if np.isfinite(day.blur_px) and np.isfinite(before.blur_px):
        change = day.blur_px - before.blur_px
        found.append(_row("boards", "focus", "", (before.blur_px, day.blur_px, "px blur"), (change, "px"),
                          limits.blur_px, "out of focus" if change > limits.blur_px[0] else ""))
    for row, light in enumerate(station.lights):
        found.append(_board_level(row, light, day, before.fiducial, before.mask, reference))
    return found


def _board_level(row: int, light: Light, day: BoardDay, fiducial: Sequence[float], mask: Sequence[float],
                 reference: Reference) -> Finding:
    """Compare a light's level on boards.

    A weaker lamp darkens fiducials and mask alike; another finish changes the one and another mask the other. So
    the smaller of both changes counts, none where they disagree.
    """
    ratios = (float(day.fiducial[row]) / max(fiducial[row], 1e-3), float(day.mask[row]) / max(mask[row], 1e-3))
    logs = np.log(np.maximum(ratios, 1e-3))
    share = float(np.exp(logs[np.argmin(np.abs(logs))])) if logs[0] * logs[1] > 0 else 1.0
    finding = _level("boards", light, fiducial[row], fiducial[row] * share, reference)
    return Finding("boards", "level", light.name, finding.reference, finding.now, "response", finding.change, "%",
                   finding.limits, finding.result, finding.note)
