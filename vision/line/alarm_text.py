"""An alarm in plain words, as a process engineer reads it."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from vision.line.alarm import Alarm, Answer
from vision.line.causes import AGREES
from vision.line.practice import CAUTION, SOURCE

if TYPE_CHECKING:
    from vision.line.watching import Answered

HINTS_SHOWN = 5


def headline(alarm: Alarm) -> str:
    """Return the alarm in one line."""
    return f"{alarm.title[0].upper()}{alarm.title[1:]}, since about board {alarm.since_serial}"


def facts(alarm: Alarm) -> list[tuple[str, str]]:
    """Return (question, answer) pairs: where, since when, how sure, what changed."""
    joints = ", ".join(alarm.joints[:4]) + (" ..." if len(alarm.joints) > 4 else "")
    place = f"{alarm.kind} {alarm.place}".strip()
    where = f"{place}: {len(alarm.joints)} joints ({joints})" if len(alarm.joints) > 1 else place
    if alarm.also:
        where += f"; the same joints as {' and '.join(alarm.also)}, which no picture can tell apart"
    since = f"board {alarm.since_serial}, {moment(alarm.since_at)}"
    if alarm.since_low != alarm.since_high:
        since += f" (90 %: between {alarm.since_low} and {alarm.since_high})"
    later = "1 board" if alarm.boards == 2 else f"{alarm.boards - 1} boards"
    since += f"; noticed {later} later at {alarm.seen_serial}" if alarm.boards > 1 else ""
    sure = f"without drift such an alarm comes at most once in {alarm.false_alarm_boards:,.0f} boards on average"
    return [("where", where), ("how sure of the place", place_words(alarm)), ("since", since), ("how sure", sure),
            *([("board batch", alarm.batch)] if alarm.batch else []),
            ("what changed", "; ".join(change.text for change in alarm.changes) or "nothing else beyond chance")]


def place_words(alarm: Alarm) -> str:
    """Return how much likelier the place is than the next best, in words."""
    if not alarm.next_place:
        return "no other place to choose from"
    ratio = alarm.place_share / max(alarm.next_share, 1e-12)
    if ratio >= 1e4:
        return f"very clear: next best {alarm.next_place}, more than 10,000 times less likely"
    if ratio >= 20:
        return f"clear: next best {alarm.next_place}, {ratio:,.0f} times less likely"
    return f"open: {alarm.next_place} is only {ratio:.1f} times less likely"


def hint_lines(alarm: Alarm, most: int = HINTS_SHOWN) -> list[str]:
    """Return the candidate causes as hints, each with its evidence and the check that tells it from the others."""
    lines = []
    for number, hint in enumerate(alarm.hints[:most], start=1):
        source = f" ({SOURCE})" if hint.source else ""
        word = "perhaps" if hint.standing == AGREES else "possibly"
        lines += [f"{number}. {word}: {hint.text}{source}", f"   {hint.standing}: {hint.evidence}",
                  f"   next check: {hint.check}"]
    return lines


def alarm_lines(alarm: Alarm, width: int = 118) -> list[str]:
    """Return the whole alarm as text lines of at most `width` characters (paths are never broken)."""
    out: list[str] = []
    for line in _long_lines(alarm):
        body = line.lstrip()
        indent = 24 if line.startswith("  ") and not line.startswith("   ") else len(line) - len(body) + 3
        out += textwrap.wrap(line, width, subsequent_indent=" " * indent, break_long_words=False,
                             break_on_hyphens=False) or [""]
    return out


def _long_lines(alarm: Alarm) -> list[str]:
    lines = [f"[{alarm.id}] {headline(alarm)}", f"  {'status':<22}{status_words(alarm)}"]
    lines += [f"  {'answered before':<22}{answer_words(answer)}" for answer in alarm.answers[1:]]
    lines += [f"  {question:<22}{answer}" for question, answer in facts(alarm)]
    shown = [f"{item.serial} {item.joint} ({item.text})" for item in alarm.examples if item.shows == "drift"]
    before = [f"{item.serial} {item.joint} ({item.text})" for item in alarm.examples if item.shows == "before"]
    if shown:
        lines.append(f"  {'look at':<22}{', '.join(shown)}")
        lines += [f"  {'':<22}{path}" for item in alarm.examples[:2] for path in item.pictures[:2]]
    if before:
        lines.append(f"  {'compare with':<22}{', '.join(before)}")
    if alarm.hints:
        lines.append("  what to look at first - hints, not findings:")
        lines.append(f"    caution: {CAUTION}")
        lines += [f"    {line}" for line in hint_lines(alarm)]
    return lines


def status_words(alarm: Alarm) -> str:
    """Return the state of the alarm in words."""
    return "open" if alarm.status == "open" else answer_words(alarm.answers[0])


def answer_words(answer: Answer) -> str:
    """Return an answer in words: who said what and when, with the note."""
    done = {"fixed": "cause removed", "normal": "accepted as the new normal"}[answer.answer]
    return f"{done}, said {answer.by} on {moment(answer.at)}{f': {answer.note}' if answer.note else ''}"


def answered_words(item: Answered) -> str:
    """Return what the boards since an answer can tell: whether a drift that was fixed is gone, or not yet."""
    boards = many(item.boards_since, "board")
    name = f"[{item.alarm}] {item.title}"
    if item.answer == "fixed":
        told = f"{name}: answered as fixed; {boards} since"
        return f"{told}, and no new alarm there" if item.told else (
            f"{told}: whether it is gone cannot be told yet, as the alarm took {many(item.boards_wanted, 'board')} "
            "to be noticed")
    told = f"{name}: answered as normal; {boards} since the change began"
    return f"{told}, and no new alarm there" if item.told else (
        f"{told}: a further drift there cannot be told before the watch knows {item.boards_wanted}")


def many(count: int, noun: str) -> str:
    """Return a count with its noun: `1 board`, `2,000 boards`."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def moment(at: str) -> str:
    """Return an ISO time to the minute: `2026-03-02 07:10 UTC`."""
    return f"{at[:10]} {at[11:16]} UTC" if at else ""
