"""What a place that a chip's outline fits may be instead: two lands, solder on them, a drop of glue, a chip on its end.

All functions take a window [light, row, col] of square roots of response, turned into a chip's axes, and its columns'
and rows' places there: 1 at the ends and at the sides.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.ranks import median

UNLIKE, STEEPER = 1.9, 2.2  # shine of one end against the other; steepness of an end's inner brim against the rest
ALIKE = 0.13  # body and board that differ less are hardly told apart (square roots of response)
#: There, ends of which one mirrors more by this factor, or by this much another mixture of lights, are not one chip's.
OTHER_SHINE, OTHER_HUE = 1.22, 0.108
BODY, BESIDE = (0.3, 0.7), (1.3, 1.8)  # shares of half the length and width; of half the width, outside the body
#: Where along its middle a chip's brim, in shares of half its width, is the board within this (square roots of
#: response), there is no chip, whatever lies in the middle: a drop of glue does.
BRIMS, BOARD = (0.75, 0.95), 0.02
#: But for a chip of the board's colour with a line along both its sides, so near to them in shares of half its width:
#: so much do square roots of response change there over two samples.
OUTLINE, LINE = 0.2, 0.08
END, INNER, ACROSS = (0.75, 0.92), (0.2, 0.72), 0.6  # shares of half the length, from the middle, and of half the width
TIPS, PLATED = (0.75, 0.92), (0.5, 1.0)  # where a chip's ends shine at least, and where they may, shares likewise
END_WIDTH = 4  # samples
#: Within and about where a chip ends, in shares of half the length, shine falls by this factor at one end at least.
WITHIN, ABOUT_END, FALLS = (0.6, 0.93), (0.95, 1.2), 1.3

#: A chip's end shows as a line, so near to it in half lengths, of such steps of square roots of response over
#: two samples: less than the first is no end, the second is the edge of plating, even where land shines on beyond it.
AT_END, NO_LINE, SURE_LINE = 0.15, 0.1, 0.66
PLAIN = 0.64  # less evidence is doubted where body and board hardly differ

Array = NDArray[np.float64]
Plane = NDArray[np.float32]


def is_something_else(shown: Plane, along: Array, across: Array, flat: int, evidence: float) -> bool:
    """Say whether what fits with such evidence is rather two lands, with solder on them or glue between, than a chip.

    A chip whose plating ends in a clear line is one, also where lands shine on beyond it or where its body is of the
    board's colour all over; not so where one of its ends is a land.
    """
    line = end_line(shown, along, across)
    clear = line >= SURE_LINE and evidence >= PLAIN
    if line < NO_LINE or (not clear and goes_on(shown, along, across, flat)):
        return True
    if is_outlined(shown, along, across):
        return False
    if is_board(shown, along, across, BRIMS, BOARD):
        return not (clear and is_board(shown, along, across, (0.0, BRIMS[1]), BOARD))
    return like_board(shown, along, across) and of_two_kinds(shown, along, across, flat)


def unlike_ends(shown: Plane, along: Array, across: Array, flat: int, ends: tuple[float, float]) -> bool:
    """Say whether what seems to be a chip's two ends cannot be: they differ, or are bumps of solder.

    Both ends of a chip are plated alike and lie level. Of two lands without a chip, one fits better than the other into
    the outline; and solder on a land stands as a bump that gets steeper to all sides, also towards the other land,
    while a chip's end is level up to its body.
    """
    course = (shown[:, np.abs(across) < ACROSS] ** 2).mean(axis=1)  # responses along the chip, [light, place]
    steep = np.delete(course, flat, axis=0).sum(axis=0)
    wide = mean_of(steep[None], END_WIDTH, 1)[0]  # unlike a bump's brim, the edge of a chip's plating is a thin line
    shine, bump = [], []
    for sign in (-1.0, 1.0):
        end, inner = ((sign * along > low) & (sign * along < high) for low, high in (END, INNER))
        if not (end.any() and inner.any()):
            return False
        around = course[flat, (sign * along > ends[0]) & (sign * along < ends[1])]
        shine.append(max(float(mean_of(around[None], END_WIDTH, 1).max()), 0.01))
        level = max(float(steep[end].mean()), float(steep[np.abs(along) <= INNER[0]].mean()), 0.01)
        bump.append(float(wide[inner].max()) / level)
    return max(shine) > UNLIKE * min(shine) or max(bump) > STEEPER


def shine_along(shown: Plane, across: Array, flat: int) -> Plane:
    """Return the mean response to the flattest light over a chip's middle, at each place along it."""
    return np.asarray((shown[flat][np.abs(across) < ACROSS] ** 2).mean(axis=0), dtype=np.float32)


