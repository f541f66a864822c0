"""Measurements: capillary closed forms, gaps on the circle, and rendered boards with exact truth."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from synthetic_images.board import plan_board, render_view
from tests.pipeline import drawn
from tests.pipeline.view.test_unwrap import shaded, slopes_seen
from tests.synthetic_images.small import small_family, small_station, write_views
from vision.pipeline.defects.corridors import Corridors
from vision.pipeline.fillets.fillet import largest_gap
from vision.pipeline.fillets.profile import fit_profile, profile_height
from vision.pipeline.folder import BoardFiles
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.optics import ROUGHNESS, optics_of
from vision.pipeline.measure import Joins, _bridges, measure_board, parts_of_view
from vision.pipeline.view.capture import load_view
from vision.pipeline.view.register import register_view
from vision.pipeline.view.unwrap import AZIMUTHS
from vision.setup import Joint, View

#: Lead radius and land radius (mm), contact angle at the lead (deg) -> height (mm), slope at the land's edge (deg).
#: Computed from the catenoid r sin psi = c = Rl cos(theta), z = c (acosh(Rp / c) - acosh(r / c)).
CATENOIDS = [(0.5, 1.0, 20.0, 0.484742, 28.0243), (0.5, 1.0, 45.0, 0.289443, 20.7048),
             (0.3, 0.8, 20.0, 0.379787, 20.6332), (0.25, 0.9, 30.0, 0.336413, 13.9197)]


@pytest.mark.parametrize("lead, land, theta, height, edge_deg", CATENOIDS)
def test_height_of_a_catenoid(lead, land, theta, height, edge_deg):
    """Young and Laplace without gravity or pressure; the integral over 40 steps is good to 1 %."""
    constant = np.array([lead * np.cos(np.deg2rad(theta))])
    found = profile_height(constant, np.zeros(1), np.array([lead]), np.array([land]))
    assert found[0] == pytest.approx(height, rel=0.01)
    assert np.rad2deg(np.arcsin(constant[0] / land)) == pytest.approx(edge_deg, abs=1e-3)
    c = constant[0]
    assert c * (np.arccosh(land / c) - np.arccosh(lead / c)) == pytest.approx(height, abs=2e-6)


def test_height_where_solder_wets_the_lead_completely():
    """The slope is vertical at the lead (0.658479 mm for 0.5 to 1.0 mm); it is held at 80 degrees, which costs 7 %."""
    found = profile_height(np.array([0.5]), np.zeros(1), np.array([0.5]), np.array([1.0]))
    assert found[0] == pytest.approx(0.658479, rel=0.08)


def test_height_with_pressure_agrees_with_scipy():
    """r sin psi = c + k r^2 integrated by scipy's quadrature."""
    from scipy.integrate import quad

    def slope(r: float) -> float:
        sine = 0.25 / r + 0.12 * r
        return sine / np.sqrt(1.0 - sine * sine)

    exact, _ = quad(slope, 0.35, 1.1)
    found = profile_height(np.array([0.25]), np.array([0.12]), np.array([0.35]), np.array([1.1]))
    assert found[0] == pytest.approx(exact, rel=0.005)


@pytest.mark.parametrize("lead, land, theta, height, edge_deg", CATENOIDS)
@pytest.mark.parametrize("noise_deg", [0.0, 2.0])
def test_profile_is_fitted_to_slopes(lead, land, theta, height, edge_deg, noise_deg):
    """Slopes of an exact catenoid give its constant and height back.

    2 degrees of scatter cost up to 12 %: of the steepest profile only slopes from 28 to 37 degrees can be used, and
    scatter across that upper limit flattens what is left.
    """
    joint = Joint("J1", "1", 5.0, 5.0, "round", 2 * land, 2 * land, 0.0, 2 * lead + 0.2, "round", 2 * lead, 2 * lead)
    board = drawn.family(joints=(joint,), fiducials=())
    patches, surface = slopes_seen(board, shaded(board, lambda _, r: np.degrees(r), 0.13))
    c = lead * np.cos(np.deg2rad(theta))
    slope = np.rad2deg(np.arcsin(np.minimum(c / patches.radius_mm, 1.0)))
    slope = slope + np.random.default_rng(2).normal(0.0, noise_deg, slope.shape)
    lit = slope < 38.0
    surface = replace(surface, slope_deg=slope.astype(np.float32), dark=~lit, bare=np.zeros_like(lit), solder=lit,
                      energy=np.where(lit, 1.0, 0.2).astype(np.float32))
    seen = np.ones(1)
    leads = Leads(seen, 0 * seen, 0 * seen, 2 * lead * seen, lead * seen, np.zeros((1, 2)))
    covered = np.ones((1, AZIMUTHS), dtype=bool)
    constant, bend = fit_profile(patches, surface, covered, patches.land_edge_mm.astype(float), leads)
    found = profile_height(constant, bend, leads.nominal_radius_mm, np.array([land]))
    assert found[0] == pytest.approx(height, rel=0.015 if noise_deg == 0.0 else 0.12)
    at_edge = np.rad2deg(np.arcsin(constant[0] / land + bend[0] * land))
    assert at_edge == pytest.approx(edge_deg, abs=0.1 if noise_deg == 0.0 else 1.5)


