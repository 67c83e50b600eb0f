"""Hysteresis and its kin, from loops and settled steps: IEC 61298-2 and ANSI/ISA-51.1."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hysteresis.characteristics.spread import corrected
from hysteresis.characteristics.view import AXES, Found, View, by_axis
from hysteresis.loops import Gap, Loop, step_gaps, sweep_gaps
from hysteresis.optics import nominal_optics
from hysteresis.settled import Repeatability, repeatability
from hysteresis.tables import Floats

WINDOW = (0.02, 0.22)
"""Drive from a reversal, as a part of half the drive's span, between which lines are laid."""
FEWEST = 4  # frames that carry one of these lines


def figures(view: View) -> Iterator[Found]:
    """Hysteresis, dead band, non-linearity and non-repeatability."""
    for axis in AXES:
        yield from _hysteresis(view, axis)
    yield from _repeatability(view)


def _hysteresis(view: View, axis: str) -> Iterator[Found]:
    k = AXES.index(axis)
    full_mm = view.full_scale_mm[k]
    # readings up and down stand at different places of the other axis: the registration is in it
    askew = float(np.sqrt(2.0)) * view.place_mm / full_mm
    sweeps = [loop for loop in view.loops() if loop.axis == axis and loop.kind == "sweep"]
    moving = [(loop, sweep_gaps(loop)) for loop in sweeps]
    moving = [(loop, gaps) for loop, gaps in moving if gaps]
    alone = [both for both in moving if both[0].alone] or moving
    for loop, gaps in moving:
        common = np.hypot(shared_by_clock(view, loop), 0.0 if loop.alone else askew)
        value, u = largest_gap(view, gaps, float(common))
        yield Found(
            "hysteresis", axis, f"{loop.group}/moving", value, u,
            conditions=(("rate_per_s", loop.rate_per_s, "FS/s"),), per_mm=_per_mm(gaps, full_mm),
            note="" if loop.alone else _both_axes(view),
        )  # fmt: skip
    steps = step_gaps(view.steps(), axis, full_mm)
    for group, gaps in steps.items():
        value, u = largest_gap(view, gaps, askew)
        mine = [r.still for r in view.steps() if r.group == group]
        alone_too = np.ptp([still.drive[1 - k] for still in mine]) < 1e-6
        yield Found(
            "hysteresis", axis, f"{group}/steps", value, u, per_mm=_per_mm(gaps, full_mm),
            conditions=(("tread_s", mine[0].end_s - mine[0].start_s, "s"),),
            note="" if alone_too else _both_axes(view),
        )  # fmt: skip
    candidates = [
        (gaps, float(np.hypot(shared_by_clock(view, loop), 0.0 if loop.alone else askew)))
        for loop, gaps in alone
    ] or [(gaps, askew) for gaps in steps.values()]
    if candidates:
        found = [largest_gap(view, gaps, common) for gaps, common in candidates]
        worst = int(np.argmax([value for value, _ in found]))
        per_mm = _per_mm(candidates[worst][0], full_mm)
        yield Found("hysteresis", axis, "", *found[worst], per_mm=per_mm)
    if alone:
        loop, gaps = min(alone, key=lambda both: both[0].rate_per_s)
        yield from _dead_band(view, loop, gaps)
        yield from _nonlinearity(view, axis, gaps)


def _both_axes(view: View) -> str:
    plain = view.optics == nominal_optics(view.bench.optics)
    return "both axes moved" + ("; optics as in bench.toml, cross-coupling is in it" * plain)


def largest_gap(view: View, gaps: tuple[Gap, ...], common_fs: float) -> tuple[float, float]:
    """Largest difference in % of the span, freed of what noise adds, and its uncertainty."""
    per = 100.0 / gaps[0].span_fs
    values: Floats = per * np.array([gap.fs for gap in gaps])
    if view.exact:
        return float(np.max(np.abs(values))), per * common_fs
    u: Floats = per * np.array([gap.u_fs for gap in gaps])
    value, doubt = corrected(lambda m: np.max(np.abs(m), axis=-1), values, u)
    return max(value, 0.0), float(np.hypot(doubt, per * common_fs))


def shared_by_clock(view: View, loop: Loop) -> float:
    """By how much an error of the clock widens a loop, in full scale: twice rate × time × slope."""
    slope = float(np.ptp(loop.deflection_fs) / np.ptp(loop.drive))
    return 2.0 * loop.rate_per_s * view.clock_s * slope


def _per_mm(gaps: tuple[Gap, ...], full_mm: float) -> float:
    """A difference of two readings: √2 of one."""
    return float(np.sqrt(2.0) * 100.0 / (gaps[0].span_fs * full_mm))


# ---- dead band ---------------------------------------------------------------------------------


def dead_bands(loop: Loop) -> list[tuple[float, float]]:
    """Dead band and its standard uncertainty at each reversal of a loop, in drive.

    The straight response after the reversal is extrapolated back to where it leaves the value
    that the straight response before it had reached; both lines are laid through the frames
    within `WINDOW` of the reversal. A play element of threshold r gives 2 r, a spring 0.
    """
    half = float(np.ptp(loop.drive)) / 2.0
    out = []
    for number in range(int(loop.run.max(initial=-1))):
        before, after = loop.run == number, loop.run == number + 1
        if not (before.any() and after.any()):
            continue
        turn = loop.drive[np.flatnonzero(before)]
        side = float(np.sign(turn[-1] - turn[0]))
        top = side * float(max(np.max(side * turn), np.max(side * loop.drive[after])))
        lines = []
        for run in (before, after):
            away = side * (top - loop.drive)
            rows = run & (away >= WINDOW[0] * half) & (away <= WINDOW[1] * half)
            if rows.sum() < FEWEST:
                break
            lines.append(_line(away[rows], side * loop.deflection_fs[rows], loop.sigma_fs))
        if len(lines) == 2:
            (level, u_level, _), (start, u_start, slope) = lines
            # deflection after: start + slope × away (slope < 0); it leaves `level` at the band
            if slope < 0:
                out.append(((level - start) / slope, float(np.hypot(u_level, u_start)) / -slope))
    return out


