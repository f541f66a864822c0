"""The command line as tests call it."""

from __future__ import annotations

from typing import Any

from click.testing import CliRunner, Result

from vision.cli import main


def run(*arguments: object, code: int = 0, **more: Any) -> Result:
    """Run a command of meniscope in this process and expect its exit code; a fault of the program is raised."""
    done = CliRunner().invoke(main, [str(argument) for argument in arguments], catch_exceptions=False, **more)
    assert done.exit_code == code, done.output + done.stderr
    return done
