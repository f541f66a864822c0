"""What all commands share: errors, tables, colours, progress and the options that name files.

Light on purpose: it is imported by every `--help`, so nothing heavy may be imported at its top.
"""

from __future__ import annotations

import csv
import errno
import functools
import io
import json
import math
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, NoReturn, ParamSpec, TypeVar

import click
from click.core import ParameterSource

from models.errors import InputError, MeniscopeError, Problem
from models.vocabulary import ACCEPT, REJECT, REVIEW, UNGRADED, finding_words

P = ParamSpec("P")
R = TypeVar("R")
T = TypeVar("T")
Output = Literal["table", "json", "csv"]

#: Terminal colours (256-colour palette) nearest to the Okabe-Ito blue, orange, vermilion and a grey that are
#: readable on light and on dark ground. The word is always printed too.
VERDICT_COLOURS: dict[str, int] = {ACCEPT: 32, REVIEW: 172, REJECT: 166, UNGRADED: 245}


#: A message longer than this tells a person nothing more; the check commands print everything.
MOST_LINES = 30
#: Exit code of a program ended by Ctrl-C (common practice of shells: 128 + the signal's number).
INTERRUPTED = 130


def clear_errors(function: Callable[P, R]) -> Callable[P, R]:
    """Turn errors that the user can mend into one message on stderr and exit code 1, Ctrl-C into exit code 130.

    The `meniscope` group applies it to every sub-command; commands themselves need not.
    """

    @functools.wraps(function)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return function(*args, **kwargs)
        except MeniscopeError as error:
            fail(str(error))
        except OSError as error:
            if error.errno == errno.EPIPE:  # the reader of our output has gone: click ends quietly
                raise
            place = f"{error.filename}: " if error.filename else ""
            fail(f"{place}{(error.strerror or str(error)).lower()}")
        except KeyboardInterrupt:
            _interrupted()
        except click.Abort as error:  # a question was not answered: Ctrl-C, or nobody is there to answer
            if isinstance(error.__context__, EOFError):
                click.echo(err=True)  # the question stands on the line still
                fail("a question was not answered: standard input has ended. Nothing that the question was about was "
                     "done; answer it in a terminal, or see --help for an option that answers it")
            _interrupted()

    return wrapped


def _interrupted() -> NoReturn:
    """Leave after Ctrl-C; click itself would leave with exit code 1, as if the command had failed."""
    say("\nstopped by Ctrl-C")
    raise click.exceptions.Exit(INTERRUPTED) from None


def fail(message: str) -> NoReturn:
    """Print an error message (one problem a line) and leave with exit code 1."""
    lines = message.splitlines() or ["unknown error"]
    click.echo(click.style("error: ", fg=VERDICT_COLOURS[REJECT]) + lines[0], err=True)
    for line in lines[1:MOST_LINES]:
        click.echo(f"       {line}", err=True)
    if len(lines) > MOST_LINES:
        click.echo(f"       and {len(lines) - MOST_LINES} more", err=True)
    raise click.exceptions.Exit(1)


def say(message: str) -> None:
    """Print talk (not results) on stderr."""
    click.echo(message, err=True)


def verdict_word(verdict: str) -> str:
    """Return the verdict's word in its colour (click drops the colour where it does not belong)."""
    colour = VERDICT_COLOURS.get(verdict)
    return verdict if colour is None else click.style(verdict, fg=colour)


def many(count: int, word: str, form: str = "") -> str:
    """Return a count with its noun: `1 board`, `2 boards`; `form` is the count's format, as `,`."""
    return f"{count:{form}} {word}" if count == 1 else f"{count:{form}} {word}s"


def minute(moment: str | datetime) -> str:
    """Return a time (as recorded: ISO 8601) as tables tell it, to the minute in UTC: `2026-03-31 14:05`."""
    at = datetime.fromisoformat(moment) if isinstance(moment, str) else moment
    return at.astimezone(UTC).strftime("%Y-%m-%d %H:%M")


