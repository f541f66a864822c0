"""An invented board family and camera station for demonstrations and tests."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np

from vision.setup import Chip, Family, Fiducial, Joint, Light, Station, View
from vision.setup.checks import gap_between, land_polygon
from vision.setup.geometry import view_size_px

LEAST_GAP_MM = 0.1  # between two lands; finer ones are rarely etched (common practice, no published source)


def demo_station(family: Family | None = None) -> Station:
    """Return a three-ring station: one colour exposure, 0.02 mm per pixel, 8 bit, telecentric.

    With a family its pictures have the size that shows the family's first view whole, else any size is taken.
    """
    lights = (Light("high", "a", "blue", (8.0, 26.0)), Light("middle", "a", "red", (30.0, 50.0)),
              Light("low", "a", "green", (54.0, 78.0)))
    cross_talk = ((0.95, 0.04, 0.01), (0.03, 0.93, 0.04), (0.01, 0.05, 0.94))
    station = Station("demo", 0.02, "{serial}_{view}_{exposure}.png", lights, black_level=6.0, cross_talk=cross_talk)
    return station if family is None else replace(station, picture_px=view_size_px(family, family.views[0], station))


def demo_family(seed: int = 0) -> Family:
    """Return the demo board: 42 joints of seven land kinds, seven chips, four fiducials, one view of 30 x 24 mm.

    `seed` 0 is the reference layout; other seeds move parts by up to 0.2 mm and deal the nets anew. A layout with lands
    that come too close to each other, which no board has, is drawn again.
    """
    rng = np.random.default_rng([20, seed])
    joints = _laid_out(rng, seed)
    while _narrowest(joints) < LEAST_GAP_MM:
        joints = _laid_out(rng, seed)
    chips = (Chip("R1", 14.7, 13.8, 0.0, 2.0, 1.25), Chip("R2", 14.7, 11.6, 180.0, 1.6, 0.8),
             Chip("C11", 20.5, 11.9, 0.0, 1.6, 0.8), Chip("C12", 2.9, 8.2, 90.0, 2.0, 1.25),
             Chip("R3", 7.6, 8.7, 0.0, 3.2, 1.6), Chip("R4", 26.8, 11.6, 0.0, 1.6, 0.8),
             Chip("D1", 10.2, 2.5, 0.0, 2.0, 1.25))
    fiducials = (Fiducial(2.0, 2.2, 1.0), Fiducial(27.8, 2.0, 1.0), Fiducial(2.2, 22.0, 1.0),
                 Fiducial(24.8, 17.4, 1.0))
    return Family("demo-psu" if seed == 0 else f"demo-psu-{seed}", 2, "bottom", tuple(joints), chips, fiducials,
                  (View("v1", (15.0, 12.0)),))


def _laid_out(rng: np.random.Generator, seed: int) -> list[Joint]:
    """Return the joints of one layout."""

    def nudge() -> float:
        return 0.0 if seed == 0 else float(np.round(rng.uniform(-0.2, 0.2), 2))

    joints: list[Joint] = []
    joints += _header("J1", 3.4 + nudge(), 20.4 + nudge(), ("GND", "VIN", "VIN", "SDA", "SCL", "IRQ", "RST", "GND",
                                                            "GND", "V33"), "1")
    joints += _header("J2", 3.4 + nudge(), 16.9 + nudge(), ("CAN1", "CAN2", "GND", "GND", "TX", "RX", "V50", "V50"),
                      "2")
    joints += _header("J3", 18.0 + nudge(), 7.0 + nudge(), ("PWM", "FB", "FB", "EN"), "3")
    joints += _terminals("X1", 3.6 + nudge(), 12.6 + nudge(), ("L", "N", "PE"))
    joints += _transformer("T1", 18.0 + nudge(), 14.0 + nudge())
    joints += _capacitor("C1", 6.6 + nudge(), 4.4 + nudge(), "VIN", "GND")
    joints += _capacitor("C2", 13.6 + nudge(), 5.4 + nudge(), "V33", "GND")
    joints += _capacitor("C3", 13.9 + nudge(), 9.0 + nudge(), "V50", "GND")
    joints += _power("Q1", 20.4 + nudge(), 3.6 + nudge())
    joints += [Joint("L1", str(i + 1), 26.8, 14.2 - 5.2 * i, "oblong", 2.0, 2.6, 0.0, 1.0, "round", 0.7, 0.7,
                     net, "P2", "N4", "8") for i, net in enumerate(("SW", "V50"))]
    if seed:
        nets = [j.net for j in joints]
        order = rng.permutation(len(nets))
        joints = [Joint(**{**vars(j), "net": nets[o]}) for j, o in zip(joints, order, strict=True)]
    return joints


def _narrowest(joints: list[Joint]) -> float:
    """Return the least gap between the lands of neighbouring joints, mm."""
    near = (pair for pair in combinations(joints, 2)
            if np.hypot(pair[0].x_mm - pair[1].x_mm, pair[0].y_mm - pair[1].y_mm) < 4.0)
    return min(gap_between(land_polygon(one), land_polygon(two)) for one, two in near)


def _header(ref: str, x: float, y: float, nets: tuple[str, ...], step: str) -> list[Joint]:
    return [Joint(ref, str(i + 1), round(x + i * 2.54, 3), y, "rect" if i == 0 else "round", 1.7, 1.7, 0.0, 1.0,
                  "square", 0.64, 0.64, net, "P1", "N3", step) for i, net in enumerate(nets)]


def _terminals(ref: str, x: float, y: float, nets: tuple[str, ...]) -> list[Joint]:
    return [Joint(ref, str(i + 1), round(x + i * 3.81, 3), y, "oblong", 2.2, 3.0, 0.0, 1.4, "rect", 1.0, 0.8, nets[i],
                  "P2", "N6", "4") for i in range(len(nets))]


def _transformer(ref: str, x: float, y: float) -> list[Joint]:
    nets = ("SW", "PRI", "AUX", "SEC", "SEC", "GND")
    places = [(0.0, 0.0), (2.54, 0.0), (5.08, 0.0), (5.08, -4.2), (2.54, -4.2), (0.0, -4.2)]
    return [Joint(ref, str(i + 1), round(x + dx, 3), round(y + dy, 3), "round", 2.0, 2.0, 0.0, 1.1, "round",
                  0.8, 0.8, nets[i], "P2", "N4", "5") for i, (dx, dy) in enumerate(places)]


def _capacitor(ref: str, x: float, y: float, plus: str, minus: str) -> list[Joint]:
    return [Joint(ref, str(i + 1), round(x + i * 3.5 - 1.75, 3), y, "round", 1.8, 1.8, 0.0, 0.9, "round", 0.6, 0.6,
                  net, "P1", "N3", "6") for i, net in enumerate((plus, minus))]


def _power(ref: str, x: float, y: float) -> list[Joint]:
    nets = ("GATE", "SW", "GND")
    return [Joint(ref, str(i + 1), round(x + i * 2.54, 3), y, "oblong", 1.6, 2.6, 0.0, 1.1, "rect", 0.8, 0.5, nets[i],
                  "P2", "N4", "7") for i in range(3)]
