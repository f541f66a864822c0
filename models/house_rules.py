"""A local file that overrides the workmanship criteria: the shop's or a customer's own numbers.

[[criterion]]
finding = "partial_wetting"
measure = "coverage_deg"
below = [270.0, 300.0, 330.0]    # class 1, 2, 3; "none" where a class does not ask for it
source = "drawing note 7"
guard = 8.0                      # optional
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from models.criteria import CRITERIA, Criterion
from models.errors import InputError, Problem
from models.sheet_check import rule_problems
from models.vocabulary import FINDING, MEASURE

_KEYS = ("finding", "measure", "below", "above", "source", "guard")


def read_house_rules(path: Path | str, criteria: Sequence[Criterion] = CRITERIA) -> tuple[Criterion, ...]:
    """Return the criteria with those of a local file in the place of, or beside, the built-in ones.

    A criterion of the file takes the place of one with the same finding and measurement. Its number stands: training
    does not move it. Raises InputError with every problem.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise InputError([Problem(str(path), "", (error.strerror or str(error)).lower(), "a readable file")]) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError([Problem(str(path), "", f"broken TOML ({error})", "valid TOML in UTF-8")]) from error
    problems = [Problem(str(path), "", f"the key {key!r}", "only [[criterion]] tables")
                for key in data if key != "criterion"]
    items = data.get("criterion", [])
    if not isinstance(items, list) or not items:
        problems.append(Problem(str(path), "criterion", "none", "at least one [[criterion]]"))
        items = []
    own: list[Criterion] = []
    for number, item in enumerate(items, start=1):
        found, wrong = _criterion(item)
        problems += [Problem(str(path), f"criterion {number}{', ' + key if key else ''}", got, wanted)
                     for key, got, wanted in wrong]
        if found is not None:
            own.append(found)
    pairs = [(c.finding, c.measure) for c in own]
    problems += [Problem(str(path), f"{finding}, {measure}", "two criteria", "one")
                 for finding, measure in dict.fromkeys(pairs) if pairs.count((finding, measure)) > 1]
    if problems:
        raise InputError(problems)
    replaced = {(c.finding, c.measure): c for c in own}
    kept = [replaced.pop((c.finding, c.measure), c) for c in criteria]
    return (*kept, *replaced.values())


def _criterion(item: object) -> tuple[Criterion | None, list[tuple[str, str, str]]]:
    """Return the criterion, or None and (key, got, wanted) for everything wrong with it."""
    if not isinstance(item, dict):
        return None, [("", repr(item), "a table")]
    wrong = [(key, "an unknown key", f"the keys {', '.join(_KEYS)}") for key in item if key not in _KEYS]
    for key, known in (("finding", FINDING), ("measure", MEASURE), ("source", None)):
        value = item.get(key)
        if not isinstance(value, str) or not value.strip() or (known is not None and value not in known):
            wrong.append((key, "nothing" if value is None else repr(value),
                          "where the number comes from" if known is None else f"one of {', '.join(known)}"))
    if ("below" in item) == ("above" in item):
        wrong.append(("", "neither below nor above" if "below" not in item else "below and above", "one of the two"))
    side: Literal["below", "above"] = "below" if "below" in item else "above"
    limits = _limits(item.get(side))
    if limits is None:
        wrong.append((side, repr(item.get(side)), 'three numbers for class 1, 2 and 3, or "none" in place of one'))
    guard = item.get("guard", 0.0)
    if isinstance(guard, bool) or not isinstance(guard, int | float) or not math.isfinite(guard) or guard < 0:
        wrong.append(("guard", repr(guard), "0 or a positive number"))
    if wrong or limits is None:
        return None, wrong
    found = _made(item, side, limits, float(guard))
    for grade in (1, 2, 3):
        rule = found.rule(grade)
        if rule is not None:
            wrong += [(f"class {grade}", got, wanted) for _, got, wanted in rule_problems(rule)]
    return (None, wrong) if wrong else (found, [])


def _made(item: Mapping[str, Any], side: Literal["below", "above"],
          limits: tuple[float | None, float | None, float | None], guard: float) -> Criterion:
    return Criterion(item["finding"], item["measure"], side, limits, item["source"].strip(), "", "house rule",
                     f"{FINDING[item['finding']].title}: {MEASURE[item['measure']].text}", guard=guard)


def _limits(value: object) -> tuple[float | None, float | None, float | None] | None:
    if not isinstance(value, list) or len(value) != 3:
        return None
    numbers: list[float | None] = []
    for each in value:
        if each == "none":
            numbers.append(None)
        elif isinstance(each, int | float) and not isinstance(each, bool) and math.isfinite(each):
            numbers.append(float(each))
        else:
            return None
    return numbers[0], numbers[1], numbers[2]
