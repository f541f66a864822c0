"""An even white or grey sheet: flat-fields, levels, noise, cross-talk; pictures without light: the black level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration.pictures import CalibrationError, Shot
from vision.setup.station import Light, Station

BLOCKS = 48  # blocks along the longer side; dust and print are smaller than a block or are told by it
STRUCTURE = 0.025  # relative scatter of the blocks against the smooth field: above, the sheet is not even
DUSTY_SHARE = 0.12  # of the blocks may be dust
TOO_DARK = 0.04  # of full scale
TOO_BRIGHT_SHARE = 0.001  # of the pixels at full scale
DARK_SHARE = 0.25  # a picture without light may not be brighter than this share of full scale
COLOURS = ("red", "green", "blue")


@dataclass(frozen=True)
class Field:
    """What one light gives on a white sheet: float32 [row, col] grey levels above black, smooth.

    level: its median. falloff: darkest place over brightest. scatter: of the blocks against it, relative.
    dust: share of the blocks left out.
    """

    light: str
    values: NDArray[np.float32]
    level: float
    falloff: float
    scatter: float
    dust: float


@dataclass(frozen=True)
class Noise:
    """The camera's noise in grey levels: at black, on the sheet, and electrons a level (NaN where not told)."""

    black: float
    sheet: float
    electrons_per_level: float


def flat_fields(shots: Sequence[Shot], station: Station, white_share: float) -> list[Field]:
    """Return a smooth field for every light from pictures of one sheet.

    `white_share` is the sheet's reflectance against white (1 = white paper, 0.18 = a photographer's grey card).
    Raises CalibrationError: saturated, too dark, or not even.
    """
    fields = []
    for row, light in enumerate(station.lights):
        plane = np.asarray(np.mean([shot.planes[row] for shot in shots], axis=0, dtype=np.float32), dtype=np.float32)
        clipped = max(float(shot.clipped[row].mean()) for shot in shots)
        where = f"{shots[0].name}: light {light.name}"
        full = shots[0].full
        if clipped > TOO_BRIGHT_SHARE:
            raise CalibrationError(f"{where} is at full scale in {clipped:.1%} of the sheet; take it darker: a shorter "
                                   "exposure, the same for the boards")
        level = float(np.median(plane))
        if level < TOO_DARK * full:
            raise CalibrationError(f"{where} gives {level:.0f} of {full:.0f} grey levels on the sheet, wanted at least "
                                   f"{TOO_DARK * full:.0f}; is the light on? Else take a longer exposure or a whiter "
                                   "sheet")
        values, scatter, dust = smooth_field(plane, where)
        values = values / np.float32(white_share)
        if float(values.max()) > full - station.black_level:
            raise CalibrationError(f"{where}: a white sheet would give {float(values.max()):.0f} of {full:.0f} grey "
                                   "levels and solder more; take a shorter exposure, or correct --reflectance")
        fields.append(Field(light.name, values, float(np.median(values)), float(values.min() / values.max()), scatter,
                            dust))
    return fields


