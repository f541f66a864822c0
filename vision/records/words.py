"""Findings in words, and the order of names that hold numbers."""

from __future__ import annotations

import re

from models.vocabulary import finding_title


def finding_words(finding: str, reason: str, other: str = "") -> str:
    """Return finding and reason: `partial wetting (coverage 212 deg, needs at least 270 deg)`."""
    return f"{finding_title(finding, other)} ({reason})"


def in_order(name: str) -> list[tuple[int, str]]:
    """Return a key that puts J1.2 before J1.10."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", name)]
