"""`meniscope grade`: every board of a folder graded and recorded."""

from __future__ import annotations

import json
import random
import signal
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.errors import some
from models.vocabulary import REJECT, REVIEW, UNGRADED, VERDICTS
from vision.cli._common import (
    INTERRUPTED,
    Column,
    Output,
    database_option_saying,
    fail,
    family_option,
    jobs_option,
    limits_option,
    many,
    print_json,
    print_rows,
    progress,
    refuse_unused,
    rows_options,
    say,
    station_option,
    verdict_word,
)
from vision.cli._sheet import other_class_option, sheet_for, tell_gaps

if TYPE_CHECKING:
    from types import FrameType

    from models.limits import LimitSheet
    from vision.records.batch import BoardResult, Job
    from vision.records.handover import Courier
    from vision.setup import Family, Station

#: Findings shown of each board in the table; `results show` has them all.
SHOWN = 4
#: Stands in the reason of a board whose lights are exchanged (vision/pipeline/light/lights.py).
EXCHANGED = "answer in each other's place"
#: How long the end of a run waits for a receiver of dispositions, s.
LAST_DELIVERY_SECONDS = 10.0

BOARD_COLUMNS = (Column("serial"), Column("verdict"), Column("joints"), Column("reject"), Column("review"),
                 Column("ungraded"), Column("findings", "what was found"))


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@family_option
@station_option
@limits_option
@other_class_option
@database_option_saying("The defect database: an SQLite file, made when it is not there, or "
                        "postgresql://USER@HOST/NAME.")
@click.option("--overlays", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="Also write pictures of what was seen into this folder, one a view.")
@click.option("--zooms", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="Also write a sheet for each joint and chip that is not accepted into this folder: what was seen, "
                   "its slope, each light's profile, numbers against limits.")
@click.option("--zoom", "places", multiple=True, metavar="REF.PIN",
              help="With --zooms: this joint (or chip REF) of every board instead. May be repeated.")
@jobs_option
@click.option("--again", is_flag=True, help="Grade boards again whose pictures were graded before.")
@click.option("--spread", is_flag=True, help="Take the boards in random order: when several computers grade one folder "
              "into one database, they then seldom grade the same board.")
@click.option("--fail-on", type=click.Choice((REJECT, REVIEW, UNGRADED)), multiple=True,
              help="Exit with code 3 when a board has this verdict, or is ungraded and hides it: the worst of what was "
                   "graded on it has it. May be given several times.")
@click.option("--watch", is_flag=True, help="Go on: grade boards as their pictures arrive, until Ctrl-C.")
@click.option("--hand-over", metavar="-|FILE|ADDRESS",
              help="After each board, hand its disposition over as a line of JSON: to standard output, a file, or by "
                   "POST to an http address. Delivered at least once.")
