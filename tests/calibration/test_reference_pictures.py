"""Reference pictures that cannot be used say why, and a plane, a dark picture and single lights give true numbers."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from models.errors import InputError
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
from vision.calibration.ball import find_ball
from vision.calibration.bands import read_lights
from vision.calibration.calibrate import calibrate, reference_of, write_calibration
from vision.calibration.pictures import CalibrationError, ReferenceFiles, find_references, read_shot
from vision.calibration.plane import black_level, camera_noise, cross_talk, flat_fields
from vision.calibration.reference import Limits, read_reference, reference_text
from vision.pipeline.view.capture import PictureError, load_view
from vision.setup import Light, read_station

STATION = three_rings()


def shot(paths, station=STATION, name="plane"):
    return read_shot(paths, station, name)


def changed(paths, change, exposure="a"):
    picture = cv2.imread(str(paths[exposure]), cv2.IMREAD_UNCHANGED)
    assert cv2.imwrite(str(paths[exposure]), change(picture))
    return paths


def refused(function, *words):
    with pytest.raises(CalibrationError) as caught:
        function()
    text = str(caught.value)
    assert "\n" not in text
    for word in words:
        assert word in text, text
    return text


# --- balls that cannot be used ---------------------------------------------------------------------------------------


def both_balls(folder):
    left = draw_ball(folder, STATION, Drawing(radius_px=80, centre_px=(150, 150)))
    right = cv2.imread(str(draw_ball(folder / "r", STATION, Drawing(radius_px=80, centre_px=(450, 300)))["a"]))
    return changed(left, lambda picture: np.hstack([picture[:, :300], right[:, 300:]]))


def oval(picture):
    return cv2.copyMakeBorder(cv2.resize(picture, (640, 420)), 30, 30, 0, 0, cv2.BORDER_REPLICATE)


@pytest.mark.parametrize(("make", "words"), [
    (lambda f: draw_plane(f, STATION), ("no ball found", "--ball-mm")),
    (lambda f: draw_plane(f, STATION, Drawing(noise=0.05)), ("no ball found",)),
    (both_balls, ("two balls", "(150, 150)", "(450, 300)")),
    (lambda f: draw_ball(f, STATION, Drawing(centre_px=(60, 240))), ("cut off", "middle")),
    (lambda f: draw_ball(f, STATION, Drawing(radius_px=25)), ("too small", "80 px")),
    (lambda f: changed(draw_ball(f, STATION), oval), ("not round",)),
    (lambda f: draw_ball(f, STATION, Drawing(highlight=30.0, blur_px=8.0)), ("full scale", "shorter exposure")),
    (lambda f: draw_ball(f, STATION, Drawing(paper=0.0)), ("below the horizon", "paper", "--ball-mm")),
], ids=["no ball", "noise", "two", "cut off", "small", "oval", "flooded", "lost outline"])
def test_a_ball_that_cannot_be_used_says_why(tmp_path, make, words):
    taken = shot(make(tmp_path), name="ball")

    def use():
        read_lights(taken, find_ball(taken), STATION)

    refused(use, "ball", *words)


@pytest.mark.parametrize("stray", [0.0, 0.1], ids=["dark", "only stray light"])
def test_a_light_that_never_lights_the_ball_is_named(tmp_path, stray):
    planes = ball_levels(STATION, Drawing())
    planes["middle"][:] = stray
    taken = shot(write(tmp_path, STATION, "ball", pictures(STATION, planes, Drawing())), name="ball")
    refused(lambda: read_lights(taken, find_ball(taken), STATION), "never lit by light middle", "exposure a", "red")


def test_the_same_file_for_two_exposures_is_refused(tmp_path):
    paths = draw_ball(tmp_path, three_exposures())
    refused(lambda: shot(paths | {"b": paths["a"]}, three_exposures()), "'a' and 'b'", "same picture")


def test_a_missing_exposure_and_wrong_picture_kinds_are_named(tmp_path):
    paths = draw_ball(tmp_path, three_exposures())
    refused(lambda: shot({"a": paths["a"]}, three_exposures()), "'b', 'c'")
    with pytest.raises(PictureError, match="wanted colour"):
        shot({"a": paths["a"]})
    with pytest.raises(PictureError, match="wanted 100 x 100"):
        shot(draw_ball(tmp_path, STATION), replace(STATION, picture_px=(100, 100)))


# --- the plane -------------------------------------------------------------------------------------------------------


def test_the_flat_field_follows_the_lamps(tmp_path):
    falls = (0.3, 0.5, 0.8)
    fields = flat_fields([shot(draw_plane(tmp_path, STATION, falls=falls))], STATION, 1.0)
    y, x = np.mgrid[:480, :640]
    away = ((x + 0.5) / 640 - 0.5) ** 2 + ((y + 0.5) / 480 - 0.5) ** 2
    for field, fall in zip(fields, falls, strict=True):
        true = 0.3 * (255.0 - 6.0) * (1.0 - fall * away / 0.5)
        assert np.abs(field.values / true - 1.0).max() < 0.03  # in the corner, at 15 grey levels
        assert np.abs(field.values / true - 1.0).mean() < 0.003


@pytest.mark.parametrize(("count", "size"), [(60, 3), (8, 9)])
def test_dust_leaves_no_trace(tmp_path, count, size):
    rng = np.random.default_rng(0)

    def dust(picture):
        for x, y in zip(rng.integers(20, 620, count), rng.integers(20, 460, count), strict=True):
            cv2.circle(picture, (int(x), int(y)), size, (10, 10, 10), -1)
        return picture

    (clean, *_) = flat_fields([shot(draw_plane(tmp_path / "c", STATION))], STATION, 1.0)
    (dusty, *_) = flat_fields([shot(changed(draw_plane(tmp_path / "d", STATION), dust))], STATION, 1.0)
    assert np.abs(dusty.values / clean.values - 1.0).max() < 0.02


def print_on(picture):
    for line in range(12):
        cv2.putText(picture, "printed paper " * 3, (5, 40 * line + 20), 0, 0.8, (20, 20, 20), 3)
    return picture


def half_shadow(picture):
    picture[:, 300:] //= 2
    return picture


@pytest.mark.parametrize(("make", "words"), [
    (lambda f: changed(draw_plane(f, STATION), print_on), ("structure", "clean matt paper")),
    (lambda f: changed(draw_plane(f, STATION), half_shadow), ("structure",)),
    (lambda f: draw_ball(f, STATION, serial="plane"), ("structure",)),
    (lambda f: draw_plane(f, STATION, level=1.2), ("full scale", "shorter exposure")),
    (lambda f: draw_plane(f, STATION, level=0.02), ("5 of 255", "is the light on")),
], ids=["print", "shadow", "ball", "clipped", "dark"])
def test_a_plane_that_cannot_be_used_says_why(tmp_path, make, words):
    refused(lambda: flat_fields([shot(make(tmp_path))], STATION, 1.0), "light high", *words)


def test_a_grey_card_is_carried_to_white_or_refused(tmp_path):
    taken = shot(draw_plane(tmp_path, STATION, level=0.1, falls=(0.0, 0.0, 0.0)))
    (field, *_) = flat_fields([taken], STATION, 0.5)
    assert field.level == pytest.approx(0.2 * 249.0, rel=0.01)
    refused(lambda: flat_fields([taken], STATION, 0.05), "a white sheet would give", "--reflectance")


def test_black_level_and_noise(tmp_path):
    """Electrons a level by photon transfer (EMVA standard 1288): signal over the variance that exceeds black's."""
    rng = np.random.default_rng(4)
    electrons_per_level = 40.0
    dark = write(tmp_path, STATION, "dark", {"a": np.round(rng.normal(9.3, 1.5, (480, 640, 3))).astype(np.uint8)})
    level, noise = black_level([shot(dark)])
    assert level == pytest.approx(9.3, abs=0.05)
    assert noise == pytest.approx(np.sqrt(1.5**2 + 1 / 12), rel=0.03)
    station = replace(STATION, black_level=9.3)
    sheets = []
    for number in (1, 2):
        seen = rng.poisson(70.0 * electrons_per_level, (480, 640, 3)) / electrons_per_level + rng.normal(
            9.3, 1.5, (480, 640, 3))
        sheets.append(shot(write(tmp_path, station, f"plane{number}", {"a": np.round(seen).astype(np.uint8)}), station))
    found = camera_noise(sheets, noise)
    assert found.electrons_per_level == pytest.approx(electrons_per_level, rel=0.05)
    assert camera_noise(sheets[:1], noise).electrons_per_level == pytest.approx(electrons_per_level, rel=0.05)


