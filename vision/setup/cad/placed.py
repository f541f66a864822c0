"""Settle a placement table by the pins of its components: unit, origin, mirroring, sides."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.errors import InputError, Problem
from vision.setup.cad.evidence import ENOUGH, Evidence, Transform, points_of
from vision.setup.cad.parsed import MM_PER, LayerFile, NetlistFile, Placement, PlacementFile, Source
from vision.setup.family import Side

#: A component's place lies within the box of its pins, widened by this and by a fifth of its size: the place may
#: be the body's middle or pin 1.
BOX_MARGIN_MM = 1.0


@dataclass(frozen=True)
class PinBox:
    """Box round a component's pins (x0, y0, x1, y1), the side of its surface pads, and a place that says so."""

    box: tuple[float, float, float, float]
    side: Side | None
    source: Source
    axis_deg: float | None = None  # direction from one pin to the other where there are two

    @property
    def margin(self) -> float:
        """How far outside the box the component's place may lie."""
        return BOX_MARGIN_MM + 0.2 * max(self.box[2] - self.box[0], self.box[3] - self.box[1])


def pin_boxes(netlist: NetlistFile | None, copper: Iterable[LayerFile]) -> dict[str, PinBox]:
    """Return the pin box of every component that the netlist, or else the copper's attributes, name."""
    pins: dict[str, list[tuple[float, float, Side | None, Source]]] = {}
    if netlist is not None:
        for point in netlist.points:
            if point.ref and point.kind in {"through", "surface"}:
                side: Side | None = None
                if point.kind == "surface" and point.access not in {None, "both"}:
                    side = "top" if point.access == "primary" else "bottom"
                pins.setdefault(point.ref, []).append((point.x_mm, point.y_mm, side, point.source))
    else:
        for layer in copper:
            here: Side = "bottom" if "Bot" in layer.function else "top"
            for land in layer.lands:
                if land.ref and land.pin:
                    own = here if land.function == "SMDPad" else None
                    pins.setdefault(land.ref, []).append((land.x_mm, land.y_mm, own, land.source))
    boxes = {}
    for ref, places in pins.items():
        xs, ys = [p[0] for p in places], [p[1] for p in places]
        sided = [p for p in places if p[2] is not None]
        chosen = sided[0] if sided else places[0]
        axis = math.degrees(math.atan2(ys[1] - ys[0], xs[1] - xs[0])) % 180.0 if len(places) == 2 else None
        boxes[ref] = PinBox((min(xs), min(ys), max(xs), max(ys)), chosen[2], chosen[3], axis)
    return boxes


def settle_placement(file: PlacementFile, netlist: NetlistFile | None, copper: Sequence[LayerFile],
                     log: list[Evidence]) -> PlacementFile:
    """Carry a placement table into the frame of the pins.

    Rows of the bottom side are settled by themselves, since some programs write their x with the other sign.
    Raises InputError where place or side of a component contradict its pins.
    """
    boxes = pin_boxes(netlist, copper)
    known = [p for p in file.placements if p.ref in boxes]
    if not known:
        raise Source(file.file, file.placements[0].source.line).error(
            f"component {file.placements[0].ref} and others that no other file has", "components of this board",
            "Check that the placement table belongs to this board.")
    units = (file.unit.value,) if file.unit.source is not None else ("mm", "inch", "mil")
    base = MM_PER[file.unit.value]
    scales = [MM_PER[unit] / base for unit in units]
    whole = _best(known, boxes, scales)
    scale = whole[0].scale
    moved: dict[str, Placement] = {}
    sides: tuple[Side | None, ...] = ("top", "bottom", None)
    for side in sides:
        rows = [p for p in file.placements if p.side == side]
        own = [p for p in rows if p.ref in boxes]
        transform, hits = _best(own, boxes, [scale]) if own else whole
        if len(own) < 2 or hits < ENOUGH * len(own):
            transform = whole[0]
        if rows:
            log.append(_words(file, side, transform, _hits(own, boxes, transform), len(own), len(rows)))
        carried = [_carry(p, transform) for p in rows]
        if side == "bottom":
            carried = _turned(file, carried, boxes, log)
        moved |= {p.ref: p for p in carried}
    settled = replace(file, placements=tuple(moved[p.ref] for p in file.placements))
    _contradictions(settled, boxes)
    return settled


