"""The truth rows against an independent reading of the label and slope maps, and against what was planned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from synthetic_images.board import RenderedView
from synthetic_images.canvas import LABELS
from synthetic_images.criteria import COVERAGE_DEG, chip_finding, is_marginal, joint_findings
from synthetic_images.plan import BoardPlan
from synthetic_images.truth import HEADER, TruthRow
from vision.setup import CHIP_MEASURES, JOINT_FINDINGS, JOINT_MEASURES

from .small import quiet_recipe, render, small_family, small_station

EVERY = {0: ("partial_wetting", 0.5), 1: ("non_wetting", 0.8), 2: ("no_solder", 1.0), 4: ("lead_missing", 1.0),
         5: ("excess_solder", 0.8)}


def row_of(view: RenderedView, pin: str, finding: str | None = None) -> TruthRow:
    rows = [r for r in view.rows if r.pin == pin and (finding is None or r.finding == finding)]
    assert rows, f"no row for pin {pin} and finding {finding}"
    return rows[0]


def polar_labels(view: RenderedView, x_mm: float, y_mm: float, reach_mm: float) -> tuple[NDArray, NDArray, NDArray]:
    """Sample the label map round a board point: labels (azimuth, radius), azimuths (deg), radii (mm)."""
    angle, radius = np.arange(0.5, 360.0), np.arange(0.005, reach_mm, 0.01)
    x = x_mm + radius * np.cos(np.deg2rad(angle))[:, None]
    y = y_mm + radius * np.sin(np.deg2rad(angle))[:, None]
    place = view.board_to_px.to_px(np.stack([x, y], axis=-1)).astype(int)
    return view.labels[place[..., 1], place[..., 0]], angle, radius


def covered_by_labels(view: RenderedView, plan: BoardPlan, index: int) -> NDArray:
    """Return for every degree whether nothing but lead and solder lies between the axis and the ring's first tenth."""
    joint = plan.family.joints[index]
    hole_x, hole_y = np.array([joint.x_mm, joint.y_mm]) + plan.joints.hole_shift[index]
    labels, angle, radius = polar_labels(view, hole_x, hole_y, 1.6)
    edge = np.interp(angle, np.arange(120) * 3.0, plan.joints.edge[index], period=360.0)
    goal = joint.hole_mm / 2 + 0.1 * (edge - joint.hole_mm / 2)
    fine = np.isin(labels, [LABELS.index("solder"), LABELS.index("lead")]) | (radius > goal[:, None])
    return fine.all(axis=1)


def test_coverage_and_land_cover_agree_with_the_label_map() -> None:
    """The labels have a fiftieth of a millimetre per pixel, so a few degrees of difference are theirs."""
    upright = quiet_recipe(good__lead_tilt=0.0)  # a leaning lead hides what the surface has below it
    for seed in range(4):
        plan, view = render({i: ("partial_wetting", 0.2 + 0.2 * seed) for i in (0, 2, 3, 5)}, seed, recipe=upright)
        for index, joint in enumerate(plan.family.joints):
            values = row_of(view, joint.pin).values
            assert values["coverage_deg"] == pytest.approx(covered_by_labels(view, plan, index).sum(), abs=14.0)
            labels, angle, radius = polar_labels(view, joint.x_mm, joint.y_mm, 1.5)
            edge = np.interp(angle, np.arange(120) * 3.0, plan.joints.edge[index], period=360.0)
            x = radius * np.cos(np.deg2rad(angle))[:, None] - plan.joints.hole_shift[index, 0]
            y = radius * np.sin(np.deg2rad(angle))[:, None] - plan.joints.hole_shift[index, 1]
            ring = (radius < edge[:, None]) & (np.hypot(x, y) > joint.hole_mm / 2)
            solder = ring & np.isin(labels, [LABELS.index("solder"), LABELS.index("lead")])
            share = 100 * (solder @ radius).sum() / (ring @ radius).sum()
            assert values["land_cover_pct"] == pytest.approx(share, abs=3.0)


def test_lead_and_hole_agree_with_the_label_map() -> None:
    plan, view = render({2: ("no_solder", 1.0), 4: ("lead_missing", 0.3)}, 7)
    area = 0.02**2 / (view.board_to_px.px_per_mm * 0.02) ** 2
    for joint in plan.family.joints:
        col, row = view.board_to_px.to_px((joint.x_mm, joint.y_mm)).astype(int)
        patch = view.labels[row - 40:row + 40, col - 40:col + 40]
        values = row_of(view, joint.pin).values
        lead = np.count_nonzero(patch == LABELS.index("lead")) * area
        if values["lead_visible"]:  # the label also shows the side of a leaning lead
            assert 2 * np.sqrt(lead / np.pi) == pytest.approx(values["lead_size_mm"], abs=0.09)
        else:
            assert lead == 0.0
        if values["hole_open_pct"] > 95.0:
            opened = np.count_nonzero(patch == LABELS.index("hole")) * area
            assert opened == pytest.approx(np.pi * joint.hole_mm**2 / 4 - lead, abs=0.07)


