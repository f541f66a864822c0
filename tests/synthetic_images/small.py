"""A small invented family and helpers for rendering tests."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from synthetic_images.board import RenderedView, plan_board, render_view
from synthetic_images.demo import demo_station
from synthetic_images.plan import BoardPlan
from synthetic_images.recipe import Recipe, default_recipe
from vision.setup import Chip, Family, Fiducial, Joint, Light, Station, View


def small_family(workmanship_class: int = 2) -> Family:
    """Six joints of three land kinds, two chips, three fiducials; every joint has a neighbour of another net."""
    kinds = (("round", 1.8, 1.8, "round", 0.6, 0.6), ("rect", 1.7, 1.7, "square", 0.6, 0.6),
             ("oblong", 1.6, 2.4, "rect", 0.7, 0.5))
    joints = tuple(Joint("J1", str(i + 1), 2.4 + 2.54 * (i % 3), 2.4 + 3.2 * (i // 3), kind[0], kind[1], kind[2], 0.0,
                         1.0, kind[3], kind[4], kind[5], f"N{i % 5}")
                   for i in range(6) for kind in (kinds[i % 3],))
    chips = (Chip("R1", 11.2, 2.6, 0.0, 2.0, 1.25), Chip("C1", 11.2, 6.0, 90.0, 1.6, 0.8))
    marks = tuple(Fiducial(x, y, 0.8) for x, y in ((0.7, 0.7), (13.0, 0.8), (0.8, 7.6)))
    return Family("small", workmanship_class, "bottom", joints, chips, marks, (View("v1", (6.9, 4.2)),))


#: Lights of stations unlike the demo's: two, four and six bands of slopes.
TWO_LIGHTS = (Light("steep", "a", "mono", (10.0, 38.0)), Light("grazing", "b", "mono", (44.0, 78.0)))
FOUR_LIGHTS = (Light("near", "a", "red", (8.0, 24.0)), Light("inner", "a", "green", (26.0, 42.0)),
               Light("outer", "a", "blue", (46.0, 60.0)), Light("rim", "b", "mono", (64.0, 82.0)))
SIX_LIGHTS = tuple(Light(f"ring{n}", "abcdef"[n], "mono", (6.0 + 13.0 * n, 17.0 + 13.0 * n)) for n in range(6))


def small_station(**changes: object) -> Station:
    """The demo station with pictures just large enough for the small family."""
    return replace(demo_station(), **({"picture_px": (800, 560)} | changes))  # type: ignore[arg-type]


def quiet_recipe(**fixed: float) -> Recipe:
    """The shipped recipe with some quantities fixed: `quiet_recipe(place__offset=0.0)`."""
    entries = dict(default_recipe().entries)
    for name, value in fixed.items():
        key = name.replace("__", ".")
        entries[key] = replace(entries[key], kind="fixed", low=value, high=value)
    return Recipe(entries)


def write_views(plan: BoardPlan, station: Station, folder: Path, serial: str) -> dict[tuple[str, str], Path]:
    """Render every view of a board into PNG files; return them by view and exposure."""
    pictures = {}
    for view in plan.family.views:
        for exposure, picture in render_view(plan, view, station).pictures.items():
            path = folder / f"{serial}_{view.name}_{exposure}.png"
            assert cv2.imwrite(str(path), picture)
            pictures[view.name, exposure] = path
    return pictures


def render(planned: dict[int, tuple[str, float]], seed: int = 1, *, chips: dict[int, tuple[str, float]] | None = None,
           recipe: Recipe | None = None, station: Station | None = None, family: Family | None = None
           ) -> tuple[BoardPlan, RenderedView]:
    """Render the small family with these findings, with label and slope maps."""
    plan = plan_board(family or small_family(), np.random.default_rng(seed), planned=planned, planned_chips=chips or {},
                      recipe=recipe)
    return plan, render_view(plan, "v1", station or small_station(), maps=True, serial="T1")
