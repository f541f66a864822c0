"""`meniscope evaluate`: recorded verdicts against known truth."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from models.errors import some
from models.vocabulary import FINDING, Part, finding_title
from vision.cli._common import (
    Column,
    database_option_saying,
    fail,
    many,
    print_json,
    print_rows,
    refuse_unused,
    say,
    training_files,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from models.evaluate import Comparison, Group, Outcome, Rate
    from models.limits import LimitSheet
    from models.table import LabelledTable
    from vision.pipeline.inspection import Inspection
    from vision.teaching.truth import TruthRow

    Truth = dict[tuple[str, str, str], TruthRow]

PARTS: tuple[Part, ...] = ("joint", "chip")


@click.command()
@click.argument("truth", nargs=-1, type=click.Path(path_type=Path))
@database_option_saying("The defect database that holds the graded boards.")
@click.option("--results", type=click.Path(path_type=Path), multiple=True, metavar="FILE",
              help="Instead of --db: joints and chips from `results export` (.csv, .jsonl or .json). May be repeated.")
@click.option("--reviews", is_flag=True, help="The truth is what people said in reviews, instead of TRUTH.")
@click.option("--limits", "limits_path", type=click.Path(path_type=Path),
              help="Judge the stored measurements by this sheet, not by the one graded with.")
@click.option("--training", type=click.Path(path_type=Path), multiple=True, metavar="DIR",
              help="The folder of `train --cache`, or one of the lots in it: refuse boards that training has seen. "
                   "May be repeated.")
@click.option("--class", "grade", type=click.Choice(["1", "2", "3"]),
              help="Workmanship class that says what is a defect.  [default: the sheet's]")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="Write evaluation.html and tradeoff.png into this folder.")
@click.option("--pictures", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="The boards' pictures, to show the worst cases; wants --family and --station.")
@click.option("--family", "family_path", type=click.Path(path_type=Path), help="The board family, for --pictures.")
@click.option("--station", "station_path", type=click.Path(path_type=Path), help="The station, for --pictures.")
@click.option("--worst", type=click.IntRange(min=0), default=12, show_default=True, help="Worst cases to list.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(truth: tuple[Path, ...], db: str, results: tuple[Path, ...], reviews: bool, limits_path: Path | None,
            training: tuple[Path, ...], grade: str | None, as_json: bool, **options: Any) -> None:
    """Count escapes and false calls of graded boards against known truth.

    TRUTH is a truth.csv, or a folder that holds one; with several, each is a condition of its own. An escape is a
    defect that was accepted, a false call a good part that was rejected. Marginal parts, where both verdicts can be
    defended, are counted apart, and ungraded ones never as accepted. Intervals are exact, at 95 %.

    \b
    meniscope evaluate pictures --db results.sqlite --training cache --out evaluation
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    if truth and reviews:
        raise click.UsageError("give either TRUTH or --reviews, not both")
    if not truth and not reviews:
        raise click.UsageError("give one or more TRUTH, or --reviews")
    if reviews and results:
        raise click.UsageError("--reviews are in the database, not in --results")
    if results and click.get_current_context().get_parameter_source("db") == ParameterSource.COMMANDLINE:
        raise click.UsageError("give either --db or --results, not both: the boards are read from one of them")
    shown = options["pictures"] is not None
    if shown and not (options["family_path"] and options["station_path"] and options["out"]):
        raise click.UsageError("--pictures wants --family, --station and --out")
    refuse_unused(shown, "with --pictures only, to show the worst cases", "family_path", "station_path")
    from models.evaluate import compare
    from models.limits import read_limits

    sources = _sources(truth, db, reviews)
    sheet = None if limits_path is None else read_limits(limits_path)
    sheet = _read_results(results, sources, sheet) if results else _inspect(db, sources, sheet)
    tables = _tables(sources)
    _refuse_training(training, tables)
    outcomes = [outcome for source in sources for outcome in source.outcomes(len(sources) > 1)]
    workmanship = int(grade) if grade else (sheet.workmanship_class if sheet else 2)
    comparison = compare(outcomes, workmanship_class=workmanship, worst=options["worst"])
    if reviews and not as_json:
        say("caution: people reviewed only what was found or reported, so escapes are those that somebody noticed")
    if as_json:
        print_json(comparison_data(comparison))
    else:
        _print(comparison)
    if options["out"] is not None:
        words = "what people said in reviews" if reviews else ", ".join(str(path) for path in truth)
        graded = {inspection.serial: inspection for source in sources for inspection in source.inspections}
        _write_report(options, words, comparison, workmanship, sheet, tables, graded)


