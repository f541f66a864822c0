"""Bring the files of one board into one frame: units, number formats, origins, sides and mirroring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.errors import InputError
from vision.setup.cad.evidence import Evidence, Fit, Points, Transform, fit_points
from vision.setup.cad.excellon import readings
from vision.setup.cad.ipcd356 import parse_netlist
from vision.setup.cad.parsed import (
    CadFile,
    DrillFile,
    Hole,
    LayerFile,
    NetlistFile,
    PlacementFile,
    Source,
    Stated,
)
from vision.setup.cad.placed import settle_placement
from vision.setup.cad.text import kind_of
from vision.setup.family import Side

#: Factors between units that files are mistaken in, tried only to name the mistake.
UNIT_SLIPS = {25.4: "inches taken for millimetres", 1 / 25.4: "millimetres taken for inches",
              2.54: "counts of 0.0001 inch taken for 0.001 mm", 1 / 2.54: "counts of 0.001 mm taken for 0.0001 inch",
              10.0: "a decimal place too many", 0.1: "a decimal place too few"}


@dataclass(frozen=True)
class OneBoard:
    """All files of a board in the frame of the netlist (or of the copper layer where there is no netlist)."""

    netlist: NetlistFile | None
    drills: tuple[DrillFile, ...]
    copper: dict[Side, LayerFile]
    masks: dict[Side, LayerFile]
    placements: tuple[PlacementFile, ...]
    evidence: tuple[Evidence, ...]
    unused: tuple[tuple[str, str], ...]  # file and reason


@dataclass(frozen=True)
class _Anchors:
    """Features that other files are laid upon: places (n, 2) mm, hole sizes (NaN: none), and where they are said."""

    file: str
    unit: Stated
    points: Points
    holes: NDArray[np.float64]


def settle(found: Sequence[tuple[CadFile, str]], unused: Sequence[tuple[str, str]] = (),
           netlist_unit: str | None = None) -> OneBoard:
    """Bring all files of a board, each with its text, into one frame.

    The frame is the netlist's, or the solder side's copper layer where there is no netlist: both are defined as
    seen from the component side. Raises InputError where files contradict each other, naming a place in each.
    """
    netlists = [(file, text) for file, text in found if isinstance(file, NetlistFile)]
    if len(netlists) > 1:
        raise Source(netlists[1][0].file).error("a second netlist", f"one netlist; {netlists[0][0].file} is one too")
    layers = [file for file, _ in found if isinstance(file, LayerFile)]
    drills = [(file, text) for file, text in found if isinstance(file, DrillFile)]
    log: list[Evidence] = []
    netlist = None
    if netlists:
        netlist = _settle_netlist(*netlists[0], layers, [file for file, _ in drills], netlist_unit, log)
    copper, masks, more_unused = _sort_layers(layers, netlist, log)
    if netlist is None and not copper:
        raise InputError([Source("CAD files").problem("neither a netlist nor a copper layer with pin attributes",
                                                      "an IPC-D-356A netlist, or Gerber X2 copper of the solder side")],
                         "Export one of them from the layout program.")
    anchors = _anchors(netlist, copper)
    if netlist is not None:
        copper = {side: _settle_layer(layer, anchors, log) for side, layer in copper.items()}
    masks = {side: _settle_layer(layer, anchors, log) for side, layer in masks.items()}
    settled = _settle_drills(drills, anchors, log)
    placements = tuple(settle_placement(file, netlist, tuple(copper.values()), log)
                       for file, _ in found if isinstance(file, PlacementFile))
    return OneBoard(netlist, settled, copper, masks, placements, tuple(log), (*unused, *more_unused))


def _settle_netlist(file: NetlistFile, text: str, layers: Sequence[LayerFile], drills: Sequence[DrillFile],
                    unit: str | None, log: list[Evidence]) -> NetlistFile:
    """Settle a netlist's unit where it has no UNITS record: by a file that states its unit, or by the caller."""
    names = {"through": "through-hole pads", "surface": "surface pads", "via": "vias", "tooling": "holes not plated"}
    said = ", ".join(f"{sum(point.kind == kind for point in file.points)} {name}" for kind, name in names.items())
    if file.unit.source is not None:
        log.append(Evidence(file.file, f"unit {file.unit.value} ({file.unit.source.where}); {said}", "said"))
        return file
    if unit is not None:
        log.append(Evidence(file.file, f"no UNITS record; unit {unit} as asked for; {said}", "said"))
        return parse_netlist(text, file.file, unit)
    tried = []
    for name in ("inch", "mm"):
        reading = parse_netlist(text, file.file, name)
        anchors = _netlist_anchors(reading)
        others: list[DrillFile | LayerFile] = [*drills, *layers]
        for other in others:
            points = _places(other) if other.unit.source is not None else np.empty((0, 2))
            if len(points):
                tried.append((fit_points(anchors.points, points), reading, other.file))
    tried = [item for item in tried if item[0].good]
    if not tried:
        raise Source(file.file).error("no UNITS record and no other file that settles the unit",
                                      "a record such as `P  UNITS CUST 1`", "Say it with --netlist-unit mm or inch.")
    fit, reading, other_file = max(tried, key=lambda item: item[0].matched)
    log.append(Evidence(file.file, f"no UNITS record; unit {reading.unit.value} since {fit.matched} places agree with "
                                   f"{Source(other_file)}; {said}", "shown"))
    return reading


