"""Which joints are soldered in this step: by component, net, area or a list."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from models.errors import InputError, Problem
from vision.setup.cad.text import read_cad_text


@dataclass(frozen=True)
class Choice:
    """A joint is chosen when it meets every kind that is given; several values of one kind mean "or".

    References and nets may hold `*` and `?`. Areas are (x0, y0, x1, y1) in board mm. `names` are joint names
    (J1.3) or references.
    """

    refs: tuple[str, ...] = ()
    not_refs: tuple[str, ...] = ()
    nets: tuple[str, ...] = ()
    areas: tuple[tuple[float, float, float, float], ...] = ()
    names: frozenset[str] | None = None

    def reason_against(self, ref: str, pin: str, net: str, x_mm: float, y_mm: float) -> str:
        """Return why a joint is not chosen, empty when it is."""
        if any(fnmatchcase(ref, pattern) for pattern in self.not_refs):
            return f"component {ref} was left out by choice"
        if self.refs and not any(fnmatchcase(ref, pattern) for pattern in self.refs):
            return f"component {ref} was not chosen"
        if self.nets and not any(fnmatchcase(net, pattern) for pattern in self.nets):
            return f"net {net or '(none)'} was not chosen"
        if self.areas and not any(min(x0, x1) <= x_mm <= max(x0, x1) and min(y0, y1) <= y_mm <= max(y0, y1)
                                  for x0, y0, x1, y1 in self.areas):
            return "outside the chosen area"
        if self.names is not None and f"{ref}.{pin}" not in self.names and ref not in self.names:
            return "not in the list"
        return ""

    def named_refs(self) -> tuple[str, ...]:
        """References that are asked for without wildcards: such parts are wanted even when they look unusual."""
        listed = self.names or frozenset()
        return tuple(ref for ref in self.refs if "*" not in ref and "?" not in ref) + tuple(sorted(listed))

    def unmet(self, joints: Iterable[tuple[str, str, str]]) -> list[str]:
        """Return what was asked for that no (ref, pin, net) meets: most often a slip of the pen."""
        known = list(joints)
        refs = {ref for ref, _, _ in known}
        names = {f"{ref}.{pin}" for ref, pin, _ in known} | refs
        missing = [f"component {p}" for p in self.refs + self.not_refs if not any(fnmatchcase(r, p) for r in refs)]
        missing += [f"net {p}" for p in self.nets if not any(fnmatchcase(net, p) for _, _, net in known)]
        missing += [f"{name} in the list" for name in sorted(self.names or ()) if name not in names]
        return missing


def read_names(path: Path) -> frozenset[str]:
    """Read a list of joints: a name (J1.3) or a reference (J1) a line, or CSV rows `ref,pin`; # begins a comment."""
    names: set[str] = set()
    problems: list[Problem] = []
    for number, line in enumerate(read_cad_text(path).split("\n"), start=1):
        cells = [cell.strip().strip('"') for cell in line.split("#")[0].replace(";", ",").split(",")]
        cells = [cell for cell in cells if cell]
        if not cells or [cell.lower() for cell in cells] in (["ref", "pin"], ["joint"], ["ref"]):
            continue
        if len(cells) > 2 or any(" " in cell for cell in cells):
            problems.append(Problem(str(path), f"line {number}, column 1", repr(line.strip()[:40]),
                                    "a joint (J1.3), a component (J1) or ref,pin"))
        names.add(".".join(cells))
    if not names and not problems:
        problems.append(Problem(str(path), "", "no joints", "a joint or component a line"))
    if problems:
        raise InputError(problems)
    return frozenset(names)
