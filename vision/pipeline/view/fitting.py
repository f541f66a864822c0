"""Least-squares fits of point sets."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.setup.geometry import Similarity


def fit_similarity(sources: NDArray[np.float64], targets: NDArray[np.float64]) -> tuple[Similarity, float]:
    """Least-squares similarity (no reflection) from points (n, 2) to points (n, 2), and its RMS distance.

    Umeyama 1991, "Least-squares estimation of transformation parameters between two point patterns", for two
    dimensions, written with complex numbers.
    """
    source = sources[:, 0] + 1j * sources[:, 1]
    target = targets[:, 0] + 1j * targets[:, 1]
    centred = source - source.mean()
    factor = np.vdot(centred, target - target.mean()) / max(float(np.vdot(centred, centred).real), 1e-12)
    matrix = np.array([[factor.real, -factor.imag], [factor.imag, factor.real]])
    shift = targets.mean(axis=0) - matrix @ sources.mean(axis=0)
    rest = targets - (sources @ matrix.T + shift)
    return Similarity(matrix, shift), float(np.sqrt((rest**2).sum(axis=1).mean()))