def test_a_picture_with_light_is_not_dark(tmp_path):
    refused(lambda: black_level([shot(draw_plane(tmp_path, STATION))]), "not dark", "cap")


def test_cross_talk_is_read_back(tmp_path):
    table = ((0.90, 0.06, 0.02), (0.07, 0.88, 0.08), (0.03, 0.06, 0.90))  # columns sum to one
    station = three_rings(cross_talk=table)
    single = {}
    for light in station.lights:
        paths = draw_plane(tmp_path, station, serial=f"only-{light.name}", only=light.name)
        single[light.name] = [read_shot(paths, station, "only", only=light)]
    assert np.abs(np.subtract(cross_talk(single, STATION), table)).max() < 0.003


def test_exchanged_colours_are_seen_where_one_light_is_on(tmp_path):
    light = STATION.lights[0]  # blue

    def red_for_blue(picture):
        return np.ascontiguousarray(picture[:, :, ::-1])

    paths = changed(draw_plane(tmp_path, STATION, serial="only-high", only="high"), red_for_blue)
    taken = read_shot(paths, STATION, "only-high", only=light)
    refused(lambda: cross_talk({"high": [taken]}, STATION), "blue should be brightest", "red")


# --- the whole -------------------------------------------------------------------------------------------------------


def all_pictures(folder, station):
    draw_ball(folder, station)
    draw_ball(folder, station, Drawing(centre_px=(280.2, 210.9), seed=2), serial="ball2")
    draw_plane(folder, station)
    draw_dark(folder, station, station.black_level)
    for light in station.lights:
        if light.channel != "mono":
            draw_plane(folder, station, serial=f"only-{light.name}", only=light.name)
    return folder