@dataclass
class _Source:
    """One truth and the graded boards beside it."""

    name: str
    truth: Truth
    folder: Path | None = None  # where the pictures should be
    inspections: list[Inspection] = field(default_factory=list)
    named: dict[tuple[str, str, str], tuple[str, ...]] | None = None  # findings, where the inspections hold none

    def outcomes(self, several: bool) -> list[Outcome]:
        """Set the boards beside the truth; with several sources each is a condition."""
        from vision.teaching import outcomes

        found = outcomes(self.inspections, self.truth, self.name if several else "")
        if self.named is None:
            return found
        keys = [(o.board, *(o.name.rsplit(".", 1) if o.part == "joint" else (o.name, ""))) for o in found]
        return [replace(o, found=self.named.get((key[0], key[1], key[2]), ()))
                for o, key in zip(found, keys, strict=True)]


def _sources(places: Sequence[Path], db: str, reviews: bool) -> list[_Source]:
    """Read every truth."""
    if reviews:
        from vision.records.database import opened
        from vision.records.queries import Filter
        from vision.teaching.recorded import reviewed_truth

        with opened(db) as engine:
            found = reviewed_truth(engine, Filter())
        if not found:
            fail(f"{db}: nobody has reviewed a finding yet")
        return [_Source("reviews", found)]
    from vision.teaching import read_truth

    for place in places:
        if (place / "boards.csv").is_file() and not (place / "truth.csv").exists():
            fail(f"{place}: got a lot of a training cache, wanted a truth.csv or a folder that holds one; name the "
                 f"cache as one folder, --training {place.parent}")
    folders = [place if place.is_dir() else place.parent for place in places]
    return [_Source(str(folder), dict(read_truth(place, partial(click.echo, err=True))), folder.resolve())
            for place, folder in zip(places, folders, strict=True)]


def _inspect(db: str, sources: Sequence[_Source], sheet: LimitSheet | None) -> LimitSheet | None:
    """Find the newest inspection of each board, judged by `sheet` if given; return the one sheet used, if it is one."""
    from vision.records.database import opened
    from vision.records.load import load_inspections
    from vision.records.queries import Filter, list_inspections
    from vision.records.replay import rejudged
    from vision.teaching.recorded import recorded_sheet

    used: set[str] = set()
    with opened(db) as engine:
        listed = list_inspections(engine, Filter())
        for source in sources:
            wanted = {serial for serial, _, _ in source.truth}
            graded = [found for _, found in load_inspections(
                engine, [row["id"] for row in listed if row["serial"] in wanted])]
            source.inspections = _chosen(source, graded)
            _caution(source, wanted, db)
            used |= {inspection.sheet_hash for inspection in source.inspections}
            if sheet is not None:
                source.inspections = [rejudged(inspection, sheet) for inspection in source.inspections]
        if sheet is not None:
            return sheet
        if len(used) > 1:
            say(f"caution: these boards were graded with {len(used)} different limit sheets; --limits judges all alike")
            return None
        return recorded_sheet(engine, used.pop())


def _read_results(files: Sequence[Path], sources: Sequence[_Source], sheet: LimitSheet | None) -> LimitSheet | None:
    """Take the boards from exported tables instead of the database."""
    from vision.records.replay import rejudged
    from vision.teaching.exported import read_exported

    graded, named = read_exported(files)
    for source in sources:
        wanted = {serial for serial, _, _ in source.truth}
        source.inspections = [inspection for inspection in graded if inspection.serial in wanted]
        source.named = named
        if sheet is not None:
            source.inspections = [rejudged(inspection, sheet) for inspection in source.inspections]
            source.named = None
        _caution(source, wanted, ", ".join(str(file) for file in files))
    return sheet


def _chosen(source: _Source, newest_first: Sequence[Inspection]) -> list[Inspection]:
    """Return one inspection a board: the newest made from pictures beside the truth, or the newest of all.

    Serials of different lots may be the same, and the truth about one says nothing about the other: refused where the
    pictures beside the truth are not those that were graded.
    """
    beside: dict[str, bool | None] = {}
    chosen: dict[str, Inspection] = {}
    places = [(_beside(each, source.folder), each) for each in newest_first]
    for place, inspection in sorted(places, key=lambda each: not each[0]):  # stable: newest first within each
        if inspection.serial not in chosen:
            chosen[inspection.serial], beside[inspection.serial] = inspection, place
    others = [serial for serial, place in beside.items() if place is False]
    if others:
        fail(f"{source.name}: got a truth about other boards than those graded: of {some(others, 3)} the pictures "
             f"beside it are not those that were graded; grade the pictures in {source.name}, or name their --db")
    strangers = [serial for serial, place in beside.items() if place is None]
    if strangers and source.folder is not None:
        say(f"caution: {many(len(strangers), 'board')} graded from pictures that lie elsewhere than {source.name}; "
            f"make sure that they are the same boards ({', '.join(strangers[:3])})")
    return list(chosen.values())


