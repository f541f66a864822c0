"""`meniscope review`: the page for the person who decides, the people who may use it, and what they decided."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from models.errors import missing_extra
from vision.cli._common import Column, Output, database_option, fail, print_rows, refuse_unused, rows_options, say

if TYPE_CHECKING:
    pass

R = TypeVar("R")
PERSON_COLUMNS = (Column("name"), Column("may_settle", "may settle"), Column("changed_at", "changed (UTC)"))
AUDIT_COLUMNS = (Column("at", "when (UTC)"), Column("who"), Column("action"), Column("inspection_id", "inspection"),
                 Column("finding_id", "finding"), Column("detail"), Column("address"))
SAMPLE_COLUMNS = (Column("serial"), Column("place"), Column("labels"), Column("reviewers"),
                  Column("at", "decided (UTC)"), Column("left_out", "left out because"))
LOCAL = "127.0.0.1"
#: Requests worked on at once; pictures are most of them.
THREADS = 8


@click.group(invoke_without_command=True)
@database_option
@click.option("--host", default=LOCAL, show_default=True, metavar="ADDRESS",
              help="Address to answer at. Any but this machine's own asks for people with passwords.")
@click.option("--port", default=8650, show_default=True, type=click.IntRange(0, 65535), help="0 takes a free one.")
@click.option("--station", "station_paths", multiple=True, type=click.Path(path_type=Path),
              help="A station whose flat-fields make slope maps exact; may be given several times.")
@click.option("--behind-tls", metavar="ADDRESS",
              help="A proxy at this address answers in https and passes requests on.")
@click.option("--repair-limit", default=2, show_default=True, type=click.IntRange(min=1),
              help="Repairs of one joint after which the repair sheet warns.")
@click.pass_context
def command(ctx: click.Context, /, db: str, **options: Any) -> None:
    """Serve the page on which a person decides about findings and the bench sees what to mend.

    \b
    meniscope review --db results.sqlite        then open http://127.0.0.1:8650
    meniscope review add-person anna            who may log in; needed to answer other machines
    meniscope review samples --family psu-24    what people decided, as samples for training

    Bound to this machine alone and without people in the database, the page asks for a name only. With people it
    asks for passwords. Ctrl-C ends it; nothing decided is lost.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    ctx.obj = db
    if ctx.invoked_subcommand is None:
        serve(db, **options)
    refuse_unused(ctx.invoked_subcommand is None, f"to serve the page, not with {ctx.invoked_subcommand}", *options)


def serve(db: str, host: str, port: int, station_paths: Sequence[Path], behind_tls: str | None,
          repair_limit: int) -> None:
    """Serve the page until Ctrl-C."""
    from vision.records.database import open_database
    from vision.setup import read_station

    try:
        import waitress  # type: ignore[import-untyped]

        from vision.review.app import create_app
        from vision.review.security import is_loopback
    except ModuleNotFoundError as error:
        fail(missing_extra(f"the page (which found no {error.name})", "review"))
    from vision.review.people import count_people
    from vision.review.shop import Settings

    stations = [read_station(path) for path in station_paths]
    engine = open_database(db, create=False)
    try:
        people = count_people(engine)
        alone = is_loopback(host) and not behind_tls
        if not alone and not people:
            fail(f"host {host}: other machines could reach the page, but nobody has a password; first run "
                 f"`meniscope review --db {db} add-person NAME`")
        app = create_app(engine, Settings(bool(people), alone, bool(behind_tls), repair_limit), stations)
        more: dict[str, Any] = {}
        if behind_tls:
            more = {"trusted_proxy": behind_tls, "trusted_proxy_count": 1,
                    "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto", "x-forwarded-host"}}
        try:
            server = waitress.create_server(app, host=host, port=port, threads=THREADS, ident="",
                                            clear_untrusted_proxy_headers=True, **more)
        except OSError as error:
            fail(f"host {host}, port {port}: {(error.strerror or str(error)).lower()}; choose another --port")
        if not alone and not behind_tls:
            say("caution: passwords and pictures cross the network unencrypted; put a proxy with https in front "
                "(--behind-tls) unless the network is closed")
        # Pages wait on the database many times in a few milliseconds; a thread that draws a picture should not keep
        # the interpreter for its usual 5 ms each time.
        sys.setswitchinterval(0.0005)
        say(f"open http://{'[' + host + ']' if ':' in host else host}:{server.effective_port}   (Ctrl-C ends)")
        server.run()
    finally:
        engine.dispose()


