"""What error a path is to expect after a pattern that was not played yet.

Variance and bias together, over the path alone (Box & Draper 1959, design where the model is not
quite right; from memory). Variance: what the unknowns' covariance, as the pattern would leave it,
does to the spots. Bias: no model is the rig; its error is taken to be alike where the situation is
alike (how far out, how much friction and creep there is in it), as a random smooth function of
these, and a fit to other situations than the path's brings theirs along. Few unknowns on a coarse
grid, so that one forecast takes a fraction of a second.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.fit.causes import block_of
from hysteresis.fit.identifiability import half_covariance
from hysteresis.fit.linearised import Ahead, ahead, frames_of
from hysteresis.fit.structure import Layout, Recipe, axis_from_full, layout
from hysteresis.model import FittedModel, RigModel
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.optics import RigOptics, nominal_optics
from hysteresis.plan.improve import in_a_row
from hysteresis.recording import Grid, simulation_grid
from hysteresis.tables import Floats, Pattern, SpotPath

SLIPS, TIMES_PER_DECADE = 8, 2.0
SHORTEST_S, LONGEST_S = 0.05, 600.0
ROWS_S = 0.1  # frames are taken together over this long
MODEL_ERROR_MM, MEMORY_S = 0.03, 1.0  # error of a fitted model and how long it lasts (no source)
NOISE_MM = 0.02
FRICTION, PER_DECADE = 0.1, 0.025  # of the stiffness, where no model is known (no source)
MOST_NODES = 3000  # of a path; a longer one is looked at more coarsely
WAVES = 60
APPROACH_S, PAUSE_S = 0.5, 30.0


@dataclass(frozen=True)
class Prior:
    """A rig as far as it is known before: few unknowns, with wide priors.

    `sigma_mm`: standard deviation of rows `ROWS_S` apart, the model's own error included;
    `error_mm`: that error.
    """

    plan: Layout
    short: Floats
    nominal: RigOptics
    sigma_mm: float
    error_mm: float

    def rig(self) -> RigModel:
        """The model at the middle of the prior."""
        full, per = self.plan.full(self.short), self.plan.per_axis
        axes = [axis_from_full(self.plan.recipe, full[a * per : (a + 1) * per])[0] for a in (0, 1)]
        return RigModel(axes[0], axes[1], self.nominal)


def prior_for(bench: Bench, fitted: FittedModel | None = None, axes: str = "xy") -> Prior:
    """What is taken to be known of a rig: its fitted model, or a thread-like one; wide priors.

    Slip limits and relaxation times are a coarse grid; a fitted model's stiffnesses are dealt out
    to it, and each may be off by about as much as all of its kind together share out.
    """
    top = bench.limits.max_drive
    limits = np.geomspace(0.01, 0.85 * top, SLIPS)
    count = int(np.ceil(TIMES_PER_DECADE * np.log10(LONGEST_S / SHORTEST_S))) + 1
    times = np.geomspace(SHORTEST_S, LONGEST_S, count)
    plan = layout(Recipe(
        slip_limits=tuple(limits), relaxation_times_s=tuple(times), heating=True, history=True,
        tilt=True, axes=axes,
    ))  # fmt: skip
    short, sd = np.where(np.isfinite(plan.prior_sd), plan.prior_mean, 0.0), plan.prior_sd.copy()
    noise, gap = NOISE_MM, MODEL_ERROR_MM
    for axis in axes:
        slips = np.full(SLIPS, FRICTION / SLIPS)
        # one decade of times relaxes as much as its branches are stiff (textbook)
        branches = np.full(count, PER_DECADE / TIMES_PER_DECADE)
        if fitted is not None:
            model = fitted.model.axis_x if axis == "x" else fitted.model.axis_y
            # another form of memory is told by its sizes alone, spread as evenly as the nominal
            slips = np.full(SLIPS, model.friction_share() / SLIPS)
            branches = np.full(count, model.after_effect_share() / TIMES_PER_DECADE)
            if isinstance(model, AxisModel):
                whole, creep = model.small_signal_stiffness(), model.after_effect
                branches = _dealt_out(times, creep.relaxation_time_s, creep.stiffness) / whole
                if isinstance(model.friction, MaxwellSlip) and model.friction.limit.size:
                    friction = model.friction
                    slips = _dealt_out(limits, friction.limit, friction.stiffness) / whole
        for start, values, least in (("slip", slips, 0.01), ("branch", branches, 0.003)):
            total = max(float(values.sum()), least)
            for i, value in enumerate(values, 1):
                k = plan.index(f"{axis}_{start}_{i:02d}")
                short[k], sd[k] = value, total / np.sqrt(len(values))
        k1 = plan.index(f"{axis}_k1")
        short[k1], sd[k1] = 1.0 - slips.sum() - branches.sum(), 0.1
        sd[plan.index(f"offset_{axis}_mm")] = 5.0
    if fitted is not None:
        noise = float(np.mean([fitted.figures.get(f"noise_{a}_mm", np.nan) for a in axes]))
        gap = fitted.discrepancy.typical_mm
        noise, gap = (v if np.isfinite(v) else d for v, d in ((noise, NOISE_MM),
                                                              (gap, MODEL_ERROR_MM)))  # fmt: skip
    frame_s = 1.0 / 30.0 if bench.camera is None else 1.0 / bench.camera.frame_rate_hz
    # rows share the model's error for MEMORY_S, so that many of them count as one
    sigma = np.sqrt(noise**2 * min(1.0, frame_s / ROWS_S) + gap**2 * MEMORY_S / ROWS_S)
    return Prior(replace(plan, prior_sd=sd), short, nominal_optics(bench.optics), float(sigma),
                 float(gap))  # fmt: skip


def _dealt_out(grid: Floats, at: Floats, values: Floats) -> Floats:
    """Values at places `at` shared out to the two nearest of a logarithmic grid; sum kept."""
    if not len(at):
        return np.zeros(len(grid))
    place = np.interp(np.log(at), np.log(grid), np.arange(len(grid)))
    low = np.minimum(place.astype(int), len(grid) - 2)
    share = place - low
    out = np.zeros(len(grid))
    np.add.at(out, low, values * (1.0 - share))
    np.add.at(out, low + 1, values * share)
    return out


@dataclass(frozen=True)
class PathAim:
    """What a forecast needs of a path: means over its traced part, and the model error's shape.

    With J the spots' derivatives by the unknowns and F the model error by its random weights:
    `square` JᵀJ, `cross` JᵀF, `own` trace FᵀF. `turn`, `phase`: the waves of which F is made.
    """

    square: Floats
    cross: Floats
    own: float
    turn: Floats
    phase: Floats


def _situations(prior: Prior, rows: Floats) -> list[Floats]:
    """Per axis (f, 3): how far out, and how much friction and creep each spot has in it (mm)."""
    n = len(rows) // 2
    out = []
    for a, axis in enumerate("xy"):
        part = rows[a * n : (a + 1) * n] * prior.plan.prior_sd
        kind = [
            np.array([block_of(str(name)) == (axis, what) for name in prior.plan.names])
            for what in ("friction memory", "after-effect")
        ]
        first = [str(name) == f"{axis}_k1" for name in prior.plan.names]
        sums = [part[:, np.array(of)].sum(axis=1) for of in (first, *kind)]
        out.append(np.column_stack(sums))
    return out


def _waves(prior: Prior, aim: PathAim, rows: Floats) -> Floats:
    """Model error (mm) of rows (2f, s) by its weights (2f, 2w): random Fourier features of a
    squared-exponential kernel (Rahimi & Recht 2007; from memory), each axis its own."""
    blocks = [
        prior.error_mm * np.sqrt(2.0 / WAVES) * np.cos(z @ aim.turn + aim.phase)
        for z in _situations(prior, rows)
    ]
    out = np.zeros((len(rows), 2 * WAVES))
    n = len(rows) // 2
    out[:n, :WAVES], out[n:, WAVES:] = blocks
    return out


def aim_at(
    prior: Prior, path: SpotPath, bench: Bench, before: Pattern, *, like: PathAim | None = None
) -> PathAim:
    """The forecast's aim: spots of the traced part, played with the drive that the middle of the
    prior takes for right, after the pattern `before` and a pause.

    What the rig did before the pattern and what the pattern did to it both go on fading while
    the path is drawn; so zero and history, which a pattern hardly tells apart, err together here
    as they do there. `like` gives the shape of the model's error; else it is drawn anew.
    """
    t = path.t_s - path.t_s[0]
    step = max(0.005, float(t[-1]) / MOST_NODES)
    even = np.arange(0.0, float(t[-1]) + 0.5 * step, step)
    x, y = np.interp(even, t, path.x_mm), np.interp(even, t, path.y_mm)
    count = int(np.ceil(APPROACH_S / step))
    swing = (1.0 - np.cos(np.pi * np.arange(count) / count)) / 2.0
    x, y = np.concatenate([swing * x[0], x]), np.concatenate([swing * y[0], y])
    # the pause ends with a conditioning, as every output begins with one
    lead = in_a_row(bench, [])[0]
    wait = max(PAUSE_S - float(lead.t_s[-1]), 1.0)
    first = coarse_grid(before)
    rest = first.t_s[-1] + np.geomspace(0.02, 1.0, 40) * wait
    wipe = coarse_grid(lead)
    begin = np.concatenate([first.t_s, rest, rest[-1] + 0.01 + wipe.t_s])
    drive_x, drive_y, _ = prior.rig().drives(x, y, step)
    clock = np.concatenate([begin, begin[-1] + step * np.arange(1, len(x) + 1)])
    still = np.zeros(len(rest))
    grid = Grid(
        clock, np.diff(clock, prepend=clock[0] - 0.02),
        np.concatenate([first.drive_x, still, wipe.drive_x, drive_x]),
        np.concatenate([first.drive_y, still, wipe.drive_y, drive_y]),
    )  # fmt: skip
    row = np.clip(np.searchsorted(t, even + 1e-9, side="right") - 1, 0, len(t) - 1)
    on = np.concatenate([np.zeros(len(begin) + count, dtype=bool), path.beam[row]])
    if not on.any():
        on = np.arange(len(clock)) >= len(begin) + count
    every = frames_of(_as_pattern(grid), bench, ROWS_S)
    seen = every.take(np.interp(every.start_s, clock, on.astype(float)) > 0.5)
    rows = ahead(prior.plan, prior.short, grid, seen, prior.nominal, np.ones(len(seen))).rows
    spread = np.array([np.std(z, axis=0) for z in _situations(prior, rows)])
    # situations as far apart as the path's own spread have errors that hardly know each other
    reach = np.maximum(spread.mean(axis=0), 1e-6)
    rng = np.random.default_rng(0)
    aim = like or PathAim(
        np.zeros((0, 0)), np.zeros((0, 0)), 0.0,
        rng.standard_normal((len(reach), WAVES)) / reach[:, None],
        rng.uniform(0.0, 2.0 * np.pi, WAVES),
    )  # fmt: skip
    waves = _waves(prior, aim, rows)
    count = max(len(seen), 1)
    return replace(
        aim, square=rows.T @ rows / count, cross=rows.T @ waves / count,
        own=float(np.sum(waves**2)) / count,
    )  # fmt: skip


def _as_pattern(grid: Grid) -> Pattern:
    names = np.full(len(grid.t_s), "path/001", dtype=object)
    return Pattern(grid.t_s, grid.drive_x, grid.drive_y, np.ones(len(names), dtype=bool), names)


def coarse_grid(pattern: Pattern) -> Grid:
    """A grid for slow memory alone: every vertex, and steps of 20 ms and more between them."""
    return simulation_grid(
        pattern.t_s, pattern.drive_x, pattern.drive_y,
        fine_step_s=0.02, settle_s=0.0, growth=0.3, longest_move=0.03, longest_step_s=0.3,
    )  # fmt: skip


def rows_of(prior: Prior, pattern: Pattern, bench: Bench) -> Ahead:
    """The rows that a pattern would give, from the end of its first conditioning on."""
    grid = coarse_grid(pattern)
    frames = frames_of(pattern, bench, ROWS_S)
    kinds = np.array([str(s).split("/")[0] for s in pattern.segment])
    known = np.flatnonzero(kinds == "conditioning")
    if known.size:
        first = known[0]
        while first < len(kinds) - 1 and kinds[first] == "conditioning":
            first += 1
        frames = frames.take(frames.start_s >= pattern.t_s[first])
    sigma = np.full(len(frames), prior.sigma_mm)
    return ahead(prior.plan, prior.short, grid, frames, prior.nominal, sigma)


def prior_root(prior: Prior) -> Floats:
    return np.diag(1.0 / np.where(np.isfinite(prior.plan.prior_sd), prior.plan.prior_sd, 10.0))


def gain(prior: Prior, aim: PathAim, part: Ahead, half: Floats) -> Floats:
    """Information of rows and how the model's error pulls at the unknowns, side by side (e, e+2w),
    in units of what is known already."""
    known = part.rows @ half
    waves = _waves(prior, aim, part.rows * prior.sigma_mm) / prior.sigma_mm
    return np.hstack([known.T @ known, known.T @ waves])


def square_mm2(aim: PathAim, half: Floats, gained: Floats) -> tuple[float, float]:
    """Mean square error on the path in mm²: what unknowns leave open, and what the model's own
    error adds. `gained`: a sum of `gain`s, `half` as there."""
    from scipy.linalg import cho_factor, cho_solve

    size = half.shape[1]
    factor = cho_factor(np.eye(size) + gained[:, :size], check_finite=False)
    square = half.T @ aim.square @ half
    pulled = cho_solve(factor, gained[:, size:], check_finite=False)
    variance = float(np.trace(cho_solve(factor, square, check_finite=False)))
    bias = np.sum(pulled * (square @ pulled)) - 2.0 * np.sum(pulled * (half.T @ aim.cross))
    return variance, max(0.0, float(bias + aim.own))


def forecast_mm(
    prior: Prior, pattern: Pattern, path: SpotPath, bench: Bench, like: PathAim
) -> tuple[float, float]:
    """Rms error (mm) on a path played after this pattern and a fit to it: by what the unknowns
    leave open, and by the model's own error. Their root of squares is the forecast."""
    aim = aim_at(prior, path, bench, pattern, like=like)
    half = half_covariance(prior_root(prior))
    gained = gain(prior, aim, rows_of(prior, pattern, bench), half)
    variance, bias = square_mm2(aim, half, gained)
    return float(np.sqrt(variance)), float(np.sqrt(bias))