def training_files(place: Path, name: str) -> list[Path]:
    """Return the files of this name that a training cache keeps: of one lot's folder, or of all lots in it.

    A file is taken as it is. Fails where there is none.
    """
    if not place.is_dir():
        return [place]
    found = [place / name] if (place / name).is_file() else sorted(place.glob(f"*/{name}"))
    if not found:
        fail(f"{place}: got a folder without {name}, wanted the cache folder of `meniscope train --cache`, or one of "
             "the lots in it")
    return found


# --- tables ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Column:
    """One column of a printed table: key in the row, title, and decimals where it holds numbers."""

    name: str
    title: str = ""
    decimals: int | None = None

    @property
    def heading(self) -> str:
        """The title, or the name in words."""
        return self.title or self.name.replace("_", " ")


def rows_options(function: Callable[..., R]) -> Callable[..., R]:
    """Give a command --json and --csv; it receives `output` ("table", "json" or "csv") for `print_rows`."""

    @functools.wraps(function)
    def wrapped(*args: Any, as_json: bool, as_csv: bool, **kwargs: Any) -> R:
        if as_json and as_csv:
            raise click.UsageError("--json and --csv exclude each other")
        output: Output = "json" if as_json else "csv" if as_csv else "table"
        return function(*args, output=output, **kwargs)

    with_csv = click.option("--csv", "as_csv", is_flag=True, help="Print CSV with a header.")(wrapped)
    return click.option("--json", "as_json", is_flag=True, help="Print JSON.")(with_csv)


def print_rows(rows: Iterable[Mapping[str, object]], columns: Sequence[Column | str], output: Output = "table",
               *, empty: str = "nothing found") -> None:
    """Print rows on stdout: aligned text, a JSON list of objects, or CSV.

    JSON and CSV hold the columns' names and full values (NaN as null or an empty cell); text holds titles and
    rounded values, and says `empty` on stderr where there is no row.
    """
    chosen = [column if isinstance(column, Column) else Column(column) for column in columns]
    if output == "json":
        print_json([{column.name: row.get(column.name) for column in chosen} for row in rows])
    elif output == "csv":
        file = io.StringIO()
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([column.name for column in chosen])
        writer.writerows([_cell(row.get(column.name)) for column in chosen] for row in rows)
        click.echo(file.getvalue(), nl=False)
    else:
        found = list(rows)
        if found:
            click.echo(table_text(found, chosen))
        else:
            say(empty)


def worded(rows: Iterable[Mapping[str, object]], output: Output, *names: str) -> list[dict[str, object]]:
    """Return rows whose cells of these names tell findings in words, as everything for people does.

    JSON and CSV keep the names that programs, `--finding` and the database go by.
    """
    return [{name: finding_words(value) if output == "table" and name in names and isinstance(value, str) else value
             for name, value in row.items()} for row in rows]


def print_json(value: object) -> None:
    """Print a value as indented JSON; numbers that are not finite become null, since JSON has none."""
    click.echo(json.dumps(_finite(value), indent=2, ensure_ascii=False, default=str))


def table_text(rows: Sequence[Mapping[str, object]], columns: Sequence[Column]) -> str:
    """Return rows as aligned text: numbers to the right, words to the left, verdicts coloured."""
    cells = [[_text(row.get(column.name), column.decimals) for column in columns] for row in rows]
    numeric = [any(_is_number(row.get(column.name)) for row in rows) for column in columns]
    widths = [max(len(column.heading), *(len(line[k]) for line in cells)) for k, column in enumerate(columns)]
    heading = [c.heading.rjust(w) if n else c.heading.ljust(w)
               for c, w, n in zip(columns, widths, numeric, strict=True)]
    lines = ["  ".join(heading).rstrip(), "  ".join("-" * width for width in widths)]
    for line in cells:
        parts = []
        for cell, width, is_number in zip(line, widths, numeric, strict=True):
            space = " " * (width - len(cell))
            parts.append(space + cell if is_number else verdict_word(cell) + space)
        lines.append("  ".join(parts).rstrip())
    return "\n".join(lines)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _text(value: object, decimals: int | None) -> str:
    """Return a cell of the text table: `-` for what is not there, line breaks as spaces."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if decimals is None:
            return f"{value:g}"
        told = f"{value:.{decimals}f}"
        return told.removeprefix("-") if not float(told) else told  # -0.000 reads as if the sign told something
    return " ".join(str(value).split())


def _cell(value: object) -> object:
    return "" if value is None or (isinstance(value, float) and not math.isfinite(value)) else value


def _finite(value: object) -> object:
    """Return a copy fit for JSON."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return value


