"""Teaching, grading boards of other renderers, the result beside the truth: verdicts, measurements, what is wrong."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from telling import tell

from models.evaluate import Comparison, Outcome, counted
from models.limits import LimitSheet
from vision.pipeline.folder import scan_folder
from vision.pipeline.grade import grade_board
from vision.pipeline.inspection import Inspection
from vision.setup import Family, Station
from vision.teaching import outcomes, read_truth
from vision.teaching.lots import training_tables
from vision.teaching.teach import learn

TRAIN_SEED = 1
#: Measurement, bounds of the truth within which it is compared, goal for the mean absolute error, unit.
GOALS = (("coverage_deg", -1.0, 361.0, 5.0, "deg"), ("land_cover_pct", -1.0, 101.0, 3.0, "%"),
         ("wetting_angle_deg", 10.0, 45.0, 6.0, "deg"), ("fillet_height_mm", 0.0, 9.0, 0.08, "mm"),
         ("lead_offset_mm", 0.0, 9.0, 0.04, "mm"))
#: Things that are there or not: measurement, least size, goal for the share found in per cent.
FOUND = (("bridge_width_mm", 0.25, 99.0), ("ball_diameter_mm", 0.15, 97.0), ("projection_mm", 0.25, 97.0),
         ("pit_diameter_mm", 0.15, 90.0))


class Setting(Protocol):
    """A family and the station that sees it."""

    @property
    def name(self) -> str: ...

    @property
    def family(self) -> Family: ...

    @property
    def station(self) -> Station: ...


@dataclass
class Graded:
    """Verdicts and pairs (true, measured) of the joints of some boards."""

    name: str
    outcomes: list[Outcome] = field(default_factory=list)
    pairs: list[tuple[dict[str, float], dict[str, float], bool]] = field(default_factory=list)  # true, measured, good
    details: dict[tuple[str, str], list[str]] = field(default_factory=dict)  # board and joint: words
    lost: list[str] = field(default_factory=list)  # boards not graded, with the reason

    @staticmethod
    def joined(name: str, some: Sequence[Graded]) -> Graded:
        whole = Graded(name)
        for one in some:
            whole.outcomes += one.outcomes
            whole.pairs += one.pairs
            whole.details |= one.details
            whole.lost += one.lost
        return whole


def taught(setting: Setting, given: argparse.Namespace) -> LimitSheet:
    """Return a limit sheet learned from the project's own renders."""
    tables = training_tables(setting.family, setting.station, boards=given.train_boards, seed=TRAIN_SEED,
                             jobs=given.jobs, cache=given.cache, progress=partial(tell, f"teaching {setting.name}"))
    return learn(setting.family, tables.joints, tables.chips, boards=given.train_boards, seed=TRAIN_SEED,
                 folds=0).sheet


def grade_lot(setting: Setting, pictures: Path, sheet: LimitSheet, overlays: Path | None = None) -> Graded:
    """Grade every board of a folder; overlays go to a folder where one is given."""
    graded, truth = Graded(setting.name), read_truth(pictures)
    for files in scan_folder(pictures, setting.station, setting.family):
        inspection = grade_board(files, setting.family, setting.station, sheet, overlays)
        if not inspection.joints:
            graded.lost.append(f"{setting.name} {files.serial}: {inspection.reason}")
        own = outcomes([inspection], {key: row for key, row in truth.items() if key[0] == files.serial}, setting.name)
        graded.outcomes += [_renamed(one, setting.name) for one in own]
        for joint in inspection.joints:
            row = truth.get((files.serial, joint.ref, joint.pin))
            if row is not None and not joint.reason:
                graded.pairs.append((dict(row.exact), dict(joint.measurements), not row.findings))
        _describe(graded, setting.name, inspection)
    return graded


def _renamed(one: Outcome, setting: str) -> Outcome:
    """Return an outcome whose board is told apart from the other setting's."""
    from dataclasses import replace

    return replace(one, board=f"{setting}/{one.board}")


def _describe(graded: Graded, setting: str, inspection: Inspection) -> None:
    for part in (*inspection.joints, *inspection.chips):
        name = f"{part.ref}.{part.pin}" if hasattr(part, "pin") else part.ref
        words = [f"{f.finding} ({f.verdict}): {f.measure} {f.value:.3g}, limit {f.side} {f.limit:.3g}, "
                 f"guard {f.guard:.2g}" for f in part.findings]
        words += [f"not graded: {part.reason}"] if part.reason else []
        listed = ("coverage_deg", "land_cover_pct", "wetting_angle_deg", "convexity", "lead_visible", "hole_open_pct",
                  "fillet_height_mm", "bridge_width_mm", "ball_diameter_mm", "projection_mm")
        words.append("measured " + ", ".join(f"{m} {part.measurements[m]:.3g}" for m in listed
                                             if m in part.measurements))
        graded.details[f"{setting}/{inspection.serial}", name] = words


