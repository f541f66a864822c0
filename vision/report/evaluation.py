"""One self-contained HTML page about how a limit sheet does against known truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from models.decision import CriterionRisks
from models.evaluate import Comparison
from models.limits import LimitSheet, sheet_hash
from models.tradeoff import Curve
from models.vocabulary import FINDING, FINDINGS, MEASURE, VERDICTS
from vision import __version__
from vision.report.curves import chart_words, curve_svg


@dataclass(frozen=True)
class EvaluationReport:
    """What the page tells."""

    title: str
    truth: str  # where the truth comes from, in words
    comparison: Comparison
    workmanship_class: int
    sheet: LimitSheet | None = None
    curves: Sequence[Curve] = ()
    risks: Sequence[CriterionRisks] = ()
    pictures: Mapping[tuple[str, str], str] = field(default_factory=dict)  # data URIs by board and place
    sheets: Mapping[tuple[str, str], str] = field(default_factory=dict)  # whole sheets of places, likewise


def evaluation_html(report: EvaluationReport) -> str:
    """Return the page."""
    found = report.comparison.confusion
    order = ["good", *(finding.name for finding in FINDINGS)]
    said = [name for name in (*order[1:], *VERDICTS) if any(column == name for _, column in found)]
    true = [name for name in order if any(row == name for row, _ in found)]
    page: str = _template().render(
        report=report, c=report.comparison, version=__version__, finding=FINDING, measure=MEASURE,
        truths=true, said=said,
        digest=sheet_hash(report.sheet)[:12] if report.sheet is not None else "",
        charts=[(curve_svg(curve), chart_words(curve)) for curve in report.curves])
    return page


@lru_cache(maxsize=1)
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(loader=PackageLoader("vision.report"), autoescape=True, undefined=StrictUndefined,
                              trim_blocks=True, lstrip_blocks=True)
    return environment.get_template("evaluation.html")
