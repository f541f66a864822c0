"""Every kind of bad picture and bad set becomes an `ungraded` board with its reason, and the rest is graded on."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import bad_pictures as bad
import invented_boards as invented
import pytest

from vision.pipeline.folder import scan_folder
from vision.records import Filter, list_inspections, open_database
from vision.records.batch import Job, grade_folder, once_each
from vision.records.verify import Tally, verify
from vision.records.workers import BoardGrader

AGAIN = "; take or copy it again"
UNKNOWN = "cannot be decoded, wanted png, tiff, jpeg or bmp" + AGAIN
STRANGE = "view v1: the board of family sample-1 was not found; check that the right board lies in the right place"
#: May follow STRANGE, by chance of what the damage looks like.
BRIGHT = re.compile(r"; \d+ % of the picture is at full scale: perhaps it needs a shorter exposure")
NO_LIGHT = ("view v1: light high (exposure a, blue), light low (exposure a, red) give no light: nothing above black, "
            "leak and noise on lands, fiducials and board; switched on, and the cable in?")
TOO_LONG = "view v1: exposure a is at full scale in 100 % of the picture; take it with a shorter exposure"
GREY = "got a grey picture, wanted colour; check the camera's pixel format"

#: The reason of each kind; {file} stands for the picture's name.
REASONS: dict[str, str] = {
    "empty": "{file}: empty file, wanted a picture" + AGAIN,
    "one byte": "{file}: " + UNKNOWN, "text": "{file}: " + UNKNOWN, "html": "{file}: " + UNKNOWN,
    "zeros": "{file}: " + UNKNOWN, "random": "{file}: " + UNKNOWN,
    "png cut after header": "{file}: cut off after 33 bytes" + AGAIN,
    "png cut in half": f"{{file}}: cut off after {len(bad.PNG) // 2} bytes" + AGAIN,
    "png without end": f"{{file}}: cut off after {len(bad.PNG) - 20} bytes" + AGAIN,
    "png header flipped": "{file}: damaged (checksum of chunk",
    "png data flipped": "{file}: damaged (checksum of chunk",
    "jpeg cut in half": "{file}: cut off (no end marker)" + AGAIN, "jpeg header flipped": "{file}: " + UNKNOWN,
    "jpeg data flipped": STRANGE, "tiff cut in half": "{file}: " + UNKNOWN, "tiff header flipped": "{file}: " + UNKNOWN,
    "gigantic header": "{file}: header promises 60000 x 60000 px, more than 250000000 in all",
    "impossible header": "{file}: header promises 2147483647 x 2147483647 px, more than 250000000 in all",
    "header of no width": "{file}: " + UNKNOWN,
    "one pixel": "{file}: got 1 x 1 px, wanted at least 64 px each way",
    "grey": "{file}: " + GREY, "grey 16 bit": "{file}: " + GREY, "black and white": "{file}: " + GREY,
    "colour 16 bit": STRANGE, "alpha": STRANGE, "palette": STRANGE, "cmyk jpeg": STRANGE, "gif": STRANGE,
    "float tiff": "{file}: got float32 pixels, wanted 8 or 16 bit",
    "upside down": STRANGE, "all black": f"{NO_LIGHT} ({STRANGE})",
    "all white": f"{TOO_LONG} ({STRANGE})", "noise": STRANGE,
}
#: Serials that file names may bring.
SERIALS = ("..", "'; DROP TABLE unit; --", "$(reboot)", "<script>", "=1+1", "\u202eB1", "Ж漢字🙂", " ", "%s{0}",
           "x" * 90, "-rf", "NULL", "0x1", "tab\there")


@pytest.fixture(scope="module")
def graded() -> Iterator[dict[str, dict[str, object]]]:
    """Grade one folder with every bad kind in it; gives the recorded inspections by serial."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "pictures"
        folder.mkdir()
        for name, content in bad.KINDS.items():
            (folder / f"{name}_v1_a.png").write_bytes(content())
        for serial in SERIALS:
            (folder / f"{serial}_v1_a.png").write_bytes(b"no picture")
        (folder / os.fsdecode(b"\xff\xfe_v1_a.png")).write_bytes(b"no picture")
        (folder / "twice_v1_a.png").write_bytes(bad.PNG)
        (folder / "twice_v1_a.PNG").write_bytes(bad.PNG)
        (folder / "folder_v1_a.png").mkdir()
        (folder / "dangling_v1_a.png").symlink_to(folder / "nowhere")
        (folder / "notes.txt").write_text("not a picture")
        engine = open_database(Path(temporary) / "r.sqlite")
        family, station, sheet = invented.family(), invented.station(), invented.sheet()
        job = Job(engine, family, station, sheet, in_flight=4)
        grader = BoardGrader(family, station, sheet)
        boards = scan_folder(folder, station, family)
        results = list(grade_folder(once_each(boards), grader, lambda: ThreadPoolExecutor(2), job))
        assert len(results) == len(boards)
        assert not any(result.fault for result in results), [r for r in results if r.fault]
        assert list(verify(engine, Filter(), Tally())) == []
        again = list(grade_folder(once_each(boards), grader, lambda: ThreadPoolExecutor(2), job))
        assert all(result.skipped for result in again)
        yield {row["serial"]: row for row in list_inspections(engine)}
        engine.dispose()


def test_every_kind_has_its_reason_listed() -> None:
    assert set(REASONS) == set(bad.KINDS)
    assert len(REASONS) + len(SERIALS) >= 40


@pytest.mark.parametrize("kind", REASONS)
def test_bad_pictures(graded: dict[str, dict[str, object]], kind: str) -> None:
    row = graded[kind]
    assert row["verdict"] == "ungraded"
    expected = REASONS[kind].format(file=f"{kind}_v1_a.png")
    reason = str(row["reason"])
    if expected == STRANGE:
        reason = BRIGHT.sub("", reason)
    assert reason == expected or (expected.endswith("chunk") and reason.startswith(expected)), reason
    assert "\n" not in reason


@pytest.mark.parametrize("serial", SERIALS)
def test_hostile_serials(graded: dict[str, dict[str, object]], serial: str) -> None:
    row = graded[serial]
    assert row["verdict"] == "ungraded"
    assert row["reason"]
    assert "\n" not in str(row["reason"])


def test_a_name_that_is_no_text(graded: dict[str, dict[str, object]]) -> None:
    assert graded["\\udcff\\udcfe"]["verdict"] == "ungraded"


def test_two_pictures_of_one_view(graded: dict[str, dict[str, object]]) -> None:
    assert graded["twice"]["reason"] == ("serial twice has 2 pictures of view v1, exposure a: twice_v1_a.PNG, "
                                         "twice_v1_a.png")


def test_what_is_no_file_is_no_board(graded: dict[str, dict[str, object]]) -> None:
    assert not {"folder", "dangling", "notes"} & set(graded)
