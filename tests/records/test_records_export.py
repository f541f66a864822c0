"""Exports hold every value, in bounded memory, and no formula for a spreadsheet."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import uuid
from datetime import UTC, datetime
from pathlib import Path

import invented_boards as invented
import pytest
from invented_reviews import add_review
from sqlalchemy import Engine

from models.vocabulary import JOINT_MEASURES
from vision.records import Filter, RecordsError
from vision.records.export import csv_lines, export_rows, json_lines, write_lines, write_parquet
from vision.records.ipc2591 import units_inspected
from vision.records.queries import iterate_findings

#: Enumerations of the public reference SDK of IPC-2591, version 2.1.
RESULTS = {"Passed", "Failed", "Error", "Aborted", "Skipped"}
VERIFICATIONS = {"NotVerifiedYet", "DefectConfirmed", "DefectRejected", "DefectAccepted", "DefectRepaired",
                 "DefectClosed"}
METHODS = {"Human", "AOI", "SPI", "AXI"}
SAMPLINGS = {"NoSampling", "ANSI_Z14", "MIL_STD_105", "MIL_STD_1916", "Squeglia", "FixedSample"}
#: Members of the structures in the same SDK.
ENVELOPE = {"MessageName", "Version", "TimeStamp", "UniqueID", "Source", "Target", "RequestID", "MessageBody"}
BODY = {"$type", "TransactionId", "InspectionMethod", "SamplingInformation", "Inspector", "RecipeName",
        "RecipeRevision", "InspectedUnits"}
UNIT = {"UnitIdentifier", "UnitPositionNumber", "OverallResult", "Inspections", "Verification"}
INSPECTION = {"UniqueIdentifier", "InspectionName", "InspectionStartTime", "InspectionEndTime", "TestProcedure",
              "Comments", "Result", "Verification", "VerificationDetail", "Error", "DefectsFound", "Symptoms",
              "Measurements"}
DEFECT = {"UniqueIdentifier", "DefectCode", "DefectCategory", "Description", "Comments", "ComponentOfInterest",
          "RegionOfInterest", "DefectImages", "Priority", "ConfidenceLevel", "RelatedMeasurements", "RelatedSymptoms",
          "Verification", "VerificationDetail"}
MEASUREMENT = {"$type", "UniqueIdentifier", "MeasurementName", "TimeRecorded", "Sequence", "Result", "CRDs",
               "MeasuredValue"}


@pytest.mark.parametrize("kind", ["inspections", "joints", "chips", "findings"])
def test_csv_and_json_lines_agree(filled: Engine, kind: str) -> None:
    rows, fields = export_rows(filled, kind, Filter())
    table = list(csv.DictReader(io.StringIO("".join(csv_lines(rows, fields)))))
    rows, _ = export_rows(filled, kind, Filter())
    lines = [json.loads(line) for line in json_lines(rows)]
    assert len(table) == len(lines) == {"inspections": 12, "joints": 96, "chips": 12, "findings": 24}[kind]
    for cells, values in zip(table, lines, strict=True):
        assert tuple(cells) == tuple(values) == fields
        for name in fields:
            assert cells[name] == ("" if values[name] is None else str(values[name])), name


def test_measurements_come_out_exactly(filled: Engine) -> None:
    rows, _ = export_rows(filled, "joints", Filter(serial="B0003"))
    lines = [json.loads(line) for line in json_lines(rows)]
    for number, line in enumerate(lines):
        values = invented.joint_values(number, bad=True)
        for name in JOINT_MEASURES:
            assert line[name] == (None if values[name] != values[name] else values[name])
    assert lines[0]["findings"] == "partial_wetting"
    assert (lines[0]["pot"], lines[7]["pot"]) == ("pot 1", "pot 2")


def test_filters_narrow_exports(filled: Engine) -> None:
    assert len(list(export_rows(filled, "joints", Filter(finding="bridge"))[0])) == 4
    assert len(list(export_rows(filled, "joints", Filter(pot="pot 2"))[0])) == 48
    assert len(list(export_rows(filled, "findings", Filter(pot="pot 2"))[0])) == 0
    assert len(list(export_rows(filled, "joints", Filter(limit=5))[0])) == 5


@pytest.mark.parametrize("serial", ['=cmd|"/c calc"!A1', "+1", "-1", "@SUM(1)", "\t=1"])
def test_no_formula_reaches_a_spreadsheet(engine: Engine, serial: str) -> None:
    """Cells that begin like a formula are run by spreadsheets (OWASP, "CSV Injection")."""
    invented.save(engine, dataclasses.replace(invented.inspection("B1"), serial=serial))
    rows, fields = export_rows(engine, "inspections", Filter())
    cell = next(csv.DictReader(io.StringIO("".join(csv_lines(rows, fields)))))["serial"]
    assert cell == "'" + serial
    rows, _ = export_rows(engine, "inspections", Filter())
    assert json.loads(next(json_lines(rows)))["serial"] == serial


def test_parquet_holds_the_same(filled: Engine, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra `parquet` is not installed")
    rows, fields = export_rows(filled, "joints", Filter())
    path = tmp_path / "joints.parquet"
    assert write_parquet(rows, fields, path) == 96
    rows, _ = export_rows(filled, "joints", Filter())
    assert parquet.read_table(path).to_pylist() == list(rows)


def test_a_cut_off_export_leaves_no_half_file(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text("the export of yesterday")

    def lines() -> object:
        yield "a,b\n"
        raise RecordsError("cut off")

    with pytest.raises(RecordsError, match="cut off"):
        write_lines(path, lines())  # type: ignore[arg-type]
    assert path.read_text() == "the export of yesterday"
    assert list(tmp_path.iterdir()) == [path]


def test_units_inspected(filled: Engine) -> None:
    found = next(row for row in iterate_findings(filled, Filter(serial="B0003")) if row["pin"] == "1")
    add_review(filled, found["finding_id"], call="false_call", reviewer="A")
    now = datetime(2026, 3, 3, tzinfo=UTC)
    messages = list(units_inspected(filled, Filter(), source="line.station", now=now))
    assert len(messages) == 1
    message = json.loads(json.dumps(messages[0], allow_nan=False))
    assert set(message) == ENVELOPE
    assert message["MessageName"] == "CFX.Production.TestAndInspection.UnitsInspected"
    assert datetime.fromisoformat(message["TimeStamp"]) == now
    uuid.UUID(message["UniqueID"])
    body = message["MessageBody"]
    assert set(body) == BODY
    assert body["InspectionMethod"] in METHODS
    assert body["SamplingInformation"]["SamplingMethod"] in SAMPLINGS
    units = body["InspectedUnits"]
    assert [unit["UnitIdentifier"] for unit in units] == [f"B{number:04d}" for number in range(12)]
    assert [unit["OverallResult"] for unit in units] == ["Failed" if n % 3 == 0 else "Passed" for n in range(12)]
    for unit in units:
        assert set(unit) == UNIT
        for inspection in unit["Inspections"]:
            assert set(inspection) == INSPECTION
            assert inspection["Result"] in RESULTS
            start, end = (datetime.fromisoformat(inspection[f"Inspection{edge}Time"]) for edge in ("Start", "End"))
            assert (end - start).total_seconds() == pytest.approx(0.25)
            for defect in inspection["DefectsFound"]:
                assert set(defect) == DEFECT
                assert defect["Verification"] in VERIFICATIONS
                uuid.UUID(defect["UniqueIdentifier"])
                for measurement in defect["RelatedMeasurements"]:
                    assert set(measurement) == MEASUREMENT
    defects = units[3]["Inspections"][0]["DefectsFound"]
    assert [defect["ComponentOfInterest"]["ReferenceDesignator"] for defect in defects] == ["J1.1", "J1.2", "J1.3"]
    assert [defect["Verification"] for defect in defects] == ["DefectRejected", "NotVerifiedYet", "NotVerifiedYet"]
    value = defects[0]["RelatedMeasurements"][0]["MeasuredValue"]
    assert (value["Value"], value["ValueUnits"], value["MinimumAcceptableValue"], value["MaximumAcceptableValue"]) == (
        212.25, "deg", 270.0, None)
    bridge = defects[1]["RelatedMeasurements"][0]["MeasuredValue"]
    assert (bridge["MinimumAcceptableValue"], bridge["MaximumAcceptableValue"]) == (None, 0.1)
    identities = [item["UniqueIdentifier"] for unit in units for item in unit["Inspections"][0]["DefectsFound"]]
    assert len(set(identities)) == len(identities)
    assert messages == list(units_inspected(filled, Filter(), source="line.station", now=now))


def test_what_was_said_of_one_end_of_a_bridge_is_not_taken_for_the_other(engine: Engine) -> None:
    """Both ends report one bridge at one place, and a person decides about each."""
    board = invented.inspection("B1", bad=True)
    [bridge] = [item for item in board.joints[1].findings if item.finding == "bridge"]
    there = dataclasses.replace(board.joints[2], findings=(*board.joints[2].findings, bridge))
    invented.save(engine, dataclasses.replace(board, joints=(*board.joints[:2], there, *board.joints[3:])))
    found = next(row for row in iterate_findings(engine, Filter()) if (row["pin"], row["finding"]) == ("2", "bridge"))
    add_review(engine, found["finding_id"], call="real", reviewer="A")
    unit = next(iter(units_inspected(engine, Filter(), source="x")))["MessageBody"]["InspectedUnits"][0]
    said = {item["ComponentOfInterest"]["ReferenceDesignator"]: item["Verification"]
            for item in unit["Inspections"][0]["DefectsFound"] if item["DefectCode"] == "bridge"}
    assert said == {"J1.2": "DefectConfirmed", "J1.3": "NotVerifiedYet"}


def test_ungraded_boards_are_errors_in_the_message(engine: Engine) -> None:
    bad = dataclasses.replace(invented.inspection("B1"), joints=(), chips=(), verdict="ungraded", reason="no picture")
    invented.save(engine, bad)
    unit = next(iter(units_inspected(engine, Filter(), source="x")))["MessageBody"]["InspectedUnits"][0]
    assert unit["OverallResult"] == "Error"
    assert unit["Inspections"][0]["Error"] == "no picture"


def test_another_sheet_is_another_recipe(engine: Engine) -> None:
    invented.save(engine, invented.inspection("B1"))
    other = invented.sheet(200.0)
    invented.save(engine, invented.inspection("B2", by=other), by=other)
    bodies = [message["MessageBody"] for message in units_inspected(engine, Filter(), source="x")]
    assert len({body["RecipeRevision"] for body in bodies}) == 2
    assert {body["RecipeName"] for body in bodies} == {"sample-1"}
