"""Findings in words: what was measured, and what the limit asks for."""

from __future__ import annotations

import re

from models.vocabulary import FINDING, MEASURE, decimals_apart, decimals_of, near_words, plain_name
from vision.pipeline.inspection import FoundFinding


def reason_of(found: FoundFinding) -> str:
    """Return why a finding was made, with all that is known of its rule."""
    return reason_words(found.measure, found.value, found.limit, found.side, found.verdict, found.guard, found.beside)


def reason_words(measure: str, value: float, limit: float, side: str, verdict: str = "reject",
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
    asked = near_words(value, limit, wanted, guard, unit.strip()) if verdict == "review" else (
        f"needs at {'least' if side == 'below' else 'most'} {wanted}")
    return f"{name} {got}, {asked}" + (f" where {beside}" if beside else "")


def finding_words(finding: str, reason: str, other: str = "") -> str:
    """Return finding and reason: `partial wetting (coverage 212 deg, needs at least 270 deg)`."""
    known = FINDING.get(finding)
    title = known.title if known is not None else finding.replace("_", " ")
    return f"{title}{f' to {other}' if other else ''} ({reason})"


def in_order(name: str) -> list[tuple[int, str]]:
    """Return a key that puts J1.2 before J1.10."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", name)]
