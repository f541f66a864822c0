"""A labelled sheet of every finding, easy to severe, as a given station would see it on a given family."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images.board import RenderedView, plan_board, render_view
from synthetic_images.camera import Picture
from synthetic_images.plan import BoardPlan
from synthetic_images.recipe import Recipe
from vision.setup import CHIP_FINDINGS, FINDING, JOINT_FINDINGS, Family, Station

U8 = NDArray[np.uint8]
SEVERITIES = (0.0, 0.35, 0.7, 1.0)
SHADES = ("mild", "clear", "strong", "severe")
CELL_PX = 168
MARGIN_PX = 8
_LABEL_PX = 190


def draw_gallery(family: Family, station: Station, seed: int, *, recipe: Recipe | None = None, cell_px: int = CELL_PX
                 ) -> U8:
    """Return the sheet (row, col, blue green red), ready for OpenCV to write.

    One row a finding (the first row shows good joints), one column a severity. Pictures are brightened for looking.
    """
    findings = ("good", *JOINT_FINDINGS, *(CHIP_FINDINGS if family.chips else ()))
    spots = _spots(family, len(JOINT_FINDINGS) + 1)
    pitch = cell_px + MARGIN_PX
    sheet = np.full((40 + len(findings) * pitch, _LABEL_PX + len(SEVERITIES) * pitch, 3), 250, np.uint8)
    for column, severity in enumerate(SEVERITIES):
        left = _LABEL_PX + column * pitch
        _write(sheet, SHADES[column], left + 4, 26)
        cells = _column(family, station, seed, severity, spots, recipe, column, cell_px)
        for row, finding in enumerate(findings):
            top = 40 + row * pitch
            sheet[top:top + cell_px, left:left + cell_px] = cells[finding]
            if column == 0:
                title = "good" if finding == "good" else FINDING[finding].title
                _write(sheet, title, 8, top + cell_px // 2)
    return sheet


def _spots(family: Family, count: int) -> list[int]:
    """Choose joints for the findings, as far apart as the board allows and of changing land kinds."""
    place = np.array([(j.x_mm, j.y_mm) for j in family.joints])
    chosen = [0]
    while len(chosen) < count:
        if len(chosen) >= len(family.joints):
            chosen.append(chosen[len(chosen) % len(family.joints)])
            continue
        away = np.min(np.hypot(*(place[:, None] - place[chosen]).transpose(2, 0, 1)), axis=1)
        away[chosen] = -1.0
        chosen.append(int(np.argmax(away)))
    return chosen


def _column(family: Family, station: Station, seed: int, severity: float, spots: list[int], recipe: Recipe | None,
            column: int, cell_px: int) -> Mapping[str, U8]:
    """Render all findings at one severity; joints that would share a spot are spread over several boards."""
    cells: dict[str, U8] = {}
    order = ["good", *JOINT_FINDINGS]
    bridged = next((j for j in spots if _has_other_net(family, j)), spots[0])
    free = [j for j in spots if j != bridged]
    free += [spots[-1]] * (len(order) - 1 - len(free))
    places = dict(zip([finding for finding in order if finding != "bridge"], free, strict=True)) | {"bridge": bridged}
    chips = {i: finding for i, finding in enumerate(CHIP_FINDINGS) if i < len(family.chips)}
    todo = dict(places)
    while todo:
        batch = {finding: j for finding, j in todo.items() if list(todo.values()).index(j) == list(todo).index(finding)}
        todo = {finding: j for finding, j in todo.items() if finding not in batch}
        plan = plan_board(family, np.random.default_rng([seed, column]), recipe=recipe, look_seed=seed,
                          planned={j: (finding, severity) for finding, j in batch.items()},
                          planned_chips={i: (finding, severity) for i, finding in chips.items()})
        views = _views_of(family, [(family.joints[j].x_mm, family.joints[j].y_mm) for j in batch.values()])
        shown = {name: render_view(plan, name, station) for name in sorted(set(views))}
        for (finding, j), view in zip(batch.items(), views, strict=True):
            x, y, side = _frame(plan, j, finding)
            cells[finding] = crop(shown[view], x, y, side, cell_px)
        for i, finding in chips.items():
            chip = family.chips[i]
            view = _views_of(family, [(chip.x_mm, chip.y_mm)])[0]
            rendered = shown.get(view) or render_view(plan, view, station)
            side = 2 * max(chip.body_w_mm, chip.body_h_mm) + 0.6
            cells.setdefault(finding, crop(rendered, chip.x_mm, chip.y_mm, side, cell_px))
    blank = np.full((cell_px, cell_px, 3), 200, np.uint8)
    return {finding: cells.get(finding, blank) for finding in (*order, *CHIP_FINDINGS)}


def _has_other_net(family: Family, joint: int) -> bool:
    me = family.joints[joint]
    return any(j is not me and not j.net == me.net != "" and np.hypot(j.x_mm - me.x_mm, j.y_mm - me.y_mm) < 4.0
               for j in family.joints)


def _views_of(family: Family, places: list[tuple[float, float]]) -> list[str]:
    """Return the view whose centre is nearest to each place."""
    centres = np.array([view.center_mm for view in family.views])
    return [family.views[int(np.argmin(np.hypot(*(centres - place).T)))].name for place in places]


def _frame(plan: BoardPlan, joint: int, finding: str) -> tuple[float, float, float]:
    """Return centre and side (mm) of what to show."""
    me = plan.family.joints[joint]
    side = max(me.land_w_mm, me.land_h_mm) + 1.5
    for neck in plan.necks:
        if finding == "bridge" and joint in (neck.first, neck.second):
            a, b = plan.family.joints[neck.first], plan.family.joints[neck.second]
            apart = float(np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm))
            return (a.x_mm + b.x_mm) / 2, (a.y_mm + b.y_mm) / 2, side + apart
    return me.x_mm, me.y_mm, side


def crop(rendered: RenderedView, x_mm: float, y_mm: float, side_mm: float, cell_px: int) -> U8:
    """Return a square round a board point, brightened, in blue, green, red."""
    picture = viewable(rendered.pictures)
    half = side_mm / 2.0 * rendered.board_to_px.px_per_mm
    col, row = rendered.board_to_px.to_px((x_mm, y_mm))
    scale = cell_px / (2.0 * half)
    move = np.array([[scale, 0.0, cell_px / 2.0 - scale * col], [0.0, scale, cell_px / 2.0 - scale * row]])
    return np.asarray(cv2.warpAffine(picture, move, (cell_px, cell_px), flags=cv2.INTER_LINEAR,
                                     borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8)


def viewable(pictures: Mapping[str, Picture]) -> U8:
    """Return one colour picture for looking: a coloured exposure as it is, or mono exposures as colour planes."""
    first = next(iter(pictures.values()))
    if first.ndim == 2:
        planes = [*pictures.values()][:3]
        first = np.stack([planes[min(i, len(planes) - 1)] for i in (2, 1, 0)], axis=-1)
    full = 255.0 if first.dtype == np.uint8 else 65535.0
    return np.asarray(np.round(255.0 * (first.astype(np.float32) / full) ** 0.6), dtype=np.uint8)


def _write(sheet: U8, text: str, x: int, y: int) -> None:
    cv2.putText(sheet, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.55, (40, 40, 40), 1, cv2.LINE_AA)
