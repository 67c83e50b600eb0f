"""Resonance and damping ratio from repeated small steps, and from the model's own numbers.

The steps' period walks through the frame interval, so that frames far too slow for the resonance
show it all the same (equivalent-time sampling, textbook). The drive is known exactly; so is the
answer of a second-order system to it, averaged over each exposure (`measure.clock_mirror`). What
is slow beside it (creep, friction, drift, the other axis, a late clock) enters linearly and is
found by least squares with each pair of resonance and damping (variable projection, G. H. Golub
and V. Pereyra 1973; from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.characteristics.view import AXES, Found, View
from hysteresis.degrees_of_freedom import effective_dof
from hysteresis.measure.clock_mirror import Mirror, rung
from hysteresis.measure.drive_columns import DriveColumns, drive_columns
from hysteresis.metrics import groups_of
from hysteresis.optics import deflection_from_spot
from hysteresis.recording import Observations
from hysteresis.tables import Floats, Pattern

RESONANCES_HZ = np.concatenate([np.arange(8.0, 20.0, 1.0), np.arange(20.0, 200.0, 1.5)])
"""Closer than half the width of a line seen for a third of a second."""
RATIOS = (0.01, 0.04, 0.15)
MINIMA = 4  # of the grid, refined; frames of few phases show a resonance's images too
METHOD = (1e-3, 2e-2)
"""Relative standard uncertainty of resonance and damping ratio by the method: friction lets go a
little even in small steps (type B, seen on the virtual bench: experiments.figure_coverage)."""
METHOD_OF_MODEL = (4e-3, 4e-2)
"""The same of a model: its few slip limits stand for many (type B, seen there too)."""
IMAGE = 25.0
"""By how much χ² has to be worse for another resonance to be ruled out: 5 sigma (no source)."""
CREEP_S = ((0.1,), (1.0,))
FEWEST = 60  # frames
FINE_STEP_S = 0.001
"""Step of the simulation after a corner (`recording.simulation_grid`)."""
LEAST_GAIN = 15.0
"""By how much χ² has to fall, in units of its spread, against a mirror that does not ring: about
3 sigma with the two unknowns that ringing adds (no source)."""


@dataclass(frozen=True)
class Ringing:
    """Resonance and damping ratio about one centre, with standard uncertainties and their dof."""

    resonance_hz: float
    damping_ratio: float
    u_resonance_hz: float
    u_damping_ratio: float
    dof: float


def figures(view: View) -> Iterator[Found]:
    """Resonance and damping of each group of small steps; those nearest zero sum up the axis."""
    groups = {
        name: rows for name, rows in groups_of(view.pattern).items() if name.startswith("steps/")
    }
    for k, axis in enumerate(AXES):
        found: list[tuple[float, Ringing]] = []
        for name, rows in groups.items():
            drive = (view.pattern.drive_x, view.pattern.drive_y)[k][rows.start : rows.stop + 1]
            levels = _levels(drive)
            if levels is None:
                continue
            centre = round(sum(levels) / 2.0, 6)
            guess = found[0][1] if found else None
            one = (
                ringing(view, k, name, rows, guess) if view.model is None
                else _of_model(view, k, name)
            )  # fmt: skip
            if one is None:
                continue
            when = (("centre_fs", centre, "FS"), ("step_fs", levels[1] - levels[0], "FS"))
            found.append((abs(centre), one))
            yield from _told(axis, name, one, when)
        if found:
            yield from _told(axis, "", min(found, key=lambda both: both[0])[1], ())


def _told(
    axis: str, place: str, one: Ringing, when: tuple[tuple[str, float, str], ...]
) -> Iterator[Found]:
    for key, value, u in (
        ("resonance", one.resonance_hz, one.u_resonance_hz),
        ("damping_ratio", one.damping_ratio, one.u_damping_ratio),
    ):
        yield Found(key, axis, place, value, u, one.dof, when)


def _levels(drive: Floats) -> tuple[float, float] | None:
    """The two levels between which the drive steps most often; None where it does not step."""
    still = np.round(drive[1:][np.abs(np.diff(drive)) < 1e-12], 9)
    values, counts = np.unique(still, return_counts=True)
    if len(values) < 2:
        return None
    low, high = np.sort(values[np.argsort(counts)[-2:]])
    return float(low), float(high)


def ringing(
    view: View, axis: int, name: str, rows: slice, guess: Ringing | None = None
) -> Ringing | None:
    """Resonance and damping of one axis in one group of steps; None where they do not show.

    `guess` saves the search where another group has told already.
    """
    pattern = view.pattern
    part = slice(rows.start, rows.stop + 1)
    mine = view.seen.take(view.seen.group == name)
    values = mine.x_mm if axis == 0 else mine.y_mm
    mine = mine.take(np.isfinite(values))
    if len(mine) < FEWEST or np.ptp((pattern.drive_x, pattern.drive_y)[axis][part]) < 1e-3:
        return None
    short = Pattern(*(getattr(pattern, n)[part] for n in ("t_s", "drive_x", "drive_y", "beam",
                                                          "segment")))  # fmt: skip
    problem = _Problem.of(view, axis, mine, short)
    return problem.solved(guess)


@dataclass(frozen=True)
class _Problem:
    """Frames of one group: measured deflection, slow columns that are known, and the drive."""

    deflection: Floats
    slow: Floats
    columns: DriveColumns
    axis: int
    start_s: Floats
    exposure_s: float

    @staticmethod
    def of(view: View, axis: int, seen: Observations, pattern: Pattern) -> _Problem:
        x, y = (np.where(np.isfinite(v), v, np.nanmedian(v)) for v in (seen.x_mm, seen.y_mm))
        sigma = seen.sigma_x_mm if axis == 0 else seen.sigma_y_mm
        theta = deflection_from_spot(x, y, view.optics)[axis] * view.full_scale_mm[axis] / sigma
        columns = drive_columns(pattern, memory=True, relaxation_s=CREEP_S)
        exposure_s = float(np.median(seen.exposure_s))
        mean = columns.averaged(seen.start_s, exposure_s)
        each = (columns.count - 2) // 2
        own = mean[:, 2 + axis * each : 2 + (axis + 1) * each]
        middle = seen.start_s - seen.start_s.mean()
        slow = np.column_stack([np.ones(len(seen)), middle, middle**2, own, mean[:, 1 - axis]])
        scale = 1.0 / sigma
        return _Problem(theta, slow * scale[:, None], columns, axis, seen.start_s, exposure_s)

    def design(self, resonance_hz: float, ratio: float) -> Floats:
        """Slow columns, the ringing answer and its rate (a late clock)."""
        mirror = Mirror(2.0 * np.pi * resonance_hz, ratio)
        mean, rate = rung(self.columns, self.axis, mirror, self.start_s, self.exposure_s)
        scale = self.slow[:, :1]  # column of ones over sigma
        return np.column_stack([self.slow, mean * scale[:, 0], rate * scale[:, 0]])

    def left(self, resonance_hz: float, ratio: float) -> Floats:
        """Residuals in standard deviations, the linear unknowns at their best."""
        design = self.design(resonance_hz, ratio)
        norm = np.linalg.norm(design, axis=0)
        solution = np.linalg.lstsq(design / norm, self.deflection, rcond=1e-10)[0]
        return np.asarray(self.deflection - (design / norm) @ solution)

    def solved(self, guess: Ringing | None) -> Ringing | None:
        """Grid, then Gauss-Newton from its best places; None where two places do equally well."""
        starts = self._starts() if guess is None else [(guess.resonance_hz, guess.damping_ratio)]
        found = sorted((self._refined(*start) for start in starts), key=lambda one: one.chi)
        best = found[0]
        n = len(self.deflection)
        dof = n - self.slow.shape[1] - 4.0
        spread = max(1.0, best.chi / dof)
        for other in found[1:]:
            apart = abs(np.log(other.hz / best.hz)) > 0.05
            if apart and other.chi - best.chi < IMAGE * spread:
                return None
        gain = self._without_ringing() - best.chi
        u = np.sqrt(np.diag(best.cover) * spread)
        if gain < LEAST_GAIN * spread or u[0] > 0.2:
            return None
        both = np.hypot(u, METHOD)
        parts = [effective_dof(((u[k], dof), (METHOD[k], np.inf))) for k in (0, 1)]
        return Ringing(
            best.hz, best.ratio, best.hz * float(both[0]), best.ratio * float(both[1]), min(parts)
        )  # fmt: skip

    def _without_ringing(self) -> float:
        """Sum of squares of a mirror that follows at once, or late, but does not ring."""
        mean, rate = self.columns.only(slice(self.axis, self.axis + 1)).with_slopes(
            self.start_s, self.exposure_s
        )
        design = np.hstack([self.slow, mean * self.slow[:, :1], rate * self.slow[:, :1]])
        design /= np.maximum(np.linalg.norm(design, axis=0), 1e-300)
        solution = np.linalg.lstsq(design, self.deflection, rcond=1e-10)[0]
        left = self.deflection - design @ solution
        return float(left @ left)

    def _starts(self) -> list[tuple[float, float]]:
        """The lowest local minima of the grid in the resonance."""
        misfit = np.array([
            [np.sum(np.minimum(np.abs(self.left(f, z)), 6.0)) for z in RATIOS]
            for f in RESONANCES_HZ
        ])  # fmt: skip
        low = misfit.min(axis=1)
        wall = np.concatenate([[np.inf], low, [np.inf]])
        local = np.flatnonzero((low <= wall[:-2]) & (low <= wall[2:]))
        best = local[np.argsort(low[local])[:MINIMA]]
        return [(float(RESONANCES_HZ[k]), RATIOS[int(np.argmin(misfit[k]))]) for k in best]

    def _refined(self, hz: float, ratio: float) -> _Refined:
        """Least squares in the logarithms of both with a loss that bears strays."""
        from scipy.optimize import least_squares

        fit = least_squares(
            lambda p: self.left(float(np.exp(p[0])), float(np.exp(min(p[1], -1e-3)))),
            np.log([hz, ratio]), loss="soft_l1", f_scale=3.0, max_nfev=30,
        )  # fmt: skip
        cover = np.linalg.pinv(fit.jac.T @ fit.jac)
        chi = float(fit.fun @ fit.fun)
        return _Refined(float(np.exp(fit.x[0])), float(np.exp(fit.x[1])), cover, chi)


@dataclass(frozen=True)
class _Refined:
    """One minimum: resonance, damping ratio, covariance of their logarithms, sum of squares."""

    hz: float
    ratio: float
    cover: Floats
    chi: float


def _of_model(view: View, axis: int, name: str) -> Ringing | None:
    """The same of the model's axis, about the deflection around which the group stepped."""
    assert view.model is not None
    one = (view.model.axis_x, view.model.axis_y)[axis]
    if not isinstance(one, AxisModel):
        return None
    mine = view.seen.take(view.seen.group == name)
    x, y = (np.where(np.isfinite(v), v, 0.0) for v in (mine.x_mm, mine.y_mm))
    if not len(mine):
        return None
    about = float(np.median(deflection_from_spot(x, y, view.optics)[axis]))
    found = of_axis(one, about, FINE_STEP_S)
    if found is None:
        return None
    hz, ratio = found
    # what the simulation's steps damp by themselves may stand in for the mirror's own damping
    plain = of_axis(one, about)
    by_steps = 0.0 if plain is None else abs(ratio - plain[1])
    u_ratio = float(np.hypot(ratio * METHOD_OF_MODEL[1], by_steps))
    return Ringing(hz, ratio, hz * METHOD_OF_MODEL[0], u_ratio, np.inf)


