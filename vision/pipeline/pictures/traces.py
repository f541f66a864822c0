"""Where in a view the things lie that were measured: covered arcs, toes, leads, bridges, balls; for drawing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.defects.balls import Balls
from vision.pipeline.defects.corridors import Corridors, joined_azimuths
from vision.pipeline.defects.pits import CORE, DEEP_CORE, EDGE_MM, find_pits
from vision.pipeline.defects.projections import RIDGE_BEND
from vision.pipeline.defects.ridges import tangential_bend
from vision.pipeline.defects.tongues import metal_run
from vision.pipeline.fillets.fillet import covered_azimuths, find_toe, toes_of
from vision.pipeline.fillets.gaps import LAND, lead_distance
from vision.pipeline.leads.lead import Leads
from vision.pipeline.light.grids import FineGrid, fine_grid
from vision.pipeline.measure import ViewSurfaces, joins_of, leads_of, loose_balls, metal_outside
from vision.pipeline.view.lands import edges_towards
from vision.pipeline.view.unwrap import AZIMUTHS, azimuths_rad
from vision.setup.family import Joint

SAME_MM = 0.02  # a ridge is the one that was measured when it ends within this of what was measured
MOST_SPOTS = 12
NO_BALLS = Balls(np.zeros((0, 2)), np.zeros(0))


@dataclass(frozen=True)
class Traces:
    """What was seen in one view; arrays over its joints unless stated."""

    leads: Leads
    covered: NDArray[np.bool_]  # [joint, azimuth], as measured: bridges count as covered
    joined: NDArray[np.bool_]  # [joint, azimuth], directions in which solder leads to a neighbour
    toe_mm: NDArray[np.float64]  # [joint, azimuth]
    joints: tuple[Joint, ...]  # what the corridors' numbers mean: the view's own, then those beyond its seams
    corridors: Corridors
    bridge_mm: NDArray[np.float64]  # [pair]
    balls: Balls  # loose ones; the crest of a bridge is none


@dataclass(frozen=True)
class Spots:
    """What lies inside one joint, board mm from the hole's centre; None where it was not found."""

    pit: tuple[float, float, float] | None = None  # x, y, diameter
    spike: tuple[tuple[float, float], tuple[float, float]] | None = None  # foot on the lead, tip


def find_traces(seen: ViewSurfaces, *, balls: bool = True) -> Traces:
    """Return where things lie in a view, by the very code that measures them.

    Looking for balls takes longest: leave it out where none was measured.
    """
    leads = leads_of(seen)
    joins = joins_of(seen, seen.optics)
    corridors, widths = joins.corridors, joins.width_mm
    if not seen.joints:
        nowhere = np.zeros((0, AZIMUTHS))
        return Traces(leads, nowhere > 0.0, nowhere > 0.0, nowhere, (), corridors, widths, NO_BALLS)
    joined = joined_azimuths(joins.joints, corridors, widths)[:len(seen.joints)]
    toes = toes_of(seen.patches, seen.surface)
    away = lead_distance(seen.patches, leads, LAND)
    covered = covered_azimuths(seen.patches, seen.surface, leads, toes, away) | joined
    _, toe = find_toe(seen.patches, seen.surface, covered, toes)
    found = loose_balls(seen, joins) if balls else NO_BALLS
    return Traces(leads, covered, joined, toe, joins.joints, corridors, widths, found)


def find_spots(seen: ViewSurfaces, traces: Traces, index: int, measured: Mapping[str, float]) -> Spots:
    """Return where the pit and the projection lie that were measured at one joint."""
    pit_mm, reach_mm = (measured.get(name, 0.0) for name in ("pit_diameter_mm", "projection_mm"))
    if not (pit_mm > 0.0 or reach_mm > 0.0):
        return Spots()
    surface = replace(seen.surface, roughness=seen.surface.roughness[index:index + 1])
    grid = fine_grid(seen.capture, seen.joints[index:index + 1], seen.registration, seen.optics, surface,
                     seen.owners)
    leads = Leads(*(getattr(traces.leads, item.name)[index:index + 1] for item in fields(Leads)))
    pit = _pit(seen, traces, index, grid, leads) if pit_mm > 0.0 else None
    spike = None
    if reach_mm > 0.0:
        spike = _ridge(index, grid, leads, reach_mm) or _tongue(seen, traces, index, reach_mm)
    return Spots(pit, spike)


