"""The uncertainty of a family's measurements, from boards rendered with known truth and seen again under conditions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from models.table import LabelledTable, join_tables
from models.uncertainty import NOMINAL, Band, UncertaintyModel, stated
from models.uncertainty_fit import bands_of
from synthetic_images.recipe import Recipe
from vision.setup.family import Family
from vision.setup.station import Station
from vision.teaching.conditions import Repeated, repeated_tables
from vision.teaching.lots import Progress, TrainingTables

#: One of so many boards that are rendered for training is seen again under every condition, and at least two are.
EVERY = 4
LEAST = 2


def boards_again(boards: int) -> int:
    """Return how many of a lot's boards are seen again."""
    return min(boards, max(LEAST, boards // EVERY))


def learned_uncertainty(family: Family, station: Station, tables: TrainingTables, *, seed: int,
                        defect_rate: float = 0.4, jobs: int = 1, cache: Path | None = None,
                        progress: Progress | None = None, recipe: Recipe | None = None) -> UncertaintyModel:
    """Return the uncertainty of a family seen by a station.

    `tables` is what was measured on a lot with this seed, rate and recipe; some of its boards are seen again under
    every condition. What the family holds for other stations is kept.
    """
    again = repeated_tables(family, station, boards=boards_again(tables.boards), seed=seed, defect_rate=defect_rate,
                            jobs=jobs, cache=cache, progress=progress, recipe=recipe)
    others = () if family.uncertainty is None else family.uncertainty.without_station(station.name)
    return UncertaintyModel((*learned_bands(tables, again, station.name), *others))


def learned_bands(tables: TrainingTables, again: Sequence[Repeated], station: str) -> tuple[Band, ...]:
    """Return the bands learned from a lot and from some of its boards seen again."""
    joints = {item.condition: item.joints for item in again}
    chips = {item.condition: item.chips for item in again}
    for by_condition, first in ((joints, tables.joints), (chips, tables.chips)):
        by_condition[NOMINAL] = join_tables([first, by_condition[NOMINAL]]) if NOMINAL in by_condition else first
    return bands_of([joints, chips], station)


def with_stated(table: LabelledTable, model: UncertaintyModel | None, station: str) -> LabelledTable:
    """Return a table with the standard uncertainties that a model states for it; as it was where it states none."""
    known = None if model is None else model.of_station(station)
    if known is None:
        return table
    return replace(table, uncertainties=dict(stated(known, table.columns, table.kinds).standard))
