"""Which of the spots that each frame shows is the spot: by brightness, width and continuity.

A reflection is dimmer than the spot, or stands where it has stood beside the spot before. Both
count more than continuity: a spot may jump, and a reflection that stands still is continuous.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hysteresis.kernels.least_cost import least_cost_way
from hysteresis.tables import Bools, Floats, Ints

Spots = npt.NDArray[np.void]

# costs are about minus logarithms of probability; common practice, no source
_STEP_PX = 10.0
_MOST_STEP = 3.0
_NONE = 5.0
_LOST = 1.0
_DIM = 0.25  # natural logarithm of brightness by which the spot may differ for nothing,
_DIM_SCALE = 0.12  # and of which each further one makes it unlikely
_DIM_SCALE_CLIPPED = 0.35  # a clipped spot gives more light when it moves
_BRIGHT_SCALE = 0.6
_WIDTH_SCALE = 0.3
_BESIDE = 3.0  # for each factor e by which a brighter one lies in the same frame
_KNOWN_PLACE = 2.0
_ITS_LIGHT = 12.0
_OWN_LIGHT = 0.3  # natural logarithm of brightness within which a light is the spot's own
_LOCAL = 61  # frames over which the spot's own brightness is taken

_FAINT_SHARE = 0.1  # of the spot's light: what is fainter is noise of a codec
_RIVAL = 0.35  # of the spot's light: worth a note
_PLACE_PX = 5.0
_FEW_FRAMES = 3  # so often in one place beside the spot: something stood there
_PLACE_FRAMES = 10  # so often while the spot moved: a reflection that stands still


@dataclass(frozen=True)
class Chosen:
    """Per frame: index of the spot (−1: none), of the next likely (−1), and if both are alike.

    `twins` counts frames whose runner-up is as bright and as wide as the spot, and stands at no
    place that is known for reflections. `places` (k, 2) are those.
    """

    which: Ints
    runner_up: Ints
    rival: Bools
    twin: Bools
    places: Floats


def choose_spots(spots: Spots, count: Ints) -> Chosen:
    """Choose in every frame. spots (n, m) of `spot.SPOT`, count (n,) of them are there."""
    there = np.arange(spots.shape[1]) < count[:, None]
    brightest = spots["flux"][:, 0][count > 0]
    reference = np.full(len(spots), np.median(brightest) if len(brightest) else 1.0)
    narrow = spots["narrow"][:, 0][count > 0]
    width = float(np.median(narrow)) if len(narrow) else 1.0
    clipped = bool(np.mean(spots["clipped"][:, 0][count > 0]) > 0.05) if len(narrow) else False
    place = np.stack((spots["u"], spots["v"]), axis=-1)
    standing = _Standing(np.zeros((0, 2)), np.zeros(0), np.zeros(0, bool))
    which = np.full(len(spots), -1)
    for again in range(3):
        own = _own_cost(spots, there, reference, width, clipped)
        own = own + _standing_cost(spots, place, standing, reference)
        which = least_cost_way(own, place, _STEP_PX, _MOST_STEP, _NONE, _LOST)
        if again == 2:
            break
        reference = _local_level(spots, which, reference)
        standing = _standing(spots, there, which, reference)
    places = standing.place[standing.sure]
    known = _near(place, places)
    row = np.arange(len(spots))
    rest = np.where(there & (np.arange(spots.shape[1]) != which[:, None]), spots["flux"], 0.0)
    runner_up = np.where(rest.max(axis=1) > 0, rest.argmax(axis=1), -1)
    mine = np.where(which >= 0, spots["flux"][row, which], np.inf)
    share = rest.max(axis=1) / mine
    unknown = (runner_up >= 0) & ~known[row, runner_up]
    narrow = np.maximum(spots["narrow"], 0.1)
    alike = np.abs(np.log(narrow[row, runner_up] / narrow[row, which])) < 0.4
    return Chosen(
        which=which,
        runner_up=runner_up,
        rival=(which >= 0) & (share >= _RIVAL) & (runner_up >= 0),
        twin=(which >= 0) & unknown & (share >= 0.8) & alike,
        places=places,
    )


def _own_cost(spots: Spots, there: Bools, reference: Floats, width: float, clipped: bool) -> Floats:
    flux = np.where(there & (spots["flux"] > 0), spots["flux"], 1e-9)
    off = np.log(flux / reference[:, None])
    scale = _DIM_SCALE_CLIPPED if clipped else _DIM_SCALE
    dim = 0.5 * (np.maximum(-off - _DIM, 0.0) / scale) ** 2
    bright = 0.5 * (np.maximum(off - _DIM, 0.0) / _BRIGHT_SCALE) ** 2
    wide = np.log(np.where(there, spots["narrow"], width) / width)
    shape = np.minimum(0.5 * (np.maximum(np.abs(wide) - 0.25, 0.0) / _WIDTH_SCALE) ** 2, 6.0)
    # to be outshone by what is brighter than the spot ever is tells nothing
    brighter = np.minimum(flux.max(axis=1), reference * np.exp(_DIM))[:, None]
    beside = _BESIDE * np.log(np.maximum(brighter / flux, 1.0))
    # light cut by the edge is dim by nature; it is flagged, not mistaken
    dim = np.where(spots["cut"], np.minimum(dim, 2.0), dim)
    cost = np.minimum(dim, 12.0) + np.minimum(bright, 4.0) + shape + np.minimum(beside, 6.0)
    return np.where(there, cost, np.inf)


def _local_level(spots: Spots, which: Ints, before: Floats) -> Floats:
    """The spot's brightness about each frame: running median over the frames that have it."""
    from scipy.ndimage import median_filter

    good = np.flatnonzero((which >= 0) & ~spots["cut"][np.arange(len(spots)), which])
    if len(good) < _LOCAL:
        return before
    flux = spots["flux"][good, which[good]]
    smooth = median_filter(flux, size=_LOCAL, mode="nearest")
    # a stretch of reflections must not become the measure of itself
    whole = float(np.median(flux))
    smooth = np.clip(smooth, 0.6 * whole, 3.0 * whole)
    return np.interp(np.arange(len(spots)), good, smooth)


