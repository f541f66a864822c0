"""The report as one HTML file: everything inside, no script, no outside asset."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from vision import __version__
from vision.line import plots
from vision.line.alarm_text import (
    answer_words,
    answered_words,
    facts,
    headline,
    many,
    place_words,
    status_words,
)
from vision.line.causes import AGREES
from vision.line.heat_map import heat_map
from vision.line.practice import CAUTION
from vision.line.report import JointRow, Report, Waits, share_text
from vision.line.watching import Answered, Glance
from vision.setup.family import SIDE_WORDS

WORST_JOINTS = 12
HINTS_ON_PAGE = 6


def report_page(report: Report) -> str:
    """Return the report as HTML text."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files("vision.line").joinpath("report.html").read_text(encoding="utf-8"))
    families = sorted({row.family for row in report.joints})
    sides = {seen.family: seen for seen in report.seen}
    maps = [(family, SIDE_WORDS[sides[family].seen_from],
             Markup(heat_map([row for row in report.joints if row.family == family], sides[family])))
            for family in families]
    starts = [(alarm.since_serial, alarm.id) for alarm in report.alarms]
    shown: dict[str, Any] = {
        "report": report, "figures": _figures(report), "version": __version__, "agrees": AGREES,
        "alarms": [(alarm, headline(alarm), facts(alarm), place_words(alarm), status_words(alarm),
                    [answer_words(answer) for answer in alarm.answers[1:]],
                    alarm.hints[:HINTS_ON_PAGE]) for alarm in report.alarms],
        "maps": maps, "pareto": Markup(plots.pareto_plot(report.findings)) if report.findings else "",
        "count_charts": [(item, Markup(plots.count_plot(item))) for item in report.count_charts],
        "measure_charts": [(item, Markup(plots.measure_plot(item, starts))) for item in report.measure_charts],
        "drift": drift_lines(report), "words": count_words(report), "caution": CAUTION, "worst": worst_joints(report),
        "period": period(report)}
    return template.render(shown)


def worst_joints(report: Report, most: int = WORST_JOINTS) -> list[JointRow]:
    """Return the joints above the rest, the worst first; where none is, those with most calls."""
    above = [row for row in report.joints if row.calls and row.q_value <= 0.05]
    chosen = above or [row for row in report.joints if row.calls]
    return sorted(chosen, key=lambda row: (-row.dpmo, row.joint))[:most]


def period(report: Report) -> str:
    """Return the period in words."""
    if not report.boards:
        return "no boards"
    return f"{report.since[:16].replace('T', ' ')} to {report.until[:16].replace('T', ' ')} UTC"


def drift_lines(report: Report) -> list[str]:
    """Return what is to be told of drift beside the alarms: drift that no alarm tells of yet, or why there is none."""
    quiet = not any(alarm.status == "open" for alarm in report.alarms)
    lines = []
    if report.open_elsewhere:
        count = many(report.open_elsewhere, "open drift alarm")
        lead = "no open drift alarm here; " if quiet else ""
        lines.append(f"{lead}{count} elsewhere, not at {report.scope}: see `meniscope line alarms --open`")
        quiet = False
    if not report.drift:
        told = ["no open drift alarm of this period; `meniscope line watch` looks at the newest boards"]
        return told if quiet else lines
    for now in report.drift:
        several = len(report.drift) > 1
        name, option = (f" (family {now.family})", f" --family {now.family}") if several else ("", "")
        lines += [f"DRIFT without an alarm yet: {headline(alarm)}; run `meniscope line watch{option}`{name}"
                  for alarm in now.new]
        boards = many(now.boards, "board")
        if not now.looked:
            lines.append(f"drift cannot be told yet: {boards} graded, and the watch begins after "
                         f"{now.begins_after}{name}")
            continue
        waits = [item for item in now.answered if not item.told]
        lines += [f"{answered_words(item)}{name}" for item in waits]
        if not now.new and not report.open_elsewhere and not any(
                alarm.status == "open" and alarm.family == now.family for alarm in report.alarms):
            lines.append(_quiet(now, waits, boards) + name)
    return [*lines, *_charts_signal(report)] if quiet and not any(now.new for now in report.drift) else lines


