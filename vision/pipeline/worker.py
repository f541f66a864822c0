"""Set a process up for grading one board after the other."""

from __future__ import annotations

import ctypes
import sys
from functools import lru_cache

# malloc.h of the GNU C library: parameters of mallopt(3).
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
KEPT_BYTES = 256 * 2**20  # freed memory that stays with the process
LARGEST_BYTES = 32 * 2**20  # the largest piece that is taken from it; the library allows no more


@lru_cache(maxsize=1)
def set_up() -> None:
    """Let OpenCV and linear algebra use one thread, and let the C library keep freed memory for the next board.

    Boards are graded side by side: threads inside one would only get in each other's way, and those of linear algebra
    go on waiting busily long after a product of two small matrices. The arrays of a board are as large as those of the
    board before. Given back and asked for anew, every page of them would be cleared by the system first, which costs a
    tenth of the time of grading. Other C libraries than GNU's are left as they are.
    """
    import cv2
    import numpy  # noqa: F401 - its library must be there before it can be told
    from threadpoolctl import threadpool_limits

    cv2.setNumThreads(1)
    threadpool_limits(1)
    if sys.platform == "linux":
        allot = getattr(ctypes.CDLL(None), "mallopt", None)
        if allot is not None:
            allot(_MMAP_THRESHOLD, LARGEST_BYTES)
            allot(_TRIM_THRESHOLD, KEPT_BYTES)