def _places(file: DrillFile | LayerFile) -> Points:
    rows = [hole.center_mm for hole in file.holes] if isinstance(file, DrillFile) else [
        (land.x_mm, land.y_mm) for land in file.lands]
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def _sort_layers(layers: Sequence[LayerFile], netlist: NetlistFile | None, log: list[Evidence]
                 ) -> tuple[dict[Side, LayerFile], dict[Side, LayerFile], list[tuple[str, str]]]:
    """Tell outer copper and mask layers by their file function, or copper by the surface pads that it holds."""
    copper: dict[Side, LayerFile] = {}
    masks: dict[Side, LayerFile] = {}
    unused: list[tuple[str, str]] = []
    for layer in layers:
        side: Side | None = "bottom" if "Bot" in layer.function else "top" if "Top" in layer.function else None
        kind = layer.function[0] if layer.function else ""
        shown_side = _side_shown(layer, netlist) if kind in {"", "Copper"} else None
        if not kind and shown_side is not None:
            side, kind = shown_side[0], "Copper"
            log.append(Evidence(layer.file, f"no file function; copper of the {side} side, as its surface pads in "
                                            f"{shown_side[1]} show", "shown"))
        elif side is not None and kind in {"Copper", "Soldermask"}:
            log.append(Evidence(layer.file, f"{kind.lower()} of the {side} side, unit {layer.unit.value}, "
                                            f"{len(layer.lands)} flashed pads", "said"))
            if shown_side is not None and shown_side[0] != side:
                raise Source(layer.file).error(
                    f"copper that calls itself the {side} side", f"the {shown_side[0]} side, since its surface pads "
                    f"lie where {shown_side[1]} has pads of that side", "Check which file belongs to which side.")
        if side is None or kind not in {"Copper", "Soldermask"}:
            unused.append((layer.file, f"layer {','.join(layer.function) or 'without a file function'}"))
            continue
        target = copper if kind == "Copper" else masks
        if side in target:
            raise Source(layer.file).error(f"a second {kind.lower()} layer of the {side} side",
                                           f"one; {target[side].file} is one too")
        target[side] = layer
    return copper, masks, unused


def _side_shown(layer: LayerFile, netlist: NetlistFile | None) -> tuple[Side, Source] | None:
    """Return the side whose surface pads of the netlist lie under a layer's pads, and one of them as witness."""
    if netlist is None or not layer.lands:
        return None
    hits: dict[Side, list[Source]] = {"top": [], "bottom": []}
    every = np.array([(p.x_mm, p.y_mm) for p in netlist.points], dtype=np.float64)
    fit = fit_points(every, _places(layer))
    if not fit.matched:
        return None
    under = {int(k) for k in fit.partner if k >= 0}
    for index, point in enumerate(netlist.points):
        if point.kind == "surface" and index in under:
            hits["top" if point.access == "primary" else "bottom"].append(point.source)
    top, bottom = len(hits["top"]), len(hits["bottom"])
    if max(top, bottom) < 2 or min(top, bottom) > 0.2 * max(top, bottom):
        return None
    side: Side = "top" if top > bottom else "bottom"
    return side, hits[side][0]


def _anchors(netlist: NetlistFile | None, copper: dict[Side, LayerFile]) -> _Anchors:
    if netlist is not None:
        return _netlist_anchors(netlist)
    layer = copper.get("bottom") or copper["top"]
    return _Anchors(layer.file, layer.unit, _places(layer), np.full(len(layer.lands), np.nan))


def _netlist_anchors(netlist: NetlistFile) -> _Anchors:
    points = np.array([(p.x_mm, p.y_mm) for p in netlist.points], dtype=np.float64).reshape(-1, 2)
    return _Anchors(netlist.file, netlist.unit, points, np.array([p.hole_mm or np.nan for p in netlist.points]))


def _settle_layer(layer: LayerFile, anchors: _Anchors, log: list[Evidence]) -> LayerFile:
    """Carry a layer's pads into the frame of the anchors."""
    points = _places(layer)
    if not len(points):
        raise Source(layer.file).error("no flashed pads", "pads as flashes (D03) with attributes (X2)",
                                       "Export the layer with pads as flashes.")
    fit = fit_points(anchors.points, points)
    _demand(fit, layer.file, layer.unit, anchors, points, "pads")
    log.append(Evidence(layer.file, _fit_words(fit, len(points), "pads", anchors), "shown"))
    moved = fit.transform.apply(points)
    turned = tuple(replace(land, x_mm=float(place[0]), y_mm=float(place[1]),
                           rotation_deg=fit.transform.turn(land.rotation_deg) % 180.0)
                   for land, place in zip(layer.lands, moved, strict=True))
    return replace(layer, lands=turned)