def database_here(function: Callable[..., R]) -> Callable[..., R]:
    """Give a sub-command --db too, so that it may stand before or behind the sub-command's name; it receives `db`."""

    @functools.wraps(function)
    def wrapped(*args: Any, own_db: str | None, **kwargs: Any) -> R:
        return function(*args, db=own_db or click.get_current_context().obj, **kwargs)

    return click.option("--db", "own_db", metavar="FILE|URL", help="The defect database.  [default: the one of "
                        "`review --db`, else MENISCOPE_DB, else results.sqlite]")(wrapped)


@command.command("people")
@rows_options
@database_here
def people_command(db: str, output: Output) -> None:
    """List the people who may log in."""
    from vision.records.columns import moment_text
    from vision.records.database import opened
    from vision.review.people import list_people

    with opened(db) as engine:
        rows = [{"name": person.name, "may_settle": person.may_settle, "changed_at": moment_text(person.changed_at)}
                for person in list_people(engine)]
    print_rows(rows, PERSON_COLUMNS, output, empty="nobody; add somebody with `meniscope review add-person NAME`")


@command.command("add-person")
@click.argument("name")
@click.option("--may-settle", is_flag=True, help="May settle what other people disagree on.")
@click.option("--password-stdin", is_flag=True, help="Read the password as the first line of standard input.")
@database_here
def add_person_command(db: str, name: str, may_settle: bool, password_stdin: bool) -> None:
    """Let a person log in, or give them a new password. The password is asked for, never taken as an argument."""
    from vision.records.database import opened
    from vision.review.people import add_person

    if password_stdin:
        password = sys.stdin.readline().rstrip("\r\n")
    else:
        password = click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
    with opened(db, read_only=False) as engine:
        add_person(engine, name, password, may_settle=may_settle, by=_operator())
    say(f"{name} may log in{' and settle' if may_settle else ''}")


@command.command("remove-person")
@click.argument("name")
@database_here
def remove_person_command(db: str, name: str) -> None:
    """Take a person's login away; what they decided stays."""
    from vision.records.database import opened
    from vision.review.people import remove_person

    with opened(db, read_only=False) as engine:
        remove_person(engine, name, by=_operator())
    say(f"{name} may no longer log in")


@command.command("audit", short_help="Show the audit trail: who decided what, the newest first.")
@click.option("--limit", default=50, show_default=True, type=click.IntRange(min=1), help="The newest so many lines.")
@rows_options
@database_here
def audit_command(db: str, limit: int, output: Output) -> None:
    """Show the audit trail: who decided, took back, settled, mended, logged in; the newest first."""
    from sqlalchemy import select

    from vision.records.database import opened, reading
    from vision.records.queries import plain
    from vision.records.schema import AUDIT

    with opened(db) as engine, reading(engine) as connection:
        rows = [plain(row) for row in
                connection.execute(select(AUDIT).order_by(AUDIT.c.id.desc()).limit(limit)).mappings()]
    print_rows(rows, AUDIT_COLUMNS, output, empty="nothing was decided yet")


@command.command("samples", short_help="Show what people decided as labelled samples.")
@click.option("--family", required=True, help="The family's name.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write the labelled samples as a CSV table for training.")
@rows_options
@database_here
def samples_command(db: str, family: str, out: Path | None, output: Output) -> None:
    """Show what people decided as labelled samples, each with where its label comes from; and what is left out."""
    from models.table import write_table
    from vision.records.database import opened
    from vision.review.samples import reviewed_joints

    with opened(db) as engine:
        reviewed = reviewed_joints(engine, family)
    if out is not None:
        write_table(reviewed.table, out)
        say(f"{len(reviewed.table)} samples in {out}, {len(reviewed.left_out)} left out")
    rows: list[dict[str, object]] = [
        {"serial": item.serial, "place": item.place, "labels": " ".join(item.labels) or "good",
         "reviewers": ", ".join(item.reviewers), "at": item.at, "left_out": ""} for item in reviewed.provenance]
    rows += [{"serial": item.serial, "place": item.place, "left_out": item.why} for item in reviewed.left_out]
    print_rows(rows, SAMPLE_COLUMNS, output, empty=f"nobody has decided on a joint of family {family} yet")


def _operator() -> Any:
    import getpass

    from vision.review.decisions import Actor

    try:
        return Actor(getpass.getuser())
    except (KeyError, OSError):
        return Actor("(command line)")
