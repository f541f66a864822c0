"""The commands of the tutorial, as a user types them in its folder."""

from __future__ import annotations

import shlex
from pathlib import Path

ROOM = Path(__file__).resolve().parents[2] / "vision" / "setup" / "cad"
#: What is typed at a command that asks: the capacitor's lead.
TYPED = {"--ask": "round 0.6\n"}


def commands() -> list[list[str]]:
    """Return the arguments of every command, in the tutorial's order."""
    lines = (ROOM / "TUTORIAL.md").read_text(encoding="utf-8").splitlines()
    return [shlex.split(line)[1:] for line in lines if line.startswith("    meniscope ")]


def typed_at(arguments: list[str]) -> str:
    """Return what is typed while a command runs."""
    return "".join(text for flag, text in TYPED.items() if flag in arguments)
