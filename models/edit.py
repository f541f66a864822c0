"""Changing a limit, and what the change would have done on joints that are known."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.criteria import CRITERIA, severity_of
from models.errors import MeniscopeError
from models.limits import Judgement, LimitSheet, Rule, judge, parse_limits
from models.rules import Floats
from models.table import LabelledTable
from models.train import with_evidence
from models.vocabulary import ACCEPT, MEASURE, REJECT, Part, finding_title, limit_text, reason_words

#: Sources of rules that are a class's own, or were: by this program, and by older ones that only added the last words.
_OF_CLASS = re.compile(r"workmanship class ([123]): (.+?)(; set by hand)?")
_SET_BESIDE_CLASS = re.compile(r"set by hand; workmanship class ([123]) (asks for|has) (.+?) \((.+)\)")


def with_limit(sheet: LimitSheet, rule: int, measure: str = "", *, limit: float | None = None,
               guard: float | None = None) -> LimitSheet:
    """Return the sheet with the limit or the guard band of one condition changed; its evidence is dropped.

    `rule` counts from 1, as the sheet is shown. `measure` may be left out where the rule has one condition. The source
    says that a person set the limit, and of a rule of a class what the class asks for instead; back at that number it
    is the class's rule again.
    """
    if not 1 <= rule <= len(sheet.rules):
        raise MeniscopeError(f"limit sheet: got rule {rule}, wanted a number from 1 to {len(sheet.rules)}; "
                             "`meniscope limits show` numbers them")
    old = sheet.rules[rule - 1]
    measures = [condition.measure for condition in old.when]
    if not measure and len(measures) > 1:
        raise MeniscopeError(f"limit sheet: rule {rule} has {len(measures)} conditions, wanted the measurement to "
                             f"change, one of {', '.join(measures)}")
    if measure and measure not in measures:
        raise MeniscopeError(f"limit sheet: rule {rule} has no condition on {measure}, wanted one of "
                             f"{', '.join(measures)}")
    if limit is None and guard is None:
        raise MeniscopeError("limit sheet: got neither a limit nor a guard band to set")
    place = measures.index(measure) if measure else 0
    condition = old.when[place]
    if limit is not None:
        if condition.below is not None and condition.above is not None:
            raise MeniscopeError(f"limit sheet: rule {rule} has two limits on {condition.measure}; edit the file and "
                                 "run `meniscope limits check` on it")
        condition = replace(condition, below=limit) if condition.below is not None else replace(condition, above=limit)
    if guard is not None:
        condition = replace(condition, guard=guard)
    changed = replace(old, when=(*old.when[:place], condition, *old.when[place + 1:]), evidence=None)
    if limit is not None:
        changed = replace(changed, source=_source_by_hand(old, changed))
    return replace(sheet, rules=(*sheet.rules[:rule - 1], changed, *sheet.rules[rule:]))


def _source_by_hand(old: Rule, new: Rule) -> str:
    """Return where a rule comes from whose limit a person has set.

    A class's name stays on the class's own number alone: beside any other one stands what the class asks for.
    """
    set_before = _SET_BESIDE_CLASS.fullmatch(old.source)
    named = _OF_CLASS.fullmatch(old.source)
    if set_before is not None:
        grade, verb, asked, reference = set_before.groups()
    elif named is not None:
        grade, reference, marked = named.groups()
        known = next((rule for c in CRITERIA if (rule := c.rule(int(grade))) is not None and rule.finding == old.finding
                      and rule.source == f"workmanship class {grade}: {reference}"), None)
        if known is None and marked:  # a house rule's number, lost when it was set by hand
            return old.source
        verb, asked = _asked(old if known is None else known)
    else:
        return old.source if old.source.endswith("set by hand") else f"{old.source}; set by hand"
    if _asked(new) == (verb, asked):
        return f"workmanship class {grade}: {reference}"
    return f"set by hand; workmanship class {grade} {verb} {asked} ({reference})"


def _asked(rule: Rule) -> tuple[str, str]:
    """Return what a class's rule asks for: a verb and `75 %`, or all conditions where there are several."""
    only = rule.when[0]
    limit = only.below if only.above is None else only.above
    if len(rule.when) > 1 or limit is None or (only.below is not None and only.above is not None):
        return "has", rule.in_words()
    return "asks for", limit_text(only.measure, limit)


def with_new_evidence(sheet: LimitSheet, table: LabelledTable) -> LimitSheet:
    """Return the sheet with the evidence of all rules for this kind of part counted anew on a table."""
    mine = [rule for rule in sheet.rules if rule.part == table.part]
    counted = iter(with_evidence(mine, table))
    return replace(sheet, rules=tuple(next(counted) if rule.part == table.part else rule for rule in sheet.rules))


