"""`meniscope study`: gauge studies, agreement of verdicts, sample sizes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from models.errors import some
from vision.cli._common import Column, Output, database_option, fail, many, print_json, print_rows, rows_options, say

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from models.study import Anova, GaugeStudy


@click.group()
def command() -> None:
    """Prove an escape rate and judge how well measurements and verdicts repeat."""


@command.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--value", "column", default="value", show_default=True, help="The column to study.")
@click.option("--method", type=click.Choice(["anova", "range"]), default="anova", show_default=True,
              help="Analysis of variance, or the older average and range method.")
@click.option("--tolerance", type=click.FloatRange(min=0.0, min_open=True),
              help="Width of the tolerance, to state the gauge's share of it.")
@rows_options
def gauge(file: Path, column: str, method: str, tolerance: float | None, output: Output) -> None:
    """Study how well a measurement repeats (gauge R&R, AIAG MSA).

    FILE is a CSV table with the columns part, appraiser, trial and value: every part measured by every appraiser
    in every trial. A part is one joint; an appraiser is a station, a shift or a person who loads the board; a trial is
    one more picture of the same board. `appraiser` may be left out.

    \b
    meniscope study gauge repeats.csv --value coverage_deg
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from models.study import gauge_by_anova, gauge_by_range

    values, sizes = _cube(file, column)
    anova = gauge_by_anova(values, tolerance) if method == "anova" else None
    study = anova.study if anova is not None else gauge_by_range(values, tolerance)
    rows = [{"source": str(row["source"]).strip(), "sd": row["sd"], "total_pct": _percent(row["of total"]),
             "tolerance_pct": _percent(row["of tolerance"])} for row in study.rows()]
    if output == "json":
        print_json({"method": method, **sizes, "rows": rows, "categories": study.categories,
                    **({} if anova is None else _anova_data(anova))})
        return
    columns = [Column("source"), Column("sd", "standard deviation", 4), Column("total_pct", "% of total", 2),
               Column("tolerance_pct", "6 sd, % of tolerance", 2)]
    print_rows(rows, columns[:3] if tolerance is None and output == "table" else columns, output)
    if output == "table":
        click.echo("")
        if anova is not None:
            click.echo(f"interaction of appraiser and part: F {anova.interaction_f:.3f}, p {anova.interaction_p:.3f}, "
                       + ("pooled with repeatability" if anova.pooled else "kept as its own source"))
        click.echo(_gauge_words(study))


def _gauge_words(study: GaugeStudy) -> str:
    """Return the judgement of AIAG MSA III.B in a sentence."""
    share = 100.0 * study.gauge_share
    word = "good" if share < 10.0 else "usable for some work" if share <= 30.0 else "not fit"
    return (f"the gauge takes {share:.1f} % of the total variation: {word} (under 10 % is good, above 30 % not fit); "
            f"it tells {study.categories if study.categories < 10_000 else 'any number of'} categories of parts apart "
            "(5 or more are wanted)")


def _percent(share: object) -> float | None:
    return 100.0 * share if isinstance(share, float) else None


def _anova_data(anova: Anova) -> dict[str, Any]:
    return {"sums_of_squares": anova.squares, "degrees_of_freedom": anova.freedom, "interaction_f": anova.interaction_f,
            "interaction_p": anova.interaction_p, "interaction_pooled": anova.pooled}