@dataclass(frozen=True)
class _Standing:
    """Places (k, 2) where something stood beside the spot, its light, and whether it is sure.

    Sure: it stood there while the spot moved. What stood there beside a resting spot may be a
    reflection that goes with the spot.
    """

    place: Floats
    flux: Floats
    sure: Bools


def _standing(spots: Spots, there: Bools, which: Ints, reference: Floats) -> _Standing:
    """Places where other light than the chosen one was, often enough.

    Light as bright as the spot by `reference` (n,) is left out: where a standing reflection is
    taken for the spot for some frames, the spot that rests elsewhere is the other light.
    """
    row = np.flatnonzero(which >= 0)
    u, v = spots["u"][row, which[row]], spots["v"][row, which[row]]
    moved = np.zeros(len(spots), bool)
    moved[row[1:]] = np.hypot(np.diff(u), np.diff(v)) > 3.0
    mine = np.full(len(spots), np.inf)
    mine[row] = spots["flux"][row, which[row]]
    other = there & (np.arange(spots.shape[1]) != which[:, None])
    other &= spots["flux"] > _FAINT_SHARE * mine[:, None]
    brightness = np.maximum(spots["flux"], 1e-9) / reference[:, None]
    other &= np.abs(np.log(brightness)) > _OWN_LIGHT
    found = np.column_stack((spots["u"][other], spots["v"][other]))
    if not len(found):
        return _Standing(np.zeros((0, 2)), np.zeros(0), np.zeros(0, bool))
    flux, while_moving = spots["flux"][other], np.nonzero(other)[0]
    while_moving = moved[while_moving]
    _, member, number = np.unique(
        np.rint(found / _PLACE_PX).astype(int), axis=0, return_inverse=True, return_counts=True
    )
    member = np.ravel(member)
    places, light, sure = [], [], []
    for k in np.flatnonzero(number >= _FEW_FRAMES):
        own = member == k
        places.append(np.median(found[own], axis=0))
        light.append(float(np.median(flux[own])))
        sure.append(bool(while_moving[own].sum() >= _PLACE_FRAMES))
    return _Standing(np.array(places).reshape(-1, 2), np.array(light), np.array(sure, bool))


def _standing_cost(spots: Spots, place: Floats, standing: _Standing, reference: Floats) -> Floats:
    """Dear where a spot stands at such a place and has that light rather than the spot's."""
    cost = np.zeros(spots.shape)
    flux = np.maximum(spots["flux"], 1e-9)
    off = np.abs(np.log(flux / reference[:, None]))
    for where, light in zip(standing.place, standing.flux, strict=True):
        near = np.hypot(place[..., 0] - where[0], place[..., 1] - where[1]) < _PLACE_PX
        alike = np.abs(np.log(flux / light))
        own = np.where((alike < 0.2) & (off > alike), _ITS_LIGHT, _KNOWN_PLACE)
        cost = np.where(near, np.maximum(cost, own), cost)
    return cost


def _near(place: Floats, places: Floats) -> Bools:
    near = np.zeros(place.shape[:2], bool)
    for spot in places:
        near |= np.hypot(place[..., 0] - spot[0], place[..., 1] - spot[1]) < _PLACE_PX
    return near