@pytest.mark.parametrize("lead, land, theta, height, edge_deg", CATENOIDS)
def test_the_brim_of_the_dark_holds_the_profile(lead, land, theta, height, edge_deg):
    """With scatter of 2 degrees the height is found to 5 %, where the brim of what is unlit counts (12 % without)."""
    joint = Joint("J1", "1", 5.0, 5.0, "round", 2 * land, 2 * land, 0.0, 2 * lead + 0.2, "round", 2 * lead, 2 * lead)
    board = drawn.family(joints=(joint,), fiducials=())
    patches, surface = slopes_seen(board, shaded(board, lambda _, r: np.degrees(r), 0.13))
    optics = optics_of(drawn.station())
    c = lead * np.cos(np.deg2rad(theta))
    slope = np.rad2deg(np.arcsin(np.minimum(c / patches.radius_mm, 1.0)))
    lit = slope < np.interp(0.13, ROUGHNESS, optics.unlit_deg)
    slope = slope + np.random.default_rng(3).normal(0.0, 2.0, slope.shape)
    surface = replace(surface, slope_deg=slope.astype(np.float32), dark=~lit, bare=np.zeros_like(lit), solder=lit,
                      energy=np.where(lit, 1.0, 0.2).astype(np.float32), roughness=np.full(1, 0.13))
    seen = np.ones(1)
    leads = Leads(seen, 0 * seen, 0 * seen, 2 * lead * seen, lead * seen, np.zeros((1, 2)))
    covered = np.ones((1, AZIMUTHS), dtype=bool)
    constant, bend = fit_profile(patches, surface, covered, patches.land_edge_mm.astype(float), leads, optics)
    found = profile_height(constant, bend, leads.nominal_radius_mm, np.array([land]))
    assert found[0] == pytest.approx(height, rel=0.05)


@pytest.mark.parametrize("roughness, steepest", [(0.04, 40.0), (0.14, 40.0), (0.33, 50.0)])
def test_slopes_that_no_light_reaches(roughness, steepest):
    """A mirror at half the steepest light's far zenith angle sends its brim to the lens (law of reflection); roughness
    spreads that."""
    optics = optics_of(drawn.station())
    found = float(np.interp(roughness, ROUGHNESS, optics.unlit_deg))
    far = max(light.zenith_deg[1] for light in drawn.LIGHTS) / 2.0
    assert far - 6.0 < found < steepest + 3.0
    if roughness == 0.04:
        assert found == pytest.approx(far, abs=1.5)


def longest_run(covered: list[bool]) -> int:
    """Brute force: try every start on the circle."""
    count = len(covered)
    best = 0
    for start in range(count):
        run = 0
        while run < count and not covered[(start + run) % count]:
            run += 1
        best = max(best, run)
    return best


@given(st.lists(st.tuples(st.integers(0, AZIMUTHS - 1), st.integers(1, AZIMUTHS)), max_size=6))
@example([(170, 30)])
@example([(0, AZIMUTHS)])
@example([])
def test_largest_gap_on_the_circle(gaps):
    covered = np.ones(AZIMUTHS, dtype=bool)
    for start, length in gaps:
        covered[(start + np.arange(length)) % AZIMUTHS] = False
    width, middle = (values[0] for values in largest_gap(covered[None]))
    assert width == pytest.approx(longest_run(covered.tolist()) * 360.0 / AZIMUTHS)
    if width == 0.0:
        assert np.isnan(middle)
        return
    # All azimuths within half the width of the reported middle lie open.
    degrees = (np.arange(AZIMUTHS) + 0.5) * 360.0 / AZIMUTHS
    away = np.abs((degrees - middle + 180.0) % 360.0 - 180.0)
    assert not covered[away < width / 2.0 - 0.01].any()
    assert 0.0 <= middle < 360.0


