"""Set a process up for grading one board after the other."""

from __future__ import annotations

import ctypes
import sys
from functools import lru_cache

# malloc.h of the GNU C library: parameters of mallopt(3).
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _MMAP_MAX = -1, -3, -4
_MMAPPED_PIECES = 65_536  # as many as the library allows itself
_MADV_HUGEPAGE, _PAGE_BYTES = 14, 2**21  # madvise(2) of Linux; a huge page
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
        library = ctypes.CDLL(None)
        if getattr(library, "mallopt", None) is not None:
            library.mallopt(_MMAP_THRESHOLD, LARGEST_BYTES)
            library.mallopt(_TRIM_THRESHOLD, KEPT_BYTES)
            _ask_for_huge_pages(library)


def _ask_for_huge_pages(library: ctypes.CDLL) -> None:
    """Let the memory that stays with the process lie in huge pages, where the system has some.

    A piece of its heap is taken, advised about and given back: nothing is laid in it yet, so none of it is used. Arrays
    that lie in few pages need fewer looks into the table of pages.
    """
    library.malloc.restype, library.malloc.argtypes = ctypes.c_void_p, [ctypes.c_size_t]
    library.free.restype, library.free.argtypes = None, [ctypes.c_void_p]
    library.madvise.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int]
    size = KEPT_BYTES - 2 * LARGEST_BYTES  # more free memory than is kept would be given back at once
    library.mallopt(_MMAP_MAX, 0)  # the heap itself is to grow
    place = library.malloc(size)
    library.mallopt(_MMAP_MAX, _MMAPPED_PIECES)
    if place:
        first = -(-place // _PAGE_BYTES) * _PAGE_BYTES
        library.madvise(first, (place + size - first) // _PAGE_BYTES * _PAGE_BYTES, _MADV_HUGEPAGE)
        library.free(place)
