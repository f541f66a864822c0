"""A board family from CAD files: read, settle, merge, choose, add leads, chips and fiducials."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from models.errors import InputError, Problem
from vision.setup.cad.choice import Choice
from vision.setup.cad.evidence import Evidence
from vision.setup.cad.merge import Merged, Pad, merge
from vision.setup.cad.parsed import Placement, Source
from vision.setup.cad.parts import Part, body_from_name, find_body, find_lead, guessed_lead, lead_across
from vision.setup.cad.placed import pin_boxes
from vision.setup.cad.programme import Move, assign
from vision.setup.cad.reading import read_files
from vision.setup.cad.settle import OneBoard, settle
from vision.setup.family import Chip, Family, Fiducial, Joint, Side, View

FIDUCIAL_REFS = re.compile(r"(FID|FD|FM)\d*$")


@dataclass(frozen=True)
class Wishes:
    """What the user decides; CAD knows none of it."""

    name: str
    workmanship_class: int = 2
    seen_from: Side | None = None  # None: settled by the sides of the components
    choice: Choice = field(default_factory=Choice)
    near_mm: float = 3.0  # chips this near to a joint's land are watched
    netlist_unit: str | None = None
    accept_differences: bool = False


@dataclass(frozen=True)
class Imported:
    """The family (with one view on its middle) and everything that should be shown before it is used."""

    family: Family
    evidence: tuple[Evidence, ...]
    left_out: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    guesses: tuple[Part, ...]  # rows that the parts table lacks, made by rule
    guessed_joints: tuple[str, ...]
    guess_holes: Mapping[tuple[str, str], float]  # hole (mm) that a guessed row's lead must fit, by part and pins


def import_family(paths: Sequence[Path], wishes: Wishes, parts: Sequence[Part] = (),
                  programme: Sequence[Move] = ()) -> Imported:
    """Make a family from the CAD files of one board.

    Raises InputError naming both places where files contradict each other.
    """
    found, unused = read_files(paths)
    if not found:
        raise InputError([Problem(", ".join(str(path) for path in paths) or "CAD files", "", "no CAD file",
                                  "a netlist, drill, Gerber or placement file")])
    board = settle(found, unused, wishes.netlist_unit)
    evidence = list(board.evidence)
    side, side_evidence = _solder_side(board, wishes.seen_from)
    evidence.append(side_evidence)
    merged = merge(board, side, wishes.choice.named_refs(), accept_differences=wishes.accept_differences)
    placements = {p.ref: p for table in board.placements for p in table.placements}
    pads = _chosen(merged, placements, side, wishes.choice)
    joints, guessed_rows, guessed = _joints(pads, placements, parts, merged)
    if programme:
        given = assign(joints, programme)
        joints = list(given.joints)
        merged.notes += given.notes
        merged.notes += [f"no step of the programme reaches {name}" for name in given.without]
        merged.notes += [f"{move.source}: reaches no joint" for move in given.idle]
    chips, more_guesses = _chips(board, placements, joints, side, parts, wishes.near_mm, merged)
    guesses = [*guessed_rows, *more_guesses]
    fiducials = _fiducials(board, placements, side, evidence)
    center = _middle(joints)
    family = Family(wishes.name, wishes.workmanship_class, side, tuple(joints), tuple(chips), tuple(fiducials),
                    (View("v1", center),))
    merged.notes += [f"{Source(file)} is not used: {reason}" for file, reason in board.unused]
    return Imported(family, tuple(evidence), tuple(merged.left_out), tuple(merged.notes), tuple(guesses),
                    tuple(guessed), {(row.part, row.pins): hole for row, hole in guessed_rows.items()})


def _solder_side(board: OneBoard, wanted: Side | None) -> tuple[Side, Evidence]:
    """Settle which side is soldered and pictured: the one opposite to most through-hole components."""
    through = {point.ref for point in board.netlist.points if point.kind == "through"} if board.netlist else {
        land.ref for layer in board.copper.values() for land in layer.lands if land.function == "ComponentPad"}
    sides = [p.side for table in board.placements for p in table.placements if p.ref in through and p.side is not None]
    on_top = sum(side == "top" for side in sides)
    if wanted is not None:
        return wanted, Evidence("board", f"pictured from the {wanted}, as asked for", "said")
    if sides:
        side: Side = "bottom" if on_top * 2 >= len(sides) else "top"
        opposite = max(on_top, len(sides) - on_top)
        return side, Evidence("board", f"pictured from the {side}: {opposite} of {len(sides)} through-hole components "
                                       f"lie on the {'top' if side == 'bottom' else 'bottom'}", "shown")
    if board.netlist is None and "bottom" not in board.copper:
        return "top", Evidence("board", "pictured from the top: there is no copper file of the bottom", "assumed")
    return "bottom", Evidence("board", "pictured from the bottom: no placement file says otherwise", "assumed")


def _chosen(merged: Merged, placements: dict[str, Placement], side: Side, choice: Choice) -> list[Pad]:
    """Keep what is soldered on this side and chosen."""
    missing = choice.unmet((pad.ref, pad.pin, pad.net) for pad in merged.pads)
    if missing:
        raise InputError([Problem("choice of joints", "", what, "one that the board has") for what in missing])
    chosen = []
    for pad in merged.pads:
        placed = placements.get(pad.ref)
        reason = choice.reason_against(pad.ref, pad.pin, pad.net, pad.x_mm, pad.y_mm)
        if not reason and placed is not None and placed.side == side and pad.ref not in choice.named_refs():
            reason = f"component {pad.ref} lies on the {side}, so it is soldered from the other side"
        if reason:
            merged.left_out.append((pad.name, reason))
        else:
            chosen.append(pad)
    if not chosen:
        raise InputError([Problem("choice of joints", "", f"none of {len(merged.pads)} joints", "at least one")],
                         "Widen the choice.")
    return chosen


def _joints(pads: Sequence[Pad], placements: dict[str, Placement], parts: Sequence[Part],
            merged: Merged) -> tuple[list[Joint], dict[Part, float], list[str]]:
    """Add leads from the parts table, or a marked guess; returns joints, new rows and joints with guesses."""
    made: dict[tuple[str, float], list[str]] = {}
    leads: dict[str, Part] = {}
    for pad in pads:
        placed = placements.get(pad.ref)
        names = [placed.footprint, placed.value, pad.ref] if placed is not None else [pad.ref]
        found = find_lead(parts, names, pad.pin)
        if found is None or (found.guess and _across(found) > pad.hole_mm):  # a guess made for another hole
            key = next(name for name in names if name)
            made.setdefault((key, round(pad.hole_mm, 2)), []).append(pad.pin)
            found = guessed_lead(key, pad.pin, pad.hole_mm)
        leads[pad.name] = found
    joints, guessed, problems = [], [], []
    misfits: dict[Part, list[Pad]] = {}
    for pad in pads:
        lead = leads[pad.name]
        joint, problem = _joint(pad, lead)
        joints.append(joint)
        if problem is not None:
            problems.append(problem)
        if _across(lead) > pad.hole_mm + 0.001:
            misfits.setdefault(lead, []).append(pad)
        if lead.guess:
            guessed.append(joint.name)
        if pad.guesses:
            merged.notes.append(f"{pad.name}: {' and '.join(pad.guesses)} guessed, no file states it")
    for lead, misfit in misfits.items():
        tight = min(misfit, key=lambda pad: pad.hole_mm)
        more = f" and {len(misfit) - 1} more joints" if len(misfit) > 1 else ""
        problems.append(Problem("parts table", lead.part, f"a {lead.lead_shape} lead {_across(lead):.2f} mm across for "
                                f"{tight.name}{more}", f"one that fits its hole of {tight.hole_mm:.3g} mm, as "
                                f"{tight.source} says"))
    if problems:
        raise InputError(problems, "Correct the lead in the parts table, or the CAD files.")
    return joints, _guess_rows(made), guessed


def _guess_rows(made: dict[tuple[str, float], list[str]]) -> dict[Part, float]:
    """One row for each part and hole size, with that size; `*` for the pins where a part has one hole size only."""
    several = {key: sum(part == key for part, _ in made) > 1 for key, _ in made}
    return {guessed_lead(part, ";".join(dict.fromkeys(pins)) if several[part] else "*", hole): hole
            for (part, hole), pins in made.items()}


def _across(lead: Part) -> float:
    """Widest extent of a lead, mm."""
    assert lead.lead_shape is not None and lead.lead_w_mm is not None
    return lead_across(lead.lead_shape, lead.lead_w_mm, lead.lead_h_mm or lead.lead_w_mm)


def _joint(pad: Pad, lead: Part) -> tuple[Joint, Problem | None]:
    assert lead.lead_shape is not None and lead.lead_w_mm is not None
    width, height = lead.lead_w_mm, lead.lead_h_mm or lead.lead_w_mm
    problem = None
    if pad.hole_mm >= min(pad.land_w_mm, pad.land_h_mm):
        problem = pad.source.problem(f"a hole of {pad.hole_mm:.3g} mm in a land of {pad.land_w_mm:g} x "
                                     f"{pad.land_h_mm:g} mm for {pad.name}", "a hole smaller than the land")
    return Joint(pad.ref, pad.pin, round(pad.x_mm, 4), round(pad.y_mm, 4), pad.land_shape, round(pad.land_w_mm, 4),
                 round(pad.land_h_mm, 4), round(pad.land_rotation_deg, 3), round(pad.hole_mm, 4), lead.lead_shape,
                 width, height, pad.net[:60]), problem


def _chips(board: OneBoard, placements: dict[str, Placement], joints: Sequence[Joint], side: Side,
           parts: Sequence[Part], near_mm: float, merged: Merged) -> tuple[list[Chip], list[Part]]:
    """Return chips on the solder side near the joints, with body sizes from the table, the name or their pads."""
    soldered = {joint.ref for joint in joints}
    boxes = pin_boxes(board.netlist, board.copper.values())
    chips: list[Chip] = []
    guesses: dict[str, Part] = {}
    without: list[str] = []
    for placed in placements.values():
        pins = boxes.get(placed.ref)
        on_side = placed.side or (pins.side if pins is not None else None)
        if on_side != side or placed.ref in soldered or FIDUCIAL_REFS.fullmatch(placed.ref):
            continue
        if min(_clear(joint, placed) for joint in joints) > near_mm:
            continue
        names = [placed.footprint, placed.value, placed.ref]
        body = find_body(parts, names) or guesses.get(placed.footprint) or body_from_name(placed.footprint)
        if body is None and pins is not None and (pins.box[2] > pins.box[0] or pins.box[3] > pins.box[1]):
            body = _body_from_pads(placed, pins.box)
        if body is None or body.body_w_mm is None or body.body_h_mm is None:
            without.append(placed.ref)
            continue
        if body.guess:
            guesses.setdefault(placed.footprint or placed.ref, body)
        chips.append(Chip(placed.ref, round(placed.x_mm, 4), round(placed.y_mm, 4),
                          round((placed.rotation_deg + 180.0) % 360.0 - 180.0, 3), body.body_w_mm, body.body_h_mm))
    if without:
        merged.notes.append(f"chips near joints left out, their body size is not known: {', '.join(without)}; give "
                            "body_w_mm and body_h_mm in the parts table")
    known = {part.part for part in parts if part.body_w_mm is not None}
    return chips, [row for key, row in guesses.items() if key not in known]


def _body_from_pads(placed: Placement, box: tuple[float, float, float, float]) -> Part:
    """Guess a body as the box of the pad centres, turned back by the chip's rotation."""
    width, height = max(box[2] - box[0], 0.8), max(box[3] - box[1], 0.8)
    if round(placed.rotation_deg / 90.0) % 2:
        width, height = height, width
    return Part(placed.footprint or placed.ref, body_w_mm=round(width, 2), body_h_mm=round(height, 2),
                guess="box of the pad centres")


