"""The words of a joint's sheet: verdict and findings at the top, every rule with measured value and limit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from models.explain import ConditionLine, explain
from models.limits import Condition, LimitSheet
from models.rules import INDICATOR
from models.vocabulary import FINDING, MEASURE, MEASURES, UNGRADED, decimals_apart, plain_name
from vision.pipeline.inspection import ChipInspection, FoundFinding, JointInspection
from vision.pipeline.pictures.paper import (
    INK,
    LINE,
    SOFT,
    VERDICT_BGR,
    WHITE,
    Color,
    Paper,
    fitted,
    text_width,
    verdict_shape,
)

PartInspection = JointInspection | ChipInspection
#: The shape beside a rule's outcome is that of the verdict it asks for; an indicator changes none.
SHAPE_OF = {"reject": "reject", "review": "review", "indicator": "ungraded", "clear": "accept"}
_ORDER = ("reject", "review", "indicator", "clear")
LINE_PX, SIZE = 17, 12
MEASURED_AT, LIMIT_AT = 122, 300  # columns, from the table's left edge


@dataclass(frozen=True)
class RuleLines:
    """All conditions of one rule at one part."""

    rule: int
    outcome: str
    lines: tuple[ConditionLine, ...]


def rules_of(part: PartInspection, sheet: LimitSheet) -> list[RuleLines]:
    """Return every rule that touches a part, those that speak against it first, then in the sheet's order."""
    if part.verdict == UNGRADED:
        return []
    joint = isinstance(part, JointInspection)
    stated = part.uncertainties
    grouped: dict[int, list[ConditionLine]] = {}
    for line in explain(sheet, "joint" if joint else "chip", part.measurements, stated).lines:
        grouped.setdefault(line.rule, []).append(line)
    rules = [RuleLines(rule, lines[0].outcome, tuple(lines)) for rule, lines in grouped.items()]
    return sorted(rules, key=lambda each: _ORDER.index(each.outcome))


def table_height(rules: Sequence[RuleLines]) -> int:
    """Return how many px the table of these rules takes."""
    return 24 + sum(LINE_PX * len(rule.lines) + 3 for rule in rules)


def draw_heading(paper: Paper, serial: str, part: PartInspection, details: str, width: int) -> None:
    """Draw verdict, place and findings in words across the top."""
    tone = VERDICT_BGR[part.verdict]
    paper.fill(0, 0, width, 4, tone)
    verdict_shape(paper.canvas, 32.0, 34.0, 13.0, part.verdict)
    paper.text(54, 42, part.verdict, 26, INK, bold=True)
    x = 54 + text_width(part.verdict, 26) + 22
    name = part.name
    paper.text(x, 42, name, 26, INK)
    x += text_width(name, 26) + 12
    paper.text(x, 42, f"board {serial}", 16, SOFT)
    left = max(x + text_width(f"board {serial}", 16) + 36, 470)
    told = _findings_words(part)
    for row, words in enumerate(told[:2]):
        more = f"; and {len(told) - 2} more" if row == 1 and len(told) > 2 else ""
        paper.text(left, (29, 50)[row] if len(told) > 1 else 40, fitted(words + more, 16, width - 16 - left), 16, INK)
    paper.text(18, 70, fitted(details, 12, width - 36), 12, SOFT)


def _findings_words(part: PartInspection) -> list[str]:
    if part.reason:
        return [f"not graded: {part.reason}"]
    if not part.findings:
        return ["nothing was found"]
    return [_finding_words(found) for found in part.findings]


def _finding_words(found: FoundFinding) -> str:
    """Return a finding in words: `partial wetting: coverage 212 deg, needs at least 270 deg`."""
    return f"{found.title}{' (process indicator)' if found.verdict == INDICATOR else ''}: {found.words}"


def draw_table(paper: Paper, rules: Sequence[RuleLines], box: tuple[int, int, int, int]) -> None:
    """Draw the rules into a box (left, top, right, bottom); those that do not fit are counted in the last line."""
    left, top, right, bottom = box
    for x, words in ((20, "rule"), (MEASURED_AT, "measured"), (LIMIT_AT, "fires when")):
        paper.text(left + x, top + 12, words, SIZE, SOFT)
    paper.text(right - 4, top + 12, "outcome", SIZE, SOFT, "rs")
    y = top + 19
    paper.fill(left, y, right, y + 2, LINE)
    y += 3
    for number, rule in enumerate(rules):
        height = LINE_PX * len(rule.lines) + 3
        rest = len(rules) - number
        if y + height > bottom - (LINE_PX if rest > 1 else 0):
            paper.text(left + 20, y + 13, f"and {rest} more rules, see: meniscope limits explain", SIZE, SOFT)
            return
        _draw_rule(paper, rule, left, y, right)
        y += height


