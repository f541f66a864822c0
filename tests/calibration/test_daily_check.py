"""A day's pictures against the calibration: what has changed is named, what has not is good."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from synthetic_images.board import plan_board, render_view
from synthetic_images.camera import expose
from tests.calibration.drawn import (
    Drawing,
    ball_levels,
    draw_ball,
    draw_dark,
    draw_plane,
    pictures,
    three_exposures,
    three_rings,
    write,
)
from tests.synthetic_images.small import quiet_recipe, small_family, small_station
from vision.calibration.boards import board_reference, look_at_boards
from vision.calibration.calibrate import calibrate, reference_of, write_calibration
from vision.calibration.check import check_boards, check_references, worst
from vision.calibration.pictures import CalibrationError, ReferenceFiles, find_references
from vision.calibration.reference import read_reference
from vision.pipeline.folder import scan_folder
from vision.setup import read_station


@pytest.fixture(scope="module", params=["colour", "mono"])
def calibrated(request, tmp_path_factory):
    """A calibrated station with its reference: three rings in one colour picture, or one after the other."""
    folder = tmp_path_factory.mktemp("calibrated")
    old = three_rings() if request.param == "colour" else three_exposures()
    draw_ball(folder / "p", old)
    draw_plane(folder / "p", old)
    found = calibrate(old, find_references(folder / "p", old), ball_mm=6.0)
    write_calibration(found, reference_of(found, ball_mm=6.0), folder / "station.toml")
    return read_station(folder / "station.toml"), read_reference(folder / "reference.toml")


def checked(calibrated, folder):
    station, reference = calibrated
    return check_references(station, reference, find_references(folder, station))


def the(findings, what, light=""):
    (found,) = [finding for finding in findings if finding.what == what and finding.light == light]
    return found


def test_an_unchanged_station_is_good(tmp_path, calibrated):
    station, _ = calibrated
    draw_ball(tmp_path, station, Drawing(seed=9, centre_px=(300.0, 250.0)))
    draw_plane(tmp_path, station, Drawing(seed=8))
    draw_dark(tmp_path, station, 6.0)
    found = checked(calibrated, tmp_path)
    assert {finding.target for finding in found} == {"ball", "plane", "dark"}
    assert worst(found) == "good", [finding for finding in found if finding.result != "good"]
    assert all(finding.note == "" for finding in found)


@pytest.mark.parametrize(("share", "result", "word"), [
    (0.9, "good", ""), (0.75, "caution", "weak"), (0.4, "fault", "weak"), (1.3, "caution", "too bright"),
    (0.0, "fault", "dead")])
def test_a_light_s_level_is_judged_by_the_limits(tmp_path, calibrated, share, result, word):
    station, _ = calibrated
    drawing = Drawing(seed=4)
    planes = ball_levels(station, drawing)
    planes["middle"] = planes["middle"] * share
    write(tmp_path, station, "ball", pictures(station, planes, drawing))
    sheet = {light.name: np.full((480, 640), 0.3 * 0.9 * (share if light.name == "middle" else 1.0), np.float32)
             for light in station.lights}
    write(tmp_path, station, "plane", pictures(station, sheet, drawing))
    found = [finding for finding in checked(calibrated, tmp_path) if finding.what == "level"]
    for finding in found:
        if finding.light == "middle":
            assert finding.result == result
            assert word in finding.note
            assert not word or "light middle (exposure" in finding.note
        else:
            assert finding.result == "good"
    assert {finding.target for finding in found if finding.light == "middle"} == {"ball", "plane"}


def test_exchanged_lights_are_named(tmp_path, calibrated):
    station, _ = calibrated
    drawing = Drawing(seed=4)
    planes = ball_levels(station, drawing)
    planes["high"], planes["low"] = planes["low"], planes["high"]
    write(tmp_path, station, "ball", pictures(station, planes, drawing))
    found = [finding for finding in checked(calibrated, tmp_path) if "exchanged" in finding.note]
    assert [(finding.light, finding.result) for finding in found] == [("high", "fault"), ("low", "fault")]
    assert "stands where low should" in found[0].note


def test_a_moved_ring_a_turned_sector_and_half_a_ring_are_named(tmp_path, calibrated):
    station, _ = calibrated
    moved = replace(station, lights=(
        replace(station.lights[0], zenith_deg=(10.5, 28.5)), replace(station.lights[1], azimuth_deg=(0.0, 200.0)),
        station.lights[2]))
    draw_ball(tmp_path, moved)
    found = checked(calibrated, tmp_path)
    assert the(found, "zenith", "high").result == "caution"
    assert the(found, "zenith", "high").change == pytest.approx(2.5, abs=0.3)
    assert the(found, "azimuth", "middle").result == "fault"
    assert "part of the ring is dark" in the(found, "azimuth", "middle").note
    assert the(found, "zenith", "low").result == "good"


def test_focus_scale_black_and_clipping(tmp_path, calibrated):
    station, _ = calibrated
    draw_ball(tmp_path, station, Drawing(blur_px=1.6, radius_px=150.9))
    draw_plane(tmp_path, station, level=1.05)
    draw_dark(tmp_path, station, 10.0)
    found = checked(calibrated, tmp_path)
    assert the(found, "focus").result == "caution"
    assert the(found, "focus").note == "out of focus"
    assert the(found, "scale").result == "caution"
    assert the(found, "scale").change == pytest.approx(0.6, abs=0.1)
    assert the(found, "black level").result == "caution"
    assert the(found, "full scale", "high").result == "fault"


def test_brightness_spread_otherwise_is_named(tmp_path, calibrated):
    station, _ = calibrated
    draw_plane(tmp_path, station, falls=(0.2, 0.2, 0.45))
    found = checked(calibrated, tmp_path)
    assert the(found, "evenness", "low").result == "fault"
    assert the(found, "evenness", "high").result == "good"


def test_unusable_pictures_are_faults_with_their_reason(tmp_path, calibrated):
    station, _ = calibrated
    draw_plane(tmp_path, station, serial="ball")
    found = checked(calibrated, tmp_path)
    assert [finding.result for finding in found] == ["fault"]
    assert "no ball found" in found[0].note


def test_limits_are_read_from_the_reference_file(tmp_path, calibrated):
    station, reference = calibrated
    draw_ball(tmp_path, station, Drawing(blur_px=1.6))
    strict = replace(reference, limits=replace(reference.limits, blur_px=(0.1, 0.2)))
    found = check_references(station, strict, find_references(tmp_path, station))
    assert the(found, "focus").result == "fault"
    assert the(found, "focus").limits == (0.1, 0.2)


def test_nothing_to_compare_gives_no_findings(calibrated):
    station, reference = calibrated
    assert check_references(station, reference, ReferenceFiles()) == []
    assert worst([]) == "good"


# --- boards ----------------------------------------------------------------------------------------------------------


class Day:
    """Small boards rendered once, photographed anew for every test."""

    def __init__(self):
        self.family, self.station = small_family(), small_station()
        recipe = quiet_recipe(place__scale_error=0.0, light__level=1.0)
        self.responses = [render_view(plan_board(self.family, np.random.default_rng(60 + i), recipe=recipe,
                                                 look_seed=7, defect_rate=0.1), "v1", self.station).responses
                          for i in range(3)]

    def look(self, folder, gains=(1.0, 1.0, 1.0), blur=None, order=(0, 1, 2)):
        folder.mkdir(exist_ok=True)
        entries = {} if blur is None else {"camera__blur": blur}
        recipe = quiet_recipe(light__level=1.0, camera__white_share=0.3, **({"camera__blur": 0.7} | entries))
        for number, rendered in enumerate(self.responses):
            seen = rendered[list(order)] * np.array(gains, np.float32)[:, None, None]
            taken = expose(seen, self.station, recipe, np.random.default_rng(number))
            assert cv2.imwrite(str(folder / f"B{number}_v1_a.png"), taken["a"])
        return look_at_boards(scan_folder(folder, self.station, self.family), self.family, self.station)


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    made = Day()
    made.reference = replace(reference_of(_nothing(made.station)), boards=(
        board_reference(made.look(tmp_path_factory.mktemp("good")), made.family),))
    return made


def _nothing(station):
    from vision.calibration.calibrate import unchanged

    return unchanged(station)


def of_boards(day, seen):
    return check_boards(seen, day.family, day.station, day.reference)


def test_the_same_boards_are_good(tmp_path, day):
    found = of_boards(day, day.look(tmp_path / "d"))
    assert worst(found) == "good", [finding for finding in found if finding.result != "good"]
    assert {finding.what for finding in found} == {"scale", "full scale", "focus", "level"}


@pytest.mark.parametrize(("gains", "light", "result"), [((1.0, 0.7, 1.0), "middle", "caution"),
                                                        ((1.0, 1.0, 0.5), "low", "fault")])
def test_a_weak_light_is_seen_on_boards(tmp_path, day, gains, light, result):
    found = of_boards(day, day.look(tmp_path / "d", gains))
    for finding in found:
        assert finding.result == (result if (finding.what, finding.light) == ("level", light) else "good"), finding
    assert f"light {light}" in the(found, "level", light).note


@pytest.mark.parametrize(("gains", "order", "kind", "light"), [((1.0, 0.0, 1.0), (0, 1, 2), "dead", "middle"),
                                                               ((1.0, 1.0, 1.0), (2, 1, 0), "exchanged", "high, low")])
def test_dead_and_exchanged_lights_are_seen_on_boards(tmp_path, day, gains, order, kind, light):
    found = of_boards(day, day.look(tmp_path / "d", gains, order=order))
    assert the(found, kind, light).result == "fault"
    assert "3 of 3 boards" in the(found, kind, light).note


def test_lost_focus_is_seen_on_boards(tmp_path, day):
    found = of_boards(day, day.look(tmp_path / "d", blur=1.8))
    assert the(found, "focus").result in ("caution", "fault")
    assert the(found, "level", "high").result == "good"


def test_boards_that_cannot_be_read_are_told(tmp_path, day):
    (tmp_path / "B1_v1_a.png").write_bytes(b"no picture")
    seen = look_at_boards(scan_folder(tmp_path, day.station, day.family), day.family, day.station)
    (found,) = of_boards(day, seen)
    assert found.result == "fault"
    assert "1 of 1 boards: B1_v1_a.png: cannot be decoded" in found.note
    with pytest.raises(CalibrationError, match="none could be read"):
        board_reference(seen, day.family)


def test_faulty_boards_are_no_reference(tmp_path, day):
    with pytest.raises(CalibrationError, match=r"light middle .* gives no light"):
        board_reference(day.look(tmp_path / "d", (1.0, 0.0, 1.0)), day.family)


def test_without_boards_in_the_reference_levels_are_not_compared(tmp_path, day):
    found = check_boards(day.look(tmp_path / "d"), day.family, day.station, replace(day.reference, boards=()))
    assert "--boards" in the(found, "level").note
    assert worst(found) == "good"
