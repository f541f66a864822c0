"""`meniscope render`: pictures of soldered boards with exact truth."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import click

from vision.cli._common import (
    Output,
    fail,
    family_option,
    jobs_option,
    print_rows,
    progress,
    rows_options,
    say,
    station_option,
)

#: Examples of each finding in the gallery.
EXAMPLES = 6


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@family_option
@station_option
@click.option("--boards", type=click.IntRange(1, 100_000), default=12, show_default=True, help="How many boards.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True,
              help="Equal seeds give equal pictures.")
@click.option("--defects", "defect_pct", type=click.FloatRange(0.0, 100.0), default=15.0, show_default=True,
              help="Per cent of joints with a planted defect.")
@click.option("--first", "first_serial", type=click.IntRange(min=1), default=1, show_default=True,
              help="Number of the first board.")
@click.option("--prefix", default="B", show_default=True, help="What serials begin with.")
@click.option("--gallery", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Also make one picture with examples of every finding (.png or .jpg).")
@jobs_option
@rows_options
def command(folder: Path, family_path: Path, station_path: Path, boards: int, seed: int, defect_pct: float,
            first_serial: int, prefix: str, gallery: Path | None, jobs: int, output: Output) -> None:
    """Render pictures of soldered boards with exact truth.

    FOLDER receives the pictures, named after the station's pattern, and truth.csv: what is really the matter with
    every joint and chip, and its true measurements. Solder is shaped by capillarity and lit by the station's rings,
    so that limits learned from such boards hold for pictures of real ones as far as the station's file tells the truth.

    \b
    meniscope render pictures --family psu-24 --station station.toml --boards 24

    Prints how many parts have each finding.
    """  # noqa: D301 - \b is click's mark for lines that must not be wrapped
    from synthetic_images.lot import render_lot
    from vision.setup import read_family, read_station
    from vision.teaching import read_truth

    if gallery is not None and gallery.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise click.UsageError("--gallery wants a name that ends in .png or .jpg")
    family, station = read_family(family_path), read_station(station_path)
    folder.mkdir(parents=True, exist_ok=True)
    if (folder / "truth.csv").exists():
        fail(f"{folder}: holds a truth.csv already; render into a new folder, so that pictures and truth stay together")
    with progress(boards, "rendering boards") as bar:
        render_lot(family, station, folder, boards=boards, seed=seed, defect_rate=defect_pct / 100.0,
                   first_serial=first_serial, prefix=prefix, workers=jobs, progress=bar)
    truth = read_truth(folder)
    counts = Counter(finding for row in truth.values() for finding in row.findings)
    counts["good"] = sum(not row.findings for row in truth.values())
    marginal = Counter(finding for row in truth.values() if row.marginal for finding in (row.findings or ("good",)))
    print_rows([{"finding": name, "parts": count, "marginal": marginal[name]} for name, count in counts.most_common()],
               ["finding", "parts", "marginal"], output)
    if gallery is not None:
        write_gallery(folder, gallery, family_path, station_path)
    say(f"{boards} boards in {folder}" + (f", gallery {gallery}" if gallery is not None else ""))


def write_gallery(folder: Path, file: Path, family_path: Path, station_path: Path) -> None:
    """Write one picture with examples of every finding of a rendered folder."""
    import cv2

    from models.vocabulary import FINDINGS
    from vision.pipeline.folder import scan_folder
    from vision.report import finding_gallery
    from vision.setup import read_family, read_station
    from vision.teaching import read_truth

    family, station = read_family(family_path), read_station(station_path)
    examples: dict[str, list[tuple[str, str]]] = {
        heading: [] for heading in ("good", *(finding.name for finding in FINDINGS))}
    for (serial, ref, pin), row in read_truth(folder).items():
        if not row.marginal and (not row.findings or len(row.findings) == 1):
            heading = row.findings[0] if row.findings else "good"
            kinds = {name for _, name in examples[heading]}
            name = f"{ref}.{pin}" if pin else ref
            if (pin or heading != "good") and name not in kinds and len(examples[heading]) < EXAMPLES:
                examples[heading].append((serial, name))
    boards = {files.serial: files for files in scan_folder(folder, station, family)}
    picture = finding_gallery(boards, family, station, {name: pairs for name, pairs in examples.items() if pairs},
                              columns=EXAMPLES)
    file.parent.mkdir(parents=True, exist_ok=True)
    written, data = cv2.imencode(file.suffix.lower(), picture)
    if not written:
        fail(f"{file}: the picture could not be encoded")
    file.write_bytes(data.tobytes())