def smooth_field(plane: NDArray[np.float32], where: str) -> tuple[NDArray[np.float32], float, float]:
    """Return the smooth field, the blocks' relative scatter against it, and the share of blocks left out as dust.

    Block levels without dust; a surface of fourth order fitted to them; what is left, smoothed, added to it.
    """
    height, width = plane.shape
    side = max(2, round(max(height, width) / BLOCKS))
    rows, cols = height // side, width // side
    blocks = _block_levels(plane[:rows * side, :cols * side].reshape(rows, side, cols, side).swapaxes(1, 2)
                           .reshape(rows, cols, -1))
    y, x = np.mgrid[:rows, :cols]
    grid = _powers((x.ravel() + 0.5) * side / width, (y.ravel() + 0.5) * side / height)
    flat = blocks.ravel()
    # Dust differs from its neighbours, however the light falls off over the picture.
    near = np.asarray(cv2.medianBlur(blocks.astype(np.float32), 5), dtype=np.float64)
    beside = (blocks - near).ravel()
    spread = max(1.4826 * float(np.median(np.abs(beside))), 0.005 * float(np.median(flat)))
    used = np.abs(beside) < 4.0 * spread
    fit = np.linalg.lstsq(grid[used], flat[used], rcond=None)[0]
    off = flat - grid @ fit
    dust = 1.0 - float(used.mean())
    weight = used.reshape(rows, cols).astype(np.float64)
    left = _blur(np.where(used, off, 0.0).reshape(rows, cols)) / np.maximum(_blur(weight), 0.05)
    surface = (grid @ fit).reshape(rows, cols) + left
    scatter = float(np.std((off.reshape(rows, cols) - left)[weight > 0]) / np.median(flat))
    strong = float((np.abs(off) > 0.15 * float(np.median(flat))).mean())
    if scatter > STRUCTURE or dust > DUSTY_SHARE or strong > DUSTY_SHARE:
        raise CalibrationError(f"{where} shows structure on the sheet ({max(scatter, strong):.1%}): print, an edge, a "
                               "shadow or a board? Take clean matt paper that fills the picture")
    return _enlarge(surface, side, plane.shape), scatter, dust


