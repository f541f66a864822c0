"""Texts as TOML files hold them: for limit sheets here, and for the files of station, family and reference."""

from __future__ import annotations


def quoted(text: str) -> str:
    """Return a text as a TOML basic string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'
