"""`meniscope demo`: the whole job, from a board family to graded joints in a defect database."""

from __future__ import annotations

import shutil
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.vocabulary import UNGRADED, VERDICTS
from vision.cli._common import fail, jobs_option, many, print_json, print_rows, progress, say, verdict_word
from vision.cli.train import rate_columns, rate_rows

if TYPE_CHECKING:
    from models.evaluate import Comparison
    from models.limits import LimitSheet
    from models.train import TrainResult
    from vision.pipeline.folder import BoardFiles
    from vision.pipeline.inspection import Inspection
    from vision.report import Place
    from vision.setup import Family, Station
    from vision.teaching import Truth

#: Says that a folder was made by this command and may be made anew.
MARKER = ".meniscope-demo"
#: A third of the lot is soldered as it should be. On the rest defects are planted at this rate; a bridge makes two
#: joints bad, so that about 15 per cent of all joints are.
GOOD_SHARE = 1 / 3
DEFECT_RATE = 0.2
TRAINING_DEFECT_RATE = 0.4
#: Training and lot are drawn from different seeds: a lot that training has seen would prove nothing.
TRAINING_SEED = 1_000_000
WORST = 12


@dataclass(frozen=True)
class Places:
    """Where the demo puts things."""

    out: Path

    @property
    def station(self) -> Path:
        """The station's file."""
        return self.out / "station.toml"

    @property
    def family(self) -> Path:
        """The folder with the family's files."""
        return self.out / "family"

    @property
    def limits(self) -> Path:
        """The limit sheet."""
        return self.out / "limits.toml"

    @property
    def training(self) -> Path:
        """Measured tables of the training boards."""
        return self.out / "training"

    @property
    def pictures(self) -> Path:
        """The lot's pictures and truth.csv."""
        return self.out / "pictures"

    @property
    def overlays(self) -> Path:
        """Annotated pictures."""
        return self.out / "overlays"

    @property
    def database(self) -> Path:
        """The defect database."""
        return self.out / "results.sqlite"

    @property
    def report(self) -> Path:
        """The page."""
        return self.out / "report.html"


@click.command()
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), default=Path("meniscope-demo"),
              show_default=True, metavar="DIR", help="Where to put everything.")
@click.option("--seed", type=click.IntRange(0, 999_999), default=1, show_default=True,
              help="Equal seeds give equal boards.")
@click.option("--boards", type=click.IntRange(2, 1000), default=24, show_default=True,
              help="Boards in the lot that is graded.")
@click.option("--training", type=click.IntRange(8, 1000), default=48, show_default=True,
              help="Boards that the limits are learned from.")
@jobs_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(out: Path, seed: int, boards: int, training: int, jobs: int, as_json: bool) -> None:
    """See the whole job done on rendered pictures, in a few minutes and without a camera.

    An invented board is taught: boards of it are rendered and their limit sheet is learned. Then a lot of other
    boards, about 15 per cent of the joints bad, is rendered and graded like real pictures, into a defect database.
    Because the truth about rendered boards is known, the command can say what was missed.
    """
    clock = time.perf_counter()
    places = Places(out)
    family, station = _prepare(places)
    taught = _teach(places, family, station, seed, training, jobs)
    _render(places, family, station, seed, boards, jobs)
    inspections = _grade(places, family, station, taught.sheet, jobs)
    if all(inspection.verdict == UNGRADED for inspection in inspections):
        fail(f"no board could be graded; the first one because: {inspections[0].reason}" if inspections
             else f"{places.pictures}: no boards were found")
    told = _told(places, family, station, taught, inspections)
    if as_json:
        print_json(told)
    else:
        _print_text(told)
    say(f"done in {time.perf_counter() - clock:.0f} s")


