"""`meniscope train`: teach a board family."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.errors import some
from models.vocabulary import finding_words
from vision.cli._common import (
    Column,
    fail,
    jobs_option,
    print_json,
    print_rows,
    progress,
    refuse_unused,
    say,
    station_option,
)

if TYPE_CHECKING:
    from models.evaluate import Comparison
    from models.table import LabelledTable
    from models.train import TrainResult
    from models.uncertainty import UncertaintyModel
    from synthetic_images.recipe import Recipe
    from vision.setup import Family, Station
    from vision.teaching import TrainingTables

#: Joints rendered to teach a family unless the number of boards is given: some thirty examples of each finding.
JOINTS = 2000
LEAST_BOARDS = 8
#: Faults of a family that training does not suffer from: a board turned round in its carrier.
HARMLESS = ("symmetric",)


@dataclass(frozen=True)
class _Lot:
    """The boards to learn from: what is rendered, how, and where it is kept."""

    family: Family
    station: Station
    boards: int
    seed: int
    defect_rate: float
    jobs: int
    cache: Path | None
    recipe: Recipe


@click.command()
@click.argument("family", type=click.Path(path_type=Path))
@station_option
@click.option("--out", "out", required=True, type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="The limit sheet to write, limits.toml.")
@click.option("--boards", type=click.IntRange(4, 10_000),
              help=f"How many boards to render and learn from.  [default: as many as hold {JOINTS} joints, "
                   f"at least {LEAST_BOARDS}]")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True,
              help="Equal seeds give an equal limit sheet.")
@click.option("--defects", "defect_pct", type=click.FloatRange(1.0, 90.0), default=40.0, show_default=True,
              help="Per cent of joints with a planted defect.")
@click.option("--cache", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="Keep what was measured, so that training again or with more boards does not begin anew.")
@click.option("--with-reviews", "reviews_db", metavar="DB",
              help="Learn from the joints that people decided on as well: a defect database (file or URL).")
@click.option("--review-weight", type=click.FloatRange(0.1, 1000.0), default=3.0, show_default=True,
              help="How many rendered joints a reviewed one counts for.")
@click.option("--house-rules", "house_rules", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="The site's own criteria in place of the workmanship class's numbers.")
@click.option("--uncertainty/--no-uncertainty", "uncertain", default=True, show_default=True,
              help="Learn how uncertain every measurement is, and write it beside the family.")
@jobs_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(family: Path, station_path: Path, out: Path, boards: int | None, seed: int, defect_pct: float,
            cache: Path | None, reviews_db: str | None, review_weight: float, house_rules: Path | None,
            uncertain: bool, jobs: int, as_json: bool) -> None:
    """Teach a board family: make its limit sheet from rendered boards.

    FAMILY is family.toml or the folder that holds it. Boards of the family are rendered as the station would see
    them, good ones and ones with planted defects, and measured like any other. The limits that part them become a
    readable limit sheet; the workmanship criteria of the family's class enter with their source.

    \b
    meniscope train psu-24 --station station.toml --out limits.toml

    Prints the sheet's rules, how it does on boards it was not learned from, and how far each measurement lies from
    the truth. Some of the boards are seen again, lying elsewhere and under worse conditions (gain, a weak light, blur,
    ring angles, residue): that tells the uncertainty of every measurement, which is kept as uncertainty.csv beside
    family.toml. Boards graded from then on carry it, and the guard bands of the limits follow from it.
    A limit sheet that FILE holds already is kept: see `meniscope limits history FILE`.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    refuse_unused(reviews_db is not None, "with --with-reviews DB only, whose joints it weighs", "review_weight")
    from models.criteria import CRITERIA
    from models.house_rules import read_house_rules
    from synthetic_images.recipe import recipe_for
    from vision.cli._limits_write import check_place, write_anew
    from vision.setup import read_family, read_station
    from vision.setup.uncertainty import write_uncertainty
    from vision.teaching.teach import learn

    found, station = read_family(family), read_station(station_path)
    folder = family if family.is_dir() else family.parent
    check_place(out)
    _check_family(found, station, folder, uncertain)
    criteria = read_house_rules(house_rules) if house_rules else CRITERIA
    boards = boards or max(LEAST_BOARDS, -(-JOINTS // len(found.joints)))
    lot = _Lot(found, station, boards, seed, defect_pct / 100.0, jobs, cache, recipe_for(family))
    tables, model = _measured(lot, uncertain)
    joints = tables.joints if reviews_db is None else _with_reviewed(tables.joints, reviews_db, found.name,
                                                                     review_weight)
    with progress(6, "learning") as bar:
        result = learn(found, joints, tables.chips, boards=boards, seed=seed, criteria=criteria, progress=bar)
    write_anew(result.sheet, out, f"trained anew on {boards} boards, seed {seed}")
    kept = None if model is None else write_uncertainty(model.bands, folder)
    if as_json:
        print_json(_as_data(result, tables, out) | {"uncertainty": None if kept is None else str(kept)})
    else:
        _print_text(result, tables)
    if kept is not None:
        say(f"\nuncertainties in {kept}: see them with `meniscope family uncertainty {family}`")
    say(f"\nlimit sheet in {out}: read it, change it, and grade with --limits {out}")


def _check_family(family: Family, station: Station, folder: Path, uncertain: bool) -> None:
    """Refuse what would fail only after all boards are rendered; caution where joints may get wrong names."""
    from vision.setup.checks import check_family

    faults = [advice for advice in check_family(family, station) if advice.severity == "fault"]
    for advice in faults:
        if advice.kind in HARMLESS:
            say(f"caution: {advice}")
    fatal = [str(advice) for advice in faults if advice.kind not in HARMLESS]
    if fatal:
        fail("\n".join([f"{folder}: joints of this family cannot be graded, so nothing was rendered; mend this and see "
                        "`meniscope family check`", *fatal]))
    if uncertain and not os.access(folder, os.W_OK):
        fail(f"{folder}: got a folder that cannot be written, wanted one to keep uncertainty.csv in; "
             "make it writable, or give --no-uncertainty")


def _measured(lot: _Lot, uncertain: bool) -> tuple[TrainingTables, UncertaintyModel | None]:
    """Render and measure the boards; where wanted, some of them again, for the uncertainty of every measurement."""
    from vision.teaching import training_tables
    from vision.teaching.uncertainty import boards_again, learned_uncertainty, with_stated

    with progress(lot.boards, "rendering and measuring") as bar:
        tables = training_tables(lot.family, lot.station, boards=lot.boards, seed=lot.seed,
                                 defect_rate=lot.defect_rate, jobs=lot.jobs, cache=lot.cache, progress=bar,
                                 recipe=lot.recipe)
    if tables.reused:
        say(f"{tables.reused} of {lot.boards} boards came from {lot.cache}")
    for line in unmeasured_lines(tables.unmeasured):
        say(f"caution: not measured: {line}")
    if not uncertain:
        return tables, None
    with progress(boards_again(tables.boards), "seeing boards again") as bar:
        model = learned_uncertainty(lot.family, lot.station, tables, seed=lot.seed, defect_rate=lot.defect_rate,
                                    jobs=lot.jobs, cache=lot.cache, progress=bar, recipe=lot.recipe)
    return replace(tables, joints=with_stated(tables.joints, model, lot.station.name),
                   chips=with_stated(tables.chips, model, lot.station.name)), model


def unmeasured_lines(unmeasured: Sequence[str]) -> list[str]:
    """Return `BOARD: reason` lines with boards of one reason taken together, in the order of their first boards."""
    boards: dict[str, list[str]] = {}
    for line in unmeasured:
        board, _, reason = line.partition(": ")
        boards.setdefault(reason, []).append(board)
    return [f"{some(names, 3)}: {reason}" for reason, names in boards.items()]


def _with_reviewed(joints: LabelledTable, db: str, family: str, weight: float) -> LabelledTable:
    """Add the joints that people decided on, and say how many there were and which were left out."""
    from vision.records.database import opened
    from vision.review.samples import reviewed_joints, with_reviews

    with opened(db) as engine:
        reviewed = reviewed_joints(engine, family, weight=weight)
    if not reviewed.provenance and not reviewed.left_out:
        say(f"no reviewed joints: nobody has decided on a joint of family {family} in {db} yet; the rendered boards "
            "alone teach the limits")
        return joints
    say(f"{len(reviewed.table)} reviewed joints from {db}, {len(reviewed.left_out)} left out")
    for item in reviewed.left_out[:20]:
        say(f"  left out: {item.serial} {item.place}: {item.why}")
    return with_reviews(joints, reviewed)


def rule_rows(result: TrainResult) -> list[dict[str, Any]]:
    """Return the sheet's rules in words, one row each."""
    from models.vocabulary import FINDING

    rows = []
    for rule in result.sheet.rules:
        evidence = rule.evidence
        rows.append({"finding": FINDING[rule.finding].title, "when": rule.in_words(),
                     "defects": evidence.defects if evidence else None,
                     "escapes": evidence.escapes if evidence else None,
                     "good": evidence.good if evidence else None,
                     "false_calls": evidence.false_calls if evidence else None, "source": rule.source})
    return rows


RULE_COLUMNS = (Column("finding"), Column("when"), Column("defects", "defects seen"), Column("escapes", "escaped"),
                Column("good", "good seen"), Column("false_calls", "false calls"), Column("source"))


def rate_rows(comparison: Comparison) -> list[dict[str, Any]]:
    """Return escapes, false calls and reviews with exact intervals, one row each."""
    return [{"what": what, "count": rate.count, "of": rate.of, "share_pct": 100.0 * rate.share,
             "low_pct": 100.0 * rate.low, "high_pct": 100.0 * rate.high}
            for what, rate in (("escapes (defects accepted)", comparison.escapes),
                               ("false calls (good ones rejected)", comparison.false_calls),
                               ("good ones sent to review", comparison.good_reviewed),
                               ("defects sent to review", comparison.defects_reviewed))]


def rate_columns(confidence: float) -> tuple[Column, ...]:
    """Return the columns of `rate_rows`."""
    return (Column("what", ""), Column("count"), Column("of"), Column("share_pct", "%", 2),
            Column("low_pct", f"{100 * confidence:.0f} % interval from", 2), Column("high_pct", "to", 2))


def spread_rows(tables: TrainingTables) -> list[dict[str, Any]]:
    """Return how far each measurement lies from the truth, one row each."""
    from models.vocabulary import MEASURE, plain_name
    from vision.teaching import spreads

    return [{"measure": spread.measure, "name": plain_name(spread.measure), "unit": MEASURE[spread.measure].unit,
             "count": spread.count, "bias": spread.bias, "mean_absolute": spread.mean_absolute, "rms": spread.rms,
             "largest": spread.largest, "stated": spread.stated}
            for spread in (*spreads(tables.joints), *spreads(tables.chips))]


def _print_text(result: TrainResult, tables: TrainingTables) -> None:
    report = result.report
    click.echo(f"{report.joints} joints and chips on {report.boards} rendered boards\n")
    print_rows(rule_rows(result), RULE_COLUMNS)
    for note in report.notes:
        click.echo(f"note: {finding_words(note)}")
    if report.validation is not None:
        click.echo("\nOn boards held back from learning, in turns; marginal joints left out:")
        print_rows(rate_rows(report.validation), rate_columns(report.validation.confidence))
    click.echo("\nMeasurements against the truth, in their own unit:")
    print_rows(spread_rows(tables), [
        Column("name", "measurement"), "unit", Column("count", "parts"), Column("bias", decimals=3),
        Column("mean_absolute", "mean absolute error", 3), Column("rms", "root mean square", 3),
        Column("largest", decimals=3), Column("stated", "stated uncertainty", 3)])


def _as_data(result: TrainResult, tables: TrainingTables, out: Path) -> dict[str, Any]:
    report = result.report
    return {"limits": str(out), "boards": report.boards, "parts": report.joints, "defects": report.defects,
            "notes": report.notes, "rules": rule_rows(result), "training": rate_rows(report.training),
            "validation": None if report.validation is None else rate_rows(report.validation),
            "measurements": spread_rows(tables), "unmeasured": tables.unmeasured}