def _clear(joint: Joint, placed: Placement) -> float:
    """Distance from a chip's middle to a joint's land, mm."""
    return math.hypot(joint.x_mm - placed.x_mm, joint.y_mm - placed.y_mm) - max(joint.land_w_mm, joint.land_h_mm) / 2.0


def _fiducials(board: OneBoard, placements: dict[str, Placement], side: Side, log: list[Evidence]) -> list[Fiducial]:
    """Return fiducials of the solder side: from copper's attributes, else from components called FID."""
    layer = board.copper.get(side)
    if layer is not None:
        marks = [Fiducial(round(land.x_mm, 4), round(land.y_mm, 4), round(min(land.w_mm, land.h_mm), 4))
                 for land in layer.lands if land.function == "FiducialPad"]
        if marks:
            log.append(Evidence(layer.file, f"{len(marks)} fiducials (aperture function FiducialPad)", "said"))
            return marks
    access = {"secondary", "both"} if side == "bottom" else {"primary", "both"}
    if board.netlist is not None:
        marks = [Fiducial(round(p.x_mm, 4), round(p.y_mm, 4), round(p.land_w_mm, 4)) for p in board.netlist.points
                 if FIDUCIAL_REFS.fullmatch(p.ref) and p.land_w_mm and p.access in access]
        if marks:
            log.append(Evidence(board.netlist.file, f"{len(marks)} fiducials (components called FID)", "said"))
            return marks
    named = [p for p in placements.values() if FIDUCIAL_REFS.fullmatch(p.ref) and p.side == side]
    if named:
        log.append(Evidence(named[0].source.file, f"{len(named)} fiducials (components called FID) of unknown size: "
                                                  "1.0 mm taken", "assumed"))
        return [Fiducial(round(p.x_mm, 4), round(p.y_mm, 4), 1.0) for p in named]
    log.append(Evidence("board", "no fiducials on the solder side: boards will be found by their lands", "assumed"))
    return []


def _middle(joints: Sequence[Joint]) -> tuple[float, float]:
    xs, ys = [joint.x_mm for joint in joints], [joint.y_mm for joint in joints]
    return round((min(xs) + max(xs)) / 2.0, 3), round((min(ys) + max(ys)) / 2.0, 3)
