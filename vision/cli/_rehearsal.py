"""A simulated shift as records, so that reports and alarms can be tried without a line."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from models.limits import LimitSheet
from models.vocabulary import ACCEPT, REJECT
from synthetic_images.line_lot import BATCH_BOARDS, Drift, LineLot, line_family, simulate_line
from vision.line.log_file import Entry
from vision.line.log_store import import_entries
from vision.pipeline.inspection import FoundFinding, Inspection, JointInspection
from vision.records.database import open_database
from vision.records.store import save_inspection
from vision.setup import Light, Station

#: Where each drift acts, and what is said about it.
PLACES = {"nozzle_dewetting": ("N2", "nozzle N2 stops wetting"),
          "flux_jet_clogging": ("S5", "the flux jet clogs at step S5"),
          "cold_after_pause": ("", "after a pause the preheat stays too cold"),
          "poor_board_batch": ("", "a batch of boards takes solder badly")}


def simulated_shift(path: Path, kind: str, boards: int, seed: int, step: Callable[[], None]) -> str:
    """Write the shift into a new database and return what was simulated, in a sentence."""
    place, told = PLACES[kind]
    start = boards // 2
    if kind == "poor_board_batch":  # with a batch, and late enough for the watch to know what is normal
        start = max(BATCH_BOARDS, (boards - 40) // BATCH_BOARDS * BATCH_BOARDS)
    lot = simulate_line(line_family(), boards=boards, seed=seed,
                        drifts=(Drift(kind, start, place=place),))  # type: ignore[arg-type]
    station = Station("simulated", 0.02, "{serial}_{view}.png",
                      (Light("high", "", "blue", (8.0, 24.0)), Light("low", "", "red", (60.0, 80.0))))
    sheet = LimitSheet((), family=lot.family.name, workmanship_class=2, note="simulated: judged by the simulation")
    engine = open_database(path)
    try:
        for row in range(boards):
            save_inspection(engine, inspection(lot, row), lot.family, station, sheet)
            step()
        entries = [Entry(datetime.fromtimestamp(e.at_s, UTC), e.quantity, e.value, e.text, e.serial, e.pot, e.nozzle,
                         e.step) for e in lot.log]
        import_entries(engine, entries, "simulated process log")
    finally:
        engine.dispose()
    return f"simulated {boards} boards of family {lot.family.name}; from board {lot.serials[start]} on {told}"


def inspection(lot: LineLot, row: int) -> Inspection:
    """Return one simulated board as an inspection without pictures."""
    joints = []
    for column, joint in enumerate(lot.family.joints):
        found = tuple(
            FoundFinding(name, REJECT, "coverage_deg", float(lot.measures["coverage_deg"][row, column]), 270.0, "below",
                         8.0, "deg", "simulated", 0, joint.x_mm, joint.y_mm)
            for name, truth in lot.findings.items() if truth[row, column])
        measured = {name: float(values[row, column]) for name, values in lot.measures.items()}
        joints.append(JointInspection(joint.ref, joint.pin, "v1", REJECT if found else ACCEPT, joint.x_mm, joint.y_mm,
                                      measured, {}, found))
    verdict = REJECT if any(joint.findings for joint in joints) else ACCEPT
    at = datetime.fromtimestamp(float(lot.at_s[row]), UTC).isoformat()
    return Inspection(lot.serials[row], lot.family.name, "simulated", verdict, at, 0.5, (), "", "simulated", (),
                      tuple(joints))
