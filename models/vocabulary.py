"""The words of the project, declared once: findings, verdicts and measurements.

Limit sheets, database, training, reports and the renderer's truth table all read these tables, so a new
finding or measurement is added here and nowhere else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Part = Literal["joint", "chip"]

ACCEPT, REVIEW, REJECT, UNGRADED = "accept", "review", "reject", "ungraded"
#: From best to worst. A board's verdict is its worst joint's; `ungraded` is never counted as accepted.
VERDICTS: tuple[str, ...] = (ACCEPT, REVIEW, REJECT, UNGRADED)


@dataclass(frozen=True)
class Finding:
    """One thing that can be wrong with a joint or a chip."""

    name: str
    part: Part
    title: str  # two or three words for a table
    text: str  # one sentence for a newcomer


@dataclass(frozen=True)
class Measure:
    """One measured column: name with its unit as suffix, meaning, and how to print it.

    `absent` is the value that training uses where the measurement does not apply (NaN in the table, for
    example the wetting angle of a joint without solder). A condition on a NaN value is never true.

    Of what is `evidence` the truth is yes or no. It may be a wrong answer but has no error of some size, so no
    uncertainty is stated for it.
    """

    name: str
    part: Part
    unit: str  # "deg", "mm", "%" or "" where dimensionless
    text: str
    decimals: int
    step: float  # limits are rounded to this
    absent: float = 0.0
    evidence: bool = False


FINDINGS: tuple[Finding, ...] = (
    Finding("no_solder", "joint", "no solder", "The land and the hole hold no solder."),
    Finding("partial_wetting", "joint", "partial wetting",
            "Solder runs from the lead onto the land over too small a part of the circle or of the land."),
    Finding("non_wetting", "joint", "non-wetting",
            "Solder sits as a ball or cap and has not wetted the land: convex, steep at its outer edge."),
    Finding("excess_solder", "joint", "excess solder",
            "So much solder that the fillet is convex and the lead's end cannot be made out."),
    Finding("lead_missing", "joint", "lead missing", "No lead stands in the hole."),
    Finding("bridge", "joint", "bridge", "Solder joins this joint to a neighbour of another net."),
    Finding("solder_ball", "joint", "solder ball", "A loose ball of solder lies on the board near this joint."),
    Finding("blowhole", "joint", "blowhole", "Gas has left a pit in the fillet."),
    Finding("solder_projection", "joint", "solder projection", "A spike of solder stands out of the joint."),
    Finding("chip_missing", "chip", "chip missing", "A neighbouring chip is not in its place."),
    Finding("chip_shifted", "chip", "chip shifted", "A neighbouring chip is moved, turned or standing on end."),
)

MEASURES: tuple[Measure, ...] = (
    Measure("coverage_deg", "joint", "deg",
            "circumferential wetting: azimuth over which solder runs unbroken from the lead onto the land", 0, 5.0),
    Measure("largest_gap_deg", "joint", "deg", "widest azimuth range without such solder", 0, 5.0),
    Measure("gap_azimuth_deg", "joint", "deg",
            "where the middle of the widest gap lies, counter-clockwise from board x seen from the component side",
            0, 5.0),
    Measure("land_cover_pct", "joint", "%", "share of the land's area, hole excluded, that is under solder", 0, 1.0),
    Measure("hole_open_pct", "joint", "%", "share of the hole's area, lead excluded, that is seen open", 0, 1.0),
    Measure("toe_radius_mm", "joint", "mm", "mean distance of the toe from the hole's centre", 2, 0.01),
    Measure("wetting_angle_deg", "joint", "deg", "slope of the solder at the toe on the land, median over azimuth",
            0, 1.0),
    Measure("fillet_height_mm", "joint", "mm", "height of the fillet at the lead above the land", 2, 0.01),
    Measure("convexity", "joint", "",
            "(slope of the outer third - slope of the inner third) / their sum: -1 hollow, 0 straight, +1 domed",
            2, 0.05),
    Measure("lead_visible", "joint", "", "evidence that a lead's end is seen, 0 to 1", 2, 0.05, evidence=True),
    Measure("lead_offset_mm", "joint", "mm", "distance of the lead's end from the hole's centre", 2, 0.01),
    Measure("lead_size_mm", "joint", "mm", "diameter of a disc as large as the lead's end", 2, 0.01),
    Measure("bridge_width_mm", "joint", "mm",
            "narrowest width of solder that joins the joint to a neighbour of another net, 0 for none", 2, 0.01),
    Measure("ball_count", "joint", "", "loose solder balls that belong to this joint", 0, 1.0),
    Measure("ball_diameter_mm", "joint", "mm", "diameter of the largest of them, 0 for none", 2, 0.01),
    Measure("pit_diameter_mm", "joint", "mm", "diameter of the largest pit in the fillet, 0 for none", 2, 0.01),
    Measure("projection_mm", "joint", "mm",
            "how far a spike of solder reaches sideways from the lead's edge or beyond the toe, 0 for none", 2, 0.01),
    Measure("residue_pct", "joint", "%", "share of the window that flux residue seems to veil", 0, 1.0),
    Measure("sharpness", "joint", "", "edge sharpness against the sharpest that the scale allows, 0 to 1", 2, 0.05),
    Measure("saturated_pct", "joint", "%", "share of the window where some channel is saturated", 0, 1.0),
    Measure("chip_present", "chip", "", "evidence that a chip lies in its place, 0 to 1", 2, 0.05, evidence=True),
    Measure("shift_along_mm", "chip", "mm", "shift along the chip's long axis", 2, 0.01),
    Measure("shift_across_mm", "chip", "mm", "shift across the chip's long axis", 2, 0.01),
    Measure("turn_deg", "chip", "deg", "rotation against the nominal one, counter-clockwise", 0, 1.0),
    Measure("body_cover_pct", "chip", "%", "area seen as chip body against the nominal body area", 0, 1.0),
)

FINDING: dict[str, Finding] = {finding.name: finding for finding in FINDINGS}
_FINDING_NAMES = re.compile(rf"\b({'|'.join(FINDING)})\b")
MEASURE: dict[str, Measure] = {measure.name: measure for measure in MEASURES}
JOINT_MEASURES: tuple[str, ...] = tuple(m.name for m in MEASURES if m.part == "joint")
CHIP_MEASURES: tuple[str, ...] = tuple(m.name for m in MEASURES if m.part == "chip")
JOINT_FINDINGS: tuple[str, ...] = tuple(f.name for f in FINDINGS if f.part == "joint")
CHIP_FINDINGS: tuple[str, ...] = tuple(f.name for f in FINDINGS if f.part == "chip")


def with_unit(measure: str, value: float, finer: int = 0) -> str:
    """Return a value as a person would say it: `212 deg`, `0.35 mm`, `61 %`, `0.4`; with so many `finer` decimals."""
    known = MEASURE[measure]
    number = f"{value:.{known.decimals + finer}f}"
    return f"{number} {known.unit}" if known.unit else number


def limit_text(measure: str, limit: float) -> str:
    """Return a limit with its unit and all its decimals: `0.025 mm`, `270 deg`. Rounded, it would be another limit."""
    known = MEASURE[measure]
    return f"{limit:.{max(known.decimals, decimals_of(limit))}f} {known.unit}".rstrip()


def value_text(measure: str, value: float, limit: float) -> str:
    """Return a value with its unit and as many decimals as it takes to tell it from a limit: `0.131`, `269.6 deg`."""
    known = MEASURE[measure]
    decimals = decimals_apart(value, limit, max(known.decimals, decimals_of(limit)))
    return f"{value:.{decimals}f} {known.unit}".rstrip()


def decimals_apart(value: float, limit: float, least: int) -> int:
    """Return how many decimals, at least so many and hardly more than six, tell a value from a limit."""
    decimals = least
    while f"{value:.{decimals}f}" == f"{limit:.{decimals}f}" and value != limit and decimals < 6:
        decimals += 1
    return decimals


def near_words(value: float, limit: float, told: str, guard: float | None, unit: str) -> str:
    """Return how near a value in the guard band is to its limit: `within 36 % of the limit 3.5 %`.

    `told` is the limit in words. Where the guard is not known, or of another limit, `near` is said of values alone that
    are no further from the limit than it is from 0.
    """
    away = abs(value - limit)
    if guard is not None and guard > 0.0 and away <= guard * (1.0 + 1e-9) + 1e-9:
        return f"within {f'{guard:g} {unit}'.rstrip()} of the limit {told}"
    return f"near the limit {told}" if away <= abs(limit) else f"the limit is {told}"


def finding_title(finding: str, other: str = "") -> str:
    """Return a finding in two or three words, a bridge with the neighbour that it reaches: `bridge to J1.4`."""
    known = FINDING.get(finding)
    title = known.title if known is not None else finding.replace("_", " ")
    return f"{title} to {other}" if other else title


def finding_words(text: str) -> str:
    """Return a text with the names of findings in words: `bridge 2, no_solder 1` -> `bridge 2, no solder 1`."""
    return _FINDING_NAMES.sub(lambda found: FINDING[found[0]].title, text)


def reason_words(measure: str, value: float, limit: float, side: str, verdict: str = REJECT,
                 guard: float | None = None, beside: str = "") -> str:
    """Return why a finding was made: `coverage 212 deg, needs at least 270 deg`.

    Within the guard band (verdict review) the value still meets the limit: `coverage 274 deg, within 8 deg of the limit
    270 deg`. `beside` are the rule's other conditions in words: the demand holds only where they do. Numbers get all
    decimals of the limit, and as many as it takes to tell them apart.
    """
    known = MEASURE.get(measure)
    decimals = decimals_apart(value, limit, max(3 if known is None else known.decimals, min(decimals_of(limit), 6)))
    unit = f" {known.unit}" if known is not None and known.unit else ""
    name = plain_name(measure)
    got, wanted = f"{value:.{decimals}f}{unit}", f"{limit:.{decimals}f}{unit}"
    asked = near_words(value, limit, wanted, guard, unit.strip()) if verdict == REVIEW else (
        f"needs at {'least' if side == 'below' else 'most'} {wanted}")
    return f"{name} {got}, {asked}" + (f" where {beside}" if beside else "")


def decimals_of(limit: float) -> int:
    """Return how many decimals a person has written a number with, at most ten."""
    return len(f"{limit:.10f}".rstrip("0").partition(".")[2])


def plain_name(measure: str) -> str:
    """Return a measurement's name in words, without its unit suffix: `land_cover_pct` -> `land cover`."""
    for suffix in ("_deg", "_mm", "_pct"):
        measure = measure.removesuffix(suffix)
    return measure.replace("_", " ")
