"""Stating the uncertainty of what was measured, where the family's is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from models.uncertainty import stated
from vision.setup.family import Family
from vision.setup.station import Station


def uncertainties(columns: Mapping[str, NDArray[np.float64]], refs: Sequence[str], pins: Sequence[str],
                  family: Family, station: Station) -> dict[str, NDArray[np.float64]]:
    """Return the standard uncertainties of measured columns, one row a joint or chip, in the columns' units.

    Empty where the family has none for this station.
    """
    model = None if family.uncertainty is None else family.uncertainty.of_station(station.name)
    if model is None or not refs:
        return {}
    kinds = {(joint.ref, joint.pin): joint.land_kind for joint in family.joints}
    return dict(stated(model, columns, [kinds.get(key, "") for key in zip(refs, pins, strict=True)]).standard)
