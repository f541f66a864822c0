"""Whether the rules of a limit sheet make sense: known words, limits that can be reached, no contradictions."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from models.criteria import CRITERIA
from models.errors import Problem
from models.rules import Condition, LimitSheet, Rule
from models.vocabulary import FINDING, MEASURE, plain_name, with_unit

#: Longest text of a source or a note, and most rules and conditions: beyond them a sheet is no longer readable.
MAX_TEXT, MAX_RULES, MAX_CONDITIONS = 2000, 200, 6

#: Where a measurement's range is not that of its unit.
_POSSIBLE: dict[str, tuple[float, float]] = {
    "shift_along_mm": (-math.inf, math.inf), "shift_across_mm": (-math.inf, math.inf), "turn_deg": (-180.0, 180.0),
    "wetting_angle_deg": (0.0, 180.0), "convexity": (-1.0, 1.0), "ball_count": (0.0, math.inf),
    "body_cover_pct": (0.0, math.inf),  # against the nominal area, so more than all of it is possible
}


def possible(measure: str) -> tuple[float, float]:
    """Return the least and the greatest value that a measurement can have."""
    by_unit = {"deg": (0.0, 360.0), "%": (0.0, 100.0), "mm": (0.0, math.inf), "": (0.0, 1.0)}
    return _POSSIBLE.get(measure, by_unit[MEASURE[measure].unit])


def sheet_problems(sheet: LimitSheet, file: str, lines: Sequence[int] = ()) -> list[Problem]:
    """Return everything wrong with a sheet: unknown words, and rules that are unreachable or contradict each other.

    `lines` may hold the line of the file where each rule begins.
    """
    def at(number: int, inside: str = "") -> str:
        line = f" (line {lines[number]})" if number < len(lines) else ""
        return f"rule {number + 1}{line}{', ' + inside if inside else ''}"

    problems: list[Problem] = []
    if sheet.workmanship_class not in (1, 2, 3):
        problems.append(Problem(file, "workmanship_class", repr(sheet.workmanship_class), "1, 2 or 3"))
    if not sheet.rules:
        problems.append(Problem(file, "rule", "no rules", "at least one [[rule]], or every board would be accepted"))
    if len(sheet.rules) > MAX_RULES:
        problems.append(Problem(file, "rule", f"{len(sheet.rules)} rules", f"at most {MAX_RULES}"))
    sound: list[int] = []
    for number, rule in enumerate(sheet.rules):
        found = rule_problems(rule)
        problems += [Problem(file, at(number, inside), got, wanted) for inside, got, wanted in found]
        if not found:
            sound.append(number)
    for number, other in _shadowed(sheet.rules, sound):
        problems.append(Problem(
            file, at(number), f"a rule that never decides: {at(other)} answers whenever it would "
            f"({sheet.rules[other].in_words()})", "a rule that adds something; delete it or change its limits"))
    problems += _nothing_accepted(sheet.rules, sound, file, at)
    return problems


def rule_problems(rule: Rule) -> list[tuple[str, str, str]]:
    """Return (place inside the rule, got, wanted) for everything wrong with one rule by itself."""
    problems: list[tuple[str, str, str]] = []
    if rule.finding not in FINDING:
        problems.append(("finding", repr(rule.finding), suggest(rule.finding, FINDING)))
    if not rule.source.strip():
        problems.append(("source", "nothing", "where the rule comes from, for example \"learned\""))
    if not rule.when:
        problems.append(("when", "no conditions", "at least one, or every joint would be rejected"))
    if len(rule.when) > MAX_CONDITIONS:
        problems.append(("when", f"{len(rule.when)} conditions", f"at most {MAX_CONDITIONS}"))
    alone = len(rule.when) == 1 and not rule.indicator
    for number, condition in enumerate(rule.when, start=1):
        inside = f"when.{number}"
        if condition.measure not in MEASURE:
            problems.append((f"{inside}.measure", repr(condition.measure), suggest(condition.measure, MEASURE)))
            continue
        if rule.finding in FINDING and MEASURE[condition.measure].part != rule.part:
            problems.append((f"{inside}.measure",
                             f"{condition.measure}, measured on a {MEASURE[condition.measure].part}",
                             f"a measurement of a {rule.part}, because {rule.finding} is found on a {rule.part}"))
        problems += [(f"{inside}{key}", got, wanted) for key, got, wanted in _condition_problems(condition, alone)]
    return problems + _repeated(rule)


def _condition_problems(condition: Condition, alone: bool) -> list[tuple[str, str, str]]:
    """Return (key, got, wanted) for one condition; `alone` when it decides by itself that a joint is rejected."""
    low, high = possible(condition.measure)
    below, above, guard = condition.below, condition.above, condition.guard
    if below is None and above is None:
        return [("", "no limit", "below = ... or above = ...")]
    problems: list[tuple[str, str, str]] = []
    name = condition.measure
    for key, limit in (("below", below), ("above", above)):
        if limit is None:
            continue
        if not math.isfinite(limit):
            problems.append((f".{key}", repr(limit), "a finite number"))
        elif key == "below" and limit <= low:
            problems.append((f".{key}", f"{limit:g}, which is unreachable: {name} is never below {low:g}",
                             f"a limit above {low:g}" + _up_to(high)))
        elif key == "above" and limit >= high:
            problems.append((f".{key}", f"{limit:g}, which is unreachable: {name} is never above {high:g}",
                             f"a limit below {high:g}"))
        elif not low <= limit <= high:
            problems.append((f".{key}", f"{limit:g}, which every value of {name} meets",
                             f"a limit from {low:g}{_up_to(high)}"))
    if not math.isfinite(guard) or guard < 0:
        problems.append((".guard", repr(guard), "0 or a positive number"))
    if below is not None and above is not None and above >= below:
        problems.append(("", f"{name} above {above:g} and below {below:g} at once, a contradiction",
                         "above smaller than below"))
    if not problems and alone and (
            (below is not None and above is None and below + guard > high * (1 + 1e-12))
            or (above is not None and below is None and above - guard < low - 1e-12)):
        edge = high if above is None else low
        limit = below if below is not None else above
        assert limit is not None
        problems.append((".guard", f"{guard:g}: with it even the best {plain_name(name)} ({with_unit(name, edge)}) "
                         "is sent to review", f"a guard of at most {abs(edge - limit):g}, or another limit"))
    return problems


def laxer_rules(sheet: LimitSheet, file: str) -> list[Problem]:
    """Return a caution for every rule that names a class and asks for less than the criteria of that class.

    A number that training has placed is none: there the standard gives no number. Nor is a house rule, which stands
    in the place of the criterion, or a rule beside one that asks for as much as the class does.
    """
    cautions = []
    for number, rule in enumerate(sheet.rules, start=1):
        named = re.search(r"workmanship class ([123])", rule.source)
        if named is None or "house rule" in rule.source:
            continue
        for criterion in CRITERIA:
            asked = criterion.rule(int(named.group(1)))
            if asked is None or asked.finding != rule.finding or (
                    criterion.placed and "learned" in rule.source) or all(
                    criterion.measure != condition.measure for condition in rule.when) or any(
                    implies(_unguarded(asked), _unguarded(other)) for other in sheet.rules):
                continue
            got = rule.in_words() + (", a process indicator" if rule.indicator and not asked.indicator else "")
            cautions.append(Problem(file, f"rule {number}", f"{got}, laxer than workmanship class {named.group(1)}",
                                    f"{asked.in_words()} ({asked.source.partition(': ')[2]}), unless less is meant to "
                                    "be asked for"))
    return cautions


def _unguarded(rule: Rule) -> Rule:
    return replace(rule, when=tuple(replace(condition, guard=0.0) for condition in rule.when))


def _repeated(rule: Rule) -> list[tuple[str, str, str]]:
    """Return problems of measurements that stand in more than one condition of a rule."""
    problems = []
    for measure in dict.fromkeys(c.measure for c in rule.when):
        same = [c for c in rule.when if c.measure == measure]
        if len(same) < 2:
            continue
        below = min((c.below for c in same if c.below is not None), default=math.inf)
        above = max((c.above for c in same if c.above is not None), default=-math.inf)
        if above >= below:
            problems.append(("when", f"{measure} above {above:g} and below {below:g} at once, a contradiction: "
                             "the rule can never fire", "conditions that can hold together"))
        else:
            problems.append(("when", f"{measure} {len(same)} times",
                             "one condition a measurement, with below, above or both"))
    return problems


def implies(first: Rule, second: Rule) -> bool:
    """Return whether `second` answers at least as strongly wherever `first` fires or asks for review."""
    if second.finding != first.finding or (second.indicator and not first.indicator):
        return False
    by_measure = {condition.measure: condition for condition in first.when}
    for loose in second.when:
        tight = by_measure.get(loose.measure)
        if tight is None:
            return False
        if loose.below is not None and (
                tight.below is None or tight.below > loose.below
                or (not first.indicator and tight.below + tight.guard > loose.below + loose.guard + 1e-9)):
            return False
        if loose.above is not None and (
                tight.above is None or tight.above < loose.above
                or (not first.indicator and tight.above - tight.guard < loose.above - loose.guard - 1e-9)):
            return False
    return True


def _shadowed(rules: Sequence[Rule], sound: Sequence[int]) -> list[tuple[int, int]]:
    """Return (rule, the rule that always answers before it); of two equal rules the later one is named."""
    pairs = []
    for number in sound:
        for other in sound:
            if other != number and implies(rules[number], rules[other]) and (
                    other < number or not implies(rules[other], rules[number])):
                pairs.append((number, other))
                break
    return pairs


def _nothing_accepted(rules: Sequence[Rule], sound: Sequence[int], file: str,
                      at: Callable[[int], str]) -> list[Problem]:
    """Return a problem for every measurement whose one-condition rules leave no value that is accepted."""
    problems = []
    single = [(n, rules[n].when[0]) for n in sound if len(rules[n].when) == 1 and not rules[n].indicator]
    for measure in dict.fromkeys(condition.measure for _, condition in single):
        floors = [(c.below + c.guard, n) for n, c in single
                  if c.measure == measure and c.below is not None and c.above is None]
        ceilings = [(c.above - c.guard, n) for n, c in single
                    if c.measure == measure and c.above is not None and c.below is None]
        if floors and ceilings and max(floors)[0] > min(ceilings)[0] + 1e-9:
            floor, ceiling = max(floors), min(ceilings)
            problems.append(Problem(
                file, f"{at(ceiling[1])} and {at(floor[1])}", f"a contradiction: no value of {measure} is accepted "
                f"(all below {floor[0]:g} and all above {ceiling[0]:g} are not, guard bands counted)",
                "limits that leave room for good joints"))
    return problems


def suggest(word: object, known: Iterable[str]) -> str:
    """Return what was wanted in the place of a word that is not known: the name most like it, or all of them."""
    names = list(known)
    near = difflib.get_close_matches(str(word), names, n=1)
    return f"a known name; did you mean {near[0]}?" if near else f"one of {', '.join(names)}"


def _up_to(high: float) -> str:
    return "" if math.isinf(high) else f" up to {high:g}"
