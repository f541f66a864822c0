"""Tell whether what passes for a lead's end looks as the view's other ends do: ends of one board were cut alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.arrays.signs import grows
from vision.pipeline.leads.brims import Bands
from vision.pipeline.leads.faces import face_of, one_light

#: Where so many leads of a view leave no doubt, one that does is none if it does not look like so many of them: between
#: these differences, by the logarithm of radiance under the light that differs most, it is none, and is still one. What
#: has no even face must be more alike.
ENOUGH_SURE, ENOUGH_ALIKE, UNLIKE, UNLIKE_UNEVEN = 8, 3, (0.66, 0.58), (0.52, 0.44)
UNLIKE_RIM = (0.92, 0.76)  # what a dark rim shows may be an end cut otherwise, pointed or round
#: What one light outweighs by so much, 0 as on a matt face and 1 on a mirror, is its image in a dish or a dome, if the
#: rim round it leaves a doubt.
RIM_ONE_LIGHT = (0.75, 0.6)
DIMMEST = 0.04  # of lit solder's radiance, added where looks are compared


@dataclass(frozen=True)
class Others:
    """What the ends of a view are compared by."""

    lights: NDArray[np.float32]  # radiances of every light against lit solder, [light, joint, row, column]
    face: Bands  # samples within the outlines
    sure: NDArray[np.bool_]  # [joint] that an end is there leaves no doubt
    #: [joint] number of the component: where one shows no end for certain, its leads may be of another kind, and are
    #: not compared.
    component: NDArray[np.intp]
    matt: NDArray[np.float32]  # what a matt face gives under each light, to any scale, [light]


def like_others(others: Others, row: NDArray[np.int64], column: NDArray[np.int64], even: NDArray[np.bool_],
                rimmed: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Say of every end, found so far off its grid's middle, 0 to 1, whether it looks as sure ends do, [joint].

    What is cut scatters what all lights give; what a dome mirrors is the bright spot of one light. `even` ends are
    known by their even faces, `rimmed` ones by a dark rim.
    """
    sure, component = others.sure, others.component
    within = face_of(others.lights, others.face, row, column)[0]
    alike = np.where(rimmed & ~sure, grows(one_light(within, others.matt), RIM_ONE_LIGHT), 1.0)
    asked = np.flatnonzero(~sure & np.isin(component, component[sure]))
    if len(asked) and np.count_nonzero(sure) >= ENOUGH_SURE:
        look = np.log(np.maximum(within, 0.0) + DIMMEST)
        unlike = np.abs(look[:, asked, None] - look[:, None, sure]).max(axis=0)
        least = np.partition(unlike, ENOUGH_ALIKE - 1, axis=1)[:, ENOUGH_ALIKE - 1]
        alike[asked] *= np.select([rimmed[asked], even[asked]], [grows(least, UNLIKE_RIM), grows(least, UNLIKE)],
                                 grows(least, UNLIKE_UNEVEN))
    return alike