def _cube(file: Path, column: str) -> tuple[NDArray[np.float64], dict[str, int]]:
    """Return values as [appraiser, trial, part] from a long table; every cell must be filled once."""
    import numpy as np

    from models.errors import InputError, Problem

    rows = _read(file, ("part", "trial", column), ("appraiser",))
    names = {key: list(dict.fromkeys(row.get(key, "") for row in rows)) for key in ("appraiser", "trial", "part")}
    values = np.full([len(names[key]) for key in ("appraiser", "trial", "part")], np.nan)
    problems = []
    for number, row in enumerate(rows, start=2):
        cell = (names["appraiser"].index(row.get("appraiser", "")), names["trial"].index(row["trial"]),
                names["part"].index(row["part"]))
        try:
            value = float(row[column])
        except ValueError:
            problems.append(Problem(str(file), f"row {number}, {column}", repr(row[column]), "a number"))
            continue
        if not np.isnan(values[cell]):
            problems.append(Problem(str(file), f"row {number}", f"part {row['part']}, trial {row['trial']} twice",
                                    "every part once in every trial of an appraiser"))
        values[cell] = value
    if not problems and np.isnan(values).any():
        a, t, p = (int(k) for k in np.argwhere(np.isnan(values))[0])
        who = f"appraiser {names['appraiser'][a]}, " if len(names["appraiser"]) > 1 else ""
        problems.append(Problem(str(file), "", f"{int(np.isnan(values).sum())} missing, the first {who}part "
                                f"{names['part'][p]}, trial {names['trial'][t]}", "every part in every trial"))
    if problems:
        raise InputError(problems)
    return values, {"appraisers": len(names["appraiser"]), "trials": len(names["trial"]), "parts": len(names["part"])}


