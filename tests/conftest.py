"""Fixtures for several test rooms."""

from __future__ import annotations

from pathlib import Path

import pytest
from setup_files import write_setup


@pytest.fixture
def setup_folder(tmp_path: Path) -> Path:
    """A folder with a good station.toml, family.toml, joints.csv and chips.csv."""
    folder = tmp_path / "setup"
    folder.mkdir()
    return write_setup(folder)
