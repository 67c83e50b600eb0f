"""The moves and holds that patterns are made of: pure functions from settings to vertices.

A `Piece` is a stretch of piecewise-linear drive of both axes with one name; a *block* is a tuple
of pieces that follow each other, starts and ends at zero drive on both axes, and is numbered as
one. Times are in seconds from the start of the piece, drives are fractions of full scale.

**Rule for the rise of a move.** Every move is a raised cosine (its rate is a half sine), drawn
with eight straight pieces, and takes at least

    max(cycles / bandwidth, π/2 · |change of drive| / slew)      seconds,

π/2 being the peak of a half sine over its mean. Of the energy of the rate of a half sine of
length T, 70 % lies below f = 0.5/T, 97 % below 1/T, 99.97 % below 4/T (by integrating its
spectrum (cos πfT / (1 − 4f²T²))²). No move is shorter than `QUICKEST` = 0.5 cycles of the
bandwidth; only the small steps that ask for the resonance are that quick. Conditioning and the
sync signature take at least one cycle. Moves to and from a hold take `GENTLE` = 4 cycles and at
least `GENTLE_S`, whichever is longer: an underdamped mirror must not overshoot, since an
overshoot writes memory, and its resonance may lie well within the bandwidth (a half sine of
0.15 s leaves at most 2 % of a move ringing at 25 Hz and above: 1 / (4f²T² − 1)).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from hysteresis.bench import Limits
from hysteresis.tables import Bools, Floats

QUICKEST = 0.5
"""Shortest rise of any move, in cycles of the bandwidth."""
GENTLE = 4.0
"""Rise of the moves that must not make the mirror ring, in cycles of the bandwidth."""
GENTLE_S = 0.15
"""Shortest rise of a gentle move; five frames at 30 frames/s."""
_EASE_S = 0.08  # shortest time in which a ramp gathers its speed
_PIECES = 8  # straight pieces of one raised cosine
_RISE = (1.0 - np.cos(np.pi * np.linspace(0.0, 1.0, _PIECES + 1))) / 2.0
SAME_TIME_S = 1e-7  # vertices of two axes closer than this are one vertex
ZERO = np.zeros(2)

Drives = npt.ArrayLike  # a point (2,) or a list of points (n, 2): drive of x and of y


@dataclass(frozen=True)
class Piece:
    """Vertices of one named stretch: `t_s` (n,) rises strictly from 0, `drive` is (n, 2), n ≥ 2.

    `beam` is one word for all of it or, where it blinks, (n − 1,): on from each vertex to the next.
    `number` counts within the block: 1 unless the block holds several of a kind (readings do).
    """

    kind: str
    part: str
    t_s: Floats
    drive: Floats
    beam: bool | Bools = True
    number: int = 1

    @property
    def duration_s(self) -> float:
        """Time from the first to the last vertex."""
        return float(self.t_s[-1])


Block = tuple[Piece, ...]


def duration_s(block: Iterable[Piece]) -> float:
    """Time that a row of pieces takes."""
    return sum(piece.duration_s for piece in block)


def rise_s(change: float, limits: Limits, cycles: float = GENTLE) -> float:
    """Shortest time for a move by `change` (fraction of full scale); the rule is stated above."""
    least = max(cycles / limits.bandwidth_hz, GENTLE_S if cycles >= GENTLE else 0.0)
    return max(least, math.pi / 2.0 * abs(change) / limits.slew_per_s)


def steepest_change(rise: float, limits: Limits) -> float:
    """Largest change of drive that the slew limit lets a move of this rise (s) make."""
    return 2.0 / math.pi * rise * limits.slew_per_s


# ---- one piece -------------------------------------------------------------------------------


def hold(at: Drives, hold_s: float, kind: str, part: str = "", *, beam: bool = True) -> Piece:
    """Stay at one drive for `hold_s` seconds."""
    point = np.asarray(at, float)
    return Piece(kind, part, np.array([0.0, hold_s]), np.vstack([point, point]), beam)


def move(
    start: Drives,
    stop: Drives,
    limits: Limits,
    kind: str,
    part: str = "",
    *,
    cycles: float = GENTLE,
    least_s: float = 0.0,
) -> Piece:
    """Go from one drive to another by a raised cosine, both axes in the same time.

    The rise is the larger of `least_s` and of the rule stated at the head of this file.
    """
    a, b = np.asarray(start, float), np.asarray(stop, float)
    rise = max(least_s, rise_s(float(np.max(np.abs(b - a))), limits, cycles))
    drive = a + np.outer(_RISE, b - a)
    drive[-1] = b  # to the last bit, or the hold after it would creep by a rounding error
    return Piece(kind, part, rise * np.linspace(0.0, 1.0, _PIECES + 1), drive)


def ramp(
    start: Drives, stop: Drives, rate_per_s: float, limits: Limits, kind: str, part: str = ""
) -> Piece:
    """Go at a constant rate, with eased ends: the axis with the longer way keeps `rate_per_s`.

    The rate rises and falls in 80 ms, or one cycle of the bandwidth where that is longer
    (parabolic ends of four straight pieces, so that the mirror hardly rings); it is lowered to
    the slew limit. A way too short for a constant stretch is a `move`.
    """
    a, b = np.asarray(start, float), np.asarray(stop, float)
    rate = min(rate_per_s, limits.slew_per_s)
    way, ease = float(np.max(np.abs(b - a))), max(_EASE_S, 1.0 / limits.bandwidth_hz)
    travel = way / rate + ease
    if travel <= 3.0 * ease:
        return move(a, b, limits, kind, part, cycles=1.0)
    t = np.concatenate([np.linspace(0.0, ease, 5), np.linspace(travel - ease, travel, 5)])
    left = travel - t
    done = np.where(t <= ease, t**2 / (2.0 * ease), t - ease / 2.0)
    done = np.where(left < ease, travel - ease - left**2 / (2.0 * ease), done) / (travel - ease)
    drive = a + np.outer(np.clip(done, 0.0, 1.0), b - a)
    drive[-1] = b
    return Piece(kind, part, t, drive)


def chain(pieces: Sequence[Piece]) -> Piece:
    """Make one piece of several that follow each other; the first one's name and beam are kept."""
    t, drive, at = [pieces[0].t_s[:1]], [pieces[0].drive[:1]], 0.0
    for piece in pieces:
        t.append(piece.t_s[1:] + at)
        drive.append(piece.drive[1:])
        at += piece.duration_s
    return replace(pieces[0], t_s=np.concatenate(t), drive=np.vstack(drive))


