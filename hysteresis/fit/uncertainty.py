"""Standard errors of the parameters, and what the model leaves unexplained.

Neighbouring frames share the model's error, so the textbook covariance is widened by a design
effect; it is computed on the free set only: weights at their bound carry none. What a model is
worth on another path is told by refits to redrawn blocks, and by how far it went astray when
only the first part of the recording was fitted and the rest foretold (`Trust`).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from itertools import pairwise
from typing import Any

import numpy as np

from hysteresis.fit.block_bootstrap import blocks_of, drawn_counts, linear_blocks, refits
from hysteresis.fit.finish import Solution
from hysteresis.fit.held_out import HeldOut
from hysteresis.fit.predict import predict
from hysteresis.fit.recipes import RICH
from hysteresis.fit.structure import Recipe, axis_from_full, layout
from hysteresis.model import Discrepancy, axis_from_json
from hysteresis.operators.memories import FAMILIES
from hysteresis.optics import RigOptics
from hysteresis.plain_content import PartFault, entries, number, numbers, within, word
from hysteresis.recording import Grid, Observations
from hysteresis.tables import Floats, Ints, Pattern

FEW_SPREAD = 0.5  # natural logarithm (common practice, no source)
JOB_S = 90.0  # after the pattern's end; a job like the study's, with its pause
BLOCK_S = 0.34  # residuals are averaged over about this long before the noise is taken out
REFITS = 64  # kept in a model; the spread of a forecast is then known to 9 %
CUTS = (0.4, 0.5, 0.6, 0.7, 0.8)  # shares of the recording after which the rest is foretold
LARGEST = 1e9  # in a file; above any unknown, length in mm or time in s of a rig
LEAST_REFITS = 2  # in a file
WORDS = {
    "form": ("torque", "compliance"), "memory": tuple(FAMILIES),
    "after_effect": ("spectrum", "log", "power"), "axes": ("xy", "x", "y"),
}  # fmt: skip
REACHES = (0.1, 0.25, 0.5, 1.0)  # edges of time ahead, as shares of the time before the cut


@dataclass(frozen=True)
class Trust:
    """How far to trust a model on a path it has not seen; part of what model.json holds.

    `short` (s,) are the unknowns of `recipe` and `refits` (k, s) those of fits to redrawn
    blocks; `ahead_mm`: rms distance by which the model goes astray per unit of ln(1 + h/T), h
    the time since a recording of `length_s` = T ended; `zero_mm`: standard uncertainty of
    absolute positions; `counted_mm`: what of the error on data held out is doubt of the unknowns
    there, not to be counted again beside the refits.
    """

    recipe: Recipe
    short: Floats
    refits: Floats
    ahead_mm: float
    length_s: float
    zero_mm: float
    counted_mm: float

    def to_json(self) -> dict[str, Any]:
        """Plain content; refits as differences from `short`, four digits."""
        return {
            "recipe": {
                k: [float(x) for x in v] if isinstance(v, tuple) else v
                for k, v in asdict(self.recipe).items()
            },
            "short": self.short.tolist(),
            "moved": [[float(f"{v:.4g}") for v in row] for row in self.refits - self.short],
            "ahead_mm": self.ahead_mm,
            "length_s": self.length_s,
            "zero_mm": self.zero_mm,
            "counted_mm": self.counted_mm,
        }

    @staticmethod
    def from_json(data: dict[str, Any]) -> Trust:
        """Inverse of `to_json`; raises PartFault, with the place, for other content."""
        recipe = _recipe_from_json(entries(data, "recipe"))
        short = numbers(data, "short", most=LARGEST)
        with within("short"):
            _check_short(recipe, short)
        moved = data.get("moved")
        if not isinstance(moved, list) or len(moved) < LEAST_REFITS:
            raise PartFault("moved", f"holds fewer than {LEAST_REFITS} refits")
        with within("moved"):
            rows = [numbers({"row": row}, "row", most=LARGEST) for row in moved]
            if {len(row) for row in rows} != {len(short)}:
                raise ValueError(f"every row has {len(short)} numbers")
        sizes = [number(data, k, 0.0, LARGEST) for k in ("ahead_mm", "zero_mm", "counted_mm")]
        length = number(data, "length_s", 1e-3, LARGEST)
        return Trust(recipe, short, short + np.array(rows), sizes[0], length, sizes[1], sizes[2])


def _recipe_from_json(data: dict[str, Any]) -> Recipe:
    told: dict[str, Any] = {}
    kinds = {f.name: f.default for f in fields(Recipe)}
    with within("recipe"):
        for name, value in data.items():
            if name not in kinds:
                raise PartFault(name, "is not known to this version")
            if name in WORDS:
                told[name] = word(data, name, WORDS[name])
            elif isinstance(kinds[name], bool):
                if not isinstance(value, bool):
                    raise PartFault(name, "is neither true nor false")
                told[name] = value
            elif isinstance(kinds[name], tuple):
                told[name] = tuple(numbers(data, name, most=LARGEST).tolist())
            else:
                told[name] = number(data, name, 0.0, LARGEST)
        recipe = Recipe(**told)
        if len(recipe.heat_lag_s) != 2 or min(recipe.heat_lag_s) <= 0:
            raise PartFault("heat_lag_s", "is not two positive times")
    return recipe


def _check_short(recipe: Recipe, short: Floats) -> None:
    """ValueError where these unknowns make no rig that a model may hold."""
    plan = layout(recipe)
    if len(short) != len(plan.names):
        raise ValueError(f"the recipe has {len(plan.names)} unknowns, not {len(short)}")
    full, per = plan.full(short), plan.per_axis
    for k, axis in enumerate("xy"):
        one, _ = axis_from_full(recipe, full[k * per : (k + 1) * per])
        with within(f"axis_{axis}"):
            axis_from_json(one.to_json())  # refuses what no axis can be


def standard_errors(solution: Solution, seen: Observations) -> Floats:
    """Standard error of every short unknown; NaN where it sits at its bound."""
    return np.asarray(np.sqrt(np.diag(covariance(solution, seen))))


def covariance(solution: Solution, seen: Observations) -> Floats:
    """Covariance (s, s) of the short unknowns; NaN in rows and columns of those at their bound.

    Gauss-Newton covariance with priors on the free set, (JᵀWJ + priors)⁻¹ (textbook), times the
    design effect of the residuals: how much more the sum over a second scatters than independent
    frames would.
    """
    layout = solution.layout
    free = (~layout.not_negative | (solution.short > 0)) & (solution.short < layout.upper)
    root = solution.root[:, free]
    scale = np.maximum(np.sqrt(np.sum(root**2, axis=0)), 1e-300)
    inverse = np.linalg.pinv((root / scale).T @ (root / scale), rcond=1e-13, hermitian=True)
    inverse *= design_effect(solution, seen) / np.outer(scale, scale)
    np.fill_diagonal(inverse, np.maximum(np.diag(inverse), 0.0))
    out = np.full((len(solution.short), len(solution.short)), np.nan)
    out[np.ix_(free, free)] = inverse
    return out


def design_effect(solution: Solution, seen: Observations) -> float:
    """Mean square of block sums of the residuals over what independent noise would give, ≥ 1.

    Blocks last one second (Kish's design effect of cluster samples; from memory).
    """
    block = np.unique(np.floor(seen.start_s).astype(int), return_inverse=True)[1]
    top, bottom = 0.0, 0.0
    for r, sigma in (
        (solution.residual_x_mm, seen.sigma_x_mm), (solution.residual_y_mm, seen.sigma_y_mm)
    ):  # fmt: skip
        z = np.nan_to_num(np.clip(r / sigma, -10.0, 10.0))
        top += float(np.sum(np.bincount(block, weights=z) ** 2))
        bottom += float(np.sum(np.isfinite(r)))
    return max(1.0, top / max(bottom, 1.0))


def discrepancy(
    held: HeldOut, seen: Observations, noise_mm: float, zero_mm: float, *, rich: bool
) -> Discrepancy:
    """Size of the error on data held out, part by part.

    Of a camera log (`rich`) the parts are the groups of the pattern, and noise is taken out:
    residuals are averaged over about a third of a second, where the camera's noise is small and
    the model's error is not; what is left of the noise is subtracted in square. Of a few
    readings the parts are the folds, and their noise stays in: readings cannot vouch for less
    than their own scatter. Nor have they seen fast moves, hence the least spread `FEW_SPREAD`.
    """
    parts = seen.group if rich else held.fold
    sizes = [
        _size(held, seen, np.flatnonzero((parts == name) & (held.fold >= 0)), noise_mm * rich)
        for name in dict.fromkeys(parts[held.fold >= 0])
    ]
    if not sizes:
        return Discrepancy(float("nan"), float("nan"), 0, zero_mm)
    values = np.maximum(sizes, 0.1 * noise_mm)
    spread = float(np.std(np.log(values), ddof=1)) if len(values) > 1 else 1.0
    typical = float(np.sqrt(np.mean(values**2)))
    return Discrepancy(typical, spread if rich else max(spread, FEW_SPREAD), len(values), zero_mm)


def _size(held: HeldOut, seen: Observations, rows: Ints, noise_mm: float) -> float:
    """Rms distance in mm of the residuals of some rows, averaged in blocks, less the noise."""
    block = np.floor((seen.start_s[rows] - seen.start_s[rows[0]]) / BLOCK_S).astype(int)
    square = 0.0
    for r in (held.residual_x_mm[rows], held.residual_y_mm[rows]):
        ok = np.isfinite(r)
        count = np.bincount(block[ok])
        filled = count > 0
        if not filled.any():
            continue
        mean = np.bincount(block[ok], weights=r[ok])[filled] / count[filled]
        square += float(np.mean(mean**2 - noise_mm**2 / count[filled]))
    return float(np.sqrt(max(square, 0.0)))


def unseen_creep_mm(
    pattern: Pattern, per_decade: tuple[float, float], full_scale_mm: tuple[float, float]
) -> float:
    """How far creep from before the pattern may shift a job that follows it, as a distance.

    What a rig did before is only seen through its fading during the pattern. Creep in
    logarithmic time, C per decade, of excursions like the pattern's own fades on by
    C · excursion · log10((T + t) / T) within t seconds after a pattern of T seconds
    (Boltzmann's sum for one step, textbook viscoelasticity); t is `JOB_S`.
    """
    length = float(pattern.t_s[-1] - pattern.t_s[0])
    decades = np.log10((length + JOB_S) / length)
    square = 0.0
    for drive, share, scale in zip(
        (pattern.drive_x, pattern.drive_y), per_decade, full_scale_mm, strict=True
    ):
        middle = 0.5 * (drive[1:] ** 2 + drive[:-1] ** 2)
        size = float(np.sqrt(np.sum(middle * np.diff(pattern.t_s)) / length))
        square += (share * size * scale * decades) ** 2
    return float(np.sqrt(square))


# ---- on another path ---------------------------------------------------------------------------


def trust(
    solution: Solution,
    grid: Grid,
    seen: Observations,
    nominal: RigOptics,
    zero_mm: float,
    *,
    count: int = REFITS,
    seed: int = 0,
) -> Trust | None:
    """Refits to redrawn blocks, and how far the model goes astray beyond its data.

    `zero_mm`: standard uncertainty of absolute positions, as a distance. One simulation with
    slopes; the rest is bounded linear solves on compressed blocks. None for a few readings: their
    own scatter is most of what is known, and redrawn readings leave unknowns open (the study of
    coverage found the forecast that knows no path the better one there).
    """
    if len(seen) < RICH:
        return None
    _, _, jacobian = predict(solution.layout, solution.short, grid, seen, nominal, slopes=True)
    assert jacobian is not None
    block, names = blocks_of(seen)
    small = linear_blocks(solution, seen, jacobian, block, names)
    rng = np.random.default_rng(seed)
    draws = drawn_counts(len(names), count, rng)
    values = refits(small, draws, rng.standard_normal((count, small.prior_shift.shape[1])))
    end = np.array([seen.start_s[block == b].max() for b in range(len(names))])
    begin, length = float(seen.start_s[0]), float(seen.start_s[-1] - seen.start_s[0])
    cuts = begin + length * np.array(CUTS)
    known = end[None, :] <= cuts[:, None]
    known = known[known.any(axis=1)]
    early = refits(small, known.astype(float))
    square, reach = 0.0, 0.0
    for part, short in zip(known, early, strict=True):
        since = float(end[part].max())
        b2, g2 = _astray(solution, seen, jacobian @ (short - solution.short), begin, since)
        square, reach = square + b2, reach + g2
    ahead = float(np.sqrt(max(square, 0.0) / reach)) if reach > 0 else 0.0
    last = max(float(grid.t_s[-1] - grid.t_s[0]), length)
    counted = _counted(jacobian @ (values - solution.short).T, solution)
    return Trust(solution.layout.recipe, solution.short, values, ahead, last, zero_mm, counted)


def _counted(moved: Floats, solution: Solution) -> float:
    """Rms distance by which refits move the spots of the recording, `moved` (2f, k)."""
    square = 0.0
    residuals = (solution.residual_x_mm, solution.residual_y_mm)
    for part, r in zip(np.split(moved, 2), residuals, strict=True):
        ok = np.isfinite(r)
        square += float(np.mean(part[ok] ** 2)) if ok.any() else 0.0
    return float(np.sqrt(square))


def _astray(
    solution: Solution, seen: Observations, moved: Floats, begin_s: float, since_s: float
) -> tuple[float, float]:
    """Sums over stretches of time ahead: squared mean residual, and squared ln(1 + h/T).

    `moved` (2f,): what a fit to the rows before `since_s` foretells, less the solution. Creep
    from an unknown past, heat and drift go on in logarithmic time (Boltzmann's sum for one step,
    textbook), so errors at different h and T are told in units of ln(1 + h/T). What
    independent noise leaves of a mean is taken out.
    """
    frames = len(seen)
    before = since_s - begin_s
    ahead = seen.start_s - since_s
    square = reach = 0.0
    for near, far in pairwise(REACHES):
        inside = (ahead > near * before) & (ahead <= far * before)
        if inside.sum() < 2 or ahead[-1] < 0.9 * far * before:
            continue
        own = 0.0
        for r, sigma, shift in (
            (solution.residual_x_mm, seen.sigma_x_mm, moved[:frames]),
            (solution.residual_y_mm, seen.sigma_y_mm, moved[frames:]),
        ):
            ok = inside & np.isfinite(r)
            if ok.sum() > 1:
                own += float(np.mean((r - shift)[ok]) ** 2 - np.mean(sigma[ok] ** 2) / ok.sum())
        square += own
        reach += float(np.mean(np.log1p(ahead[inside] / before)) ** 2)
    return square, reach


def moved_on_path(
    known: Trust, nominal: RigOptics, grid: Grid, at_s: Floats
) -> tuple[Floats, Floats]:
    """Where each refit puts the spot, less where the model does: x and y (k, n) in mm.

    `grid` holds everything played since the start of the recording's pattern, the path at its
    end; `at_s` (n,) are times on its clock. First order in the unknowns, J (refit − short); the
    camera's clock plays no part.
    """
    plan = layout(known.recipe)
    count = len(at_s)
    nothing, one = np.zeros(count), np.ones(count)
    blank = Observations(at_s, nothing, nothing, nothing, one, one, np.full(count, "path", object),
                         np.arange(count, dtype=float), True)  # fmt: skip
    _, _, jacobian = predict(plan, known.short, grid, blank, nominal, slopes=True)
    assert jacobian is not None
    change = known.refits - known.short
    for name in ("clock_offset_s", "clock_drift"):
        change[:, plan.names == name] = 0.0
    moved = change @ jacobian.T
    return moved[:, :count], moved[:, count:]
