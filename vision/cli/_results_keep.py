"""Commands of `meniscope results` that keep the database: verify, backup, restore, upgrade, dictionary, deliver."""

from __future__ import annotations

from pathlib import Path

import click

from vision.cli._common import Output, database_option, fail, many, print_json, print_rows, progress, rows_options, say

#: Files named at most that are no longer in place.
MOST_GONE = 10


@click.command()
@database_option
@click.option("--pictures/--no-pictures", default=True, show_default=True,
              help="Hash again the picture files that are still in place.")
@rows_options
def verify(db: str, pictures: bool, output: Output) -> None:
    """Check the database against itself and report every difference.

    Hashes of pictures, families, stations and limit sheets are computed again; every verdict and finding is replayed
    from the stored measurements and the stored sheet; counts are counted again. Exit code 0: no difference; 3:
    differences.
    """
    from vision.records.database import opened
    from vision.records.queries import Filter, find_keys
    from vision.records.verify import Tally
    from vision.records.verify import verify as verified

    with opened(db) as engine:
        wanted, tally = Filter(superseded=True), Tally()
        with progress(len(find_keys(engine, wanted)), "verifying") as bar:
            rows = [vars(item) for item in verified(engine, wanted, tally, pictures=pictures, progress=bar.step)]
    print_rows(rows, ["inspection_id", "serial", "place", "what", "stored", "computed"], output,
               empty="no difference found")
    if tally.gone:
        named = [*tally.gone[:MOST_GONE], *([f"and {len(tally.gone) - MOST_GONE} more"]
                                            if len(tally.gone) > MOST_GONE else [])]
        say("\n  ".join(["pictures no longer in place:", *named]))
    say(f"{many(tally.inspections, 'inspection')} with {many(tally.results, 'joint and chip result')} replayed, "
        f"{many(tally.pictures, 'picture')} hashed, {tally.pictures_gone} no longer in place; "
        f"{many(len(rows), 'difference')}")
    if rows:
        raise click.exceptions.Exit(3)


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@database_option
def backup(file: Path, db: str) -> None:
    """Copy an SQLite database into FILE while it is in use.

    For PostgreSQL use its own: pg_dump --format=custom URL > FILE, and pg_restore to get it back.
    """
    from vision.records.backup import backup as copied
    from vision.records.database import open_database

    engine = open_database(db, create=False, check=False)  # of an older program too: before its upgrade
    try:
        copied(engine, file)
    finally:
        engine.dispose()
    say(f"backup written and checked: {file} ({file.stat().st_size / 1e6:.1f} MB); get it back with "
        f"`meniscope results restore {file} --db NEW_FILE`")


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@database_option
def restore(file: Path, db: str) -> None:
    """Make a database from a backup FILE.

    Nothing that is there is overwritten.
    """
    from vision.records.backup import restore as restored

    restored(file, db)
    say(f"restored: {db}; `meniscope results verify --db {db}` checks it")


@click.command()
@database_option
def upgrade(db: str) -> None:
    """Bring an older database up to this program's schema.

    Make a backup first.
    """
    from vision.records.database import open_database, schema_version
    from vision.records.migrate import upgrade as upgraded
    from vision.records.schema import SCHEMA_VERSION

    engine = open_database(db, create=False, check=False)
    try:
        before = schema_version(engine)
        if before is None or before > SCHEMA_VERSION:
            open_database(db, create=False)  # says what is wrong
        if before == SCHEMA_VERSION:
            say(f"{db}: schema {before} is this program's already")
            return
        upgraded(engine)
    finally:
        engine.dispose()
    say(f"{db}: schema {before} is now {SCHEMA_VERSION}")


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def dictionary(as_json: bool) -> None:
    """Print what every table and column means.

    The data dictionary as Markdown: type, unit, keys and meaning.
    """
    from vision.records.dictionary import as_markdown
    from vision.records.dictionary import dictionary as rows

    if as_json:
        print_json(rows())
    else:
        click.echo(as_markdown())


@click.command()
@click.argument("target", metavar="-|FILE|ADDRESS")
@database_option
def deliver(target: str, db: str) -> None:
    """Deliver dispositions that still wait.

    The target is the one of `meniscope grade --hand-over` whose lines wait.
    """
    from vision.records.database import opened
    from vision.records.handover import checked_target, deliver_waiting, deliverer, waiting

    target = checked_target(target)
    total = 0
    with opened(db, read_only=False) as engine:
        try:
            give = deliverer(target, lambda text: click.echo(text, nl=False))
            while done := deliver_waiting(engine, target, give):
                total += done
        except OSError as error:
            left = waiting(engine, target)
            fail(f"hand-over {target}: {error}; {total} lines delivered, {left} wait")
    say(f"{total} lines delivered to {target}")


#: In the order of the help.
KEEPING: tuple[click.Command, ...] = (verify, backup, restore, upgrade, dictionary, deliver)