@given(st.integers(0, AZIMUTHS - 1), st.integers(1, AZIMUTHS - 1))
def test_gap_turns_with_the_joint(turn, length):
    flags = np.arange(AZIMUTHS) >= length
    (width, turned_width), (middle, turned) = largest_gap(np.stack([flags, np.roll(flags, turn)]))
    assert turned_width == width
    assert (turned - middle - turn * 360.0 / AZIMUTHS + 180.0) % 360.0 == pytest.approx(180.0, abs=1e-9)


# Rendered boards: the truth comes from the surface that was drawn, not from the pictures.

#: What is planned on each board: joint -> (finding, severity).
PLANS = ({0: ("partial_wetting", 0.5), 2: ("no_solder", 1.0), 4: ("partial_wetting", 0.9)},
         {0: ("bridge", 0.4), 5: ("bridge", 0.9)}, {1: ("solder_ball", 0.4), 3: ("lead_missing", 1.0)},
         {1: ("non_wetting", 0.8), 3: ("partial_wetting", 0.7), 5: ("excess_solder", 0.8)}, {})


@pytest.fixture(scope="module")
def boards(tmp_path_factory):
    """(measured, true values by joint, registration error in mm at the joints, true rows) of each planned board."""
    folder = tmp_path_factory.mktemp("boards")
    family, station = small_family(), small_station()
    found = []
    for number, planned in enumerate(PLANS):
        chips = {0: ("chip_missing", 1.0)} if number == 2 else {}
        plan = plan_board(family, np.random.default_rng([515, number]), planned=planned, planned_chips=chips)
        view = render_view(plan, "v1", station, serial=f"B{number}")
        path = folder / f"B{number}_v1_a.png"
        assert cv2.imwrite(str(path), view.pictures["a"])
        files = BoardFiles(f"B{number}", {("v1", "a"): path})
        at = register_view(load_view("v1", files.pictures, station), family, family.views[0], station).to_picture
        places = [(joint.x_mm, joint.y_mm) for joint in family.joints]
        off = np.hypot(*(at.to_px(places) - view.board_to_px.to_px(places)).T) * station.mm_per_px
        true = {f"{row.ref}.{row.pin}" if row.pin else row.ref: row for row in view.rows}
        found.append((measure_board(files, family, station), true, off))
    return found


def both(boards, name):
    """True and measured values of one measurement over all joints of all boards."""
    pairs = [(true[f"{ref}.{pin}"].values[name], measured.joints.columns[name][row])
             for measured, true, _ in boards
             for row, (ref, pin) in enumerate(zip(measured.joints.refs, measured.joints.pins, strict=True))]
    true, seen = np.array(pairs).T
    return true, seen


def test_registration_of_rendered_boards(boards):
    """The renderer lays boards up to 0.5 mm and 1.2 degrees off."""
    off = np.concatenate([off for _, _, off in boards])
    assert np.sqrt((off**2).mean()) < 0.03
    moved = [measured.registrations[0] for measured, _, _ in boards]
    assert max(abs(one.offset_x_mm) for one in moved) > 0.1
    assert {one.method for one in moved} == {"fiducials"}


def test_coverage_of_rendered_joints(boards):
    true, seen = both(boards, "coverage_deg")
    assert len(true) == 6 * len(PLANS)
    assert true.min() == 0.0
    assert true.max() == 360.0
    assert np.abs(seen - true).mean() < 8.0


def test_a_bare_land_has_no_solder_to_measure(boards):
    measured, true, _ = boards[0]
    assert true["J1.3"].finding == "no_solder"
    columns = {name: values[2] for name, values in measured.joints.columns.items()}
    assert columns["coverage_deg"] < 10.0
    assert columns["land_cover_pct"] < 15.0
    assert columns["largest_gap_deg"] > 350.0


