"""The defect database: schema, store, queries, batch grading, handing over, export, verification."""

from vision.records.database import network_share, open_database
from vision.records.errors import RecordsError
from vision.records.queries import Filter, list_inspections, open_reviews, show_inspection
from vision.records.store import Saved, save_inspection
from vision.records.totals import pareto

__all__ = ["Filter", "RecordsError", "Saved", "list_inspections", "network_share", "open_database", "open_reviews",
           "pareto", "save_inspection", "show_inspection"]
