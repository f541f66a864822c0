"""Know a lead by its end's even face in an outline as drawn, wherever in its hole it stands and whatever is round it.

A cut end scatters light: it is about as bright all over, under several lights at once, and what lies just beyond its
outline looks otherwise, most of the way round. Where a dome or a dish of solder mirrors a light, its bright spot is lit
by that light alone, and fades into the next one's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.signs import grows
from vision.pipeline.leads.brims import SECTORS, Bands, Edges, edges_of, mean_kernel

#: Contrast of the outline is looked for in a band as wide to both sides of it, and against what lies further in.
OUTLINE_MM, FURTHER_IN_MM = 0.03, -0.07
BEYOND_MM = (0.04, 0.12)  # what lies just beyond the outline
MOSTLY = 25.0  # percentile of the sectors that tell
NOISE = 0.03  # of brightness that no face is more even than
LEAST = 0.1  # radiance against lit solder, added where it is divided
#: Between these each sign grows from none to full: how the outline stands out against other places in the hole; by how
#: many times the face's own spread what lies beyond differs from it; how sharp the outline is against what ends found
#: otherwise in this view show; and, turned round, how unevenly bright the face is, how far off the outline as drawn the
#: edge lies here and there, and how much one light outweighs the others, where 0 is a matt face and 1 a mirror.
STANDS_OUT, DIFFERS, AS_SHARP = (0.1, 0.18), (1.3, 1.9), (0.42, 0.58)
UNEVEN, AS_DRAWN_MM, ONE_LIGHT = (0.3, 0.24), (0.056, 0.046), (0.38, 0.28)
#: Or, among grain that blurs where its edge lies and leaves what is beyond alike: how the outline stands out against
#: other places in the hole, by their scatter, in itself, and against the best of those that lie so many samples off;
#: its sharpness; and, turned round, how uneven the face is, and how much one light outweighs the others.
SCATTERS, STANDS_ALONE, ELSEWHERE, FAR = (2.4, 3.0), (0.09, 0.115), (0.035, 0.05), 5
GRAINY_SHARP, SMOOTHER, MANY_LIGHTS = (0.36, 0.42), (0.34, 0.28), (0.26, 0.2)
#: Or by a thin line along the outline, darker or brighter than what lies to both sides of it, under any light: grain
#: averages out along it. The line's width to either side, and where its sides are looked at.
RIM_MM, RIM_SIDES_MM = 0.02, (0.05, 0.11)
#: How much the line stands out under all lights together, in itself, by the scatter of such contrasts elsewhere in the
#: hole, and against the best of those that lie off, as a ratio and by itself; and, turned round, as above.
LINE, LINE_SCATTERS, LINE_RATIO, LINE_ALONE = (0.055, 0.07), (4.1, 4.7), (1.32, 1.44), (0.018, 0.028)
LINE_UNEVEN, LINE_MATT = (0.34, 0.27), (0.14, 0.09)
#: And how much the lights change from the face's middle to its brim: a dome mirrors one after the other.
LINE_COURSE = (0.62, 0.54)
MIDDLE, BRIM = 0.6, 0.4  # of a face's depth: what lies deeper inside its outline, and less deep
ALL_SIGNS = (0.2, 0.7)  # between these the evidence of all signs together grows
USUAL = 1.0  # sharpness where nothing tells what is usual
LEAST_SCATTER = 1e-3  # of contrasts
BRIGHTEST = 1.5  # radiance against lit solder; what is brighter glints
LIT = (0.2, 0.3)  # of lit solder's radiance: below it is an open hole
#: By how many times an end outshines what lies just beyond it, in all sectors, how sharp its outline is, and how bright
#: its brim against its middle.
OUTSHINES, OUTSHINING_SHARP, OUTSHINING_EVEN = (1.2, 1.5), (0.4, 0.5), (0.73, 0.8)
DARKEST = 0.05  # of lit solder's radiance: what is darker is as dark


@dataclass(frozen=True)
class Faces:
    """What was found in each hole asked about, [joint]."""

    evidence: NDArray[np.float64]  # 0 to 1 that it is a lead's end
    row: NDArray[np.int64]  # how far off the grid's middle
    column: NDArray[np.int64]

    def or_surer(self, other: Faces) -> Faces:
        """Return in each hole what tells more, of this and another look."""
        better = other.evidence > self.evidence
        evidence, row, column = (np.where(better, its, own) for own, its in (
            (self.evidence, other.evidence), (self.row, other.row), (self.column, other.column)))
        return Faces(evidence, row, column)


def outline_kernels(edge_mm: NDArray[np.float64], step_mm: NDArray[np.float64]) -> NDArray[np.complex64]:
    """Return spectra that, times those of grids, give their means along an outline less those within it.

    `edge_mm` [joint, row, column] are distances to the outline of an end in the grid's middle; [joint, row, column].
    """
    along, within = (mean_kernel(edge_mm, step_mm, *zone) for zone in ((-OUTLINE_MM, OUTLINE_MM),
                                                                      (-np.inf, FURTHER_IN_MM)))
    return np.asarray(np.conj(np.fft.rfft2(along - within)), dtype=np.complex64)


def rim_kernels(edge_mm: NDArray[np.float64], step_mm: NDArray[np.float64]) -> NDArray[np.complex64]:
    """Return spectra that give the contrast of a thin line along an outline to both its sides, as outline_kernels."""
    low, high = RIM_SIDES_MM
    along, *sides = (mean_kernel(edge_mm, step_mm, *zone) for zone in ((-RIM_MM, RIM_MM), (-high, -low), (low, high)))
    return np.asarray(np.conj(np.fft.rfft2(along - 0.5 * (sides[0] + sides[1]))), dtype=np.complex64)


def thin_rims(lights: NDArray[np.float32], change: NDArray[np.float32], kernels: NDArray[np.complex64],
              allowed: NDArray[np.bool_], near: Bands, face: Bands, usual: float, matt: NDArray[np.float32]) -> Faces:
    """Look for thin lines along outlines as drawn, wherever an end may stand; arguments as of even_faces.

    `kernels` are those of rim_kernels. Where a dome mirrors a light, the bright spot has a line round it, too: it is
    lit by that light alone, which no face of a lead is. And where solder is steepest it is dark all round, but not
    sharply so.
    """
    side = lights.shape[2]
    line = np.zeros(lights.shape[1:])
    for light in lights:
        spectrum = np.fft.rfft2(np.clip(light, np.float32(0.0), np.float32(BRIGHTEST)))
        line += np.abs(np.fft.irfft2(spectrum * kernels, s=(side, side)))
    peak = _peak(line, allowed)
    within, spread = face_of(lights, face, peak.row, peak.column)
    sharp = _sharp(edges_of(change, near, face, peak.row, peak.column), usual)
    signs = [grows(value, limits) for value, limits in (
        (within.sum(axis=0), LIT), (peak.best, LINE), (peak.out / peak.scatter, LINE_SCATTERS),
        (peak.best / np.maximum(peak.elsewhere, LEAST_SCATTER), LINE_RATIO), (peak.best - peak.elsewhere, LINE_ALONE),
        (sharp, GRAINY_SHARP), (spread.sum(axis=0) / (within.sum(axis=0) + LEAST), LINE_UNEVEN),
        (one_light(within, matt), LINE_MATT), (_course(lights, face, peak.row, peak.column), LINE_COURSE))]
    return Faces(grows(np.prod(signs, axis=0), ALL_SIGNS), peak.row, peak.column)


def even_faces(lights: NDArray[np.float32], change: NDArray[np.float32], kernels: NDArray[np.complex64],
               allowed: NDArray[np.bool_], near: Bands, face: Bands, beyond: Bands, usual: float,
               matt: NDArray[np.float32]) -> Faces:
    """Look for even faces wherever an end may stand.

    Parameters
    ----------
    lights
        Radiances of every light against lit solder, [light, joint, row, column].
    change
        How much they change from place to place (brims.change_of), [joint, row, column].
    kernels
        Of outline_kernels, for the same joints.
    allowed
        Where an end may stand, [joint, row, column], the middle first.
    near, face, beyond
        Samples along the outlines, within and just beyond them.
    usual
        How sharp outlines of ends found otherwise are (brims.usual_sharpness); 0 where none was found.
    matt
        What a matt face gives under each light, to any scale, [light].

    """
    side = change.shape[1]
    peak = _peak(np.fft.irfft2(np.fft.rfft2(change) * kernels, s=(side, side)), allowed)
    edges = edges_of(change, near, face, peak.row, peak.column)
    within, spread = face_of(lights, face, peak.row, peak.column)
    whole = within.sum(axis=0) + LEAST
    uneven = spread.sum(axis=0) / whole
    away = np.abs(_by_sector(lights, beyond, peak.row, peak.column) - within[:, :, None]).sum(axis=0)
    differs = np.percentile(away, MOSTLY, axis=1) / whole / (uneven + NOISE)
    sharp = _sharp(edges, usual)
    lone, scatter_mm = one_light(within, matt), edges.off_mm.std(axis=1)
    signs = [grows(value, limits) for value, limits in (
        (within.sum(axis=0), LIT), (peak.out, STANDS_OUT), (differs, DIFFERS), (sharp, AS_SHARP), (uneven, UNEVEN),
        (scatter_mm, AS_DRAWN_MM), (lone, ONE_LIGHT))]
    among_grain = [grows(value, limits) for value, limits in (
        (within.sum(axis=0), LIT), (peak.out / peak.scatter, SCATTERS), (peak.out, STANDS_ALONE),
        (peak.best - peak.elsewhere, ELSEWHERE), (sharp, GRAINY_SHARP), (uneven, SMOOTHER), (lone, MANY_LIGHTS))]
    evidence = np.maximum(np.prod(signs, axis=0), np.prod(among_grain, axis=0))
    return Faces(grows(evidence, ALL_SIGNS), peak.row, peak.column)


def outshining(lights: NDArray[np.float32], face: Bands, beyond: Bands, edges: Edges, usual: float,
               row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.float64]:
    """Say of ends found so far off the grids' middles how surely they stand out of solder too steep to be lit, [joint].

    A pin's end with bevelled edges is not even, and no dark rim is seen where all round it is dark; but it is brighter
    all round up to a sharp outline as drawn. A dome's brightness fades, and not along a lead's outline.
    """
    inside, outside = (_by_sector(lights, part, row, column).sum(axis=0) for part in (face, beyond))
    middle, brim = (part.sum(axis=0) for part in _middle_and_brim(lights, face, row, column))
    signs = [grows(value, limits) for value, limits in (
        (inside.mean(axis=1), LIT), ((inside / np.maximum(outside, DARKEST)).min(axis=1), OUTSHINES),
        (_sharp(edges, usual), OUTSHINING_SHARP), (brim / np.maximum(middle, DARKEST), OUTSHINING_EVEN))]
    return np.asarray(np.prod(signs, axis=0), dtype=np.float64)


def _sharp(edges: Edges, usual: float) -> NDArray[np.float64]:
    """Return how sharp outlines are against what is usual, or USUAL where nothing tells that, [joint]."""
    return np.asarray(np.median(edges.sharp, axis=1) / (usual or USUAL), dtype=np.float64)


def one_light(within: NDArray[np.float64], matt: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return how much one light outweighs the others on faces [light, joint]: 0 as on matt ones, 1 on a mirror."""
    most, share = (matt / matt.sum()).max(), within.max(axis=0) / np.maximum(within.sum(axis=0), 1e-6)
    return np.asarray((share - most) / max(1.0 - most, 1e-6), dtype=np.float64)


