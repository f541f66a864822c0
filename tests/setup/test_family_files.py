"""family.toml, joints.csv and chips.csv: what is read, and that every mistake of every file comes at once."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from setup_files import CHIPS, FAMILY, JOINTS, write_setup

from models.errors import InputError
from vision.setup import Chip, Family, Fiducial, Joint, View, cautions, read_family, read_station, write_family


def problems_of(folder: Path, **files: str) -> list[str]:
    """Write the files, read the family, and return the problems without the folder's name."""
    write_setup(folder, **files)
    with pytest.raises(InputError) as caught:
        read_family(folder)
    return [str(problem).removeprefix(f"{folder}/") for problem in caught.value.problems]


def test_good_files_are_read_whole(setup_folder: Path) -> None:
    family = read_family(setup_folder / "family.toml")
    assert family == read_family(setup_folder)
    assert (family.name, family.workmanship_class, family.seen_from) == ("bench-4", 2, "bottom")
    assert [joint.name for joint in family.joints] == ["J1.1", "J1.2", "C1.1", "C1.2"]
    assert family.joints[0] == Joint("J1", "1", 4.0, 5.0, "round", 1.8, 1.8, 0.0, 1.15, "square", 0.64, 0.64, "GND",
                                     "P1", "N4", "S1")
    assert family.joints[2].land_kind == "oblong 2.4 x 1.6 mm"
    assert family.joints[2].pot == ""
    assert family.chips == (Chip("R1", 8.0, 8.0, 90.0, 1.6, 0.8),)
    assert family.views == (View("v1", (8.0, 5.0), 0.0),)
    assert len(family.fiducials) == 3


@pytest.mark.parametrize(("old", "new", "wanted"), [
    ("workmanship_class = 2", "workmanship_class = 4", "family.toml: workmanship_class: got 4, wanted 1, 2 or 3"),
    ('seen_from = "bottom"', 'seen_from = "below"', "family.toml: seen_from: got 'below', wanted 'bottom' or 'top'"),
    ("diameter_mm = 1.0", "diameter_mm = -1.0",
     "family.toml: fiducials.1.diameter_mm: got -1.0, wanted greater than 0"),
    ("diameter_mm = 1.0", "diameter = 1.0",
     "family.toml: fiducials.1.diameter: got an unknown key, wanted one of x_mm, y_mm, diameter_mm"),
    ("x_mm = 1.0", "x_mm = nan", "family.toml: fiducials.1.x_mm: got nan, wanted a finite number"),
    ("center_mm = [8.0, 5.0]", "center_mm = [8.0, 5.0, 1.0]", "family.toml: views.1.center_mm: got [8.0, 5.0, 1.0], "
     "wanted at most 2 items"),
    ('name = "v1"', 'name = "a/b"', "family.toml: views.1.name: got 'a/b', wanted a word fit for a file name"),
    ('joints = "joints.csv"', "", "family.toml: joints: got nothing, wanted a value"),
    ('joints = "joints.csv"', 'joints = "other.csv"', "other.csv: got no such file or directory"),
    ('chips = "chips.csv"', 'chips = "other.csv"', "other.csv: got no such file or directory"),
    ('joints = "joints.csv"', 'joints = "a\\u0000b"', "'"),
])
def test_mistakes_in_family_toml(tmp_path: Path, old: str, new: str, wanted: str) -> None:
    assert old in FAMILY
    found = problems_of(tmp_path, family=FAMILY.replace(old, new, 1))
    assert any(problem.startswith(wanted) for problem in found), found


def test_a_file_that_is_not_there_is_told_what_it_was_to_be(tmp_path: Path) -> None:
    from vision.teaching import read_truth

    for read, name, wanted in ((read_family, "family", "the family.toml of a board family, or the folder that holds"),
                               (read_station, "station", "the station.toml of a camera station, or the folder that"),
                               (read_truth, "truth", "a truth.csv, or a folder that holds one")):
        with pytest.raises(InputError) as caught:
            read(tmp_path / name)
        assert f"{name}: got no such file or directory, wanted {wanted}" in str(caught.value)


def test_a_family_needs_a_view_and_names_views_once(tmp_path: Path) -> None:
    without = FAMILY[:FAMILY.index("[[views]]")]
    assert problems_of(tmp_path, family=without) == ["family.toml: views: got nothing, wanted a value"]
    twice = FAMILY + FAMILY[FAMILY.index("[[views]]"):]
    assert problems_of(tmp_path, family=twice) == ["family.toml: v1: got view v1 2 times, wanted each view once"]