def test_gap_azimuth_points_at_the_gap() -> None:
    """Board azimuth, counter-clockwise as the component side sees it, though the picture is mirrored."""
    found = 0
    for seed in range(6):
        plan, view = render({0: ("partial_wetting", 0.3)}, seed, recipe=quiet_recipe(good__lead_tilt=0.0))
        values = row_of(view, "1").values
        if not 40.0 < values["largest_gap_deg"] < 200.0:
            continue
        found += 1
        covered = covered_by_labels(view, plan, 0)
        half = int(values["largest_gap_deg"] / 2) - 6
        inside = (int(values["gap_azimuth_deg"]) + np.arange(-half, half + 1)) % 360
        assert not covered[inside].any()
        edges = (int(values["gap_azimuth_deg"]) + np.array([-half - 14, half + 14])) % 360
        assert covered[edges].all()
    assert found >= 2


def test_heights_and_slopes_follow_from_the_fillet_equation() -> None:
    """Without gravity r sin(psi) = c + k r^2 / 2, so the toe slope follows from the contact angles (Young-Laplace)."""
    recipe = quiet_recipe(good__fill_bias=0.0, good__toe_ripple=0.004, good__lead_offset=0.0, good__cover_share=0.98,
                          good__toe_angle=20.0, good__lead_angle=30.0)
    _, view = render({}, 3, recipe=recipe)
    for pin in ("1", "4"):  # round leads on round lands, where the meniscus is axisymmetric
        values = row_of(view, pin).values
        assert values["wetting_angle_deg"] == pytest.approx(20.0, abs=3.0)
        assert 0.2 < values["fillet_height_mm"] < 0.45
        assert values["convexity"] < -0.1


def test_solder_domed_round_a_lead_that_shows_is_good() -> None:
    """It meets the land as flat as other solder, is level at the lead and hides no lead (common practice)."""
    recipe = quiet_recipe(good__domed=1.0, good__domed_toe_angle=30.0, good__domed_lead_angle=86.0,
                          good__toe_ripple=0.004, good__lead_offset=0.0, good__cover_share=0.98, good__lead_tilt=0.0)
    _, view = render({}, 3, recipe=recipe)
    for pin in ("1", "4"):
        row = row_of(view, pin)
        assert row.finding == "" and not row.marginal
        assert row.values["convexity"] > 0.3 and row.values["lead_visible"] == 1.0
        assert row.values["wetting_angle_deg"] == pytest.approx(30.0, abs=4.0)


def test_planned_findings_are_found_on_the_surface() -> None:
    for seed in range(3):
        _, view = render(EVERY, seed)
        for index, (finding, _) in EVERY.items():
            assert row_of(view, str(index + 1)).finding == finding
        assert row_of(view, "4").finding == "" or seed  # the one joint left alone


@pytest.mark.parametrize("finding", ["bridge", "solder_ball", "blowhole", "solder_projection"])
@pytest.mark.parametrize("severity", [0.3, 1.0])
def test_extras_are_found_with_their_size(finding: str, severity: float) -> None:
    measure = {"bridge": "bridge_width_mm", "solder_ball": "ball_diameter_mm", "blowhole": "pit_diameter_mm",
               "solder_projection": "projection_mm"}[finding]
    sizes = {"bridge": (0.16, 1.3), "solder_ball": (0.13, 0.56), "blowhole": (0.12, 0.55),
             "solder_projection": (0.2, 1.3)}
    plan, view = render({1: (finding, severity)}, 11)
    rows = [r for r in view.rows if r.finding == finding]
    assert rows
    assert all(sizes[finding][0] <= r.values[measure] <= sizes[finding][1] for r in rows)
    if finding == "bridge":
        assert len(rows) == 2  # both joints
        assert rows[0].values[measure] == pytest.approx(plan.necks[0].width, rel=0.25)
    if finding == "solder_ball":
        assert max(r.values[measure] for r in rows) == pytest.approx(max(b.diameter for b in plan.balls), abs=0.02)


def test_solder_between_pins_of_one_net_is_no_bridge() -> None:
    family = small_family()
    same = replace(family, joints=tuple(replace(j, net="GND") for j in family.joints))
    plan, view = render({}, 2, family=same, recipe=quiet_recipe(rate__same_net_join=1.0))
    assert plan.necks  # solder does join pins
    assert not [r for r in view.rows if r.finding == "bridge"]


