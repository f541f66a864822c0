"""What one graded board is: the plain data that the pipeline hands to records, reports and commands.

Frozen dataclasses of plain Python values, so that an inspection can travel between processes and into any
database or file without help.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from models.rules import Fired, Rule
from models.vocabulary import MEASURE, finding_title, reason_words

#: Findings of what lies beside its joint: they say where on the board it was seen, not where the joint is.
BESIDE: tuple[str, ...] = ("solder_ball", "bridge")


@dataclass(frozen=True)
class PictureFile:
    """One picture that belongs to an inspection."""

    view: str
    exposure: str
    path: str
    sha256: str  # of the file's bytes; empty where it could not be read


@dataclass(frozen=True)
class ViewRegistration:
    """Where the board was found in one view, against its nominal place."""

    view: str
    offset_x_mm: float
    offset_y_mm: float
    rotation_deg: float
    scale: float  # 1 = the station's scale
    residual_mm: float  # RMS distance of the marks from their fitted places
    marks: int  # fiducials, or lands as fallback
    method: str  # "fiducials" or "lands"


@dataclass(frozen=True)
class FoundFinding:
    """One finding at one joint or chip, with the measurement that decided it."""

    finding: str
    verdict: str  # "reject" or "review" (within the guard band), or "indicator" (recorded, verdict unchanged)
    measure: str  # the deciding measurement's name
    value: float
    limit: float
    side: str  # "below" or "above": where the value must lie for the rule to fire
    guard: float
    unit: str
    source: str  # the rule's source
    rule: int  # the rule's index in the limit sheet, from 0
    x_mm: float  # place on the board: of the joint's largest ball, of the middle between the lands that a bridge joins,
    y_mm: float  # else the joint's or chip's place in the family
    other: str = ""  # the neighbour of a bridge, `REF.PIN`
    # The rule's other conditions in words, with what was measured; empty where it has one. Told, not recorded: records
    # hold the sheet and the measurements that it follows from.
    beside: str = field(default="", compare=False)

    @property
    def title(self) -> str:
        """The finding in two or three words, a bridge with its other end."""
        return finding_title(self.finding, self.other)

    @property
    def words(self) -> str:
        """Why it was made, with all that is known of its rule: `coverage 212 deg, needs at least 270 deg`."""
        return reason_words(self.measure, self.value, self.limit, self.side, self.verdict, self.guard, self.beside)


def found_finding(fired: Fired, rule: Rule, x_mm: float, y_mm: float, other: str = "",
                  columns: Mapping[str, NDArray[np.float64]] | None = None) -> FoundFinding:
    """Return what fired at a joint or chip as a finding, at its place on the board; `other` counts for bridges alone.

    `columns` is the table that was judged: it tells what the rule's other conditions found.

    Of a condition with two limits the nearer one is told: the limit that depth and guard were held against, and the
    one that a value in the guard band is near to. The farther one would make `0.24 mm, near the limit 0.31 mm` of a
    value that lies within its guard of 0.25 mm.
    """
    condition = fired.condition
    beside = rule.beside_in_words(condition.measure, {} if columns is None else {
        name: float(values[fired.row]) for name, values in columns.items()}) if len(rule.when) > 1 else ""
    return FoundFinding(rule.finding, fired.verdict, condition.measure, fired.value, fired.limit, fired.side,
                        condition.guard, MEASURE[condition.measure].unit, rule.source, fired.rule, x_mm, y_mm,
                        other if rule.finding == "bridge" else "", beside)


@dataclass(frozen=True)
class JointInspection:
    """One joint: verdict, all its measurements and its findings."""

    ref: str
    pin: str
    view: str
    verdict: str
    x_mm: float
    y_mm: float
    measurements: Mapping[str, float]  # by name of models.vocabulary; NaN where it does not apply
    uncertainties: Mapping[str, float] = field(default_factory=dict)  # standard uncertainties, same names
    findings: tuple[FoundFinding, ...] = ()
    reason: str = ""  # why it is ungraded

    @property
    def name(self) -> str:
        """`REF.PIN`."""
        return f"{self.ref}.{self.pin}"


@dataclass(frozen=True)
class ChipInspection:
    """One chip: verdict, measurements, findings."""

    ref: str
    view: str
    verdict: str
    x_mm: float
    y_mm: float
    measurements: Mapping[str, float]
    findings: tuple[FoundFinding, ...] = ()
    reason: str = ""
    uncertainties: Mapping[str, float] = field(default_factory=dict)  # as of a joint

    @property
    def name(self) -> str:
        """`REF`, the name of a chip as `REF.PIN` is that of a joint."""
        return self.ref


@dataclass(frozen=True)
class Inspection:
    """One board graded once. `reason` says why an ungraded board could not be graded."""

    serial: str
    family: str
    station: str
    verdict: str
    started_at: str  # ISO 8601 with offset, UTC
    seconds: float
    pictures: tuple[PictureFile, ...]
    sheet_hash: str
    program_version: str
    registrations: tuple[ViewRegistration, ...] = ()
    joints: tuple[JointInspection, ...] = ()
    chips: tuple[ChipInspection, ...] = ()
    reason: str = ""
