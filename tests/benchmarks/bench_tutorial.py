"""How long the tutorial takes a machine, from a board's CAD export to a taught family.

    python tests/benchmarks/bench_tutorial.py [--jobs 2]

The commands of vision/setup/cad/TUTORIAL.md run as they stand, in its order, each in a process of its own as a user
starts it. Goal: at most 15 minutes of machine time.
"""

from __future__ import annotations

import argparse
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.cad.tutorial import ROOM, commands, typed_at

GOAL_MIN = 15.0


def main() -> int:
    """Run the commands and print the seconds that each takes; return 1 where the goal is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--jobs", type=int, default=2, help="processes that teach and render")
    jobs = ["--jobs", str(parser.parse_args().jobs)]
    took = 0.0
    with tempfile.TemporaryDirectory(prefix="meniscope-tutorial-") as folder:
        shutil.copytree(ROOM / "example", folder, dirs_exist_ok=True)
        for arguments in commands():
            seconds = _run([*arguments, *(jobs if arguments[0] in ("train", "render") else [])], folder)
            took += seconds
            print(f"{seconds:7.1f} s  meniscope {shlex.join(arguments)}")
    print(f"{took / 60.0:.1f} min in all (goal {GOAL_MIN:.0f}: {'reached' if took <= GOAL_MIN * 60.0 else 'MISSED'})")
    return int(took > GOAL_MIN * 60.0)


def _run(arguments: list[str], folder: str) -> float:
    """Return the seconds that a command takes; its output is shown only where it fails."""
    started = time.monotonic()
    done = subprocess.run([sys.executable, "-c", "from vision.cli import main; main()", *arguments], cwd=folder,
                          input=typed_at(arguments), capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"meniscope {shlex.join(arguments)} ended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return time.monotonic() - started


if __name__ == "__main__":
    sys.exit(main())