def _pit(seen: ViewSurfaces, traces: Traces, index: int, grid: FineGrid,
         leads: Leads) -> tuple[float, float, float] | None:
    """Return the largest pit: each black spot is looked at alone, all others lit."""
    radiance, joint = grid.radiance[0], seen.joints[index]
    edge = edges_towards((joint,), np.arctan2(grid.y_mm, grid.x_mm).reshape(1, -1))
    searched = np.hypot(grid.x_mm, grid.y_mm)[0] < edge.reshape(radiance.shape) - EDGE_MM
    if leads.visible[0] >= 0.5:
        searched &= np.hypot(grid.x_mm[0] - leads.offset_x_mm[0],
                             grid.y_mm[0] - leads.offset_y_mm[0]) > leads.nominal_radius_mm[0]
    best: tuple[float, float, float] | None = None
    for limit in (CORE, DEEP_CORE):
        black = searched & (radiance < limit)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(black.astype(np.uint8), connectivity=8)
        order = np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:MOST_SPOTS] + 1 if count > 1 else np.zeros(0, dtype=np.intp)
        for label in order.tolist():
            spot = np.asarray(labels) == label
            alone = np.where(black & ~spot, np.float32(1.0), radiance)
            diameter = float(find_pits(seen.joints[index:index + 1], replace(grid, radiance=alone[None]), leads,
                                       traces.covered[index:index + 1])[0])
            if diameter > (best[2] if best else 0.0):
                best = float(grid.x_mm[0][spot].mean()), float(grid.y_mm[0][spot].mean()), diameter
    return best


def _ridge(index: int, grid: FineGrid, leads: Leads, reach_mm: float
           ) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return foot and tip of the ridge that reaches as far from the lead's edge as was measured."""
    offset, radius = (float(leads.offset_x_mm[0]), float(leads.offset_y_mm[0])), float(leads.nominal_radius_mm[0])
    x, y = (grid.x_mm - offset[0]).astype(np.float64), (grid.y_mm - offset[1]).astype(np.float64)
    away = np.hypot(x, y)
    owner = grid.owner.at(np.arange(away.size)).reshape(away.shape)
    foreign = (owner != 0) & (owner != index + 1)
    ridge = (tangential_bend(grid, x, y, away * away) > RIDGE_BEND) & (away > 0.5 * radius) & ~foreign
    count, labels, _, _ = cv2.connectedComponentsWithStats(ridge[0].astype(np.uint8), connectivity=8)
    best, error = None, SAME_MM
    for label in range(1, count):
        distance = np.where(np.asarray(labels) == label, away[0], 0.0)
        if abs(float(distance.max()) - radius - reach_mm) < error:
            error = abs(float(distance.max()) - radius - reach_mm)
            best = np.unravel_index(int(distance.argmax()), distance.shape)
    if best is None:
        return None
    tip_x, tip_y, length = float(x[0][best]), float(y[0][best]), float(away[0][best])
    foot = (offset[0] + tip_x * radius / length, offset[1] + tip_y * radius / length)
    return foot, (offset[0] + tip_x, offset[1] + tip_y)


def _tongue(seen: ViewSurfaces, traces: Traces, index: int, reach_mm: float
            ) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return foot and tip of a tongue of metal on the mask: along the azimuth where metal runs furthest."""
    run = metal_run(seen.patches, metal_outside(seen), traces.joined)[index]
    angle = float(azimuths_rad()[int(np.argmax(seen.patches.land_edge_mm[index] + run))])
    radius = float(traces.leads.nominal_radius_mm[index])
    foot, tip = ((r * np.cos(angle), r * np.sin(angle)) for r in (radius, radius + reach_mm))
    return (float(foot[0]), float(foot[1])), (float(tip[0]), float(tip[1]))
