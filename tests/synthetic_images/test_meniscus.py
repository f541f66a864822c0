"""Shapes of solder against closed forms and full numerical solutions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from synthetic_images.meniscus import (
    barrel_volume,
    cap_height,
    cap_volume,
    catenoid,
    derjaguin_james,
    fillet_profiles,
    pressure,
    pressure_of_volume,
    profile_volume,
    wire_rise,
)

# Meniscus height on a vertical wire in capillary lengths, computed from the Young-Laplace equation with DOP853 at
# rtol 1e-11, independently of this package: (radius, contact angle deg, height).
WIRE_TABLE = [(0.001, 0, 0.007717), (0.01, 0, 0.054142), (0.01, 45, 0.034509), (0.05, 0, 0.190218),
              (0.05, 20, 0.165132),
              (0.1, 0, 0.311146), (0.1, 20, 0.265937), (0.1, 45, 0.184303), (0.1, 70, 0.085181), (0.2, 0, 0.484651),
              (0.2, 20, 0.406440), (0.2, 45, 0.277366), (0.5, 0, 0.777780), (0.5, 20, 0.636558), (1.0, 0, 0.997020),
              (1.0, 20, 0.807318)]


@pytest.mark.parametrize(("radius", "angle", "height"), WIRE_TABLE)
def test_wire_rise_matches_the_full_solution_within_a_thousandth(radius: float, angle: float, height: float) -> None:
    assert wire_rise(radius, angle) == pytest.approx(height, rel=1e-3)


# Derjaguin 1946, James 1974 (J. Fluid Mech. 63, 657): values of the thin-wire formula, computed from it.
@pytest.mark.parametrize(("radius", "angle", "height"), [(0.001, 0, 0.007717), (0.01, 45, 0.034503),
                                                         (0.05, 20, 0.164946), (0.1, 70, 0.083765), (0.5, 0, 0.751113)])
def test_thin_wire_formula(radius: float, angle: float, height: float) -> None:
    assert derjaguin_james(radius, angle) == pytest.approx(height, abs=2e-6)


# Catenoid through a lead's radius with this contact angle, out to the toe (closed form): height, toe slope, volume.
CATENOIDS = [(0.5, 1.0, 0.0, 0.658479, 30.000, None), (0.5, 1.0, 20.0, 0.484742, 28.0243, 0.375766),
             (0.5, 1.0, 45.0, 0.289443, 20.7048, None), (0.3, 0.8, 20.0, 0.379787, 20.6332, 0.191623),
             (0.25, 0.9, 30.0, 0.336413, 13.9197, None)]


@pytest.mark.parametrize(("lead", "toe", "angle", "height", "slope", "volume"), CATENOIDS)
def test_catenoid(lead: float, toe: float, angle: float, height: float, slope: float, volume: float | None) -> None:
    assert catenoid(lead, toe, angle) == pytest.approx((height, slope), rel=1e-5)
    if angle < 10.0:
        return  # a vertical contact is beyond the height map, which holds slopes below 85 degrees
    drawn = fillet_profiles(lead, toe, np.deg2rad(angle), 0.0, capillary_length_mm=1e6)
    assert drawn.height[0] == pytest.approx(height, rel=1e-3)
    assert np.rad2deg(np.arctan(drawn.slope[-1])) == pytest.approx(slope, rel=1e-3)
    if volume is not None:
        assert profile_volume(drawn.radius, drawn.height) == pytest.approx(volume, rel=1e-3)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_gravity_agrees_with_an_adaptive_integrator(side: float) -> None:
    """The fixed-point rounds against scipy's DOP853 on the same equation, for a fillet that feels its weight."""
    from scipy.integrate import solve_ivp

    lead, toe, angle, k, length = 0.5, 1.6, np.deg2rad(30.0), -0.15, 1.5

    def fall(r: float, state: np.ndarray) -> list[float]:
        load, z = state
        sine = load / r
        return [r * (k + side * z / length**2), -sine / np.sqrt(1.0 - sine**2)]

    drawn = fillet_profiles(lead, toe, angle, k, capillary_length_mm=length, side=side, nodes=400, rounds=12)
    exact = solve_ivp(fall, (lead, toe), [lead * np.cos(angle), float(drawn.height[0])], method="DOP853", rtol=1e-10,
                      t_eval=[0.8, 1.2, toe]).y[1]
    assert np.interp([0.8, 1.2, toe], drawn.radius, drawn.height) == pytest.approx(exact, abs=1e-3)