#: What a flip does to the counts: only clear rows count, and only where acceptance or rejection comes or goes.
ESCAPE, ESCAPE_GONE, FALSE_CALL, FALSE_CALL_GONE = "escape", "escape no more", "false call", "false call no more"


@dataclass(frozen=True)
class Flip:
    """One joint whose verdict another sheet changes."""

    board: str
    name: str
    before: str
    after: str
    truth: str  # its true findings, "good", or "" where nothing is known
    why: str  # what decides under the stricter of the two sheets, and what asks for review under the other
    marginal: bool = False  # both verdicts can be defended: it counts as neither escape nor false call
    counts: str = ""  # "escape", "false call", either with "no more", or "" where it changes no count


@dataclass(frozen=True)
class Effect:
    """What another sheet does to some joints or chips."""

    parts: int  # joints, or chips
    before: Counter[str]  # verdicts
    after: Counter[str]
    escapes_before: int | None  # None where no truth is known
    escapes_after: int | None
    false_calls_before: int | None
    false_calls_after: int | None
    flips: tuple[Flip, ...]
    marginal: int = 0  # parts that count as neither escape nor false call


def effect(old: LimitSheet, new: LimitSheet, part: Part, columns: Mapping[str, Floats], boards: Sequence[str],
           names: Sequence[str], truth: Sequence[tuple[str, ...]] | None = None,
           marginal: Sequence[bool] | None = None) -> Effect:
    """Return which joints flip when `new` takes the place of `old`, and how escapes and false calls change.

    `truth` holds the true findings of each row (empty = good); without it only verdicts are compared. Marginal rows
    flip too but count neither as escape nor as false call.
    """
    first, second = judge(old, part, columns), judge(new, part, columns)
    reasons = _reasons(old, first, columns), _reasons(new, second, columns)
    rows = range(len(first.verdicts))
    unclear = [False] * len(rows) if marginal is None or truth is None else list(marginal)
    defect, good = [False] * len(rows), [False] * len(rows)
    if truth is not None:
        defect = [not unclear[row] and any(severity_of(f, new.workmanship_class) == "defect" for f in truth[row])
                  for row in rows]
        good = [not unclear[row] and not truth[row] for row in rows]
    flips = tuple(
        Flip(boards[row], names[row], before, after, "" if truth is None else " ".join(truth[row]) or "good",
             _why(before, after, reasons[0].get(row, ""), reasons[1].get(row, "")), bool(unclear[row]),
             _counts(before, after, defect[row], good[row]))
        for row, (before, after) in enumerate(zip(first.verdicts, second.verdicts, strict=True)) if before != after)

    def count(judgement: Judgement, word: str, wanted: Sequence[bool]) -> int | None:
        return None if truth is None else sum(
            v == word and w for v, w in zip(judgement.verdicts, wanted, strict=True))

    return Effect(len(rows), Counter(first.verdicts), Counter(second.verdicts), count(first, ACCEPT, defect),
                  count(second, ACCEPT, defect), count(first, REJECT, good), count(second, REJECT, good), flips,
                  sum(map(bool, unclear)))


def _reasons(sheet: LimitSheet, judgement: Judgement, columns: Mapping[str, Floats]) -> dict[int, str]:
    """Return why each row that is not accepted is not: the first rule of its verdict, in words; no indicator's."""
    reasons: dict[int, str] = {}
    for item in judgement.fired:
        if item.verdict != judgement.verdicts[item.row] or item.row in reasons:
            continue
        rule, measure = sheet.rules[item.rule], item.condition.measure
        beside = rule.beside_in_words(measure, {name: float(values[item.row]) for name, values in columns.items()}
                                      ) if len(rule.when) > 1 else ""
        words = reason_words(measure, item.value, item.limit, item.side, item.verdict, item.condition.guard, beside)
        reasons[item.row] = f"{finding_title(rule.finding)}: {words}"
    return reasons


def _why(before: str, after: str, reason_before: str, reason_after: str) -> str:
    """Return what decides under the stricter sheet; where the other one asks for review, what does so there too."""
    if ACCEPT in {before, after}:
        return reason_after or reason_before
    strict, lax, word = (reason_before, reason_after, "then") if before == REJECT else (
        reason_after, reason_before, "before")
    measured, _, near = lax.partition(", ")
    return f"{strict}, {word} {near}" if strict.startswith(f"{measured}, ") else f"{strict}; {word} {lax}"


def _counts(before: str, after: str, defect: bool, good: bool) -> str:
    """Return what a flip does to the counts of escapes (a defect accepted) and false calls (a good one rejected)."""
    if defect and ACCEPT in (before, after):
        return ESCAPE if after == ACCEPT else ESCAPE_GONE
    if good and REJECT in (before, after):
        return FALSE_CALL if after == REJECT else FALSE_CALL_GONE
    return ""


