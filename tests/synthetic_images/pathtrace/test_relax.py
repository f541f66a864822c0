"""The traced boards' fillets and caps against closed forms; needs no path tracer."""

from __future__ import annotations

import numpy as np
import pytest

from .joints import build_joint, judge_truth
from .layouts import setting_one
from .relax import relax
from .surfaces import RAYS, STEPS, arc, cap, capillary, outline

TILE = np.ones(RAYS)


@pytest.mark.parametrize(("lead", "toe", "theta", "height", "slope"),
                         [(0.5, 1.0, 20.0, 0.484742, 28.0243), (0.3, 0.8, 20.0, 0.379787, 20.6332),
                          (0.25, 0.9, 30.0, 0.336413, 13.9197)])
def test_catenoid(lead: float, toe: float, theta: float, height: float, slope: float) -> None:
    """Zero pressure: r sin(slope) = c, z = c (acosh(R/c) - acosh(r/c)); numbers computed from it."""
    r, z = capillary(lead * TILE, toe * TILE, np.deg2rad(slope) * TILE, np.deg2rad(theta) * TILE)
    assert z[0, 0] == pytest.approx(height, rel=0.01)
    c = lead * np.cos(np.deg2rad(theta))
    exact = c * (np.arccosh(toe / c) - np.arccosh(r / c))
    start = height * (1.0 - np.linspace(0.0, 1.0, STEPS)) * TILE[:, None]
    found = relax(r, 0.0 * TILE, np.deg2rad(theta) * TILE, 0.0, start)
    assert np.abs(found - exact).max() < 0.008  # straight elements at the lead, where the surface is steepest


def test_relaxed_cap_is_a_sphere() -> None:
    """A surface of constant mean curvature between two circles of a sphere is that sphere: 2 H = 2 / R."""
    radius = 1.5
    r = (0.3 + 0.6 * np.linspace(0.0, 1.0, STEPS)) * TILE[:, None]
    exact = np.sqrt(radius**2 - r**2)
    angle = np.pi / 2 - np.arcsin(0.3 / radius)  # what an upright wall there would meet
    found = relax(r, exact[:, -1], angle * TILE, 2.0 / radius, np.zeros_like(r) + exact.mean())
    assert np.abs(found - exact).max() < 0.002


def test_arc_meets_both_angles() -> None:
    r, z = arc(0.3 * TILE, 0.9 * TILE, np.deg2rad(20.0) * TILE, np.deg2rad(30.0) * TILE)
    slope = np.rad2deg(np.arctan(-np.diff(z[0]) / np.diff(r[0])))
    assert slope[-1] == pytest.approx(20.0, abs=1.0)
    assert slope[0] == pytest.approx(60.0, abs=1.0)


def test_cap_height() -> None:
    """Base radius a and angle t: height a tan(t / 2)."""
    _, z = cap(0.8 * TILE, np.deg2rad(41.1121))
    assert z[0, 0] == pytest.approx(0.3, abs=0.001)  # spherical cap: a 0.8, h 0.3 -> 41.1121 degrees


def test_truth_of_kinds() -> None:
    """Each kind comes out as its finding, by the numbers of its geometry."""
    joint, wanted = setting_one().family.joints[7], {
        "open gap": "partial_wetting", "gap on land": "partial_wetting", "starved": "partial_wetting",
        "no solder": "no_solder", "lead missing, open": "lead_missing", "lead missing, filled": "lead_missing",
        "excess": "excess_solder", "non-wetting": "non_wetting", "icicle": "solder_projection",
        "flag": "solder_projection", "pit": "blowhole"}
    for kind, finding in wanted.items():
        built = build_joint(joint, kind, 0.8, np.random.default_rng(3))
        judge_truth(built, 270.0)
        assert built.findings[0] == finding, kind
        assert not built.marginal


def test_outline_of_a_slot() -> None:
    edge = outline("oblong", 1.6, 2.4)
    assert edge[0] == pytest.approx(0.8, abs=1e-6)
    assert edge[RAYS // 4] == pytest.approx(1.2, abs=1e-6)