def test_gravity_hangs_and_presses() -> None:
    """Weight pulls a hanging fillet away from the board: with equal pressure at the land it is the fuller one."""
    flat, hanging, standing = (fillet_profiles(0.4, 1.2, 0.5, 0.0, side=s, capillary_length_mm=1.0).height[0]
                               for s in (0.0, 1.0, -1.0))
    assert standing < flat < hanging


@given(lead=st.floats(0.2, 0.6), width=st.floats(0.2, 1.0), lead_angle=st.floats(0.2, 1.0),
       toe_angle=st.floats(0.1, 0.8))
def test_pressure_meets_both_contact_angles(lead: float, width: float, lead_angle: float, toe_angle: float) -> None:
    """r sin(psi) = c + k r^2 / 2 (Young-Laplace without gravity) at both ends."""
    toe = lead + width
    k = pressure(lead, toe, lead_angle, toe_angle)
    drawn = fillet_profiles(lead, toe, lead_angle, k, capillary_length_mm=1e6, least_slope=0.0)
    assert np.arctan(drawn.slope[-1]) == pytest.approx(toe_angle, abs=1e-6)
    assert np.pi / 2 - np.arctan(drawn.slope[0]) == pytest.approx(lead_angle, abs=1e-6)
    assert (np.diff(drawn.height) <= 0).all()


# Spherical caps: V = pi h (3 a^2 + h^2) / 6 and theta = 2 atan(h / a), computed from the formulas.
@pytest.mark.parametrize(("base", "height", "volume", "angle"), [
    (1.0, 1.0, 2.094395, 90.0), (1.0, 0.5, 0.850848, 53.1301), (1.0, 0.2, 0.318348, 22.6199),
    (0.8, 0.3, 0.315730, 41.1121)])
def test_caps(base: float, height: float, volume: float, angle: float) -> None:
    assert cap_volume(base, height) == pytest.approx(volume, rel=1e-5)
    assert cap_height(base, np.deg2rad(angle)) == pytest.approx(height, rel=1e-5)


# Barrel of 1.0 mm hole, 1.6 mm board (geometry): round 0.7 mm lead and square 0.64 mm pin, and 75 % of them.
@pytest.mark.parametrize(("area", "volume", "three_quarters"), [(np.pi / 4 * 0.7**2, 0.640885, 0.480664),
                                                                (0.64**2, 0.601277, 0.450958)])
def test_barrels(area: float, volume: float, three_quarters: float) -> None:
    assert barrel_volume(1.0, area, 1.6) == pytest.approx(volume, abs=1e-6)
    assert 0.75 * barrel_volume(1.0, area, 1.6) == pytest.approx(three_quarters, abs=1e-6)


def test_a_fillet_of_given_volume() -> None:
    # A catenoid r sin(psi) = c without gravity has no pressure; its volume by scipy's quadrature of the closed form
    # z = c (arcosh(R / c) - arcosh(r / c)) (Plateau; any text on minimal surfaces).
    from scipy.integrate import quad

    lead, toe, angle = 0.3, 1.0, np.deg2rad(30.0)
    c = lead * np.cos(angle)
    volume, _ = quad(lambda r: 2.0 * np.pi * r * c * (np.arccosh(toe / c) - np.arccosh(r / c)), lead, toe)
    assert pressure_of_volume(lead, toe, angle, volume, capillary_length_mm=1e6) == pytest.approx(0.0, abs=2e-3)
    # With gravity and many at once: the profile at the pressure found holds what was asked for.
    asked = np.array([0.25, 0.4, 0.6])
    k = pressure_of_volume(lead, toe, angle, asked)
    drawn = fillet_profiles(np.full(3, lead), np.full(3, toe), np.full(3, angle), k)
    assert profile_volume(drawn.radius, drawn.height) == pytest.approx(asked, rel=1e-6)
    assert np.all(np.diff(k) > 0.0)
    assert np.isnan(pressure_of_volume(lead, toe, angle, [0.0, 1e3])).all()
