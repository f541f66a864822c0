"""Turning good joints into planned defects, one recipe entry at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic_images.criteria import COVERAGE_DEG
from synthetic_images.plan import (
    AZIMUTHS,
    CAP,
    DISH,
    FILM,
    OPEN,
    Ball,
    JointShapes,
    Neck,
    Pit,
    Spike,
    azimuths,
    lead_outline,
    ripple,
    toe_from_share,
)
from synthetic_images.recipe import Recipe
from vision.setup import JOINT_FINDINGS, Family

Array = NDArray[np.float64]


class Draft:
    """A board being planned: shapes that may still be changed, and lists of extras."""

    def __init__(self, family: Family, recipe: Recipe, shapes: JointShapes, rng: np.random.Generator) -> None:
        self.family, self.recipe, self.shapes, self.rng = family, recipe, shapes, rng
        self.necks: list[Neck] = []
        self.balls: list[Ball] = []
        self.pits: list[Pit] = []
        self.spikes: list[Spike] = []
        self.place = np.array([(j.x_mm, j.y_mm) for j in family.joints])
        self.outline = lead_outline(family.joints, shapes)

    def add(self, joint: int, finding: str, severity: float) -> None:
        """Plan a finding at a joint; severity 0 is mild, 1 severe."""
        makers = {"no_solder": self._no_solder, "partial_wetting": self._partial, "non_wetting": self._non_wetting,
                  "excess_solder": self._excess, "lead_missing": self._lead_missing, "bridge": self._bridge,
                  "solder_ball": self._ball, "blowhole": self._pit, "solder_projection": self._spike}
        if finding == "good":
            return
        if finding not in makers:
            raise ValueError(f"planned finding: got {finding!r}, wanted one of {JOINT_FINDINGS}")
        makers[finding](joint, float(np.clip(severity, 0.0, 1.0)))

    def _no_solder(self, j: int, severity: float) -> None:
        self.shapes.form[j] = OPEN

    def _partial(self, j: int, severity: float) -> None:
        kind = self.recipe.pick("defect.gap_kind", self.rng)[0]
        edge = self.shapes.edge[j]
        if kind == "starved toe":
            hole = self.family.joints[j].hole_mm / 2.0
            share = self.recipe.at("defect.starved", 1.0 - severity)
            wave = ripple(self.rng, np.array([0.06]), 1)
            self.shapes.toe[j] = toe_from_share(np.array([hole]), edge[None], share + wave)[0]
            return
        self._open_gap(j, kind, np.deg2rad(self.recipe.at("defect.gap", severity)))

    def _open_gap(self, j: int, kind: str, width: float) -> None:
        """Take the solder away over this much of the circle (rad), in one gap or two."""
        hole = self.family.joints[j].hole_mm / 2.0
        parts = 2 if width > np.deg2rad(100) and self.rng.random() < 0.25 else 1
        start = self.rng.uniform(0, 2 * np.pi)
        soft = np.deg2rad(self.rng.uniform(4.0, 14.0))
        away = np.zeros(AZIMUTHS)
        for part in range(parts):
            off = (azimuths() - start - part * np.pi * self.rng.uniform(0.8, 1.2) + np.pi) % (2 * np.pi) - np.pi
            away = np.maximum(away, 0.5 * (1.0 - np.tanh((np.abs(off) - width / parts / 2.0) / soft)))
        if kind == "unwetted lead":
            gap = np.clip(self.rng.uniform(0.06, 0.2), 0.0, max(hole - self.outline[j].min(), 0.05))
            self.shapes.inner[j] = away * gap * (1.0 + 0.2 * ripple(self.rng, np.ones(1), 1)[0])
            return
        low = hole * self.rng.uniform(0.9, 1.0) if kind == "dewetted land" else 0.9 * self.outline[j].min()
        wobble = 0.03 * ripple(self.rng, np.ones(1), 1)[0]
        self.shapes.toe[j] = (1.0 - away) * self.shapes.toe[j] + away * np.maximum(low + hole * wobble, 0.1)

    def _non_wetting(self, j: int, severity: float) -> None:
        shapes, rng = self.shapes, self.rng
        hole = self.family.joints[j].hole_mm / 2.0
        narrow = float(shapes.edge[j].min())
        radius = rng.uniform(0.75 * hole + 0.25 * narrow, narrow * 1.06)
        shapes.form[j] = CAP
        shapes.cap_angle[j] = np.deg2rad(self.recipe.at("defect.cap_angle", severity) + rng.normal(0, 3.0))
        shapes.toe[j] = radius * (1.0 + ripple(rng, np.array([rng.uniform(0.01, 0.06)]), 1)[0])
        room = max(narrow - radius, 0.0) + 0.1 * hole
        shapes.cap_shift[j] = rng.uniform(-0.7, 0.7, 2) * room
        top = radius * (1.0 - np.cos(shapes.cap_angle[j]))
        if rng.random() < 0.5:
            shapes.protrusion[j] = min(shapes.protrusion[j], 0.8 * top)
        shapes.lead_buried[j] = shapes.protrusion[j] < top

    def _excess(self, j: int, severity: float) -> None:
        shapes, rng = self.shapes, self.rng
        angle = np.deg2rad(min(self.recipe.at("defect.dome_angle", severity) + rng.normal(0, 2.0), 86.0))
        shapes.form[j] = CAP
        shapes.cap_angle[j] = angle
        wave = ripple(rng, np.array([rng.uniform(0.005, 0.03)]), 1)[0]
        shapes.toe[j] = shapes.edge[j] * (rng.uniform(0.96, 1.05) + wave)
        narrow = float(shapes.toe[j].mean())
        top = narrow * np.tan(angle / 2.0)
        # The solder hides the lead's end: one that shows as a bump can still be made out, which is no excess.
        shapes.protrusion[j] = min(shapes.protrusion[j], top * rng.uniform(0.55, 0.96))
        shapes.lead_tilt[j] *= 0.4
        shapes.lead_buried[j] = True

    def _lead_missing(self, j: int, severity: float) -> None:
        shapes, rng = self.shapes, self.rng
        shapes.has_lead[j] = False
        shapes.lead_shift[j], shapes.lead_turn[j], shapes.lead_scale[j] = 0.0, 0.0, 1.0
        form = rng.random()
        if form < 0.35:
            shapes.form[j] = OPEN
        elif form < 0.6:  # the wave wets the land, but nothing holds it in the hole
            shapes.form[j] = FILM
            shapes.cap_angle[j] = np.deg2rad(rng.uniform(4.0, 26.0))
        else:
            shapes.form[j] = DISH
            shapes.cap_angle[j] = np.deg2rad(rng.uniform(-24.0, 22.0))

    def _bridge(self, j: int, severity: float) -> None:
        other = self.neighbour(j, same_net=False)
        if other is not None:
            self.join(j, other, self.recipe.at("defect.neck", severity) * self.rng.uniform(0.9, 1.1))

    def neighbour(self, j: int, same_net: bool, reach_mm: float = 4.3) -> int | None:
        """Return a near joint of the same or another net, or None; unnamed nets differ from all."""
        away = np.hypot(*(self.place - self.place[j]).T)
        me = self.family.joints[j]
        near = [i for i in np.argsort(away, kind="stable") if i != j and away[i] <= reach_mm
                and ((self.family.joints[i].net == me.net != "") == same_net)]
        return int(near[self.rng.integers(min(len(near), 2))]) if near else None

    def join(self, j: int, other: int, width: float) -> None:
        """Plan solder between two joints."""
        self.necks.append(Neck(j, other, width, float(self.rng.normal(0.0, 0.08)), float(self.rng.uniform(0.5, 1.1))))

    def add_harmless(self, chance: float, taken: set[int]) -> None:
        """Plan specks of solder, pores and gaps that are too small for any criterion."""
        rng = self.rng
        blemish = self.recipe.one("good.blemish", rng)
        allowed = np.deg2rad(360.0 - COVERAGE_DEG[self.family.workmanship_class])
        for j in range(len(self.family.joints)):
            if j not in taken and rng.random() < blemish:
                kind = ("dewetted land", "open crescent", "unwetted lead")[int(rng.integers(3))]
                self._open_gap(j, kind, allowed * self.recipe.one("good.blemish_size", rng))
            if j in taken or rng.random() >= chance:
                continue
            angle, size = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.09)
            way = np.array([np.cos(angle), np.sin(angle)])
            reach = self.shapes.edge[j][int(angle / (2 * np.pi) * AZIMUTHS) % AZIMUTHS]
            if rng.random() < 0.5:
                spot = self.place[j] + way * (reach + rng.uniform(0.08, 0.4))
                self.balls.append(Ball(float(spot[0]), float(spot[1]), float(size)))
            else:
                spot = way * (0.45 * reach + 0.55 * self.outline[j].max())
                self.pits.append(Pit(j, float(spot[0]), float(spot[1]), float(size), float(size)))

    def drop_dry_necks(self) -> None:
        """Give up solder between joints of which one holds none."""
        self.necks = [n for n in self.necks if OPEN not in (self.shapes.form[n.first], self.shapes.form[n.second])]

    def join_same_nets(self, chance: float, taken: set[int]) -> None:
        """Plan joins of neighbours that share a net, which are no defect."""
        for j in range(len(self.family.joints)):
            if self.rng.random() < chance and j not in taken:
                other = self.neighbour(j, same_net=True, reach_mm=3.2)
                if other is not None and other not in taken:
                    self.join(j, other, self.recipe.one("defect.neck", self.rng))

    def _ball(self, j: int, severity: float) -> None:
        rng = self.rng
        for number in range(1 + int(rng.random() < 0.25) + int(rng.random() < 0.1)):
            size = self.recipe.at("defect.ball", severity if number == 0 else float(rng.uniform(0, severity)))
            azimuth = rng.integers(AZIMUTHS)
            gap = abs(rng.normal(0.0, 0.25)) + rng.choice((0.0, 0.15)) - 0.02
            edge = max(self.shapes.edge[j][azimuth], self.shapes.toe[j][azimuth])
            reach = edge + size / 2.0 + gap
            angle = azimuths()[azimuth]
            spot = self.place[j] + reach * np.array([np.cos(angle), np.sin(angle)])
            self.balls.append(Ball(float(spot[0]), float(spot[1]), float(size)))

    def _pit(self, j: int, severity: float) -> None:
        rng = self.rng
        size = self.recipe.at("defect.pit", severity)
        azimuth = rng.integers(AZIMUTHS)
        lead = self.outline[j][azimuth]
        along = rng.uniform(0.25, 0.7)
        reach = lead + along * (self.shapes.toe[j][azimuth] - lead)
        spot = reach * np.array([np.cos(azimuths()[azimuth]), np.sin(azimuths()[azimuth])]) + self.shapes.lead_shift[j]
        self.pits.append(Pit(j, float(spot[0]), float(spot[1]), float(size), float(size * rng.uniform(0.7, 1.6))))

    def _spike(self, j: int, severity: float) -> None:
        rng, shapes = self.rng, self.shapes
        reach = self.recipe.at("defect.spike", severity)
        angle = rng.uniform(0, 2 * np.pi)
        way = np.array([np.cos(angle), np.sin(angle)])
        index = int(angle / (2 * np.pi) * AZIMUTHS) % AZIMUTHS
        if rng.random() < 0.6 and shapes.has_lead[j]:
            top = float(shapes.protrusion[j])
            foot = shapes.lead_shift[j] + shapes.lead_tilt[j] * top
            lead = float(self.outline[j][index])
            tip = foot + way * (lead + reach)
            width = min(1.6 * lead, rng.uniform(0.25, 0.5))
            blunt = self.recipe.one("defect.icicle_blunt", rng)
            self.spikes.append(Spike(j, (float(foot[0]), float(foot[1]), top * 0.95),
                                     (float(tip[0]), float(tip[1]), top + reach * float(rng.uniform(0.1, 0.9))),
                                     float(width), float(rng.normal(0, 0.08)), "icicle", blunt))
        else:
            toe = float(shapes.toe[j][index])
            width, blunt = self.recipe.one("defect.flag_width", rng), self.recipe.one("defect.flag_blunt", rng)
            foot = way * max(0.75 * toe, toe - 0.6 * width - 0.1)
            # The round end reaches beyond the last point of its axis.
            tip = way * (toe + max(reach - 0.5 * blunt * width, 0.1))
            self.spikes.append(Spike(j, (float(foot[0]), float(foot[1]), 0.12), (float(tip[0]), float(tip[1]), 0.03),
                                     width, float(rng.normal(0, 0.12)), "flag", blunt))
