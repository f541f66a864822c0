"""Three invented stations and three invented board families, any of which may be paired."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from vision.setup import Chip, Family, Fiducial, Joint, Light, Station, View

DEFAULTS = ("S0F0", "S1F1", "S2F2")
MIXING = ((0.95, 0.04, 0.01), (0.03, 0.93, 0.04), (0.01, 0.05, 0.94))


@dataclass(frozen=True)
class Setting:
    """A family, the station that sees it, and how large its pictures are."""

    name: str
    numbers: tuple[int, int]  # of the family and of the station
    family: Family
    station: Station
    size_px: tuple[int, int]  # width, height


def setting(name: str) -> Setting:
    """Return the pair of a name as S0F1: station 0 sees family 1."""
    found = re.fullmatch(r"S([0-2])F([0-2])", name)
    if not found:
        raise ValueError(f"{name!r} is no pair of station and family; wanted S0F0 to S2F2")
    at, board = int(found[1]), int(found[2])
    station, size_px = STATIONS[at]
    return Setting(name, (board, at), FAMILIES[board](), station, size_px)


#: Stations and their pictures' width and height.
STATIONS = (
    (Station("s0", 0.020, "{serial}_{view}.png",
             (Light("top", "a", "red", (10.0, 26.0)), Light("middle", "a", "green", (30.0, 50.0)),
              Light("side", "a", "blue", (55.0, 78.0))), 5.0, MIXING), (1500, 1200)),
    (Station("s1", 0.022, "{serial}_{view}_{exposure}.png",
             (Light("crown", "a", "blue", (6.0, 20.0)), Light("upper", "a", "red", (22.0, 38.0)),
              Light("lower", "a", "green", (42.0, 58.0)), Light("floor", "b", "mono", (62.0, 84.0))), 9.0),
     (1480, 1180)),
    (Station("s2", 0.028, "{serial}_{view}.png",
             (Light("high", "a", "blue", (0.0, 22.0)), Light("mid", "a", "green", (24.0, 46.0)),
              Light("low", "a", "red", (48.0, 82.0))), 3.0), (1180, 940)),
)


def _rows(kind: Joint, ref: str, start: tuple[float, float], count: tuple[int, int], pitch: tuple[float, float]
          ) -> list[Joint]:
    """Return joints of one kind in rows: the first one's place, how many and how far apart along x and y."""
    return [replace(kind, ref=ref, pin=str(row * count[0] + column + 1), x_mm=round(start[0] + column * pitch[0], 3),
                    y_mm=round(start[1] + row * pitch[1], 3))
            for row in range(count[1]) for column in range(count[0])]


def _family(name: str, joints: list[Joint], chips: list[Chip], marks: list[tuple[float, float]]) -> Family:
    """Return a family with nets (every ninth joint is ground), pots, nozzles and steps filled in."""
    named = tuple(replace(j, net="GND" if i % 9 == 4 else f"N{i + 1}", pot="A" if j.y_mm > 10 else "B", nozzle="n4",
                          step=f"s{j.ref}") for i, j in enumerate(joints))
    return Family(name, 2, "bottom", named, tuple(chips), tuple(Fiducial(x, y, 1.0) for x, y in marks),
                  (View("v1", (15.0, 12.0)),))


def lamp_dimmer() -> Family:
    """Thirty-odd joints, round, oblong and rectangular lands, four chips."""
    blade = Joint("", "", 0, 0, "oblong", 1.6, 2.2, 0.0, 1.0, "square", 0.64, 0.64)
    pin = Joint("", "", 0, 0, "round", 1.7, 1.7, 0.0, 0.9, "round", 0.5, 0.5)
    relay = Joint("", "", 0, 0, "rect", 1.9, 1.9, 0.0, 1.05, "rect", 0.8, 0.5)
    clamp = Joint("", "", 0, 0, "round", 2.6, 2.6, 0.0, 1.3, "round", 0.9, 0.9)
    joints = [*_rows(blade, "J1", (3.57, 19.4), (10, 1), (2.54, 0)),
              *_rows(pin, "J2", (4.0, 11.6), (5, 2), (2.54, 2.54)),
              *_rows(relay, "K1", (16.6, 11.3), (4, 2), (3.5, 3.5)), *_rows(clamp, "T1", (5.1, 4.6), (6, 1), (3.96, 0))]
    chips = [Chip("C1", 7.0, 8.2, 0.0, 2.0, 1.25), Chip("C2", 12.5, 8.4, 0.0, 1.6, 0.8),
             Chip("R1", 18.4, 8.2, 90.0, 1.6, 0.8), Chip("R2", 23.4, 8.0, 0.0, 2.0, 1.25)]
    return _family("lamp-dimmer-34", joints, chips, [(2.5, 2.5), (27.5, 2.5), (27.4, 21.7)])