def together(x: Piece, y: Piece) -> Piece:
    """Play the x of one piece and the y of another at the same time, each in its own rhythm.

    The shorter one stays where it ends. Both are piecewise linear, so that sampling them at the
    union of their vertices changes neither.
    """
    t = np.union1d(x.t_s, y.t_s)
    keep = np.concatenate([[True], np.diff(t) > SAME_TIME_S])
    keep[-1] = True
    t = t[keep]
    if len(t) > 2 and t[-1] - t[-2] <= SAME_TIME_S:
        t = np.delete(t, -2)
    columns = [np.interp(t, piece.t_s, piece.drive[:, k]) for k, piece in enumerate((x, y))]
    return replace(x, t_s=t, drive=np.column_stack(columns))


def tour(
    points: Drives,
    tread_s: float,
    limits: Limits,
    kind: str,
    part: str = "",
    *,
    rate_per_s: float | None = None,
) -> Piece:
    """Start at zero, visit each point (n, 2) in turn, stay `tread_s` at each, return to zero.

    Points are reached by gentle moves, or at a constant rate where `rate_per_s` is given.
    """
    at, pieces = ZERO, []
    for point in np.vstack([np.asarray(points, float).reshape(-1, 2), ZERO]):
        if np.array_equal(point, at):
            continue
        if rate_per_s is None:
            pieces.append(move(at, point, limits, kind, part))
        else:
            pieces.append(ramp(at, point, rate_per_s, limits, kind, part))
        if tread_s > 0:
            pieces.append(hold(point, tread_s, kind, part))
        at = point
    return chain(pieces) if pieces else hold(ZERO, max(tread_s, 0.1), kind, part)


# ---- named segments: each a block that starts and ends at zero --------------------------------


def sweep(
    peak: Drives, rate_per_s: float, limits: Limits, *, cycles: int = 1, part: str = ""
) -> Block:
    """Full cycles 0 → peak → −peak → 0 at a constant rate: the loop at one speed."""
    top = np.asarray(peak, float)
    return sweep_through(np.vstack([top, -top] * cycles), rate_per_s, limits, part=part)


def sweep_through(points: Drives, rate_per_s: float, limits: Limits, *, part: str = "") -> Block:
    """From zero through each point (n, 2) and back to zero at a constant rate."""
    return (tour(points, 0.0, limits, "sweep", part, rate_per_s=rate_per_s),)


def staircase(levels: Drives, tread_s: float, limits: Limits) -> Block:
    """Settle `tread_s` on each level (n, 2) in turn."""
    return (tour(levels, tread_s, limits, "staircase"),)