def _beside(inspection: Inspection, folder: Path | None) -> bool | None:
    """Say whether a board's pictures lie in a folder: there when graded, or moved; None where no such name is there."""
    from vision.records.keys import sha256_file

    if folder is None:
        return None
    if any(Path(picture.path).resolve().parent == folder for picture in inspection.pictures):
        return True
    told = [picture.sha256 == sha256_file(folder / Path(picture.path).name) for picture in inspection.pictures
            if picture.sha256 and (folder / Path(picture.path).name).is_file()]
    return all(told) if told else None


def _caution(source: _Source, wanted: set[str], db: str) -> None:
    missing = sorted(wanted - {inspection.serial for inspection in source.inspections})
    if not source.inspections:
        fail(f"{db}: none of {many(len(wanted), 'board')} of {source.name} has been graded; `meniscope grade` first")
    if missing:
        say(f"caution: {many(len(missing), 'board')} of {source.name} not graded, left out: "
            f"{', '.join(missing[:5])}{' and more' if len(missing) > 5 else ''}")


def _tables(sources: Sequence[_Source]) -> dict[str, LabelledTable]:
    from models.table import join_tables
    from vision.teaching.recorded import inspected_table

    return {part: join_tables([inspected_table(source.inspections, source.truth, part) for source in sources])
            for part in PARTS}


def _refuse_training(places: Sequence[Path], tables: Mapping[str, LabelledTable]) -> None:
    from models.evaluate import refuse_overlap, shared_boards
    from models.table import read_table

    for file in (file for place in places for file in training_files(place, "joints.csv")):
        shared = shared_boards(read_table(file, "joint"), tables["joint"])
        refuse_overlap(shared, shared, "board", str(file.parent))


def _print(comparison: Comparison) -> None:
    rows = [{"what": what, **_rate(rate)} for what, rate in (
        ("escapes: defects accepted", comparison.escapes), ("false calls: good ones rejected", comparison.false_calls),
        ("good ones sent to review", comparison.good_reviewed), ("defects sent to review", comparison.defects_reviewed),
        ("ungraded", comparison.ungraded))]
    print_rows(rows, [Column("what", ""), Column("count"), Column("of"), Column("share_pct", "%", 2),
                      Column("low_pct", f"{100 * comparison.confidence:.0f} % interval from", 2),
                      Column("high_pct", "to", 2)])
    click.echo(f"\n{many(comparison.boards, 'board')}, {comparison.boards_with_escape} of them with an escape; "
               f"{sum(comparison.marginal.values())} marginal parts are left out of all rates")
    for title, groups in (("finding", comparison.by_finding), ("process indicator", comparison.indicators),
                          ("land", comparison.by_kind), ("condition", comparison.by_condition)):
        if groups and (title != "condition" or len(groups) > 1):
            click.echo("")
            _print_groups(title, groups)
    if comparison.worst:
        click.echo("\nworst cases:")
        print_rows([{"board": o.board, "place": o.name, "truth": _titles(o.truth) or "good", "verdict": o.verdict,
                     "found": _titles(o.found), "why": o.why} for o in comparison.worst],
                   ["board", "place", "truth", "verdict", "found", "why"])


def _titles(findings: Sequence[str]) -> str:
    return ", ".join(finding_title(name) for name in findings)


def _print_groups(title: str, groups: Sequence[Group]) -> None:
    columns = [Column("name", title), Column("defects", "parts" if title == "process indicator" else "defects"),
               Column("rejected"), Column("reviewed", "review"), Column("escapes", "escaped"),
               Column("escape_to", "escape rate below, %", 2), Column("named"), Column("good"),
               Column("false_calls", "false calls"), Column("false_call_to", "false-call rate below, %", 2)]
    if title in ("finding", "process indicator"):
        columns = [c for c in columns if c.name not in ("good", "false_calls", "false_call_to")]
    if title == "process indicator":
        columns = [c for c in columns if c.name not in ("rejected", "reviewed", "escapes", "escape_to")]
    print_rows([_group(group) for group in groups], columns)


def _rate(rate: Rate) -> dict[str, Any]:
    known = rate.of > 0
    return {"count": rate.count, "of": rate.of, "share_pct": 100.0 * rate.share if known else None,
            "low_pct": 100.0 * rate.low if known else None, "high_pct": 100.0 * rate.high if known else None}