def _prepare(places: Places) -> tuple[Family, Station]:
    """Make the folder and write the invented family and station; read them back as a user's files are read."""
    from synthetic_images.demo import demo_family, demo_station
    from vision.setup import read_family, read_station, write_family, write_station

    out = places.out
    if out.exists() and any(out.iterdir()):
        if not (out / MARKER).is_file():
            fail(f"{out}: holds other files; name an empty or new folder with --out")
        for child in (places.family, places.training, places.pictures, places.overlays):
            shutil.rmtree(child, ignore_errors=True)
        # The limit sheet stays until the new one is written, so that one edited by hand goes into its history.
        for file in (places.station, places.report, *out.glob("results.sqlite*")):
            file.unlink(missing_ok=True)
    out.mkdir(parents=True, exist_ok=True)
    (out / MARKER).write_text("This folder is made anew by `meniscope demo`.\n", encoding="utf-8")
    family = demo_family()
    write_family(family, places.family)
    write_station(demo_station(family), places.station)
    return read_family(places.family), read_station(places.station)


def _teach(places: Places, family: Family, station: Station, seed: int, boards: int, jobs: int) -> TrainResult:
    """Render training boards, learn the limit sheet and write it."""
    from vision.cli._limits_write import write_anew
    from vision.teaching import training_tables
    from vision.teaching.teach import learn

    say(f"1/4 teaching: {boards} boards with planted defects are rendered and measured")
    lot_seed = TRAINING_SEED + seed
    with progress(boards, "    rendering, measuring") as bar:
        tables = training_tables(family, station, boards=boards, seed=lot_seed, defect_rate=TRAINING_DEFECT_RATE,
                                 jobs=jobs, cache=places.training, progress=bar)
    result = learn(family, tables.joints, tables.chips, boards=boards, seed=lot_seed, folds=0)
    write_anew(result.sheet, places.limits, f"the demo was run again with {boards} boards to learn from, seed {seed}")
    return result


def _render(places: Places, family: Family, station: Station, seed: int, boards: int, jobs: int) -> None:
    """Render the lot: boards without a planted defect first, then boards with some."""
    from synthetic_images.lot import render_lot

    say(f"2/4 a lot of {boards} boards with about 15% bad joints is rendered")
    good = round(boards * GOOD_SHARE)
    tables = []
    with progress(boards, "    rendering") as bar:
        for first, count, rate in ((1, good, 0.0), (1 + good, boards - good, DEFECT_RATE)):
            render_lot(family, station, places.pictures, boards=count, seed=seed, defect_rate=rate,
                       first_serial=first, workers=jobs, progress=lambda *_: bar.step())
            tables.append((places.pictures / "truth.csv").read_text(encoding="utf-8").splitlines(keepends=True))
    header = tables[0][:1]
    (places.pictures / "truth.csv").write_text("".join(header + [line for table in tables for line in table[1:]]),
                                               encoding="utf-8")


def _grade(places: Places, family: Family, station: Station, sheet: LimitSheet, jobs: int) -> list[Inspection]:
    """Grade the lot as `meniscope grade` does, into the database, with overlays."""
    from vision.pipeline.folder import scan_folder
    from vision.records import open_database
    from vision.records.batch import Job, grade_folder, once_each
    from vision.records.workers import BoardGrader, processes

    found = scan_folder(places.pictures, station, family)
    say(f"3/4 {len(found)} boards are graded into {places.database}")
    places.overlays.mkdir()
    engine = open_database(str(places.database))
    graded = []
    try:
        grader = BoardGrader(family, station, sheet, places.overlays)
        job = Job(engine, family, station, sheet, in_flight=2 * jobs + 1)
        with progress(len(found), "    grading") as bar:
            for result in grade_folder(once_each(found), grader, lambda: processes(jobs), job):
                bar.step()
                if result.inspection is not None:
                    graded.append(result.inspection)
    finally:
        engine.dispose()
    return sorted(graded, key=lambda inspection: inspection.serial)