@command.command(short_help="Study how well verdicts agree (kappa, AIAG MSA).")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--good", default="accept", show_default=True, help="The word for a good part.")
@rows_options
def agreement(file: Path, good: str, output: Output) -> None:
    """Study how well verdicts agree (attribute study with kappa, AIAG MSA).

    FILE is a CSV table with the columns part, appraiser, trial, verdict and, where the truth is known, reference.
    Appraisers may be people and the program. Kappa is the agreement beyond chance: 1 is perfect, above 0.75 good,
    under 0.4 poor. Against a reference one word of the file means good (--good); every other one means bad.

    \b
    meniscope study agreement verdicts.csv
    meniscope study agreement verdicts.csv --good pass
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from itertools import combinations

    from models.study import agreement as agree
    from models.study import effectiveness

    rows = _read(file, ("part", "appraiser", "trial", "verdict"), ("reference",))
    calls: dict[str, dict[tuple[str, str], dict[str, str]]] = {}
    for row in rows:
        if (row["part"], row["trial"]) in calls.setdefault(row["appraiser"], {}):
            fail(f"{file}: part {row['part']}, trial {row['trial']} of appraiser {row['appraiser']} twice, wanted once")
        calls[row["appraiser"]][row["part"], row["trial"]] = row
    _check_good(file, rows, good)
    pairs = []
    for one, two in combinations(calls, 2):
        shared = [key for key in calls[one] if key in calls[two]]
        if not shared:
            fail(f"{file}: appraisers {one} and {two} judged no part in the same trial")
        found = agree(one, two, [calls[one][k]["verdict"] for k in shared], [calls[two][k]["verdict"] for k in shared])
        pairs.append({"one": one, "two": two, "calls": found.count, "agreed": found.agreed,
                      "agreed_pct": 100.0 * found.share, "kappa": found.kappa})
    judged = []
    for name, mine in calls.items():
        known = [row for row in mine.values() if row.get("reference")]
        if not known:
            continue
        said, true = [row["verdict"] for row in known], [row["reference"] for row in known]
        against = agree(name, "reference", said, true)
        pairs.append({"one": name, "two": "reference", "calls": against.count, "agreed": against.agreed,
                      "agreed_pct": 100.0 * against.share, "kappa": against.kappa})
        result = effectiveness(name, [row["part"] for row in known], said, true, good)
        judged.append({"appraiser": name, "parts": result.parts, "right": result.right,
                       "effectiveness_pct": 100.0 * result.effectiveness, "consistent": result.consistent,
                       "miss_pct": 100.0 * result.miss_rate, "false_alarm_pct": 100.0 * result.false_alarm_rate,
                       "grade": result.grade})
    if not pairs:
        fail(f"{file}: got one appraiser without a reference, wanted two appraisers or a reference column")
    if output == "json":
        print_json({"pairs": pairs, "against_reference": judged})
        return
    print_rows(pairs, [Column("one"), Column("two"), Column("calls"), Column("agreed"),
                       Column("agreed_pct", "% agreed", 1), Column("kappa", decimals=3)], output)
    if judged and output == "table":
        click.echo("")
        print_rows(judged, [Column("appraiser"), Column("parts"), Column("right", "right every time"),
                            Column("effectiveness_pct", "%", 1), Column("consistent", "same every time"),
                            Column("miss_pct", "missed, %", 2), Column("false_alarm_pct", "false alarms, %", 2),
                            Column("grade")])
        click.echo("\nacceptable: 90 % right, at most 2 % missed and 5 % false alarms; marginal: 80, 5 and 10 %")


def _check_good(file: Path, rows: list[dict[str, str]], good: str) -> None:
    """Refuse a word for good that nobody says: every part would count as bad, and everybody as always right."""
    references = [row["reference"] for row in rows if row.get("reference")]
    words = sorted({row["verdict"] for row in rows} | set(references))
    if references and good not in words:
        fail(f"{file}: no verdict or reference says {good!r}; the file has {some(words)}; say which is good with "
             "--good")


@command.command(short_help="Study how boards repeat that were graded more than once.")
@database_option
@click.option("--family", default="", help="Only boards of this family.")
@rows_options
def repeats(db: str, family: str, output: Output) -> None:
    """Study how measurements and verdicts repeat on boards that were pictured and graded more than once.

    Picture the same boards again, grade each time, and ask here. "Within" is the standard deviation of repeats of
    the same joint, "between" that from joint to joint.
    """
    rows, verdicts = _repeats(db, family)
    if output == "json":
        print_json({"measurements": rows, "verdicts": verdicts})
        return
    print_rows(rows, [Column("measure"), Column("unit"), Column("joints"), Column("values"),
                      Column("within", decimals=4), Column("between", decimals=4),
                      Column("within_pct", "within, % of total", 1)], output)
    if output == "table":
        click.echo(f"\n{verdicts['joints']} joints and chips on {many(verdicts['boards'], 'board')}; "
                   f"{verdicts['same']} had the same verdict every time ({verdicts['same_pct']:.1f} %), "
                   f"kappa of first and second time {verdicts['kappa']:.3f}")


def _repeats(db: str, family: str) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    from models.study import kappa, repeatability
    from models.vocabulary import MEASURE
    from vision.records.database import opened
    from vision.records.queries import Filter
    from vision.teaching.recorded import recorded

    rows: list[dict[str, Any]] = []
    verdicts: dict[tuple[str, str], list[str]] = {}
    with opened(db) as engine:
        for part in ("joint", "chip"):
            seen = recorded(engine, Filter(family=family), "joint" if part == "joint" else "chip")
            places = [f"{row['family']} {board} {name}"
                      for row, board, name in zip(seen.rows, seen.boards, seen.names, strict=True)]
            for row, board, name in zip(seen.rows, seen.boards, seen.names, strict=True):
                verdicts.setdefault((f"{row['family']} {board}", name), []).insert(0, row["verdict"])  # newest first
            for measure, values in seen.columns.items():
                found = repeatability(values, places)
                if found.joints:
                    rows.append({"measure": measure, "unit": MEASURE[measure].unit, "joints": found.joints,
                                 "values": found.values, "within": found.within, "between": found.between,
                                 "within_pct": 100.0 * found.share})
    several = {key: said for key, said in verdicts.items() if len(said) > 1}
    if not several:
        fail(f"{db}: no board was graded more than once from different pictures; picture the same boards again")
    same = sum(len(set(said)) == 1 for said in several.values())
    return rows, {"boards": len({board for board, _ in several}), "joints": len(several), "same": same,
                  "same_pct": 100.0 * same / len(several),
                  "kappa": kappa([said[0] for said in several.values()], [said[1] for said in several.values()])}


@command.command("sample-size", short_help="How many defects or good joints must be tried for a rate.")
@click.option("--rate", type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True),
              help="The rate to stay below, 0.01 for 1 %.")
@click.option("--confidence", type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True), default=0.95,
              show_default=True, help="How sure the statement is to be, 0.95 for 95 %.")
@click.option("--allowed", type=click.IntRange(min=0), default=0, show_default=True,
              help="Escapes that may be seen all the same.")
@rows_options
def sample_size_(rate: float | None, confidence: float, allowed: int, output: Output) -> None:
    """How many defects (or good joints) must be tried to show a rate.

    To show that fewer than 1 % of defects escape, at 95 % confidence, 299 defects must be shown and none may escape.
    For the false-call rate count good joints instead. Without --rate a table is printed.

    \b
    meniscope study sample-size --rate 0.002
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from models.study import sample_size

    rates = [rate] if rate is not None else [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1]
    levels = [confidence] if rate is not None else sorted({0.90, 0.95, 0.99, confidence})
    if output != "table" or rate is not None:
        rows = [{"rate": r, "confidence": level, "allowed": allowed, "tries": sample_size(r, level, allowed)}
                for r in rates for level in levels]
        if output == "table":
            wrong = f"no more than {allowed}" if allowed else "none"
            click.echo(f"show at least {rows[0]['tries']} and see {wrong} go wrong: then the rate is below "
                       f"{100 * rates[0]:g} % at {100 * confidence:g} % confidence")
            return
        print_rows(rows, ["rate", "confidence", "allowed", "tries"], output)
        return
    print_rows([{"rate": f"below {100 * r:g} %", **{f"{level:g}": sample_size(r, level, allowed) for level in levels}}
                for r in rates],
               [Column("rate"), *(Column(f"{level:g}", f"at {100 * level:g} % confidence") for level in levels)])
    say(f"\ntries needed when {'none' if not allowed else f'at most {allowed}'} may go wrong")


