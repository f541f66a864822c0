"""Boards seen again under other conditions: what the uncertainty of a family's measurements is learned from.

The same boards are rendered anew, lying elsewhere and photographed with other noise, focus and lamps, by the station
as it is described and by one that has drifted. Measured against the same truth, they tell the repeatability of
every measurement and how far each condition carries it from the truth.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from models.table import LabelledTable, join_tables, read_table, write_table
from models.uncertainty import NOMINAL
from synthetic_images.board import BoardPlan, plan_board, render_view, true_place
from synthetic_images.camera import expose
from synthetic_images.lot import write_truth
from synthetic_images.recipe import Recipe
from synthetic_images.truth import TruthRow
from vision.pipeline.folder import scan_folder
from vision.setup import Family, Similarity, Station, View, view_size_px
from vision.teaching.lots import Progress, in_parallel, kept, lot_key, measure_one
from vision.teaching.truth import labelled, read_truth


@dataclass(frozen=True)
class Condition:
    """How pictures differ from those of the station as its file describes it.

    Where several values are given the boards take them in turns.
    """

    name: str
    gain: tuple[float, ...] = (1.0,)  # of all lights
    weak_light: float = 1.0  # level of one light; the boards take the lights in turns
    blur_px: float | None = None  # sigma; None = as the lens gives
    ring_shift_deg: tuple[float, ...] = (0.0,)  # of every light's zenith band
    residue: float | None = None  # strength of flux residue; None = as it comes


#: The drifts that measurements are expected to stand (common practice for a station between two calibrations).
CONDITIONS = (Condition(NOMINAL), Condition("gain", gain=(1.2, 0.8)), Condition("weak light", weak_light=0.7),
              Condition("blur", blur_px=1.2), Condition("ring angles", ring_shift_deg=(3.0, -3.0)),
              Condition("residue", residue=0.6))


@dataclass(frozen=True)
class Repeated:
    """What was measured under one condition, with the truth. Repeated pictures share board and name."""

    condition: str
    joints: LabelledTable
    chips: LabelledTable


def repeated_tables(family: Family, station: Station, *, boards: int, seed: int, defect_rate: float = 0.4,
                    jobs: int = 1, cache: Path | None = None, progress: Progress | None = None,
                    recipe: Recipe | None = None, conditions: Sequence[Condition] = CONDITIONS
                    ) -> tuple[Repeated, ...]:
    """Render the first boards of a training lot again, under every condition, and measure them.

    Parameters as in `training_tables`, of which this continues the lot: board names are the same. Boards that cannot
    be measured under a condition are left out there.
    """
    family = replace(family, uncertainty=None)
    mark = hashlib.sha256(repr(tuple(conditions)).encode()).hexdigest()[:8]
    with kept(cache) as folder:
        place = folder / lot_key(family, station, seed, defect_rate, recipe) / f"again-{boards}-{mark}"
        names = [condition.name for condition in conditions]
        if not _whole(place, names):
            job = partial(_board_again, family=family, station=station, seed=seed, defect_rate=defect_rate,
                          lot=place.parent.name, recipe=recipe, conditions=tuple(conditions))
            found = in_parallel(job, range(1, boards + 1), jobs, progress)
            _write(place, names, found)
        elif progress is not None:
            progress(boards, boards)
        return tuple(Repeated(name, read_table(_file(place, name, "joints"), "joint"),
                              read_table(_file(place, name, "chips"), "chip")) for name in names)


def _file(place: Path, condition: str, kind: str) -> Path:
    return place / f"{condition.replace(' ', '_')}-{kind}.csv"


def _whole(place: Path, names: Sequence[str]) -> bool:
    return all(_file(place, name, kind).is_file() for name in names for kind in ("joints", "chips"))


Board = Mapping[str, tuple[LabelledTable, LabelledTable]]


def _write(place: Path, names: Sequence[str], boards: Sequence[Board]) -> None:
    place.mkdir(parents=True, exist_ok=True)
    for name in names:
        write_table(join_tables([board[name][0] for board in boards]), _file(place, name, "joints"))
        write_table(join_tables([board[name][1] for board in boards]), _file(place, name, "chips"))


def _board_again(number: int, family: Family, station: Station, seed: int, defect_rate: float, lot: str,
                 recipe: Recipe | None, conditions: Sequence[Condition]) -> Board:
    """Render one board of a lot again under every condition and measure it (in a worker)."""
    plan = plan_board(family, np.random.default_rng((seed, number)), recipe=recipe, defect_rate=defect_rate)
    rendered: dict[tuple[float, float | None], _Lit] = {}
    found = {}
    for place, condition in enumerate(conditions):
        shift = condition.ring_shift_deg[number % len(condition.ring_shift_deg)]
        key = (shift, condition.residue)
        if key not in rendered:
            rendered[key] = _lit(with_residue(plan, condition.residue), shifted(station, shift), seed, number)
        with tempfile.TemporaryDirectory(prefix="meniscope-again-") as name:
            folder = Path(name)
            _photograph(rendered[key], condition, plan, station, (seed, number, place), folder)
            result = measure_one(scan_folder(folder, station, family)[0], family, station)
            truth = read_truth(folder)
        measured = [] if isinstance(result, str) else [result]
        board = f"{lot}:{number}"
        found[condition.name] = (labelled(measured, truth, "joint", board), labelled(measured, truth, "chip", board))
    return found


@dataclass(frozen=True)
class _Lit:
    """Responses of every view of one board, and its truth."""

    responses: Mapping[str, NDArray[np.float32]]
    rows: tuple[TruthRow, ...]


def _lit(plan: BoardPlan, station: Station, seed: int, number: int) -> _Lit:
    responses: dict[str, NDArray[np.float32]] = {}
    rows: list[TruthRow] = []
    for view in plan.family.views:
        shown = render_view(plan, view, station, serial="R", place=_elsewhere(plan, view, station, seed, number))
        responses[view.name] = shown.responses
        rows += shown.rows
    return _Lit(responses, tuple(rows))


def _elsewhere(plan: BoardPlan, view: View, station: Station, seed: int, number: int) -> Similarity:
    other = replace(plan, seed=int(np.random.default_rng([seed, number, 11]).integers(2**31)))
    return true_place(other, view, station, view_size_px(plan.family, view, station))


def _photograph(lit: _Lit, condition: Condition, plan: BoardPlan, station: Station, key: tuple[int, int, int],
                folder: Path) -> None:
    """Write the pictures of all views and truth.csv."""
    seed, number, place = key
    recipe, gains = plan.recipe, np.full(len(station.lights), condition.gain[number % len(condition.gain)])
    gains[number % len(gains)] *= condition.weak_light
    if condition.blur_px is not None:
        recipe = fixed(recipe, "camera.blur", condition.blur_px)
    for index, (view, responses) in enumerate(lit.responses.items()):
        seen = (responses * gains[:, None, None]).astype(np.float32)
        rng = np.random.default_rng([seed, number, 13, place, index])
        for exposure, picture in expose(seen, station, recipe, rng).items():
            cv2.imwrite(str(folder / station.files.format(serial="R", view=view, exposure=exposure)), picture)
    write_truth(list(lit.rows), folder / "truth.csv")


def shifted(station: Station, shift_deg: float) -> Station:
    """Return the station with every light moved in zenith angle, held within the half sphere."""
    return replace(station, lights=tuple(replace(light, zenith_deg=(max(light.zenith_deg[0] + shift_deg, 0.0),
                                                                    min(light.zenith_deg[1] + shift_deg, 90.0)))
                                         for light in station.lights))


def with_residue(plan: BoardPlan, strength: float | None) -> BoardPlan:
    """Return a board with so much flux residue, 0 to 1; as it is for None."""
    return plan if strength is None else replace(plan, recipe=fixed(plan.recipe, "board.residue", strength))


def fixed(recipe: Recipe, name: str, value: float) -> Recipe:
    """Return a recipe in which one quantity has a single value."""
    entries = dict(recipe.entries)
    entries[name] = replace(entries[name], kind="fixed", low=value, high=value)
    return Recipe(entries)