def _told(places: Places, family: Family, station: Station, taught: TrainResult, inspections: list[Inspection]
          ) -> dict[str, Any]:
    """Set the graded lot beside the truth, write the page, and return what is to be told."""
    from models.evaluate import compare
    from vision.report import worst_places
    from vision.teaching import outcomes, read_truth

    truth = read_truth(places.pictures)
    comparison = compare(outcomes(inspections, truth), workmanship_class=family.workmanship_class)
    worst = [_with_truth(place, truth) for place in worst_places(inspections, family, WORST)]
    say(f"4/4 the page {places.report} is written")
    _write_page(places, family, station, taught, inspections, comparison, worst)
    verdicts = Counter(inspection.verdict for inspection in inspections)
    return {
        "family": family.name, "boards": len(inspections), "joints": sum(bool(pin) for _, _, pin in truth),
        "bad_joints": sum(bool(row.findings) for (_, _, pin), row in truth.items() if pin),
        "truth": true_counts(truth, family.workmanship_class),
        "verdicts": {verdict: verdicts[verdict] for verdict in VERDICTS},
        "confidence": comparison.confidence, "rates": rate_rows(comparison),
        "marginal": [{"truth": kind, "verdict": verdict, "parts": count}
                     for (kind, verdict), count in sorted(comparison.marginal.items())],
        "worst": [{"board": place.serial, "place": place.name, "verdict": place.verdict, "finding": place.title,
                   "why": place.reason, "truth": place.truth} for place in worst],
        "places": [{"what": what, "path": str(path)} for what, path in (
            ("the page to look at first", places.report), ("board family", places.family),
            ("camera station", places.station), ("limit sheet, the whole model", places.limits),
            ("pictures and truth", places.pictures), ("annotated pictures", places.overlays),
            ("defect database", places.database))],
        "next": [{"what": what, "command": line} for what, line in next_steps(places, worst)]}


def true_counts(truth: Truth, workmanship: int) -> dict[str, int]:
    """Return what is true of joints and chips, each counted once, as the rates of escapes and false calls count them.

    `bad_joints` and `bad_chips` have a defect of the workmanship class, `indicators` are parts with nothing but process
    indicators, and `marginal` ones lie so near a criterion that they are neither bad nor good.
    """
    from models.criteria import severity_of

    counts: Counter[str] = Counter()
    for (_, _, pin), row in truth.items():
        severities = {severity_of(finding, workmanship) for finding in row.findings}
        bad = "bad_joints" if pin else "bad_chips"
        counts["marginal" if row.marginal else bad if "defect" in severities else
               "indicators" if "indicator" in severities else "good"] += 1
        counts["joints" if pin else "chips"] += 1
    return {name: counts[name] for name in ("joints", "chips", "bad_joints", "bad_chips", "good", "indicators",
                                            "marginal")}


def _print_text(told: dict[str, Any]) -> None:
    """Print what the demo has to tell."""
    known = told["truth"]
    click.echo(f"\n{told['boards']} boards of family {told['family']}: {told['joints']} joints, "
               f"{known['bad_joints']} of them bad ({known['bad_joints'] / told['joints']:.1%}), and "
               f"{many(known['chips'], 'chip')}, {known['bad_chips']} of them bad; apart from these "
               f"{known['indicators']} with a process indicator only and {known['marginal']} marginal")
    counts = [f"{count} {verdict_word(verdict)}" for verdict, count in told["verdicts"].items()]
    click.echo(f"boards: {', '.join(counts)}")
    click.echo("\nAgainst the truth, which is known for rendered pictures; left out are parts that are marginal, "
               "have a process indicator only or could not be graded:")
    print_rows(told["rates"], rate_columns(told["confidence"]))
    if told["marginal"]:
        near = ", ".join(f"{row['parts']} {row['truth']} {row['verdict']}" for row in told["marginal"])
        click.echo(f"marginal, so near a criterion that both verdicts can be defended: {near}")
    click.echo("\nThe worst places and why:")
    print_rows(told["worst"], ["board", "place", "verdict", "finding", "why", "truth"], empty="none was found")
    click.echo("\nWhere things are:")
    for row in told["places"]:
        click.echo(f"  {row['what']:<29} {row['path']}")
    click.echo("\nWhat to try next:")
    for row in told["next"]:
        click.echo(f"  {row['what']}\n    {row['command']}")
    click.echo("\nA verdict supports a trained person and does not replace the current workmanship standard.")


