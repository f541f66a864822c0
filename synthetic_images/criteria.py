"""Which findings the exact measurements amount to, and where both verdicts can be defended.

Workmanship numbers for the solder source side of supported holes, as in public extracts of IPC-A-610 (revisions E to
G, clauses 7.3.5.4 and 7.3.5.5) and, for balls, its older revision B; the current revision of the standard governs.
"""

from __future__ import annotations

from collections.abc import Mapping

#: Least circumferential wetting in degrees by workmanship class.
COVERAGE_DEG: dict[int, float] = {1: 270.0, 2: 270.0, 3: 330.0}
LAND_COVER_PCT = 75.0
BALL_MM = 0.13
NON_WETTING_DEG = 90.0  # contact angle beyond which solder does not wet (acceptance is up to 90 degrees)
#: A chip moved by more than this share of its body's width is shifted (common practice: a quarter to a half).
CHIP_SHIFT_SHARE = 0.25
CHIP_TURN_DEG = 10.0  # common practice, no published source
LEAST_PIT_MM = 0.10
LEAST_SPIKE_MM = 0.15

# Half widths of the zones in which both verdicts can be defended.
COVERAGE_ZONE_DEG = 15.0
LAND_COVER_ZONE_PCT = 5.0
BALL_ZONE_MM = (0.10, 0.16)
THIN_NECK_MM = 0.20
SMALL_PIT_MM = 0.15
SMALL_SPIKE_MM = 0.25


def joint_findings(values: Mapping[str, float], has_lead: bool, workmanship_class: int) -> tuple[str, ...]:
    """Return the findings of a joint with these exact measurements."""
    found: list[str] = []
    coverage, cover = values["coverage_deg"], values["land_cover_pct"]
    if not has_lead:
        found.append("lead_missing")
    elif cover < 3.0 and coverage < 5.0 and values["hole_open_pct"] > 60.0:
        found.append("no_solder")
    elif values["wetting_angle_deg"] > NON_WETTING_DEG:
        found.append("non_wetting")
    elif coverage < COVERAGE_DEG[workmanship_class] or cover < LAND_COVER_PCT:
        found.append("partial_wetting")
    elif values["lead_visible"] < 0.5 and values["convexity"] > 0.0:
        found.append("excess_solder")
    if values["bridge_width_mm"] > 0.0:
        found.append("bridge")
    if values["ball_diameter_mm"] >= BALL_MM:
        found.append("solder_ball")
    if values["pit_diameter_mm"] >= LEAST_PIT_MM:
        found.append("blowhole")
    if values["projection_mm"] >= LEAST_SPIKE_MM:
        found.append("solder_projection")
    return tuple(found)


def is_marginal(finding: str, values: Mapping[str, float], workmanship_class: int,
                seen_coverage_deg: float | None = None) -> bool:
    """Return whether the finding, or a good joint's lack of one, lies so near a criterion that both can be defended.

    `seen_coverage_deg` is the coverage as it looks from above, where a leaning lead may hide a gap: a joint whose
    seen and true coverage lie on two sides of the limit is marginal too.
    """
    limit = COVERAGE_DEG[workmanship_class]
    coverage = abs(values["coverage_deg"] - limit) <= COVERAGE_ZONE_DEG
    cover = abs(values["land_cover_pct"] - LAND_COVER_PCT) <= LAND_COVER_ZONE_PCT
    ball = BALL_ZONE_MM[0] <= values["ball_diameter_mm"] <= BALL_ZONE_MM[1]
    pit = 0.0 < values["pit_diameter_mm"] < SMALL_PIT_MM
    spike = 0.0 < values["projection_mm"] < SMALL_SPIKE_MM
    neck = 0.0 < values["bridge_width_mm"] < THIN_NECK_MM
    if seen_coverage_deg is not None and (seen_coverage_deg < limit) != (values["coverage_deg"] < limit):
        hidden = values["land_cover_pct"] >= LAND_COVER_PCT - LAND_COVER_ZONE_PCT
        if hidden and finding in ("", "partial_wetting"):
            return True
    if finding == "partial_wetting":  # marginal unless one of the two criteria is clearly missed
        clear = (values["coverage_deg"] < limit - COVERAGE_ZONE_DEG
                 or values["land_cover_pct"] < LAND_COVER_PCT - LAND_COVER_ZONE_PCT)
        return not clear
    if finding == "excess_solder":
        return values["convexity"] < 0.15
    if finding == "non_wetting":
        return values["wetting_angle_deg"] < NON_WETTING_DEG + 5.0
    zones = {"solder_ball": ball, "blowhole": pit, "solder_projection": spike, "bridge": neck}
    if finding:
        return zones.get(finding, False)
    return coverage or cover or ball or pit or spike or neck or values["lead_visible"] < 0.5


def chip_finding(values: Mapping[str, float], narrow_mm: float, standing: bool) -> tuple[str, bool]:
    """Return a chip's finding (or an empty text) and whether it is marginal."""
    if values["chip_present"] < 0.5:
        return "chip_missing", False
    if standing:
        return "chip_shifted", False
    shift = max(abs(values["shift_along_mm"]), abs(values["shift_across_mm"])) / narrow_mm
    turn = abs(values["turn_deg"])
    found = shift > CHIP_SHIFT_SHARE or turn > CHIP_TURN_DEG
    clear = shift > CHIP_SHIFT_SHARE * 1.3 or turn > CHIP_TURN_DEG * 1.4
    fine = shift < CHIP_SHIFT_SHARE * 0.75 and turn < CHIP_TURN_DEG * 0.65
    return ("chip_shifted" if found else ""), not (clear or fine)
