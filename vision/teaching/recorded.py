"""What is known from recorded boards: sheets they were graded with, stored measurements, what people said."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from models.errors import MeniscopeError
from models.table import LabelledTable
from models.vocabulary import CHIP_MEASURES, JOINT_MEASURES, Part

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from sqlalchemy import Engine

    from models.limits import LimitSheet
    from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection
    from vision.records.queries import Filter
    from vision.teaching.truth import TruthRow


def recorded_sheets(engine: Engine) -> list[dict[str, Any]]:
    """Return every limit sheet that boards were graded with, oldest first: hash, family, times, boards, text."""
    from sqlalchemy import func, select

    from vision.records.columns import moment_text
    from vision.records.database import reading
    from vision.records.schema import InspectionRow, SheetRow

    query = (select(SheetRow.sha256, SheetRow.family_name, SheetRow.added_at, SheetRow.content,
                    func.count(InspectionRow.unit_id.distinct()).label("boards"),
                    func.max(InspectionRow.started_at).label("last"))
             .join(InspectionRow, InspectionRow.sheet_id == SheetRow.id, isouter=True)
             .group_by(SheetRow.id).order_by(SheetRow.added_at, SheetRow.id))
    with reading(engine) as connection:
        return [{"sheet": row.sha256, "family": row.family_name, "first": moment_text(row.added_at),
                 "last": "" if row.last is None else moment_text(row.last), "boards": int(row.boards),
                 "text": row.content} for row in connection.execute(query)]


def recorded_sheet(engine: Engine, digest: str) -> LimitSheet:
    """Return the sheet with this hash (or the start of one), as boards were graded with it."""
    from models.limits import parse_limits

    found = [row for row in recorded_sheets(engine) if row["sheet"].startswith(digest)]
    if len(found) != 1:
        raise MeniscopeError(f"limit sheet {digest[:16]}: {len(found)} recorded sheets begin like this, wanted one; "
                             "see `meniscope limits history --db`")
    return parse_limits(found[0]["text"], f"recorded sheet {digest[:12]}")


@dataclass(frozen=True)
class Recorded:
    """Stored measurements of many boards as one table."""

    columns: Mapping[str, NDArray[np.float64]]
    boards: tuple[str, ...]
    names: tuple[str, ...]
    rows: tuple[dict[str, Any], ...]


def recorded(engine: Engine, wanted: Filter, part: Part) -> Recorded:
    """Return the stored measurements of all joints or chips; those that could not be graded are left out."""
    import numpy as np

    from vision.records.queries import iterate_chips, iterate_joints

    rows = tuple(row for row in (iterate_joints if part == "joint" else iterate_chips)(engine, wanted)
                 if not row["reason"])
    names = JOINT_MEASURES if part == "joint" else CHIP_MEASURES
    columns = {name: np.array([math.nan if row[name] is None else row[name] for row in rows], dtype=np.float64)
               for name in names}
    return Recorded(columns, tuple(row["serial"] for row in rows),
                    tuple(f"{row['ref']}.{row['pin']}" if part == "joint" else row["ref"] for row in rows), rows)


def reviewed_truth(engine: Engine, wanted: Filter) -> dict[tuple[str, str, str], TruthRow]:
    """Return what people said about joints and chips, by serial, ref and pin.

    A real finding, corrected where the person named another, is a truth; so is a false call (good) and a reported
    escape. Where a person could not tell, the truth is marginal. Joints that nobody looked at are left out.
    """
    from sqlalchemy import func, select

    from vision.records.database import reading
    from vision.records.queries import conditions
    from vision.records.schema import FamilyChip, FamilyJoint, FindingRow, InspectionRow, Review, Unit
    from vision.teaching.truth import TruthRow

    query = (select(Unit.serial, func.coalesce(FamilyJoint.ref, FamilyChip.ref).label("ref"),
                    func.coalesce(FamilyJoint.pin, "").label("pin"),
                    func.coalesce(FamilyJoint.land_kind, "").label("land_kind"), Review.call, Review.corrected,
                    func.coalesce(FindingRow.finding, "").label("finding"))
             .join(InspectionRow, InspectionRow.id == Review.inspection_id)
             .join(Unit, Unit.id == InspectionRow.unit_id)
             .join(FamilyJoint, FamilyJoint.id == Review.joint_id, isouter=True)
             .join(FamilyChip, FamilyChip.id == Review.chip_id, isouter=True)
             .join(FindingRow, FindingRow.id == Review.finding_id, isouter=True)
             .where(*conditions(wanted), Review.withdrawn_at.is_(None), Review.blind.is_(False)))
    truth: dict[tuple[str, str, str], TruthRow] = {}
    with reading(engine) as connection:
        for row in connection.execute(query):
            key = (row.serial, row.ref, row.pin)
            before = truth.get(key)
            said = row.corrected or row.finding if row.call in ("real", "escape") else ""
            findings = tuple(dict.fromkeys((*(before.findings if before else ()), *((said,) if said else ()))))
            unsure = row.call == "cannot_tell" or (before is not None and before.marginal)
            truth[key] = TruthRow(findings, {}, unsure, row.land_kind)
    return truth


def inspected_table(inspections: Sequence[Inspection], truth: Mapping[tuple[str, str, str], TruthRow], part: Part
                    ) -> LabelledTable:
    """Join the measurements of graded boards to the truth about them; ungraded parts are left out."""
    import numpy as np

    names = JOINT_MEASURES if part == "joint" else CHIP_MEASURES
    kept: list[tuple[str, str, JointInspection | ChipInspection, TruthRow]] = []
    for inspection in inspections:
        results: Sequence[JointInspection | ChipInspection] = (
            inspection.joints if part == "joint" else inspection.chips)
        for result in results:
            pin = getattr(result, "pin", "")
            known = truth.get((inspection.serial, result.ref, pin))
            if known is not None and not result.reason:
                kept.append((inspection.serial, result.name, result, known))

    def column(value: Callable[[JointInspection | ChipInspection, TruthRow], float]) -> NDArray[np.float64]:
        return np.array([value(result, known) for _, _, result, known in kept], dtype=np.float64)

    exact = [name for name in names if any(name in known.exact for _, _, _, known in kept)]
    return LabelledTable(
        part, {name: column(lambda r, _, n=name: r.measurements.get(n, math.nan)) for name in names},  # type: ignore[misc]
        tuple(known.findings for _, _, _, known in kept), tuple(serial for serial, _, _, _ in kept),
        np.array([known.marginal for _, _, _, known in kept], dtype=bool), tuple(name for _, name, _, _ in kept),
        tuple(known.land_kind for _, _, _, known in kept),
        {name: column(lambda _, k, n=name: k.exact.get(n, math.nan)) for name in exact})  # type: ignore[misc]
