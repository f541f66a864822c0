"""The command line. Sub-commands are loaded when they are called, so that help comes at once."""

from __future__ import annotations

import importlib
import os
from typing import Any, NamedTuple

import click

import vision
from vision.cli._common import clear_errors


class Entry(NamedTuple):
    """Where a sub-command lives and its line in the overview."""

    module: str  # exposes `command`
    help: str


#: Every sub-command in the order of the work: look, set up, teach, grade, study.
COMMANDS: dict[str, Entry] = {
    "demo": Entry("vision.cli.demo",
                  "See the whole job done on rendered pictures, in a few minutes and without a camera."),
    "station": Entry("vision.cli.station", "Look at a camera station's file; calibrate the station, check it daily."),
    "family": Entry("vision.cli.family", "Make a board family from CAD files, look at its files, check them."),
    "render": Entry("vision.cli.render", "Render pictures of soldered boards with exact truth."),
    "train": Entry("vision.cli.train", "Teach a board family: make its limit sheet from rendered boards."),
    "limits": Entry("vision.cli.limits", "Look at a limit sheet, check it, change it, compare two."),
    "grade": Entry("vision.cli.grade", "Grade every board of a folder and record the results."),
    "results": Entry("vision.cli.results", "Ask the defect database: boards, joints, findings, totals."),
    "review": Entry("vision.cli.review",
                    "Serve the page on which a person decides about findings and the bench sees what to mend."),
    "rework": Entry("vision.cli.rework", "Show what to mend on a board, in the order of a short way for the iron."),
    "line": Entry("vision.cli.line", "Watch the line: yield, charts, drift alarms, and what to look at first."),
    "evaluate": Entry("vision.cli.evaluate", "Count escapes and false calls of graded boards against known truth."),
    "study": Entry("vision.cli.study", "Prove an escape rate and judge how well measurements and verdicts repeat."),
}


class Commands(click.Group):
    """A group whose sub-commands are imported when called; `--help` imports none of them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one sub-command."""
        entry = COMMANDS.get(cmd_name)
        if entry is None:
            return None
        command: click.Command = importlib.import_module(entry.module).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the sub-commands from the table alone."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.help) for name, entry in COMMANDS.items()])

    @clear_errors
    def invoke(self, ctx: click.Context) -> Any:
        """Run a sub-command; errors that the user can mend become one message and exit code 1."""
        return super().invoke(ctx)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(vision.__version__, prog_name="meniscope", message="%(prog)s %(version)s")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Grade through-hole solder joints from pictures lit by rings of different colour and height.

    \b
    New here?        meniscope demo
    Your own boards: meniscope train FAMILY --station STATION --out limits.toml
                     meniscope grade FOLDER --family FAMILY --station STATION --limits limits.toml

    Results go to standard output, talk and progress to standard error. Exit code 0: it ran; 1: it could not
    run (the message says why); 2: the command line was wrong; 3: something that you asked to be told about
    (`grade --fail-on`, `limits diff`); 130: stopped by Ctrl-C. NO_COLOR in the environment turns colours off.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        ctx.color = False