def goes_on(shown: Plane, along: Array, across: Array, flat: int) -> bool:
    """Say whether what shines at both ends goes on beyond them: lands, or solder on them, but no chip's plating."""
    course = shine_along(shown, across, flat)
    for sign in (-1.0, 1.0):
        within, about = (course[(sign * along > low) & (sign * along < high)] for low, high in (WITHIN, ABOUT_END))
        if not (within.size and about.size) or within.max() > FALLS * max(float(about.min()), 0.02):
            return False
    return True


def end_line(shown: Plane, along: Array, across: Array) -> float:
    """Return the step of square roots of response in the line along the less outlined of a chip's two ends."""
    strip = shown[:, np.abs(across) < ACROSS].swapaxes(1, 2)
    return min(_line_step(strip, sign * along, AT_END) for sign in (-1.0, 1.0))


def _line_step(window: Plane, places: Array, within: float) -> float:
    """Return the step of square roots of response over two samples in a line at 1 +- `within` of `places`.

    The largest under any light, by the median along the line; 0 where nothing is seen of it. `window` is [light, place,
    along the line].
    """
    near = np.flatnonzero(np.abs(places - 1.0) < within)
    part = window[:, max(near[0] - 1, 0):near[-1] + 2] if len(near) else window[:, :0]
    if part.shape[1] < 3 or part.shape[2] == 0:
        return 0.0
    return float(np.median(np.abs(part[:, 2:] - part[:, :-2]).max(axis=0), axis=1).max())


def like_board(shown: Plane, along: Array, across: Array) -> bool:
    """Say whether a chip's body would be the board beside it."""
    return is_board(shown, along, across, (0.0, BODY[1]), ALIKE)


def is_board(shown: Plane, along: Array, across: Array, strip: tuple[float, float], alike: float) -> bool:
    """Say whether a strip along a chip's middle, in shares of half its width, is the board beside it within `alike`."""
    return unlike_board(shown, along, across, strip) < alike


def unlike_board(shown: Plane, along: Array, across: Array, strip: tuple[float, float]) -> float:
    """Return by how much such a strip differs from the board beside it under any light; infinite if unknown."""
    middle, aside = shown[:, :, np.abs(along) < BODY[0]], np.abs(across)
    body, beside = (middle[:, (aside >= low) & (aside < high)] for low, high in (strip, BESIDE))
    if not (body.size and beside.size):
        return np.inf
    levels = [median(part.reshape(len(part), -1)) for part in (body, beside)]
    return float(np.abs(levels[0] - levels[1]).max())


def is_outlined(shown: Plane, along: Array, across: Array) -> bool:
    """Say whether a line runs along both long sides of a chip's body: its edges show, whatever its colour."""
    return side_line(shown, along, across) >= LINE


def side_line(shown: Plane, along: Array, across: Array) -> float:
    """Return the step of square roots of response in the line along the less outlined long side of a chip's body."""
    middle = shown[:, :, np.abs(along) < BODY[0]]
    return min(_line_step(middle, sign * across, OUTLINE) for sign in (-1.0, 1.0))


def of_two_kinds(shown: Plane, along: Array, across: Array, flat: int) -> bool:
    """Say whether two ends are not plated alike: one may be a chip standing on it, the other a bare land.

    Ends differ in brightness or in their mixture of lights, both where a chip's ends are level at least and where each
    shines most: rounded ends seen a little off the middle differ in one of them.
    """
    strip = shown[:, np.abs(across) < ACROSS]
    level, brightest = [], []
    for sign in (-1.0, 1.0):
        end, plated = (np.median(strip[:, :, (sign * along > low) & (sign * along < high)], axis=1)
                       for low, high in (END, PLATED))
        if not end.size:
            return False
        level.append(np.median(end, axis=1))
        course = mean_of(plated, END_WIDTH, 1)
        brightest.append(course[:, course[flat].argmax()])
    return _differ(*level) and _differ(*brightest)


def _differ(one: Plane, other: Plane) -> bool:
    """Say whether two ends, square roots of response [light], differ in brightness or in their mixture of lights."""
    brighter = np.maximum(one, other) / np.maximum(np.minimum(one, other), 0.05)
    hues = [end**2 / max(float((end**2).sum()), 1e-6) for end in (one, other)]
    return bool(brighter.max() > OTHER_SHINE or np.abs(hues[0] - hues[1]).max() > OTHER_HUE)


def mean_of(plane: Plane, width: float, height: float) -> Plane:
    """Return means over so many samples across and down, of a plane or of several [row, col, plane]."""
    size = (max(1, round(width)), max(1, round(height)))
    return np.asarray(cv2.blur(plane, size, borderType=cv2.BORDER_REPLICATE), dtype=np.float32).reshape(plane.shape)
