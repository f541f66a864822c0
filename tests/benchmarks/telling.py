"""How far a benchmark has come, told on a terminal only."""

from __future__ import annotations

import sys


def tell(what: str, done: int, total: int) -> None:
    """Write on stderr, over what was written before, how many of some pieces are done."""
    if sys.stderr.isatty():
        print(f"\r{what} {done} of {total} ", end="\n" if done == total else "", file=sys.stderr, flush=True)
