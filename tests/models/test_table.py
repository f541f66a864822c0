"""Labelled tables: lengths are checked, files read back the same, joining keeps every row."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_tables import chip_table, joint_table

from models.errors import InputError, MeniscopeError
from models.table import LabelledTable, board_folds, join_tables, read_table, write_table


def test_a_written_table_reads_the_same(tmp_path: Path) -> None:
    table = replace(joint_table(3, 1), weights=np.linspace(0.5, 2, 120),
                    uncertainties={"coverage_deg": np.full(120, 4.5)})
    write_table(table, tmp_path / "t.csv")
    read = read_table(tmp_path / "t.csv", "joint")
    assert (read.findings, read.boards, read.names, read.kinds) == (
        table.findings, table.boards, table.names, table.kinds)
    assert (read.marginal == table.marginal).all()
    for mine, theirs in ((table.columns, read.columns), (table.exact, read.exact),
                         (table.uncertainties, read.uncertainties)):
        assert list(mine) == list(theirs)
        for name in mine:
            np.testing.assert_allclose(theirs[name], mine[name], rtol=1e-5, atol=1e-9)


def test_bad_files_are_refused_with_every_problem(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("board,name,kind,findings,marginal,weight,coverage_deg\n"
                    "b1,J1.1,,bridg,0,1,300\nb1,J1.2,,,0,1,much\nb1,J1.3\n")
    with pytest.raises(InputError) as caught:
        read_table(path, "joint")
    assert [p.where for p in caught.value.problems] == ["row 4"]
    path.write_text("board,name,kind,findings,marginal,weight,coverage_deg\n"
                    "b1,J1.1,,bridg,0,1,300\nb1,J1.2,,,0,1,much\n")
    with pytest.raises(InputError) as caught:
        read_table(path, "joint")
    assert [(p.where, p.got) for p in caught.value.problems] == [
        ("row 3, coverage_deg", "'much'"), ("row 2, findings", "'bridg'")]
    with pytest.raises(InputError, match="no such file"):
        read_table(tmp_path / "none.csv", "joint")
    path.write_text("board,colour\n")
    with pytest.raises(InputError, match="unknown column 'colour'"):
        read_table(path, "joint")


def test_joining_keeps_rows_and_fills_what_a_table_lacks() -> None:
    one, two = joint_table(1, 1), joint_table(2, 2)
    short = replace(two, columns={"coverage_deg": two.columns["coverage_deg"]})
    both = join_tables([one, short])
    assert len(both) == 120
    assert np.isnan(both.columns["land_cover_pct"][40:]).all()
    np.testing.assert_array_equal(both.columns["coverage_deg"][40:], two.columns["coverage_deg"])
    with pytest.raises(MeniscopeError, match="joints and chips"):
        join_tables([one, chip_table(1, 1)])


def test_columns_of_different_length_and_unknown_words_are_refused() -> None:
    table = joint_table(1, 1)
    with pytest.raises(MeniscopeError, match="column coverage_deg has 3 rows, findings have 40"):
        replace(table, columns={"coverage_deg": np.zeros(3)})
    with pytest.raises(MeniscopeError, match="unknown gap"):
        replace(table, columns={"gap": np.zeros(40)})
    with pytest.raises(MeniscopeError, match="unknown crack"):
        replace(table, findings=(("crack",),) * 40)


def test_one_board_cannot_be_split() -> None:
    with pytest.raises(MeniscopeError, match="got 1 boards"):
        board_folds(["b1"] * 10, 3)


def test_a_table_without_rows_takes_no_names_away() -> None:
    full = joint_table(4, 7)
    empty = LabelledTable("joint", {}, (), (), np.zeros(0, dtype=bool))
    joined = join_tables([full, empty])
    assert (joined.names, joined.kinds) == (full.names, full.kinds)
    assert len(join_tables([empty, empty])) == 0
