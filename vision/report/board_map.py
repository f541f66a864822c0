"""The board as the camera sees it, drawn to scale as SVG: lands, chips, and how often each was rejected."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

import numpy as np

from models.vocabulary import REJECT, REVIEW
from vision.setup.family import Family, Joint, View
from vision.setup.geometry import Similarity, drawn_turn_deg, nominal_view
from vision.setup.station import Station

#: Drawing units a millimetre.
SCALE = 20.0
MARGIN_MM = 1.5

#: For each place on the board (`REF.PIN` or `REF`) how many boards had each verdict there.
Counts = Mapping[str, Mapping[str, int]]


def board_map(family: Family, counts: Counts, title: str = "Board map") -> str:
    """Return an SVG of the whole board in the picture's orientation.

    A rejected place carries a square, a place for review a triangle, each with the number of boards; its title
    says the same in words. The classes `land`, `hole`, `chip`, `mark-reject` and `mark-review` are for style sheets.
    """
    to_px, width, height = _frame(family)
    parts = [f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{escape(title)}" class="board-map">',
             f"<title>{escape(title)}</title>",
             f'<rect class="board" x="1" y="1" width="{width - 2:.0f}" height="{height - 2:.0f}" rx="8"/>']
    for mark in family.fiducials:
        x, y = to_px.to_px((mark.x_mm, mark.y_mm))
        parts.append(f'<circle class="fiducial" cx="{x:.1f}" cy="{y:.1f}" r="{mark.diameter_mm * SCALE / 2:.1f}"/>')
    for chip in family.chips:
        x, y = to_px.to_px((chip.x_mm, chip.y_mm))
        angle = drawn_turn_deg(to_px.matrix, chip.rotation_deg)
        parts.append(_box("chip", x, y, chip.body_w_mm, chip.body_h_mm, angle, 0.0))
    for joint in family.joints:
        x, y = to_px.to_px((joint.x_mm, joint.y_mm))
        parts.append(_land(joint, x, y, drawn_turn_deg(to_px.matrix, joint.land_rotation_deg)))
        parts.append(f'<circle class="hole" cx="{x:.1f}" cy="{y:.1f}" r="{joint.hole_mm * SCALE / 2:.1f}"/>')
    parts += _part_names(family, to_px)
    places = [(joint.name, joint.x_mm, joint.y_mm) for joint in family.joints]
    places += [(chip.ref, chip.x_mm, chip.y_mm) for chip in family.chips]
    for name, x_mm, y_mm in places:
        x, y = to_px.to_px((x_mm, y_mm))
        parts.append(_mark(name, x, y, counts.get(name, {})))
    parts.append("</svg>")
    return "\n".join(part for part in parts if part)


def _frame(family: Family) -> tuple[Similarity, float, float]:
    """Return the map from board mm to drawing units, and the drawing's size."""
    station = Station("map", 1.0 / SCALE, "", ())
    turned = nominal_view(family, View("", (0.0, 0.0), family.views[0].rotation_deg), station, (0, 0))
    places = [(joint.x_mm, joint.y_mm) for joint in family.joints] + [(chip.x_mm, chip.y_mm) for chip in family.chips]
    places += [(mark.x_mm, mark.y_mm) for mark in family.fiducials]
    points = turned.to_px(places)
    reach = np.array([max(joint.land_w_mm, joint.land_h_mm) / 2.0 for joint in family.joints]).max() + MARGIN_MM
    low, high = points.min(axis=0) - reach * SCALE, points.max(axis=0) + reach * SCALE
    width, height = (high - low).tolist()
    return Similarity(turned.matrix, turned.shift - low), width, height


def _part_names(family: Family, to_px: Similarity) -> list[str]:
    """Return each component's name, written above its lands."""
    names = []
    for ref in dict.fromkeys(joint.ref for joint in family.joints):
        own = [joint for joint in family.joints if joint.ref == ref]
        places = to_px.to_px([(joint.x_mm, joint.y_mm) for joint in own])
        reach = max(max(joint.land_w_mm, joint.land_h_mm) for joint in own) * SCALE / 2.0
        x, y = places[:, 0].mean(), places[:, 1].min() - reach - 5.0
        names.append(f'<text class="part-name" x="{x:.1f}" y="{y:.1f}">{escape(ref)}</text>')
    return names


def _land(joint: Joint, x: float, y: float, angle: float) -> str:
    if joint.land_shape == "round":
        return f'<circle class="land" cx="{x:.1f}" cy="{y:.1f}" r="{joint.land_w_mm * SCALE / 2:.1f}"/>'
    corner = min(joint.land_w_mm, joint.land_h_mm) * SCALE / 2 if joint.land_shape == "oblong" else 0.0
    return _box("land", x, y, joint.land_w_mm, joint.land_h_mm, angle, corner)


def _box(kind: str, x: float, y: float, w_mm: float, h_mm: float, angle: float, corner: float) -> str:
    w, h = w_mm * SCALE, h_mm * SCALE
    turn = "" if abs(angle % 180.0) < 1e-6 else f' transform="rotate({angle:.1f} {x:.1f} {y:.1f})"'
    return (f'<rect class="{kind}" x="{x - w / 2:.1f}" y="{y - h / 2:.1f}" width="{w:.1f}" height="{h:.1f}" '
            f'rx="{corner:.1f}"{turn}/>')


def _mark(name: str, x: float, y: float, counts: Mapping[str, int]) -> str:
    """Return a place's mark: a square with the number of rejects, or a triangle with that of reviews."""
    told = ", ".join(f"{count} {verdict}" for verdict, count in counts.items() if count)
    rejects, reviews = counts.get(REJECT, 0), counts.get(REVIEW, 0)
    if not rejects and not reviews:
        return f'<circle class="calm" cx="{x:.1f}" cy="{y:.1f}" r="5"><title>{escape(name)}: {told}</title></circle>'
    shape = (f'<rect class="mark-reject" x="{x - 13:.1f}" y="{y - 13:.1f}" width="26" height="26" rx="3"/>' if rejects
             else f'<path class="mark-review" d="M{x:.1f} {y - 17:.1f} l17 29 h-34 z"/>')
    drop = 5.5 if rejects else 8.5
    return (f"<g><title>{escape(name)}: {told}</title>{shape}"
            f'<text class="mark-count" x="{x:.1f}" y="{y + drop:.1f}">{rejects or reviews}</text></g>')