def _draw_rule(paper: Paper, rule: RuleLines, left: int, y: int, right: int) -> None:
    height = LINE_PX * len(rule.lines) + 3
    shape = SHAPE_OF[rule.outcome]
    tone = VERDICT_BGR[shape]
    if rule.outcome != "clear":
        paper.fill(left, y, right, y + height - 1, _tint(tone))
    verdict_shape(paper.canvas, left + 9.0, y + 9.5, 5.0 if rule.outcome != "clear" else 4.0, shape)
    paper.text(left + 20, y + 13, fitted(FINDING[rule.lines[0].finding].title, SIZE, MEASURED_AT - 24), SIZE, INK)
    paper.text(right - 4, y + 13, rule.outcome, SIZE, INK if rule.outcome != "clear" else SOFT, "rs",
               rule.outcome != "clear")
    room = right - 8 - text_width("indicator", SIZE) - left - LIMIT_AT
    for row, line in enumerate(rule.lines):
        base = y + 13 + LINE_PX * row
        paper.text(left + MEASURED_AT, base, fitted(measured_words(line), SIZE, LIMIT_AT - MEASURED_AT - 6), SIZE, INK,
                   "ls", line.decides)
        paper.text(left + LIMIT_AT, base, fitted(limit_words(line.condition), SIZE, room), SIZE, INK)
    paper.fill(left, y + height - 2, right, y + height - 1, LINE)


def measured_words(line: ConditionLine) -> str:
    """Return a measured value with its standard uncertainty where it is stated: `coverage 212 ± 4 deg`."""
    measure = line.condition.measure
    if math.isnan(line.value):
        return f"{plain_name(measure)}: does not apply"
    decimals = MEASURE[measure].decimals
    for limit in (line.condition.below, line.condition.above):
        if limit is not None:
            decimals = decimals_apart(line.value, limit, decimals)
    return _value_words(measure, line.value, line.uncertainty, decimals)


def _value_words(measure: str, value: float, uncertainty: float, decimals: int) -> str:
    known = MEASURE[measure]
    spread = f" ± {uncertainty:.{max(known.decimals, 1)}f}" if uncertainty > 0 else ""
    return f"{plain_name(measure)} {value:.{decimals}f}{spread} {known.unit}".rstrip()


def limit_words(condition: Condition) -> str:
    """Return when a condition fires and how far its guard band reaches: `below 270 deg, guard 8 deg`."""
    unit = MEASURE[condition.measure].unit
    sides = [f"{side} {limit:g}" for side, limit in (("above", condition.above), ("below", condition.below))
             if limit is not None]
    words = f"{' and '.join(sides)} {unit}".rstrip()
    return f"{words}, guard {condition.guard:.2g} {unit}".rstrip() if condition.guard > 0 else words


def draw_rest(paper: Paper, part: PartInspection, rules: Sequence[RuleLines],
              box: tuple[int, int, int, int]) -> int:
    """Draw the measurements that no rule asks for, as far as there is room; return where they end."""
    left, top, _, bottom = box
    asked = {line.condition.measure for rule in rules for line in rule.lines}
    stated: Mapping[str, float] = part.uncertainties
    told = [_value_words(known.name, part.measurements[known.name], stated.get(known.name, math.nan), known.decimals)
            for known in MEASURES
            if known.name not in asked and math.isfinite(part.measurements.get(known.name, math.nan))]
    rows = (len(told) + 1) // 2
    if not told or bottom - top < LINE_PX * (rows + 1):
        return top
    paper.text(left + 20, top + 12, "measured as well", SIZE, SOFT)
    for number, words in enumerate(told):
        x, y = left + 20 + (number % 2) * 186, top + 12 + LINE_PX * (1 + number // 2)
        paper.text(x, y, fitted(words, SIZE, 186), SIZE, INK)
    return top + 16 + LINE_PX * rows


def draw_help(paper: Paper, words: Sequence[str], box: tuple[int, int, int, int]) -> None:
    """Write some lines that say how to read the pictures at the lower end of a box, if it has room for all."""
    left, top, _, bottom = box
    if bottom - top < LINE_PX * (len(words) + 1) + 10:
        return
    y = bottom - LINE_PX * len(words)
    paper.text(left + 20, y, "how to read the pictures", SIZE, SOFT)
    for number, line in enumerate(words, start=1):
        paper.text(left + 20, y + LINE_PX * number, line, SIZE, INK)


def _tint(color: Color) -> Color:
    blue, green, red = (round(0.16 * tone + 0.84 * white) for tone, white in zip(color, WHITE, strict=True))
    return blue, green, red
