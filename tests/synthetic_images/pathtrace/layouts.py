"""Two invented board families and stations for traced boards, and what differs from board to board."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.setup import Chip, Family, Fiducial, Joint, Light, Station, View

Rgb = tuple[float, float, float]

#: Diffuse reflectance of solder mask, red green blue (common practice, no published source).
MASKS: dict[str, Rgb] = {"green": (0.03, 0.16, 0.06), "dark green": (0.015, 0.07, 0.03), "blue": (0.02, 0.06, 0.22),
                         "red": (0.26, 0.03, 0.03), "black": (0.02, 0.02, 0.022), "white": (0.62, 0.63, 0.6)}


@dataclass(frozen=True)
class Setting:
    """A family, the station that sees it and how large its pictures are."""

    name: str
    family: Family
    station: Station


@dataclass(frozen=True)
class Look:
    """Materials of one board and how its station is that day."""

    mask: Rgb
    mask_gloss: float  # GGX alpha
    finish: str  # tin, copper or gold
    land_alpha: float
    solder_alpha: float
    dull: float  # diffuse share of the solder
    blur_px: float
    levels: tuple[float, ...]  # per light
    white_share: float  # of full scale, for a white sheet
    offset_mm: tuple[float, float]
    turn_rad: float


def setting_one() -> Setting:
    """Eighteen joints of five land kinds seen from below by three rings at 8-26, 30-50 and 54-78 degrees."""
    joints = [Joint("J1", str(i + 1), round(2.9 + 2.54 * i, 3), 12.6, "rect" if i == 0 else "round", 1.7, 1.7, 0.0, 1.0,
                    "square", 0.64, 0.64, f"A{i}") for i in range(6)]
    joints += [Joint("T1", str(i + 1), round(2.8 + 3.3 * i, 3), 9.0, "round", 2.0, 2.0, 0.0, 1.1, "round", 0.8, 0.8,
                     f"B{i}") for i in range(4)]
    joints += [Joint("X1", str(i + 1), round(3.0 + 3.81 * i, 3), 5.1, "oblong", 2.2, 3.0, 0.0, 1.4, "rect", 1.0, 0.8,
                     f"C{i}") for i in range(3)]
    joints += [Joint("C1", str(i + 1), 13.7 + 2.5 * i, 5.4, "round", 1.8, 1.8, 0.0, 0.9, "round", 0.6, 0.6, f"D{i}")
               for i in range(2)]
    joints += [Joint("Q1", str(i + 1), round(6.0 + 2.54 * i, 3), 1.75, "oblong", 1.6, 2.4, 0.0, 1.1, "rect", 0.8, 0.5,
                     f"E{i}") for i in range(3)]
    marks = tuple(Fiducial(x, y, 0.9) for x, y in ((1.4, 1.5), (16.6, 1.4), (1.3, 10.9), (16.7, 13.6)))
    chips = (Chip("R1", 15.9, 9.2, 90.0, 2.0, 1.25), Chip("C11", 13.7, 2.0, 0.0, 1.6, 0.8))
    lights = (Light("high", "a", "blue", (8.0, 26.0)), Light("middle", "a", "red", (30.0, 50.0)),
              Light("low", "a", "green", (54.0, 78.0)))
    mixing = ((0.95, 0.04, 0.01), (0.03, 0.93, 0.04), (0.01, 0.05, 0.94))
    station = Station("traced-one", 0.02, "{serial}_{view}_{exposure}.png", lights, black_level=6.0, cross_talk=mixing,
                      picture_px=(900, 740))
    return Setting("one", Family("traced-one", 2, "bottom", tuple(joints), chips, marks, (View("v1", (9.0, 7.1)),)),
                   station)


def setting_two() -> Setting:
    """Sixteen joints of four land kinds seen from above by rings at 5-21, 27-46 and 52-82 degrees, coarser pixels."""
    joints = [Joint("J5", str(i + 1), round(2.6 + 3.2 * i, 3), 12.2, "round", 2.4, 2.4, 0.0, 1.2, "round", 0.9, 0.9,
                    f"A{i}") for i in range(5)]
    joints += [Joint("P2", str(i + 1), round(3.2 + 2.54 * i, 3), 8.6, "round", 1.6, 1.6, 0.0, 0.8, "round", 0.5, 0.5,
                     f"B{i}") for i in range(4)]
    joints += [Joint("K3", str(i + 1), round(3.0 + 3.0 * i, 3), 4.6, "oblong", 1.8, 2.8, 0.0, 1.2, "rect", 0.9, 0.6,
                     f"C{i}") for i in range(4)]
    joints += [Joint("L2", str(i + 1), 15.0, round(8.6 - 3.4 * i, 3), "rect", 1.9, 1.9, 0.0, 1.1, "square", 0.7, 0.7,
                     f"D{i}") for i in range(3)]
    marks = tuple(Fiducial(x, y, 1.0) for x, y in ((1.4, 1.5), (12.4, 1.4), (1.3, 9.9), (16.9, 14.0)))
    chips = (Chip("R7", 6.6, 1.7, 0.0, 2.0, 1.25),)
    lights = (Light("top", "a", "green", (5.0, 21.0)), Light("mid", "a", "blue", (27.0, 46.0)),
              Light("flat", "a", "red", (52.0, 82.0)))
    station = Station("traced-two", 0.022, "{serial}_{view}_{exposure}.png", lights, black_level=4.0,
                      picture_px=(824, 680))
    return Setting("two", Family("traced-two", 2, "top", tuple(joints), chips, marks, (View("v1", (9.0, 7.4)),)),
                   station)


def setting_small() -> Setting:
    """Nine joints for a quick test, at the first station."""
    joints = tuple(Joint("J1", str(i + 1), 2.5 + 2.9 * (i % 3), 2.3 + 2.9 * (i // 3), "round", 1.8, 1.8, 0.0, 0.9,
                         "round", 0.6, 0.6, f"N{i}") for i in range(9))
    marks = tuple(Fiducial(x, y, 0.8) for x, y in ((0.9, 0.8), (9.9, 0.9), (0.9, 9.6), (9.8, 9.7)))
    one = setting_one().station
    station = Station("traced-small", 0.025, one.files, one.lights, one.black_level, one.cross_talk,
                      picture_px=(440, 428))
    return Setting("small", Family("traced-small", 2, "bottom", joints, (), marks, (View("v1", (5.4, 5.2)),)), station)


SETTINGS = {"one": setting_one, "two": setting_two, "small": setting_small}


def draw_look(lights: int, rng: np.random.Generator) -> Look:
    """Return the materials, lamps and place of one board."""
    dull = rng.uniform() < 0.5  # tin-silver-copper against bright tin-lead
    return Look(mask=MASKS[str(rng.choice(list(MASKS), p=[0.4, 0.15, 0.15, 0.1, 0.1, 0.1]))],
                mask_gloss=float(rng.uniform(0.12, 0.4)),
                finish=str(rng.choice(["tin", "copper", "gold"], p=[0.45, 0.25, 0.3])),
                land_alpha=float(np.exp(rng.uniform(np.log(0.09), np.log(0.28)))),
                solder_alpha=float(rng.uniform(0.13, 0.22) if dull else rng.uniform(0.06, 0.13)),
                dull=float(rng.uniform(0.05, 0.14) if dull else rng.uniform(0.005, 0.03)),
                blur_px=float(rng.uniform(0.5, 0.9)), levels=tuple(float(v) for v in rng.normal(1.0, 0.03, lights)),
                white_share=float(rng.normal(0.30, 0.008)), offset_mm=(float(rng.uniform(-0.3, 0.3)),
                                                                       float(rng.uniform(-0.3, 0.3))),
                turn_rad=float(np.deg2rad(rng.uniform(-0.9, 0.9))))