def table_effect(old: LimitSheet, new: LimitSheet, table: LabelledTable) -> Effect:
    """Return the effect on a labelled table."""
    names = table.names or tuple(f"row {row + 1}" for row in range(len(table)))
    return effect(old, new, table.part, table.columns, table.boards, names, table.findings,
                  np.asarray(table.marginal, dtype=bool).tolist())


@dataclass(frozen=True)
class Difference:
    """One difference between two sheets."""

    what: str  # "added", "removed" or "changed"
    finding: str
    before: str
    after: str
    old: Rule | None = None  # the rules themselves; None where the difference is none of rules, or there is no such one
    new: Rule | None = None


def differences(old: LimitSheet, new: LimitSheet) -> list[Difference]:
    """Return the differences of two sheets, rule by rule; order and evidence do not count.

    Rules of equal finding on equal measurements are taken for the same rule with other limits.
    """
    found: list[Difference] = []
    for name, before, after in (("family", old.family, new.family),
                                ("workmanship class", old.workmanship_class, new.workmanship_class)):
        if before != after:
            found.append(Difference("changed", name, str(before), str(after)))
    left, right = list(old.rules), list(new.rules)
    for key in (_exact_key, _key):
        for rule in list(left):
            partner = next((other for other in right if key(other) == key(rule)), None)
            if partner is None:
                continue
            left.remove(rule)
            right.remove(partner)
            if _text(rule) != _text(partner):
                found.append(Difference("changed", rule.finding, _text(rule), _text(partner), rule, partner))
    found += [Difference("removed", rule.finding, _text(rule), "", rule) for rule in left]
    found += [Difference("added", rule.finding, "", _text(rule), None, rule) for rule in right]
    return found


def _exact_key(rule: Rule) -> object:
    return rule.finding, rule.when, rule.indicator


def _key(rule: Rule) -> object:
    return rule.finding, tuple((c.measure, c.below is None, c.above is None) for c in rule.when)


def _text(rule: Rule) -> str:
    guards = "" if not any(condition.guard for condition in rule.when) else " and ".join(
        f"{condition.guard:g} {MEASURE[condition.measure].unit}".rstrip() if condition.guard else "none"
        for condition in rule.when)
    words = [rule.in_words(), f"guard {guards}" if guards else "", "process indicator" if rule.indicator else "",
             rule.source]
    return "; ".join(word for word in words if word)


def edited_text(text: str, new: LimitSheet, file: str = "limit sheet") -> str | None:
    """Return the file's own text with only the changed conditions, evidence and sources of `new` in it.

    Comments and layout that a person wrote stay. None where the text cannot be changed that simply (a rule spread in
    an unusual way); then the whole sheet must be written anew.
    """
    from models.limits import sheet_text

    starts = [match.start() for match in re.finditer(r"^[ \t]*\[\[[ \t]*rule[ \t]*\]\]", text, re.MULTILINE)]
    fresh = [match.start() for match in re.finditer(r"^\[\[rule\]\]", sheet_text(new), re.MULTILINE)]
    old = parse_limits(text, file)
    if len(starts) != len(old.rules) or len(starts) != len(new.rules):
        return None
    wanted = sheet_text(new)
    result = text[:starts[0]] if starts else text
    for number, start in enumerate(starts):
        block = text[start:starts[number + 1] if number + 1 < len(starts) else len(text)]
        if old.rules[number] != new.rules[number]:
            lines = wanted[fresh[number]:fresh[number + 1] if number + 1 < len(fresh) else len(wanted)].splitlines()
            for key in ("source", "when", "evidence"):
                line = next((each for each in lines if each.startswith(f"{key} = ")), None)
                block = _with_line(block, key, line)
        result += block
    try:
        return result if parse_limits(result, file) == new else None
    except MeniscopeError:
        return None


def _with_line(block: str, key: str, line: str | None) -> str:
    """Replace, add or drop the one-line entry `key = ...` of a rule; a comment at its end stays."""
    pattern = re.compile(rf"^([ \t]*){key}[ \t]*=[ \t]*([^\n#]*(?:\"[^\"\n]*\"[^\n#]*)*)(#[^\n]*)?\n?", re.MULTILINE)
    match = pattern.search(block)
    if match is None:
        return block if line is None else block.rstrip("\n") + f"\n{line}\n" + "\n" * (block.endswith("\n\n"))
    comment = f"  {match.group(3)}" if match.group(3) else ""
    fresh = "" if line is None else f"{match.group(1)}{line}{comment}\n"
    return block[:match.start()] + fresh + block[match.end():]