def next_steps(places: Places, worst: Sequence[Place]) -> list[tuple[str, str]]:
    """Return what a newcomer can try, each with its command."""
    setup = f"--family {places.family} --station {places.station}"
    steps = []
    if worst:
        steps += [("all findings and measurements of a board:",
                   f"meniscope results show {worst[0].serial} --db {places.database}"),
                  ("why a joint got its verdict, in numbers and as a picture:",
                   f"meniscope limits explain {worst[0].serial} {worst[0].name} --db {places.database} "
                   "--picture joint.png")]
    steps += [("a limit changed by hand: edit the limit sheet, then grade again",
               f"meniscope grade {places.pictures} {setup} --limits {places.limits} --db {places.database}"),
              ("more boards to learn from:",
               f"meniscope train {places.family} --station {places.station} --out {places.limits} --boards 96"),
              ("your own board: write family.toml and joints.csv like the ones here, then",
               "meniscope family check MY-FAMILY --station MY-STATION.toml")]
    return steps


def _with_truth(place: Place, truth: Truth) -> Place:
    """Add what is really the matter."""
    from dataclasses import replace

    from models.vocabulary import FINDING

    ref, _, pin = place.name.partition(".")
    row = truth.get((place.serial, ref, pin))
    if row is None:
        return place
    words = ", ".join(FINDING[finding].title for finding in row.findings) or "good"
    return replace(place, truth=words + (" (marginal)" if row.marginal else ""))


def _write_page(places: Places, family: Family, station: Station, taught: TrainResult,
                inspections: list[Inspection], comparison: Comparison, worst: list[Place]) -> None:
    from vision.pipeline.folder import scan_folder
    from vision.report import LotReport, report_html
    from vision.report.pictures import shrunk_uri

    boards = {files.serial: files for files in scan_folder(places.pictures, station, family)}
    overview, words = None, ""
    if worst:
        serial = _telling_board(inspections)
        overview = shrunk_uri(places.overlays / f"{serial}_{family.views[0].name}_overlay.jpg", 1000)
        words = (f"Board {serial} with what was seen drawn over it: each land in the colour of its joint's verdict; in "
                 "white the toe of the solder, gaps as thick arcs, the lead's end as a cross, balls as rings with "
                 "ticks, bridges as double lines; and the verdict in words where it is not accept.")
    page = report_html(LotReport(
        "Demonstration lot", family, station.name, taught.sheet, inspections, comparison, worst,
        _pictures(boards, family, station, worst), _sheets(boards, family, station, taught.sheet, inspections, worst),
        overview, words, taught.report.notes, next_steps(places, worst)))
    places.report.write_text(page, encoding="utf-8")


def _pictures(boards: dict[str, BoardFiles], family: Family, station: Station, worst: list[Place]) -> dict[Any, str]:
    """Return small pictures of the worst places as data URIs."""
    from vision.report.pictures import data_uri, place_pictures

    found = {}
    for serial in dict.fromkeys(place.serial for place in worst):
        names = [place.name for place in worst if place.serial == serial]
        for name, picture in place_pictures(boards[serial], family, station, names, side_px=240).items():
            found[serial, name] = data_uri(picture)
    return found


def _sheets(boards: dict[str, BoardFiles], family: Family, station: Station, sheet: LimitSheet,
            inspections: list[Inspection], worst: list[Place]) -> dict[Any, str]:
    """Return the whole sheets of the worst places as data URIs."""
    from vision.report.pictures import data_uri, sheet_pictures

    graded = {inspection.serial: inspection for inspection in inspections}
    found = {}
    for serial in dict.fromkeys(place.serial for place in worst):
        names = [place.name for place in worst if place.serial == serial]
        for name, picture in sheet_pictures(boards[serial], family, station, sheet, graded[serial], names).items():
            found[serial, name] = data_uri(picture, 72)
    return found


def _telling_board(inspections: list[Inspection]) -> str:
    """Return the board with the most different findings."""
    def kinds(inspection: Inspection) -> int:
        return len({found.finding for joint in inspection.joints for found in joint.findings}
                   | {found.finding for chip in inspection.chips for found in chip.findings})

    return max(inspections, key=kinds).serial