def _settle_drills(drills: Sequence[tuple[DrillFile, str]], anchors: _Anchors,
                   log: list[Evidence]) -> tuple[DrillFile, ...]:
    """Carry every drill file into the frame; a file of few holes takes the origin of its surer neighbour."""
    fits: list[tuple[DrillFile, Fit | None]] = []
    for file, text in drills:
        options = [file] if file.zeros.value == "decimal point" and file.unit.source else (
            list(readings(text, file.file)) if kind_of(text) == "excellon" else [file])
        tried = [(fit_points(anchors.points, _places(option), (anchors.holes, _diameters(option))), option)
                 for option in options if option.holes]
        if not tried:
            log.append(Evidence(file.file, "no holes", "said"))
            fits.append((file, None))
            continue
        best = max(tried, key=lambda item: (item[0].good, item[0].matched, item[0].transform.plain))
        first = tried[0]
        fit, reading = first if first[0].matched == best[0].matched and first[0].good else best
        fits.append((reading, fit))
    sure = [fit for file, fit in fits if fit is not None and fit.good]
    settled = []
    for file, maybe in fits:
        if maybe is None:
            continue
        few = len(file.holes) < 2 * 4 or all(hole.plated is False for hole in file.holes)
        if not maybe.good and few and sure:
            transform = max(sure, key=lambda item: item.matched).transform
            log.append(Evidence(file.file, f"{_form(file)}; too few holes in the netlist to place it by itself; "
                                           f"{transform.words()} like the other drill file", "assumed"))
        else:
            _demand(maybe, file.file, file.unit, anchors, _places(file), "holes")
            transform = maybe.transform
            how = "said" if file.unit.source is not None and file.zeros.source is not None else "shown"
            log.append(Evidence(file.file, f"{_form(file)}", how))
            log.append(Evidence(file.file, _fit_words(maybe, len(file.holes), "holes", anchors), "shown"))
        settled.append(replace(file, holes=tuple(_moved(hole, transform) for hole in file.holes)))
    return tuple(settled)


def _form(file: DrillFile) -> str:
    unit = f"unit {file.unit.value}" + (f" ({file.unit.source.where})" if file.unit.source is not None else "")
    plated = {kind: sum(hole.plated is kind for hole in file.holes) for kind in (True, False, None)}
    marks = ", ".join(f"{count} {name}" for name, count in (
        ("plated", plated[True]), ("not plated", plated[False]), ("without a plated mark", plated[None])) if count)
    slots = sum(hole.end_mm is not None for hole in file.holes)
    return f"{unit}, {file.zeros.value}; {marks}" + (f"; {slots} slots" if slots else "")


def _diameters(file: DrillFile) -> NDArray[np.float64]:
    return np.array([hole.diameter_mm for hole in file.holes], dtype=np.float64)


def _moved(hole: Hole, transform: Transform) -> Hole:
    ends = [(hole.x_mm, hole.y_mm)] + ([hole.end_mm] if hole.end_mm is not None else [])
    moved = transform.apply(np.array(ends, dtype=np.float64))
    return replace(hole, x_mm=float(moved[0, 0]), y_mm=float(moved[0, 1]),
                   diameter_mm=hole.diameter_mm * transform.scale,
                   end_mm=(float(moved[1, 0]), float(moved[1, 1])) if len(moved) > 1 else None)


def _fit_words(fit: Fit, count: int, what: str, anchors: _Anchors) -> str:
    return (f"{fit.matched} of {count} {what} lie on features of {Source(anchors.file)}, {fit.residual_mm:.3f} mm "
            f"apart in the middle: {fit.transform.words()}")


def _demand(fit: Fit, file: str, unit: Stated, anchors: _Anchors, points: Points, what: str) -> None:
    """Raise the error that names both places where a file does not fit, or fits in two ways."""
    place = unit.source or Source(file)
    other = anchors.unit.source or Source(anchors.file)
    if fit.good and (fit.transform.plain or not fit.rivals):
        return
    if fit.good:
        raise place.error(f"{what} that fit {Source(anchors.file)} in two ways ({fit.transform.words()}; or "
                          f"{fit.rivals[0].words()})", "files with the same origin",
                          "Export both files with the same origin and without mirroring.")
    slips = [(scale, slip) for scale in UNIT_SLIPS
             if (slip := fit_points(anchors.points, points, scales=(scale,))).good and slip.matched > fit.matched]
    if slips:
        scale, slip = max(slips, key=lambda item: item[1].matched)
        raise place.error(f"unit {unit.value}, under which {fit.matched} of {len(points)} {what} lie on features of "
                          f"{Source(anchors.file)}", f"coordinates {scale:g} times as large, under which "
                          f"{slip.matched} do, since {other} says unit {anchors.unit.value}",
                          f"One of the two files has {UNIT_SLIPS[scale]}; export both again.")
    raise place.error(f"{what} of which {fit.matched} of {len(points)} lie on features of the other file",
                      f"most of them on the features that {other} begins", "Check that both files are of one board "
                      "and of one revision.")