@pytest.mark.parametrize(("old", "new", "wanted"), [
    ("J1,1,4.0", "J1,1,four", "row 2, x_mm: got 'four', wanted a number"),
    ("J1,1,4.0", "J1,1,nan", "row 2, x_mm: got 'nan', wanted a finite number"),
    ("J1,1,4.0", "J1,1,", "row 2, x_mm: got nothing, wanted a value"),
    ("J1,1,4.0", "J1,1,9e9", "row 2, x_mm: got '9e9', wanted less than or equal to 2000"),
    ("J1,1,4.0", ",1,4.0", "row 2, ref: got nothing, wanted a value"),
    ("J1,2,6.54", "J1,1,6.54", "J1.1: got joint J1.1 2 times, wanted each joint once"),
    ("J1,2,6.54", "J1,2,4.0", "x_mm 4, y_mm 5: got place x_mm 4, y_mm 5 2 times, wanted each place once"),
    ("round,1.8,1.8", "round,-1.8,1.8", "row 2, land_w_mm: got '-1.8', wanted greater than 0"),
    ("round,1.8,1.8", "round,0,1.8", "row 2, land_w_mm: got '0', wanted greater than 0"),
    ("round,1.8,1.8", "round,1.8,2.0", "row 2, land_h_mm: got a round land of 1.8 x 2 mm, wanted land_h_mm equal to"),
    ("round,1.8,1.8", "hexagon,1.8,1.8", "row 2, land_shape: got 'hexagon', wanted 'round', 'oblong' or 'rect'"),
    ("0,1.15,square", "0,1.9,square", "row 2, hole_mm: got a hole of 1.9 mm in a land of 1.8 x 1.8 mm, wanted a hole"),
    ("square,0.64,0.64", "square,0.9,0.9",
     "row 2, lead_w_mm: got a lead 1.27 mm across in a hole of 1.15 mm, wanted a lead"),
    ("square,0.64,0.64", "square,0.64,0.3", "row 2, lead_h_mm: got a square lead of 0.64 x 0.3 mm, wanted lead_h_mm"),
    ("GND,P1,N4,S1", "GND,P1,N4", "row 2: got 15 cells, wanted 16 cells"),
    ("GND,P1,N4,S1", "GND,P1,N4,S1,x", "row 2: got 17 cells, wanted 16 cells"),
    ("hole_mm,", "drill_mm,", "header: got unknown column 'drill_mm', wanted columns ref, pin"),
    ("hole_mm,", "drill_mm,", "header: got no column hole_mm, wanted columns ref, pin"),
    ("hole_mm,", "pin,", "header: got column pin twice, wanted each column once"),
])
def test_mistakes_in_joints_csv(tmp_path: Path, old: str, new: str, wanted: str) -> None:
    assert old in JOINTS
    found = problems_of(tmp_path, joints=JOINTS.replace(old, new, 1))
    assert any(problem.startswith(f"joints.csv: {wanted}") for problem in found), found


def test_one_missing_column_is_one_problem_and_other_cells_are_still_checked(tmp_path: Path) -> None:
    found = problems_of(tmp_path, joints=JOINTS.replace("hole_mm,", "drill_mm,").replace("6.54", "wide"))
    assert [problem for problem in found if "hole_mm:" in problem] == []
    assert "joints.csv: row 3, x_mm: got 'wide', wanted a number" in found
    assert len(found) == 3


@pytest.mark.parametrize(("mark", "name"), [(";", ";"), ("\t", "tabs"), ("|", "|")])
def test_a_table_with_other_marks_between_its_cells_is_one_problem(tmp_path: Path, mark: str, name: str) -> None:
    write_setup(tmp_path, joints=JOINTS.replace(",", mark))
    with pytest.raises(InputError) as error:
        read_family(tmp_path)
    assert [str(problem) for problem in error.value.problems] == [
        f"{tmp_path / 'joints.csv'}: header: got columns separated by {name}, wanted separated by ,"]


def test_row_numbers_count_the_lines_of_the_file(tmp_path: Path) -> None:
    lines = JOINTS.splitlines()
    text = "\n".join([lines[0], "", *lines[1:3], " , , ", lines[3].replace("9.5", "left"), ""])
    assert problems_of(tmp_path, joints=text) == ["joints.csv: row 6, x_mm: got 'left', wanted a number"]


def test_mistakes_of_all_files_come_at_once(tmp_path: Path) -> None:
    found = problems_of(tmp_path, family=FAMILY.replace("workmanship_class = 2", "workmanship_class = 9"),
                        joints=JOINTS.replace("6.54", "-").replace("9.5", "nan"), chips=CHIPS.replace("1.6", "0"))
    assert [problem.split(": got")[0] for problem in found] == [
        "family.toml: workmanship_class", "joints.csv: row 3, x_mm", "joints.csv: row 4, x_mm",
        "chips.csv: row 2, body_w_mm"]


