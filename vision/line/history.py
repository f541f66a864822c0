"""The line's history as arrays: boards in time order, joints with their places, measurements and findings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Kinds of place that joints can have in common, from the widest to the narrowest, as a message names them.
WHOLE, POT, NOZZLE, STEP, LAND, JOINT = "whole board", "pot", "nozzle", "step", "land kind", "joint"
PLACE_KINDS: tuple[str, ...] = (WHOLE, POT, NOZZLE, STEP, LAND, JOINT)


@dataclass(frozen=True)
class Joints:
    """The joints of a family as columns, all of the same length."""

    names: tuple[str, ...]  # REF.PIN
    x_mm: Floats
    y_mm: Floats
    pot: tuple[str, ...]
    nozzle: tuple[str, ...]
    step: tuple[str, ...]
    land_kind: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.names)


@dataclass(frozen=True)
class Place:
    """A set of joints that have something in common: `pot A`, `land kind round 1.8 mm`, `joint J1.3`."""

    kind: str
    name: str  # empty for the whole board
    members: tuple[int, ...]  # indices of joints

    @property
    def text(self) -> str:
        """The place as a message names it."""
        return f"{self.kind} {self.name}".strip()


@dataclass(frozen=True)
class History:
    """Boards in the order in which they were inspected. B boards, J joints.

    `measures` map a measurement's name to (B, J) values, NaN where there is none; `findings` map a finding's
    name to (B, J) truth; `graded` (B, J) tells which joints were graded at all.
    """

    serials: tuple[str, ...]
    at_s: Floats  # (B,) inspection time, seconds since 1970 UTC
    joints: Joints
    measures: Mapping[str, Floats]
    findings: Mapping[str, Bools]
    graded: Bools
    keys: tuple[int, ...] = ()  # inspection keys in the records, where there are any
    family: str = ""
    batches: tuple[str, ...] = ()  # board batch of each board, empty text where it is not known

    def __len__(self) -> int:
        return len(self.serials)


def places(joints: Joints, kinds: Sequence[str] = PLACE_KINDS) -> tuple[Place, ...]:
    """Return every place of the chosen kinds; joints whose pot, nozzle or step is empty belong to none of that kind.

    A place that holds every joint is left out where the whole board is asked for: the two cannot be told apart.
    """
    found: list[Place] = []
    if WHOLE in kinds:
        found.append(Place(WHOLE, "", tuple(range(len(joints)))))
    for kind, labels in ((POT, joints.pot), (NOZZLE, joints.nozzle), (STEP, joints.step), (LAND, joints.land_kind)):
        if kind in kinds:
            groups: dict[str, list[int]] = {}
            for index, label in enumerate(labels):
                if label:
                    groups.setdefault(label, []).append(index)
            found += [Place(kind, label, tuple(members)) for label, members in sorted(groups.items())]
    if JOINT in kinds:
        found += [Place(JOINT, name, (index,)) for index, name in enumerate(joints.names)]
    return tuple(found)


def membership(found: Sequence[Place], joint_count: int) -> Floats:
    """Return (place, joint) weights: 1 / number of members inside, 0 outside, so that a product gives means."""
    weights = np.zeros((len(found), joint_count))
    for row, place in enumerate(found):
        weights[row, list(place.members)] = 1.0 / len(place.members)
    return weights


def same_joints(found: Sequence[Place]) -> dict[tuple[int, ...], list[Place]]:
    """Return the places grouped by their joints: places of one group cannot be told apart by any result."""
    groups: dict[tuple[int, ...], list[Place]] = {}
    for place in found:
        groups.setdefault(place.members, []).append(place)
    return groups
