"""Do a family's files and a station's suit each other? Cautions that are no errors of a file by itself."""

from __future__ import annotations

from models.errors import Problem
from vision.setup.family import Family
from vision.setup.station import Station

#: Common practice, no published source: a gap in the fillet is to be seen over several pixels.
FEWEST_PX_ACROSS_LAND = 40.0


def cautions(family: Family, station: Station) -> list[Problem]:
    """Return where file names or scale will keep boards of the family from being graded well, or at all."""
    found: list[Problem] = []
    if len(family.views) > 1 and "{view}" not in station.files:
        found.append(Problem("station", "files", repr(station.files),
                             f"{{view}} in the name, since the family has {len(family.views)} views"))
    narrowest = min(min(joint.land_w_mm, joint.land_h_mm) for joint in family.joints)
    if narrowest / station.mm_per_px < FEWEST_PX_ACROSS_LAND:
        found.append(Problem("station", "mm_per_px", f"{station.mm_per_px:g}, {narrowest / station.mm_per_px:.0f} px "
                             f"across a land of {narrowest:g} mm", f"at least {FEWEST_PX_ACROSS_LAND:.0f} px"))
    return found