def reversal_family(
    peak: Drives, reversals: int, rate_per_s: float, limits: Limits, *, growing: bool
) -> Block:
    """Alternating reversals whose amplitude shrinks from `peak` by equal amounts, or grows to it.

    Extremes: ±A(1 − k/n), k = 0 … n − 1. One axis (y when shrinking, x when growing) has a third
    fewer, so that the reversals of the two do not coincide and all pairings of signs come up.
    """
    counts = (reversals, reversals - reversals // 3)
    columns = []
    for axis, count in enumerate(counts[::-1] if growing else counts):
        sizes = np.asarray(peak, float)[axis] * (1.0 - np.arange(count) / count)
        signs = (-1.0) ** (np.arange(count) + axis)
        extremes = (sizes * signs)[::-1] if growing else sizes * signs
        points = np.zeros((count, 2))
        points[:, axis] = extremes
        kind = "growing" if growing else "decaying"
        columns.append(tour(points, 0.05, limits, kind, rate_per_s=rate_per_s))
    return (together(*columns),)


def first_order_reversal_curves(
    peaks: Drives, reversals: Drives, rate_per_s: float, limits: Limits
) -> Block:
    """For each row of `peaks` and `reversals`, both (n, 2): to the peak, to the reversal, back.

    A peak beyond every reversal makes each curve start from the same wiped state. Peaks may
    differ from curve to curve, so that some start from above and some from below.
    """
    rows = zip(np.asarray(peaks, float), np.asarray(reversals, float), strict=True)
    points = np.vstack([row for peak, turn in rows for row in (peak, turn, peak)])
    return (tour(points, 0.05, limits, "forc", rate_per_s=rate_per_s),)


def conditioning(
    peak: Drives, limits: Limits, *, half_cycles: int = 20, half_cycle_s: float = 0.2
) -> Block:
    """Alternating sweep, shrinking by the same amount every half cycle, ending at zero.

    One full cycle at `peak` comes first, then the amplitude falls linearly by Δ = peak /
    half_cycles per half cycle. Every play element with a threshold up to `peak` is left with
    |z| ≤ Δ/2, whatever it remembered before (checked in the tests); for equal numbers of half
    cycles a linear decay leaves less in large thresholds than a geometric one. y follows half a
    half cycle later, so that the spot draws a spiral and stands still nowhere.
    """
    sizes = np.concatenate([[1.0], 1.0 - np.arange(half_cycles) / half_cycles])
    extremes = np.append(sizes * (-1.0) ** np.arange(half_cycles + 1), 0.0)
    columns = []
    for axis in range(2):
        at = ZERO
        pieces = [hold(ZERO, half_cycle_s / 2.0, "conditioning")] if axis else []
        for extreme in float(np.asarray(peak, float)[axis]) * extremes:
            point = np.zeros(2)
            point[axis] = extreme
            pieces.append(move(at, point, limits, "conditioning", cycles=1.0, least_s=half_cycle_s))
            at = point
        columns.append(chain(pieces))
    return (together(*columns),)


def ladder_cell(
    excursion: Drives, dwell_s: float, watch_s: float, limits: Limits, *, rest_s: float = 0.4
) -> Block:
    """One return to zero: rest at zero, move out, hold `dwell_s`, move back, watch the recovery.

    The rest gives the reading *before*, which the published return-to-zero figures subtract.
    """
    out = np.asarray(excursion, float)
    return (
        hold(ZERO, rest_s, "ladder", "rest"),
        move(ZERO, out, limits, "ladder", "move"),
        hold(out, dwell_s, "ladder", "hold"),
        move(out, ZERO, limits, "ladder", "back"),
        hold(ZERO, watch_s, "ladder", "watch"),
    )


def walking_period_s(frame_s: float, settle_s: float, phases: int) -> float:
    """Period of repeated steps, k frames + 1/`phases` of a frame, with k frames ≥ 2 `settle_s`.

    Each period shows the camera another phase: after `phases` periods the response has been
    seen every frame/phases seconds, as a sampling oscilloscope does (textbook: equivalent-time
    sampling).
    """
    return (math.ceil(2.0 * settle_s / frame_s) + 1.0 / phases) * frame_s


def small_steps(size: float, centre: Drives, frame_s: float, phases: int, limits: Limits) -> Block:
    """Square wave of `size` about `centre`, as quick as the bench allows, walking through a frame.

    y steps a quarter of a period after x: each axis is seen to ring while the other is still.
    `size` is lowered to what the slew limit allows in the quickest rise, but not below 0.02.
    """
    quick = rise_s(0.0, limits, QUICKEST)
    size = min(size, max(0.02, steepest_change(quick, limits)))
    rise = rise_s(size, limits, QUICKEST)
    period = walking_period_s(frame_s, max(0.3, 2.0 * rise), phases)
    middle, half = np.asarray(centre, float), size / 2.0
    columns = []
    for axis, delay in enumerate((0.0, period / 4.0)):
        low, high = np.zeros(2), np.zeros(2)
        low[axis], high[axis] = middle[axis] - half, middle[axis] + half
        pieces = [move(ZERO, low, limits, "steps", least_s=rise_s(1.0, limits))]
        pieces.append(hold(low, 0.3 + delay, "steps"))
        for a, b in [(low, high), (high, low)] * phases:
            pieces.append(move(a, b, limits, "steps", cycles=QUICKEST))
            pieces.append(hold(b, period / 2.0 - pieces[-1].duration_s, "steps"))
        columns.append(chain([*pieces, move(low, ZERO, limits, "steps")]))
    return (together(*columns),)


# ---- changing blocks ---------------------------------------------------------------------------


def repeated(block: Block) -> Block:
    """The same drive again, named `repeat`; the part says what it repeats."""
    return tuple(replace(p, kind="repeat", part=p.part or p.kind) for p in block)


def scaled(block: Block, factors: Drives) -> Block:
    """The block with the drive of each axis multiplied; factors (2,) within −1 … +1."""
    return tuple(replace(p, drive=p.drive * np.asarray(factors, float)) for p in block)


def is_still(block: Block) -> bool:
    """Whether neither axis moves in the whole block."""
    return all(not np.any(p.drive) for p in block)