def _read(file: Path, required: tuple[str, ...], optional: tuple[str, ...]) -> list[dict[str, str]]:
    """Return the rows of a CSV file; columns that nobody asked for are passed over."""
    import csv
    import io

    from models.errors import InputError, Problem

    try:
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError([Problem(str(file), "", "text that is not UTF-8", "a CSV table in UTF-8")]) from error
    except OSError as error:
        raise InputError([Problem(str(file), "", (error.strerror or str(error)).lower(), "a readable CSV table")]
                         ) from error
    try:
        lines = [line for line in csv.reader(io.StringIO(text, newline=""), strict=True) if any(line)]
    except csv.Error as error:
        raise InputError([Problem(str(file), "", f"broken CSV ({error})", "a CSV table")]) from error
    header = [cell.strip() for cell in lines[0]] if lines else []
    wanted = f"columns {', '.join(required)}" + (f"; {', '.join(optional)} may be added" if optional else "")
    problems = [Problem(str(file), "header", f"no column {name} (it has {', '.join(header) or 'nothing'})", wanted)
                for name in required if name not in header]
    problems += [Problem(str(file), f"row {number}", f"{len(line)} cells", f"{len(header)} cells")
                 for number, line in enumerate(lines[1:], start=2) if len(line) != len(header)]
    if not problems and len(lines) < 2:
        problems.append(Problem(str(file), "", "no rows", "at least one"))
    rows = [{name: cell.strip() for name, cell in zip(header, line, strict=False)} for line in lines[1:]]
    if not problems:
        problems += [Problem(str(file), f"row {number}, {name}", "nothing", "a value")
                     for number, row in enumerate(rows, start=2) for name in required if not row[name]]
    if problems:
        raise InputError(problems)
    return rows
