"""Can the lights of a capture be believed? A dead, drowned or exchanged light must not end in a silent verdict.

Slopes are told by which light answers, so one light that is off turns good fillets into gaps and gaps into fillets.
What is asked here needs no reference day: only what metal must do under the lights. A light that is merely weak, a
camera that is brighter or darker, a dull alloy and a black mask stay gradable.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vision.pipeline.light.optics import brightest_answers
from vision.pipeline.view.capture import Capture, PictureError
from vision.setup.geometry import Similarity
from vision.setup.station import Light, Station

SAMPLES = 12_000  # pixels of a view that are looked at
#: Of a response: a plane that varies less over lands and board than this holds no light, only leak and noise.
STILL = 0.03
#: The same as a share of what another light of that exposure does: so much may leak from colour to colour.
LEAKED = 0.07
#: A light is drowned where it gives less than this share of its neighbours on slopes that they prove to be there.
DROWNED = 0.22
#: The light nearest the lens always finds flat metal, which answers it more than any other.
DROWNED_FIRST = 0.35
#: Both hold for rings that metal should answer by at least so much of what it answers their neighbours; a wide ring's
#: response against white is smaller, and less is asked of it in proportion.
USUAL_SHARE_FIRST, USUAL_SHARE = 1.9, 0.8
PROVEN = 0.3  # of the strongest light: a neighbour that answers so strongly proves slopes beside the own band
CLIPPED = 0.5  # of a joint's lit metal: from here its slopes cannot be told
MOST_JOINTS = 0.5
#: Share of a picture in which the board was not found that is at full scale: it may be, and it is exposed too long.
LOST_CLIPPED, SURELY_CLIPPED = 0.05, 0.5
EXCHANGED = 0.6  # flat metal answers the light nearer the lens more; below this share of the other they are exchanged
METAL_OVER_MASK = 2.5
#: Of a land's size: exchanged lights of neighbouring rings answer about 0.1 farther in and out than they should; a
#: coloured finish (gold answers red more than twice as much as blue) deceives about flat metal, but not about this.
SURELY_INWARD = 0.04
LEAD_REACH = 0.75  # of the mean distance of a land's samples from its middle: so far leads reach, their play included


@dataclass(frozen=True)
class LightFault:
    """One thing wrong with the light of a view."""

    kind: Literal["dead", "drowned", "saturated", "exchanged"]
    lights: tuple[Light, ...]
    words: str


class LightError(PictureError):
    """A capture whose light is not fit for a verdict; the text names view, exposure and light."""


@dataclass(frozen=True)
class Samples:
    """Some pixels of a view. responses [light, pixel], clipped [pixel], joint [pixel]: index + 1, 0 for free board."""

    responses: NDArray[np.float32]
    clipped: NDArray[np.bool_]
    joint: NDArray[np.intp]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]


def check_lights(capture: Capture, owners: NDArray[np.uint16], places_mm: NDArray[np.float64],
                 flat_metal: NDArray[np.float32] | None, to_picture: Similarity, station: Station) -> None:
    """Raise LightError where a registered view's lights are not fit for a verdict.

    `places_mm` [joint, 2] are the joints' centres, `owners` who owns a pixel (joint + 1), `flat_metal` [light] the
    fiducials' response.
    """
    taken = sample(capture, owners, len(places_mm))
    fault = find_fault(taken, station, flat_metal, to_picture.to_px(places_mm))
    if fault is not None:
        raise LightError(f"view {capture.view}: {fault.words}")


def explain(error: PictureError | Exception, capture: Capture, station: Station) -> str:
    """Return the reason why a board was not found: the light's where that is at fault, else the error's own."""
    taken = sample(capture, None, 0)
    share = float(taken.clipped.mean())
    if share > SURELY_CLIPPED:
        return (f"view {capture.view}: {_exposures(station.lights)} at full scale in {100.0 * share:.0f} % of the "
                f"picture; take it with a shorter exposure ({error})")
    if share > LOST_CLIPPED:
        return f"{error}; {100.0 * share:.0f} % of the picture is at full scale: perhaps it needs a shorter exposure"
    fault = dead_light(taken, station) or drowned_light(levels_of(taken.responses), station)
    return str(error) if fault is None else f"view {capture.view}: {fault.words} ({error})"


def sample(capture: Capture, owners: NDArray[np.uint16] | None, joints: int) -> Samples:
    """Take every so many pixels of a view, those of other things than joints and free board left out."""
    height, width = capture.responses.shape[1:]
    step = max(1, round((height * width / SAMPLES) ** 0.5))
    grid = (slice(step // 2, None, step), slice(step // 2, None, step))
    seen = np.ascontiguousarray(capture.responses[(slice(None), *grid)])
    clipped = capture.saturated[grid].astype(bool)
    joint = np.zeros(clipped.shape, np.intp) if owners is None else owners[grid].astype(np.intp)
    flat = joint.ravel()
    kept = np.flatnonzero(flat <= joints)
    row, col = np.divmod(kept, joint.shape[1])
    return Samples(seen.reshape(len(seen), -1)[:, kept], clipped.ravel()[kept], flat[kept],
                   col * float(step) + step // 2 + 0.5, row * float(step) + step // 2 + 0.5)


def find_fault(taken: Samples, station: Station, flat_metal: NDArray[np.float32] | None,
               centres_px: NDArray[np.float64]) -> LightFault | None:
    """Return the worst thing wrong with the lights, or None."""
    metal = taken.joint > 0
    if metal.sum() < 100:
        return None
    return (saturated_light(taken, station) or dead_light(taken, station)
            or drowned_light(levels_of(taken.responses[:, metal]), station)
            or exchanged_lights(taken, station, flat_metal, centres_px))


def levels_of(responses: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return what each light gives where it lights best: the 99th percentile, [light]."""
    place = int(0.99 * (responses.shape[1] - 1))
    return np.asarray(np.partition(responses, place, axis=1)[:, place], dtype=np.float64)


