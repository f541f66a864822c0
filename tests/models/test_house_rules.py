"""A local file that overrides workmanship criteria."""

from __future__ import annotations

from pathlib import Path

import pytest
from invented_tables import joint_table

from models.criteria import CRITERIA, workmanship_rules
from models.errors import InputError
from models.house_rules import read_house_rules
from models.train import train_sheet

GOOD = """
[[criterion]]
finding = "partial_wetting"
measure = "coverage_deg"
below = ["none", 300.0, 340]
source = "drawing note 7"
guard = 6.0

[[criterion]]
finding = "blowhole"
measure = "pit_diameter_mm"
above = [0.5, 0.4, 0.3]
source = "customer letter"
"""


def test_own_numbers_take_the_place_of_the_built_in_ones(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(GOOD)
    criteria = read_house_rules(tmp_path / "own.toml")
    assert len(criteria) == len(CRITERIA)
    by_class = {grade: [rule for rule in workmanship_rules(grade, placed=False, criteria=criteria)
                        if rule.when[0].measure == "coverage_deg"] for grade in (1, 2, 3)}
    assert by_class[1] == []
    assert by_class[2][0].when[0].below == 300.0
    assert by_class[3][0].source == "workmanship class 3: drawing note 7, house rule"


def test_training_keeps_the_shops_own_number(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(GOOD)
    sheet = train_sheet(joint_table(12, 1), folds=0, criteria=read_house_rules(tmp_path / "own.toml")).sheet
    assert [c.below for r in sheet.rules for c in r.when if c.measure == "coverage_deg"] == [300.0]
    assert [c.above for r in sheet.rules for c in r.when if c.measure == "pit_diameter_mm"] == [0.4]


@pytest.mark.parametrize(("change", "words"), [
    (('"partial_wetting"', '"partial"'), "criterion 1, finding: got 'partial'"),
    (('"coverage_deg"', '"turn_deg"'), "turn_deg, measured on a chip"),
    (("300.0, 340", "300.0"), "three numbers for class 1, 2 and 3"),
    (("340", "400"), "which every value of coverage_deg meets"),
    (("guard = 6.0", "guard = -1"), "0 or a positive number"),
    (("guard = 6.0", "colour = 1"), "criterion 1, colour: got an unknown key"),
    (("guard = 6.0", "above = [1, 2, 3]"), "below and above, wanted one of the two"),
    (('source = "drawing note 7"', ""), "where the number comes from"),
    (("[[criterion]]", "[[rule]]"), "only [[criterion]] tables"),
    (('"blowhole"\nmeasure = "pit_diameter_mm"', '"partial_wetting"\nmeasure = "coverage_deg"'), "two criteria"),
])
def test_mistakes_are_named(tmp_path: Path, change: tuple[str, str], words: str) -> None:
    (tmp_path / "own.toml").write_text(GOOD.replace(*change))
    with pytest.raises(InputError) as caught:
        read_house_rules(tmp_path / "own.toml")
    assert words in str(caught.value)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_house_rules(tmp_path / "none.toml")
