"""A simulated selective-soldering line: boards, measurements and process log of a shift that drifts in a known way.

No pictures: the numbers that the camera station would measure are drawn from a simple model of the process. Flux
amount, preheat, pot temperature, wetting of the nozzle and solderability of the lands act on wetting angle,
coverage and fillet height; coefficients are invented, chosen so that a drift shows before limits are broken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vision.setup import Family, Fiducial, Joint, View

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
DriftKind = Literal["nozzle_dewetting", "flux_jet_clogging", "cold_after_pause", "poor_board_batch"]

#: 2026-03-02 06:00 UTC, the start of every simulated shift, seconds since 1970.
START_S = 1_772_431_200.0
CYCLE_S = 45.0
#: Boards of one batch, as they come out of one package.
BATCH_BOARDS = 50
#: How long a board travels from the last solder step to the camera, s.
TRANSIT_S = 20.0
PREHEAT_C, POT_C, FLUX_DROPS = 112.0, 285.0, 120


@dataclass(frozen=True)
class Drift:
    """One known disturbance. `start` and `length` count boards; `strength` 1 is what an engineer would want to know.

    `place` is the nozzle (dewetting) or the step (flux jet); the other two kinds act on the whole board.
    """

    kind: DriftKind
    start: int
    length: int = 10_000
    place: str = ""
    strength: float = 1.0


@dataclass(frozen=True)
class LogEntry:
    """One value of the process log; empty words where it belongs to no board, pot, nozzle or step."""

    at_s: float
    quantity: str
    value: float | None
    text: str = ""
    serial: str = ""
    pot: str = ""
    nozzle: str = ""
    step: str = ""


@dataclass(frozen=True)
class LineLot:
    """What a shift left behind. Arrays have shape (board, joint); `at_s` is (board,) by the station's clock."""

    family: Family
    serials: tuple[str, ...]
    at_s: Floats
    measures: Mapping[str, Floats]
    findings: Mapping[str, Bools]
    log: tuple[LogEntry, ...]
    batches: tuple[str, ...]
    drifts: tuple[Drift, ...]


@dataclass
class _Process:
    """Hidden state of the process, 1 = as it should be; shapes (board,) or (board, joint)."""

    flux: Floats
    nozzle: Floats
    preheat_c: Floats
    pot_c: Floats
    lands: Floats
    pauses: list[int] = field(default_factory=list)


