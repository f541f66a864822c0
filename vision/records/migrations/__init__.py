"""Migrations of the defect database, run by `vision.records.migrate`."""