@click.option("--cluster", metavar="ADDRESS", help="Grade on the workers of a Dask scheduler, tcp://HOST:PORT.")
@rows_options
def command(folder: Path, family_path: Path, station_path: Path, limits_path: Path, other_class: bool, output: Output,
            **options: Any) -> None:
    """Grade every board of a folder and record the results.

    FOLDER holds the pictures, named after the pattern `files` of the station. Boards are graded side by side, and
    each is written to the database in one transaction. A board with a missing or broken picture becomes `ungraded`
    with the reason and the rest goes on; so does one with a picture that is byte for byte another board's, since the
    camera may stand still (--again grades it all the same). Boards graded before with the same limit sheet are not
    graded twice, so that the same command goes on where it was cut off. Reject, review and ungraded are counts of
    joints and chips.

    \b
    meniscope grade pictures --family psu-24 --station station.toml --limits limits.toml --db results.sqlite

    Exit code 0: it ran; 1: it could not run; 2: the command line was wrong; 3: a board has a verdict named by
    --fail-on; 130: stopped by Ctrl-C after the boards in hand, which with --watch is its end and no failure: 0 or 3.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    if options["hand_over"] == "-" and output != "table":
        raise click.UsageError("--hand-over - and --json or --csv both want standard output: hand over to a file")
    if options["places"] and options["zooms"] is None:
        raise click.UsageError("--zoom wants --zooms DIR, the folder for the sheets")
    refuse_unused(not options["watch"], "without --watch, which takes boards as they arrive", "spread")
    refuse_unused(options["cluster"] is None, "without --cluster, whose workers grade", "jobs")
    from vision.setup import read_family, read_station

    family, station = read_family(family_path), read_station(station_path)
    _check_places(options["places"], family)
    sheet = sheet_for(limits_path, family, other_class)
    options["limits"] = str(limits_path)
    with ExitStack() as held:
        run = _Run(held, folder, family, station, sheet, output, options)
        run.grade()
    if run.stopped and not options["watch"]:
        raise click.exceptions.Exit(INTERRUPTED)
    if run.failed and run.failed == sum(run.verdicts.values()):
        fail("no board could be graded: the program failed on every one")
    if any(run.verdicts[verdict] + run.hidden[verdict] for verdict in options["fail_on"]):
        raise click.exceptions.Exit(3)


def _check_places(places: tuple[str, ...], family: Family) -> None:
    known = {joint.name for joint in family.joints} | {chip.ref for chip in family.chips}
    strange = [place for place in places if place not in known]
    if strange:
        fail(f"family {family.name} has no {strange[0]}, wanted a joint (REF.PIN) or chip (REF) of it")


class _Run:
    """One run over a folder: what it works with, and what it has counted."""

    def __init__(self, held: ExitStack, folder: Path, family: Family, station: Station, sheet: LimitSheet,
                 output: Output, options: dict[str, Any]) -> None:
        self.held, self.folder, self.family, self.station, self.sheet = held, folder, family, station, sheet
        self.output, self.options = output, options
        self.verdicts: Counter[str] = Counter()
        self.hidden: Counter[str] = Counter()  # of ungraded boards, what their graded joints and chips would make them
        self.skipped = self.failed = self.exchanged = 0
        self.reasons: Counter[str] = Counter()  # of ungraded boards
        self.seen: set[str] = set()  # serials of boards graded now or before
        self.twins: list[tuple[str, str]] = []  # boards with the very picture of another one, and that one
        self.stopped = False
        self.courier: Courier | None = None

    def grade(self) -> None:
        """Find the boards, grade them, print the results."""
        from vision.records.batch import Job, grade_folder, once_each
        from vision.records.database import network_share, open_database
        from vision.records.handover import checked_target
        from vision.records.watch import arriving
        from vision.records.workers import BoardGrader

        options, db = self.options, self.options["db"]
        target = None if options["hand_over"] is None else checked_target(options["hand_over"])
        found = self._boards()
        # Workers may run in another folder than this process.
        overlays, zooms = (None if folder is None else folder.absolute()
                           for folder in (options["overlays"], options["zooms"]))
        for shown in (overlays, zooms):
            if shown is not None:
                shown.mkdir(parents=True, exist_ok=True)
        share = network_share(db)
        if share is not None:
            say(f"caution: {db} lies on a network share ({share}), where SQLite may lose results when several programs "
                "write; use a local disk or PostgreSQL")
        engine = open_database(db)
        self.held.callback(engine.dispose)
        tell_gaps(options["limits"], self.sheet, ("joint", "chip") if self.family.chips else ("joint",))
        count = min(options["jobs"], len(found)) if found and not options["watch"] else options["jobs"]
        workers, in_flight = self._workers(count)
        stop = self.held.enter_context(stop_signals(self._stopping))
        job = Job(engine, self.family, self.station, self.sheet, again=options["again"], in_flight=in_flight,
                  targets=() if target is None else (target,), stop=stop)
        if target is not None:
            self.courier = self._start_courier(job, target)
        grader = BoardGrader(self.family, self.station, self.sheet, overlays, zooms, options["places"])
        if options["watch"]:
            say(f"watching {self.folder}; Ctrl-C ends")
            boards = arriving(self.folder, self.station, self.family, stop)
            self._print_stream(grade_folder(boards, grader, workers, job), job)
        else:
            results = grade_folder(once_each(found), grader, workers, job)
            self._print_table(results, len(found), job)
        self._finish(job, len(found))

    def _boards(self) -> list[Any]:
        from vision.pipeline.folder import look_through

        scan = look_through(self.folder, self.station, self.family)
        self._tell_strangers(scan.strangers)
        if not scan.boards and not self.options["watch"]:
            wanted = self.station.files.format(serial="B0001", view=self.family.views[0].name,
                                               exposure=self.station.exposures[0])
            fail(f"{self.folder}: no picture is named after {self.station.files!r}, the pattern `files` of the "
                 f"station{self._choices()}; wanted names like {wanted}"
                 + ("" if scan.strangers else ", and there is no picture at all in this folder"))
        boards = list(scan.boards)
        if self.options["spread"]:
            random.shuffle(boards)
        return boards

    def _tell_strangers(self, strangers: Sequence[Path]) -> None:
        if strangers:
            several = "1 picture does" if len(strangers) == 1 else f"{len(strangers)} pictures do"
            say(f"caution: {several} not fit the file names {self.station.files!r} of the station{self._choices()}, "
                f"left out: {some([path.name for path in strangers], 3)}")

    def _tell_left(self) -> None:
        """Say at the end of --watch what lies in the folder and was not graded: nobody else would miss it."""
        from vision.pipeline.folder import look_through

        if not self.folder.is_dir():
            return
        scan = look_through(self.folder, self.station, self.family)
        self._tell_strangers(scan.strangers)
        left = [f"{board.serial} ({board.problems[0]})" if board.problems else board.serial
                for board in scan.boards if board.serial not in self.seen]
        if left:
            say(f"caution: {many(len(left), 'board')} in {self.folder} {'is' if len(left) == 1 else 'are'} not graded "
                f"yet: {some(left, 3)}; the same command takes {'it' if len(left) == 1 else 'them'} up")

    def _choices(self) -> str:
        """Return the names of views and exposures that pictures may bear: ` (view v1; exposure a or b)`."""
        told = [f"{word} {' or '.join(names)}" for word, names in (
            ("view", [view.name for view in self.family.views]), ("exposure", list(self.station.exposures)))
            if f"{{{word}}}" in self.station.files]
        return f" ({'; '.join(told)})" if told else ""

    def _workers(self, count: int) -> tuple[Any, int]:
        """Return what makes executors, and how many boards to have in hand."""
        from vision.records.workers import cluster, processes

        if self.options["cluster"] is None:
            return (lambda: processes(count)), 2 * count + 1
        workers, cores = self.held.enter_context(cluster(self.options["cluster"]))
        return workers, 2 * cores + 1

    def _start_courier(self, job: Job, target: str) -> Courier:
        from vision.records.handover import Courier, deliverer

        return Courier(job.engine, target, deliverer(target, lambda text: click.echo(text, nl=False)))

    def _stopping(self) -> None:
        self.stopped = True
        say("\nstopping after the boards in hand; Ctrl-C again stops at once")

    def _counted(self, results: Iterator[BoardResult], job: Job) -> Iterator[BoardResult]:
        from vision.records.queries import show_head

        for result in results:
            self.verdicts[result.verdict] += 1
            self.seen.add(result.serial)
            if result.verdict == UNGRADED:
                head = show_head(job.engine, result.inspection_id)
                self.reasons[head["reason"]] += 1
                self.hidden[REJECT if head["reject"] else REVIEW if head["review"] else ""] += 1
            self.skipped += result.skipped
            self.failed += result.fault
            self.exchanged += result.inspection is not None and EXCHANGED in result.inspection.reason
            if result.twin:
                self.twins.append((result.serial, result.twin))
                self._take_pictures_back(result.serial)
            if self.courier is not None:
                self.courier.wake()
            yield result

    def _take_pictures_back(self, serial: str) -> None:
        """Delete what a worker has drawn of a board before it was known that its pictures are those of another."""
        from vision.pipeline.pictures.show import overlay_file, zoom_file

        places = [joint.name for joint in self.family.joints] + [chip.ref for chip in self.family.chips]
        for folder, names in ((self.options["overlays"], [overlay_file(serial, v.name) for v in self.family.views]),
                              (self.options["zooms"], [zoom_file(serial, place) for place in places])):
            for name in names if folder is not None else ():
                (folder / name).unlink(missing_ok=True)

    def _print_table(self, results: Iterator[BoardResult], total: int, job: Job) -> None:
        rows: list[dict[str, Any]] = []
        with progress(total, "grading") as bar:
            for result in self._counted(results, job):
                if self.options["hand_over"] != "-":
                    rows.append(board_row(result, job))
                bar.step()
        rows.sort(key=lambda row: str(row["serial"]))
        if self.options["hand_over"] == "-":
            return
        if self.output == "json":
            print_json(rows)
        elif self.output == "csv":
            print_rows([row | {"findings": "; ".join(_finding_text(item) for item in row["findings"])} for row in rows],
                       [*(column.name for column in BOARD_COLUMNS), "reason", "inspection", "skipped"], "csv")
        else:
            print_rows([line for row in rows for line in _table_lines(row)], BOARD_COLUMNS)

    def _print_stream(self, results: Iterator[BoardResult], job: Job) -> None:
        for result in self._counted(results, job):
            if self.options["hand_over"] == "-":
                continue
            row = board_row(result, job)
            if self.output == "table":
                told = row["reason"] or "; ".join(_finding_text(item) for item in row["findings"][:SHOWN])
                click.echo(f"{row['serial']}  {verdict_word(row['verdict'])}  {told}".rstrip())
            else:
                click.echo(json.dumps(row, ensure_ascii=False))

    def _finish(self, job: Job, total: int) -> None:
        """Deliver what waits and say what was done."""
        from vision.records.handover import waiting

        if self.courier is not None:
            self.courier.close(LAST_DELIVERY_SECONDS)
            left = waiting(job.engine, job.targets[0])
            if left:
                why = f" ({self.courier.problem})" if self.courier.problem else ""
                say(f"caution: {many(left, 'disposition line')} {'waits' if left == 1 else 'wait'} for {job.targets[0]}"
                    f"{why}; the next run delivers, or `meniscope results deliver`")
        self._caution()
        if self.options["watch"]:
            self._tell_left()
        done = sum(self.verdicts.values())
        counts = ", ".join(f"{self.verdicts[verdict]} {verdict}" for verdict in VERDICTS)
        if self.hidden[REJECT]:
            counts += f", {self.hidden[REJECT]} of them with rejected joints or chips"
        say(f"{many(done, 'board')}: {counts}" + (f"; {self.skipped} of them graded before" if self.skipped else ""))
        shown = [f", {what} in {self.options[name]}" for name, what in (
            ("overlays", "pictures"), ("zooms", "joint sheets")) if self.options[name] is not None]
        say(f"results in {self.options['db']}{''.join(shown)}")
        if self.stopped and not self.options["watch"]:
            rest = many(total - done, "board") + (" is" if total - done == 1 else " are")
            say(f"stopped: {rest} left; the same command goes on")

    def _caution(self) -> None:
        """Say what casts doubt on the whole run."""
        if self.failed:
            say(f"caution: the program itself failed on {many(self.failed, 'board')}; the next run tries again. "
                "This is a fault of meniscope or of this computer, not of the boards")
        judged = sum(count for verdict, count in self.verdicts.items() if verdict != UNGRADED)
        if not judged and not self.failed and self.reasons:
            reason, count = self.reasons.most_common(1)[0]
            if count > 1 and 2 * count >= self.verdicts[UNGRADED]:  # one cause for all, not one broken file each
                say(f"caution: none of the {self.verdicts[UNGRADED]} boards could be graded, {count} of them for one "
                    f"reason: {reason}. See whether these are pictures of family {self.family.name} at station "
                    f"{self.station.name}")
        if self.exchanged and judged:
            say(f"caution: {many(self.exchanged, 'board')} could not be graded because lights seem to be "
                "exchanged. They are the same lights for all: check the station's exposures and channels before "
                f"you trust the verdicts of the other {judged}")
        if self.twins:
            told = [f"{serial} as {other}" for serial, other in self.twins]
            say(f"caution: the very picture of another board again: {some(told, 3)}. The camera may stand still; look "
                "at the boards named second too")


def board_row(result: BoardResult, job: Job) -> dict[str, Any]:
    """Return what is printed of one board; of a board graded before, what the database holds."""
    from vision.records.queries import Filter, iterate_findings, show_head

    head = show_head(job.engine, result.inspection_id)
    findings = [{"place": f"{item['ref']}.{item['pin']}" if item["pin"] else item["ref"], **{
        name: item[name] for name in ("finding", "verdict", "measure", "value", "limit", "unit", "words")}}
        for item in iterate_findings(job.engine, Filter(inspection_id=result.inspection_id, superseded=True))
        if item["verdict"] != "indicator"]
    findings.sort(key=lambda item: item["verdict"] != REJECT)
    return {"serial": result.serial, "verdict": result.verdict, "joints": head["joints"], "reject": head["reject"],
            "review": head["review"], "ungraded": head["ungraded"], "reason": head["reason"],
            "inspection": result.inspection_id, "skipped": result.skipped, "findings": findings}


def _finding_text(item: dict[str, Any]) -> str:
    return f"{item['place']} {item['words']}"


def _table_lines(row: dict[str, Any]) -> list[dict[str, Any]]:
    """Return a board's lines: the first with its counts, one more for each further finding."""
    told = [_finding_text(item) for item in row["findings"]]
    if row["reason"]:
        told.insert(0, row["reason"])
    if len(told) > SHOWN:
        told[SHOWN - 1:] = [f"and {len(told) - SHOWN + 1} more: meniscope results show {row['serial']}"]
    blank = {column.name: "" for column in BOARD_COLUMNS}
    first = {column.name: row[column.name] for column in BOARD_COLUMNS} | {"findings": told[0] if told else ""}
    return [first, *(blank | {"findings": text} for text in told[1:])]


@contextmanager
def stop_signals(say_so: Callable[[], None]) -> Iterator[Callable[[], bool]]:
    """Turn the first Ctrl-C (or SIGTERM) into a request to stop; the second one stops at once."""
    asked = False

    def ask(number: int, frame: FrameType | None) -> None:
        nonlocal asked
        if asked:
            raise KeyboardInterrupt
        asked = True
        say_so()

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield lambda: asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
