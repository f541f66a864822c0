"""station.toml: what is read, and that every kind of mistake is reported with its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from setup_files import STATION

from models.errors import InputError
from vision.setup import Light, Station, read_station, write_station


def problems_of(folder: Path, text: str) -> list[str]:
    """Write a station file, read it, and return its problems without the file's name."""
    path = folder / "station.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_station(path)
    assert all(problem.file == str(path) for problem in caught.value.problems)
    return [str(problem).removeprefix(f"{path}: ") for problem in caught.value.problems]


def test_a_good_file_is_read_whole(setup_folder: Path) -> None:
    station = read_station(setup_folder)
    assert (station.name, station.mm_per_px, station.black_level) == ("bench", 0.025, 6.0)
    assert station.exposures == ("a",)
    assert [light.channel for light in station.lights] == ["blue", "green", "red"]
    assert station.lights[0] == Light("high", "a", "blue", (8.0, 24.0), (0.0, 360.0), None)
    assert station.cross_talk is not None
    assert station.cross_talk[2] == (0.01, 0.04, 0.95)
    assert station.picture_px is None
    assert station.working_distance_mm is None


@pytest.mark.parametrize(("old", "new", "wanted"), [
    ("mm_per_px = 0.025", "mm_per_px = -0.025", "mm_per_px: got -0.025, wanted greater than 0.0005"),
    ("mm_per_px = 0.025", "mm_per_px = nan", "mm_per_px: got nan, wanted a finite number"),
    ("mm_per_px = 0.025", "mm_per_px = inf", "mm_per_px: got inf, wanted a finite number"),
    ("mm_per_px = 0.025", "mm_per_px = true", "mm_per_px: got True, wanted a number"),
    ("mm_per_px = 0.025", 'mm_per_px = "fine"', "mm_per_px: got 'fine', wanted a number"),
    ("mm_per_px = 0.025", "", "mm_per_px: got nothing, wanted a value"),
    ('name = "bench"', 'name = ""', "name: got nothing, wanted at least 1 character"),
    ("black_level = 6.0", "black_level = -1", "black_level: got -1, wanted greater than or equal to 0"),
    ("black_level = 6.0", "blacklevel = 6.0", "blacklevel: got an unknown key, wanted one of name, mm_per_px, files, "
     "black_level, cross_talk, working_distance_mm, picture_px, lights"),
    ("zenith_deg = [8, 24]", "zenith_deg = [24, 8]",
     "lights.1.zenith_deg: got [24, 8], wanted two angles, the smaller first"),
    ("zenith_deg = [8, 24]", "zenith_deg = [8, 95]", "lights.1.zenith_deg.2: got 95, wanted less than or equal to 90"),
    ("zenith_deg = [8, 24]", "zenith_deg = [8]", "lights.1.zenith_deg.2: got nothing, wanted a value"),
    ("zenith_deg = [8, 24]", "zenith = [8, 24]", "lights.1.zenith: got an unknown key, wanted one of name, exposure, "
     "channel, zenith_deg, azimuth_deg, flat_field, distance_mm"),
    ("zenith_deg = [8, 24]", "zenith_deg = [8, 24]\ndistance_mm = 2",
     "lights.1.distance_mm: got 2, wanted greater than or equal to 5"),
    ("zenith_deg = [8, 24]", "zenith_deg = [8, 24]\ndistance_mm = inf",
     "lights.1.distance_mm: got inf, wanted a finite number"),
    ("zenith_deg = [8, 24]", 'zenith_deg = [8, 24]\ndistance_mm = "near"',
     "lights.1.distance_mm: got 'near', wanted a number"),
    ("azimuth_deg = [0, 360]", "azimuth_deg = [0, 400]",
     "lights.3.azimuth_deg: got [0, 400], wanted two angles, the smaller first, at most 360 apart"),
    ('channel = "blue"', 'channel = "cyan"', "lights.1.channel: got 'cyan', wanted 'red', 'green', 'blue' or 'mono'"),
    ('channel = "blue"', 'channel = "green"',
     "lights.2.channel: got green of exposure 'a' again, wanted each channel of an exposure used by one light"),
    ('channel = "blue"', 'channel = "mono"',
     "lights: got exposure 'a' mono and coloured, wanted either mono or coloured"),
    ('name = "middle"', 'name = "high"', "lights.2.name: got 'high' again, wanted light names that differ"),
    ('channel = "green"', 'channel = "green"\nflat_field = "none.png"', "lights.2.flat_field: got no file "),
    ("{serial}_{view}_{exposure}.png", "{view}.png",
     "files: got '{view}.png', wanted {serial} once, {view} and {exposure} at most once"),
    ("{serial}_{view}_{exposure}.png", "{serial}_{serial}.png",
     "files: got '{serial}_{serial}.png', wanted {serial} once, {view} and {exposure} at most once"),
    ("{serial}_{view}_{exposure}.png", "{serial}_{lamp}.png",
     "files: got '{serial}_{lamp}.png', wanted only {serial}, {view} and {exposure} in braces"),
    ("{serial}_{view}_{exposure}.png", "{serial",
     "files: got '{serial', wanted a file name with {serial}, {view} and {exposure} in braces"),
    ("{serial}_{view}_{exposure}.png", "../{serial}.png",
     "files: got '../{serial}.png', wanted a file name without folders"),
    ("{serial}_{view}_{exposure}.png", "{serial}.gif",
     "files: got '{serial}.gif', wanted a name that ends in one of .png .tif .tiff .jpg .jpeg .bmp"),
    ('exposure = "a"\nchannel = "red"', 'exposure = "a/b"\nchannel = "red"',
     "lights.3.exposure: got 'a/b', wanted a word fit for a file name"),
    ("[0.96, 0.03, 0.01]", "[0.96, 0.03]", "cross_talk.1.3: got nothing, wanted a value"),
    ("[0.96, 0.03, 0.01]", "[0.03, 0.94, 0.03]", "cross_talk: got rows that hardly differ, wanted a table"),
    ("black_level = 6.0", "picture_px = [800.5, 600]", "picture_px.1: got 800.5, wanted integer"),
    ("black_level = 6.0", "picture_px = [0, 600]", "picture_px.1: got 0, wanted greater than or equal to 16"),
    ("black_level = 6.0", "working_distance_mm = 0", "working_distance_mm: got 0, wanted greater than 1"),
])
def test_each_mistake_has_its_place_and_what_is_wanted(tmp_path: Path, old: str, new: str, wanted: str) -> None:
    assert old in STATION
    found = problems_of(tmp_path, STATION.replace(old, new, 1))
    assert any(problem.startswith(wanted) for problem in found), found


