"""Teach a board family: render, measure, learn."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from models.criteria import CRITERIA, Criterion
from models.learn import LearnOptions
from models.placing import LEAST
from models.table import LabelledTable
from models.train import TrainResult, train_sheet
from vision.setup.family import Family
from vision.setup.station import Station
from vision.teaching.lots import Progress, training_tables


def teach(family: Family, station: Station, *, boards: int = 64, seed: int = 1, jobs: int = 1,
          cache: Path | None = None, defect_rate: float = 0.4, folds: int = 5,
          progress: Progress | None = None) -> TrainResult:
    """Return the limit sheet learned from rendered boards of a family as a station sees them.

    Equal arguments give an equal sheet. Parameters as in `training_tables`; `folds` is the number of parts for the
    cross-validation, grouped by board (0 leaves it out).
    """
    tables = training_tables(family, station, boards=boards, seed=seed, defect_rate=defect_rate, jobs=jobs,
                             cache=cache, progress=progress)
    return learn(family, tables.joints, tables.chips, boards=boards, seed=seed, folds=folds)


def learn(family: Family, joints: LabelledTable, chips: LabelledTable, *, boards: int, seed: int, folds: int = 5,
          criteria: Sequence[Criterion] = CRITERIA, progress: Progress | None = None) -> TrainResult:
    """Return the limit sheet learned from tables that are measured already; `criteria` replace the class's own."""
    return train_sheet(joints, workmanship_class=family.workmanship_class, family=family.name,
                       chips=chips if len(chips) else None, folds=folds,
                       note=f"learned from {boards} rendered boards, seed {seed}", criteria=criteria,
                       options=_options(family), progress=progress)


def _options(family: Family) -> LearnOptions:
    """Return how rules are learned for a family: no limit on a chip's shift below a fifth of the smallest body's width.

    Side overhang is commonly judged against the body's width, a quarter or a half of it (common practice, no published
    source); a fifth leaves room for what the measurement is off.
    """
    narrow = min((min(chip.body_w_mm, chip.body_h_mm) for chip in family.chips), default=0.0)
    smallest = dict(LEAST)
    for measure in ("shift_along_mm", "shift_across_mm"):
        smallest[measure] = max(LEAST[measure], round(0.2 * narrow, 2))
    return LearnOptions(smallest=smallest)