def of_axis(
    axis: AxisModel, about_fs: float = 0.0, step_s: float = 0.0
) -> tuple[float, float] | None:
    """Resonance (Hz) and damping ratio of a small free oscillation of a model about a deflection.

    The undamped frequency at which m ω² equals the storage stiffness, and ζ = (b ω + k″) / (2 m ω²)
    with the after-effect's loss k″ (textbook viscoelasticity); friction sticks in a motion this
    small. With `step_s` the pole is that of the simulation with such steps, by which the model
    was fitted: BDF2 puts (3 − 4 z⁻¹ + z⁻²) / 2h for s, so z⁻¹ = 2 − √(1 + 2 h s). None of an axis
    without inertia.
    """
    inertia, damping = axis.dynamics.inertia_s2, axis.dynamics.damping_s
    if inertia <= 0:
        return None
    spring = axis.elastic
    still = spring.linear + about_fs * (2.0 * spring.quadratic + 3.0 * spring.cubic * about_fs)
    still += axis.friction.small_signal_stiffness()
    omega = np.sqrt(axis.small_signal_stiffness() / inertia)
    loss = 0.0
    for _ in range(20):
        storage, loss = (float(v) for v in axis.after_effect.moduli(omega))
        omega = np.sqrt(max(still + storage, 1e-12) / inertia)
    ratio = float((damping * omega + loss) / (2.0 * inertia * omega**2))
    if step_s > 0.0:
        pole = omega * complex(-ratio, np.sqrt(max(1.0 - ratio**2, 0.0)))
        pole = -np.log(2.0 - np.sqrt(1.0 + 2.0 * step_s * pole)) / step_s
        omega, ratio = abs(pole), float(-pole.real / abs(pole))
    return float(omega / (2.0 * np.pi)), ratio
