"""The forms that solder takes on a joint, each a field of slopes inside an edge, with its true measurements."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from vision.setup import Joint

from .canvas import Canvas, Window
from .shapes import AZIMUTHS, ROUND_TURN, Array, at, course, edge_radius, sector, wave

#: What may be planned for a joint: good, near a limit, or a finding.
WITH_FILLET = ("good", "partial_wetting", "blowhole", "solder_projection", "bridge", "solder_ball", "near")


@dataclass
class Plan:
    """What a joint shall be. Solder falls short in a sector `width_deg` wide, by `mode` and `short`."""

    what: str = "good"
    near: str = ""  # which limit it is near: gap, short or full
    gap: bool = False  # a good joint with a small open sector
    mode: str = ""  # open: to the lead; barrel: to the hole; short: part of the land; empty: drawn by lot
    width_deg: float = 0.0
    short: float = 0.0  # share of the land that is wetted in a short sector
    on_land: bool = False  # not wetted: the lead rather than the land


@dataclass
class Site:
    """A joint in its window of the picture. Places are mm in the land's axes; r and azimuth are from the lead."""

    joint: Joint
    window: Window
    x: Array
    y: Array
    land: Array  # signed distance to the land's edge
    hole: Array  # signed distance to the hole's edge
    land_size: tuple[float, float]
    lead_x: Array
    lead_y: Array
    r: Array
    azimuth: Array
    lead_outline: tuple[str, float, float]
    lead_r: Array  # radii of lead, hole, land and toe over the azimuths
    hole_r: Array
    land_r: Array
    toe_r: Array
    true: dict[str, Any]


@dataclass
class Form:
    """Solder on a joint: slope in degrees, signed distance to its edge, the edge's radius over the azimuths."""

    slope: Array
    distance: Array
    edge_r: Array
    lead_shown: bool = True
    open_hole: float = 0.0  # radius of what stayed open of the hole
    true: dict[str, Any] = field(default_factory=dict)


def form_of(canvas: Canvas, site: Site, plan: Plan) -> Form:
    """Return the form of solder that a plan asks for."""
    if plan.what in WITH_FILLET:
        return _fillet(canvas, site, plan)
    if plan.what == "excess_solder":
        return _mound(canvas, site)
    if plan.what == "lead_missing":
        return _filled_hole(canvas, site)
    if plan.what == "non_wetting":
        return _off_lead(canvas, site) if plan.on_land else _cap(canvas, site)
    raise ValueError(f"no form of solder for {plan.what!r}")


def _fillet(canvas: Canvas, site: Site, plan: Plan) -> Form:
    """Return a concave meniscus from lead to toe, steeper where the land is narrow, with or without open sectors."""
    rng = canvas.rng
    lead_deg = np.clip(canvas.lead_deg + rng.normal(0, 3), 45, 80)
    toe_deg = np.clip(canvas.toe_deg + rng.normal(0, 3), 5, 32)
    if plan.near == "full":
        lead_deg, toe_deg = rng.uniform(48, 54), rng.uniform(42, 48)
    toe, lead = site.toe_r, site.lead_r
    if plan.what == "partial_wetting" or plan.near in ("gap", "short") or plan.gap:
        toe = _fallen_short(canvas, site, plan)
    reach = np.maximum(site.toe_r - lead, .08)
    scale = (reach.mean() / reach) ** .5
    bend, steps = rng.uniform(1.5, 3.5), np.linspace(0, 1, 80)
    while lead_deg > 45 and np.tan(np.deg2rad(course(canvas.course, steps, lead_deg, toe_deg, bend))).mean() > .95:
        lead_deg -= 2  # no meniscus much taller than wide
    lead_course = np.rad2deg(np.arctan(np.tan(np.deg2rad(lead_deg)) * scale)) + wave(rng, 1.6)
    toe_course = np.clip(toe_deg * scale * (1 + wave(rng, .07)), 1.5, 60)
    edge, start = at(toe, site.azimuth), at(lead, site.azimuth)
    t = np.clip((site.r - start) / np.maximum(edge - start, .04), 0, 1)
    slope = course(canvas.course, t, at(lead_course, site.azimuth), at(toe_course, site.azimuth), bend)
    turn = abs(at(np.gradient(toe, AZIMUTHS[1]), site.azimuth)) / np.maximum(site.r, .1)
    distance = (site.r - edge) / np.sqrt(1 + turn ** 2)
    flank = np.clip((turn - .6) / 2, 0, 1) * 68 * np.exp(np.minimum(distance, 0) / .06)  # rounded, of an open sector
    slope = np.rad2deg(np.arctan(np.hypot(np.tan(np.deg2rad(np.minimum(slope, 88))), np.tan(np.deg2rad(flank)))))
    wet = toe > site.hole_r + .04
    rays = course(canvas.course, steps[None], lead_course[:, None], toe_course[:, None], bend)
    heights = np.tan(np.deg2rad(rays)).mean(1) * np.maximum(toe - lead, 0)
    true = {"coverage_deg": wet.mean() * 360, "wetting_angle_deg": toe_course[wet].mean() if wet.any() else "",
            "fillet_height_mm": heights[wet].mean() if wet.any() else 0}
    return Form(slope, distance, toe, true=true)


