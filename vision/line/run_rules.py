"""Run rules by their published names, and how often a chosen set of them cries wolf.

Western Electric: Statistical Quality Control Handbook, 1956. Nelson: Journal of Quality Technology 16, 1984.
They assume independent, normal points; they are not used on p, u and c charts, where zones have no meaning.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.errors import MeniscopeError
from vision.line.run_length import chain_run_length

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Kind = Literal["zone", "trend", "alternate", "inside", "outside"]


@dataclass(frozen=True)
class RunRule:
    """One rule. Zone rules: `need` of `of` points in a row beyond `beyond` sigmas on the same side."""

    name: str
    text: str
    kind: Kind
    need: int
    of: int
    beyond: float = 0.0


RULES: tuple[RunRule, ...] = (
    RunRule("Western Electric 1", "one point beyond 3 sigma", "zone", 1, 1, 3.0),
    RunRule("Western Electric 2", "two of three points beyond 2 sigma on the same side", "zone", 2, 3, 2.0),
    RunRule("Western Electric 3", "four of five points beyond 1 sigma on the same side", "zone", 4, 5, 1.0),
    RunRule("Western Electric 4", "eight points in a row on the same side", "zone", 8, 8, 0.0),
    RunRule("Nelson 1", "one point beyond 3 sigma", "zone", 1, 1, 3.0),
    RunRule("Nelson 2", "nine points in a row on the same side", "zone", 9, 9, 0.0),
    RunRule("Nelson 3", "six points in a row steadily rising or falling", "trend", 6, 6),
    RunRule("Nelson 4", "fourteen points in a row alternating up and down", "alternate", 14, 14),
    RunRule("Nelson 5", "two of three points beyond 2 sigma on the same side", "zone", 2, 3, 2.0),
    RunRule("Nelson 6", "four of five points beyond 1 sigma on the same side", "zone", 4, 5, 1.0),
    RunRule("Nelson 7", "fifteen points in a row within 1 sigma of the centre", "inside", 15, 15, 1.0),
    RunRule("Nelson 8", "eight points in a row beyond 1 sigma on either side", "outside", 8, 8, 1.0),
)
RULE: dict[str, RunRule] = {rule.name: rule for rule in RULES}
WESTERN_ELECTRIC = tuple(rule.name for rule in RULES if rule.name.startswith("Western"))
#: Rules that reports use: together they signal falsely once in 217 points (see `rules_run_length`),
#: where all four Western Electric rules would do so once in 92.
DEFAULT_RULES = ("Nelson 1", "Nelson 2")


def signals(z: ArrayLike, rules: Sequence[str] = DEFAULT_RULES) -> dict[str, Bools]:
    """Return for each rule the points at which it signals; z are points in sigmas from the centre, shape (point,)."""
    x = np.asarray(z, dtype=np.float64)
    return {name: _signals(x, _known(name)) for name in rules}


def _known(name: str) -> RunRule:
    if name not in RULE:
        raise MeniscopeError(f"run rule: got {name!r}, wanted one of {', '.join(RULE)}")
    return RULE[name]


def _signals(x: Floats, rule: RunRule) -> Bools:
    if rule.kind == "zone":
        high, low = x > rule.beyond, x < -rule.beyond
        # the newest point must itself lie in the zone, or one event would signal again as it ages
        return (high & (_window(high, rule.of) >= rule.need)) | (low & (_window(low, rule.of) >= rule.need))
    if rule.kind == "inside":
        return _window(np.abs(x) < rule.beyond, rule.of) >= rule.need
    if rule.kind == "outside":
        return _window(np.abs(x) > rule.beyond, rule.of) >= rule.need
    step = np.diff(x, prepend=x[:1])
    if rule.kind == "trend":
        return (_window(step > 0, rule.of - 1) >= rule.need - 1) | (_window(step < 0, rule.of - 1) >= rule.need - 1)
    turned = np.zeros(x.size, dtype=bool)
    turned[2:] = step[2:] * step[1:-1] < 0
    return _window(turned, rule.of - 2) >= rule.need - 2


def _window(mask: Bools, length: int) -> NDArray[np.int64]:
    """Return at each point how many of the last `length` points are true."""
    total = np.cumsum(mask, dtype=np.int64)
    before = np.zeros_like(total)
    before[length:] = total[:-length] if mask.size > length else 0
    return total - before


@lru_cache(maxsize=64)
def rules_run_length(rules: tuple[str, ...], shift: float = 0.0) -> float:
    """Return the mean number of points until any of the zone rules signals, exactly (Markov chain).

    `shift` moves the mean by so many sigmas; 0 is the process in control, whose combined false-alarm rate is one over
    this. Trend, alternation and the two-sided Nelson rules need the values themselves: use `simulated_run_length`.
    """
    chosen = [_known(name) for name in rules]
    if any(rule.kind != "zone" for rule in chosen):
        raise MeniscopeError("run length: got a rule that is not a zone rule, wanted zone rules only")
    from scipy.special import ndtr

    cuts = sorted({-rule.beyond for rule in chosen} | {rule.beyond for rule in chosen})
    edges = [-np.inf, *cuts, np.inf]
    symbols = [(i, float(ndtr(edges[i + 1] - shift) - ndtr(edges[i] - shift))) for i in range(len(edges) - 1)]
    middles = [cuts[0] - 1.0, *((low + high) / 2 for low, high in pairwise(cuts)), cuts[-1] + 1.0]
    start = tuple((0,) * (rule.of - 1) for rule in chosen for _ in (1, -1))

    def step(state: Hashable, symbol: int) -> Hashable | None:
        assert isinstance(state, tuple)
        follow, value = [], middles[symbol]
        for number, past in enumerate(state):
            rule, side = chosen[number // 2], 1 if number % 2 == 0 else -1
            hit = int(side * value > rule.beyond)
            if hit and hit + sum(past) >= rule.need:
                return None
            follow.append(_forget((*past, hit)[1:], rule) if rule.of > 1 else ())
        return tuple(follow)

    return chain_run_length(start, symbols, step)


def _forget(past: tuple[int, ...], rule: RunRule) -> tuple[int, ...]:
    """Drop what can no longer matter: in a run rule (`need` equals `of`) every hit before a miss."""
    if rule.need == rule.of and 0 in past:
        last = len(past) - 1 - past[::-1].index(0)
        return (0,) * (last + 1) + past[last + 1:]
    return past


def simulated_run_length(rules: Sequence[str], *, runs: int = 4000, longest: int = 4000,
                         seed: int = 1) -> tuple[float, float]:
    """Return the mean run length of any rules in control by simulation, and its standard error.

    Runs longer than `longest` points count as that long, so choose it well above the answer.
    """
    rng = np.random.default_rng(seed)
    lengths = np.empty(runs)
    for run in range(runs):
        found = np.zeros(longest, dtype=bool)
        for mask in signals(rng.standard_normal(longest), rules).values():
            found |= mask
        lengths[run] = np.argmax(found) + 1 if found.any() else longest
    return float(lengths.mean()), float(lengths.std() / np.sqrt(runs))