def _quiet(now: Glance, waits: Sequence[Answered], boards: str) -> str:
    """Return that there is no alarm, and how far that there is no drift: not where an answer cannot be judged yet."""
    unknown = len({joint for item in waits for joint in item.joints})
    if unknown >= now.joints > 0:
        return "no open drift alarm"
    of = f"the newest {now.looked} of {boards}" if now.looked < now.boards else f"all {boards}"
    return f"no open drift alarm, and no drift now{' at any other joint' if unknown else ''}: looked at {of}"


def _charts_signal(report: Report) -> list[str]:
    """Return that charts signal where no alarm is open, and why that need not contradict."""
    told = [item.title for item in report.measure_charts if item.state != "quiet"]
    if not told:
        return []
    names = " and ".join([", ".join(told[:-1]), told[-1]] if len(told) > 1 else told)
    return [f"{names}: {'the chart signals' if len(told) == 1 else 'the charts signal'} at the newest board all the "
            "same; charts know nothing of answers, and signal falsely far more often than an alarm comes"]


def confirmed_words(report: Report) -> str:
    """Return what the confirmed defects are: calls, or defects that the program did not call."""
    return f"{many(report.counts.real, 'real call')} and {many(report.counts.escapes, 'escape')}"


def call_words(report: Report) -> str:
    """Return what became of the calls; the numbers add up to all of them."""
    counts = report.counts
    return (f"{counts.real:,} real, {counts.false_calls:,} false, {counts.unsure:,} cannot tell, "
            f"{counts.waiting:,} waiting")


def count_words(report: Report) -> str:
    """Return what the words of the tables mean."""
    chips = (f" {report.chip_calls:,} of the calls {'is' if report.chip_calls == 1 else 'are'} at chips and so at no "
             "joint and no place." if report.chip_calls and report.places else "")
    return ("Calls are the program's rejects and reviews: real, false, cannot tell and waiting add up to them. Escapes "
            "are defects that a person found and the program did not call. Not false: calls that nobody declared "
            "false, and escapes, for each million joints graded. DPMO counts confirmed defects alone: real calls and "
            f"escapes.{chips}")


def wait_text(waits: Waits) -> str:
    """Return waiting times in words."""
    if not waits.count:
        return "none yet"
    return f"median {minutes(waits.median_min)}, nine in ten within {minutes(waits.p90_min)} ({waits.count})"


def minutes(value: float) -> str:
    """Return a time given in minutes as a person says it: `95 min`, `3.5 h`, `4.0 days`."""
    if value < 120:
        return f"{value:.0f} min"
    return f"{value / 60:.1f} h" if value < 2880 else f"{value / 1440:.1f} days"


def _figures(report: Report) -> list[tuple[str, str, str]]:
    """Return the key figures: name, value, what it means."""
    return [
        ("First-pass yield", share_text(report.first_pass),
         f"{report.first_pass.count:,} of {report.first_pass.size:,} graded boards had no call"),
        ("Yield after review", share_text(report.passed_after_review),
         f"boards without a defect; {report.waiting_boards:,} boards wait for a decision and count as bad"),
        ("Confirmed defects, DPMO", f"{report.dpmo_real:,.0f} ({report.dpmo_real_low:,.0f} to "
         f"{report.dpmo_real_high:,.0f})" if report.opportunities else "nothing to count",
         f"{report.real:,} confirmed by a person at {report.opportunities:,} joints: {confirmed_words(report)}"),
        ("Calls per million, before review", f"{report.dpmo_calls:,.0f}" if report.opportunities else
         "nothing to count", f"{report.calls:,} calls: {call_words(report)}"),
        ("False calls", share_text(report.false_share),
         f"{report.false_calls:,} of {report.false_share.size:,} decided calls"),
        ("Not graded", f"{report.ungraded_boards:,} boards", f"and {report.ungraded_joints:,} single joints"),
        ("Time to decision", wait_text(report.review_wait), "from grading to a person's decision"),
        ("Time to repair", wait_text(report.repair_wait), "from grading to the repair"),
    ]
