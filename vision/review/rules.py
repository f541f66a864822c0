"""How each rule fared before people: false calls and their course, so that one sees which limit to move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import Engine, select

from models.intervals import clopper_pearson
from models.vocabulary import FINDING, limit_text, plain_name, with_unit
from vision.records.database import reading
from vision.records.schema import FamilyRow, FindingRow, InspectionRow, Review
from vision.review.decisions import FALSE_CALL, REAL

#: Decisions that are read at most; the newest count.
MOST = 5000
#: What is said of a rule that found nothing real needs an interval whose lower end is at least this share.
ENOUGH = 0.8
#: How a rule's source names a confirmed criterion of the standard, and a learned limit for what the standard asks for.
CONFIRMED, ASKED_FOR = ", confirmed", "asked for by workmanship class"
#: Points drawn of each kind; more would be one blot.
DRAWN = 300


@dataclass(frozen=True)
class Week:
    """Decisions on one rule in one week (ISO 8601): its name, and the counts."""

    name: str
    real: int
    false_calls: int


@dataclass(frozen=True)
class RuleRecord:
    """One rule: what people said about its findings. A corrected finding counts as real: something was wrong."""

    family: str
    finding: str
    measure: str
    limit: float
    side: str
    source: str
    real_values: tuple[float, ...]
    false_values: tuple[float, ...]
    unsure: int
    weeks: tuple[Week, ...]

    @property
    def decided(self) -> int:
        """Decisions for or against."""
        return len(self.real_values) + len(self.false_values)

    @property
    def share(self) -> float:
        """Share of false calls among the decided."""
        return len(self.false_values) / self.decided if self.decided else 0.0

    @property
    def interval(self) -> tuple[float, float]:
        """Exact 95 % interval of that share."""
        return clopper_pearson(len(self.false_values), self.decided)

    @property
    def words(self) -> str:
        """The rule as a person reads it: `partial wetting when coverage below 270 deg`."""
        return (f"{FINDING[self.finding].title} when {plain_name(self.measure)} {self.side} "
                f"{limit_text(self.measure, self.limit)}")

    @property
    def hint(self) -> str:
        """What moving the limit would have done to the decided findings; an observation, no advice."""
        if not self.false_values:
            return "No false calls." if self.real_values else ""
        name = plain_name(self.measure)
        if not self.real_values:
            return self._all_false(name)
        below = self.side == "below"
        worst = max(self.real_values) if below else min(self.real_values)
        spared = sum(value > worst if below else value < worst for value in self.false_values)
        count = len(self.false_values)
        if not spared:
            return (f"Real defects and false calls overlap in {name}: moving this limit alone would lose real "
                    f"defects.{self._asked}")
        reals = (f"The only real defect lies at {with_unit(self.measure, worst)}" if len(self.real_values) == 1 else
                 f"All {len(self.real_values)} real defects lie at {with_unit(self.measure, worst)} or "
                 f"{'less' if below else 'more'}")
        some = "the only false call lies" if count == 1 else (
            f"{spared} of {count} false calls {'lies' if spared == 1 else 'lie'}")
        return f"{reals}; {some} {'above' if below else 'below'} that.{self._asked}"

    def _all_false(self, name: str) -> str:
        """Say what follows from false calls alone: nothing from a few of them."""
        count, least = len(self.false_values), f"{100.0 * self.interval[0]:.0f} %"
        so_far = {1: "The one finding decided so far was a false call",
                  2: "Both findings decided so far were false calls"}.get(
                      count, f"All {count} findings decided so far were false calls")
        if self.interval[0] < ENOUGH:
            return f"{so_far}: too few to judge the rule by, for the interval reaches down to {least}.{self._asked}"
        return f"{so_far}, and the interval begins at {least}. " + (
            f"The standard asks for this limit: look at how {name} is measured before anything else."
            if CONFIRMED in self.source else f"Look whether the limit of {name} is too strict.{self._asked}")

    @property
    def _asked(self) -> str:
        """What the standard says to it, as a sentence to add, or nothing."""
        if CONFIRMED in self.source:
            return " The standard asks for this limit."
        return " The standard asks for this finding; its limit was learned." if ASKED_FOR in self.source else ""


def rule_records(engine: Engine, *, days: int = 90, now: datetime | None = None) -> list[RuleRecord]:
    """Return the rules that people decided on in the last days, the one with most false calls first."""
    since = (now or datetime.now(UTC)) - timedelta(days=days)
    query = (
        select(FamilyRow.name, FindingRow.finding, FindingRow.measure, FindingRow.limit_value, FindingRow.side,
               FindingRow.source, FindingRow.value, Review.call, Review.reviewed_at)
        .join(FindingRow, FindingRow.id == Review.finding_id)
        .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
        .join(FamilyRow, FamilyRow.id == InspectionRow.family_id)
        .where(Review.withdrawn_at.is_(None), Review.blind.is_(False), Review.reviewed_at >= since)
        .order_by(Review.reviewed_at.desc()).limit(MOST))
    groups: dict[tuple[str, str, str, float, str, str], list[tuple[float, str, datetime]]] = {}
    with reading(engine) as connection:
        for family, finding, measure, limit, side, source, value, call, at in connection.execute(query):
            groups.setdefault((family, finding, measure, limit, side, source), []).append((value, call, at))
    records = [RuleRecord(*key, tuple(v for v, call, _ in rows if call == REAL),
                          tuple(v for v, call, _ in rows if call == FALSE_CALL),
                          sum(call not in (REAL, FALSE_CALL) for _, call, _ in rows), _weeks(rows))
               for key, rows in groups.items()]
    return sorted(records, key=lambda record: (-len(record.false_values), -record.decided, record.words))


def _weeks(rows: Sequence[tuple[float, str, datetime]]) -> tuple[Week, ...]:
    counts: dict[str, list[int]] = {}
    for _, call, at in rows:
        year, week, _ = at.isocalendar()
        count = counts.setdefault(f"{year}-W{week:02d}", [0, 0])
        if call in (REAL, FALSE_CALL):
            count[call == FALSE_CALL] += 1
    return tuple(Week(name, *counts[name]) for name in sorted(counts))
