"""Errors of this room."""

from __future__ import annotations

from models.errors import MeniscopeError


class LineError(MeniscopeError):
    """The line's records cannot be used as asked; one line that says why and what to do next."""
