"""Which light has which colour: one mapping for overlays, joint sheets, their charts and the words about them.

The colours are false ones: lights of any colour of their own, taken one after the other or together, are shown by the
slopes that they light. Blue is flat, green between, red steep, whatever the order of the lights in the station file.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pipeline.pictures.paper import (
    BLUE,
    DASH_DOT,
    DASH_DOT_DOT,
    DASHED,
    DOTTED,
    GREEN,
    LONG_DASHED,
    ORANGE,
    PURPLE,
    SKY,
    SOLID,
    VERMILION,
    Color,
    Picture,
)
from vision.setup.station import Light

Bands = tuple[tuple[int, ...], ...]  # lights that light the same slopes, flattest first, as `light_bands` gives them

#: Lines of charts by a light's place in the station file: they tell it without colour; more than six begin anew.
LIGHT_PATTERNS: tuple[tuple[float, ...], ...] = (SOLID, DASHED, DASH_DOT, LONG_DASHED, DOTTED, DASH_DOT_DOT)
#: Colours on charts of what pictures show blue, green and red, and of further bands of light between them.
TONE_COLOURS: tuple[Color, Color, Color] = (BLUE, GREEN, VERMILION)
FURTHER_COLOURS: tuple[Color, ...] = (PURPLE, ORANGE, SKY)
TONE_WORDS = ("blue", "green", "red")


def shown_bands(bands: Bands) -> dict[int, tuple[int, ...]]:
    """Return which lights are shown in each tone: 0 blue, 1 green, 2 red; two bands leave green out, one is grey."""
    if len(bands) < 3:
        return dict(zip((0, 2), bands, strict=False))
    return {0: bands[0], 1: bands[len(bands) // 2], 2: bands[-1]}


def toned(responses: NDArray[np.float32], bands: Bands) -> Picture:
    """Return responses [light, row, col] as a picture for looking at, highlights held down, blue-green-red.

    Of lights that light the same slopes, as sectors of a ring do, the brightest counts. What all lights show alike is
    grey: of two bands green is what both have in common.
    """
    shown = {tone: _tone(responses, lights) for tone, lights in shown_bands(bands).items()}
    blue, red = shown[0], shown.get(2, shown[0])
    green = shown[1] if 1 in shown else np.minimum(blue, red)
    return np.asarray(cv2.merge([blue, green, red]), dtype=np.uint8)


def _tone(responses: NDArray[np.float32], lights: Sequence[int]) -> Picture:
    brightest = responses[lights[0]] if len(lights) == 1 else responses[list(lights)].max(axis=0)
    half = np.clip(brightest, 0.0, 2.0).astype(np.float32, copy=False)
    half *= np.float32(0.5)
    return np.asarray(cv2.convertScaleAbs(np.sqrt(half, out=half), alpha=235.0), dtype=np.uint8)


def light_lines(bands: Bands) -> list[tuple[Color, tuple[float, ...]]]:
    """Return each light's colour and line on charts: the colour in which pictures show it, a line of its own."""
    colours: dict[int, Color] = {}
    tones = {lights: TONE_COLOURS[tone] for tone, lights in shown_bands(bands).items()}
    further = [lights for lights in bands if lights not in tones]
    tones |= {lights: FURTHER_COLOURS[number % len(FURTHER_COLOURS)] for number, lights in enumerate(further)}
    for lights, colour in tones.items():
        colours |= dict.fromkeys(lights, colour)
    return [(colours[light], LIGHT_PATTERNS[light % len(LIGHT_PATTERNS)]) for light in sorted(colours)]


def tones_in_words(lights: Sequence[Light], bands: Bands, *, degrees: bool = False) -> str:
    """Say which light has which tone, by name or by zenith band: `blue high, green middle, red low`."""
    if len(bands) == 1:
        return f"grey {_called(lights, degrees)}"
    return ", ".join(f"{TONE_WORDS[tone]} {_called([lights[number] for number in band], degrees)}"
                     for tone, band in shown_bands(bands).items())


def _called(band: Sequence[Light], degrees: bool) -> str:
    if degrees:
        low, high = min(light.zenith_deg[0] for light in band), max(light.zenith_deg[1] for light in band)
        return f"{low:g}-{high:g}°"
    return "/".join(light.name for light in band)