def _block_levels(blocks: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the level of each block [row, col, pixel]: the mean without dust, finer than a median of whole levels."""
    thinned = blocks[:, :, ::max(1, blocks.shape[2] // 800)]
    middle = np.median(thinned, axis=2, keepdims=True)
    spread = 1.4826 * float(np.median(np.abs(thinned - middle))) + 0.5
    clean = np.clip(thinned, middle - 3.0 * spread, middle + 3.0 * spread)
    return np.asarray(clean.mean(axis=2, dtype=np.float64), dtype=np.float64)


def _powers(x: NDArray[np.float64], y: NDArray[np.float64], order: int = 4) -> NDArray[np.float64]:
    u, v = 2.0 * x - 1.0, 2.0 * y - 1.0
    return np.stack([u**i * v**j for i in range(order + 1) for j in range(order + 1 - i)], axis=1)


def _blur(grid: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(cv2.GaussianBlur(grid, (0, 0), 1.5, borderType=cv2.BORDER_REFLECT), dtype=np.float64)


def _enlarge(surface: NDArray[np.float64], side: int, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Interpolate block centres to pixels, carried on beyond the outermost blocks."""
    padded = np.pad(surface, 3, mode="reflect", reflect_type="odd")
    y = (np.arange(shape[0], dtype=np.float32) + 0.5) / side - 0.5 + 3.0
    x = (np.arange(shape[1], dtype=np.float32) + 0.5) / side - 0.5 + 3.0
    across, down = np.meshgrid(x, y)
    enlarged = cv2.remap(padded.astype(np.float32), across, down, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(enlarged, dtype=np.float32)


def flat_picture(values: NDArray[np.float32], black: float, bits: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return a flat-field as its file holds it: grey levels of the station's pictures, black level included."""
    full = 255.0 if bits == 8 else 65535.0
    levels = np.clip(np.round(values + np.float32(black)), 0, full)
    return levels.astype(np.uint8) if bits == 8 else levels.astype(np.uint16)


def black_level(shots: Sequence[Shot]) -> tuple[float, float]:
    """Return the black level and its noise from pictures without light, in grey levels of the file.

    Raises CalibrationError where light got in or the exposures differ.
    """
    levels, noises = [], []
    for shot in shots:
        for exposure, picture in shot.pictures.items():
            values = picture.astype(np.float64)
            level = float(np.clip(values, *np.percentile(values, (0.5, 99.5))).mean())
            if level > DARK_SHARE * shot.full or float((values > 2 * level + 0.05 * shot.full).mean()) > 0.01:
                raise CalibrationError(f"{shot.name}: not dark: {level:.0f} of {shot.full:.0f} grey levels in exposure "
                                       f"{exposure!r}; put the cap on the lens and switch the lights off")
            levels.append(level)
            noises.append(_pixel_noise(values if values.ndim == 2 else values[..., 1]))
    spread = max(levels) - min(levels)
    if spread > 0.012 * shots[0].full:
        raise CalibrationError(f"{shots[0].name}: the exposures' black levels differ by {spread:.1f} grey levels; "
                               "station files hold one black level: set the camera's offset alike")
    return float(np.mean(levels)), float(np.median(noises))


def _pixel_noise(plane: NDArray[np.floating]) -> float:
    """Return a plane's noise from differences of pixels two apart, without what varies slowly."""
    values = plane.astype(np.float64)
    return float(np.std(np.clip(values[:, 2:] - values[:, :-2], -30, 30)) / np.sqrt(2.0))


def camera_noise(shots: Sequence[Shot], black_noise: float) -> Noise:
    """Return the noise on the sheet and the electrons a grey level stands for.

    Photon transfer (EMVA standard 1288): shot noise grows as the signal, so electrons a level = signal over the
    variance that exceeds black's. From pairs of pictures where there are two, else from neighbouring pixels.
    """
    plane = shots[0].raw[0].astype(np.float64)
    if len(shots) > 1:
        sheet = float(np.std(shots[1].raw[0].astype(np.float64) - plane) / np.sqrt(2.0))
    else:
        sheet = _pixel_noise(plane)
    black = black_noise if np.isfinite(black_noise) else 0.0
    excess = sheet**2 - black**2
    electrons = float(np.median(plane)) / excess if np.isfinite(black_noise) and excess > 0.02 else float("nan")
    return Noise(black_noise, sheet, electrons)


def cross_talk(single: Mapping[str, Sequence[Shot]], station: Station) -> tuple[tuple[float, float, float], ...]:
    """Return seen red, green, blue (rows) for lit red, green, blue (columns) from pictures with one light on.

    Each colour's light is shared out: a column's sum is 1. Colours without a picture of their own keep the old
    column. Raises CalibrationError where a light is not the brightest in its own channel.
    """
    old = np.eye(3) if station.cross_talk is None else np.asarray(station.cross_talk, dtype=np.float64)
    columns: dict[int, list[NDArray[np.float64]]] = {}
    for light in station.lights:
        if light.name not in single:
            continue
        if light.channel == "mono":
            raise CalibrationError(f"light {light.name} is seen by a mono exposure: it has no colours to mix, leave "
                                   f"out only-{light.name}")
        for shot in single[light.name]:
            columns.setdefault(COLOURS.index(light.channel), []).append(_seen_colours(shot, light, station))
    table = old / np.maximum(old.sum(axis=0), 1e-9)
    for column, found in columns.items():
        table[:, column] = np.mean(found, axis=0)
    if abs(np.linalg.det(table)) < 0.05:
        raise CalibrationError("cross-talk: the colours can hardly be told apart; are the lights' colours and the "
                               "channels in station.toml right?")
    return tuple((float(r), float(g), float(b)) for r, g, b in np.round(table, 4))


def _seen_colours(shot: Shot, light: Light, station: Station) -> NDArray[np.float64]:
    picture = shot.pictures[light.exposure]
    if float((picture >= 0.996 * shot.full).mean()) > TOO_BRIGHT_SHARE:
        raise CalibrationError(f"{shot.name}: at full scale; take it darker")
    bgr = np.median(picture.reshape(-1, 3).astype(np.float64), axis=0) - station.black_level
    # Medians of whole grey levels are whole: the mean of what lies near them is finer.
    for plane in range(3):
        values = picture[..., plane].astype(np.float64) - station.black_level
        near = np.abs(values - bgr[plane]) < 0.1 * shot.full
        bgr[plane] = float(values[near].mean())
    rgb = np.maximum(bgr[::-1], 0.0)
    own = COLOURS.index(light.channel)
    if rgb[own] < TOO_DARK * shot.full or int(np.argmax(rgb)) != own:
        seen = ", ".join(f"{name} {value:.0f}" for name, value in zip(COLOURS, rgb, strict=True))
        raise CalibrationError(f"{shot.name}: with light {light.name} alone on, {light.channel} should be brightest, "
                               f"but the picture has {seen}; is this the right light, and are red and "
                               "blue not exchanged?")
    return np.asarray(rgb / rgb.sum(), dtype=np.float64)
