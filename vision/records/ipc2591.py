"""The open IPC-2591 (CFX) message UnitsInspected, as JSON.

Names and values follow the public reference SDK of the standard, version 2.1: envelope, InspectedUnit, Inspection,
Defect, NumericMeasurement and their enumerations. Identifiers are made from the inspection's own UUID, so that the
same results always give the same message.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Engine, select

from models.vocabulary import ACCEPT, FINDING, MEASURE, REJECT
from vision.pipeline.inspection import ChipInspection, FoundFinding, Inspection, JointInspection
from vision.records.database import reading
from vision.records.load import CHUNK, load_inspections
from vision.records.queries import Filter, find_keys
from vision.records.schema import FamilyChip, FamilyJoint, FamilyRow, FindingRow, InspectionRow, Review
from vision.records.words import finding_words

CFX_VERSION = "2.1"
NAME = "CFX.Production.TestAndInspection.UnitsInspected"
NAMESPACE = "CFX.Structures"  # of NumericMeasurement; from memory, not confirmed
#: A review's call as the standard's Verification.
VERIFICATION = {"real": "DefectConfirmed", "false_call": "DefectRejected"}


def units_inspected(engine: Engine, wanted: Filter, *, source: str, now: datetime | None = None) -> Iterator[Any]:
    """Yield UnitsInspected messages, one for boards of equal family revision and limit sheet, at most CHUNK each.

    `source` is the sender's name in the envelope (CFX handle), for example a station.
    """
    moment = datetime.now(UTC) if now is None else now
    keys = find_keys(engine, wanted)
    for start in range(0, len(keys), CHUNK):
        part = keys[start:start + CHUNK]
        more = _more(engine, part)
        groups: dict[tuple[str, int, str], list[Any]] = {}
        for key, inspection in load_inspections(engine, part):
            uid, revision, calls = more[key]
            recipe = (inspection.family, revision, inspection.sheet_hash)
            groups.setdefault(recipe, []).append((uid, inspection, calls))
        for (family, revision, sheet), boards in groups.items():
            yield _message(family, revision, sheet, boards, source, moment)


def _more(engine: Engine, keys: list[int]) -> dict[int, tuple[str, int, dict[tuple[str, str], str]]]:
    """Return UUID, family revision, and standing calls by (finding, joint or chip) of each inspection."""
    with reading(engine) as connection:
        found: dict[int, tuple[str, int, dict[tuple[str, str], str]]] = {
            row.id: (row.uid, row.revision, {}) for row in connection.execute(
                select(InspectionRow.id, InspectionRow.uid, FamilyRow.revision)
                .join(FamilyRow, FamilyRow.id == InspectionRow.family_id).where(InspectionRow.id.in_(keys)))}
        for row in connection.execute(
                select(FindingRow.inspection_id, FindingRow.finding, FamilyJoint.ref, FamilyJoint.pin,
                       FamilyChip.ref.label("chip"), Review.call)
                .join(Review, Review.finding_id == FindingRow.id)
                .join(FamilyJoint, FamilyJoint.id == FindingRow.joint_id, isouter=True)
                .join(FamilyChip, FamilyChip.id == FindingRow.chip_id, isouter=True)
                .where(FindingRow.inspection_id.in_(keys), Review.withdrawn_at.is_(None), Review.blind.is_(False))):
            name = f"{row.ref}.{row.pin}" if row.chip is None else row.chip  # two joints report one bridge at one place
            found[row.inspection_id][2][row.finding, name] = row.call
    return found


def _message(family: str, revision: int, sheet: str, boards: list[Any], source: str, moment: datetime) -> Any:
    identity = uuid.uuid5(uuid.NAMESPACE_OID, f"{NAME} {' '.join(uid for uid, _, _ in boards)}")
    units = [_unit(uid, inspection, calls, number)
             for number, (uid, inspection, calls) in enumerate(boards, start=1)]
    return {
        "MessageName": NAME, "Version": CFX_VERSION, "TimeStamp": moment.isoformat(timespec="milliseconds"),
        "UniqueID": str(identity), "Source": source, "Target": None, "RequestID": None,
        "MessageBody": {
            "$type": f"{NAME}, CFX", "TransactionId": str(identity), "InspectionMethod": "AOI",
            "SamplingInformation": {"SamplingMethod": "NoSampling", "LotSize": None, "SampleSize": None},
            "Inspector": None, "RecipeName": family, "RecipeRevision": f"{revision} (limit sheet {sheet[:12]})",
            "InspectedUnits": units},
    }


def _unit(uid: str, inspection: Inspection, calls: dict[tuple[str, str], str], number: int) -> Any:
    results: list[JointInspection | ChipInspection] = [*inspection.joints, *inspection.chips]
    defects = [_defect(uid, result, finding, calls.get((finding.finding, result.name)))
               for result in results for finding in result.findings if finding.verdict != "indicator"]
    started = datetime.fromisoformat(inspection.started_at)
    passed = _result(inspection.verdict)
    return {
        "UnitIdentifier": inspection.serial, "UnitPositionNumber": number, "OverallResult": passed,
        "Inspections": [{
            "UniqueIdentifier": uid, "InspectionName": "solder joints",
            "InspectionStartTime": started.isoformat(timespec="milliseconds"),
            "InspectionEndTime": (started + timedelta(seconds=inspection.seconds)).isoformat(timespec="milliseconds"),
            "TestProcedure": None, "Comments": inspection.reason or None, "Result": passed,
            "Verification": _verification([d["Verification"] for d in defects]), "VerificationDetail": None,
            "Error": inspection.reason or None if passed == "Error" else None, "DefectsFound": defects,
            "Symptoms": [], "Measurements": []}],
        "Verification": _verification([d["Verification"] for d in defects]),
    }


def _result(verdict: str) -> str:
    """Return the standard's result: a board that waits for a person has not passed, one not graded is an error."""
    return "Passed" if verdict == ACCEPT else "Failed" if verdict in (REJECT, "review") else "Error"


