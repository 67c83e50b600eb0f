"""An optical clock: a beam that goes off and on tells the time without the mirror.

A frame that is exposed while the beam is off shows no spot, one that is exposed in part shows a
dimmer one or none. Which frames are missing from the log therefore bounds the clock from both
sides, by as little as one frame over the number of edges; and a spot's light, where the tracker
writes it, gives the lit part of an exposure itself. The two are put into one likelihood over the
shift of the clock (Bayes' rule on a grid; textbook), multiplied by what the motion says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hysteresis.measure.clock import Clock
from hysteresis.tables import Bools, Floats, Ints, Pattern

LOST = 0.02
"""Chance that a lit frame is missing, or a dark one shows something (invented, but small)."""
SWITCHING_S = 1e-3
"""Standard uncertainty of the moment at which a beam really goes off or on: output steps and
drivers are of this order (common practice, no source; the virtual bench steps by 1 ms)."""
_REACH_S, _STEP_S = 4e-3, 2e-5
_FEWEST_EDGES = 6
_LIGHT = 0.05  # standard deviation of a spot's light about that of its neighbours, as a part
_CLEAR = 3.0  # standard uncertainties apart: then the beam is right, for it knows no mirror
_BLINKS = 10.0  # so much likelier must the log be with blinking than without (logarithm)


@dataclass(frozen=True)
class BeamClock:
    """Shift of the pattern's time that the beam asks for, s: start = start by motion - shift."""

    shift_s: float
    u_shift_s: float
    edges: int
    partly_lit: int


def beam_edges(pattern: Pattern) -> Floats:
    """Times (k, 2) between which the beam is off, inside the pattern."""
    lit = pattern.beam[:-1]
    off = np.flatnonzero(~lit & np.concatenate([[True], lit[:-1]]))
    on = np.flatnonzero(~lit & np.concatenate([lit[1:], [True]])) + 1
    dark = np.column_stack([pattern.t_s[off], pattern.t_s[on]])
    inside = (dark[:, 0] > 0.0) & (dark[:, 1] < pattern.t_s[-1])
    return np.asarray(dark[inside])


def lit_part(dark: Floats, start_s: Floats, exposure_s: float) -> Floats:
    """Part of each exposure, of any shape, in which the beam is on."""
    edges = dark.ravel()
    length = dark[:, 1] - dark[:, 0]
    before = np.concatenate([[0.0], np.cumsum(length)])

    def darkness(t: Floats) -> Floats:
        k = np.searchsorted(edges, t, side="right")
        done = before[k // 2]
        return done + np.where(k % 2 == 1, t - edges[np.minimum(k, len(edges)) - 1], 0.0)

    return 1.0 - (darkness(start_s + exposure_s) - darkness(start_s)) / exposure_s


def by_beam(
    pattern: Pattern, frame: Ints, start_s: Floats, seen: Bools, flux: Floats, exposure_s: float
) -> BeamClock | None:
    """What the beam alone says; None where it does not blink or the log does not show it.

    `frame` (n,) rising, `start_s` (n,) by the motion's clock, `seen` (n,) whether a spot was, and
    its light `flux` (NaN: not known). Frames that the log skips count as dark.
    """
    dark = beam_edges(pattern)
    if 2 * len(dark) < _FEWEST_EDGES:
        return None
    every = np.arange(frame[0], frame[-1] + 1)
    t = np.interp(every, frame, start_s)
    there = np.zeros(len(every), dtype=bool)
    there[frame[seen] - frame[0]] = True
    light = np.full(len(every), np.nan)
    light[frame[seen] - frame[0]] = flux[seen]
    ends = dark.ravel()
    near = np.clip(np.searchsorted(ends, t), 1, len(ends) - 1)
    away = np.minimum(np.abs(t - ends[near - 1]), np.abs(t + exposure_s - ends[near]))
    away = np.minimum(away, np.abs(t - ends[near]))
    beside = (away < _REACH_S + 2.0 * exposure_s) | (lit_part(dark, t, exposure_s) < 1.0)
    beside &= (t > 0.0) & (t + exposure_s < pattern.t_s[-1])
    t, there, bright = t[beside], there[beside], _brightness(t, light, beside, dark, exposure_s)
    if len(t) == 0:
        return None
    shift = np.arange(-_REACH_S, _REACH_S + _STEP_S / 2, _STEP_S)
    part = lit_part(dark, t[None, :] - shift[:, None], exposure_s)
    known = np.isfinite(bright) & there
    gap = (part[:, known] - bright[known]) / _LIGHT
    of_light = -2.5 * np.log1p(gap**2 / 4.0).sum(axis=1)  # Student's t, four degrees of freedom
    plain = -2.5 * np.log1p(((1.0 - bright[known]) / _LIGHT) ** 2 / 4.0).sum()
    least = np.linspace(0.02, 1.0, 25)  # part of an exposure that a tracker asks for
    table = np.empty((len(least), len(shift)))
    for k, enough in enumerate(least):
        right = (part >= enough - 1e-9) == there
        table[k] = _of_chance(right).sum(axis=1) + of_light
    never = _of_chance(there).sum() + plain
    if table.max() < never + _BLINKS:
        return None
    weight = np.exp(table - table.max()).sum(axis=0)
    weight /= weight.sum()
    mean = float(weight @ shift)
    spread = float(np.sqrt(weight @ (shift - mean) ** 2 + SWITCHING_S**2))
    partly = int(((bright[known] > 0.1) & (bright[known] < 0.9)).sum())
    return BeamClock(mean, spread, 2 * len(dark), partly)


def _of_chance(right: Bools) -> Floats:
    """Logarithm of the likelihood of each frame that is as it should be, or is not."""
    return np.asarray(np.where(right, np.log(1.0 - LOST), np.log(LOST)))


def _brightness(t: Floats, light: Floats, beside: Bools, dark: Floats, exposure_s: float) -> Floats:
    """Light of the frames beside an edge over the median of the sure ones within a second."""
    sure = np.isfinite(light) & ~beside
    if int(sure.sum()) < 10:
        return np.full(int(beside.sum()), np.nan)
    place, value = t[sure], light[sure]
    first = np.searchsorted(place, t[beside] - 1.0)
    last = np.searchsorted(place, t[beside] + 1.0)
    middle = np.array(
        [np.median(value[a:b]) if b - a >= 3 else np.nan for a, b in zip(first, last, strict=True)]
    )
    return np.asarray(light[beside] / middle)


def with_beam(clock: Clock, found: BeamClock | None) -> Clock:
    """The clock of the motion and of the beam together; the beam's where the two disagree."""
    if found is None:
        return clock
    rate = 1.0 + clock.drift
    told = (
        f"beam: {found.edges} edges, alone {1e3 * found.shift_s:+.2f} ± "
        f"{1e3 * found.u_shift_s:.2g} ms beside the motion's"
    )
    own = clock.u_offset_s / rate
    if abs(found.shift_s) > _CLEAR * np.hypot(own, found.u_shift_s):
        shift, spread = found.shift_s, found.u_shift_s
        told += "; the two disagree, so the beam decided"
    else:
        share = own**2 / (own**2 + found.u_shift_s**2)
        shift, spread = share * found.shift_s, np.sqrt(share) * found.u_shift_s
        told += f"; it has {100 * share:.0f} % of the weight"
    return replace(
        clock,
        offset_s=clock.offset_s + rate * float(shift),
        u_offset_s=rate * float(spread),
        evidence=(*clock.evidence, told),
    )
