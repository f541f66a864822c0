"""The drift watch on a simulated line: every drift found, in its right place, soon; quiet where nothing drifts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_line import history_of
from scipy import stats

from models.errors import MeniscopeError
from synthetic_images.line_lot import Drift, line_family, simulate_line
from vision.line.history import History
from vision.line.locate import locate
from vision.line.series import memory, spots, unlinked
from vision.line.watch import Known, Settings, scan
from vision.line.watching import stretch

FAMILY = line_family()
START = 80
#: Drift, place that must be named, and within how many boards it must be found.
DRIFTS = [
    (Drift("nozzle_dewetting", START, place="N2"), "nozzle N2", 30),
    (Drift("nozzle_dewetting", START, place="N3"), "nozzle N3", 30),
    (Drift("flux_jet_clogging", START, place="S5"), "step S5", 20),
    (Drift("cold_after_pause", START), "whole board", 25),
    (Drift("poor_board_batch", 100, length=50), "whole board", 20),
]


def drifting(drift: Drift, seed: int, after: int = 40) -> History:
    return history_of(simulate_line(FAMILY, boards=drift.start + after, seed=seed, drifts=(drift,)))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("drift", "place", "within"), DRIFTS, ids=lambda item: getattr(item, "kind", None))
def test_every_drift_is_found_in_its_place_and_soon(drift: Drift, place: str, within: int, seed: int) -> None:
    found = scan(drifting(drift, seed))
    assert [item.location.best.text for item in found] == [place]
    assert drift.start <= found[0].seen < drift.start + within
    assert found[0].location.share > 0.99


@pytest.mark.parametrize("seed", range(6))
def test_the_start_of_a_sudden_drift_is_dated(seed: int) -> None:
    found = scan(drifting(DRIFTS[4][0], seed))[0]
    assert found.since_low - 1 <= 100 <= found.since_high + 1
    assert abs(found.since - 100) <= 10


def test_it_is_found_before_any_limit_is_broken() -> None:
    """The batch of poor boards shifts measurements, not one finding more than usual by the time of the alarm."""
    history = drifting(DRIFTS[4][0], 3)
    found = scan(history)[0]
    before, after = slice(0, 100), slice(100, found.seen + 1)
    rate = [sum(truth[part].mean() for truth in history.findings.values()) for part in (before, after)]
    assert rate[1] <= 2.0 * rate[0]
    assert found.quantity in history.measures


def test_200_shifts_without_drift_are_as_quiet_as_stated() -> None:
    # stated: P(alarm within n watched boards) <= n / false_alarm_boards; here 100 / 2000, so at most 10 of 200 shifts
    settings = Settings(false_alarm_boards=2000.0)
    boards = settings.settle + 100
    alarms = sum(bool(scan(history_of(simulate_line(FAMILY, boards=boards, seed=1000 + shift)), settings))
                 for shift in range(200))
    assert alarms <= 10


@pytest.mark.parametrize("correlation", [0.3, 0.6])
def test_boards_that_resemble_their_neighbours_raise_no_more_alarms(correlation: float) -> None:
    settings = Settings(false_alarm_boards=2000.0)
    alarms = sum(bool(scan(history_of(simulate_line(FAMILY, boards=140, seed=5000 + shift, correlation=correlation)),
                           settings)) for shift in range(40))
    assert alarms <= stats.binom.ppf(0.99, 40, 0.05)


def test_memory_is_measured_and_removed() -> None:
    rng = np.random.default_rng(7)
    values = rng.normal(0, 1, (600, 4))
    for i in range(1, 600):
        values[i] += 0.6 * values[i - 1]
    first, second = memory(values)
    assert first == pytest.approx(0.6, abs=0.08)
    assert abs(second) < 0.1
    left = unlinked(values, (first, second))
    assert abs(np.corrcoef(left[1:, 0], left[:-1, 0])[0, 1]) < 0.1
    step = rng.normal(0, 1, (600, 4)) + np.where(np.arange(600) >= 300, 3.0, 0.0)[:, None]
    assert memory(step)[0] < 0.15  # a step is no memory


def test_two_drifts_raise_two_alarms_each_in_its_place() -> None:
    drifts = (Drift("nozzle_dewetting", 80, place="N2"), Drift("flux_jet_clogging", 110, place="S7"))
    found = scan(history_of(simulate_line(FAMILY, boards=150, seed=1, drifts=drifts)))
    assert [item.location.best.text for item in found] == ["nozzle N2", "step S7"]
    assert found[0].seen < found[1].seen


def test_a_drift_of_everything_is_seen_beside_an_open_alarm() -> None:
    drifts = (Drift("nozzle_dewetting", 80, place="N2"), Drift("cold_after_pause", 120))
    found = scan(history_of(simulate_line(FAMILY, boards=160, seed=2, drifts=drifts)))
    assert [item.location.best.text for item in found] == ["nozzle N2", "whole board"]
    assert 120 <= found[1].seen < 145


def test_looking_after_every_board_raises_the_alarm_once() -> None:
    whole = drifting(DRIFTS[2][0], 2)
    known: list[Known] = []
    raised: list[int] = []
    for boards in range(76, len(whole) + 1, 2):
        part = first_boards(whole, boards)
        for item in scan(part, known=known):
            raised.append(boards)
            known.append(Known(frozenset(part.joints.names[i] for i in item.location.best.members),
                               float(part.at_s[item.since])))
    assert len(raised) == 1
    assert START <= raised[0] <= START + 25


def first_boards(history: History, boards: int) -> History:
    part = slice(0, boards)
    return replace(history, serials=history.serials[part], at_s=history.at_s[part], graded=history.graded[part],
                   measures={name: values[part] for name, values in history.measures.items()},
                   findings={name: truth[part] for name, truth in history.findings.items()},
                   batches=history.batches[part])


def test_after_fixing_the_place_is_watched_again() -> None:
    drifts = (Drift("nozzle_dewetting", 80, length=30, place="N2"), Drift("nozzle_dewetting", 170, place="N2"))
    history = history_of(simulate_line(FAMILY, boards=220, seed=5, drifts=drifts))
    first = scan(history)
    joints = frozenset(history.joints.names[i] for i in first[0].location.best.members)
    since = float(history.at_s[first[0].since])
    fixed = Known(joints, since, "fixed", float(history.at_s[110]))
    again = scan(history, known=[fixed])
    assert [item.location.best.text for item in again] == ["nozzle N2"]
    assert 170 <= again[0].seen < 205
    still_open = scan(history, known=[Known(joints, since)])
    assert still_open == []


def test_a_new_normal_is_learned() -> None:
    history = history_of(simulate_line(FAMILY, boards=200, seed=6, drifts=(Drift("poor_board_batch", 80, length=300),)))
    found = scan(history)
    assert len(found) == 1
    accepted = Known(frozenset(history.joints.names), float(history.at_s[80]), "normal", float(history.at_s[95]))
    assert scan(history, known=[accepted]) == []


def test_missing_measurements_do_not_disturb() -> None:
    drift, place, within = DRIFTS[0]
    history = drifting(drift, 4)
    rng = np.random.default_rng(1)
    holes = rng.random(history.graded.shape) < 0.1
    holes[40:44] = True  # four boards that could not be graded at all
    measures = {name: np.where(holes, np.nan, values) for name, values in history.measures.items()}
    found = scan(replace(history, measures=measures, graded=~holes))
    assert [item.location.best.text for item in found] == [place]
    assert found[0].seen < drift.start + within + 5


def test_one_terrible_board_is_no_drift() -> None:
    history = history_of(simulate_line(FAMILY, boards=130, seed=8))
    measures = {name: values.copy() for name, values in history.measures.items()}
    measures["coverage_deg"][100] = 90.0
    measures["wetting_angle_deg"][100] = 80.0
    findings = {name: truth.copy() for name, truth in history.findings.items()}
    findings["partial_wetting"][100] = True
    assert scan(replace(history, measures=measures, findings=findings)) == []


def test_findings_alone_raise_an_alarm_at_their_place() -> None:
    history = history_of(simulate_line(FAMILY, boards=160, seed=9))
    rng = np.random.default_rng(2)
    findings = {name: truth.copy() for name, truth in history.findings.items()}
    step = [i for i, name in enumerate(history.joints.step) if name == "S4"]
    findings["solder_ball"][80:, step] |= rng.random((80, len(step))) < 0.25
    found = scan(replace(history, findings=findings))
    assert [(item.quantity, item.location.best.text) for item in found] == [("solder_ball", "step S4")]
    assert 80 <= found[0].seen < 115


def test_a_common_mood_of_the_board_is_not_taken_for_a_place() -> None:
    """All joints of a board move together by chance; one nozzle moves in truth, and it alone must be named."""
    history = history_of(simulate_line(FAMILY, boards=120, seed=10))
    rng = np.random.default_rng(3)
    mood = 6.0 * rng.normal(0, 1, (120, 1))
    angle = history.measures["wetting_angle_deg"] + mood
    nozzle = [i for i, name in enumerate(history.joints.nozzle) if name == "N4"]
    angle[100:, nozzle] += 3.0
    table = spots(history)
    where = locate(replace(history, measures={"wetting_angle_deg": angle}, findings={}), table, ["wetting_angle_deg"],
                   100, 119, slice(0, 90), table.places[0])
    assert where.best.text == "nozzle N4"


def test_places_with_the_same_joints_are_told_together() -> None:
    history = drifting(DRIFTS[2][0], 1)
    joints = replace(history.joints, nozzle=tuple(f"N-{step}" for step in history.joints.step))
    found = scan(replace(history, joints=joints))
    assert sorted(place.text for place in found[0].location.equals) == ["nozzle N-S5", "step S5"]


def test_impossible_settings_are_refused() -> None:
    history = drifting(DRIFTS[0][0], 1)
    with pytest.raises(MeniscopeError, match="wanted"):
        scan(history, Settings(false_alarm_boards=10.0))
    with pytest.raises(MeniscopeError, match="wanted"):
        scan(history, Settings(settle=3))
    with pytest.raises(MeniscopeError, match="out of order"):
        scan(replace(history, at_s=history.at_s[::-1].copy()))


def test_boards_judged_before_raise_no_alarm_and_new_ones_do() -> None:
    drift, place, within = DRIFTS[2]
    history = history_of(simulate_line(FAMILY, boards=220, seed=3, drifts=(replace(drift, start=170),)))
    assert [item.location.best.text for item in scan(history, carried=120)] == [place]
    assert 170 <= scan(history, carried=120)[0].seen < 170 + within
    assert scan(first_boards(history, 200), carried=199)[0].seen == 199  # the evidence is there at the next board
    assert scan(first_boards(history, 165), carried=120) == []


@pytest.mark.parametrize(("total", "wanted"), [(0, (0, 0)), (1, (1, 0)), (400, (400, 0)), (600, (600, 0)),
                                               (601, (401, 400)), (800, (600, 400)), (801, (401, 400))])
def test_looks_move_on_by_half_a_reference(total: int, wanted: tuple[int, int]) -> None:
    assert stretch(total, 400) == wanted


def test_every_board_is_judged_once_as_new() -> None:
    judged = set()
    for total in range(1, 1300):
        boards, carried = stretch(total, 400)
        first = total - boards + carried
        assert first in range(0, 1300) and (carried == 0 or first % 200 == 0)
        judged.add(total - 1)
        assert total - 1 >= first  # the newest board is always among the new ones
    assert judged == set(range(1299))


def test_a_long_stretch_without_drift_is_as_quiet_as_stated() -> None:
    # looks that move on, as `watching.look` does: 1,000 boards of 12 lines at one alarm in 2,000 boards: at most 6
    small, settings, alarms = line_family(3), Settings(false_alarm_boards=2000.0), 0
    for seed in range(12):
        whole = history_of(simulate_line(small, boards=1000, seed=7000 + seed))
        for total in (300, 400, 500, 600, 700, 800, 900, 1000):  # a reference of 200 boards moves on by 100
            boards, carried = stretch(total, 200)
            part = first_boards(whole, total)
            alarms += len(scan(last_boards(part, boards), settings, carried=carried))
    assert alarms <= 6


def last_boards(history: History, boards: int) -> History:
    part = slice(len(history) - boards, None)
    return replace(history, serials=history.serials[part], at_s=history.at_s[part], graded=history.graded[part],
                   measures={name: values[part] for name, values in history.measures.items()},
                   findings={name: truth[part] for name, truth in history.findings.items()},
                   batches=history.batches[part])


def test_a_family_without_pots_nozzles_and_steps_is_watched_too() -> None:
    history = drifting(DRIFTS[3][0], 2)
    nothing = ("",) * len(history.joints)
    found = scan(replace(history, joints=replace(history.joints, pot=nothing, nozzle=nothing, step=nothing)))
    assert [item.location.best.text for item in found] == ["whole board"]


def test_too_few_boards_say_nothing() -> None:
    assert scan(first_boards(drifting(DRIFTS[0][0], 1), 30)) == []
