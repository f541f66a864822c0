"""Rules of limit sheets as rows: in words for a reader, and as data for a program."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from models.vocabulary import MEASURE

if TYPE_CHECKING:
    from models.criteria import Criterion
    from models.edit import Difference
    from models.limits import LimitSheet, Rule


def rule_rows(sheet: LimitSheet) -> list[dict[str, Any]]:
    """Return one row a rule; `conditions` is for programs, the other cells are for readers as well."""
    rows = []
    for number, rule in enumerate(sheet.rules, start=1):
        evidence = rule.evidence
        rows.append({"rule": number, "finding": rule.finding, "when": rule.in_words(), "guard": guards_text(rule),
                     "indicator": rule.indicator, "defects": evidence.defects if evidence else None,
                     "escapes": evidence.escapes if evidence else None, "good": evidence.good if evidence else None,
                     "false_calls": evidence.false_calls if evidence else None, "source": rule.source,
                     "conditions": conditions(rule)})
    return rows


def guards_text(rule: Rule) -> str:
    """Return the guard bands of a rule's conditions: `8 deg`, `0.1 and none`."""
    return " and ".join(f"{c.guard:g} {MEASURE[c.measure].unit}".rstrip() if c.guard else "none" for c in rule.when)


def conditions(rule: Rule | None) -> list[dict[str, Any]]:
    """Return a rule's conditions as a limit sheet holds them: measure, below or above or both, and guard."""
    return [] if rule is None else [
        {"measure": c.measure,
         **{side: limit for side, limit in (("below", c.below), ("above", c.above)) if limit is not None},
         "guard": c.guard} for c in rule.when]


def criteria_rows(criteria: Sequence[Criterion]) -> list[dict[str, Any]]:
    """Return the reader's table of criteria; `conditions` says for each class what a rule of it holds."""
    from models.criteria import criteria_table

    table: list[dict[str, Any]] = [dict(row) for row in criteria_table(criteria)]
    for place, row in enumerate(table):  # after the criteria follow those that the camera does not see
        seen = criteria[place:place + 1]
        row["conditions"] = [{"workmanship_class": grade} | condition for criterion in seen for grade in (1, 2, 3)
                             for condition in conditions(criterion.rule(grade))]
    return table


def difference_rows(found: Sequence[Difference]) -> list[dict[str, Any]]:
    """Return one row a difference of two sheets, with both rules' conditions; none where it is not about rules."""
    return [{"what": item.what, "finding": item.finding, "before": item.before, "after": item.after,
             "conditions_before": conditions(item.old), "conditions_after": conditions(item.new)} for item in found]
