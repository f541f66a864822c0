"""Put what the files say of each joint together, and name both places where they contradict each other."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from models.errors import InputError, Problem, some
from vision.setup.cad.evidence import SAME_PLACE_MM, nearest, points_of
from vision.setup.cad.parsed import Hole, Land, LayerFile, NetlistFile, NetPoint, Source
from vision.setup.cad.settle import OneBoard
from vision.setup.family import LandShape, Side

#: A drilled hole may be wider than the finished one by its plating; more is another hole.
HOLE_TOLERANCE_MM = 0.16
LAND_TOLERANCE_MM = 0.10
#: Copper round the hole where no file states a land: annular rings of 0.25 to 0.30 mm and more are usual
#: (a trade handbook, not a standard).
GUESSED_RING_MM = 0.35
#: Holes this wide with a lone pin and no net are for screws.
SCREW_HOLE_MM = 2.4
SCREW_REFS = re.compile(r"(MH|MP|HOLE|H|MTG|TP_H|NT)\d*$")
REF_COLUMNS = 6  # references longer than this are cut off in a netlist's records


@dataclass(frozen=True)
class Pad:
    """A through-hole pad as all files together tell it; `guesses` are the fields that no file states."""

    ref: str
    pin: str
    net: str
    x_mm: float
    y_mm: float
    land_shape: LandShape
    land_w_mm: float
    land_h_mm: float
    land_rotation_deg: float
    hole_mm: float
    source: Source
    guesses: tuple[str, ...] = ()
    slot_mm: float | None = None  # length of a slotted hole

    @property
    def name(self) -> str:
        """`J1.3`."""
        return f"{self.ref}.{self.pin}"


@dataclass
class Merged:
    """Pads, what was left out and why, what should be known, and every contradiction found."""

    pads: list[Pad] = field(default_factory=list)
    left_out: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    contradictions: list[Problem] = field(default_factory=list)


def merge(board: OneBoard, solder_side: Side, wanted: Sequence[str] = (), *, accept_differences: bool = False
          ) -> Merged:
    """Return the through-hole pads of a board.

    Copper tells the land, drill files the hole, the netlist the rest. `wanted` are references that are kept even
    when they look like screw holes. Raises InputError naming both places of every contradiction, or with
    `accept_differences` turns them into notes.
    """
    merged = Merged()
    points = _points(board, solder_side, merged)
    layer = board.copper.get(solder_side)
    found = [_pad(point, merged) for point in points]
    if layer is not None:
        found = _with_lands(found, layer, merged, own=board.netlist is None)
    mask = board.masks.get(solder_side)
    if mask is not None:
        found = _with_mask(found, mask, merged)
    if board.drills:
        found = _with_holes(found, [hole for drill in board.drills for hole in drill.holes], merged)
    if board.netlist is not None:
        _unknown_to_netlist(board.netlist, layer, board, merged)
    merged.pads = _distinct(_without_screw_holes(found, wanted, merged), merged)
    lacking = [pad for pad in merged.pads if pad.hole_mm <= 0.0]
    if lacking:
        merged.contradictions += [pad.source.problem(f"{pad.name} without a hole size", "a drill file with its hole")
                                  for pad in lacking]
        raise InputError(merged.contradictions, "Add the drill file of the plated holes.")
    if merged.contradictions and not accept_differences:
        raise InputError(merged.contradictions, "Export the files again from one state of the layout, or import with "
                                                "--accept-differences: copper then tells the land, drill files the "
                                                "hole, the netlist the rest.")
    merged.notes += [f"accepted difference: {problem}" for problem in merged.contradictions]
    return merged


def _points(board: OneBoard, solder_side: Side, merged: Merged) -> list[NetPoint]:
    """Return the through-hole records, or make them from copper where there is no netlist."""
    if board.netlist is None:
        layer = board.copper[solder_side] if solder_side in board.copper else next(iter(board.copper.values()))
        lands = [land for land in layer.lands if land.function == "ComponentPad" and land.ref]
        if not lands:
            raise Source(layer.file).error("no component pads with pin attributes",
                                           "aperture function ComponentPad and object attribute .P (Gerber X2)",
                                           "Export Gerber X2 with netlist attributes, or add a netlist.")
        return [NetPoint("through", land.ref, land.pin, land.net, land.x_mm, land.y_mm, None, True, "both", None, None,
                         False, 0.0, land.source) for land in lands]
    kinds = {"via": 0, "tooling": 0}
    chosen = []
    for point in board.netlist.points:
        if point.kind == "through":
            chosen.append(point)
        elif point.kind in kinds:
            kinds[point.kind] += 1
    if kinds["via"]:
        merged.left_out.append((f"{kinds['via']} vias", "vias are not soldered"))
    if kinds["tooling"]:
        merged.left_out.append((f"{kinds['tooling']} holes", "without plating"))
    if not chosen:
        raise Source(board.netlist.file).error("no through-hole records (317) but vias", "joints to be soldered")
    return _one_record_each(chosen, solder_side, merged)


def _one_record_each(points: Sequence[NetPoint], side: Side, merged: Merged) -> list[NetPoint]:
    """Join records of one pin at one place (a record for each side); the solder side's land wins."""
    own_access = "secondary" if side == "bottom" else "primary"
    by_place: dict[tuple[str, str, int, int], NetPoint] = {}
    for point in points:
        key = point.ref, point.pin, round(point.x_mm / 0.02), round(point.y_mm / 0.02)
        before = by_place.get(key)
        if before is None:
            by_place[key] = point
            continue
        if before.net != point.net:
            merged.contradictions.append(point.source.problem(
                f"net {point.net or '(none)'} of {point.ref}.{point.pin}",
                f"net {before.net or '(none)'}, as {before.source} says"))
        better, other = (point, before) if point.access == own_access else (before, point)
        by_place[key] = replace(better, hole_mm=better.hole_mm or other.hole_mm,
                                plated=better.plated if better.plated is not None else other.plated)
    return list(by_place.values())