@dataclass(frozen=True)
class _Peak:
    """Where contrast is best in each hole, and how it stands out there, [joint]."""

    row: NDArray[np.int64]  # how far off the grid's middle
    column: NDArray[np.int64]
    best: NDArray[np.float64]
    out: NDArray[np.float64]  # by how much it exceeds the median over the hole
    scatter: NDArray[np.float64]  # of contrasts over the hole, LEAST_SCATTER at least
    elsewhere: NDArray[np.float64]  # the best of the places that lie FAR off; infinite where there are none


def _peak(contrast: NDArray[np.float64], allowed: NDArray[np.bool_]) -> _Peak:
    """Find where contrasts are largest among the allowed places, both [joint, row, column], the middle first."""
    side = contrast.shape[1]
    flat = np.where(allowed, contrast, np.nan).reshape(len(contrast), -1)
    at = np.nanargmax(flat, axis=1)
    best, usually = flat[np.arange(len(flat)), at], np.nanmedian(flat, axis=1)
    scatter = 1.4826 * np.nanmedian(np.abs(flat - usually[:, None]), axis=1)
    count = np.arange(side)
    signed = np.where(count >= side // 2, count - side, count)
    row, column = signed[at // side], signed[at % side]
    away = (signed[:, None] - row[:, None, None]) ** 2 + (signed - column[:, None, None]) ** 2
    far = np.where((away > FAR**2).reshape(flat.shape) & np.isfinite(flat), flat, -np.inf).max(axis=1)
    return _Peak(row, column, best, best - usually, np.maximum(scatter, LEAST_SCATTER),
                 np.where(np.isfinite(far), far, np.inf))


def face_of(lights: NDArray[np.float32], face: Bands, row: NDArray[np.int64], column: NDArray[np.int64]
            ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the mean and the standard deviation of every light over the faces, [light, joint]."""
    place = face.places(row, column, lights.shape[2])
    count = np.bincount(face.joint, minlength=lights.shape[1])
    values = [light.ravel().take(place).astype(np.float64) for light in lights]
    mean = np.stack([np.bincount(face.joint, one, len(count)) for one in values]) / count
    square = np.stack([np.bincount(face.joint, one * one, len(count)) for one in values]) / count
    return mean, np.sqrt(np.maximum(square - mean * mean, 0.0))


def _course(lights: NDArray[np.float32], face: Bands, row: NDArray[np.int64], column: NDArray[np.int64]
            ) -> NDArray[np.float64]:
    """Return how much the lights change from the faces' middles to their brims, against what they give, [joint]."""
    middle, brim = _middle_and_brim(lights, face, row, column)
    most = np.maximum(middle.sum(axis=0), brim.sum(axis=0))
    return np.asarray(np.abs(middle - brim).sum(axis=0) / (most + LEAST), dtype=np.float64)


def _middle_and_brim(lights: NDArray[np.float32], face: Bands, row: NDArray[np.int64], column: NDArray[np.int64]
                     ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what every light gives in the middles of faces and along their brims, [light, joint] each."""
    place, count = face.places(row, column, lights.shape[2]), lights.shape[1]
    deepest = np.zeros(count)
    np.maximum.at(deepest, face.joint, -face.edge_mm)
    depth = -face.edge_mm / np.maximum(deepest, 1e-6)[face.joint]
    middle, brim = (np.stack([np.bincount(face.joint[part], light.ravel().take(place[part]), count)
                              for light in lights]) / np.maximum(np.bincount(face.joint[part], minlength=count), 1)
                    for part in (depth > MIDDLE, depth < BRIM))
    return middle, brim


def _by_sector(lights: NDArray[np.float32], part: Bands, row: NDArray[np.int64], column: NDArray[np.int64]
               ) -> NDArray[np.float64]:
    """Return the mean of every light over each sector, [light, joint, sector]."""
    place = part.places(row, column, lights.shape[2])
    count = np.diff(part.first, append=len(part.joint))
    sums = [np.add.reduceat(light.ravel().take(place).astype(np.float64), part.first) for light in lights]
    return (np.stack(sums) / count).reshape(len(lights), lights.shape[1], SECTORS)
