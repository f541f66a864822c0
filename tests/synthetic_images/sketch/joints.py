"""One joint: bare land and hole, solder, a pit if one is planned, the lead's end; with its true measurements."""

from __future__ import annotations

from typing import Any

import numpy as np

from vision.setup import Joint

from .canvas import BARE_BOARD, METALS, Canvas, span
from .shapes import AZIMUTHS, ROUND_TURN, Array, edge_radius, outline, turned, wave
from .solder import Form, Plan, Site, beads, form_of

HOLE = (.012, .012, .012)
PIT = (.02, .017, .012)


def draw_joint(canvas: Canvas, joint: Joint, plan: Plan) -> tuple[dict[str, Any], Array, bool]:
    """Draw one joint; return its true measurements, its solder's colour, and whether its pit hardly shows."""
    solder = np.array((1, .995, .98)) * canvas.solder_mirror
    site = _bare_joint(canvas, joint)
    true, has_lead, form, dim = site.true, plan.what != "lead_missing", None, False
    if plan.what == "no_solder":
        has_lead = canvas.rng.random() > .15
        true |= {"coverage_deg": 0, "land_cover_pct": 0, "fillet_height_mm": 0}
    else:
        form = form_of(canvas, site, plan)
        true |= form.true
        share = _draw_solder(canvas, site, form, solder)
        if plan.what == "non_wetting" and not plan.on_land:
            beads(canvas, site, form.edge_r, solder)
        if form.open_hole:
            canvas.put(site.window, canvas.inside(np.hypot(site.x, site.y) - form.open_hole), canvas.matt(HOLE))
        if plan.what == "blowhole":
            dim = _draw_pit(canvas, site, form, share, solder)
    if has_lead and (form is None or form.lead_shown):
        _draw_lead(canvas, site)
    if not has_lead:
        true |= {"lead_offset_mm": "", "lead_visible": 0}
    return true, solder, dim


def _bare_joint(canvas: Canvas, joint: Joint) -> Site:
    """Draw opening, land and hole, and seat the lead in the hole."""
    rng = canvas.rng
    width, height, hole = joint.land_w_mm + canvas.etch_mm, joint.land_h_mm + canvas.etch_mm, joint.hole_mm
    window, bx, by = canvas.around(joint.x_mm, joint.y_mm, (span(joint) + canvas.etch_mm) * .71 + .5)
    x, y = turned(bx, by, -joint.land_rotation_deg)
    land, barrel = outline(joint.land_shape, width, height, x, y), np.hypot(x, y) - hole / 2
    is_round = joint.lead_shape == "round"
    diagonal = np.hypot(joint.lead_w_mm, joint.lead_h_mm) / (np.sqrt(2) if is_round else 1)
    offset = rng.uniform(0, max((hole - diagonal) / 2 - .02, 0)) * .9
    towards = rng.uniform(0, ROUND_TURN)
    x0, y0 = offset * np.cos(towards), offset * np.sin(towards)
    _draw_land(canvas, window, land, barrel)
    lead_x, lead_y = x - x0, y - y0
    lead_outline = ("round" if is_round else "rect", joint.lead_w_mm, joint.lead_h_mm)
    land_r = edge_radius(joint.land_shape, width, height, x0, y0)
    lead_r, hole_r = edge_radius(*lead_outline, 0, 0), edge_radius("round", hole, hole, x0, y0)
    toe_r = land_r - rng.uniform(0, .05) - abs(wave(rng, .012))
    return Site(joint, window, x, y, land, barrel, (width, height), lead_x, lead_y, np.hypot(lead_x, lead_y),
                np.arctan2(lead_y, lead_x) % (2 * np.pi), lead_outline, lead_r, hole_r, land_r, toe_r,
                {"lead_offset_mm": offset, "lead_visible": 1})


