"""Signs of something seen: how surely a measured value shows it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def grows(value: NDArray[np.floating[Any]], limits: tuple[float, float]) -> NDArray[np.float64]:
    """Return 0 up to the first limit, 1 from the second on (or down, where that is less), and what lies between."""
    return np.asarray(np.clip((value - limits[0]) / (limits[1] - limits[0]), 0.0, 1.0), dtype=np.float64)
