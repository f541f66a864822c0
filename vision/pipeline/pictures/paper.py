"""A sheet of paper for pictures: styled lines, verdict shapes and text that can be read.

Colours are blue, green, red as OpenCV has them. Shapes and lines are drawn at once, text at the end and on top, in
one go, with the typeface that comes with Pillow.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Color = tuple[int, int, int]
Points = NDArray[np.float64]

#: Okabe and Ito's colour-blind safe palette ("Color universal design", 2008), as blue, green, red.
BLACK: Color = (0, 0, 0)
ORANGE: Color = (0, 159, 230)
SKY: Color = (233, 180, 86)
GREEN: Color = (115, 158, 0)
YELLOW: Color = (66, 228, 240)
BLUE: Color = (178, 114, 0)
VERMILION: Color = (0, 94, 213)
PURPLE: Color = (167, 121, 204)
GREY: Color = (153, 153, 153)
WHITE, INK, SOFT, LINE, PAPER = (255, 255, 255), (34, 31, 29), (103, 96, 91), (207, 216, 220), (247, 250, 251)
VERDICT_BGR: dict[str, Color] = {"accept": BLUE, "review": ORANGE, "reject": VERMILION, "ungraded": GREY}

#: Lengths drawn and left out, px, by turns; an empty pattern is a solid line.
SOLID: tuple[float, ...] = ()
DASHED, DOTTED, DASH_DOT = (9.0, 5.0), (2.0, 4.0), (11.0, 4.0, 2.0, 4.0)
LONG_DASHED, DASH_DOT_DOT = (18.0, 5.0), (11.0, 4.0, 2.0, 4.0, 2.0, 4.0)
_NEEDS = {"–": "-", "—": "-", "≥": ">=", "≤": "<=", "→": "->", "µ": "u"}  # signs that the typeface lacks


@dataclass
class Paper:
    """A picture being drawn on, and the text that comes on top of it."""

    canvas: Picture
    texts: list[tuple[float, float, str, int, Color, str, bool]]

    @classmethod
    def blank(cls, width: int, height: int) -> Paper:
        """Return an empty sheet."""
        canvas = np.empty((height, width, 3), dtype=np.uint8)
        cv2.rectangle(canvas, (0, 0), (width, height), PAPER, -1)
        return cls(canvas, [])

    def text(self, x: float, y: float, words: str, size: int = 13, color: Color = INK, anchor: str = "ls",
             bold: bool = False) -> None:
        """Write a line; `anchor`: l, m or r (left, middle, right), then s (on the base line) or m (in the middle)."""
        for sign, instead in _NEEDS.items():
            words = words.replace(sign, instead)
        self.texts.append((x, y, words, size, color, anchor, bold))

    def fill(self, left: float, top: float, right: float, bottom: float, color: Color) -> None:
        """Fill a rectangle."""
        cv2.rectangle(self.canvas, (round(left), round(top)), (round(right) - 1, round(bottom) - 1), color, -1)

    def frame(self, left: float, top: float, right: float, bottom: float, color: Color = LINE) -> None:
        """Draw a thin rectangle."""
        cv2.rectangle(self.canvas, (round(left), round(top)), (round(right) - 1, round(bottom) - 1), color, 1)

    def paste(self, picture: Picture, left: int, top: int) -> None:
        """Lay a picture down."""
        self.canvas[top:top + picture.shape[0], left:left + picture.shape[1]] = picture

    def finished(self) -> Picture:
        """Return the picture with its text."""
        for x, y, words, size, color, anchor, bold in self.texts:
            if not words.strip():
                continue
            mask, left, top = _written(words, size, bold)
            share = {"l": 0.0, "m": 0.5, "r": 1.0}[anchor[0]]
            column = round(x - share * text_width(words, size)) + left
            row = round(y + (0.36 * size if anchor[1] == "m" else 0.0)) + top
            _blend(self.canvas, mask, column, row, color)
        self.texts.clear()
        return self.canvas


def _blend(canvas: Picture, mask: NDArray[np.float32], column: int, row: int, color: Color) -> None:
    """Lay a colour over a picture where a mask says so; what reaches over the border is left out."""
    rows = slice(max(row, 0), min(row + mask.shape[0], canvas.shape[0]))
    columns = slice(max(column, 0), min(column + mask.shape[1], canvas.shape[1]))
    if rows.stop <= rows.start or columns.stop <= columns.start:
        return
    share = mask[rows.start - row:rows.stop - row, columns.start - column:columns.stop - column, None]
    part = canvas[rows, columns]
    part[:] = (part + share * (np.array(color, dtype=np.float32) - part) + 0.5).astype(np.uint8)


@lru_cache(maxsize=4096)
def _written(words: str, size: int, bold: bool) -> tuple[NDArray[np.float32], int, int]:
    """Return a text as a mask 0 to 1, and where its corner lies from the start of the base line, px."""
    from PIL import Image, ImageDraw

    left, top, right, bottom = (int(side) for side in _font(size).getbbox(words, anchor="ls"))
    image = Image.new("L", (right - left + 2, bottom - top + 1))
    ImageDraw.Draw(image).text((-left, -top), words, fill=255, font=_font(size), anchor="ls")
    mask = np.asarray(image, dtype=np.float32) / np.float32(255.0)
    if bold:
        mask = np.maximum(mask, np.float32(0.7) * np.roll(mask, 1, axis=1))
    mask.flags.writeable = False
    return mask, left, top


@lru_cache(maxsize=4096)
def text_width(words: str, size: int) -> float:
    """Return how wide a line of text is, px."""
    return float(_font(size).getlength(words))


def fitted(words: str, size: int, width: float) -> str:
    """Return a text cut with "..." so that it is at most so wide, px."""
    if text_width(words, size) <= width:
        return words
    while words and text_width(words + "...", size) > width:
        words = words[:-1]
    return words.rstrip() + "..."


@lru_cache(maxsize=16)
def _font(size: int) -> Any:
    from PIL import ImageFont

    return ImageFont.load_default(size)


def stroke(canvas: Picture, points: Points, color: Color, pattern: tuple[float, ...] = SOLID, thick: int = 2, *,
           closed: bool = False, casing: Color | None = None) -> None:
    """Draw a line through (x, y) px, (n, 2), with a dash pattern and, on pictures, a casing round it."""
    points = np.vstack([points, points[:1]]) if closed else np.asarray(points)
    if casing is not None:
        cv2.polylines(canvas, [fixed(points)], False, casing, thick + 2, cv2.LINE_AA, 4)
    pieces = dashes(fixed(points).astype(np.float64), tuple(16.0 * step for step in pattern))
    cv2.polylines(canvas, [np.round(piece).astype(np.int32) for piece in pieces], False, color, thick, cv2.LINE_AA, 4)


def dashes(points: Points, pattern: tuple[float, ...]) -> list[Points]:
    """Cut a line [point, xy] into drawn pieces; `pattern` is drawn and left out in turn, px, empty for no cut."""
    if not pattern or len(points) < 2:
        return [points]
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    if length[-1] <= 0.0:
        return [points]
    bounds = np.concatenate([[0.0], np.cumsum(np.tile(pattern, int(length[-1] / sum(pattern)) + 1))])
    bounds = bounds[bounds < length[-1]]
    if len(bounds) % 2:
        bounds = np.append(bounds, length[-1])
    # Corners of the line and ends of the dashes together, in order; a dash is what lies between its two ends.
    places = np.sort(np.concatenate([length, bounds]), kind="stable")
    line = np.stack([np.interp(places, length, points[:, axis]) for axis in (0, 1)], axis=1)
    first, last = np.searchsorted(places, bounds[::2], "left"), np.searchsorted(places, bounds[1::2], "right")
    return [line[start:stop] for start, stop in zip(first.tolist(), last.tolist(), strict=True)]


def verdict_shape(canvas: Picture, x: float, y: float, reach: float, verdict: str,
                  color: Color | None = None) -> None:
    """Draw a verdict's shape: disc for accept, triangle for review, square for reject, diamond for ungraded."""
    color = VERDICT_BGR[verdict] if color is None else color
    corners = {"review": [(0, -1), (1, 0.8), (-1, 0.8)], "reject": [(-0.85, -0.85), (0.85, -0.85), (0.85, 0.85),
               (-0.85, 0.85)], "ungraded": [(0, -1.1), (1.1, 0), (0, 1.1), (-1.1, 0)]}.get(verdict)
    if corners is None:
        cv2.circle(canvas, (round(x * 16), round(y * 16)), round(reach * 0.95 * 16), color, -1, cv2.LINE_AA, 4)
    else:
        points = np.array([(x, y)]) + reach * np.array(corners, dtype=np.float64)
        cv2.fillPoly(canvas, [np.round(points * 16).astype(np.int32)], color, cv2.LINE_AA, 4)


def fixed(points: Points) -> NDArray[np.int32]:
    """Picture px to OpenCV's fixed point with 4 fractional bits, whose zero is a pixel's centre."""
    return np.round((np.asarray(points) - 0.5) * 16).astype(np.int32)


def circle_points(x: float, y: float, radius: float, steps: int = 60) -> Points:
    """Return points on a circle, (steps, 2)."""
    turn = np.arange(steps) * (2.0 * np.pi / steps)
    return np.stack([x + radius * np.cos(turn), y + radius * np.sin(turn)], axis=1)


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, last) of the circular runs of true flags; last may exceed the array's length."""
    if flags.all():
        return [(0, len(flags))]
    starts = np.nonzero(flags & ~np.roll(flags, 1))[0].tolist()
    found = []
    for start in starts:
        stop = start
        while flags[(stop + 1) % len(flags)]:
            stop += 1
        found.append((start, stop))
    return found
