"""The one exception family. Every message says where, what was got, what was wanted and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One thing wrong with an input file.

    `where` is a key path (`lights.2.zenith_deg`), a row (`row 7, hole_mm`) or empty for the whole file.
    """

    file: str
    where: str
    got: str
    wanted: str

    def __str__(self) -> str:
        place = f"{self.file}: {self.where}" if self.where else self.file
        return f"{place}: got {self.got}, wanted {self.wanted}"


class MeniscopeError(Exception):
    """Base of all errors that a user can mend. Its text is one line, fit to be shown as it is."""


class InputError(MeniscopeError):
    """Input files that cannot be used; carries every problem found, not only the first."""

    def __init__(self, problems: Sequence[Problem], then: str = "") -> None:
        self.problems = tuple(problems)
        self.then = then
        lines = [str(problem) for problem in self.problems]
        if then:
            lines.append(then)
        super().__init__("\n".join(lines))
