"""What will hurt later is found, with severity and advice; a good family has nothing to say."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cad.test_views import family, grid, joint, station
from vision.setup import Chip, Family, Joint, View
from vision.setup.checks import Advice, check_family, chip_polygon, gap_between, land_polygon

MARKS = ((-4.0, -3.0), (24.0, -2.0), (20.0, 22.0))


def good() -> Family:
    return replace(family([*grid(4, 3, 6.0), joint("K1.1", 21.0, 9.0)], MARKS), views=(View("v1", (9.0, 9.0)),))


def found(known: Family, kind: str, **given: object) -> list[Advice]:
    return [advice for advice in check_family(known, **given) if advice.kind == kind]  # type: ignore[arg-type]


def test_a_good_family_has_nothing_to_say() -> None:
    assert check_family(good()) == ()
    assert check_family(good(), station(1200, 1000, 0.03)) == ()


def with_joints(known: Family, *more: Joint) -> Family:
    return replace(known, joints=(*known.joints, *more))


def test_lands_that_overlap_or_lie_too_close() -> None:
    camera = station(1200, 1000, 0.03)
    overlap = with_joints(good(), joint("X1.1", 31.0, 20.0), joint("X1.2", 32.5, 20.0))
    assert [(a.severity, a.parts) for a in found(overlap, "lands_overlap")] == [("fault", ("X1.1", "X1.2"))]
    same = with_joints(good(), joint("X1.1", 31.0, 20.0, "GND"), joint("X1.2", 32.5, 20.0, "GND"))
    assert [a.severity for a in found(same, "lands_overlap")] == ["caution"]
    close = with_joints(good(), joint("X1.1", 31.0, 20.0), joint("X1.2", 32.9, 20.0))  # a gap of 0.10 mm
    assert not found(close, "gap_narrow")
    narrow = found(close, "gap_narrow", station=camera)
    assert [a.severity for a in narrow] == ["caution"]
    assert "0.10 mm, 3.3 px" in narrow[0].text
    assert "0.025 mm a pixel" in narrow[0].advice
    assert found(with_joints(good(), joint("X1.1", 6.05, 6.0)), "same_place")


def test_leads_and_holes() -> None:
    wide = replace(joint("X1.1", 30.0, 20.0), lead_w_mm=1.1, lead_h_mm=1.1)
    assert [a.severity for a in found(with_joints(good(), wide), "lead_over_hole")] == ["fault"]
    square = replace(joint("X1.1", 30.0, 20.0), lead_shape="square", lead_w_mm=0.72, lead_h_mm=0.72)
    # A square lead of 0.72 mm is 1.018 mm across its corners.
    assert found(with_joints(good(), square), "lead_over_hole")
    tight = replace(joint("X1.1", 30.0, 20.0), lead_w_mm=0.97, lead_h_mm=0.97)
    assert [a.severity for a in found(with_joints(good(), tight), "lead_tight")] == ["caution"]
    thin = replace(joint("X1.1", 30.0, 20.0), lead_w_mm=0.2, lead_h_mm=0.2)
    assert found(with_joints(good(), thin), "lead_loose")
    hole = replace(joint("X1.1", 30.0, 20.0), hole_mm=1.8, lead_w_mm=1.5, lead_h_mm=1.5)
    assert found(with_joints(good(), hole), "hole_over_land")


def test_lands_hidden_by_chips() -> None:
    over = replace(good(), chips=(Chip("R1", 6.0, 6.0, 0.0, 2.0, 1.2),))
    assert [(a.severity, a.parts) for a in found(over, "land_hidden")] == [("fault", ("J1.1", "R1"))]
    beside = replace(good(), chips=(Chip("R1", 7.4, 6.0, 0.0, 1.6, 0.8),))
    assert [a.severity for a in found(beside, "land_hidden")] == ["caution"]
    assert not found(replace(good(), chips=(Chip("R1", 9.0, 9.0, 45.0, 2.0, 1.2),)), "land_hidden")


def test_marks_too_few_doubtful_or_symmetric() -> None:
    assert [a.severity for a in found(replace(good(), fiducials=()), "few_marks")] == ["hint"]
    bare = family([joint("J1.1", 0.0, 0.0), joint("J1.2", 3.0, 0.0)])
    assert [a.severity for a in found(bare, "few_marks")] == ["fault"]
    near = replace(good(), fiducials=(replace(good().fiducials[0], x_mm=6.0, y_mm=7.2, diameter_mm=1.7),
                                      *good().fiducials[1:]))
    assert found(near, "mark_doubtful")[0].parts == ("fiducial 1", "J1.1")
    symmetric = family(grid(4, 4, 6.0), ((-3.0, -3.0), (21.0, 21.0)))
    assert [a.severity for a in found(symmetric, "symmetric")] == ["fault"]
    assert not found(with_joints(symmetric, joint("K1.1", 9.0, 30.0)), "symmetric")


def test_joints_and_chips_outside_the_views() -> None:
    camera = station(500, 460)  # 25 mm x 23 mm round (9, 9)
    far = with_joints(good(), joint("X1.1", 40.0, 9.0), joint("X1.2", -2.3, 9.0))
    far = replace(far, chips=(Chip("R1", 60.0, 9.0, 0.0, 2.0, 1.2),))
    assert found(far, "joint_outside", station=camera)[0].parts == ("K1.1", "X1.1")
    assert found(far, "joint_at_edge", station=camera)[0].parts == ("X1.2",)
    assert found(far, "chip_outside", station=camera)[0].parts == ("R1",)
    lost = replace(good(), views=(View("v1", (9.0, 9.0)), View("v2", (60.0, 60.0))))
    assert [(a.severity, a.parts) for a in found(lost, "view_blind", station=camera)] == [("fault", ("view v2",))]


def test_without_the_pictures_size_the_views_are_said_to_be_unchecked() -> None:
    camera = replace(station(1200, 1000, 0.03), picture_px=None)
    (advice,) = check_family(good(), camera)
    assert (advice.severity, advice.kind) == ("caution", "no_picture_size")
    assert str(advice) == ("caution: station: picture_px is not given: whether the views show every land was not "
                           "checked; add picture_px = [width, height] to station.toml")


def test_places_far_outside_everything_else_are_flagged() -> None:
    """A decimal point lost: a joint at y = 200.4 mm on a board 24 mm high, a view's centre at x = 150 mm."""
    slip = with_joints(good(), joint("X1.1", 9.0, 200.4))
    assert [(a.severity, a.parts) for a in found(slip, "place_far")] == [("caution", ("X1.1",))]
    assert "y 200.4 mm it lies 178 mm away" in found(slip, "place_far")[0].text
    views = replace(good(), views=(View("v1", (9.0, 9.0)), View("v2", (150.0, 12.0))))
    assert [a.parts for a in found(views, "place_far")] == [("view v2",)]
    assert "126 mm outside the family's parts" in found(views, "place_far")[0].text
    chip = replace(good(), chips=(Chip("R1", 9.0, -90.0, 0.0, 2.0, 1.2),))
    assert [a.parts for a in found(chip, "place_far")] == [("R1",)]
    mark = replace(good(), fiducials=(replace(good().fiducials[0], x_mm=-400.0), *good().fiducials[1:]))
    assert [a.parts for a in found(mark, "place_far")] == [("fiducial 1",)]
    two = with_joints(good(), *(joint(f"Y1.{k}", 30.0, 3.0 * k) for k in range(6)),
                      joint("X1.1", 9.0, 200.4), joint("X1.2", 11.5, 200.4))
    assert [a.parts for a in found(two, "place_far")] == [("X1.1",), ("X1.2",)], "a mistyped row of pins"


