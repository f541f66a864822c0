"""What is known of the uncertainty of every measurement: bands of measured values with bias, spread and interval.

Evaluated after the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008). The sources are

- repeatability: pictures of the same board, lying elsewhere, taken anew (type A, 4.2);
- what differs from joint to joint and board to board beyond that: shape, finish, lamps, the station's drift (type A);
- the bias against the truth, which is not corrected and so is a part of the uncertainty (F.2.4.5);
- the resolution of the value as it is told (type B, F.2.2.1).

The combined standard uncertainty is the root sum of squares (5.1.2). Spreads are half the width that holds 68.27 % of
the errors, a Gaussian's standard deviation, so that a few blunders do not make every value look doubtful. They are told
by the 95 % coverage interval that stands beside it: quantiles of truth - measured, each side for itself since errors
are skewed, moved outward for the finite number of rows as in split-conformal prediction (Vovk, Gammerman and Shafer,
Algorithmic Learning in a Random World, 2005), which holds whatever the distribution. Errors hang on the measured
value, so every land kind has bands of it. All holds for a mix of good and bad joints like the one learned from.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from models.rules import Floats
from models.sheet_check import possible
from models.vocabulary import MEASURE

NOMINAL = "nominal"
#: Station, land kind or condition of a band that holds for all of them.
ANY = ""
#: More land kinds, or bands of one measurement and land kind, are no readable table.
MOST_KINDS, MOST_BANDS = 300, 40
#: An azimuth: 359 deg and 1 deg are 2 deg apart, and it has no end.
CIRCULAR = "gap_azimuth_deg"


@dataclass(frozen=True)
class Band:
    """How far values measured from `low` to `high` lie from the truth, in the measurement's own unit.

    Bands of one station, measurement, land kind and condition follow one another. One that begins where it ends
    holds for that very value, as a coverage of 360 deg. Beyond the first and the last the nearest band holds.
    """

    station: str
    measure: str
    land_kind: str  # ANY for every land, and for chips
    condition: str  # ANY for all conditions together; only these bands are used for grading
    low: float
    high: float
    count: int  # rows that it rests on
    bias: float  # median of measured - truth
    repeatability: float  # standard deviation between pictures of the same board; NaN = not known
    standard_uncertainty: float  # combined, bias included
    low_95: float  # the truth lies from measured + low_95 ...
    high_95: float  # ... to measured + high_95 with a probability of 95 %


@dataclass(frozen=True, eq=False)
class UncertaintyModel:
    """The bands of one family, in any order."""

    bands: tuple[Band, ...]

    def of_station(self, station: str) -> UncertaintyModel | None:
        """Return the bands that hold for a station, its own before those of any; None where there is none."""
        return _of_station(self, station)

    def without_station(self, station: str) -> tuple[Band, ...]:
        """Return the bands that belong to other stations."""
        return tuple(band for band in self.bands if band.station != station)


@lru_cache(maxsize=16)
def _of_station(model: UncertaintyModel, station: str) -> UncertaintyModel | None:
    own = tuple(band for band in model.bands if band.station == station)
    kept = own or tuple(band for band in model.bands if band.station == ANY)
    return UncertaintyModel(kept) if kept else None


@dataclass(frozen=True)
class Stated:
    """What is stated for each value of some columns: standard uncertainties, and where the truth lies with 95 %."""

    standard: Mapping[str, Floats]
    low: Mapping[str, Floats]
    high: Mapping[str, Floats]


@dataclass(frozen=True)
class _Lookup:
    """All bands for grading as arrays: [measure, kind, band], bands padded with infinite starts."""

    measures: Mapping[str, int]
    kinds: Mapping[str, int]  # land kind -> row; ANY is row 0
    starts: Floats
    standard: Floats
    low: Floats
    high: Floats


def stated(model: UncertaintyModel, columns: Mapping[str, Floats], kinds: Sequence[str] = ()) -> Stated:
    """Return what the model states for measured values.

    Parameters
    ----------
    model
        Of one station; see `UncertaintyModel.of_station`.
    columns
        Measured values, one row a part; columns that the model does not know are left out.
    kinds
        Land kind of each row; none given, and for unknown kinds, the bands for every land hold.

    Returns
    -------
    Arrays of the columns' length; NaN where the value is NaN or nothing is known.

    """
    lookup = _lookup(model)
    names = [name for name in columns if name in lookup.measures]
    if not names:
        return Stated({}, {}, {})
    values = np.stack([np.asarray(columns[name], dtype=np.float64) for name in names])
    rows = values.shape[1]
    kind = np.array([lookup.kinds.get(word, 0) for word in kinds] or [0] * rows, dtype=np.intp)
    place = np.array([lookup.measures[name] for name in names], dtype=np.intp)[:, None]
    starts = lookup.starts[place, kind[None]]  # (measure, row, band)
    band = np.maximum((values[..., None] >= starts).sum(axis=2) - 1, 0)
    unknown = np.isnan(values)
    standard, low, high = (np.where(unknown, np.nan, table[place, kind[None], band])
                           for table in (lookup.standard, lookup.low, lookup.high))
    low, high = values + low, values + high
    for index, name in enumerate(names):
        if name != CIRCULAR:
            low[index], high[index] = (np.clip(end[index], *possible(name)) for end in (low, high))
    return Stated(dict(zip(names, standard, strict=True)), dict(zip(names, low, strict=True)),
                  dict(zip(names, high, strict=True)))


def covers(measure: str, low: Floats, high: Floats, truth: Floats) -> NDArray[np.bool_]:
    """Return which truths lie inside their intervals; False where either is not known.

    Truths are written with six digits, so the ends are taken a hair wide.
    """
    hair = 1e-5 * np.maximum(1.0, np.abs(truth))
    if measure == CIRCULAR:
        truth = (low + high) / 2.0 + turned(truth - (low + high) / 2.0)
    with np.errstate(invalid="ignore"):
        return np.asarray((truth >= low - hair) & (truth <= high + hair))


def turned(angle: Floats) -> Floats:
    """Return angles between -180 and 180 deg."""
    return np.asarray((angle + 180.0) % 360.0 - 180.0)


@lru_cache(maxsize=16)
def _lookup(model: UncertaintyModel) -> _Lookup:
    """Put the bands for grading into arrays; a kind without bands for a measurement gets those for every land."""
    groups: dict[tuple[str, str], list[Band]] = {}
    for band in model.bands:
        if band.condition == ANY:
            groups.setdefault((band.measure, band.land_kind), []).append(band)
    measures = {name: index for index, name in enumerate(dict.fromkeys(name for name, _ in groups))}
    kinds = {name: index for index, name in enumerate(dict.fromkeys((ANY, *(kind for _, kind in groups))))}
    most = max((len(bands) for bands in groups.values()), default=0)
    shape = (len(measures), len(kinds), most)
    starts, standard, low, high = np.full(shape, np.inf), *(np.full(shape, np.nan) for _ in range(3))
    for name, measure in measures.items():
        for kind, row in kinds.items():
            bands = sorted(groups.get((name, kind)) or groups.get((name, ANY), []), key=lambda b: (b.low, b.high))
            for index, (band, start) in enumerate(zip(bands, _starts(bands), strict=True)):
                place = (measure, row, index)
                starts[place], standard[place] = start, band.standard_uncertainty
                low[place], high[place] = band.low_95, band.high_95
    return _Lookup(measures, kinds, starts, standard, low, high)


def _starts(bands: Sequence[Band]) -> list[float]:
    """Return from which value on each band holds: one behind a single value begins just above it."""
    return [float(np.nextafter(band.low, np.inf)) if before is not None and before.low == before.high == band.low
            else band.low for before, band in zip((None, *bands), bands, strict=False)]


def model_problems(bands: Iterable[tuple[str, Band]]) -> list[tuple[str, str, str]]:
    """Return (where, got, wanted) for everything wrong with bands that are each named by their place in a file."""
    problems: list[tuple[str, str, str]] = []
    groups: dict[tuple[str, str, str, str], list[tuple[str, Band]]] = {}
    for where, band in bands:
        problems += [(f"{where}, {key}", got, wanted) for key, got, wanted in _band_problems(band)]
        groups.setdefault((band.station, band.measure, band.land_kind, band.condition), []).append((where, band))
    kinds = {kind for _, _, kind, _ in groups}
    if len(kinds) > MOST_KINDS:
        problems.append(("land_kind", f"{len(kinds)} land kinds", f"at most {MOST_KINDS}"))
    for (_, measure, kind, _), group in groups.items():
        if len(group) > MOST_BANDS:
            problems.append((f"{measure} {kind}".strip(), f"{len(group)} bands", f"at most {MOST_BANDS}"))
        ordered = sorted(group, key=lambda item: (item[1].low, item[1].high))
        for (_, before), (where, band) in pairwise(ordered):
            if (band.low, band.high) == (before.low, before.high):
                problems.append((f"{where}, from", f"a second band from {band.low:g} to {band.high:g}", "each once"))
            elif band.low != before.high:
                problems.append((f"{where}, from", f"{band.low:g}", f"{before.high:g}, where the band before ends"))
    return problems


def _band_problems(band: Band) -> list[tuple[str, str, str]]:
    problems = []
    if band.measure not in MEASURE:
        problems.append(("measure", repr(band.measure), "a measurement of the vocabulary"))
    elif MEASURE[band.measure].part == "chip" and band.land_kind:
        problems.append(("land_kind", repr(band.land_kind), "nothing for a measurement of chips"))
    if band.high < band.low:
        problems.append(("to", f"{band.high:g}", f"{band.low:g} (from) or more"))
    if band.low_95 > band.high_95:
        problems.append(("high_95", f"{band.high_95:g}", f"{band.low_95:g} (low_95) or more"))
    if band.count < 1:
        problems.append(("n", str(band.count), "1 or more"))
    for key, value in (("standard_uncertainty", band.standard_uncertainty), ("repeatability", band.repeatability)):
        if value < 0:
            problems.append((key, f"{value:g}", "0 or more"))
    return problems
