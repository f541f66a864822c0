"""How far measurements lie from the truth: bias and spread of every measurement on rendered boards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.table import LabelledTable
from models.vocabulary import MEASURE


@dataclass(frozen=True)
class Spread:
    """Errors of one measurement against truth, in its own unit."""

    measure: str
    count: int  # parts of which both the measured and the true value exist
    bias: float  # mean of measured - true
    mean_absolute: float
    rms: float  # root mean square of measured - true
    largest: float  # largest absolute error
    stated: float  # root mean square of the standard uncertainties that the pipeline states; NaN = none


def spreads(table: LabelledTable, *, only_good: bool = False) -> list[Spread]:
    """Return the errors of every measurement that has true values, marginal parts included."""
    chosen = np.array([not (only_good and row) for row in table.findings], dtype=bool)
    found = []
    for name in MEASURE:
        if name not in table.columns or name not in table.exact:
            continue
        measured, exact = table.columns[name], table.exact[name]
        both = chosen & np.isfinite(measured) & np.isfinite(exact)
        if not both.any():
            continue
        error = measured[both] - exact[both]
        if name == "gap_azimuth_deg":  # an angle: 359 deg and 1 deg are 2 deg apart
            error = (error + 180.0) % 360.0 - 180.0
        stated = table.uncertainties.get(name)
        known = stated[both] if stated is not None else np.zeros(0)
        known = known[np.isfinite(known)]
        found.append(Spread(name, int(both.sum()), float(error.mean()), float(np.abs(error).mean()),
                            float(np.sqrt(np.mean(error**2))), float(np.abs(error).max()),
                            float(np.sqrt(np.mean(known**2))) if len(known) else float("nan")))
    return found
