"""Run rules and how often they cry wolf."""

from __future__ import annotations

import numpy as np
import pytest

from models.errors import MeniscopeError
from vision.line.run_length import cusum_run_length, ewma_run_length
from vision.line.run_rules import (
    DEFAULT_RULES,
    RULES,
    WESTERN_ELECTRIC,
    rules_run_length,
    signals,
    simulated_run_length,
)


def test_western_electric_rules_cry_wolf_once_in_92_points() -> None:
    # published combined false alarm: 1 in 91.75 points (Champ and Woodall, Technometrics 29, 1987)
    assert rules_run_length(WESTERN_ELECTRIC) == pytest.approx(91.75, abs=0.005)


def test_three_sigma_alone() -> None:
    # 1 / (2 (1 - Phi(3))), exact
    assert rules_run_length(("Nelson 1",)) == pytest.approx(1.0 / 0.0026997960632601866, rel=1e-9)


@pytest.mark.parametrize("length", [8, 9])
def test_runs_on_one_side_follow_the_coin(length: int) -> None:
    # mean number of fair coin throws until `length` equal ones in a row is 2^length - 1, exact (Feller, vol. 1, XIII.7)
    name = {8: "Western Electric 4", 9: "Nelson 2"}[length]
    assert rules_run_length((name,)) == pytest.approx(2.0**length - 1.0, rel=1e-9)


@pytest.mark.parametrize("rules", [DEFAULT_RULES, WESTERN_ELECTRIC, ("Nelson 1", "Nelson 5")])
def test_exact_run_length_agrees_with_simulation(rules: tuple[str, ...]) -> None:
    mean, error = simulated_run_length(rules, runs=3000, longest=3000, seed=11)
    assert abs(mean - rules_run_length(tuple(rules))) < 4.0 * error


def test_a_shift_is_found_sooner() -> None:
    assert rules_run_length(WESTERN_ELECTRIC, shift=1.0) < 0.2 * rules_run_length(WESTERN_ELECTRIC)


@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_cusum_and_ewma_run_lengths_agree_with_simulation(shift: float) -> None:
    rng = np.random.default_rng(5)
    longest, runs = 3000, 1500
    x = rng.normal(shift, 1.0, (runs, longest))
    high, low, z = np.zeros(runs), np.zeros(runs), np.zeros(runs)
    cusum, ewma = np.full(runs, longest), np.full(runs, longest)
    for t in range(longest):
        high, low = np.maximum(0, high + x[:, t] - 0.5), np.maximum(0, low - x[:, t] - 0.5)
        z = 0.2 * x[:, t] + 0.8 * z
        cusum = np.where((cusum == longest) & ((high > 4.0) | (low > 4.0)), t + 1, cusum)
        ewma = np.where((ewma == longest) & (np.abs(z) > 2.5 * np.sqrt(0.2 / 1.8)), t + 1, ewma)
    for seen, computed in ((cusum, cusum_run_length(0.5, 4.0, shift)), (ewma, ewma_run_length(0.2, 2.5, shift))):
        assert abs(seen.mean() - computed) < 4.0 * seen.std() / np.sqrt(runs) + 0.005 * computed


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_every_rule_fires_at_its_pattern_and_not_one_point_earlier(rule) -> None:
    patterns = {"trend": np.linspace(0.1, 0.9, rule.of), "inside": 0.5 * (-1.0) ** np.arange(rule.of),
                "outside": 1.5 * (-1.0) ** np.arange(rule.of), "alternate": 0.2 * (-1.0) ** np.arange(rule.of),
                "zone": np.full(rule.of, rule.beyond + 0.1)}
    calm = np.tile([0.3, -1.2, -0.3, 1.2, 0.4, 0.2, -1.3, -0.2], 3)
    pattern = patterns[rule.kind]
    fired = signals(np.concatenate([calm, pattern]), [rule.name])[rule.name]
    assert not fired[: calm.size].any()
    assert fired.any()
    if rule.kind == "zone":
        assert np.argmax(fired) - calm.size >= rule.need - 2


def test_nelson_trend_needs_six_points() -> None:
    assert not signals([0.0, 0.1, 0.2, 0.3, 0.4], ["Nelson 3"])["Nelson 3"].any()
    assert signals([0.0, 0.1, 0.2, 0.3, 0.4, 0.5], ["Nelson 3"])["Nelson 3"].tolist() == [False] * 5 + [True]


def test_two_of_three_needs_the_same_side() -> None:
    name = "Western Electric 2"
    assert signals([2.5, 0.0, 2.5], [name])[name].tolist() == [False, False, True]
    assert not signals([2.5, 0.0, -2.5], [name])[name].any()
    assert not signals([2.5, 0.0, 0.0, 2.5], [name])[name].any()


def test_unknown_rules_are_refused() -> None:
    with pytest.raises(MeniscopeError, match="wanted one of"):
        signals([0.0], ["rule of thumb"])
    with pytest.raises(MeniscopeError, match="zone rules"):
        rules_run_length(("Nelson 3",))
