"""How many points a chart runs on average before it signals: the honest measure of its false alarms.

EWMA and CUSUM after the Markov-chain method of Brook and Evans (Biometrika 59, 1972); zone rules after
Champ and Woodall (Technometrics 29, 1987): the state is what of the past the rules still need.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def _phi(x: Floats) -> Floats:
    from scipy.special import ndtr

    value: Floats = ndtr(x)
    return value


@lru_cache(maxsize=128)
def ewma_run_length(weight: float, width: float, shift: float = 0.0, cells: int = 151) -> float:
    """Return the mean number of points until an EWMA with settled limits signals; shift in sigmas of a point."""
    half = width * np.sqrt(weight / (2.0 - weight))
    edges = np.linspace(-half, half, cells + 1)
    middle = (edges[1:] + edges[:-1]) / 2.0
    reach = (edges[None, :] - (1.0 - weight) * middle[:, None]) / weight - shift
    stay = np.diff(_phi(reach), axis=1)
    return float(np.linalg.solve(np.eye(cells) - stay, np.ones(cells))[cells // 2])


@lru_cache(maxsize=128)
def cusum_run_length(allowance: float, decision: float, shift: float = 0.0, *, two_sided: bool = True,
                     cells: int = 120) -> float:
    """Return the mean number of points until a tabular CUSUM signals; all arguments in sigmas.

    Two sides combine as 1/L = 1/L_high + 1/L_low, exact when both sums cannot signal together (Van Dobben
    de Bruyn, Cumulative Sum Tests, 1968).
    """
    high = _one_sided(allowance, decision, shift, cells)
    if not two_sided:
        return high
    low = _one_sided(allowance, decision, -shift, cells)
    return 1.0 / (1.0 / high + 1.0 / low)


def _one_sided(allowance: float, decision: float, shift: float, cells: int) -> float:
    step = decision / (cells - 0.5)  # first cell is centred on 0 and half as wide on the positive side
    place = np.arange(cells) * step
    top = place[None, :] + step / 2.0 - place[:, None] + allowance - shift
    below = _phi(top)
    stay = np.diff(below, axis=1, prepend=0.0)
    return float(np.linalg.solve(np.eye(cells) - stay, np.ones(cells))[0])


def chain_run_length(start: Hashable, symbols: Sequence[tuple[int, float]],
                     step: Callable[[Hashable, int], Hashable | None]) -> float:
    """Return the mean number of steps until `step(state, symbol)` is None (signal).

    `symbols` are (symbol, probability) pairs of independent draws. States are found by following them.
    """
    index: dict[Hashable, int] = {start: 0}
    waiting = [start]
    moves: list[tuple[int, int, float]] = []
    while waiting:
        state = waiting.pop()
        for symbol, probability in symbols:
            follow = step(state, symbol)
            if follow is None:
                continue
            if follow not in index:
                index[follow] = len(index)
                waiting.append(follow)
            moves.append((index[state], index[follow], probability))
    stay = np.zeros((len(index), len(index)))
    rows, columns, weights = (np.array(part) for part in zip(*moves, strict=True))
    np.add.at(stay, (rows.astype(np.intp), columns.astype(np.intp)), weights)
    return float(np.linalg.solve(np.eye(len(index)) - stay, np.ones(len(index)))[0])
