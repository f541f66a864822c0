"""Totals of the defect database: how often each finding was made, how many boards had each verdict."""

from __future__ import annotations

from sqlalchemy import Engine, case, func, select

from vision.records.database import reading
from vision.records.queries import EVERYTHING, Filter, Row, conditions, finding_conditions, with_finding
from vision.records.schema import FindingRow, InspectionRow


def pareto(engine: Engine, wanted: Filter = EVERYTHING) -> list[Row]:
    """Return how often each finding was made: findings, of those to review, boards; the most frequent first.

    Process indicators, which change no verdict, are counted apart: `indicators`, and `indicator_boards` with one.
    A limit keeps the most frequent kinds.
    """
    rows: dict[str, Row] = {}
    with reading(engine) as connection:
        # Two queries: one that counts both kinds of boards apart takes more than twice as long.
        for names, kind in ((("findings", "review", "boards"), FindingRow.verdict != "indicator"),
                            (("indicators", "", "indicator_boards"), FindingRow.verdict == "indicator")):
            query = (
                select(FindingRow.finding, func.count(), func.sum(case((FindingRow.verdict == "review", 1), else_=0)),
                       func.count(FindingRow.inspection_id.distinct()))
                .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
                .where(*conditions(wanted), *finding_conditions(wanted), kind).group_by(FindingRow.finding))
            for finding, *counts in connection.execute(query):
                row = rows.setdefault(finding, {"finding": finding, "findings": 0, "review": 0, "boards": 0,
                                                "indicators": 0, "indicator_boards": 0})
                row.update({name: int(count) for name, count in zip(names, counts, strict=True) if name})
    frequent = sorted(rows.values(), key=lambda row: (-row["findings"], -row["indicators"], row["finding"]))
    return frequent[:wanted.limit]


def verdict_counts(engine: Engine, wanted: Filter = EVERYTHING) -> Row:
    """Return the number of inspections by verdict, of the same boards as `list_inspections` names."""
    query = (select(InspectionRow.verdict, func.count()).where(*conditions(wanted), *with_finding(wanted))
             .group_by(InspectionRow.verdict))
    with reading(engine) as connection:
        return {verdict: int(count) for verdict, count in connection.execute(query)}