def _group(group: Group) -> dict[str, Any]:
    title = FINDING[group.name].title if group.name in FINDING else group.name
    return {"name": title, "defects": group.defects, "rejected": group.rejected, "reviewed": group.reviewed,
            "ungraded": group.ungraded, "escapes": group.escapes.count, "named": group.named,
            "escape_to": 100.0 * group.escapes.high if group.escapes.of else None, "good": group.good,
            "false_calls": group.false_calls.count, "good_reviewed": group.good_reviewed,
            "false_call_to": 100.0 * group.false_calls.high if group.good else None}


def comparison_data(comparison: Comparison) -> dict[str, Any]:
    """Return everything counted as plain data for JSON."""
    def groups(some: Sequence[Group]) -> list[dict[str, Any]]:
        return [_group(group) | {"name": group.name} for group in some]

    return {
        "confidence": comparison.confidence, "escapes": _rate(comparison.escapes),
        "false_calls": _rate(comparison.false_calls), "good_reviewed": _rate(comparison.good_reviewed),
        "defects_reviewed": _rate(comparison.defects_reviewed), "ungraded": _rate(comparison.ungraded),
        "boards": comparison.boards, "boards_with_escape": comparison.boards_with_escape,
        "marginal": [{"truth": kind, "verdict": verdict, "count": count}
                     for (kind, verdict), count in sorted(comparison.marginal.items())],
        "by_finding": groups(comparison.by_finding), "indicators": groups(comparison.indicators),
        "by_land": groups(comparison.by_kind), "by_condition": groups(comparison.by_condition),
        "confusion": [{"truth": true, "said": said, "count": count}
                      for (true, said), count in sorted(comparison.confusion.items())],
        "worst": [{"board": o.board, "place": o.name, "truth": list(o.truth), "verdict": o.verdict,
                   "found": list(o.found), "why": o.why} for o in comparison.worst]}


def _write_report(options: Mapping[str, Any], source: str, comparison: Comparison, workmanship: int,
                  sheet: LimitSheet | None, tables: Mapping[str, LabelledTable],
                  graded: Mapping[str, Inspection]) -> None:
    from models.decision import family_risks
    from models.limits import write_whole
    from models.tradeoff import curves
    from vision.report.curves import curves_png
    from vision.report.evaluation import EvaluationReport, evaluation_html

    out: Path = options["out"]
    out.mkdir(parents=True, exist_ok=True)
    drawn = [] if sheet is None else [curve for table in tables.values() for curve in curves(sheet, table)]
    risks = [] if sheet is None else [risk for table in tables.values() for risk in family_risks(sheet, table)]
    pictures, sheets = ({}, {}) if options["pictures"] is None else _pictures(options, comparison.worst, sheet, graded)
    page = evaluation_html(EvaluationReport("Verdicts against known truth", source, comparison, workmanship, sheet,
                                            drawn, risks, pictures, sheets))
    write_whole(out / "evaluation.html", page)
    say(f"report in {out / 'evaluation.html'}")
    if drawn:
        (out / "tradeoff.png").write_bytes(curves_png(drawn))
        say(f"trade-off curves in {out / 'tradeoff.png'}")


def _pictures(options: Mapping[str, Any], worst: Sequence[Outcome], sheet: LimitSheet | None,
              graded: Mapping[str, Inspection]) -> tuple[dict[tuple[str, str], str], dict[tuple[str, str], str]]:
    """Return small pictures and whole sheets of the worst cases as data URIs, by board and place.

    Sheets tell measurements against limits, so there are none where boards were graded with different limit sheets.
    """
    from vision.pipeline.folder import scan_folder
    from vision.report.pictures import data_uri, place_pictures, sheet_pictures
    from vision.setup import read_family, read_station

    family, station = read_family(options["family_path"]), read_station(options["station_path"])
    boards = {files.serial: files for files in scan_folder(options["pictures"], station, family)}
    wanted: dict[str, list[str]] = {}
    for outcome in worst:
        wanted.setdefault(outcome.board, []).append(outcome.name)
    small: dict[tuple[str, str], str] = {}
    whole: dict[tuple[str, str], str] = {}
    for board, names in wanted.items():
        if board not in boards:
            continue
        for name, picture in place_pictures(boards[board], family, station, names).items():
            small[board, name] = data_uri(picture)
        if sheet is None or board not in graded:
            continue
        for name, picture in sheet_pictures(boards[board], family, station, sheet, graded[board], names).items():
            whole[board, name] = data_uri(picture, 72)
    return small, whole