def test_boards_that_are_long_or_have_few_joints_are_not_flagged() -> None:
    # Connectors at both ends of a long board.
    ends = [*grid(4, 3, 6.0), *(joint(f"J9.{k}", 200.0, 6.0 * k) for k in range(6))]
    assert not found(family(ends, ((0.0, -4.0), (220.0, 14.0))), "place_far")
    sparse = family([joint("J1.1", 120.0, 40.0), joint("J1.2", 122.5, 40.0)], ((0.0, 0.0), (200.0, 80.0)))
    assert not found(sparse, "place_far")
    assert not found(family([joint("J1.1", 0.0, 0.0), joint("J1.2", 300.0, 0.0)]), "place_far")
    lone = replace(sparse, joints=(*sparse.joints, joint("J1.3", 125.0, 4000.0)))
    assert [a.parts for a in found(lone, "place_far")] == [("J1.3",)]


def test_seams_between_views_are_told() -> None:
    known = replace(good(), joints=(*good().joints, joint("X1.1", 14.0, 15.0), joint("X1.2", 16.5, 15.0)),
                    views=(View("v1", (5.5, 9.0)), View("v2", (25.0, 9.0))))
    assert found(known, "pair_split", station=station(400, 500))[0].parts == ("X1.1 and X1.2",)
    assert not found(known, "pair_split", station=station(500, 500)), "each picture shows both"


def test_narrow_rings_and_missing_nets() -> None:
    assert found(good(), "ring_narrow", station=station(300, 250, 0.12))[0].severity == "caution"
    bare = replace(good(), joints=tuple(replace(j, net="") for j in good().joints))
    assert [a.severity for a in found(bare, "no_nets")] == ["hint"]


def test_the_worst_comes_first_and_reads_as_one_line() -> None:
    known = with_joints(replace(good(), fiducials=()), joint("X1.1", 31.0, 20.0), joint("X1.2", 32.5, 20.0))
    severities = [advice.severity for advice in check_family(known)]
    assert severities == ["fault", "hint"]
    assert str(check_family(known)[0]) == ("fault: X1.1, X1.2: the lands overlap; correct position or size")


@given(st.floats(0.2, 2.0), st.floats(0.2, 2.0), st.floats(0.0, 5.0), st.floats(0.0, 2.0 * math.pi))
@settings(max_examples=80, deadline=None)
def test_gap_of_discs_is_that_of_their_circles(one: float, two: float, clear: float, azimuth: float) -> None:
    first = land_polygon(joint("A.1", 0.0, 0.0, land=2 * one), steps=128)
    far = one + two + clear
    second = land_polygon(joint("B.1", far * math.cos(azimuth), far * math.sin(azimuth), land=2 * two), steps=128)
    assert gap_between(first, second) == pytest.approx(clear, abs=2e-3)


def test_gap_of_turned_rectangles() -> None:
    square = chip_polygon(Chip("A", 0.0, 0.0, 0.0, 2.0, 2.0))
    corner = chip_polygon(Chip("B", 3.0, 0.0, 45.0, 2.0, 2.0))
    # The turned square's corner reaches sqrt(2) towards the other's side at x = 1 (plane geometry).
    assert gap_between(square, corner) == pytest.approx(2.0 - math.sqrt(2.0))
    assert gap_between(square, square + np.array([1.9, 0.0])) < 0.0
