"""Individuals, EWMA and CUSUM of the measurements' board means: early warning before any limit is broken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.vocabulary import MEASURE, plain_name
from vision.line.charts import D2, Chart, Cusum, cusum_chart, ewma_chart, individuals_chart
from vision.line.history import History
from vision.line.run_rules import DEFAULT_RULES, rules_run_length, signals
from vision.line.series import memory, place_means, unlinked

Floats = NDArray[np.float64]

CHARTED: tuple[str, ...] = ("coverage_deg", "wetting_angle_deg", "fillet_height_mm")
#: Boards from whose scatter the limits are made.
REFERENCE = 40
WEIGHT, WIDTH, ALLOWANCE, DECISION = 0.2, 3.0, 0.5, 5.0


@dataclass(frozen=True)
class MeasureChart:
    """The charts of one measurement. Points are board means over the joints of the scope.

    `points` are the means as measured; the charts stand on `charted`, which lacks what the boards before foretold
    (equal to `points` where there is no memory). `rules` maps each run rule to the points at which it signals.
    """

    measure: str
    title: str
    unit: str
    serials: tuple[str, ...]
    points: Floats
    charted: Floats
    linked: bool
    sigma: float
    individuals: Chart
    ewma: Chart
    cusum: Cusum
    rules: dict[str, tuple[int, ...]]
    rules_run_length: float

    @property
    def state(self) -> str:
        """What signals at the newest board, or `quiet`."""
        told = [name for name, out in (("EWMA", self.ewma.out[-1]), ("CUSUM", self.cusum.out[-1])) if out]
        told += [name for name, at in self.rules.items() if at and at[-1] == self.points.size - 1]
        return f"signal by {', '.join(told)}" if told else "quiet"


def measure_charts(history: History, joints: Sequence[int]) -> tuple[MeasureChart, ...]:
    """Return the charts of each measurement over the joints; none where there are too few boards for limits."""
    out = []
    weights = np.zeros((1, len(history.joints)))
    weights[0, list(joints)] = 1.0
    for measure in CHARTED:
        if measure not in history.measures or not len(history):
            continue
        means = place_means(history.measures[measure], weights)[:, 0]
        known = np.isfinite(means)
        if known.sum() >= REFERENCE + 10:
            serials = tuple(serial for serial, there in zip(history.serials, known, strict=True) if there)
            out.append(_one(measure, serials, means[known]))
    return tuple(out)


def _one(measure: str, serials: tuple[str, ...], points: Floats) -> MeasureChart:
    coefficients = memory(points[:, None])
    charted = unlinked(points[:, None], coefficients)[:, 0]
    base = charted[:REFERENCE]
    sigma = max(float(np.abs(np.diff(base)).mean()) / D2, 1e-12)
    center = float(base.mean())
    return MeasureChart(
        measure, plain_name(measure), MEASURE[measure].unit, serials, points, charted, coefficients != (0.0, 0.0),
        sigma, individuals_chart(charted, reference=slice(0, REFERENCE)),
        ewma_chart(charted, target=center, sigma=sigma, weight=WEIGHT, width=WIDTH),
        cusum_chart(charted, target=center, sigma=sigma, allowance=ALLOWANCE, decision=DECISION),
        {name: tuple(int(i) for i in np.flatnonzero(mask))
         for name, mask in signals((charted - center) / sigma, DEFAULT_RULES).items()},
        rules_run_length(DEFAULT_RULES))
