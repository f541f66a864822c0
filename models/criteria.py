"""Workmanship criteria for plated-through-hole joints, seen from the solder side, as numbers with their source.

Only numbers are given here, no text of any standard. The current revision of the standard governs; a shop may
override any row by editing its limit sheet. `status` says how far a number can be trusted:

- confirmed: read in a public extract of the standard named
- from memory: not confirmed against a text; an editable default
- project default: the standard states the demand without a number, and the number is this project's
- house rule: from a local file that overrides these
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from models.errors import MeniscopeError
from models.rules import Condition, LimitSheet, Rule
from models.vocabulary import FINDING, FINDINGS, MEASURE

Status = Literal["confirmed", "from memory", "project default", "house rule"]
Severity = Literal["defect", "indicator", "acceptable"]

GOVERNS = "The current revision of the standard governs; these numbers are editable starting values."

#: What each finding means by workmanship class 1, 2, 3. A process indicator is recorded and shown but does not by
#: itself change the verdict. A convex joint that hides its lead is a process indicator in class 2 and 3 only where
#: somebody verifies the lead from the component side (IPC-A-610F 7.3.5); this camera does not see that side, so here
#: it counts as a defect. Pits: IPC-A-610 5.2, from memory.
SEVERITY: Mapping[str, tuple[Severity, Severity, Severity]] = {
    "no_solder": ("defect", "defect", "defect"),
    "partial_wetting": ("defect", "defect", "defect"),
    "non_wetting": ("defect", "defect", "defect"),
    "excess_solder": ("indicator", "defect", "defect"),
    "lead_missing": ("defect", "defect", "defect"),
    "bridge": ("defect", "defect", "defect"),
    "solder_ball": ("defect", "defect", "defect"),
    "blowhole": ("indicator", "indicator", "indicator"),
    "solder_projection": ("defect", "defect", "defect"),
    "chip_missing": ("defect", "defect", "defect"),
    "chip_shifted": ("defect", "defect", "defect"),
}


@dataclass(frozen=True)
class Criterion:
    """One criterion. `limits` holds one value a class for the first condition; None where the class has no demand.

    With `placed` the standard asks for presence or absence and gives no number: training places the limit between
    good and bad joints, and the number here is used only where there is nothing to learn from.
    """

    finding: str
    measure: str
    side: Literal["below", "above"]
    limits: tuple[float | None, float | None, float | None]
    standard: str
    clause: str
    status: Status
    text: str  # what is asked for, in the project's own words
    placed: bool = False
    guard: float = 0.0
    also: tuple[Condition, ...] = ()  # further conditions of the rule

    def rule(self, workmanship_class: int) -> Rule | None:
        """Return the criterion as a rule of a limit sheet, or None where the class does not ask for it."""
        limit = self.limits[workmanship_class - 1]
        severity = severity_of(self.finding, workmanship_class)
        if limit is None or severity == "acceptable":
            return None
        first = Condition(self.measure, **{self.side: limit}, guard=self.guard)
        return Rule(self.finding, self.source(workmanship_class), (first, *self.also), None, severity == "indicator")

    def source(self, workmanship_class: int) -> str:
        """Return where the criterion comes from, as a limit sheet states it."""
        return f"{self.asked(workmanship_class)}, {self.status}"

    def asked(self, workmanship_class: int) -> str:
        """Return who asks for it, without how far the number can be trusted: a learned limit has its own number."""
        clause = f" {self.clause}" if self.clause else ""
        return f"workmanship class {workmanship_class}: {self.standard}{clause}"


# A measured width of nothing is not always exactly 0, so a limit for "none" needs a little room: 0.05 mm is two to
# three pixels at the scale that most stations of this kind have.
CRITERIA: tuple[Criterion, ...] = (
    Criterion("partial_wetting", "coverage_deg", "below", (270.0, 270.0, 330.0), "IPC-A-610E-G", "7.3.5.4", "confirmed",
              "fillet and wetting round lead and barrel on the solder side", guard=8.0),
    Criterion("partial_wetting", "land_cover_pct", "below", (75.0, 75.0, 75.0), "IPC-A-610E-G", "7.3.5.5", "confirmed",
              "land area covered with wetted solder on the solder side", guard=3.0),
    Criterion("no_solder", "land_cover_pct", "below", (15.0, 15.0, 15.0), "IPC-A-610E-G", "7.3.5", "project default",
              "solder is there at all", placed=True, guard=3.0),
    Criterion("non_wetting", "wetting_angle_deg", "above", (90.0, 90.0, 90.0), "IPC-A-610", "5.1", "from memory",
              "solder meets land and lead at no more than 90 degrees", placed=True, guard=5.0),
    Criterion("excess_solder", "lead_visible", "below", (0.5, 0.5, 0.5), "IPC-A-610F", "7.3.5", "project default",
              "the lead's end can be made out in the solder", placed=True, guard=0.1,
              also=(Condition("convexity", above=0.0, guard=0.1),)),
    Criterion("lead_missing", "lead_visible", "below", (0.5, 0.5, 0.5), "IPC-A-610F", "7.3.5", "project default",
              "a lead stands in the hole", placed=True, guard=0.1),
    Criterion("bridge", "bridge_width_mm", "above", (0.05, 0.05, 0.05), "IPC-A-610", "5.2", "project default",
              "no solder between conductors that are not to be joined", placed=True, guard=0.02),
    Criterion("solder_ball", "ball_diameter_mm", "above", (0.13, 0.13, 0.13), "IPC-A-610B", "", "confirmed",
              "no loose ball larger than this; later revisions name no size, a loose ball is a defect", placed=True,
              guard=0.02),
    Criterion("blowhole", "pit_diameter_mm", "above", (0.1, 0.1, 0.1), "IPC-A-610", "5.2", "from memory",
              "pits are recorded; the joint must meet all other criteria", placed=True),
    Criterion("solder_projection", "projection_mm", "above", (0.3, 0.3, 0.3), "IPC-A-610", "5.2", "from memory",
              "no spike that reduces the electrical clearance or exceeds the lead's protrusion limit", placed=True,
              guard=0.05),
    Criterion("chip_missing", "chip_present", "below", (0.5, 0.5, 0.5), "IPC-A-610", "8", "project default",
              "the chip lies in its place", placed=True, guard=0.1),
)

#: Numbers that a sheet cannot hold because the solder side does not show them, for the reader's table.
NOT_SEEN: tuple[tuple[str, tuple[str, str, str], str, str, str], ...] = (
    ("vertical fill, fewer than 14 leads", ("not specified", "75 %", "75 %"), "IPC-A-610F", "7.3.5.1", "confirmed"),
    ("wetting on the component side", ("not specified", "180 deg", "270 deg"), "IPC-A-610E-G", "7.3.5.2", "confirmed"),
    ("lead protrusion, most", ("no danger to clearance", "2.5 mm", "1.5 mm"), "IPC-A-610", "Table 7-3", "confirmed"),
)


def severity_of(finding: str, workmanship_class: int) -> Severity:
    """Return whether a finding is a defect, a process indicator or acceptable in a class."""
    _check_class(workmanship_class)
    return SEVERITY[finding][workmanship_class - 1]


def defects_of(workmanship_class: int) -> frozenset[str]:
    """Return the findings that are defects in a class: those that must not be accepted."""
    return frozenset(f.name for f in FINDINGS if severity_of(f.name, workmanship_class) == "defect")


def unsought(sheet: LimitSheet) -> tuple[str, ...]:
    """Return the defects of a sheet's class that none of its rules rejects, in the order of the vocabulary.

    A rule that is a process indicator rejects nothing.
    """
    sought = {rule.finding for rule in sheet.rules if not rule.indicator}
    defects = defects_of(sheet.workmanship_class)
    return tuple(finding.name for finding in FINDINGS if finding.name in defects - sought)


def workmanship_rules(workmanship_class: int, *, placed: bool = True,
                      criteria: Sequence[Criterion] = CRITERIA) -> tuple[Rule, ...]:
    """Return the criteria of a class as rules; with `placed` false only those whose number the standard gives."""
    _check_class(workmanship_class)
    rules = (criterion.rule(workmanship_class) for criterion in criteria if placed or not criterion.placed)
    return tuple(rule for rule in rules if rule is not None)


def asked_by(finding: str, workmanship_class: int, criteria: Sequence[Criterion] = CRITERIA) -> str:
    """Return the standard that asks for the absence of a finding, or "" where no criterion is known."""
    for criterion in criteria:
        if criterion.finding == finding and criterion.rule(workmanship_class) is not None:
            return criterion.asked(workmanship_class)
    return ""


def criteria_table(criteria: Sequence[Criterion] = CRITERIA) -> list[dict[str, str]]:
    """Return all criteria as rows for a reader: what is asked, the number for each class, source and status."""
    rows = []
    for criterion in criteria:
        unit = MEASURE[criterion.measure].unit
        numbers = ["-" if limit is None else f"{limit:g} {unit}".rstrip() for limit in criterion.limits]
        rows.append(_row(criterion.text, FINDING[criterion.finding].title, f"{criterion.measure} {criterion.side}",
                         numbers, criterion.standard, criterion.clause, criterion.status,
                         [severity_of(criterion.finding, grade) for grade in (1, 2, 3)]))
    for text, values, standard, clause, status in NOT_SEEN:
        rows.append(_row(text, "", "not seen by the camera", list(values), standard, clause, status, [""] * 3))
    return rows


def _row(text: str, finding: str, measure: str, numbers: list[str], standard: str, clause: str, status: str,
         severities: list[str] | list[Severity]) -> dict[str, str]:
    cells = {f"class {grade}": f"{number} ({severity})" if severity not in ("", "defect") else number
             for grade, number, severity in zip((1, 2, 3), numbers, severities, strict=True)}
    return {"criterion": text, "finding": finding, "reject when": measure, **cells, "standard": standard,
            "clause": clause, "status": status}


def _check_class(workmanship_class: int) -> None:
    if workmanship_class not in (1, 2, 3):
        raise MeniscopeError(f"workmanship class: got {workmanship_class!r}, wanted 1, 2 or 3")
