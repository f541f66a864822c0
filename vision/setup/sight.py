"""What a station can show at all: from which size on small things are seen, and which slopes its lights tell apart."""

from __future__ import annotations

from dataclasses import dataclass

from models.errors import Problem
from vision.setup.station import Station, light_bands

#: So many pixels across balls and pits are seen; below seven tenths of that nothing tells them from a glint or a speck
#: (rendered boards at 10 to 60 px/mm, tests/benchmarks/bench_stations.py).
SEEN_PX = 8.0
LARGE_MM = 0.3  # a station that does not show balls of this size deserves a word
STEEP_DEG = 35.0  # likewise one that lights no slope so steep: good fillets are then dark nearly to their toe


@dataclass(frozen=True)
class Sight:
    """What a station can show."""

    seen_from_mm: float  # balls and pits are seen from this diameter on
    steepest_deg: float  # steeper slopes mirror no light
    bands: tuple[tuple[int, ...], ...]  # lights that light the same slopes, flattest first
    unlit_deg: float  # degrees of azimuth from which the steepest band does not shine


def sight_of(station: Station) -> Sight:
    """Return what a station can show, by its scale and its lights."""
    bands = light_bands(station.lights)
    steepest = [station.lights[light] for light in bands[-1]]
    lit = sum(any(light.shines_from(azimuth) for light in steepest) for azimuth in range(360))
    return Sight(SEEN_PX * station.mm_per_px, max(light.zenith_deg[1] for light in station.lights) / 2.0, bands,
                 360.0 - lit)


def cautions(station: Station, file: str) -> list[Problem]:
    """Return what a good station file makes hard or impossible to see, each with what would show it."""
    sight, found = sight_of(station), []
    if sight.seen_from_mm > LARGE_MM:
        found.append(Problem(file, "mm_per_px", f"{station.mm_per_px:g}: solder balls and pits below "
                             f"{sight.seen_from_mm:.2f} mm may go unseen",
                             f"at most {LARGE_MM / SEEN_PX:.4g} to see them from {LARGE_MM:g} mm on"))
    if len(sight.bands) == 1:
        found.append(Problem(file, "lights", "all in one band of zenith angles: slopes cannot be told",
                             "two bands at least, better three"))
    if len(sight.bands) == 2:
        found.append(Problem(file, "lights", "two bands of zenith angles: slopes within a band look alike, so "
                             "wetting angles, heights and thin toes are rough", "three bands or more to tell them"))
    if sight.steepest_deg < STEEP_DEG:
        found.append(Problem(file, "lights", f"nothing steeper than {sight.steepest_deg:g} degrees is lit: steeper "
                             "fillets are dark", f"a light up to zenith {2.0 * STEEP_DEG:g} or more"))
    if sight.unlit_deg > 0.0:
        found.append(Problem(file, "lights", f"the steepest lights leave {sight.unlit_deg:g} degrees of the circle "
                             "dark: what falls that way is judged by less", "lights all round"))
    return found


__all__ = ["LARGE_MM", "SEEN_PX", "Sight", "cautions", "sight_of"]
