"""kill -9 at any moment: no board lost, none twice, no worker left behind."""

from __future__ import annotations

import signal
from pathlib import Path

import invented_boards as invented
import running as processes
from killing import finish, kills, look, run_batch


def test_killed_again_and_again(url: str, tmp_path: Path) -> None:
    """Four kills here; the benchmark bench_crash.py does fifty."""
    folder = tmp_path / "pictures"
    folder.mkdir()
    count = 200  # far more than four kills let through, however slow the machine is at killing
    seen = [left.boards for left in kills(url, folder, count, 4, seed=11)]
    assert seen == sorted(seen)
    assert 0 < seen[-1] < count
    assert look(url).differences == 0
    assert finish(url, folder, count) == (count, count, count)
    assert look(url).differences == 0


def test_workers_end_with_their_parent(tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    folder.mkdir()
    batch = run_batch(str(tmp_path / "r.sqlite"), folder, 400)
    assert batch.stdout is not None
    batch.stdout.readline()  # a board is done, so workers are there
    children = processes.children(batch.pid)
    assert len(children) >= 2
    batch.send_signal(signal.SIGKILL)
    batch.wait()
    batch.stdout.close()
    invented.wait_until(lambda: not any(processes.alive(child) for child in children), 20.0)
