"""The simulated line itself: repeatable, and each drift moves what it should and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic_images.line_lot import Drift, line_family, simulate_line

FAMILY = line_family()


def test_equal_seeds_give_equal_lots() -> None:
    one, two, other = (simulate_line(FAMILY, boards=20, seed=seed) for seed in (1, 1, 2))
    assert one.log == two.log
    assert all(np.array_equal(one.measures[name], two.measures[name]) for name in one.measures)
    assert not np.array_equal(one.measures["coverage_deg"], other.measures["coverage_deg"])


@pytest.mark.parametrize(("drift", "joints"), [
    (Drift("nozzle_dewetting", 50, place="N2"), lambda j: j.nozzle == "N2"),
    (Drift("flux_jet_clogging", 50, place="S5"), lambda j: j.step == "S5"),
    (Drift("cold_after_pause", 50), lambda j: True), (Drift("poor_board_batch", 50, length=50), lambda j: True)])
def test_a_drift_moves_its_own_joints_only(drift: Drift, joints) -> None:
    calm, moved = simulate_line(FAMILY, boards=100, seed=3), simulate_line(FAMILY, boards=100, seed=3, drifts=(drift,))
    inside = np.array([joints(joint) for joint in FAMILY.joints])
    coverage = [lot.measures["coverage_deg"].mean(axis=0) for lot in (calm, moved)]
    late = [lot.measures["coverage_deg"][70:].mean(axis=0) for lot in (calm, moved)]
    early = [lot.measures["coverage_deg"][:50] for lot in (calm, moved)]
    assert (late[1] - late[0])[inside].mean() < -2.0
    if not inside.all():
        assert abs((coverage[1] - coverage[0])[~inside].mean()) < 0.7
    if drift.kind != "flux_jet_clogging":  # whose bursts draw random numbers of their own
        assert np.array_equal(early[0], early[1])


def test_the_log_tells_each_drift() -> None:
    def logged(drift: Drift, quantity: str, **place: str) -> list[float]:
        lot = simulate_line(FAMILY, boards=100, seed=4, drifts=(drift,))
        return [entry.value for entry in lot.log if entry.quantity == quantity
                and all(getattr(entry, key) == value for key, value in place.items())]

    drops = logged(Drift("flux_jet_clogging", 50, place="S5"), "flux_drops", step="S5")
    assert np.mean(drops[80:]) < 0.8 * np.mean(drops[:50])
    heat = logged(Drift("cold_after_pause", 50), "preheat_end_c")
    assert np.mean(heat[50:]) == pytest.approx(np.mean(heat[:50]) - 14.0, abs=1.0)
    assert logged(Drift("nozzle_dewetting", 50, place="N2"), "brush_passes", nozzle="N2")[-1] == 0.0


def test_the_pause_shows_in_the_times() -> None:
    lot = simulate_line(FAMILY, boards=100, seed=5, drifts=(Drift("cold_after_pause", 50),))
    assert np.argmax(np.diff(lot.at_s)) + 1 == 50
    assert np.all(np.diff(lot.at_s) > 0)