def test_tables_without_rows(tmp_path: Path) -> None:
    header = JOINTS.splitlines()[0]
    assert problems_of(tmp_path, joints=header) == ["joints.csv: got no joints, wanted at least one"]
    assert problems_of(tmp_path, joints="")[0].startswith("joints.csv: got an empty file, wanted a header: ref, pin")
    write_setup(tmp_path, chips=CHIPS.splitlines()[0])
    assert read_family(tmp_path).chips == ()


@pytest.mark.parametrize(("content", "wanted"), [
    ("ref,pin\nJö,1".encode("latin-1"), "text that is not UTF-8"),
    (JOINTS.encode("utf-16"), "not UTF-8"),
    (b"ref\0pin", "NUL character"),
    (b'ref,pin\n"' + b"x" * 200_000, "field larger than field limit"),
])
def test_tables_that_are_no_plain_text(setup_folder: Path, content: bytes, wanted: str) -> None:
    (setup_folder / "joints.csv").write_bytes(content)
    with pytest.raises(InputError, match=wanted):
        read_family(setup_folder)


def test_a_huge_table_is_refused_unread(setup_folder: Path) -> None:
    with (setup_folder / "joints.csv").open("wb") as file:
        file.truncate(40 * 1024**3)
    with pytest.raises(InputError, match="wanted a text file of at most"):
        read_family(setup_folder)


def test_a_table_saved_by_a_spreadsheet_is_read(setup_folder: Path) -> None:
    text = JOINTS.replace("\n", "\r\n").replace("J1,1", '"J1", 1 ')
    (setup_folder / "joints.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert read_family(setup_folder).joints[0].name == "J1.1"


words = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=8)
notes = st.just("") | words
places = st.floats(-500, 500)
turns = st.floats(-360, 360)


@st.composite
def joints(draw: st.DrawFn) -> Joint:
    """Any joint that the rules allow."""
    hole = draw(st.floats(0.3, 3.0))
    land = draw(st.sampled_from(["round", "oblong", "rect"]))
    wide = hole * draw(st.floats(1.2, 3.0))
    lead = draw(st.sampled_from(["round", "square", "rect"]))
    thick = hole * draw(st.floats(0.1, 0.7))
    return Joint(draw(words), draw(words), draw(places), draw(places), land, wide,  # type: ignore[arg-type]
                 wide if land == "round" else hole * draw(st.floats(1.2, 3.0)), draw(turns), hole,
                 lead, thick, thick if lead != "rect" else thick * draw(st.floats(0.2, 1.0)),  # type: ignore[arg-type]
                 draw(notes), draw(notes), draw(notes), draw(notes))


@st.composite
def families(draw: st.DrawFn) -> Family:
    """Any family that the rules allow."""
    found = draw(st.lists(joints(), min_size=1, max_size=5, unique_by=(lambda j: j.name, lambda j: f"{j.x_mm:g}")))
    chips = [Chip(name, draw(places), draw(places), draw(turns), draw(st.floats(0.2, 9)), draw(st.floats(0.2, 9)))
             for name in draw(st.lists(words, max_size=3, unique=True))]
    marks = [Fiducial(x, y, 1.0) for x, y in draw(st.lists(st.tuples(places, places), max_size=3))]
    names = st.from_regex("[A-Za-z0-9]([A-Za-z0-9 ]{0,20}[A-Za-z0-9])?", fullmatch=True)
    views = [View(name, (draw(places), draw(places)), draw(turns))
             for name in draw(st.lists(names, min_size=1, max_size=3, unique=True))]
    return Family(draw(words), draw(st.sampled_from([1, 2, 3])), draw(st.sampled_from(["bottom", "top"])),  # type: ignore[arg-type]
                  tuple(found), tuple(chips), tuple(marks), tuple(views))


@given(family=families())
def test_what_is_written_is_read_back(tmp_path_factory: pytest.TempPathFactory, family: Family) -> None:
    folder = tmp_path_factory.mktemp("family")
    path = write_family(family, folder)
    assert read_family(path) == family


def test_a_fine_pair_has_no_cautions(setup_folder: Path) -> None:
    station = read_station(setup_folder)
    assert cautions(read_family(setup_folder), station) == []


def test_cautions_name_what_does_not_suit(setup_folder: Path) -> None:
    text = (setup_folder / "station.toml").read_text()
    text = text.replace("mm_per_px = 0.025", "mm_per_px = 0.05").replace("_{view}", "")
    (setup_folder / "station.toml").write_text(text)
    view = (setup_folder / "family.toml").read_text() + '\n[[views]]\nname = "v2"\ncenter_mm = [12.0, 5.0]\n'
    (setup_folder / "family.toml").write_text(view)
    found = [str(problem) for problem in cautions(read_family(setup_folder), read_station(setup_folder))]
    assert found == [
        "station: files: got '{serial}_{exposure}.png', wanted {view} in the name, since the family has 2 views",
        "station: mm_per_px: got 0.05, 32 px across a land of 1.6 mm, wanted at least 40 px"]