def test_chips_missing_and_shifted() -> None:
    _, view = render({}, 5, chips={0: ("chip_missing", 1.0), 1: ("chip_shifted", 1.0)})
    chips = {r.ref: r for r in view.rows if not r.pin}
    assert chips["R1"].finding == "chip_missing" and chips["R1"].values["body_cover_pct"] == 0.0
    assert chips["C1"].finding == "chip_shifted"
    _, view = render({}, 5)
    assert [r.finding for r in view.rows if not r.pin] == ["", ""]
    for r in (r for r in view.rows if not r.pin):
        assert r.values["body_cover_pct"] == pytest.approx(100.0, abs=6.0)
        assert abs(r.values["turn_deg"]) < 5.0


# Workmanship: 270 degrees for classes 1 and 2, 330 for class 3 on the source side (IPC-A-610 E to G, 7.3.5.4, public
# extracts); 75 % of the land (7.3.5.5); 0.13 mm balls (older revision B).
def test_workmanship_numbers() -> None:
    assert COVERAGE_DEG == {1: 270.0, 2: 270.0, 3: 330.0}
    good = dict.fromkeys(JOINT_MEASURES, 0.0) | {"coverage_deg": 300.0, "land_cover_pct": 90.0, "lead_visible": 1.0,
                                                "wetting_angle_deg": 20.0, "convexity": -0.3}
    assert joint_findings(good, True, 2) == ()
    assert joint_findings(good, True, 3) == ("partial_wetting",)
    assert joint_findings(good | {"land_cover_pct": 74.0}, True, 2) == ("partial_wetting",)
    assert joint_findings(good | {"ball_diameter_mm": 0.13}, True, 2) == ("solder_ball",)
    assert joint_findings(good, False, 2) == ("lead_missing",)
    assert is_marginal("", good | {"coverage_deg": 284.0}, 2)
    assert is_marginal("", good | {"land_cover_pct": 79.0}, 2)
    assert not is_marginal("", good, 2)
    assert not is_marginal("partial_wetting", good | {"coverage_deg": 200.0}, 2)
    assert is_marginal("partial_wetting", good | {"coverage_deg": 200.0}, 2, seen_coverage_deg=280.0)


def test_truth_does_not_depend_on_the_resolution() -> None:
    """The same board seen at 0.02 and 0.05 mm per pixel has the same joints."""
    planned = {0: ("partial_wetting", 0.4), 2: ("bridge", 0.8), 5: ("excess_solder", 0.5)}
    fine, coarse = (render(planned, 3, station=small_station(mm_per_px=mm, picture_px=px))[1]
                    for mm, px in ((0.02, (800, 560)), (0.05, (320, 224))))
    assert [(r.pin, r.finding) for r in fine.rows] == [(r.pin, r.finding) for r in coarse.rows]
    for one, other in zip(fine.rows, coarse.rows, strict=True):
        for name, least in (("coverage_deg", 4.0), ("land_cover_pct", 1.0), ("bridge_width_mm", 0.04),
                            ("wetting_angle_deg", 3.0), ("fillet_height_mm", 0.02)):
            if one.pin:
                assert other.values[name] == pytest.approx(one.values[name], abs=least, nan_ok=True)


def test_chip_limits() -> None:
    still = {"chip_present": 1.0, "shift_along_mm": 0.0, "shift_across_mm": 0.0, "turn_deg": 0.0}
    assert chip_finding(still, 0.8, False) == ("", False)
    assert chip_finding(still | {"shift_across_mm": 0.4}, 0.8, False) == ("chip_shifted", False)
    assert chip_finding(still | {"shift_across_mm": 0.21}, 0.8, False)[1]
    assert chip_finding(still, 0.8, True)[0] == "chip_shifted"


def test_rows_fit_the_header() -> None:
    _, view = render(EVERY, 1, chips={0: ("chip_missing", 1.0)})
    assert HEADER[:5] == ("serial", "view", "ref", "pin", "finding") and HEADER[-2:] == ("marginal", "land_kind")
    assert HEADER[5:-2] == (*JOINT_MEASURES, *CHIP_MEASURES)
    for r in view.rows:
        cells = dict(zip(HEADER, r.cells(), strict=True))
        assert cells["finding"] in ("", *JOINT_FINDINGS, "chip_missing", "chip_shifted")
        assert cells["residue_pct"] == cells["sharpness"] == cells["saturated_pct"] == ""
        assert (cells["pin"] == "") == (cells["coverage_deg"] == "")
