"""Training with reviews on a database where nobody has reviewed anything yet."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.table import LabelledTable
from vision.cli import train
from vision.records import open_database


def test_a_database_without_decisions_has_no_reviews(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import numpy as np

    db = tmp_path / "results.sqlite"
    open_database(str(db)).dispose()
    joints = LabelledTable("joint", {"coverage_deg": np.array([360.0])}, ((),), ("b1",), np.zeros(1, dtype=bool))
    assert train._with_reviewed(joints, str(db), "invented", 3.0) is joints
    assert "nobody has decided on a joint of family invented" in capsys.readouterr().err
