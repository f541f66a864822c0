"""A process that grades boards side by side with others."""

from __future__ import annotations

import json
import subprocess
import sys

SCRIPT = """
import json
import cv2
from threadpoolctl import threadpool_info
from vision.pipeline.worker import set_up
set_up()
print(json.dumps([cv2.getNumThreads(), *(library["num_threads"] for library in threadpool_info())]))
"""


def test_nothing_in_a_grading_process_uses_more_than_one_thread() -> None:
    """Asked of the libraries themselves, in a process of its own."""
    told = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True, timeout=60)
    threads = json.loads(told.stdout)
    assert len(threads) >= 2 and set(threads) == {1}
