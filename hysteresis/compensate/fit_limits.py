"""What would make a job fit its limits: slower, moved or smaller, found by trying.

Each question is a bisection over whole passes of the job: how fast, at most, how far it must be
moved, at least, how large it may be. Nothing is guessed; what no pass confirmed is not said.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from hysteresis.compensate.job import JobPath, PathOptions
from hysteresis.compensate.limits import Excess
from hysteresis.errors import HysteresisError
from hysteresis.paths.placement import reach_mm

SPEEDS = (1.0, 0.5, 0.25, 0.1)  # between which is looked; slow passes take long
SMALLEST = 0.2
FINE = 0.01  # of speed or size; of a shift in mm, ten times that
SHIFT_MM = 0.01  # to which a shift into the field is rounded
Fits = Callable[[JobPath], bool]


@dataclass(frozen=True)
class Remedy:
    """Options with which the job fits, and what was done, in words."""

    options: PathOptions
    words: str


def into_field(job: JobPath) -> Remedy | None:
    """Moved as little as need be to lie in the field; made smaller where it is wider than that.

    None where it lies there already. InputError for a table with a clock of its own that does not.
    """
    if job.source is None or job.options.placement.fit:
        return None
    place, extent = job.options.placement, job.anywhere().extent_mm()
    reach = reach_mm(job.bench)
    share = min(1.0, *(
        2.0 * (most - SHIFT_MM) / (high - low) if high > low else 1.0
        for (low, high), most in zip(extent, reach, strict=True)
    ))  # fmt: skip
    share = np.floor(1000.0 * share) / 1000.0  # of a scale that is written down
    shift = []
    for (low, high), most in zip(extent, reach, strict=True):
        right, left = -most - share * low, share * high - most
        right, left = (SHIFT_MM * np.ceil(max(v, 0.0) / SHIFT_MM) for v in (right, left))
        shift.append(round(float(right - left), 2))
    if share == 1.0 and not any(shift):
        return None
    placement = replace(
        place, scale=share * place.scale, x_mm=share * place.x_mm + shift[0],
        y_mm=share * place.y_mm + shift[1],
    )  # fmt: skip
    words = [f"scaled to {100 * share:.1f} %"] if share < 1.0 else []
    words += [_shifted(shift)] if any(shift) else []
    return Remedy(replace(job.options, placement=placement), " and ".join(words))


def slower(job: JobPath, fits: Fits) -> Remedy | None:
    """The fastest speed, to a hundredth, at which the job fits."""
    if job.source is None:
        return None

    def at(share: float) -> PathOptions:
        return replace(job.options, slowed=share)

    for fast, slow in pairwise(SPEEDS):
        share = _bisected(slow, fast, FINE, lambda s: _tried(job, at(s), fits))
        if share is not None:
            return Remedy(at(share), f"slowed to {100 * share:.0f} %")
    return None


def moved(job: JobPath, fits: Fits, found: tuple[Excess, ...]) -> Remedy | None:
    """The shortest shift towards the field's centre, along the axes that exceed, that fits."""
    axes = {e.axis for e in found if e.limit in ("max_drive", "coil_rms")}
    if job.source is None or not axes or job.options.placement.fit:
        return None
    middle = [0.5 * (low + high) for low, high in job.extent_mm()]
    way = [-m if axis in axes else 0.0 for axis, m in zip("xy", middle, strict=True)]
    length = float(np.hypot(way[0], way[1]))
    if length < 10 * FINE:
        return None
    place = job.options.placement

    def at(kept: float) -> PathOptions:
        x, y = (round((1.0 - kept) * w, 1) for w in way)
        return replace(
            job.options, placement=replace(place, x_mm=place.x_mm + x, y_mm=place.y_mm + y)
        )

    kept = _bisected(0.0, 1.0, 10 * FINE / length, lambda k: _tried(job, at(k), fits))
    if kept is None:
        return None
    options = at(kept)
    shift = (options.placement.x_mm - place.x_mm, options.placement.y_mm - place.y_mm)
    return Remedy(options, _shifted(shift)) if any(shift) else None


def _shifted(shift: Sequence[float]) -> str:
    words = [
        f"{s:+.{1 if round(s, 1) == round(s, 4) else 2}f} mm in {axis}".replace("-", "−")
        for axis, s in zip("xy", shift, strict=True) if s
    ]  # fmt: skip
    return "shifted by " + " and ".join(words)


def smaller(job: JobPath, fits: Fits) -> Remedy | None:
    """The largest scale about the field's centre, to a hundredth, at which the job fits."""
    if job.source is None:
        return None
    place = job.options.placement

    def at(share: float) -> PathOptions:
        scaled = replace(
            place, scale=share * place.scale, x_mm=share * place.x_mm, y_mm=share * place.y_mm
        )
        return replace(job.options, placement=scaled)

    share = _bisected(SMALLEST, 1.0, FINE, lambda s: _tried(job, at(s), fits))
    return None if share is None else Remedy(at(share), f"scaled to {100 * share:.0f} %")


def remedies(job: JobPath, fits: Fits, found: tuple[Excess, ...]) -> list[Remedy]:
    """All that helps, in the order in which `fit_limits` would take them."""
    tried = [slower(job, fits), moved(job, fits, found), smaller(job, fits)]
    return [remedy for remedy in tried if remedy is not None]


def first_remedy(job: JobPath, fits: Fits, found: tuple[Excess, ...]) -> Remedy | None:
    """The one that changes least: slower, else moved, else smaller."""
    return slower(job, fits) or moved(job, fits, found) or smaller(job, fits)


def _tried(job: JobPath, options: PathOptions, fits: Fits) -> bool:
    try:
        return fits(job.with_options(options))
    except HysteresisError:  # moved out of the field, or no path any more
        return False


def _bisected(low: float, high: float, fine: float, good: Callable[[float], bool]) -> float | None:
    """The largest good value below `high`, on steps of `fine`; None where `low` is not good."""
    steps = int(np.ceil((high - low) / fine - 1e-9))
    if not good(low):
        return None
    least, most = 0, steps  # good, not good
    while most - least > 1:
        middle = (least + most) // 2
        if good(low + middle * fine):
            least = middle
        else:
            most = middle
    return low + least * fine