def test_a_whole_station_is_read_back(tmp_path):
    true = three_rings(black_level=9.0, cross_talk=((0.93, 0.05, 0.02), (0.05, 0.90, 0.06), (0.02, 0.05, 0.92)))
    rough = three_rings(lights=tuple(replace(light, zenith_deg=(light.zenith_deg[0] + 3, light.zenith_deg[1] + 2))
                                     for light in true.lights))
    found = calibrate(rough, find_references(all_pictures(tmp_path, true), rough), ball_mm=6.0)
    assert found.station.black_level == pytest.approx(9.0, abs=0.1)
    assert np.abs(np.subtract(found.station.cross_talk, true.cross_talk)).max() < 0.01
    for old, new in zip(true.lights, found.station.lights, strict=True):
        assert np.abs(np.subtract(old.zenith_deg, new.zenith_deg)).max() <= 0.15
    assert found.scale == pytest.approx(1.0, abs=0.001)
    assert found.scatter_deg < 0.2
    assert found.kept == ()
    assert found.cautions == ()


def test_what_has_no_picture_keeps_its_value(tmp_path):
    draw_ball(tmp_path, STATION)
    found = calibrate(STATION, find_references(tmp_path, STATION))
    assert found.station.black_level == STATION.black_level
    assert not found.fields
    assert [text.split(":")[0] for text in found.kept] == ["black level 6", "cross-talk", "flat-fields"]


def test_exchanged_exposures_are_suspected(tmp_path):
    paths = draw_ball(tmp_path, three_exposures())
    files = ReferenceFiles(ball=({"a": paths["c"], "b": paths["b"], "c": paths["a"]},))
    cautions = calibrate(three_exposures(), files).cautions
    assert any("light high stands where the old file has low" in text for text in cautions)
    assert any("light low stands where the old file has high" in text for text in cautions)


def test_a_wrong_diameter_is_told_or_refused(tmp_path):
    draw_ball(tmp_path, STATION)
    files = find_references(tmp_path, STATION)
    cautions = calibrate(STATION, files, ball_mm=6.1).cautions
    assert any(text.startswith("scale: the ball says 0.02033") for text in cautions)
    refused(lambda: calibrate(STATION, files, ball_mm=8.0), "px across", "400 px", "--ball-mm")