def test_two_exposures_need_the_exposure_in_the_name(tmp_path: Path) -> None:
    text = STATION.replace("_{exposure}", "")
    text = text.replace('exposure = "a"\nchannel = "red"', 'exposure = "b"\nchannel = "red"')
    assert problems_of(tmp_path, text) == ["files: got '{serial}_{view}.png', wanted {exposure} in the name, since the "
                                           "lights use exposures 'a', 'b'"]


def test_lights_are_counted_not_printed(tmp_path: Path) -> None:
    first = STATION[:STATION.index("[[lights]]", STATION.index("[[lights]]") + 1)]
    assert problems_of(tmp_path, first) == ["lights: got 1 light, wanted at least 2"]
    many = first + first[first.index("[[lights]]"):] * 12
    assert problems_of(tmp_path, many) == ["lights: got 13 lights, wanted at most 12"]


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    text = (STATION.replace("mm_per_px = 0.025", "mm_per_px = nan").replace("[8, 24]", "[24, 8]")
            .replace('channel = "red"', 'channel = "pink"').replace("black_level", "blacklevel"))
    text += "distance_mm = -4\n"
    places = {problem.split(":")[0] for problem in problems_of(tmp_path, text)}
    assert places == {"mm_per_px", "lights.1.zenith_deg", "lights.3.channel", "lights.3.distance_mm", "blacklevel"}