def _pad(point: NetPoint, merged: Merged) -> Pad:
    """Return a pad with what the netlist says; a size of 0 stands for "not said"."""
    width, height = point.land_w_mm or 0.0, point.land_h_mm or 0.0
    shape: LandShape = "round" if point.round_land or not width else "rect"
    guesses: list[str] = []
    if width and not point.round_land and abs(width - height) > 0.02:
        shape, guesses = "oblong", ["land shape"]
    elif not width:
        guesses = ["land"]
    turn = 0.0 if shape == "round" else point.rotation_deg % 180.0
    return Pad(point.ref, point.pin, point.net, point.x_mm, point.y_mm, shape, width, height, turn,
               point.hole_mm or 0.0, point.source, tuple(guesses))


def _with_lands(pads: list[Pad], layer: LayerFile, merged: Merged, *, own: bool) -> list[Pad]:
    """Take lands, long names and shapes from copper; note where it denies the netlist."""
    lands = _largest(layer.lands)
    distance, index = nearest(points_of(lands), points_of(pads))
    result = []
    for pad, off, at in zip(pads, distance, index, strict=True):
        land = lands[int(at)]
        if off > SAME_PLACE_MM * 2:
            merged.contradictions.append(Source(layer.file).problem(
                f"no pad at ({pad.x_mm:.3f}, {pad.y_mm:.3f}) mm", f"a flashed pad of {pad.name}, as {pad.source} says"))
            result.append(pad)
            continue
        if not own:
            _compare(pad, land, merged)
        result.append(replace(
            pad, ref=land.ref if _cut_off(pad.ref, land.ref) else pad.ref,
            net=land.net if land.net and not own and _key(land.net).startswith(_key(pad.net)) else pad.net,
            land_shape=land.shape, land_w_mm=land.w_mm, land_h_mm=land.h_mm, land_rotation_deg=land.rotation_deg,
            guesses=tuple(g for g in pad.guesses if not g.startswith("land"))))
    return result


