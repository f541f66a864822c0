"""The processes of this machine, read from /proc."""

from __future__ import annotations

from pathlib import Path


def children(parent: int) -> list[int]:
    """Return the running children of a process."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdecimal():
            state = _state(int(folder.name))
            if state is not None and state[1] == parent:
                found.append(int(folder.name))
    return found


def alive(process: int) -> bool:
    """Say whether a process runs (one that has ended and waits to be noticed does not)."""
    state = _state(process)
    return state is not None and state[0] not in "ZX"


def _state(process: int) -> tuple[str, int] | None:
    """Return state letter and parent of a process."""
    try:
        text = Path(f"/proc/{process}/stat").read_text()
    except OSError:
        return None
    fields = text.rpartition(")")[2].split()
    return fields[0], int(fields[1])