def _verification(defects: list[str]) -> str:
    if not defects or "NotVerifiedYet" in defects:
        return "NotVerifiedYet"
    return "DefectConfirmed" if "DefectConfirmed" in defects else "DefectRejected"


def _defect(uid: str, result: JointInspection | ChipInspection, finding: FoundFinding, call: str | None) -> Any:
    place = result.name
    identity = uuid.uuid5(uuid.UUID(uid), f"{place} {finding.finding}")
    return {
        "UniqueIdentifier": str(identity), "DefectCode": finding.finding,
        "DefectCategory": FINDING[finding.finding].part,
        "Description": finding_words(finding.finding, finding.words, finding.other),
        "Comments": finding.source or None,
        "ComponentOfInterest": {"ReferenceDesignator": place, "UnitPosition": None, "PartNumber": None},
        "RegionOfInterest": {"StartPointX": finding.x_mm, "StartPointY": finding.y_mm, "RegionSegments": []},
        "DefectImages": [], "Priority": 1 if finding.verdict == REJECT else 2, "ConfidenceLevel": None,
        "RelatedMeasurements": [_measurement(identity, finding)], "RelatedSymptoms": [],
        "Verification": VERIFICATION.get(call or "", "NotVerifiedYet"), "VerificationDetail": None,
    }


def _measurement(defect: uuid.UUID, finding: FoundFinding) -> Any:
    unit = MEASURE[finding.measure].unit or None
    limit = finding.limit if math.isfinite(finding.limit) else None
    return {
        "$type": f"{NAMESPACE}.NumericMeasurement, CFX",
        "UniqueIdentifier": str(uuid.uuid5(defect, finding.measure)), "MeasurementName": finding.measure,
        "TimeRecorded": None, "Sequence": 1, "CRDs": None,
        "Result": "Failed" if finding.verdict == REJECT else "Passed",
        "MeasuredValue": {
            "Value": finding.value if math.isfinite(finding.value) else None, "ValueUnits": unit,
            "ExpectedValue": None, "ExpectedValueUnits": None,
            "MinimumAcceptableValue": limit if finding.side == "below" else None,
            "MinimumAcceptableValueUnits": unit if finding.side == "below" else None,
            "MaximumAcceptableValue": limit if finding.side == "above" else None,
            "MaximumAcceptableValueUnits": unit if finding.side == "above" else None},
    }
