"""Do a family and a station suit each other? Cautions that are no errors of a file by itself."""

from __future__ import annotations

import numpy as np

from models.errors import Problem
from vision.setup.family import Family
from vision.setup.geometry import nominal_view
from vision.setup.station import Station

#: Common practice, no published source: a gap in the fillet is to be seen over several pixels.
FEWEST_PX_ACROSS_LAND = 40.0


def cautions(family: Family, station: Station) -> list[Problem]:
    """Return what will keep boards of the family from being graded well at the station, or at all."""
    found: list[Problem] = []
    if len(family.views) > 1 and "{view}" not in station.files:
        found.append(Problem("station", "files", repr(station.files),
                             f"{{view}} in the name, since the family has {len(family.views)} views"))
    narrowest = min(min(joint.land_w_mm, joint.land_h_mm) for joint in family.joints)
    if narrowest / station.mm_per_px < FEWEST_PX_ACROSS_LAND:
        found.append(Problem("station", "mm_per_px", f"{station.mm_per_px:g}, {narrowest / station.mm_per_px:.0f} px "
                             f"across a land of {narrowest:g} mm", f"at least {FEWEST_PX_ACROSS_LAND:.0f} px"))
    if station.picture_px is None:
        return found
    seen = _seen(family, station)
    found += [Problem("family", joint.name, "a land that no view shows whole", "every land inside some view")
              for joint, views in zip(family.joints, seen["joints"].T, strict=True) if not views.any()]
    for view, marks in zip(family.views, seen["fiducials"], strict=True):
        if marks.sum() < 2:
            found.append(Problem("family", f"view {view.name}", f"{marks.sum()} fiducials in sight",
                                 "two or more: else the board is found by its lands, less surely"))
    return found


def _seen(family: Family, station: Station) -> dict[str, np.ndarray]:
    """Return whether each view's picture holds each joint's land and each fiducial: (view, item) bool."""
    assert station.picture_px is not None
    size = np.asarray(station.picture_px, dtype=np.float64)
    items = {"joints": [(j.x_mm, j.y_mm, max(j.land_w_mm, j.land_h_mm) / 2.0) for j in family.joints],
             "fiducials": [(f.x_mm, f.y_mm, f.diameter_mm / 2.0) for f in family.fiducials]}
    result = {}
    for name, rows in items.items():
        table = np.asarray(rows, dtype=np.float64).reshape(-1, 3)
        inside = []
        for view in family.views:
            places = nominal_view(family, view, station, station.picture_px).to_px(table[:, :2])
            reach = table[:, 2:] / station.mm_per_px
            inside.append(((places >= reach) & (places <= size - reach)).all(axis=1))
        result[name] = np.array(inside)
    return result