def _both(graded: Graded, name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nan = float("nan")
    return (np.array([true.get(name, nan) for true, _, _ in graded.pairs]),
            np.array([seen.get(name, nan) for _, seen, _ in graded.pairs]))


def table_of(graded: Graded) -> list[dict[str, Any]]:
    """Return the table of measurements: mean absolute error, bias and goal, and shares found."""
    rows: list[dict[str, Any]] = []
    for name, low, high, goal, unit in GOALS:
        true, seen = _both(graded, name)
        known = (true >= low) & (true <= high) & np.isfinite(seen)
        off = (seen - true)[known]
        lost = int(((true >= low) & (true <= high)).sum() - known.sum())
        error = float(np.abs(off).mean()) if len(off) else float("nan")
        rows.append({"what": f"{name}, mean absolute error", "value": error, "unit": unit, "goal": goal,
                     "reached": error <= goal, "note": f"{len(off)} joints, bias {off.mean() if len(off) else 0:+.3f}, "
                     f"95th percentile {np.quantile(np.abs(off), 0.95) if len(off) else 0:.3f}, {lost} without value"})
    for name, least, goal in FOUND:
        true, seen = _both(graded, name)
        rate = counted(int((seen[true >= least] > 0).sum()), int((true >= least).sum()))
        false = counted(int((seen[true == 0] > 0).sum()), int((true == 0).sum()))
        both = (true >= least) & (seen > 0)
        size = f"; size off by {np.abs(seen - true)[both].mean():.3f} mm" if both.any() else ""
        rows.append({"what": f"{name} from {least:g} mm, found", "value": 100.0 * rate.share, "unit": "%", "goal": goal,
                     "reached": 100.0 * rate.share >= goal,
                     "note": f"{rate.in_words()}{size}; seen where none is: {false.in_words()}"})
    return rows


def lines_of(graded: Graded, verdicts: Comparison, escapes_pct: int = 1,
             left_out: Sequence[str] = ()) -> list[str]:
    """Return what one lot gave, as lines; measurements may be left out, and the escapes sought be told."""
    lines = [f"\n{graded.name}: {verdicts.boards} boards, {len(graded.pairs)} joints measured, {len(graded.lost)} "
             "boards not graded", *(f"  {reason}" for reason in graded.lost)]
    for name, rate, goal in (("escapes", verdicts.escapes, f"at most {escapes_pct} %"),
                             ("false calls", verdicts.false_calls, "at most 2 %"),
                             ("good to review", verdicts.good_reviewed, ""),
                             ("defects to review", verdicts.defects_reviewed, "")):
        lines.append(f"  {name:<22}{rate.in_words()}{'   sought ' + goal if goal else ''}")
    for group in (*verdicts.by_finding, *verdicts.indicators):
        if group.defects:
            kind = " (indicator)" if group in verdicts.indicators else ""
            lines.append(f"  {group.name + kind:<32}{group.defects} clear: {group.rejected} rejected, {group.reviewed} "
                         f"to review, {group.escapes.count} escaped, {group.named} named")
    marginal = Counter(o.verdict for o in graded.outcomes if o.marginal)
    lines.append(f"  marginal: {', '.join(f'{k} {n}' for k, n in marginal.items()) or 'none'}")
    calls = Counter(o.found[0] for o in graded.outcomes
                    if o.verdict in ("reject", "review") and not o.truth and not o.marginal and o.found)
    lines.append(f"  good rejected or to review, by finding: {dict(calls) or 'none'}")
    lines += [f"  {row['what']:<42}{row['value']:9.3f} {row['unit']:<4}goal {row['goal']:<6g}"
              f"{'reached' if row['reached'] else 'MISSED':<9}{row['note']}" for row in table_of(graded)
              if row["what"].split(",")[0] not in left_out]
    return lines


def wrong(graded: Graded) -> list[Outcome]:
    """Return every clear joint or chip that escaped, was falsely rejected, sent to review or not graded."""
    from models.criteria import defects_of

    bad = [bool(set(one.truth) & defects_of(2)) for one in graded.outcomes]
    return [one for one, is_bad in zip(graded.outcomes, bad, strict=True)
            if not one.marginal and one.verdict != ("reject" if is_bad else "accept")]


def write_crops(graded: Graded, setting: Setting, folder: Path, reach_mm: float = 2.2, side_px: int = 320) -> None:
    """Write one enlarged crop of the picture for each wrongly graded joint or chip, with its name and truth."""
    import cv2

    from vision.setup.geometry import nominal_view

    family, station = setting.family, setting.station
    place = nominal_view(family, family.views[0], station, station.picture_px or (1, 1))
    spots = {j.name: (j.x_mm, j.y_mm) for j in family.joints} | {c.ref: (c.x_mm, c.y_mm) for c in family.chips}
    reach = reach_mm / station.mm_per_px
    for one in wrong(graded):
        serial = one.board.split("/")[1]
        name = station.files.format(serial=serial, view=family.views[0].name, exposure="a")
        picture = cv2.imread(str(folder / "pictures" / name))
        x, y = place.to_px(spots[one.name])
        scale = side_px / (2.0 * reach)
        matrix = np.array([[scale, 0.0, (reach - x) * scale], [0.0, scale, (reach - y) * scale]])
        crop = cv2.warpAffine(picture, matrix, (side_px, side_px), flags=cv2.INTER_CUBIC)
        (folder / "wrong").mkdir(exist_ok=True)
        words = f"{one.verdict}_{serial}_{one.name}_{'+'.join(one.truth) or 'good'}_{one.found[0] if one.found else ''}"
        cv2.imwrite(str(folder / "wrong" / f"{words}.png"), crop)


def wrong_lines(graded: Graded) -> list[str]:
    """Return every wrongly graded joint or chip with its truth, finding, measured value and limit."""
    lines = []
    for one in wrong(graded):
        what = {"accept": "ESCAPED", "reject": "FALSE CALL", "review": "review"}.get(one.verdict, one.verdict)
        lines.append(f"  {what} {one.board} {one.name} ({one.kind}) truth {'+'.join(one.truth) or 'good'}")
        lines += [f"      {words}" for words in graded.details.get((one.board, one.name), [])]
    return lines