def test_gap_is_found_where_it_lies(boards):
    """Where one wide gap is open, its middle is told to within 15 degrees."""
    true_gap, _ = both(boards, "largest_gap_deg")
    true, seen = both(boards, "gap_azimuth_deg")
    wide = (true_gap > 60.0) & (true_gap < 300.0)
    assert wide.sum() >= 1
    assert np.abs((seen - true + 180.0) % 360.0 - 180.0)[wide].max() < 15.0


def test_bridges(boards):
    """All of at least 0.25 mm are found, none is seen where none is, and the neighbour is named."""
    true, seen = both(boards, "bridge_width_mm")
    wide = true >= 0.25
    assert wide.sum() >= 2
    assert (seen[wide] > 0.0).all()
    assert (seen[true == 0.0] == 0.0).all()
    assert np.abs(seen - true)[wide].mean() < 0.15
    measured, rows, _ = boards[1]
    names = [f"{ref}.{pin}" for ref, pin in zip(measured.joints.refs, measured.joints.pins, strict=True)]
    for name, other in zip(names, measured.joints.bridged_to, strict=True):
        assert bool(other) == (rows[name].values["bridge_width_mm"] > 0.0)
        if other:
            assert measured.joints.bridged_to[names.index(other)]


def test_balls(boards):
    true, seen = both(boards, "ball_diameter_mm")
    assert true.max() > 0.15
    assert np.abs(seen - true)[true > 0.15].max() < 0.08
    assert (seen[true == 0.0] > 0.0).sum() == 0


def test_leads_and_heights(boards):
    true, seen = both(boards, "lead_visible")
    assert (seen[true == 1.0] > 0.5).mean() > 0.9
    offset_true, offset = both(boards, "lead_offset_mm")
    known = np.isfinite(offset_true) & np.isfinite(offset)
    assert known.sum() >= 20
    assert np.abs(offset - offset_true)[known].mean() < 0.06
    height_true, height = both(boards, "fillet_height_mm")
    known = np.isfinite(height_true) & np.isfinite(height)
    assert known.sum() >= 20
    assert np.abs(height - height_true)[known].mean() < 0.12


def test_chips(boards):
    measured, true, _ = boards[2]
    present = dict(zip(measured.chips.refs, measured.chips.columns["chip_present"], strict=True))
    assert true["R1"].finding == "chip_missing"
    assert present["R1"] < 0.5
    for other, _, _ in (boards[0], boards[4]):
        assert (other.chips.columns["chip_present"] > 0.5).all()
    # Metal ends may or may not count as body, so the place along a chip is less sure than that across it.
    for name, limit in (("shift_across_mm", 0.06), ("shift_along_mm", 0.10)):
        pairs = [(measured.chips.columns[name][row], true[ref].values[name]) for measured, true, _ in boards
                 for row, ref in enumerate(measured.chips.refs) if not true[ref].finding]
        seen, exact = np.array(pairs).T
        assert np.abs(seen - exact).mean() < limit


def test_measuring_twice_gives_the_same(boards, tmp_path):
    family, station = small_family(), small_station()
    path = tmp_path / "A_v1_a.png"
    plan = plan_board(family, np.random.default_rng(3), planned={})
    assert cv2.imwrite(str(path), render_view(plan, "v1", station).pictures["a"])
    first, second = (measure_board(BoardFiles("A", {("v1", "a"): path}), family, station) for _ in range(2))
    for name, values in first.joints.columns.items():
        assert np.array_equal(values, second.joints.columns[name], equal_nan=True), name
    assert set(first.joints.columns) == set(boards[0][0].joints.columns)


def test_a_bridge_across_a_seam_is_found(tmp_path):
    """Neighbours for which different views answer: both name the bridge, for each picture shows both lands."""
    family = replace(small_family(), views=(View("left", (4.9, 4.2)), View("right", (7.4, 4.2))))
    station = small_station(picture_px=(600, 560))
    plan = plan_board(family, np.random.default_rng(4), planned={2: ("bridge", 0.9)})
    first, second = (family.joints[index] for index in (plan.necks[0].first, plan.necks[0].second))
    views = {part.name: view.name for view in family.views
             for part in parts_of_view(family, view, station, (600, 560))[0]}
    assert views[first.name] != views[second.name], "the test needs a bridge over the seam"
    pictures = write_views(plan, station, tmp_path, "S")
    joints = measure_board(BoardFiles("S", pictures), family, station).joints
    names = [f"{ref}.{pin}" for ref, pin in zip(joints.refs, joints.pins, strict=True)]
    for here, there in ((first, second), (second, first)):
        row = names.index(here.name)
        assert joints.columns["bridge_width_mm"][row] > 0.1
        assert joints.bridged_to[row] == there.name
    assert set(joints.views) == {"left", "right"}


