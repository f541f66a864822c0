"""Is a limit sheet fit for the boards it is to judge: made for their family and class, with a rule for each defect."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from vision.cli._common import fail, say

if TYPE_CHECKING:
    from models.errors import Problem
    from models.limits import LimitSheet
    from vision.setup import Family

other_class_option = click.option(
    "--other-class", is_flag=True,
    help="Use the limit sheet although it was made for another workmanship class than the boards are of.")


def sheet_for(path: Path, family: Family, other_class: bool) -> LimitSheet:
    """Read the limit sheet that a family's boards are to be judged by, and say once what does not suit.

    A sheet of another workmanship class is refused, unless that is wanted.
    """
    from models.limits import read_limits

    sheet = read_limits(path)
    if sheet.family and sheet.family != family.name:
        say(f"caution: the limit sheet was made for family {sheet.family}, these boards are {family.name}")
    if sheet.workmanship_class != family.workmanship_class:
        check_class(str(path), sheet, f"family {family.name} is of class {family.workmanship_class}", other_class)
    return sheet


def check_class(file: str, sheet: LimitSheet, boards: str, other_class: bool) -> None:
    """Refuse a sheet that was made for another class than `boards` says, or say so where it is wanted."""
    words = f"{file}: made for workmanship class {sheet.workmanship_class}, but {boards}"
    if not other_class:
        fail(f"{words}; train a sheet for that class with `meniscope train`, or judge by this one all the same with "
             "--other-class")
    say(f"caution: {words}")


def tell_gaps(file: str, sheet: LimitSheet, parts: tuple[str, ...] = ("joint", "chip")) -> None:
    """Say which defects of its class a sheet has no rule for, at parts of these kinds."""
    for gap in gaps(file, sheet, parts):
        say(f"caution: {gap}")


def gaps(file: str, sheet: LimitSheet, parts: tuple[str, ...] = ("joint", "chip")) -> list[Problem]:
    """Return a caution for the defects that a sheet has no rule for, those of joints and those of chips."""
    from models.criteria import unsought
    from models.errors import Problem
    from models.vocabulary import FINDING

    missed = unsought(sheet)
    found = []
    for part in parts:
        titles = [FINDING[name].title for name in missed if FINDING[name].part == part]
        if titles:
            found.append(Problem(file, "rule", f"no rule that rejects {', '.join(titles)}",
                                 f"one for each: a {part} with nothing else wrong is accepted with these defects of "
                                 f"class {sheet.workmanship_class}"))
    return found
