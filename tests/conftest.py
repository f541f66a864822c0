"""Fixtures for several test rooms."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from hypothesis import settings
from setup_files import write_setup

# How long one example takes says how busy the machine is, and nothing about the code.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


def pytest_configure() -> None:
    """Let programs that tests start be stopped by Ctrl-C: a shell that runs pytest in the background forbids it."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def setup_folder(tmp_path: Path) -> Path:
    """A folder with a good station.toml, family.toml, joints.csv and chips.csv."""
    folder = tmp_path / "setup"
    folder.mkdir()
    return write_setup(folder)
