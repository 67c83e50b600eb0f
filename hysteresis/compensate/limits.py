"""What the rig can do: where a drive would exceed it, by how much, and what that costs in mm."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from hysteresis.bench import Bench
from hysteresis.plan.demands import rolling_rms
from hysteresis.tables import Floats, Ints

MOST_PLACES = 10
MOST_KEPT = 100  # stretches of one limit and axis that are remembered, the worst
MOST_HEATS = 2**18  # places of one coil window at which its heat is carried along
LIMITS = ("max_drive", "slew_per_s", "bandwidth_hz", "coil_rms")
SLACK = 1e-9  # relative: rounding


@dataclass(frozen=True)
class Excess:
    """One limit exceeded over one stretch of time; place and amount are those of its peak.

    `limit`: 'max_drive', 'slew_per_s', 'bandwidth_hz' or 'coil_rms'. `amount` and `allowed` are in
    the limit's own unit; `short_mm` is how far the spot would miss if the drive were held at the
    limit (NaN where that has no meaning). `line` of the toolpath and `layer` (from 0) where they
    are known, and `line` is not 0.
    """

    limit: str
    axis: str
    t_s: float
    until_s: float
    x_mm: float
    y_mm: float
    amount: float
    allowed: float
    short_mm: float
    line: int = 0
    layer: int = 0

    def __str__(self) -> str:
        words, unit = {
            "max_drive": ("drive", ""), "slew_per_s": ("slew", " /s"), "coil_rms": ("coil rms", ""),
            "bandwidth_hz": ("bandwidth", " Hz"),
        }[self.limit]  # fmt: skip
        text = (
            f"{words} of axis {self.axis} reaches {self.amount:.3f}{unit} "
            f"(allowed {self.allowed:.3f}{unit}) at {self.t_s:.2f} s, "
            f"x = {self.x_mm:.1f} mm, y = {self.y_mm:.1f} mm"
        )
        text += f", {self.short_mm:.2f} mm short" if np.isfinite(self.short_mm) else ""
        return text + (f" (line {self.line}, layer {self.layer + 1})" if self.line > 0 else "")


def excesses(
    bench: Bench, t_s: Floats, drive_x: Floats, drive_y: Floats, x_mm: Floats, y_mm: Floats,
    mm_per_drive: float,
) -> tuple[Excess, ...]:  # fmt: skip
    """Every stretch on which a limit of the bench is exceeded, worst first within each limit.

    `mm_per_drive` turns missing drive into mm at the spot.
    """
    limits = bench.limits
    out: list[Excess] = []
    for axis, drive in (("x", drive_x), ("y", drive_y)):
        size = np.abs(drive)
        out += _stretches("max_drive", axis, t_s, size, limits.max_drive, x_mm, y_mm, mm_per_drive)
        slew = np.abs(np.diff(drive, prepend=drive[:1])) / np.maximum(
            np.diff(t_s, prepend=t_s[0] - 1.0), 1e-12
        )
        out += _stretches("slew_per_s", axis, t_s, slew, limits.slew_per_s, x_mm, y_mm, np.nan)
        at, rms = rolling_rms(t_s, drive, limits.coil_window_s)
        out += _stretches(
            "coil_rms", axis, at, rms, limits.coil_rms,
            np.interp(at, t_s, x_mm), np.interp(at, t_s, y_mm), np.nan,
        )  # fmt: skip
    return tuple(out)


def _stretches(
    limit: str, axis: str, t_s: Floats, size: Floats, allowed: float, x_mm: Floats, y_mm: Floats,
    mm_per_unit: float,
) -> list[Excess]:  # fmt: skip
    over = size > allowed * (1.0 + SLACK)
    if not over.any():
        return []
    edge = np.flatnonzero(np.diff(np.concatenate([[False], over, [False]]).astype(int)))
    found = []
    for first, last in zip(edge[::2], edge[1::2], strict=True):
        k = first + int(np.argmax(size[first:last]))
        found.append(
            Excess(
                limit,
                axis,
                float(t_s[k]),
                float(t_s[last - 1]),
                float(x_mm[k]),
                float(y_mm[k]),
                float(size[k]),
                allowed,
                float((size[k] - allowed) * mm_per_unit),
            )
        )
    return sorted(found, key=lambda e: -e.amount)


# ---- in a stream ---------------------------------------------------------------------------------


class LimitWatch:
    """Watches the drives of a stream, sample by sample, in bounded memory.

    The drive runs straight from sample to sample, so the largest drive and slew are exact. The
    coil's rms is taken at every sample over the window that ends there (every few samples where
    the window has more than `MOST_HEATS`; the mean square can pass the one told by no more than
    one of those steps has of the window); the coil was cold before. `bandwidth_hz`: a movement
    within full scale and without anything above the bandwidth B never has an acceleration of more
    than (2 pi B)² full scales (Bernstein's inequality, textbook), and the root of the largest one
    over 2 pi is what is held against B: what exceeds it does hold something faster.

    `largest` has the largest value of each limit and axis; `excesses()` the stretches beyond one,
    at most `MOST_KEPT` of each, and `count` how many there were.
    """

    def __init__(self, bench: Bench, step_s: float) -> None:
        self.limits, self.step_s = bench.limits, step_s
        self.scale_mm = (bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
        self.mm_per_drive = max(self.scale_mm)
        self.allowed = {name: float(getattr(bench.limits, name)) for name in LIMITS}
        self.largest = {name: {"x": 0.0, "y": 0.0} for name in LIMITS}
        self.count = 0
        self.found: dict[tuple[str, str], list[Excess]] = {}
        self.open: dict[tuple[str, str], Excess | None] = {}  # that may go on in the next block
        self.heats = {axis: _Heat(bench.limits.coil_window_s, step_s) for axis in "xy"}
        self.before: dict[str, Floats] = {}  # the last drive, and the last two places

    def add(
        self, first: int, drive_x: Floats, drive_y: Floats, x_mm: Floats, y_mm: Floats,
        line: Ints, layer: Ints,
    ) -> None:  # fmt: skip
        """Look at the next samples, of which the first one is sample `first` of the output."""
        t_s = self.step_s * (first + np.arange(len(drive_x)))
        where = (t_s, x_mm, y_mm, line, layer)
        for axis, drive, spot, scale in (
            ("x", drive_x, x_mm, self.scale_mm[0]), ("y", drive_y, y_mm, self.scale_mm[1])
        ):  # fmt: skip
            known = self.before.get(axis)
            known = np.array([drive[0], spot[0], spot[0]]) if known is None else known
            slew = np.abs(np.diff(drive, prepend=known[0])) / self.step_s
            bent = np.abs(np.diff(np.concatenate([known[1:], spot]), n=2)) / scale
            sizes = {
                "max_drive": np.abs(drive), "slew_per_s": slew,
                "bandwidth_hz": np.sqrt(bent) / (2.0 * np.pi * self.step_s),
                "coil_rms": self.heats[axis].add(drive),
            }  # fmt: skip
            for limit, size in sizes.items():
                self._look(limit, axis, size, where)
            places = np.concatenate([known[1:], spot])[-2:]
            self.before[axis] = np.array([drive[-1], *places])

    def _look(self, limit: str, axis: str, size: Floats, where: tuple[Any, ...]) -> None:
        most = float(size.max())
        self.largest[limit][axis] = max(self.largest[limit][axis], most)
        allowed, key = self.allowed[limit], (limit, axis)
        going_on = self.open.get(key)
        if not most > allowed * (1.0 + SLACK):
            self.open[key] = None
            return
        t_s, x_mm, y_mm, line, layer = where
        over = np.concatenate([[False], size > allowed * (1.0 + SLACK), [False]])
        edge = np.flatnonzero(np.diff(over.astype(np.int8)))
        kept = self.found.setdefault(key, [])
        for begin, end in zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True):
            k = begin + int(np.argmax(size[begin:end]))
            short = (float(size[k]) - allowed) * self.mm_per_drive
            one = Excess(
                limit, axis, float(t_s[k]), float(t_s[end - 1]), float(x_mm[k]), float(y_mm[k]),
                float(size[k]), allowed, short if limit == "max_drive" else math.nan,
                int(line[k]), int(layer[k]),
            )  # fmt: skip
            if begin == 0 and going_on is not None:
                if going_on in kept:
                    kept.remove(going_on)
                self.count -= 1
                one = replace(max(going_on, one, key=lambda e: e.amount), until_s=one.until_s)
            self.count += 1
            kept.append(one)
            if len(kept) > MOST_KEPT:
                kept.remove(min(kept, key=lambda e: e.amount))
            self.open[key] = one if end == len(size) else None

    def excesses(self) -> tuple[Excess, ...]:
        """What was kept, limit by limit as `excesses` has them, the worst first in each."""
        order = [(limit, axis) for axis in "xy" for limit in LIMITS]
        return tuple(
            one for key in order for one in sorted(self.found.get(key, []), key=lambda e: -e.amount)
        )


class _Heat:
    """Mean square of a drive that runs straight from sample to sample, over the last window."""

    def __init__(self, window_s: float, step_s: float) -> None:
        self.step_s = step_s
        self.every = max(1, math.ceil(window_s / step_s / MOST_HEATS))
        self.window = window_s / (step_s * self.every)  # in carried places
        self.reach = math.ceil(self.window) + 1
        self.kept = np.zeros(1)  # energy from the oldest place carried to each later one
        self.sum, self.drive, self.seen, self.last = 0.0, math.nan, 0, 0.0
        self.window_s = window_s

    def add(self, drive: Floats) -> Floats:
        """Rms at each sample; at the samples between two carried places that of the one before."""
        start = drive[:1] if math.isnan(self.drive) else np.array([self.drive])
        a, b = np.concatenate([start, drive[:-1]]), drive
        own = self.step_s * (a * a + a * b + b * b) / 3.0
        if math.isnan(self.drive):
            own[0] = 0.0  # nothing before the first sample
        gained = self.sum + np.cumsum(own)
        places = np.arange(self.every - 1 - self.seen % self.every, len(drive), self.every)
        history = len(self.kept)
        energy = np.concatenate([self.kept, gained[places]])
        at = np.arange(history, len(energy)) - self.window
        inside = np.maximum(at, 0.0)
        low = np.floor(inside).astype(np.int64)
        high = np.minimum(low + 1, len(energy) - 1)
        old = energy[low] + (inside - low) * (energy[high] - energy[low])
        rms = np.sqrt(np.maximum(energy[history:] - old, 0.0) / self.window_s)
        shown = np.append(self.last, rms)
        self.last = float(shown[-1])
        out = shown[np.searchsorted(places, np.arange(len(drive)), side="right")]
        self.kept = energy[-self.reach :] - energy[-self.reach :][0]
        self.sum = float(gained[-1] - energy[-self.reach :][0])
        self.seen += len(drive)
        self.drive = float(drive[-1])
        return out