def saturated_light(taken: Samples, station: Station) -> LightFault | None:
    """Say whether most joints' metal is at full scale, so that slopes cannot be told."""
    on_joint = taken.joint > 0
    joint = taken.joint[on_joint]
    if float(taken.clipped[on_joint].mean()) < 0.05:  # most boards: nothing to count
        return None
    brightest = taken.responses[:, on_joint].max(axis=0)
    board = np.median(taken.responses[:, ~on_joint].max(axis=0)) if (~on_joint).any() else 0.0
    # On a board as light as solder hardly any metal is much brighter than the board.
    lit = (brightest > min(1.5 * float(board), float(np.median(brightest)))) | taken.clipped[on_joint]
    count = np.bincount(joint, lit)
    share = np.bincount(joint, taken.clipped[on_joint]) / np.maximum(count, 1)
    judged = count >= 8
    judged[0] = False
    if judged.sum() == 0 or float((share[judged] > CLIPPED).mean()) <= MOST_JOINTS:
        return None
    number = int((share[judged] > CLIPPED).sum())
    top = levels_of(taken.responses[:, on_joint])
    worst = [light for light, level in zip(station.lights, top, strict=True) if level > 0.9 * float(top.max())]
    return LightFault("saturated", tuple(worst), f"{_names(worst)}: the metal of {number} of {int(judged.sum())} "
                      "joints is at full scale, so slopes cannot be told; take a shorter exposure")


def dead_light(taken: Samples, station: Station) -> LightFault | None:
    """Say which light gives nothing but leak and noise on lands and board."""
    few = taken.responses[:, ::3]
    ends = (int(0.03 * few.shape[1]), int(0.99 * (few.shape[1] - 1)))
    ordered = np.partition(few, ends, axis=1)
    span = ordered[:, ends[1]] - ordered[:, ends[0]]
    dead = []
    for index, light in enumerate(station.lights):
        beside = [float(span[other]) for other, there in enumerate(station.lights)
                  if other != index and there.exposure == light.exposure]
        if span[index] < max(STILL, LEAKED * max(beside, default=0.0)):
            dead.append(light)
    if not dead:
        return None
    return LightFault("dead", tuple(dead), f"{_names(dead)} {'gives' if len(dead) == 1 else 'give'} no light: nothing "
                      "above black, leak and noise on lands, fiducials and board; switched on, and the cable in?")


