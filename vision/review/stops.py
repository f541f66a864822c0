"""What stands on a repair sheet: places for the iron, what is wrong at each, and what is mended already."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from models.vocabulary import FINDING, UNGRADED
from vision.records.columns import moment_text
from vision.review.boards import Board
from vision.review.practice import (
    CAUTIONS,
    CONTACT_CAUTION,
    DEFERS,
    FIRST_CAUTION,
    Practice,
    contact_s,
    sequence,
)
from vision.setup.family import Side


@dataclass(frozen=True)
class Wrong:
    """One thing wrong at a stop."""

    finding: str  # as the person who decided sees it
    words: str  # measured value against limit; empty for a missed defect
    decided: str  # what a person said, in words
    finding_id: int | None
    review_id: int | None  # for a missed defect
    joint_id: int | None
    chip_id: int | None
    note: str = ""  # what the person who decided wrote beside it
    note_by: str = ""

    @property
    def title(self) -> str:
        """The finding in two or three words."""
        return FINDING[self.finding].title


@dataclass(frozen=True)
class Gap:
    """The widest part of a joint's circle that solder does not wet."""

    azimuth_deg: float  # its middle, counter-clockwise from board x as seen from the component side
    width_deg: float


@dataclass(frozen=True)
class Stop:
    """One place for the iron."""

    number: int  # the same for as long as the inspection stands, whatever is decided or mended
    places: tuple[str, ...]  # REF.PIN or REF; both ends of a bridge
    view: str
    part: str  # joint or chip
    x_mm: float
    y_mm: float
    wrong: tuple[Wrong, ...]
    repairs: int  # how often this place was mended before
    over_limit: bool
    look_first: bool  # a person could not tell: to be settled before it is mended
    unchecked: bool  # no person has decided yet
    open_ids: tuple[int, ...] = ()  # findings without a decision: to record the repair is to call them real
    gap: Gap | None = None  # for a joint that is not wetted all round

    @property
    def name(self) -> str:
        """`J1.3`, or `J1.3 and J1.4`."""
        return " and ".join(self.places)

    @property
    def titles(self) -> str:
        """What is wrong, each thing once: `bridge, solder ball`."""
        return ", ".join(dict.fromkeys(item.title for item in self.wrong))

    @property
    def told(self) -> tuple[tuple[str, str], ...]:
        """Measured against limit, and what was decided about it; both ends of a bridge are told once."""
        decided: dict[str, list[str]] = {}
        for item in self.wrong:
            decided.setdefault(item.words, []).append(item.decided or "not yet looked at by a person")
        return tuple((words, "; ".join(dict.fromkeys(said))) for words, said in decided.items())

    @property
    def notes(self) -> tuple[tuple[str, str], ...]:
        """Who wrote what beside a decision, each note once."""
        return tuple(dict.fromkeys((item.note_by, item.note) for item in self.wrong if item.note))

    @property
    def finding_ids(self) -> tuple[int, ...]:
        """Keys of its findings."""
        return tuple(item.finding_id for item in self.wrong if item.finding_id is not None)

    @property
    def escape_ids(self) -> tuple[int, ...]:
        """Keys of its missed defects."""
        return tuple(item.review_id for item in self.wrong if item.review_id is not None)

    @property
    def _practices(self) -> tuple[Practice, ...]:
        return sequence([item.finding for item in self.wrong])

    @property
    def steps(self) -> tuple[str, ...]:
        """What is usually done, in this order; what a more thorough step does anyway is left out."""
        return tuple(item.steps for item in self._practices)

    @property
    def action(self) -> str:
        """The usual action, for the record: the most thorough one."""
        return max(self._practices, key=lambda item: item.thorough).action

    @property
    def contact_s(self) -> float:
        """Longest contact of the iron that is usually given, s; 0 where no iron is needed."""
        return contact_s([item.finding for item in self.wrong])

    @property
    def decides(self) -> bool:
        """To record the repair of this stop also records a decision."""
        return bool(self.open_ids)

    @property
    def button(self) -> str:
        """What the button of this stop records, in words."""
        return f"Mended, and it was a real defect: {self.name}" if self.decides else f"Mended: {self.name}"


