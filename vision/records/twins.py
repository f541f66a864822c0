"""Pictures that another board has already: a camera that stands still must not end in a verdict.

A camera that hangs gives the same bytes again, and a good board's picture would accept every board after it. Two
exposures of a real camera never agree in every byte.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import Engine, select

from models.vocabulary import UNGRADED
from vision.pipeline.inspection import Inspection, PictureFile
from vision.records.database import reading
from vision.records.keys import clean_text
from vision.records.schema import InspectionRow, Picture, Unit


@dataclass(frozen=True)
class Twin:
    """A picture of a board, and the serial of another board that has the very same one."""

    picture: PictureFile
    serial: str

    @property
    def reason(self) -> str:
        """Why the board cannot be graded, and what to do."""
        return (f"its picture {Path(self.picture.path).name} is byte for byte that of board {self.serial}: the camera "
                "may stand still; take its pictures anew, or grade with --again where only a serial was wrong")


def find_twins(engine: Engine, family: str, inspections: Sequence[Inspection], limit: int) -> list[Twin | None]:
    """Return for each inspection the first board of its family that has one of its pictures under another serial.

    Boards in the database count, and those earlier in `inspections`. Boards that could not be graded anyway have
    none. One query a board, on the index of `picture.sha256`. Serials are cut to `limit` characters, as stored.
    """
    found: list[Twin | None] = []
    here: dict[str, str] = {}  # sha256 -> serial of boards that are written together with this one
    with reading(engine) as connection:
        for inspection in inspections:
            serial = clean_text(inspection.serial, limit)
            pictures = {picture.sha256: picture for picture in inspection.pictures if picture.sha256}
            if inspection.verdict == UNGRADED or not pictures:
                found.append(None)
                continue
            row = connection.execute(
                select(Picture.sha256, Unit.serial)
                .join(InspectionRow, InspectionRow.id == Picture.inspection_id)
                .join(Unit, Unit.id == InspectionRow.unit_id)
                .where(Picture.sha256.in_(list(pictures)), Unit.family_name == family, Unit.serial != serial)
                .order_by(Picture.inspection_id).limit(1)).first()
            twin = None if row is None else Twin(pictures[row.sha256], row.serial)
            for digest, picture in pictures.items():
                other = here.setdefault(digest, serial)
                if twin is None and other != serial:
                    twin = Twin(picture, other)
            found.append(twin)
    return found


def without_results(inspection: Inspection, reason: str) -> Inspection:
    """Return the inspection as ungraded: what was measured belongs to another board."""
    return replace(inspection, verdict=UNGRADED, reason=reason, registrations=(), joints=(), chips=())