def test_two_views_report_every_part_once(tmp_path):
    """Two overlapping views: each joint and chip is measured in the view whose middle is nearer."""
    family = replace(small_family(), views=(View("left", (4.9, 4.2)), View("right", (9.3, 4.2))))
    station = small_station(picture_px=(600, 560))
    plan = plan_board(family, np.random.default_rng(8), planned={})
    pictures = write_views(plan, station, tmp_path, "A")
    parts = [parts_of_view(family, view, station, (600, 560)) for view in family.views]
    assert all(joints for joints, _ in parts)
    measured = measure_board(BoardFiles("A", pictures), family, station)
    names = [f"{ref}.{pin}" for ref, pin in zip(measured.joints.refs, measured.joints.pins, strict=True)]
    assert sorted(names) == sorted(joint.name for joint in family.joints)
    assert sorted(measured.chips.refs) == sorted(chip.ref for chip in family.chips)
    assert set(measured.joints.views) == {"left", "right"}
    assert all(len(values) == len(names) for values in measured.joints.columns.values())
    assert not any(measured.joints.reasons)
    by_name = {joint.name: joint for joint in family.joints}
    assert measured.joints.x_mm.tolist() == [by_name[name].x_mm for name in names]
    assert [one.view for one in measured.registrations] == ["left", "right"]


def test_one_joint_alone_measures_as_among_others(tmp_path):
    """A view that answers for a single joint sees it as a view of all joints does; the views' pixels lie apart."""
    whole, station = small_family(), small_station()
    split = replace(whole, views=(View("left", (6.0, 4.2)), View("right", (7.6, 2.7))),
                    joints=tuple(joint for joint in whole.joints if joint.name != "J1.6"))
    whole = replace(split, views=whole.views)
    (single,), _ = parts_of_view(split, split.views[1], station, (800, 560))
    tables = []
    for number, family in enumerate((whole, split)):
        plan = plan_board(family, np.random.default_rng(12), planned={})
        files = BoardFiles("A", write_views(plan, station, tmp_path, f"A{number}"))
        table = measure_board(files, family, station).joints
        row = [f"{ref}.{pin}" for ref, pin in zip(table.refs, table.pins, strict=True)].index(single.name)
        tables.append({name: values[row] for name, values in table.columns.items()})
    among, alone = tables
    for name, apart in (("coverage_deg", 6.0), ("land_cover_pct", 3.0), ("toe_radius_mm", 0.03),
                        ("wetting_angle_deg", 2.5), ("fillet_height_mm", 0.08), ("convexity", 0.1),
                        ("lead_size_mm", 0.06)):
        assert alone[name] == pytest.approx(among[name], abs=apart), name


@pytest.mark.parametrize("third_mm, joined", [((5.08, 0.0), True), ((2.54, 2.54), False)])
def test_a_bridge_goes_straight_on_over_a_neighbour_of_the_same_net(third_mm: tuple[float, float], joined: bool):
    """A and B share a net and are joined, harmlessly; B is bridged to C. In a row A is bridged to C as well."""
    one = replace(small_family().joints[0], ref="J", land_shape="round", land_w_mm=1.7, land_h_mm=1.7)
    places, nets = ((0.0, 0.0), (2.54, 0.0), third_mm), ("GND", "GND", "VIN")
    row = tuple(replace(one, pin=pin, x_mm=x, y_mm=y, net=net)
                for pin, (x, y), net in zip("ABC", places, nets, strict=True))
    pairs = Corridors(np.array([0, 1]), np.array([1, 2]), np.full(2, 0.84), np.full(2, 1.27))
    width, partner = _bridges(Joins(row, pairs, np.array([0.6, 0.3])), 3)
    assert width.tolist() == pytest.approx([0.3 if joined else 0.0, 0.3, 0.3])
    assert partner == ("J.C" if joined else "", "J.C", "J.B")