def _line(x: Floats, y: Floats, sigma: float) -> tuple[float, float, float]:
    """Value at x = 0 of a straight line with its standard uncertainty, and the slope (textbook)."""
    middle = float(x.mean())
    square = float((x - middle) @ (x - middle))
    slope = float((x - middle) @ y) / square
    u = sigma * float(np.sqrt(1.0 / len(x) + middle**2 / square))
    return float(y.mean()) - slope * middle, u, slope


def _dead_band(view: View, loop: Loop, gaps: tuple[Gap, ...]) -> Iterator[Found]:
    bands = dead_bands(loop)
    if not bands:
        return
    span = float(np.ptp(loop.drive))
    full_mm = view.full_scale_mm[AXES.index(loop.axis)]
    slope = float(np.ptp(loop.deflection_fs)) / span
    values, u = (100.0 / span * np.array(column) for column in zip(*bands, strict=True))
    per_mm = 100.0 * np.sqrt(2.0) / (span * slope * full_mm)
    clock = 100.0 * 2.0 * loop.rate_per_s * view.clock_s / span
    if view.exact:
        band, doubt = float(np.max(values)), clock
    else:
        band, doubt = corrected(lambda m: np.max(m, axis=-1), values, u)
        doubt = float(np.hypot(doubt, clock))
    yield Found("dead_band", loop.axis, "", band, doubt, per_mm=per_mm)
    wide, u_wide = largest_gap(view, gaps, 0.0)
    # the clock moves both alike and drops out; the deflection's share of the span is the drive's
    u_both = float(np.hypot(u_wide, doubt))
    yield Found("hysteresis_less_dead_band", loop.axis, "", wide - max(band, 0.0), u_both,
                per_mm=float(np.hypot(per_mm, _per_mm(gaps, full_mm))))  # fmt: skip


# ---- non-linearity, non-repeatability ----------------------------------------------------------


def _nonlinearity(view: View, axis: str, gaps: tuple[Gap, ...]) -> Iterator[Found]:
    """Largest deviation of the mean of up- and down-scale readings from two straight lines."""
    order = np.argsort([gap.at_drive for gap in gaps])
    at = np.array([gaps[k].at_drive for k in order])
    mean = np.array([(gaps[k].up_fs + gaps[k].down_fs) / 2.0 for k in order])
    u = np.array([gaps[k].u_fs / 2.0 for k in order])
    per = 100.0 / gaps[0].span_fs
    full_mm = view.full_scale_mm[AXES.index(axis)]
    if len(at) < 4:
        return

    def terminal(m: Floats) -> Floats:
        share = (at - at[0]) / (at[-1] - at[0])
        line = m[..., :1] + (m[..., -1:] - m[..., :1]) * share
        return np.asarray(np.max(np.abs(m - line), axis=-1))

    def best(m: Floats) -> Floats:
        away = at - at.mean()
        slope = (m @ away) / (away @ away)
        left = m - m.mean(axis=-1, keepdims=True) - slope[..., None] * away
        return np.asarray(np.max(np.abs(left), axis=-1))

    for key, figure in (("nonlinearity_terminal", terminal), ("nonlinearity_best_fit", best)):
        value, doubt = (float(figure(mean)), 0.0) if view.exact else corrected(figure, mean, u)
        place = view.place_mm / full_mm
        yield Found(key, axis, "", per * value, per * float(np.hypot(doubt, place)),
                    per_mm=per / full_mm)  # fmt: skip


def non_repeatability(readings: Floats) -> Floats:
    """Largest extreme difference over the points, readings (..., cycles, points) of one direction.

    IEC 61298-2:2008, 4.1.7 (from memory): same input, same direction, over the cycles.
    """
    return np.asarray(np.ptp(readings, axis=-2).max(axis=-1))


def _repeatability(view: View) -> Iterator[Found]:
    """Each repeat against the part that it repeats, and all repeats of one part together."""
    for axis, found in by_axis(repeatability(view.pattern, view.seen)).items():
        per = 100.0 / (2.0 * view.full_scale_mm[AXES.index(axis)])
        per_mm = per * float(np.sqrt(2.0))
        for one in found:
            value, u = _extreme(view, [one], per)
            yield Found("repeatability", axis, one.group, value, u, per_mm=per_mm,
                        conditions=(("later_s", one.later_s, "s"),))  # fmt: skip
        parts: dict[tuple[str, int], list[Repeatability]] = {}
        for one in found:
            parts.setdefault((one.first_group, one.points), []).append(one)
        sums = [_extreme(view, part, per) for part in parts.values()]
        value, u = max(sums)
        yield Found("repeatability", axis, "", value, u, per_mm=per_mm)


def _extreme(view: View, found: list[Repeatability], per: float) -> tuple[float, float]:
    """Non-repeatability of one part of the pattern and its repeats, each told less the first."""
    gaps = per * np.stack([one.gaps_mm for one in found])
    u = per * np.stack([one.u_gaps_mm for one in found])

    def figure(flat: Floats) -> Floats:
        later = flat.reshape(*flat.shape[:-1], *gaps.shape)
        first = np.zeros((*later.shape[:-2], 1, later.shape[-1]))
        return non_repeatability(np.concatenate([first, later], axis=-2))

    if view.exact:
        return float(figure(gaps.ravel())), 0.0
    value, doubt = corrected(figure, gaps.ravel(), u.ravel())
    return max(value, 0.0), doubt
