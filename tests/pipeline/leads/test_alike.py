"""What passes for a lead's end is compared with the other ends of the view."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.pipeline.leads.alike import Others, like_others
from vision.pipeline.leads.brims import FACE_MM, bands
from vision.pipeline.leads.faces import Faces
from vision.pipeline.leads.lead import _likelier

SIDE, STEP_MM, RADIUS_MM = 64, 0.025, 0.3
AXIS = (np.arange(SIDE) - SIDE // 2) * STEP_MM
EDGE_MM = (np.hypot(AXIS[None, :], AXIS[:, None]) - RADIUS_MM)[None]
MATT = np.array([0.3, 0.4, 0.3], np.float32)  # what a matt face gives under each light

Array = NDArray[np.float64]


def ends(looks: Array, sure: int, kin: list[int], known_by: str = "face") -> Array:
    """How much each of these ends [joint, light] looks like the first so many, which are sure.

    The others are known by their even faces, by a dark rim, or by less.
    """
    count = len(looks)
    edge = np.repeat(EDGE_MM, count, axis=0)
    lights = np.broadcast_to(looks.T[:, :, None, None], (looks.shape[1], count, SIDE, SIDE)).astype(np.float32)
    middle = np.zeros(count, dtype=np.int64)
    others = Others(lights, bands(edge, -np.inf, FACE_MM), np.arange(count) < sure, np.array(kin, dtype=np.intp), MATT)
    return like_others(others, middle, middle, np.full(count, known_by == "face"), np.full(count, known_by == "rim"))


@pytest.mark.parametrize(("look", "sure", "kin", "alike"), [
    (0.7 * MATT, 10, 0, 1.0),
    (1.1 * MATT, 10, 0, 1.0),  # a little brighter
    (np.array([0.8, 0.15, 0.05]), 10, 0, 0.0),  # the bright spot of one light
    (np.array([0.8, 0.15, 0.05]), 7, 0, 1.0),  # too few tell what ends look like here
    (np.array([0.8, 0.15, 0.05]), 10, 1, 1.0)])  # a component of its own, whose leads may be of another kind
def test_what_looks_like_no_other_end_of_the_view_is_none(look: Array, sure: int, kin: int, alike: float) -> None:
    looks = np.stack([(0.6 + 0.02 * number) * MATT for number in range(10)] + [look])
    looks[9] = [0.8, 0.15, 0.05]  # one that was taken for an end is not enough
    assert ends(looks, sure, [0] * 10 + [kin])[10] == alike


@pytest.mark.parametrize(("factor", "known_by", "alike"), [
    (0.55, "face", 1.0), (0.55, "line", 0.0), (0.7, "face", 0.0), (0.7, "rim", 1.0), (0.95, "rim", 0.0)])
def test_the_less_surely_it_is_known_the_more_alike_it_must_be(factor: float, known_by: str, alike: float) -> None:
    """Under one light it differs by a factor of which this is the logarithm."""
    usual = 0.7 * MATT
    looks = np.stack([usual] * 10 + [usual + (np.exp(factor) - 1.0) * (usual + 0.04) * [1.0, 0.0, 0.0]])
    assert ends(looks, 10, [0] * 11, known_by)[10] == alike


@pytest.mark.parametrize(("share", "known_by", "alike"), [
    (0.9, "rim", 0.0), (0.6, "rim", 1.0), (0.9, "face", 1.0)])
def test_a_doubtful_rim_round_the_image_of_one_light_is_no_leads(share: float, known_by: str, alike: float) -> None:
    """A dish of solder mirrors a high light in its middle; hardly any other end of the view is known."""
    look = 2.2 * np.array([1.0 - share, 0.0, share])
    assert ends(np.stack([0.7 * MATT, look]), 1, [0, 0], known_by)[1] == alike


@pytest.mark.parametrize(("here", "kept"), [(0.7, True), (3.0, False)])
def test_an_even_face_beside_what_a_rim_shows_must_look_as_the_other_ends_do(here: float, kept: bool) -> None:
    """The last of eleven joints shows a rim in its middle, and an even face aside, of this brightness."""
    joints = 11
    edge = np.repeat(EDGE_MM, joints, axis=0)
    lights = np.broadcast_to(0.7 * MATT[:, None, None, None], (3, joints, SIDE, SIDE)).astype(np.float32).copy()
    aside = np.hypot(AXIS[None, :] - 20 * STEP_MM, AXIS[:, None]) < RADIUS_MM
    lights[:, -1, aside] = here * MATT[:, None]
    sure = np.arange(joints) < joints - 1
    others = Others(lights, bands(edge, -np.inf, FACE_MM), sure, np.zeros(joints, dtype=np.intp), MATT)
    middle = np.zeros(joints, dtype=np.int64)
    before = Faces(np.where(sure, 1.0, 0.6), middle, middle)
    face = Faces(np.ones(1), np.zeros(1, dtype=np.int64), np.full(1, 20, dtype=np.int64))
    _, found_at, _ = _likelier((face, np.array([joints - 1]), np.ones(1, dtype=bool)), others, before)
    assert (len(found_at) == 1) is kept
