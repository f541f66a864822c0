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


def missing_extra(what: str, extra: str) -> str:
    """Return what to do where a library is not installed that only an extra brings: `Parquet needs the extra ...`.

    The source folder is named: by its bare name a package index would be asked, which may know another project.
    """
    return (f"{what} needs the extra `{extra}`: pip install '.[{extra}]' in the source folder of meniscope, with the "
            "pip that it was installed with")


def some(names: Sequence[str], most: int = 10) -> str:
    """Return the first of some names, and how many more there are."""
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


class InputError(MeniscopeError):
    """Input files that cannot be used; carries every problem found, not only the first."""

    def __init__(self, problems: Sequence[Problem], then: str = "") -> None:
        self.problems = tuple(problems)
        self.then = then
        lines = [str(problem) for problem in self.problems]
        if then:
            lines.append(then)
        super().__init__("\n".join(lines))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...], str]]:
        """Tell how it is made again on the way from a worker process; by itself it would be made of its text."""
        return type(self), (self.problems, self.then)