# --- progress -------------------------------------------------------------------------------------------------------


class Progress:
    """Counts steps; moves a bar on stderr where that is a terminal, else stays silent."""

    def __init__(self, move: Callable[[int], None] | None) -> None:
        self.done = 0
        self._move = move

    def step(self, steps: int = 1) -> None:
        """Count finished steps."""
        self.done += steps
        if self._move is not None:
            self._move(steps)

    def __call__(self, done: int, total: int) -> None:
        """Take the place of a `progress(done, total)` callback."""
        self.step(done - self.done)


@contextmanager
def progress(total: int, label: str) -> Iterator[Progress]:
    """Show a progress bar for `total` steps on stderr, only when it is a terminal."""
    if not sys.stderr.isatty():
        yield Progress(None)
        return
    with click.progressbar(length=total, label=f"{label:<28}", file=sys.stderr, show_pos=True) as bar:
        yield Progress(bar.update)


# --- options that are of use with others only ------------------------------------------------------------------------


def refuse_unused(used: bool, when: str, *names: str) -> None:
    """Refuse options on the command line that would be passed over, unless they are used.

    `names` are their parameters' names, `when` says when they are used: `--every: wanted with --follow only`. Defaults
    and the environment do not count: they are there for all commands, and nobody asked for them here.
    """
    context = click.get_current_context()
    told = [param.opts[0] for param in context.command.params if param.name in names and not used
            and context.get_parameter_source(param.name) == ParameterSource.COMMANDLINE]
    if told:
        raise click.UsageError(f"{', '.join(told)}: wanted {when}")


# --- options that several commands take -----------------------------------------------------------------------------

family_option = click.option("--family", "family_path", required=True, type=click.Path(path_type=Path),
                             help="The board family: family.toml, or the folder that holds it.")
station_option = click.option("--station", "station_path", required=True, type=click.Path(path_type=Path),
                              help="The camera station: station.toml, or the folder that holds it.")
limits_option = click.option("--limits", "limits_path", required=True, type=click.Path(path_type=Path),
                             help="The limit sheet: limits.toml.")


def database_option_saying(text: str) -> Callable[[Callable[..., R]], Callable[..., R]]:
    """Return the option --db with words of its own; the environment's MENISCOPE_DB takes the place of its default."""
    return click.option("--db", default="results.sqlite", show_default=True, envvar="MENISCOPE_DB", metavar="FILE|URL",
                        help=text)


database_option = database_option_saying("The defect database: an SQLite file or postgresql://USER@HOST/NAME.")
jobs_option = click.option("--jobs", type=click.IntRange(min=1), default=None, show_default="all processors",
                           help="How many processes work at once.", callback=lambda c, p, v: v or processors())


def processors() -> int:
    """Return the number of processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


# --- checking files -------------------------------------------------------------------------------------------------


def check_files(read: Callable[[], T], name: str, as_json: bool, suits: Callable[[T], list[Problem]] | None = None
                ) -> None:
    """Read files and print every problem; exit code 1 where there is one. `suits` finds cautions in good files."""
    problems: Sequence[Problem] = ()
    warnings: Sequence[Problem] = ()
    try:
        found = read()
        warnings = suits(found) if suits is not None else ()
    except InputError as error:
        problems = error.problems
    if as_json:
        print_json({"file": name, "good": not problems, "problems": [asdict(problem) for problem in problems],
                    "cautions": [asdict(problem) for problem in warnings]})
    else:
        for problem in problems:
            click.echo(str(problem))
        for warning in warnings:
            click.echo(f"caution: {warning}")
        click.echo(f"{name}: {len(problems)} problem{'s' if len(problems) != 1 else ''}" if problems
                   else f"{name}: good")
    if problems:
        raise click.exceptions.Exit(1)
