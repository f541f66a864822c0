"""The limit sheets that recorded boards were judged by, for what a finding's own columns do not tell of its rule."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache

from sqlalchemy import Connection, select

from models.errors import MeniscopeError
from models.limits import Rule, parse_limits
from vision.records.schema import SheetRow

Rules = tuple[Rule, ...]


def recorded_rules(connection: Connection, sheet_ids: Collection[int] | None = None) -> dict[int, Rules]:
    """Return the rules of the sheets with these keys, or of all sheets of the records, by key."""
    query = select(SheetRow.id, SheetRow.content)
    if sheet_ids is not None:
        query = query.where(SheetRow.id.in_(sheet_ids))
    return {int(key): _rules_of(content) for key, content in connection.execute(query)}


@lru_cache(maxsize=256)
def _rules_of(content: str) -> Rules:
    """Return the rules of a sheet; none where it cannot be read, which `verify` tells."""
    try:
        return parse_limits(content, "limit sheet").rules
    except MeniscopeError:
        return ()


def measures_beside(rules: Mapping[int, Rules], known: Sequence[str]) -> list[str]:
    """Return those of the known measurements that rules with several conditions ask for."""
    asked = {condition.measure for each in rules.values() for rule in each if len(rule.when) > 1
             for condition in rule.when}
    return [name for name in known if name in asked]


def beside_words(rules: Rules, number: int, finding: str, measure: str, values: Mapping[str, float | None]) -> str:
    """Return the other conditions of a finding's rule in words, with what was measured beside.

    Empty where the rule has one condition, or where the sheet's rule of this number is not the finding's (records may
    be damaged).
    """
    rule = rules[number] if 0 <= number < len(rules) else None
    if rule is None or rule.finding != finding or len(rule.when) < 2 or all(
            condition.measure != measure for condition in rule.when):
        return ""
    return rule.beside_in_words(measure, {name: value for name, value in values.items() if value is not None})