def _draw_land(canvas: Canvas, window: Any, land: Array, barrel: Array) -> None:
    grain = canvas.rough[window] * canvas.grain
    canvas.put(window, canvas.inside(land - canvas.clear_mm), canvas.matt(BARE_BOARD))
    rounded = 3.0 * np.clip(1 + land / .3, 0, 1) if canvas.finish == "tin" else 0
    slope = abs(canvas.texture(5)[window]) * 1.2 + rounded
    metal = METALS[canvas.finish]
    canvas.put(window, canvas.inside(land), canvas.metal(slope, "land", metal, .12 * (1 + .2 * grain)))
    rim = 38 * np.exp(-(barrel / .05) ** 2)
    canvas.put(window, canvas.inside(barrel - .05), canvas.metal(slope + rim, "land", metal, .1))
    canvas.put(window, canvas.inside(barrel), canvas.matt(HOLE))


def _draw_solder(canvas: Canvas, site: Site, form: Form, solder: Array) -> Array:
    """Draw solder, note how much of the land it covers, and return how far it covers each pixel."""
    grain = canvas.rough[site.window] * canvas.grain
    share = canvas.inside(form.distance)
    fade = np.clip(1.2 - form.slope / 60, .15, 1)
    canvas.put(site.window, share, canvas.metal(np.abs(form.slope + grain), "solder", solder,
                                                canvas.solder_diffuse * (1 + .1 * grain) * fade))
    land = (site.land < 0) & (site.hole > 0)
    under = (share > .5) & land
    site.true["land_cover_pct"] = 100 * under.sum() / max(land.sum(), 1)
    return share


def _draw_pit(canvas: Canvas, site: Site, form: Form, share: Array, solder: Array) -> bool:
    """Draw a pit seated on the fillet where it shows best; return whether it hardly shows."""
    rng = canvas.rng
    size, best = rng.uniform(.11, .22), None
    shown = (canvas.seen(site.window).max(0) > .12) & (share > .5)
    for _ in range(40):
        azimuth = rng.uniform(0, ROUND_TURN)
        start, end = np.interp(azimuth, AZIMUTHS, site.lead_r), np.interp(azimuth, AZIMUTHS, form.edge_r)
        radius = max(min(size, (end - start - .04) / 2), .1)
        far = rng.uniform(start + radius + .02, max(end - radius - .02, start + radius + .03))
        q = np.hypot(site.lead_x - far * np.cos(azimuth), site.lead_y - far * np.sin(azimuth))
        seen = shown[q < radius].mean()
        better = best is None or (seen > best[0] + .05 and best[0] < .9)
        if better or (seen > .9 and radius > best[3] + .02):
            best = (seen, azimuth, far, radius)
    seen, azimuth, far, radius = best
    q = np.hypot(site.lead_x - far * np.cos(azimuth), site.lead_y - far * np.sin(azimuth))
    q = q + .012 * canvas.texture(7)[site.window]
    lip = form.slope + rng.uniform(15, 40) * np.exp(-((q - radius) / .05) ** 2)
    canvas.put(site.window, canvas.inside(q - radius - .08) * share,
               canvas.metal(lip, "solder", solder, canvas.solder_diffuse))
    canvas.put(site.window, canvas.inside(q - radius), canvas.matt(PIT))
    site.true["pit_diameter_mm"] = 2 * radius
    return bool(seen < .6)


def _draw_lead(canvas: Canvas, site: Site) -> None:
    """Draw the lead's end: cut, rounded or tilted, with a burr at its edge."""
    rng = canvas.rng
    d = outline(*site.lead_outline, site.lead_x, site.lead_y, .05)
    style = rng.choice(["cut", "round", "tilt"])
    half = min(site.lead_outline[1:]) * .5
    ends = {"cut": 1.5 + 0 * d, "round": np.clip(1 + d / half, 0, 1) ** 1.5 * rng.uniform(20, 48),
            "tilt": rng.uniform(3, 14) + 0 * d}
    slope = ends[style] + abs(canvas.texture(4)[site.window]) * 2.0
    slope = slope + 45 * np.exp(np.minimum(d, 0) / .025)
    metal = METALS["copper" if canvas.lead_metal == "copper" and style != "round" else "tin"]
    canvas.put(site.window, canvas.inside(d), canvas.metal(slope, "lead", np.array(metal) * .85, .2))
