"""uncertainty.csv beside family.toml: reading back what was written, and every mistake at once."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.errors import InputError
from models.uncertainty import ANY, Band, UncertaintyModel
from models.vocabulary import JOINT_MEASURES
from vision.records.keys import family_content
from vision.setup import read_family, write_family
from vision.setup.uncertainty import COLUMNS, read_uncertainty, write_uncertainty

HEADER = ",".join(COLUMNS)
FILE = f"""\
{HEADER}
bench,coverage_deg,,,0,360,400,-1.5,2,3.5,-8,12
bench,coverage_deg,,,360,360,1200,0,0,0.2887,0,0
bench,coverage_deg,round 1.8 mm,,0,360,200,-1.5,,2.5,-6,9
bench,coverage_deg,,blur,0,360,90,-3,4,6.5,-12,20
,turn_deg,,,-20,20,50,0,0.5,1.5,-3,3
"""


def test_a_family_knows_its_uncertainty_where_the_file_is_there(setup_folder: Path) -> None:
    without = read_family(setup_folder)
    assert without.uncertainty is None
    (setup_folder / "uncertainty.csv").write_text(FILE)
    found = read_family(setup_folder)
    assert found.uncertainty is not None
    assert found.uncertainty.bands[2] == Band("bench", "coverage_deg", "round 1.8 mm", ANY, 0.0, 360.0, 200, -1.5,
                                              found.uncertainty.bands[2].repeatability, 2.5, -6.0, 9.0)
    assert math.isnan(found.uncertainty.bands[2].repeatability)
    assert [band.condition for band in found.uncertainty.bands] == ["", "", "", "blur", ""]


def test_learning_the_uncertainty_anew_makes_no_other_family(setup_folder: Path) -> None:
    without = read_family(setup_folder)
    (setup_folder / "uncertainty.csv").write_text(FILE)
    found = read_family(setup_folder)
    assert found == without
    assert family_content(found) == family_content(without)
    assert "uncertainty" not in family_content(found)[0]


def test_a_family_takes_its_uncertainty_along(setup_folder: Path, tmp_path: Path) -> None:
    (setup_folder / "uncertainty.csv").write_text(FILE)
    write_family(read_family(setup_folder), tmp_path / "copy")
    copied = read_family(tmp_path / "copy").uncertainty
    assert copied is not None
    assert repr(copied.bands) == repr(read_uncertainty(setup_folder / "uncertainty.csv").bands)


@pytest.mark.parametrize(("old", "new", "wanted"), [
    ("bench,coverage_deg,,,360", "bench,shine,,,360", "row 3, measure: got 'shine', wanted a measurement of the vocab"),
    ("0,360,400", "0,x,400", "row 2, to: got 'x', wanted a number"),
    ("0,360,400", "0,nan,400", "row 2, to: got 'nan', wanted a finite number"),
    ("0,360,400", "0,350,400", "row 3, from: got 360, wanted 350, where the band before ends"),
    (",200,-1.5", ",0,-1.5", "row 4, n: got '0', wanted greater than or equal to 1"),
    (",200,-1.5", ",2.5,-1.5", "row 4, n: got '2.5', wanted"),
    ("-1.5,2,3.5", "-1.5,-2,3.5", "row 2, repeatability: got '-2', wanted greater than or equal to 0"),
    ("-1.5,2,3.5", "-1.5,2,-3.5", "row 2, standard_uncertainty: got '-3.5', wanted greater than or equal to 0"),
    ("-1.5,2,3.5", "-1.5,2,", "row 2, standard_uncertainty: got nothing, wanted a value"),
    ("-8,12", "12,-8", "row 2, high_95: got -8, wanted 12 (low_95) or more"),
    (",-20,20,", ",20,-20,", "row 6, to: got -20, wanted 20 (from) or more"),
    (",turn_deg,,", ",turn_deg,round 1 mm,", "row 6, land_kind: got 'round 1 mm', wanted nothing for a measurement"),
    ("low_95,high_95", "low_95,high", "header: got no column high_95"),
    ("round 1.8 mm", "x" * 61, "row 4, land_kind: got "),
])
def test_mistakes_are_told_in_words(setup_folder: Path, old: str, new: str, wanted: str) -> None:
    assert old in FILE
    (setup_folder / "uncertainty.csv").write_text(FILE.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        read_family(setup_folder)
    found = [str(problem).removeprefix(f"{setup_folder}/uncertainty.csv: ") for problem in caught.value.problems]
    assert any(problem.startswith(wanted) for problem in found), found


def test_mistakes_of_all_files_come_at_once(setup_folder: Path) -> None:
    (setup_folder / "uncertainty.csv").write_text(FILE.replace("-8,12", "12,-8").replace("400", "-1"))
    chips = setup_folder / "chips.csv"
    chips.write_text(chips.read_text().replace("1.6,0.8", "1.6,-0.8"))
    with pytest.raises(InputError) as caught:
        read_family(setup_folder)
    places = " ".join(f"{Path(problem.file).name} {problem.where}" for problem in caught.value.problems)
    assert "uncertainty.csv row 2, n" in places
    assert "chips.csv row 2, body_h_mm" in places


@pytest.mark.parametrize("text", ["", "\0", HEADER + "\n" + "a" * 200, "\x80"])
def test_what_is_no_such_table_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "uncertainty.csv").write_bytes(text.encode("latin-1"))
    with pytest.raises(InputError):
        read_uncertainty(tmp_path / "uncertainty.csv")


def test_a_folder_in_its_place_is_refused(setup_folder: Path) -> None:
    (setup_folder / "uncertainty.csv").mkdir()
    with pytest.raises(InputError, match="got a folder, wanted a file"):
        read_family(setup_folder)


def test_a_table_of_too_many_rows_is_refused(tmp_path: Path) -> None:
    rows = "\n".join(f",turn_deg,,,{k},{k + 1},50,0,,1,-2,2" for k in range(20_001))
    (tmp_path / "uncertainty.csv").write_text(f"{HEADER}\n{rows}\n")
    with pytest.raises(InputError, match="20001 rows, wanted at most 20000"):
        read_uncertainty(tmp_path / "uncertainty.csv")


spreads = st.floats(0.0, 1e9, allow_nan=False)
words = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), max_size=20)
bands = st.builds(Band, words, st.sampled_from(JOINT_MEASURES), words, words, st.floats(-1e9, 0.0), st.floats(0.0, 1e9),
                  st.integers(1, 10**9), st.floats(-1e9, 1e9), st.one_of(spreads, st.just(math.nan)), spreads,
                  st.floats(-1e9, 0.0), st.floats(0.0, 1e9))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(bands, max_size=6, unique_by=lambda b: (b.station, b.measure, b.land_kind, b.condition)))
def test_what_is_written_reads_back_the_same(tmp_path: Path, some: list[Band]) -> None:
    path = write_uncertainty(some, tmp_path)
    assert [dataclasses.astuple(band) for band in map(nan_as_word, read_uncertainty(path).bands)] == \
           [dataclasses.astuple(band) for band in map(nan_as_word, UncertaintyModel(tuple(some)).bands)]


def nan_as_word(band: Band) -> Band:
    """NaN differs from itself, so a band with it could not be compared."""
    return dataclasses.replace(band, repeatability=-1.0) if math.isnan(band.repeatability) else band
