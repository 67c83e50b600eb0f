"""Loss factor from the area of a loop, at the rate at which it was traversed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hysteresis.characteristics.view import AXES, Found, View
from hysteresis.loops import STRAY, Loop


def figures(view: View) -> Iterator[Found]:
    """Loss factor of every sweep, and of the slowest one in which the axis moves alone."""
    for axis in AXES:
        mine = [loop for loop in view.loops() if loop.axis == axis and loop.kind == "sweep"]
        found = [_of_loop(view, loop) for loop in mine]
        yield from found
        alone = [k for k, loop in enumerate(mine) if loop.alone] or list(range(len(mine)))
        if alone:
            slow = found[min(alone, key=lambda k: mine[k].rate_per_s)]
            yield Found(slow.key, axis, "", slow.value, slow.u, slow.dof, per_mm=slow.per_mm)


def loop_area(drive: np.ndarray, deflection: np.ndarray) -> tuple[float, np.ndarray]:
    """Work −∮ θ du of a closed loop in drive × FS, and its weight on each deflection (n,).

    A polygon through the points in order of time, closed by a straight line (the trapezoidal
    rule). Positive where the deflection lags.
    """
    weight = -(np.roll(drive, -1) - np.roll(drive, 1)) / 2.0
    return float(weight @ deflection), weight


def _of_loop(view: View, loop: Loop) -> Found:
    """sin δ = W / (π F₀ x₀), W the work of one cycle and F₀, x₀ half the spans."""
    good = loop.run != STRAY
    drive, theta = loop.drive[good], loop.deflection_fs[good]
    force, way = float(np.ptp(drive)) / 2.0, float(np.ptp(theta)) / 2.0
    cycles = max(1, round(float(np.abs(np.diff(drive)).sum()) / (4.0 * force)))
    area, weight = loop_area(drive, theta)
    per = 1.0 / (cycles * np.pi * force * way)
    # an error of the clock by δt moves each reading by its speed × δt: W by δt ∫ |θ'| |u'| dt
    by_clock = view.clock_s * loop.rate_per_s * float(np.abs(np.diff(theta)).sum())
    own = 0.0 if view.exact else loop.sigma_fs * float(np.sqrt(weight @ weight))
    u = per * float(np.hypot(own, by_clock))
    full_mm = view.full_scale_mm[AXES.index(loop.axis)]
    return Found(
        "loss_factor", loop.axis, loop.group, area * per, u,
        conditions=(("rate_per_s", loop.rate_per_s, "FS/s"), ("amplitude_fs", way, "FS")),
        # both branches off by 1 mm each its own way, in square
        per_mm=2.0 * np.sqrt(2.0) * force * cycles * per / full_mm,
    )  # fmt: skip
