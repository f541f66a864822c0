"""What tests of commands stand on: a sheet, recorded boards and their truth in one folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from recorded_boards import SHEET, make_database, write_truth

from models.limits import write_limits


@pytest.fixture
def place(tmp_path: Path) -> Path:
    write_limits(SHEET, tmp_path / "limits.toml")
    make_database(tmp_path / "results.sqlite")
    write_truth(tmp_path / "truth.csv")
    return tmp_path
