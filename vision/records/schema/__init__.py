"""The defect database: every table, column, key, check and index, declared once.

Comments on tables and columns are part of the schema: the data dictionary is made from them, and PostgreSQL
keeps them. Measurements have a column each, made from `models.vocabulary`, so that plain SQL reads them.
"""

from vision.records.schema.base import SCHEMA_VERSION, Base
from vision.records.schema.line import ANSWERS, AlarmAnswer, AlarmExample, AlarmRow
from vision.records.schema.people import CALLS, Handover, ProcessRecord, Repair, Review
from vision.records.schema.results import (
    ChipResult,
    FindingRow,
    InspectionRow,
    JointResult,
    Picture,
    Registration,
)
from vision.records.schema.reviewers import AUDIT, CONTROL, PERSON, SETTLEMENT
from vision.records.schema.setup import FamilyChip, FamilyJoint, FamilyRow, SheetRow, StationRow, Unit

__all__ = [
    "ANSWERS", "AUDIT", "CALLS", "CONTROL", "PERSON", "SCHEMA_VERSION", "SETTLEMENT", "AlarmAnswer", "AlarmExample",
    "AlarmRow", "Base", "ChipResult", "FamilyChip", "FamilyJoint", "FamilyRow", "FindingRow", "Handover",
    "InspectionRow", "JointResult", "Picture", "ProcessRecord", "Registration", "Repair", "Review", "SheetRow",
    "StationRow", "Unit",
]
