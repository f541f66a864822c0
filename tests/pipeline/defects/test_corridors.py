"""Solder between near lands on plainly drawn pictures: what lies between decides, not how near they are."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from tests.pipeline.drawn import LIGHTS
from vision.pipeline.defects.corridors import bridge_widths, find_corridors, is_metal
from vision.pipeline.light.optics import _optics
from vision.pipeline.view.capture import Capture
from vision.setup import Joint, Similarity

PX_PER_MM = 50.0
MASK, LAMINATE, METAL = (0.12, 0.08, 0.1), (0.25, 0.42, 0.41), (2.5, 1.6, 0.5)
DARK = (0.03, 0.03, 0.03)
REDDISH = (0.06, 0.06, 0.16)  # as bright as the mask in all, but with another share of each light


def two_lands(gap_mm: float) -> tuple[Joint, Joint]:
    return tuple(Joint("J1", str(n + 1), 2.0 + n * (1.8 + gap_mm), 2.0, "round", 1.8, 1.8, 0.0, 1.0, "round", 0.6, 0.6,
                       f"N{n}") for n in range(2))  # type: ignore[return-value]


def drawn(joints: tuple[Joint, Joint], between: tuple[float, float, float] = MASK, around_mm: float = 0.0,
          bridge_mm: float = 0.0, dark_foot_mm: float = 0.0, aside_mm: float = 0.0, short_mm: float = 0.0,
          band_mm: float = 0.0, band: tuple[float, float, float] = DARK) -> Capture:
    """Two lands on mask, each in a larger opening that shows laminate, with a bar of metal from middle to middle.

    The bar is dark from each land's edge on for `dark_foot_mm`, runs `aside_mm` off the lands' line, and ends
    `short_mm` before the line that touches the second land. A third of the gap off the first land a band of
    `band_mm` crosses it.
    """
    factor, size = 4, (360, 200)
    planes = []
    for light in range(3):
        canvas = np.full((size[1] * factor, size[0] * factor), MASK[light], dtype=np.float32)

        def at(x_mm: float, y_mm: float = 2.0) -> tuple[int, int]:
            return round(x_mm * PX_PER_MM * factor), round(y_mm * PX_PER_MM * factor)

        for colour, more in ((between, around_mm), (METAL, 0.0)):
            for joint in joints:
                cv2.circle(canvas, at(joint.x_mm), round((0.9 + more) * PX_PER_MM * factor), colour[light], -1)
        left, right = joints[0].x_mm + 0.9, joints[1].x_mm - 0.9
        if bridge_mm:
            half = bridge_mm / 2.0
            end, middle = right - short_mm if short_mm else right + 0.3, 2.0 + aside_mm
            cv2.rectangle(canvas, at(left - 0.3, middle - half), at(end, middle + half), METAL[light], -1)
        if dark_foot_mm:
            for edge, way in ((left, 1.0), (right, -1.0)):
                cv2.rectangle(canvas, at(edge - way * 0.1, 1.6), at(edge + way * dark_foot_mm, 2.4), DARK[light], -1)
        if band_mm:
            begin = left + (right - left) / 3.0
            cv2.rectangle(canvas, at(begin, 1.0), at(begin + band_mm, 3.0), band[light], -1)
        planes.append(cv2.resize(canvas, size, interpolation=cv2.INTER_AREA))
    return Capture("v1", np.stack(planes), np.zeros(size[::-1], dtype=np.uint8), ())


def width(capture: Capture, joints: tuple[Joint, Joint]) -> float:
    # The picture's rows run along board y here: what lies between two lands looks the same in a mirror.
    place: Any = SimpleNamespace(to_picture=Similarity(PX_PER_MM * np.eye(2), np.zeros(2)))
    mask = np.tile(np.array(MASK, dtype=np.float32), (2, 1))
    return float(bridge_widths(capture, joints, find_corridors(joints), place, _optics(LIGHTS), mask)[0])


@pytest.mark.parametrize("gap_mm", [0.12, 0.2, 0.6])
@pytest.mark.parametrize("around_mm", [0.0, 0.1])
def test_bare_laminate_between_near_lands_is_no_bridge(gap_mm: float, around_mm: float) -> None:
    """Where two openings of the solder mask run together one sees bare laminate, matt and lighter than the mask."""
    joints = two_lands(gap_mm)
    assert width(drawn(joints, LAMINATE, around_mm), joints) == 0.0


@pytest.mark.parametrize("gap_mm", [0.2, 0.6, 1.2])
@pytest.mark.parametrize("around_mm", [0.0, 0.1])
def test_metal_from_land_to_land_is_a_bridge(gap_mm: float, around_mm: float) -> None:
    joints = two_lands(gap_mm)
    found = width(drawn(joints, LAMINATE, around_mm, bridge_mm=0.3), joints)
    # What is lit of a half-round neck is taken for the sine of the steepest lit slope of it (38 to 40 deg here).
    assert 0.25 < found < 0.3 / np.sin(np.deg2rad(38.0)) + 0.08


def test_a_bridge_may_be_too_steep_to_be_lit_beside_the_land() -> None:
    """A bridge that ends at a dome meets its dark rim; solder that stops well before the land is no bridge."""
    joints = two_lands(1.0)
    assert width(drawn(joints, bridge_mm=0.3, dark_foot_mm=0.08), joints) > 0.25
    assert width(drawn(joints, bridge_mm=0.3, dark_foot_mm=0.25), joints) == 0.0


@pytest.mark.parametrize(("band_mm", "band", "joins"), [
    (0.1, DARK, True), (0.25, DARK, False), (0.1, MASK, False), (0.1, REDDISH, True)])
def test_a_bridge_may_be_too_steep_to_be_lit_over_little_of_its_way(band_mm: float, band: tuple[float, float, float],
                                                                    joins: bool) -> None:
    """As where a drop between two fillets rises out of them; board between two spikes looks like the board."""
    joints = two_lands(1.0)
    assert (width(drawn(joints, bridge_mm=0.4, band_mm=band_mm, band=band), joints) > 0.3) == joins


@pytest.mark.parametrize("aside_mm", [0.0, 0.4])
def test_beside_the_middle_a_round_land_is_further_away(aside_mm: float) -> None:
    """0.9 - sqrt(0.9^2 - 0.4^2) = 0.09 mm: a spike whose tip ends before it joins nothing, a bar that goes on does."""
    joints = two_lands(0.84)
    assert width(drawn(joints, bridge_mm=0.2, aside_mm=aside_mm), joints) > 0.15
    assert (width(drawn(joints, bridge_mm=0.2, aside_mm=aside_mm, short_mm=0.09), joints) > 0.0) == (aside_mm == 0.0)


@pytest.mark.parametrize("mask", [(0.6, 0.7, 0.57), (0.7, 0.8, 0.9)])
def test_dull_metal_on_a_light_mask_is_told_by_its_colour(mask: tuple[float, float, float]) -> None:
    """It gives the high light more, and the others less, than the mask does; print gives all lights alike."""
    optics = _optics(LIGHTS)
    own = np.array([mask], dtype=np.float32)
    samples = np.array([[1.2, 0.45, 0.3], [0.95, 0.95, 0.95], [0.8 * mask[0], 0.8 * mask[1], 0.8 * mask[2]], mask],
                       dtype=np.float32).T[None, :, None]
    assert is_metal(samples, own, optics)[0, 0].tolist() == [True, False, False, False]


@pytest.mark.parametrize(("light", "metal"), [
    ((1.25, 0.72, 0.57), False),  # what the mask gives, and the high light mirrored besides
    ((1.25, 0.45, 0.3), True)])  # as much of the high light, but less of the mask
def test_a_film_of_flux_that_lets_the_mask_through_is_no_metal(light: tuple[float, ...], metal: bool) -> None:
    own = np.array([[0.6, 0.7, 0.57]], dtype=np.float32)
    samples = np.array([light], dtype=np.float32).T[None, :, None]
    assert is_metal(samples, own, _optics(LIGHTS))[0, 0].tolist() == [metal]