def _fallen_short(canvas: Canvas, site: Site, plan: Plan) -> Array:
    """Return the toe's radius where solder falls short in one sector or two."""
    rng, toe = canvas.rng, site.toe_r
    mode = plan.mode or rng.choice(["open", "barrel", "short"], p=[.45, .35, .2])
    width, middle = plan.width_deg, rng.uniform(0, 360)
    low = {"open": site.lead_r * .98, "barrel": site.hole_r - rng.uniform(.0, .08),
           "short": site.hole_r + plan.short * (site.land_r - site.hole_r)}[mode]
    share = sector(middle, width, rng.uniform(1.5, 3.5))
    if plan.what == "partial_wetting" and mode != "short" and width > 150 and rng.random() < .4:
        share = np.maximum(sector(middle, width * .55, 2),
                           sector(middle + 180 + rng.uniform(-25, 25), width * .45, 2))
    toe = toe * (1 - share) + np.minimum(low + wave(rng, .012), toe) * share
    return np.maximum(toe, site.lead_r * .98)


def _mound(canvas: Canvas, site: Site) -> Form:
    """Return a convex mound of too much solder, over the lead's end or round it."""
    rng = canvas.rng
    hidden = rng.random() < .55
    edge = site.land_r + rng.uniform(-.02, .10) + wave(rng, .02)
    foot_deg, power = rng.uniform(56, 82), rng.uniform(.75, 1.3)
    foot = np.sin(np.deg2rad(foot_deg))
    q = np.clip(site.r / at(edge, site.azimuth), 0, 1)
    slope = np.rad2deg(np.arcsin(q ** power * foot))
    if hidden:
        nub = rng.uniform(.1, .3)  # over the lead's end
        slope = slope + rng.uniform(0, 16) * np.exp(-((site.r - nub) / .12) ** 2)
    else:
        beyond = np.maximum(site.r - at(site.lead_r, site.azimuth), 0)
        slope = np.maximum(slope, 74 * np.exp(-beyond / rng.uniform(.05, .10)))
    steps = (np.arange(100) + .5) / 100
    true = {"coverage_deg": 360, "wetting_angle_deg": foot_deg, "lead_visible": int(not hidden),
            "fillet_height_mm": np.tan(np.arcsin(steps ** power * foot)).mean() * edge.mean()}
    return Form(slope, site.r - at(edge, site.azimuth), edge, not hidden, true=true)