def _words(file: PlacementFile, side: Side | None, transform: Transform, hits: int, own: int,
           rows: int) -> Evidence:
    unit = next(name for name, size in MM_PER.items()
                if abs(size / MM_PER[file.unit.value] - transform.scale) < 1e-9)
    said = f"unit {unit}" + (f" ({file.unit.source.where})" if file.unit.source is not None else "")
    count = f"{rows} component{'s' if rows != 1 else ''}"
    return Evidence(file.file, f"{side or 'no'} side, {count}: {said}; {hits} of {own} lie among their pins: "
                               f"{replace(transform, scale=1.0).words()}", "shown" if own else "assumed")


def _best(rows: Sequence[Placement], boxes: dict[str, PinBox], scales: Sequence[float]) -> tuple[Transform, int]:
    """Return the transform that puts most components among their pins; the one that changes least wins a tie."""
    middles = np.array([((b[0] + b[2]) / 2, (b[1] + b[3]) / 2) for b in (boxes[p.ref].box for p in rows)])
    best: tuple[tuple[float, ...], Transform] | None = None
    for number, scale in enumerate(scales):
        for sign_x, sign_y in ((1.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)):
            turned = points_of(rows) * (np.array([sign_x, sign_y]) * scale)
            shift = np.median(middles - turned, axis=0)
            for dx, dy in ((0.0, 0.0), (float(shift[0]), float(shift[1]))):
                transform = Transform(sign_x, sign_y, scale, dx, dy)
                hits = _hits(rows, boxes, transform)
                spread = float(np.median(np.abs(middles - transform.apply(points_of(rows)))))
                key = (hits, float(dx == dy == 0.0), sign_x + sign_y, -spread, -number)
                if best is None or key > best[0]:
                    best = key, transform
    assert best is not None
    return best[1], int(best[0][0])


def _hits(rows: Sequence[Placement], boxes: dict[str, PinBox], transform: Transform) -> int:
    """Count components whose place lies among their pins."""
    if not rows:
        return 0
    places = transform.apply(points_of(rows))
    return sum(_inside(boxes[row.ref], float(x), float(y)) for row, (x, y) in zip(rows, places, strict=True))


def _inside(pins: PinBox, x: float, y: float) -> bool:
    x0, y0, x1, y1 = pins.box
    margin = pins.margin
    return x0 - margin <= x <= x1 + margin and y0 - margin <= y <= y1 + margin


def _carry(placement: Placement, transform: Transform) -> Placement:
    x, y = transform.apply(np.array([[placement.x_mm, placement.y_mm]]))[0]
    return replace(placement, x_mm=float(x), y_mm=float(y), rotation_deg=transform.turn(placement.rotation_deg))


def _turned(file: PlacementFile, rows: list[Placement], boxes: dict[str, PinBox],
            log: list[Evidence]) -> list[Placement]:
    """Settle the sense of rotation of the bottom side by chips of two pins that lie aslant.

    Programs count it counter-clockwise as seen from above or as seen from below; board coordinates mean from above.
    """
    votes = {1.0: 0, -1.0: 0}
    for row in rows:
        axis = boxes[row.ref].axis_deg if row.ref in boxes else None
        if axis is None or abs(row.rotation_deg / 90.0 - round(row.rotation_deg / 90.0)) < 0.02:
            continue  # upright chips look the same both ways
        for sign in votes:
            off = (sign * row.rotation_deg - axis + 45.0) % 90.0 - 45.0
            votes[sign] += abs(off) < 2.0
    if votes[-1.0] <= votes[1.0]:
        return rows
    log.append(Evidence(file.file, f"bottom side: rotations are counted as seen from below, as the pads of "
                                   f"{votes[-1.0]} chips show; turned over", "shown"))
    return [replace(row, rotation_deg=-row.rotation_deg % 360.0) for row in rows]


def _contradictions(file: PlacementFile, boxes: dict[str, PinBox]) -> None:
    """Raise an error for every component whose side or place its pins deny."""
    problems: list[Problem] = []
    for placement in file.placements:
        pins = boxes.get(placement.ref)
        if pins is None:
            continue
        if pins.side is not None and placement.side is not None and pins.side != placement.side:
            problems.append(placement.source.problem(f"{placement.ref} on the {placement.side}",
                                                     f"the {pins.side}, as {pins.source} says of its pads"))
        if not _inside(pins, placement.x_mm, placement.y_mm):
            x0, y0, x1, y1 = pins.box
            problems.append(placement.source.problem(
                f"{placement.ref} at ({placement.x_mm:.2f}, {placement.y_mm:.2f}) mm",
                f"a place among its pins ({x0:.2f} to {x1:.2f}, {y0:.2f} to {y1:.2f}) mm, which {pins.source} begins"))
    if problems:
        raise InputError(problems, "Export the files again from one state of the layout.")
