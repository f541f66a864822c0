"""Find a chip whose ends shine no more than its body: by straight edges all round that lands alone do not have.

Bodies may be as light as dull plating. But along both long sides, also between the lands, runs an edge from what is no
board to the board beside it; where a chip is missing there is none between the lands.
"""

from __future__ import annotations

import numpy as np

from vision.pipeline.arrays.signs import grows
from vision.pipeline.chips.doubts import BODY, Plane, mean_of, side_line, unlike_board
from vision.pipeline.chips.turns import turn_left
from vision.pipeline.chips.windows import EDGE, Fit, Half, Place, edges_across, fit_at, in_own_axes, turned_by

TURNS = (-9.0, -6.0, -3.0, 0.0, 3.0, 6.0, 9.0)  # degrees
REACH = 8  # samples: a chip further off is not looked for
CORNER = 0.84  # of half the length, where edges along the ends' sides are looked at
FULL = 1.0  # step that counts as a full edge where the strongest are looked for: none is as large
NEARLY = 0.95  # of the best evidence, among which the strongest edges tell the place
AMONG = 2.0  # samples from the middle of all places that are outlined
#: Between these each sign grows from none to full: the weakest edge, in shares of a full one; the line along the less
#: outlined long side of the body, and how much the body differs from the board beside it (square roots of response).
EDGES, LINE, NO_BOARD = (0.84, 0.94), (0.22, 0.3), (0.16, 0.26)


def find_box(window: Plane, half: Half, step_mm: float) -> Fit:
    """Return the best place near a window's middle with straight edges all round; NaN where there is none.

    `window` [light, row, col] lies along the chip's nominal axes, in steps of so many mm.
    """
    found = [_best_at(window, half, turn) for turn in TURNS]
    limit = NEARLY * max(place[0] for place, _ in found)
    place = max((strength, place) for place, strength in found if place[0] >= limit)[1]
    shown, along, across = in_own_axes(window, half, place)
    evidence = min(float(grows(np.array(value), limits)) for value, limits in (
        (place[0], EDGES), (side_line(shown, along, across), LINE),
        (unlike_board(shown, along, across, (0.0, BODY[1])), NO_BOARD)))
    if evidence <= 0.0:
        return Fit(0.0, np.nan, np.nan, np.nan, 0.0)
    return fit_at((evidence, *place[1:]), turn_left(shown, along, across), step_mm, 100.0)


def _best_at(window: Plane, half: Half, turn: float) -> tuple[Place, float]:
    """Return the place where a chip so turned is best outlined, and how strong the edges round it are."""
    shown = turned_by(window, turn)[:, None]
    best, strong = (_sides(shown, half, full) for full in (EDGE, FULL))
    weakest, strength = best.min(axis=0), strong.sum(axis=0)
    outlined = weakest >= NEARLY * weakest.max()
    # Where plating is as wide as the fillets beyond it, what lies off to either side is outlined as well.
    columns = np.flatnonzero(outlined.any(axis=0))
    outlined[:, np.abs(np.arange(outlined.shape[1]) - np.median(columns)) > AMONG] = False
    at = np.where(outlined, strength, -1.0).argmax()
    row, column = np.unravel_index(at, weakest.shape)
    middle = (weakest.shape[0] - 1) / 2.0
    return ((float(weakest[row, column]), float(column - middle), float(row - middle), turn),
            float(strength[row, column]))


def _sides(shown: Plane, half: Half, full: float) -> Plane:
    """Return mean edges along a chip's ends, its long sides and its ends' sides, [side, row, col], for all places."""
    along, across = (edges_across(shown, axis, True, full) for axis in (3, 2))
    ends, sides, corners = (mean_of(plane, width, height) for plane, width, height in (
        (along, 1.0, 1.7 * half[1]), (across, 1.1 * half[0], 1.0), (across, 0.26 * half[0], 1.0)))
    near = np.arange(-REACH - 0.5, REACH + 1.0)
    first = shown.shape[2] // 2 - len(near) // 2

    def at(plane: Plane, column: float, row: float) -> Plane:
        down, right = first + round(row), first + round(column)
        return plane[down:down + len(near), right:right + len(near), 0]

    signs = (-1.0, 1.0)
    return np.stack([*(at(ends, sign * half[0], 0.0) for sign in signs),
                     *(at(sides, 0.0, sign * half[1]) for sign in signs),
                     *(at(corners, sign * CORNER * half[0], other * half[1]) for sign in signs for other in signs)])
