"""A via's ring that touches a land, against tongues of solder, a ball and a via that keeps its distance; all drawn."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.pipeline import drawn
from vision.pipeline.defects.vias import beside_vias
from vision.pipeline.light.optics import optics_of
from vision.pipeline.view.capture import Capture
from vision.pipeline.view.register import Registration
from vision.pipeline.view.unwrap import AZIMUTHS
from vision.setup.family import Joint
from vision.setup.geometry import Similarity

PX_PER_MM, SIDE, LAND_MM = 40.0, 320, 0.9
MASK = 0.08
TO_PICTURE = Similarity(PX_PER_MM * np.diag([1.0, -1.0]), np.array([0.0, 8.0 * PX_PER_MM]))


def disc(picture: NDArray[np.float32], x_mm: float, radius_mm: float, value: float) -> None:
    """Draw a disc, its middle so far right of the joint's."""
    middle = TO_PICTURE.to_px((4.0 + x_mm, 4.0)) * 16 - 8
    place = round(middle[0]), round(middle[1])
    cv2.circle(picture, place, round(radius_mm * PX_PER_MM * 16), value, -1, cv2.LINE_AA, 4)


def beside(what: str) -> NDArray[np.float32]:
    """The land with something beside it."""
    picture = np.full((SIDE, SIDE), MASK, dtype=np.float32)
    disc(picture, 0.0, LAND_MM, 1.5)
    if what.startswith("via"):
        away = LAND_MM + 0.3 + (0.1 if what.endswith("apart") else -0.02)
        disc(picture, away, 0.3, 1.5)
        disc(picture, away, 0.14, 0.01)
    elif what == "ball":  # bright in its middle, and a dark brim round its light
        disc(picture, LAND_MM + 0.2, 0.14, 1.5)
    else:  # a tongue, or one whose crest is dark
        left, right, top, bottom = (round(part * PX_PER_MM) for part in (4.8, 5.4, 3.88, 4.12))
        picture[top:bottom, left:right] = 1.5
        if what == "hollow tongue":
            picture[top + 3:bottom - 3, left:right] = 0.01
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.8), dtype=np.float32)


@pytest.mark.parametrize(("what", "is_via"), [("via", True), ("via apart", False), ("ball", False), ("tongue", False),
                                              ("hollow tongue", False)])
def test_a_via_is_told_from_a_tongue(what: str, is_via: bool) -> None:
    planes = np.stack([beside(what)] * 3)
    joint = Joint("J1", "1", 4.0, 4.0, "round", 2.0 * LAND_MM, 2.0 * LAND_MM, 0.0, 1.0, "round", 0.6, 0.6, "N1")
    capture = Capture("v1", planes, np.zeros((SIDE, SIDE), dtype=np.uint8), ())
    at = Registration("v1", TO_PICTURE, (0.0, 0.0), 0.0, 1.0, 0.0, 3, "drawn")
    mask, edge = np.full((2, 3), MASK, np.float32), np.full((2, AZIMUTHS), LAND_MM, np.float32)
    found = beside_vias(capture, (joint, joint), at, optics_of(drawn.station()), mask, edge, np.array([1, 0]),
                        np.array([1, AZIMUTHS // 2]))
    assert found.tolist() == [is_via, False]  # nothing lies on the other side
    assert len(beside_vias(capture, (joint, joint), at, optics_of(drawn.station()), mask, edge,
                           np.zeros(0, np.intp), np.zeros(0, np.intp))) == 0
