"""What each finding may be learned from, by physics, so that rules carry over to other boards and stations."""

from __future__ import annotations

from collections.abc import Mapping

from models.placing import Side

#: The measurements that mean a finding physically, and on which side of a limit it lies. The first is the plainest one
#: and is used alone where it does as well as all together. Signed chip shifts are learned by size.
CANDIDATES: Mapping[str, Mapping[str, Side]] = {
    "no_solder": {"land_cover_pct": "below", "coverage_deg": "below", "hole_open_pct": "above"},
    "partial_wetting": {"coverage_deg": "below", "land_cover_pct": "below", "largest_gap_deg": "above"},
    # Not from the wetting angle: no light shows slopes above 45 degrees, so a steep good toe and one beyond 90 degrees
    # read alike; a dome is told by where it is steep.
    "non_wetting": {"convexity": "above"},
    "excess_solder": {"convexity": "above", "lead_visible": "below"},
    "lead_missing": {"lead_visible": "below", "lead_size_mm": "below", "hole_open_pct": "above"},
    "bridge": {"bridge_width_mm": "above"},
    "solder_ball": {"ball_diameter_mm": "above"},
    "blowhole": {"pit_diameter_mm": "above"},
    "solder_projection": {"projection_mm": "above"},
    # Not from how much of its place a chip covers: what its plating and body look like hangs on its make.
    "chip_missing": {"chip_present": "below"},
    "chip_shifted": {"shift_along_mm": "above", "shift_across_mm": "above", "turn_deg": "above"},
}
#: What joints with a finding show besides, by physics: solder that has not wetted leaves land bare; a dome of too much
#: solder, or of solder that does not wet, meets the land steep. A rule asks for it too where that spares other joints.
#: None of them stands above.
CONFIRMS: Mapping[str, Mapping[str, Side]] = {
    "non_wetting": {"land_cover_pct": "below", "wetting_angle_deg": "above"},
    "excess_solder": {"wetting_angle_deg": "above"},
}
#: The same for joints between a near limit and a far one (models.sparing): where no lead draws solder up it lies low.
#: But a lead of which nothing at all is seen is missing or hidden, however high the solder seems to stand.
SPARES: Mapping[str, Mapping[str, Side]] = {**CONFIRMS, "lead_missing": {"fillet_height_mm": "below"}}