def line_family(rows: int = 12) -> Family:
    """Return an invented family for line studies: 8 connectors of `rows` joints, 2 pots, 4 nozzles, 8 steps."""
    lands = (("round", 1.8, 1.8), ("round", 2.2, 2.2), ("oblong", 1.7, 2.6))
    joints = []
    for block in range(8):
        shape, width, height = lands[block % 3]
        for pin in range(rows):
            joints.append(Joint(
                ref=f"J{block + 1}", pin=str(pin + 1), x_mm=12.0 + 28.0 * (block % 4) + 2.54 * (pin % 6),
                y_mm=12.0 + 34.0 * (block // 4) + 3.5 * (pin // 6),
                land_shape="round" if shape == "round" else "oblong",
                land_w_mm=width, land_h_mm=height, land_rotation_deg=0.0, hole_mm=1.0, lead_shape="square",
                lead_w_mm=0.6, lead_h_mm=0.6, net=f"N{block}{pin}", pot="AB"[block // 4],
                nozzle=f"N{block // 2 + 1}", step=f"S{block + 1}"))
    marks = (Fiducial(3.0, 3.0, 1.0), Fiducial(117.0, 3.0, 1.0), Fiducial(3.0, 62.0, 1.0))
    return Family("line-96" if rows == 12 else f"line-{8 * rows}", 2, "bottom", tuple(joints), (), marks,
                  (View("v1", (60.0, 32.5)),))


def simulate_line(family: Family, *, boards: int, seed: int, drifts: Sequence[Drift] = (), first_serial: int = 1,
                  prefix: str = "L", correlation: float = 0.0, clock_offset_s: float = 0.0,
                  start_s: float = START_S) -> LineLot:
    """Simulate one stretch of production; equal arguments give equal lots.

    Joints keep their habits from one lot to another of the same seed, so that lots of different length can follow.

    `correlation` links the common noise of neighbouring boards (first-order autoregression); `clock_offset_s` is how
    far the log's clock runs ahead of the station's.
    """
    rng = np.random.default_rng([seed, boards])
    process = _process(family, boards, drifts, rng)
    at_s = np.asarray(start_s + CYCLE_S * np.arange(boards) + np.cumsum(rng.exponential(2.0, boards)), np.float64)
    for pause in process.pauses:
        at_s[pause:] += 2400.0
    serials = tuple(f"{prefix}{first_serial + i:06d}" for i in range(boards))
    batches = tuple(f"PB{(first_serial - 1 + i) // BATCH_BOARDS + 1:03d}" for i in range(boards))
    habit = np.random.default_rng([seed, 0]).normal(0.0, 1.0, len(family.joints))
    measures = _measures(process, correlation, habit, rng)
    findings = _findings(measures, process, rng)
    log = _log(family, process, serials, at_s + clock_offset_s, batches, drifts, rng)
    return LineLot(family, serials, at_s, measures, findings, log, batches, tuple(drifts))


def _process(family: Family, boards: int, drifts: Sequence[Drift], rng: np.random.Generator) -> _Process:
    joints = family.joints
    flux = np.repeat(rng.normal(1.0, 0.02, (boards, 1)), len(joints), axis=1)
    state = _Process(flux, np.ones((boards, len(joints))), PREHEAT_C + rng.normal(0.0, 1.2, boards),
                     POT_C + rng.normal(0.0, 0.6, boards), rng.normal(1.0, 0.02, boards))
    order = np.arange(boards)
    for drift in drifts:
        since = np.clip(order - drift.start, 0, None).astype(np.float64)
        on = (order >= drift.start) & (order < drift.start + drift.length)
        if drift.kind == "nozzle_dewetting":  # worse with every board until the nozzle is cleaned
            mine = np.array([joint.nozzle == drift.place for joint in joints])
            state.nozzle -= drift.strength * np.outer(np.where(on, np.minimum(since / 60.0, 1.0) * 0.3, 0.0), mine)
        elif drift.kind == "flux_jet_clogging":  # in bursts, worse within some twenty boards
            mine = np.array([joint.step == drift.place for joint in joints])
            loss = np.where(on, 0.35 * np.minimum((since + 5.0) / 25.0, 1.0) + rng.normal(0.0, 0.04, boards), 0.0)
            state.flux -= drift.strength * np.outer(np.clip(loss, 0.0, None), mine)
        elif drift.kind == "cold_after_pause":  # one heater zone stays off after the pause
            state.pauses.append(drift.start)
            state.preheat_c -= np.where(on, drift.strength * 14.0, 0.0)
        elif drift.kind == "poor_board_batch":
            state.lands -= np.where(on, drift.strength * 0.12, 0.0)
    return state


def _measures(process: _Process, correlation: float, habit: Floats, rng: np.random.Generator) -> dict[str, Floats]:
    """Draw measurements from the process: each joint has its own habit, each board its own mood."""
    boards, joints = process.flux.shape
    lack_flux = 1.0 - process.flux
    lack_heat = ((PREHEAT_C - process.preheat_c) / 14.0)[:, None]
    lack_land = (1.0 - process.lands)[:, None]
    lack_wave = 1.0 - process.nozzle
    mood = _mood(boards, correlation, rng)

    def noise(scale: float) -> Floats:
        return rng.normal(0.0, scale, (boards, joints))

    angle = (28.0 + 2.0 * habit + 22.0 * lack_flux + 3.5 * lack_heat + 45.0 * lack_land + 6.0 * lack_wave
             + 0.6 * mood[:, None] + noise(2.5))
    height = (0.80 + 0.04 * habit - 0.12 * lack_flux - 0.02 * lack_heat - 0.45 * lack_wave
              + 0.01 * mood[:, None] + noise(0.05))
    short = 4.0 + 60.0 * lack_flux + 5.0 * lack_heat + 60.0 * lack_land + 90.0 * lack_wave + noise(6.0)
    missing = rng.random((boards, joints)) < 0.0008 + 0.05 * np.clip(lack_wave + lack_flux - 0.1, 0.0, 1.0)
    short = short + np.where(missing, rng.uniform(90.0, 200.0, (boards, joints)), 0.0)
    coverage = 360.0 - np.clip(np.round(short), 0.0, 360.0)
    return {"coverage_deg": coverage, "wetting_angle_deg": np.clip(angle, 2.0, 175.0),
            "fillet_height_mm": np.clip(height, 0.0, None), "land_cover_pct": np.clip(coverage / 3.6, 0.0, 100.0),
            "sharpness": np.clip(0.8 + noise(0.03), 0.0, 1.0)}


def _mood(boards: int, correlation: float, rng: np.random.Generator) -> Floats:
    mood = rng.normal(0.0, 1.0, boards)
    for i in range(1, boards):
        mood[i] = correlation * mood[i - 1] + np.sqrt(1.0 - correlation**2) * mood[i]
    return mood


def _findings(measures: Mapping[str, Floats], process: _Process, rng: np.random.Generator) -> dict[str, Bools]:
    shape = process.flux.shape
    cold = np.clip((PREHEAT_C - process.preheat_c) / 14.0 - 0.3, 0.0, None)[:, None]
    dry = np.clip(0.9 - process.flux, 0.0, None)
    return {"partial_wetting": measures["coverage_deg"] < 270.0,
            "solder_ball": rng.random(shape) < 0.0006 + 0.008 * cold,
            "bridge": rng.random(shape) < 0.0003 + 0.06 * dry,
            "blowhole": rng.random(shape) < 0.0004}


def _log(family: Family, process: _Process, serials: Sequence[str], at_s: Floats, batches: Sequence[str],
         drifts: Sequence[Drift], rng: np.random.Generator) -> tuple[LogEntry, ...]:
    """Write what the line would log: a few values a board, flux a step, nozzle events between boards."""
    steps = {joint.step: (index, joint.pot, joint.nozzle) for index, joint in enumerate(family.joints)}
    pots = sorted({joint.pot for joint in family.joints})
    nozzles = {joint.nozzle: joint.pot for joint in family.joints}
    dirty = {drift.place: drift for drift in drifts if drift.kind == "nozzle_dewetting"}
    gradient = 1.6 + (process.preheat_c - PREHEAT_C) / 40.0 + rng.normal(0.0, 0.04, len(serials))
    out: list[LogEntry] = []
    for i, serial in enumerate(serials):
        now = float(at_s[i]) - TRANSIT_S
        out.append(LogEntry(now - 60.0, "board_batch", None, batches[i], serial))
        out.append(LogEntry(now - 30.0, "preheat_end_c", round(float(process.preheat_c[i]), 1), "", serial))
        out.append(LogEntry(now - 30.0, "preheat_gradient_k_s", round(float(gradient[i]), 2), "", serial))
        for pot in pots:
            out.append(LogEntry(now - 10.0, "pot_temperature_c", round(float(process.pot_c[i] + rng.normal(0, 0.3)), 1),
                                "", serial, pot))
        for number, (step, (index, pot, nozzle)) in enumerate(sorted(steps.items())):
            drops = round(FLUX_DROPS * float(process.flux[i, index]))
            when = now - 25.0 + number
            out.append(LogEntry(when, "flux_drops", float(drops), "", serial, pot, nozzle, step))
            out.append(LogEntry(when, "flux_drops_reference", float(FLUX_DROPS), "", serial, pot, nozzle, step))
            out.append(LogEntry(when, "flux_direction_ok", float(rng.random() > 0.002), "", serial, pot, nozzle, step))
            out.append(LogEntry(when + 12.0, "solder_time_s", round(3.0 + float(rng.normal(0, 0.05)), 2), "", serial,
                                pot, nozzle, step))
        for nozzle, pot in sorted(nozzles.items()):
            stuck = nozzle in dirty and i >= dirty[nozzle].start  # the cleaning station no longer reaches this nozzle
            if i % 20 == 0 and not stuck:
                out.append(LogEntry(now - 5.0, "nozzle_cleaned", None, "", "", pot, nozzle))
            passes = 0 if stuck else 3
            if i % 20 == 0:
                out.append(LogEntry(now - 4.0, "brush_passes", float(passes), "", "", pot, nozzle))
    return tuple(out)