def _filled_hole(canvas: Canvas, site: Site) -> Form:
    """Return solder that sags into a hole without a lead; now and then the hole's middle stays open."""
    rng, joint = canvas.rng, site.joint
    r, azimuth = np.hypot(site.x, site.y), np.arctan2(site.y, site.x) % (2 * np.pi)
    toe = edge_radius(joint.land_shape, *site.land_size, 0, 0) - rng.uniform(0, .05) - abs(wave(rng, .012))
    sag, foot = rng.uniform(14, 42), rng.uniform(3, 12)
    rim, power = joint.hole_mm / 2 * rng.uniform(.9, 1.15), rng.uniform(.8, 1.6)
    edge = at(toe, azimuth)
    out = np.clip((r - rim) / np.maximum(edge - rim, .05), 0, 1)
    slope = np.where(r < rim, sag * (r / rim) ** power, foot + (sag - foot) * (1 - out) ** rng.uniform(1, 2.5))
    open_hole = rng.uniform(.08, .22) if rng.random() < .3 else 0.0
    return Form(slope, r - edge, toe, open_hole=open_hole, true={"wetting_angle_deg": foot})


def _cap(canvas: Canvas, site: Site) -> Form:
    """Return a cap on the lead that does not wet the land; its true coverage is 0 by definition."""
    rng = canvas.rng
    edge = site.hole_r + rng.uniform(.02, .5) * (site.land_r - site.hole_r) + wave(rng, .02)
    edge = np.minimum(edge, site.land_r - .08)
    foot_deg, top_deg, power = rng.uniform(78, 90), rng.uniform(4, 18), rng.uniform(.6, 1.2)
    start = at(site.lead_r, site.azimuth)
    t = np.clip((site.r - start) / np.maximum(at(edge, site.azimuth) - start, .04), 0, 1)
    foot, top = np.sin(np.deg2rad(foot_deg)), np.sin(np.deg2rad(top_deg))
    slope = np.rad2deg(np.arcsin(top + (foot - top) * t ** power))
    lead_shown = rng.random() < .75
    if not lead_shown:
        slope = slope * np.clip(site.r / (site.joint.lead_w_mm * .6), 0, 1)
    true = {"wetting_angle_deg": foot_deg + rng.uniform(5, 25), "lead_visible": int(lead_shown), "coverage_deg": 0}
    return Form(slope, site.r - at(edge, site.azimuth), edge, lead_shown, true=true)


def _off_lead(canvas: Canvas, site: Site) -> Form:
    """Return solder on the land that does not wet the lead: a dark gap runs round the lead."""
    rng = canvas.rng
    inner = np.minimum(site.lead_r + rng.uniform(.09, .16) + wave(rng, .008), site.land_r - .25)
    start, edge = at(inner, site.azimuth), at(site.toe_r, site.azimuth)
    t = np.clip((site.r - start) / np.maximum(edge - start, .05), 0, 1)
    toe_deg = rng.uniform(8, 20)
    slope = toe_deg + (80 - toe_deg) * np.exp(-t * rng.uniform(4, 7))
    return Form(slope, np.maximum(site.r - edge, start - site.r), site.toe_r,
                true={"wetting_angle_deg": toe_deg, "coverage_deg": 0})


def beads(canvas: Canvas, site: Site, edge_r: Array, solder: Any) -> None:
    """Draw beads left on the bare land beside a cap."""
    rng, ring = canvas.rng, (site.land_r + edge_r) / 2
    for _ in range(rng.integers(0, 4)):
        azimuth, radius = rng.uniform(0, ROUND_TURN), rng.uniform(.05, .12)
        far = np.interp(azimuth, AZIMUTHS, ring)
        q = np.hypot(site.lead_x - np.cos(azimuth) * far, site.lead_y - np.sin(azimuth) * far) / radius
        canvas.put(site.window, canvas.inside((q - 1) * radius),
                   canvas.metal(np.rad2deg(np.arcsin(np.clip(q * .97, 0, 1))), "solder", solder, .08))
