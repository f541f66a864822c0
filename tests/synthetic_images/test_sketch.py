"""What the second renderer draws is measured as what it is: whole fillets, bare lands, bridges, balls.

What is asked follows from the physics of the joints: a whole fillet goes round its lead, whose cut end shows; a bare
land carries no solder; solder between two lands and a bright sphere on dark mask can be seen.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from vision.pipeline.folder import scan_folder
from vision.setup import read_family, read_station
from vision.teaching import labelled, read_truth
from vision.teaching.lots import measure_one

from .sketch.boards import write_lot
from .sketch.layouts import DEFAULTS, setting

PAIR = "S0F0"
SEED = 5
BOARDS = 2
FAULT_RATE = 0.5


@pytest.fixture(scope="module")
def lot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two boards, half of their joints with a fault."""
    folder = tmp_path_factory.mktemp("sketch")
    write_lot(folder, setting(PAIR), BOARDS, SEED, FAULT_RATE)
    return folder


@pytest.fixture(scope="module")
def joints(lot: Path):
    """The joints of both boards as measured, with the truth about them."""
    family, station = read_family(lot / "family"), read_station(lot / "station.toml")
    measured = [measure_one(files, family, station) for files in scan_folder(lot / "pictures", station, family)]
    assert [one for one in measured if isinstance(one, str)] == []
    assert len(measured) == BOARDS
    table = labelled(measured, read_truth(lot / "pictures"), "joint")
    assert len(table) == BOARDS * len(family.joints)
    return table


def having(table, finding: str) -> np.ndarray:
    return np.array([finding in findings for findings in table.findings])


def test_equal_seeds_give_equal_bytes(lot: Path, tmp_path: Path) -> None:
    again = write_lot(tmp_path, setting(PAIR), 1, SEED, FAULT_RATE)
    shots = sorted(again.glob("*.png"))
    assert len(shots) == 1
    assert shots[0].read_bytes() == (lot / "pictures" / shots[0].name).read_bytes()
    other = write_lot(tmp_path / "other", setting(PAIR), 1, SEED + 1, FAULT_RATE)
    assert shots[0].read_bytes() != (other / shots[0].name).read_bytes()


@pytest.mark.parametrize("name", DEFAULTS)
def test_station_and_family_are_read_as_they_were_meant(name: str, tmp_path: Path) -> None:
    own = setting(name)
    write_lot(tmp_path, own, 0, SEED)
    assert read_station(tmp_path / "station.toml") == own.station
    assert read_family(tmp_path / "family") == own.family


def test_what_is_no_pair_is_refused() -> None:
    with pytest.raises(ValueError, match="S3F0"):
        setting("S3F0")


def test_whole_fillets_go_round_their_leads(joints) -> None:
    good = ~joints.marginal & np.array([not findings for findings in joints.findings])
    whole = good & (joints.exact["coverage_deg"] > 350.0)
    assert whole.sum() >= 25
    assert np.mean(joints.columns["coverage_deg"][whole] >= 300.0) >= 0.95
    assert np.mean(joints.columns["lead_visible"][whole] > 0.5) >= 0.95


def test_bare_lands_carry_no_solder(joints) -> None:
    bare = having(joints, "no_solder")
    assert bare.sum() >= 2
    assert joints.columns["land_cover_pct"][bare].max() < 15.0


def test_bridges_are_found_and_only_where_they_are(joints) -> None:
    bridged = having(joints, "bridge")
    assert bridged.sum() >= 4
    assert joints.columns["bridge_width_mm"][bridged].min() > 0.0
    assert joints.columns["bridge_width_mm"][~bridged].max() == 0.0


def test_large_balls_are_found(joints) -> None:
    large = np.nan_to_num(joints.exact["ball_diameter_mm"]) >= 0.3
    assert large.sum() >= 2
    assert joints.columns["ball_diameter_mm"][large].min() > 0.0
