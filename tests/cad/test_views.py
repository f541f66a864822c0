"""Laying views: every joint whole, as few pictures as can be, marks to register on, stage positions."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.errors import InputError, MeniscopeError
from vision.pipeline.measure import parts_of_view
from vision.setup import Family, Fiducial, Joint, Light, Station, View, nominal_view
from vision.setup.checks import land_polygon
from vision.setup.views import Field, answering_view, land_reach, plan_table, plan_views, with_plan


def joint(name: str, x: float, y: float, net: str = "", land: float = 1.8) -> Joint:
    ref, pin = name.split(".")
    return Joint(ref, pin, x, y, "round", land, land, 0.0, 1.0, "round", 0.7, 0.7, net or name)


def family(joints: list[Joint], fiducials: tuple[tuple[float, float], ...] = ()) -> Family:
    return Family("f", 2, "bottom", tuple(joints), (), tuple(Fiducial(x, y, 1.0) for x, y in fiducials),
                  (View("v1", (0.0, 0.0)),))


def grid(columns: int, rows: int, pitch: float) -> list[Joint]:
    return [joint(f"J{r}.{c}", c * pitch, r * pitch) for r in range(rows) for c in range(columns)]


def station(width: int, height: int, mm_per_px: float = 0.05) -> Station:
    return Station("s", mm_per_px, "{serial}_{view}.png", (Light("a", "", "red", (8, 24)), Light("b", "", "blue", (
        30, 50))), picture_px=(width, height))


def seen_whole(known: Family, camera: Station, margin: float) -> np.ndarray:
    """Which joints each view shows with a margin: (view, joint), by the geometry that pictures are graded with."""
    assert camera.picture_px is not None
    size = np.asarray(camera.picture_px)
    table = []
    for view in known.views:
        to_px = nominal_view(known, view, camera, camera.picture_px).to_px
        shapes = [to_px(land_polygon(j, margin)) for j in known.joints]
        table.append([bool((s >= -0.1).all() and (s <= size + 0.1).all()) for s in shapes])
    return np.array(table)


@pytest.mark.parametrize("rotation", [0.0, 90.0, 180.0, 270.0])
def test_every_joint_is_whole_in_some_view(rotation: float) -> None:
    camera = station(500, 320)  # 25 mm x 16 mm
    known = family(grid(10, 7, 5.0), ((2.0, 40.0), (50.0, 3.0)))
    plan = plan_views(known, Field(25.0, 16.0), rotation_deg=rotation)
    laid = with_plan(known, plan)
    assert seen_whole(laid, camera, 1.5).any(axis=0).all()
    assert plan.proven


def fewest_by_trial(known: Family, width: float, height: float, margin: float) -> int:
    """The least number of pictures by trying all sets of pictures whose edges touch joints."""
    boxes = [(j.x_mm - land_reach(j)[0] - margin, j.y_mm - land_reach(j)[1] - margin,
              j.x_mm + land_reach(j)[0] + margin, j.y_mm + land_reach(j)[1] + margin) for j in known.joints]
    sets = {frozenset(k for k, (x0, y0, x1, y1) in enumerate(boxes)
                      if x0 >= left - 1e-6 and y0 >= low - 1e-6 and x1 <= left + width + 1e-6
                      and y1 <= low + height + 1e-6)
            for left in {b[0] for b in boxes} for low in {b[1] for b in boxes}}
    everything = frozenset(range(len(boxes)))
    for count in range(1, len(boxes) + 1):
        if any(frozenset().union(*some) == everything for some in itertools.combinations(sets, count)):
            return count
    raise AssertionError


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 40)), min_size=2, max_size=9, unique=True))
@settings(max_examples=40, deadline=None)
def test_no_plan_has_fewer_pictures(places: list[tuple[int, int]]) -> None:
    known = family([joint(f"J{k}.1", float(x), float(y), "GND") for k, (x, y) in enumerate(places)])
    plan = plan_views(known, Field(20.0, 15.0), min_lands=1)
    assert len(plan.views) == fewest_by_trial(known, 20.0, 15.0, 1.5)
    assert plan.proven


def test_close_joints_are_kept_in_one_picture() -> None:
    # Twelve joints in a row of 33 mm; 20 mm pictures must overlap so that each neighbouring pair is in one.
    row = [joint(f"J1.{k}", k * 3.0, 0.0) for k in range(12)]
    plan = plan_views(family(row), Field(20.0, 10.0), min_lands=2)
    shown = [set(planned.joints) for planned in plan.views]
    for a, b in itertools.pairwise(j.name for j in row):
        assert any({a, b} <= names for names in shown)


def test_views_with_marks_are_preferred() -> None:
    # Two joints 30 mm apart fit one picture of 40 mm; with fiducials beyond, it must be laid so as to show them.
    known = family([joint("J1.1", 10.0, 10.0), joint("J1.2", 30.0, 10.0)], ((2.0, 10.0), (2.0, 20.0)))
    plan = plan_views(known, Field(40.0, 30.0))
    assert [(p.fiducials, p.register_on) for p in plan.views] == [(2, "fiducials")]
    bare = plan_views(family([joint("J1.1", 10.0, 10.0), joint("J1.2", 30.0, 10.0)]), Field(40.0, 30.0))
    assert bare.views[0].register_on == "nothing"


def test_stage_positions_follow_the_picture() -> None:
    known = family([joint("J1.1", 12.0, 7.0)])
    plan = plan_views(known, Field(20.0, 20.0), min_lands=1, stage_origin_mm=(2.0, 2.0))
    # Seen from the bottom x runs the other way: 10 mm to the right on the board is 10 mm to the left in the picture.
    assert plan.views[0].stage_mm == (-10.0, 5.0)
    top = Family("f", 2, "top", known.joints, (), (), known.views)
    assert plan_views(top, Field(20.0, 20.0), min_lands=1).views[0].stage_mm == (12.0, 7.0)
    assert plan_table(plan)[0]["stage_x_mm"] == -10.0


def test_too_small_a_picture_is_refused() -> None:
    with pytest.raises(MeniscopeError, match=r"joint J1\.1 with 1\.5 mm round its land takes 4\.8 x 4\.8 mm"):
        plan_views(family([joint("J1.1", 0.0, 0.0)]), Field(4.0, 30.0))
    with pytest.raises(InputError, match="a multiple of 90 degrees"):
        plan_views(family([joint("J1.1", 0.0, 0.0)]), Field(40.0, 30.0), rotation_deg=45.0)


@given(st.sampled_from(["round", "oblong", "rect"]), st.floats(0.5, 3.0), st.floats(0.5, 3.0), st.floats(0.0, 180.0))
@settings(max_examples=60, deadline=None)
def test_reach_of_a_land_is_that_of_its_outline(shape: str, width: float, height: float, turn: float) -> None:
    if shape == "round":
        height = width
    one = Joint("J1", "1", 0.0, 0.0, shape, width, height, turn, 0.3, "round", 0.1, 0.1)  # type: ignore[arg-type]
    outline = land_polygon(one, steps=2048)
    assert land_reach(one) == pytest.approx(tuple(np.abs(outline).max(axis=0)), abs=2e-3)


def test_seams_run_between_components() -> None:
    # Five headers of ten side by side, each 24.7 mm wide: five pictures of 40 mm, one a header, no pair on a seam.
    known = family([joint(f"J{r}.{k}", r * 29.3 + k * 2.54, 0.0) for r in range(5) for k in range(10)])
    plan = plan_views(known, Field(40.0, 20.0))
    assert len(plan.views) == 5
    assert plan.split_pairs == ()
    answers = answering_view(known, [planned.view for planned in plan.views], np.array([40.0, 20.0]))
    for r in range(5):
        assert len(set(answers[10 * r:10 * r + 10].tolist())) == 1
    # The rule by which pictures are graded later: a joint belongs to the view to whose centre it is nearest.
    laid = with_plan(known, plan)
    camera = station(800, 400)
    for view in laid.views:
        joints, _ = parts_of_view(laid, view, camera, (800, 400))
        assert len({j.ref for j in joints}) == 1