def _compare(pad: Pad, land: Land, merged: Merged) -> None:
    if land.ref and land.ref != pad.ref and not _cut_off(pad.ref, land.ref):
        merged.contradictions.append(land.source.problem(f"component {land.ref}", f"{pad.ref}, as {pad.source} says"))
    elif land.pin and land.pin != pad.pin and not land.pin.startswith(pad.pin):
        merged.contradictions.append(land.source.problem(f"pin {land.ref}.{land.pin}",
                                                         f"{pad.name}, as {pad.source} says"))
    if land.net and pad.net and not _key(land.net).startswith(_key(pad.net)):
        merged.contradictions.append(land.source.problem(f"net {land.net} of {pad.name}",
                                                         f"{pad.net}, as {pad.source} says"))
    sides = sorted((pad.land_w_mm, pad.land_h_mm)), sorted((land.w_mm, land.h_mm))
    if pad.land_w_mm and max(abs(a - b) for a, b in zip(*sides, strict=True)) > LAND_TOLERANCE_MM:
        merged.contradictions.append(land.source.problem(
            f"a land of {land.w_mm:g} x {land.h_mm:g} mm for {pad.name}",
            f"{pad.land_w_mm:g} x {pad.land_h_mm:g} mm, as {pad.source} says"))


def _key(net: str) -> str:
    """A net's name without marks: programs write `/`, `{` and blanks differently into netlists."""
    return re.sub(r"[^A-Z0-9+-]", "", net.upper())


def _unknown_to_netlist(netlist: NetlistFile, layer: LayerFile | None, board: OneBoard, merged: Merged) -> None:
    """Note component pads and component holes of which the netlist knows nothing: joints that would be missed."""
    points = np.array([(point.x_mm, point.y_mm) for point in netlist.points], dtype=np.float64)
    lands = [land for land in layer.lands if land.function == "ComponentPad"] if layer is not None else []
    if lands:
        for land, off in zip(lands, nearest(points, points_of(lands))[0], strict=True):
            if off > SAME_PLACE_MM * 2:
                name = f"{land.ref}.{land.pin}" if land.ref else "without a name"
                merged.contradictions.append(land.source.problem(
                    f"component pad {name} at ({land.x_mm:.3f}, {land.y_mm:.3f}) mm",
                    f"a record of it in {Source(netlist.file)}"))
    holes = [hole for drill in board.drills for hole in drill.holes if hole.purpose == "component" and hole.plated]
    if holes:
        middles = np.array([hole.center_mm for hole in holes], dtype=np.float64)
        for hole, off in zip(holes, nearest(points, middles)[0], strict=True):
            if off > SAME_PLACE_MM * 2:
                merged.contradictions.append(hole.source.problem(
                    f"a plated component hole at ({hole.center_mm[0]:.3f}, {hole.center_mm[1]:.3f}) mm",
                    f"a record of it in {Source(netlist.file)}"))


def _cut_off(short: str, long: str) -> bool:
    """Whether a reference is the beginning of another because the record's columns end."""
    return len(short) == REF_COLUMNS and long != short and long.startswith(short)


def _largest(lands: Sequence[Land]) -> list[Land]:
    """Of flashes upon each other, keep the largest, and the named one of equal ones."""
    best: dict[tuple[int, int], Land] = {}
    for land in lands:
        key = round(land.x_mm / 0.02), round(land.y_mm / 0.02)
        before = best.get(key)
        if before is None or (land.w_mm * land.h_mm, bool(land.ref)) > (before.w_mm * before.h_mm, bool(before.ref)):
            best[key] = land if before is None or land.ref else replace(land, ref=before.ref, pin=before.pin,
                                                                        net=before.net)
    return list(best.values())


def _with_mask(pads: list[Pad], mask: LayerFile, merged: Merged) -> list[Pad]:
    """Where the mask's opening is smaller than the copper, the opening is the land that is seen and wetted."""
    if not mask.lands or not pads:
        return pads
    lands = _largest(mask.lands)
    distance, index = nearest(points_of(lands), points_of(pads))
    result, smaller, covered = [], [], []
    for pad, off, at in zip(pads, distance, index, strict=True):
        opening = lands[int(at)]
        if off > SAME_PLACE_MM * 2:
            covered.append(pad.name)
            result.append(pad)
        elif pad.land_w_mm and max(opening.w_mm, opening.h_mm) < max(pad.land_w_mm, pad.land_h_mm) - 0.02:
            smaller.append(pad.name)
            result.append(replace(pad, land_shape=opening.shape, land_w_mm=opening.w_mm, land_h_mm=opening.h_mm,
                                  land_rotation_deg=opening.rotation_deg))
        else:
            result.append(pad)
    if smaller:
        merged.notes.append(f"lands bounded by the solder mask, its opening taken as the land: {some(smaller, 6)}")
    if covered:
        merged.notes.append(f"no flashed opening in the solder mask over {some(covered, 6)}")
    return result