@dataclass(frozen=True)
class Done:
    """A stop that is mended; it keeps its number and its place in the list."""

    number: int
    name: str
    titles: str
    x_mm: float
    y_mm: float
    action: str
    repairer: str
    at: datetime
    note: str
    undo: int | None = None  # key of the repair by which its repairer can take it back; None: nobody can
    decided: bool = False  # to record the repair also recorded a decision, which is taken back with it


@dataclass(frozen=True)
class Sheet:
    """One board's repair sheet."""

    board: Board
    side: Side
    seen_from_words: str
    origin: str
    stops: tuple[Stop, ...]
    path_mm: float
    start_mm: tuple[float, float]
    undecided: int  # doubtful findings that still wait for a decision and are not on the sheet
    mended: int  # things mended already
    repair_limit: int
    done: tuple[Done, ...] = ()  # what is mended, by number

    @property
    def not_graded(self) -> str:
        """What is to be told of a board that could not be graded: nothing to mend is no acceptance. Else empty."""
        if self.board.verdict != UNGRADED:
            return ""
        return f"could not be graded: {self.board.reason or 'no reason is recorded'}; it is not accepted"

    @property
    def rows(self) -> tuple[Stop | Done, ...]:
        """Stops and what is mended, by number."""
        return tuple(sorted((*self.stops, *self.done), key=lambda item: item.number))

    @property
    def numbering(self) -> str:
        """Say why numbers are left out. Empty where none is."""
        numbers = {item.number for item in self.rows}
        if not self.stops or numbers == set(range(1, len(numbers) + 1)):
            return ""
        return ("A place keeps its number as long as this inspection stands; numbers left out here belong to places "
                "with nothing to mend.")


def sheet_json(sheet: Sheet) -> dict[str, Any]:
    """Return the sheet for a positioning aid: stops in order, coordinates, words. Plain JSON values."""
    mirror = -1.0 if sheet.side == "bottom" else 1.0
    return {
        "kind": "meniscope repair sheet", "version": 1, "serial": sheet.board.serial, "family": sheet.board.family,
        "inspection": sheet.board.inspection_id, "verdict": sheet.board.verdict, "not_graded": sheet.not_graded,
        "graded_at": moment_text(sheet.board.started_at),
        "side": sheet.side, "origin": sheet.origin, "unit": "mm", "path_mm": round(sheet.path_mm, 2),
        "start": {"x_mm": round(sheet.start_mm[0], 3), "y_mm": round(sheet.start_mm[1], 3)},
        "undecided": sheet.undecided, "repair_limit": sheet.repair_limit,
        "stops": [{
            "number": stop.number, "places": list(stop.places), "part": stop.part, "x_mm": round(stop.x_mm, 3),
            "y_mm": round(stop.y_mm, 3), "seen_right_mm": round(mirror * stop.x_mm, 3),
            "seen_up_mm": round(stop.y_mm, 3),
            "wrong": [{"finding": item.finding, "words": item.words, "decided": item.decided} for item in stop.wrong],
            "usual_action": stop.action, "usual_steps": list(stop.steps), "longest_contact_s": stop.contact_s,
            "repairs_before": stop.repairs, "over_repair_limit": stop.over_limit, "settle_first": stop.look_first,
            "not_yet_checked": stop.unchecked, "mending_decides": stop.decides,
            "notes": [{"by": by, "note": note} for by, note in stop.notes],
            "gap_azimuth_deg": None if stop.gap is None else round(stop.gap.azimuth_deg, 1),
            "gap_width_deg": None if stop.gap is None else round(stop.gap.width_deg, 1)} for stop in sheet.stops],
        "mended": [{"number": done.number, "place": done.name, "action": done.action, "by": done.repairer,
                    "at": moment_text(done.at), "note": done.note} for done in sheet.done],
        "numbering": sheet.numbering,
        "first_caution": FIRST_CAUTION, "contact_caution": CONTACT_CAUTION,
        "cautions": [{"about": name, "text": text} for name, text in CAUTIONS],
        "note": DEFERS}
