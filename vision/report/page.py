"""One self-contained HTML page about a graded lot."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from models.criteria import severity_of
from models.evaluate import Comparison
from models.limits import LimitSheet
from models.vocabulary import FINDING, FINDINGS, MEASURE, REJECT, VERDICTS
from vision import __version__
from vision.pipeline.inspection import ChipInspection, FoundFinding, Inspection, JointInspection
from vision.report.board_map import board_map
from vision.setup.family import Family


@dataclass(frozen=True)
class LotReport:
    """What the page tells. Pictures are data URIs; `worst` is in the order of showing."""

    title: str
    family: Family
    station: str
    sheet: LimitSheet
    inspections: Sequence[Inspection]
    comparison: Comparison | None = None  # against known truth
    worst: Sequence[Place] = ()
    pictures: Mapping[tuple[str, str], str] = field(default_factory=dict)  # by serial and place
    sheets: Mapping[tuple[str, str], str] = field(default_factory=dict)  # whole sheets of places, likewise
    overview: str | None = None  # an annotated board
    overview_words: str = ""
    notes: Sequence[str] = ()
    next_steps: Sequence[tuple[str, str]] = ()  # (what, command)


@dataclass(frozen=True)
class Place:
    """One finding at one place of one board, in words."""

    serial: str
    name: str  # REF.PIN or REF
    verdict: str
    finding: str
    title: str
    reason: str
    truth: str = ""  # what is really so, where it is known
    pot: str = ""
    nozzle: str = ""
    step: str = ""


def worst_places(inspections: Sequence[Inspection], family: Family, count: int) -> list[Place]:
    """Return the worst findings in words: of each kind in turn the one furthest beyond its limit."""
    joints = {joint.name: joint for joint in family.joints}
    ranked: dict[str, list[tuple[float, Place]]] = {}
    for inspection in inspections:
        for part in _parts(inspection):
            for found in part.findings:
                if found.verdict == "indicator":
                    continue
                joint = joints.get(part.name)
                place = Place(inspection.serial, part.name, found.verdict, found.finding, found.title,
                              found.words, "", *((joint.pot, joint.nozzle, joint.step) if joint else ("", "", "")))
                ranked.setdefault(found.finding, []).append((_excess(found), place))
    chosen: list[Place] = []
    queues = [sorted(ranked[f.name], key=lambda pair: -pair[0]) for f in FINDINGS if f.name in ranked]
    shown: set[tuple[str, str]] = set()
    while len(chosen) < count and any(queues):
        for queue in queues:
            while queue and len(chosen) < count:
                place = queue.pop(0)[1]
                if (place.serial, place.name) not in shown:  # a place with two findings is shown once
                    shown.add((place.serial, place.name))
                    chosen.append(place)
                    break
    return sorted(chosen, key=lambda place: place.verdict != REJECT)


def _excess(found: FoundFinding) -> float:
    """Return how far a value lies beyond its limit, in steps of the measurement; rejects before reviews."""
    beyond = found.limit - found.value if found.side == "below" else found.value - found.limit
    return beyond / MEASURE[found.measure].step + (1e6 if found.verdict == REJECT else 0.0)


def _parts(inspection: Inspection) -> tuple[JointInspection | ChipInspection, ...]:
    return (*inspection.joints, *inspection.chips)


def report_html(report: LotReport) -> str:
    """Return the page."""
    places: dict[str, Counter[str]] = {}
    pareto: dict[str, Counter[str]] = {}
    for inspection in report.inspections:
        for part in _parts(inspection):
            places.setdefault(part.name, Counter())[part.verdict] += 1
            for found in part.findings:
                pareto.setdefault(found.finding, Counter())[found.verdict] += 1
    boards = Counter(inspection.verdict for inspection in report.inspections)
    joints = Counter(joint.verdict for inspection in report.inspections for joint in inspection.joints)
    drawing = board_map(report.family, places, f"Board {report.family.name} as the camera sees it")
    page: str = _template().render(
        report=report, version=__version__, verdicts=VERDICTS, boards=boards, joints=joints, drawing=drawing,
        pareto=[(FINDING[name].title, FINDING[name].text, pareto[name]) for name in
                sorted(pareto, key=lambda name: -sum(pareto[name].values()))],
        rows=[_row(inspection) for inspection in report.inspections],
        rules=[_rule(rule, report.sheet.workmanship_class) for rule in report.sheet.rules], finding=FINDING)
    return page


def _row(inspection: Inspection) -> dict[str, Any]:
    """Return one board's line: verdict, and its findings in words, rejects first."""
    told = [(found.verdict, part.name, found.title, found.words)
            for part in _parts(inspection) for found in part.findings if found.verdict != "indicator"]
    told.sort(key=lambda item: item[0] != REJECT)
    return {"serial": inspection.serial, "verdict": inspection.verdict, "reason": inspection.reason, "findings": told,
            "seconds": inspection.seconds}


def _rule(rule: Any, workmanship_class: int) -> dict[str, Any]:
    guards = ", ".join(f"{condition.guard:g} {MEASURE[condition.measure].unit}".strip() for condition in rule.when)
    return {"title": FINDING[rule.finding].title, "when": rule.in_words(), "guard": guards, "source": rule.source,
            "evidence": rule.evidence, "indicator": rule.indicator or
            severity_of(rule.finding, workmanship_class) == "indicator"}


@lru_cache(maxsize=1)
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(loader=PackageLoader("vision.report"), autoescape=True, undefined=StrictUndefined,
                              trim_blocks=True, lstrip_blocks=True)
    return environment.get_template("report.html")