def _with_holes(pads: list[Pad], holes: Sequence[Hole], merged: Merged) -> list[Pad]:
    """Take hole sizes from the drill files; note where they deny the netlist."""
    if not pads or not holes:
        return pads
    middles = np.array([hole.center_mm for hole in holes], dtype=np.float64)
    distance, index = nearest(middles, points_of(pads))
    result, slots = [], []
    for pad, off, at in zip(pads, distance, index, strict=True):
        hole = holes[int(at)]
        if off > SAME_PLACE_MM * 2:
            merged.contradictions.append(Source(hole.source.file).problem(
                f"no hole at ({pad.x_mm:.3f}, {pad.y_mm:.3f}) mm", f"the hole of {pad.name}, as {pad.source} says"))
            result.append(pad)
            continue
        if hole.plated is False:
            merged.contradictions.append(hole.source.problem(f"a hole without plating for {pad.name}",
                                                             f"a plated one, as {pad.source} says"))
        size = hole.diameter_mm
        if hole.end_mm is not None:
            # A slot as a round hole of equal area: the pipeline knows round holes only.
            straight = hole.length_mm - hole.diameter_mm
            size = float(np.sqrt(hole.diameter_mm**2 + 4.0 / np.pi * straight * hole.diameter_mm))
            limit = 0.9 * min(pad.land_w_mm or size / 0.9, pad.land_h_mm or size / 0.9)
            size = round(min(size, limit), 3)
            slots.append(pad.name)
        elif pad.hole_mm and abs(hole.diameter_mm - pad.hole_mm) > HOLE_TOLERANCE_MM:
            merged.contradictions.append(hole.source.problem(
                f"a hole of {hole.diameter_mm:.3g} mm for {pad.name}",
                f"{pad.hole_mm:.3g} mm, as {pad.source} says"))
        result.append(replace(pad, hole_mm=size, slot_mm=hole.length_mm if hole.end_mm is not None else None))
    if slots:
        merged.notes.append(f"slotted holes taken as round ones of equal area: {some(slots, 6)}")
    return result


def _without_screw_holes(pads: list[Pad], wanted: Sequence[str], merged: Merged) -> list[Pad]:
    pins: dict[str, int] = {}
    for pad in pads:
        pins[pad.ref] = pins.get(pad.ref, 0) + 1
    kept = []
    for pad in pads:
        screw = SCREW_REFS.fullmatch(pad.ref) is not None or (pad.hole_mm >= SCREW_HOLE_MM and not pad.net)
        if pins[pad.ref] == 1 and screw and pad.ref not in wanted:
            merged.left_out.append((pad.name, f"looks like a screw hole ({pad.hole_mm:.2f} mm, lone pin); keep it with "
                                              f"--ref {pad.ref}"))
        elif not pad.ref:
            merged.left_out.append((f"pad at ({pad.x_mm:.2f}, {pad.y_mm:.2f})", "belongs to no component"))
        else:
            kept.append(pad)
    return kept


def _distinct(pads: list[Pad], merged: Merged) -> list[Pad]:
    """Give pads of one pin at several places names of their own, and lands that no file states a guessed size."""
    seen: dict[str, int] = {}
    result = []
    for pad in pads:
        pin = pad.pin or "1"
        count = seen[f"{pad.ref}.{pin}"] = seen.get(f"{pad.ref}.{pin}", 0) + 1
        if count > 1:
            merged.notes.append(f"{pad.ref}.{pin} has several pads; the one at ({pad.x_mm:.2f}, {pad.y_mm:.2f}) mm is "
                                f"called {pad.ref}.{pin}_{count}")
            pin = f"{pin}_{count}"
        if not pad.land_w_mm:
            size = round(pad.hole_mm + 2.0 * GUESSED_RING_MM, 3)
            pad = replace(pad, land_shape="round", land_w_mm=size, land_h_mm=size)  # noqa: PLW2901
        result.append(replace(pad, pin=pin))
    return result
