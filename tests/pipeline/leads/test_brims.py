"""Edges round leads on drawn discs and domes: sharp, gradual, and where they lie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from vision.pipeline.leads.brims import (
    BAND_MM,
    FACE_MM,
    SECTORS,
    bands,
    bands_of,
    change_of,
    crisp_outlines,
    edges_of,
    sharp_edges,
)

SIDE, STEP_MM, RADIUS_MM = 64, 0.025, 0.3
AXIS = (np.arange(SIDE) - SIDE // 2) * STEP_MM
X, Y = np.meshgrid(AXIS, -AXIS)
AWAY = np.hypot(X, Y)
EDGE_MM = np.repeat((AWAY - RADIUS_MM)[None], 2, axis=0)
NEAR, FACE = bands(EDGE_MM, -BAND_MM, BAND_MM), bands(EDGE_MM, -np.inf, FACE_MM)
STEPS = np.full(2, STEP_MM)
MIDDLE = np.zeros(2, dtype=np.int64)


def lights(*joints: NDArray[np.float64]) -> NDArray[np.float32]:
    """Three lights of joints of which each is given by the first light's radiance; the others follow from it."""
    first = np.stack(joints)
    return np.stack([first, 1.2 - 0.5 * first, 0.6 * first]).astype(np.float32)


def disc(radius_mm: float, right_mm: float = 0.0, inside: float = 1.0, outside: float = 0.3) -> NDArray[np.float64]:
    """A disc of even radiance, blurred by a pixel."""
    away = np.hypot(X - right_mm, Y)
    return np.asarray(gaussian_filter(np.where(away < radius_mm, inside, outside), 0.8), dtype=np.float64)


DISH = 1.0 - 0.7 * np.clip(AWAY / 0.6, 0.0, 1.0)  # as bright in the middle, and as dark outside, but gradually


def test_bands_hold_the_samples_near_the_outline_sector_by_sector() -> None:
    inside = np.abs(EDGE_MM) <= BAND_MM
    assert len(NEAR.joint) == inside.sum()
    assert np.allclose(np.abs(NEAR.edge_mm), np.abs(EDGE_MM[NEAR.joint, NEAR.row, NEAR.column]))
    assert len(NEAR.first) == 2 * SECTORS and (np.diff(NEAR.first) > 0).all()
    turn = np.arctan2(Y[NEAR.row, NEAR.column], X[NEAR.row, NEAR.column]) / (2.0 * np.pi) + 0.5
    sector = np.minimum((turn * SECTORS).astype(int), SECTORS - 1)
    assert (sector[NEAR.first] == np.tile(np.arange(SECTORS), 2)).all()


def test_the_bands_of_some_joints_are_theirs_alone() -> None:
    three = np.stack([EDGE_MM[0], EDGE_MM[0] + 0.1, EDGE_MM[0] - 0.1])
    whole, some = bands(three, -BAND_MM, BAND_MM), bands_of(bands(three, -BAND_MM, BAND_MM), np.array([0, 2]))
    alone = bands(three[[0, 2]], -BAND_MM, BAND_MM)
    assert len(some.joint) < len(whole.joint)
    for name in ("joint", "row", "column", "edge_mm", "first"):
        assert np.array_equal(getattr(some, name), getattr(alone, name)), name


def test_leads_thinner_than_a_few_samples_still_have_a_face() -> None:
    """A blade 0.06 mm thick: nothing lies so far inside its outline; and one whose sectors are partly empty."""
    thin = np.stack([np.abs(X) - 0.03, np.maximum(np.abs(X) - 0.08, np.abs(Y) - 0.3)])
    face = bands(thin, -np.inf, FACE_MM)
    assert len(np.unique(face.joint * SECTORS)) == 2 and (np.diff(face.first, append=len(face.joint)) > 0).all()
    edges = edges_of(change_of(lights(DISH, DISH), STEPS), bands(thin, -BAND_MM, BAND_MM), face, MIDDLE, MIDDLE)
    assert np.isfinite(edges.face).all() and np.isfinite(edges.sharp).all()


def test_a_disc_has_an_edge_where_a_dish_has_none() -> None:
    edges = edges_of(change_of(lights(disc(RADIUS_MM), DISH), STEPS), NEAR, FACE, MIDDLE, MIDDLE)
    assert np.median(edges.sharp[0]) > 4.0 * np.median(edges.sharp[1])
    assert np.abs(edges.off_mm[0]).max() < STEP_MM
    sure = sharp_edges(edges, np.array([1.0, 0.4]))
    assert sure[0] == 1.0 and sure[1] == 0.0
    assert (sharp_edges(edges, np.zeros(2)) == 1.0).all()  # nothing tells how sharp the view's edges are


def test_edges_are_looked_for_where_the_end_was_found() -> None:
    shifted = lights(disc(RADIUS_MM, right_mm=4 * STEP_MM), disc(RADIUS_MM))
    edges = edges_of(change_of(shifted, STEPS), NEAR, FACE, MIDDLE, np.array([4, 0]))
    assert edges.sharp[0] == pytest.approx(edges.sharp[1], rel=0.05)
    assert np.abs(edges.off_mm[0]).max() < STEP_MM


@pytest.mark.parametrize(("radiance", "shows"), [
    (disc(RADIUS_MM), True), (DISH, False), (disc(RADIUS_MM, right_mm=0.12), False),
    (disc(RADIUS_MM, inside=0.6, outside=0.5), False)])
def test_an_outline_shows_a_lead_where_it_is_crisp_and_as_drawn(radiance: NDArray[np.float64], shows: bool) -> None:
    """Not a gradual one, one that lies elsewhere or one that hardly shows."""
    edges = edges_of(change_of(lights(radiance, radiance), STEPS), NEAR, FACE, MIDDLE, MIDDLE)
    found = crisp_outlines(edges, np.zeros(2))
    assert found[0] == found[1]
    assert (found[0] > 0.7) if shows else (found[0] < 0.2)


def test_in_a_coarse_picture_an_outline_is_as_crisp_as_what_surely_is_a_lead() -> None:
    """Blur makes all edges of a view gradual alike."""
    fine = edges_of(change_of(lights(disc(RADIUS_MM), disc(RADIUS_MM)), STEPS), NEAR, FACE, MIDDLE, MIDDLE)
    edges = replace(fine, sharp=fine.sharp * np.float32(0.45 / np.median(fine.sharp)),
                    face=fine.face * np.float32(0.45 / np.median(fine.sharp)))
    assert (crisp_outlines(edges, np.zeros(2)) == 0.0).all()
    assert (crisp_outlines(edges, np.array([1.0, 0.0])) > 0.7).all()
