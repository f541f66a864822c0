"""Drawing on paper: dashes, runs round a circle and text lie where they should."""

from __future__ import annotations

import numpy as np
import pytest

from vision.pipeline.pictures.paper import SOLID, Paper, dashes, runs, text_width
from vision.pipeline.view.unwrap import AZIMUTHS


def test_dashes_have_their_lengths():
    line = np.array([(0.0, 0.0), (30.0, 0.0), (30.0, 40.0)])
    pieces = dashes(line, (10.0, 5.0))
    lengths = [np.hypot(*np.diff(piece, axis=0).T).sum() for piece in pieces]
    assert lengths == pytest.approx([10.0] * 5)  # 70 px hold four whole turns of 15 px and a dash
    corner = np.array([(0.0, 0.0), (5.0, 0.0), (5.0, 5.0)])
    (bent,) = dashes(corner, (100.0, 5.0))
    assert (5.0, 0.0) in [tuple(point) for point in bent], "corners stay"
    assert dashes(line, SOLID)[0] is line


def test_runs_go_round():
    flags = np.zeros(AZIMUTHS, dtype=bool)
    flags[[0, 1, 178, 179, 50]] = True
    assert sorted(runs(flags)) == [(50, 50), (178, 181)]
    assert runs(np.ones(AZIMUTHS, dtype=bool)) == [(0, AZIMUTHS)]


def test_text_is_written_where_it_should_be():
    paper = Paper.blank(200, 60)
    paper.text(20, 40, "coverage 212 ± 4 deg", 16)
    paper.text(500, 40, "beyond the sheet")
    blank = Paper.blank(200, 60).canvas
    row, column = np.nonzero((paper.finished() != blank).any(axis=2))
    assert 18 <= column.min() <= 23
    assert column.max() == pytest.approx(20 + text_width("coverage 212 ± 4 deg", 16), abs=3)
    assert row.min() > 22
    assert row.max() <= 45