def test_nothing_is_overwritten_silently_and_what_is_written_is_read_back(tmp_path):
    found = calibrate(STATION, find_references(all_pictures(tmp_path / "p", STATION), STATION), ball_mm=6.0)
    reference = reference_of(found, ball_mm=6.0)
    out = tmp_path / "o" / "station.toml"
    _, written = write_calibration(found, reference, out, page="page")
    assert sorted(path.name for path in written) == ["calibration.html", "flat_high.png", "flat_low.png",
                                                    "flat_middle.png", "reference.toml", "station.toml"]
    before = {path: path.read_bytes() for path in written}
    with pytest.raises(InputError, match=r"there already.*--force"):
        write_calibration(found, reference, out, page="other")
    assert {path: path.read_bytes() for path in written} == before
    write_calibration(found, reference, out, page="other", force=True)
    assert (tmp_path / "o" / "calibration.html").read_text() == "other"
    assert not list((tmp_path / "o").glob(".*"))
    station = read_station(out)
    assert [light.zenith_deg for light in station.lights] == [light.zenith_deg for light in found.station.lights]
    again = read_reference(tmp_path / "o" / "reference.toml")
    assert again.ball_diameter_mm == 6.0
    assert again.light("low").sheet_level == pytest.approx(reference.light("low").sheet_level, rel=1e-5)
    assert again.limits == Limits()
    # A white sheet seen through the new file answers 1.0 everywhere: that is what a flat-field is for.
    capture = load_view("v1", {("v1", "a"): tmp_path / "p" / "plane_v1_a.png"}, station)
    for plane in capture.responses:
        assert np.median(plane) == pytest.approx(1.0, abs=0.01)
        assert np.abs(cv2.blur(plane, (31, 31)) - 1.0).max() < 0.02


def test_a_later_calibration_keeps_what_it_did_not_measure(tmp_path):
    full = calibrate(STATION, find_references(all_pictures(tmp_path / "p", STATION), STATION), ball_mm=6.0)
    first = reference_of(full, ball_mm=6.0)
    draw_plane(tmp_path / "q", STATION, level=0.2)
    second = reference_of(calibrate(STATION, find_references(tmp_path / "q", STATION)), before=first)
    assert second.light("high").ball_level == first.light("high").ball_level
    assert second.light("high").sheet_level < 0.7 * first.light("high").sheet_level
    assert second.ball_diameter_mm == 6.0


@pytest.mark.parametrize(("change", "words"), [
    (lambda text: text.replace("level_pct = [15.0, 45.0]", "level_pct = [45.0, 15.0]"), "limits.level_pct"),
    (lambda text: text.replace("bits = 8", "bits = true"), "bits"),
    (lambda text: text + "\nsurprise = 1\n", "surprise"),
])
def test_a_broken_reference_file_names_its_problem(tmp_path, change, words):
    draw_ball(tmp_path, STATION)
    path = tmp_path / "reference.toml"
    path.write_text(change(reference_text(reference_of(calibrate(STATION, find_references(tmp_path, STATION))))))
    with pytest.raises(InputError, match=words.replace(".", r"\.")):
        read_reference(path)


def test_reference_names_are_sorted_by_what_they_show(tmp_path):
    for name in ("ball_v1_a.png", "ball2_v1_a.png", "plane-morning_v1_a.PNG", "dark_v1_a.png", "only-high_v1_a.png",
                 "B0001_v1_a.png", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    found = find_references(tmp_path, STATION)
    assert len(found.ball) == 2
    assert len(found.plane) == len(found.dark) == 1
    assert list(found.only) == ["high"]
    assert [path.name for path in found.strangers] == ["B0001_v1_a.png"]
    (tmp_path / "only-top_v1_a.png").write_bytes(b"x")
    with pytest.raises(InputError, match="high, middle, low"):
        find_references(tmp_path, STATION)
    with pytest.raises(InputError, match="no such folder"):
        find_references(tmp_path / "away", STATION)


def test_a_light_that_meets_the_lens_and_one_level_with_the_board(tmp_path):
    station = three_rings(lights=(Light("near", "a", "blue", (0.0, 15.0)), Light("level", "a", "red", (70.0, 90.0))))
    taken = shot(draw_ball(tmp_path, station), station, "ball")
    near, level = read_lights(taken, find_ball(taken), station)
    assert near.zenith_deg[0] < 1.5
    assert near.zenith_deg[1] == pytest.approx(15.0, abs=0.5)
    assert level.zenith_deg == (pytest.approx(70.0, abs=0.5), pytest.approx(90.0, abs=1.5))