@pytest.mark.parametrize(("content", "wanted"), [
    (b"name = ", "broken TOML"),
    (b"a = " + b"[" * 100_000, "broken TOML"),
    ("name = \"Prüf\"".encode("latin-1"), "text that is not UTF-8"),
    (b"", "got nothing, wanted a value"),
    (b"\0", "broken TOML"),
])
def test_files_that_are_no_toml(tmp_path: Path, content: bytes, wanted: str) -> None:
    path = tmp_path / "station.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=wanted):
        read_station(path)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_station(tmp_path / "absent.toml")
    (tmp_path / "station.toml").mkdir()
    with pytest.raises(InputError, match="got a folder, wanted a file"):
        read_station(tmp_path)
    with pytest.raises(InputError, match="no plain file"):
        read_station("/dev/zero")
    with pytest.raises(InputError, match="wanted a file name"):
        read_station("a\0b")


def test_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "station.toml"
    with path.open("wb") as file:
        file.truncate(40 * 1024**3)  # sparse: reading it would take all memory
    with pytest.raises(InputError, match="wanted a text file of at most"):
        read_station(path)


def test_a_byte_order_mark_is_no_problem(tmp_path: Path) -> None:
    path = tmp_path / "station.toml"
    path.write_bytes(b"\xef\xbb\xbf" + STATION.encode())
    assert read_station(path).name == "bench"


def test_flat_fields_are_found_beside_the_file(tmp_path: Path) -> None:
    (tmp_path / "flat.png").write_bytes(b"")
    text = STATION.replace('channel = "red"', 'channel = "red"\nflat_field = "flat.png"')
    (tmp_path / "station.toml").write_text(text)
    station = read_station(tmp_path)
    assert station.lights[2].flat_field == tmp_path / "flat.png"
    write_station(station, tmp_path / "again.toml")
    assert 'flat_field = "flat.png"' in (tmp_path / "again.toml").read_text()
    assert read_station(tmp_path / "again.toml") == station


words = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=12)
angles = st.tuples(st.floats(0, 44.9), st.floats(45, 90))


@st.composite
def stations(draw: st.DrawFn) -> Station:
    """Any station that the rules allow."""
    exposures = draw(st.lists(st.from_regex("[a-z0-9]{1,6}", fullmatch=True), min_size=1, max_size=3, unique=True))
    names = draw(st.lists(words, min_size=3 * len(exposures), max_size=3 * len(exposures), unique=True))
    places = [(exposure, channel) for exposure in exposures for channel in ("red", "green", "blue")]
    sectors = st.tuples(st.floats(-360, 0), st.just(0.0)).filter(lambda band: band[1] > band[0])
    lights = [Light(name, exposure, channel, draw(angles), draw(sectors), None,  # type: ignore[arg-type]
                    draw(st.none() | st.floats(5, 900)))
              for name, (exposure, channel) in zip(names, places, strict=True)]
    shares = st.floats(0, 0.2)
    talk = tuple(tuple(1.0 if row == column else draw(shares) for column in range(3)) for row in range(3))
    return Station(draw(words), draw(st.floats(0.001, 0.5)), draw(words.filter(lambda w: not set(w) & set("/\\{}")))
                   + "{serial}-{exposure}_{view}.tif", tuple(lights), draw(st.floats(0, 4000)),
                   draw(st.sampled_from([None, talk])), draw(st.none() | st.floats(10, 900)),  # type: ignore[arg-type]
                   draw(st.none() | st.tuples(st.integers(16, 9000), st.integers(16, 9000))))


@given(station=stations())
def test_what_is_written_is_read_back(tmp_path_factory: pytest.TempPathFactory, station: Station) -> None:
    path = tmp_path_factory.mktemp("station") / "station.toml"
    write_station(station, path)
    assert read_station(path) == station