def drowned_light(level: NDArray[np.float64], station: Station) -> LightFault | None:
    """Say which light is far too weak on slopes that its neighbours prove to be there."""
    order = np.argsort([sum(light.zenith_deg) for light in station.lights])
    strongest, expected = float(level.max()), brightest_answers(station.lights)
    for place, index in enumerate(order):
        beside = min((order[at] for at in (place - 1, place + 1) if 0 <= at < len(order)), key=lambda at: level[at])
        proof = float(level[beside])
        light = station.lights[int(index)]
        limit, usual = (DROWNED_FIRST, USUAL_SHARE_FIRST) if place == 0 else (DROWNED, USUAL_SHARE)
        limit *= min(1.0, float(expected[index] / expected[beside]) / usual)
        if proof >= PROVEN * strongest and level[index] < limit * proof:
            share = level[index] / proof
            return LightFault("drowned", (light,), f"{_names([light])} is far too weak: on the joints' metal it gives "
                              f"{100.0 * share:.0f} % of its neighbours; look at the lamp, its current and its "
                              "exposure")
    return None


def exchanged_lights(taken: Samples, station: Station, flat_metal: NDArray[np.float32] | None,
                     centres_px: NDArray[np.float64]) -> LightFault | None:
    """Say which two lights stand in each other's place, only where fiducials and fillets agree on it.

    Flat metal mirrors the sky near the lens, so it answers a light less the further that stands from the lens
    (any microfacet lobe falls with the half angle). And a fillet is steep at the lead and flat at the toe, so the
    light further from the lens answers nearer the lead.
    """
    if flat_metal is None or (taken.joint == 0).sum() < 100:
        return None
    board = np.median(taken.responses[:, taken.joint == 0][:, ::5], axis=1)
    if float((flat_metal / np.maximum(board, 0.02)).max()) < METAL_OVER_MASK:
        return None
    order = np.argsort([sum(light.zenith_deg) for light in station.lights])
    near, far = min(((int(a), int(b)) for i, a in enumerate(order) for b in order[i + 1:]),
                    key=lambda pair: float(flat_metal[pair[0]] / max(float(flat_metal[pair[1]]), 1e-3)))
    if flat_metal[near] >= EXCHANGED * flat_metal[far] or flat_metal[far] < METAL_OVER_MASK * board[far]:
        return None
    if _outward(taken, near, far, centres_px) > -SURELY_INWARD:
        return None
    pair = (station.lights[near], station.lights[far])
    return LightFault("exchanged", pair, f"{_names([pair[0]])} and {_names([pair[1]])} answer in each other's place on "
                      "fiducials and fillets; are two picture files, cables or colour channels exchanged?")


def _outward(taken: Samples, near: int, far: int, centres_px: NDArray[np.float64]) -> float:
    """Return by how much farther out the one light answers than the other: median over joints, of the land's size."""
    metal = taken.joint > 0
    joint = taken.joint[metal] - 1
    away = np.hypot(taken.x_px[metal] - centres_px[joint, 0], taken.y_px[metal] - centres_px[joint, 1])
    size = np.bincount(joint, away, len(centres_px)) / np.maximum(np.bincount(joint, minlength=len(centres_px)), 1)
    fillet = away > LEAD_REACH * size[joint]  # a lead's end is flat, and in the middle
    means = []
    for index in (near, far):
        light = fillet * np.maximum(taken.responses[index, metal], 0.0) ** 2  # highlights count, not haze
        total = np.bincount(joint, light, len(centres_px))
        means.append(np.bincount(joint, light * away, len(centres_px)) / np.maximum(total, 1e-9))
    seen = np.bincount(joint, minlength=len(centres_px)) >= 8
    if not seen.any():
        return 0.0
    return float(np.median(((means[0] - means[1]) / np.maximum(size, 1.0))[seen]))


def _names(lights: Sequence[Light]) -> str:
    """Return `light high (exposure a, blue)`."""
    return ", ".join(f"light {light.name} ({f'exposure {light.exposure}, ' if light.exposure else ''}{light.channel})"
                     for light in lights)


def _exposures(lights: Sequence[Light]) -> str:
    names = list(dict.fromkeys(light.exposure for light in lights if light.exposure))
    return f"exposure {', '.join(names)} is" if len(names) == 1 else (
        f"exposures {', '.join(names)} are" if names else "the picture is")