def pump_driver() -> Family:
    """Round lands in two rows, and oblong lands that stand across or at 45 degrees; three chips."""
    socket = Joint("", "", 0, 0, "round", 1.6, 1.6, 0.0, 0.8, "rect", 0.5, 0.4)
    clamp = Joint("", "", 0, 0, "rect", 2.4, 2.0, 0.0, 1.2, "round", 0.9, 0.9)
    tab = Joint("", "", 0, 0, "oblong", 1.5, 2.4, 0.0, 1.1, "rect", 0.8, 0.5)
    across = Joint("", "", 0, 0, "oblong", 2.2, 1.6, 90.0, 0.9, "round", 0.6, 0.6)
    askew = replace(across, land_rotation_deg=45.0)
    joints = [*_rows(socket, "U1", (4.0, 11.8), (8, 2), (2.54, 7.62)),
              *_rows(clamp, "X1", (5.0, 4.4), (5, 1), (5.0, 0)), *_rows(tab, "Q1", (18.0, 8.4), (3, 1), (2.9, 0)),
              *_rows(across, "C1", (24.4, 13.0), (1, 2), (0, 3.5)),
              *_rows(across, "C2", (27.3, 12.2), (1, 2), (0, 3.5)), *_rows(across, "C3", (4.2, 15.6), (2, 1), (3.5, 0)),
              *_rows(askew, "L1", (12.2, 15.7), (2, 1), (5.0, 0)), *_rows(askew, "D1", (3.4, 8.2), (2, 1), (7.5, 0)),
              *_rows(askew, "D2", (24.3, 19.7), (1, 1), (0, 0))]
    chips = [Chip("R1", 7.2, 8.2, 0.0, 1.6, 0.8), Chip("R2", 14.2, 8.4, 90.0, 2.0, 1.25),
             Chip("R3", 21.4, 15.4, 0.0, 1.6, 0.8)]
    return _family("pump-driver-36", joints, chips, [(2.4, 2.4), (27.6, 2.4), (27.6, 21.8), (10.0, 14.2)])


def gate_opener() -> Family:
    """Round, rectangular and oblong lands, the last at 30 degrees; five chips."""
    header = Joint("", "", 0, 0, "round", 1.8, 1.8, 0.0, 1.0, "square", 0.64, 0.64)
    blade = Joint("", "", 0, 0, "rect", 1.8, 2.3, 0.0, 1.1, "rect", 0.9, 0.4)
    relay = Joint("", "", 0, 0, "round", 2.4, 2.4, 0.0, 1.3, "round", 0.8, 0.8)
    axial = Joint("", "", 0, 0, "oblong", 2.0, 1.5, 30.0, 0.85, "round", 0.45, 0.45)
    joints = [*_rows(header, "P1", (4.2, 17.0), (6, 2), (2.54, 2.54)),
              *_rows(blade, "S1", (6.0, 4.2), (7, 1), (3.0, 0)),
              *_rows(relay, "K1", (19.2, 9.4), (3, 2), (4.0, 7.6)), *_rows(relay, "K2", (20.8, 13.4), (2, 1), (5.0, 0)),
              *_rows(axial, "D1", (4.0, 13.8), (4, 1), (3.4, 0)), *_rows(axial, "D2", (4.4, 10.6), (4, 1), (3.4, 0)),
              *_rows(axial, "D3", (4.0, 7.6), (4, 1), (3.4, 0)), *_rows(axial, "D4", (20.6, 20.3), (2, 1), (3.8, 0))]
    chips = [Chip("C1", 17.3, 13.4, 90.0, 1.6, 0.8), Chip("C2", 23.3, 6.9, 0.0, 1.6, 0.8),
             Chip("C3", 18.5, 6.6, 0.0, 2.0, 1.25), Chip("R1", 24.0, 11.6, 0.0, 1.6, 0.8),
             Chip("R2", 23.2, 15.3, 0.0, 1.6, 0.8)]
    return _family("gate-opener-41", joints, chips, [(2.4, 2.6), (27.7, 4.6), (27.6, 21.6), (2.2, 21.9)])


FAMILIES = (lamp_dimmer, pump_driver, gate_opener)
