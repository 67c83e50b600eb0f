"""How far the directions of a stored model are from what half a minute of the rig shows.

Least squares over the spots seen while the drive stood still: they hold what friction, spring and
after-effect do, and neither the clock of a camera nor the mirror's ringing. Directions are drawn
to no change with wide priors. What differs from sitting to sitting and is no drift is fitted
along with priors of its own and forgotten: creep left from before the recheck (its friction is
wiped by the conditioning), and how the camera or the ruler lies on the target. Gauss-Newton with
normal priors (the same as ridge; textbook), its steps shortened until they lower the sum; no
robust weights, so that the estimate is linear in the spots and what the model never explains is the
same in every recheck of one pattern.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from hysteresis.compliance_axis import ComplianceAxis
from hysteresis.errors import DataError
from hysteresis.fit.directions import axis_of, by_axis, directions_of, moved_model
from hysteresis.fit.rows import after_conditioning, driven_only, refuse_another_pattern
from hysteresis.model import Axis, RigModel, RigState
from hysteresis.optics import spot_from_deflection
from hysteresis.recording import Grid, Observations, average, observations, simulation_grid
from hysteresis.tables import Bools, Floats, Ints, Pattern, Recording

Names = tuple[tuple[str, str], ...]

WIDTHS = {
    "friction": 0.5, "after_effect_fast": 0.5, "after_effect_slow": 0.5, "spring": 0.2,
    "zero_mm": 3.0,
}  # fmt: skip
"""Prior standard deviations: factors as their logarithm, the zero in mm (common practice, no
source): several times what a rig drifts by before it is another one."""
PAST_FS = 0.3  # stretch of a Maxwell branch left from an unknown past (common practice, no source)
PAST_FROM_S = 0.5  # quicker branches have forgotten it by the end of the conditioning
SETTLED_S = 0.3  # after a move: the mirror has stopped ringing
STILL_PER_S = 1e-6
GRID = {"fine_step_s": 0.002, "settle_s": 0.08, "growth": 0.15}
"""Coarser than a fit's: no spot is used before the ringing is over. It changes the directions by
less than a third of their standard error, and alike in every recheck (tests/recheck)."""
ROUNDS, ENOUGH = 24, 1e-4  # of a prior's width
HALVINGS = (1.0, 0.5, 0.2, 0.05, 0.01)  # of a step, until it lowers the sum of squares
NOTHING = 0.1  # of chi-square, which a further step would lower the sum by
STEP = 1e-3
FARTHEST = 4.0  # prior widths; the rig is another one
FEWEST = {"camera": 60, "typed": 4}  # spots of one axis
SEEN = 0.9  # of the pattern that a film must show
LEAST_SIGMA_MM = 1e-4


@dataclass(frozen=True)
class Sight:
    """A recheck put beside the stored model: what is fitted, and to what.

    `names` (k,): the directions, (axis, direction). `stretch` (f,): number of the hold that each
    spot was seen in; `label`: the segment of each. `home` (f,): back at zero drive. `repeat`
    (f,): in the part of the pattern that comes twice. `past`: (axis, row of the branch) of each
    unknown of the past. `camera_mm`: standard uncertainty of a coordinate at the edge of the
    field, from how camera or ruler lie. `unmoved`: spots of the model as it is and their slopes,
    with which every estimate begins.
    """

    model: RigModel
    grid: Grid
    seen: Observations
    names: Names
    stretch: Ints
    label: tuple[str, ...]
    home: Bools
    repeat: Bools
    past: tuple[tuple[str, int], ...]
    full_mm: tuple[float, float]
    camera_mm: float
    unmoved: tuple[Floats, Floats]


@dataclass(frozen=True)
class Estimate:
    """Directions found (k,), as logarithms of factors and mm, and what is known of them.

    `past`: the stretch found of each of the sight's branches, full scale.
    `noise` (k, k): covariance from the noise of the spots, priors and the nuisances.
    `left_x_mm`, `left_y_mm` (f,): spots less the moved model. `effect` (2, f, k): derivative of
    the spots (x, y) by the directions. `fits`: the search has settled, with no direction at the
    end of what is allowed; otherwise no moved form of the model explains the spots.
    """

    names: Names
    value: Floats
    past: Floats
    noise: Floats
    left_x_mm: Floats
    left_y_mm: Floats
    effect: Floats
    fits: bool = True


def sight_of(
    model: RigModel, pattern: Pattern, recording: Recording, *, camera_mm: float,
    full_mm: tuple[float, float],
) -> Sight:  # fmt: skip
    """Put a recheck beside a model. Raises DataError for another pattern or too few spots."""
    refuse_another_pattern(pattern, recording)
    seen = driven_only(pattern, after_conditioning(pattern, observations(pattern, recording)))
    place, whole = _holds(pattern)
    middle = seen.start_s + 0.5 * seen.exposure_s
    row = np.clip(np.searchsorted(pattern.t_s, middle, side="right") - 1, 0, len(pattern) - 2)
    typed = bool(np.all(seen.exposure_s == 0.0))
    if typed:  # read at the end of its hold, give or take
        row = np.clip(np.searchsorted(pattern.t_s, middle - 1e-6, side="right") - 1,
                      0, len(pattern) - 2)  # fmt: skip
    still = place[row] >= 0
    if not typed:
        still &= seen.start_s >= whole[place[row], 0] + SETTLED_S
        still &= seen.start_s + seen.exposure_s <= whole[place[row], 1] + 1e-6
    _refuse_few(seen.take(still), typed, float(pattern.t_s[-1]))
    seen, row = seen.take(still), row[still]
    label = tuple(str(pattern.segment[k]) for k in row)
    names = tuple(
        (axis, d)
        for axis, places in (("x", seen.x_mm), ("y", seen.y_mm))
        if np.isfinite(places).any()
        for d in directions_of(axis_of(model, axis))
    )
    past = tuple(
        (axis, int(m))
        for axis in "xy"
        for m in np.flatnonzero(_times(axis_of(model, axis)) >= PAST_FROM_S)
        if (axis, "zero_mm") in names
    )
    sight = Sight(
        model=model,
        grid=simulation_grid(pattern.t_s, pattern.drive_x, pattern.drive_y, **GRID),
        seen=seen,
        names=names,
        stretch=place[row],
        label=label,
        home=(pattern.drive_x[row] == 0.0) & (pattern.drive_y[row] == 0.0),
        repeat=_repeat(label),
        past=past,
        full_mm=full_mm,
        camera_mm=camera_mm,
        unmoved=(np.empty(0), np.empty(0)),
    )
    return with_model(sight, model)


def with_model(sight: Sight, model: RigModel) -> Sight:
    """The same recheck put beside another model of the same form."""
    other = replace(sight, model=model)
    return replace(other, unmoved=_with_slopes(other, np.zeros(_unknowns(other))))


def estimated(
    sight: Sight,
    free: Collection[tuple[str, str]] | None = None,
    rows: Bools | None = None,
    *,
    misfit_mm: float = 0.0,
) -> Estimate:
    """Fit the directions `free` (all if unsaid) and the nuisances to the spots of `rows`.

    `misfit_mm`: an error that each hold has of its own beside the noise, the same for all its
    spots, as a standard deviation; each spot then counts less, by their number. Directions that
    are not free stay at no change. The effects and what is left are told of all
    spots, whatever was fitted to.
    """
    free = sight.names if free is None else free
    k = len(sight.names)
    loose = np.array([name in free for name in sight.names] + [True] * (_unknowns(sight) - k))
    width = np.concatenate([
        [WIDTHS[d] for _, d in sight.names],
        np.full(len(sight.past), PAST_FS),
        np.full(_unknowns(sight) - k - len(sight.past), sight.camera_mm),
    ])  # fmt: skip
    target = np.concatenate([sight.seen.x_mm, sight.seen.y_mm])
    count = np.bincount(sight.stretch)[sight.stretch]
    own = np.tile(np.sqrt(count) * misfit_mm, 2)
    sigma = np.hypot(np.concatenate([sight.seen.sigma_x_mm, sight.seen.sigma_y_mm]), own)
    use = np.isfinite(target) & (np.ones(len(target), bool) if rows is None else np.tile(rows, 2))
    weight = np.where(use, 1.0 / np.maximum(sigma, LEAST_SIGMA_MM) ** 2, 0.0)
    target = np.where(use, target, 0.0)
    p = np.zeros(len(width))
    at = np.flatnonzero(loose)
    edge = FARTHEST * width[:k]

    def cost(spots: Floats, q: Floats) -> float:
        return float(weight @ np.square(target - spots) + np.sum(np.square(q / width)))

    here, slopes = sight.unmoved
    least, since, settled = cost(here, p), 0, False
    part, inverse = _linear(slopes, at, weight, width)
    for _ in range(ROUNDS):
        pull: Floats = part.T @ (weight * (target - here)) - p[at] / width[at] ** 2
        step = np.zeros(len(p))
        step[at] = inverse @ pull
        settled = bool(np.max(np.abs(step) / width) < ENOUGH)
        if settled:
            break
        # the whole step is shortened: cut to size number by number it might lead uphill
        room = edge - np.sign(step[:k]) * p[:k]
        step *= min(1.0, float(np.min(room / np.maximum(np.abs(step[:k]), 1e-12), initial=1.0)))
        lower = False
        for share in HALVINGS:
            now = p + share * step
            spots = _here(sight, now)
            less = cost(spots, now)
            lower = less < least
            if lower:
                p, here, least = now, spots, less
                break
        since += 1
        if since == 3 or not lower or share < 1.0:
            if not lower and since == 1:
                break  # new slopes, and still no step that helps
            # the spots are nearly linear in the unknowns: slopes serve for a while
            here, slopes = _with_slopes(sight, p)
            part, inverse = _linear(slopes, at, weight, width)
            since = 0
    # an unsettled fit whose next step would win next to nothing is as good as settled
    pull = part.T @ (weight * (target - here)) - p[at] / width[at] ** 2
    settled = settled or float(pull @ inverse @ pull) < NOTHING
    inside = bool(np.all(np.abs(p[:k]) < 0.999 * edge))
    noise = np.zeros((k, k))
    inner = np.flatnonzero(loose[:k])
    noise[np.ix_(inner, inner)] = inverse[: len(inner), : len(inner)]
    left_x, left_y = np.split(np.concatenate([sight.seen.x_mm, sight.seen.y_mm]) - here, 2)
    effect = np.stack(np.split(slopes[:, :k], 2))
    return Estimate(
        sight.names, p[:k], p[k : k + len(sight.past)], noise, left_x, left_y, effect,
        settled and inside,
    )  # fmt: skip


def _linear(slopes: Floats, at: Ints, weight: Floats, width: Floats) -> tuple[Floats, Floats]:
    """Slopes (2f, n) by the unknowns `at`, and the inverse of their normal matrix with priors."""
    part: Floats = slopes[:, at]
    normal = part.T @ (weight[:, None] * part) + np.diag(width[at] ** -2)
    return part, np.asarray(np.linalg.inv(normal))


def returns_mm(sight: Sight) -> float:
    """Rms over the returns of the distance between the mean spots seen and the stored model's.

    The zero is taken out: of each axis its mean over the returns.
    """
    found = estimated(sight, [name for name in sight.names if name[1] == "zero_mm"])
    means = [
        of - np.nanmean(of) for of in hold_means(sight, found, sight.home) if np.isfinite(of).any()
    ]
    if not means:
        return float("nan")
    return float(np.sqrt(np.nanmean(np.nansum(np.square(means), axis=0))))


def hold_means(sight: Sight, found: Estimate, rows: Bools | None = None) -> Floats:
    """Mean of what is left of x and of y in each hold of `rows`, (2, holds); NaN: not seen."""
    use = np.ones(len(sight.stretch), bool) if rows is None else rows
    holds, place = np.unique(sight.stretch[use], return_inverse=True)
    out = []
    for left in (found.left_x_mm[use], found.left_y_mm[use]):
        seen = np.isfinite(left)
        count = np.bincount(place[seen], minlength=len(holds))
        total = np.bincount(place[seen], left[seen], minlength=len(holds))
        out.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
    return np.array(out)


def state_before(sight: Sight, past: Floats) -> RigState:
    """The state of the model before the recheck, for stretches of its branches (see `Sight`)."""
    out = []
    for name in "xy":
        axis = axis_of(sight.model, name)
        stretch = np.zeros(len(_times(axis)))
        for (own, m), value in zip(sight.past, past, strict=True):
            if own == name:
                stretch[m] = value
        out.append(axis.branch_state(stretch))
    return RigState(out[0], out[1])


def _repeat(label: tuple[str, ...]) -> Bools:
    """The part of a pattern that comes a second time; of readings the last one."""
    again = np.array([name.startswith("repeat/") for name in label])
    return again if again.any() else np.array([name == label[-1] for name in label])


# ---- the spots of a vector ----------------------------------------------------------------------


def _unknowns(sight: Sight) -> int:
    return len(sight.names) + len(sight.past) + 6


def _times(axis: Axis) -> Floats:
    if isinstance(axis, ComplianceAxis):
        return axis.retardation_time_s
    return axis.after_effect.relaxation_time_s


def _angle(sight: Sight, p: Floats, name: str) -> Floats:
    """Mean deflection of one axis at each spot (f,), full scale."""
    k = len(sight.names)
    model = moved_model(sight.model, by_axis(list(sight.names), p[:k]))
    axis = axis_of(model, name)
    stretch = np.zeros(len(_times(axis)))
    for (own, m), value in zip(sight.past, p[k:], strict=False):
        if own == name:
            stretch[m] = value
    grid = sight.grid
    drive = grid.drive_x if name == "x" else grid.drive_y
    theta, _ = axis.deflection(drive, grid.step_s, axis.branch_state(stretch))
    return average(grid, theta, sight.seen.start_s, sight.seen.exposure_s)


def _spots(sight: Sight, p: Floats, angles: tuple[Floats, Floats]) -> Floats:
    """Spots (2f,), all x and then all y, less what the camera adds."""
    names = [n if n[1] == "zero_mm" else (n[0], "") for n in sight.names]
    zero = by_axis(names, p[: len(names)])
    optics = moved_model(sight.model, {a: {"zero_mm": f.get("zero_mm", 0.0)}
                                       for a, f in zero.items()}).optics  # fmt: skip
    return np.concatenate(spot_from_deflection(*angles, optics))


def _with_slopes(sight: Sight, p: Floats) -> tuple[Floats, Floats]:
    """Spots (2f,) and their derivatives (2f, n) by differences; each axis is played on its own."""
    own = len(sight.names) + len(sight.past)
    angles = _angle(sight, p, "x"), _angle(sight, p, "y")
    here = _spots(sight, p, angles)
    view = _camera_columns(sight, here)
    columns = []
    for k, (axis, what) in enumerate((*sight.names, *sight.past)):
        q = p.copy()
        q[k] += STEP
        moved = angles
        if what != "zero_mm":
            one = _angle(sight, q, axis)
            moved = (one, angles[1]) if axis == "x" else (angles[0], one)
        columns.append((_spots(sight, q, moved) - here) / STEP)
    slopes = np.column_stack([*columns, view])
    return here + view @ p[own:], slopes


def _here(sight: Sight, p: Floats) -> Floats:
    own = len(sight.names) + len(sight.past)
    here = _spots(sight, p, (_angle(sight, p, "x"), _angle(sight, p, "y")))
    return here + _camera_columns(sight, here) @ p[own:]


def _camera_columns(sight: Sight, spots: Floats) -> Floats:
    """(2f, 6): a plane seen a little otherwise (scale and turn of each axis, tilt), 1 at the edge.

    The first-order terms of a homography near identity, less its shift, which is the zero's.
    """
    x, y = (v / full for v, full in zip(np.split(spots, 2), sight.full_mm, strict=True))
    o = np.zeros_like(x)
    pairs = ((x, o), (y, o), (o, x), (o, y), (x * x, x * y), (x * y, y * y))
    return np.column_stack([np.concatenate(pair) for pair in pairs])


# ---- where the drive stands still ---------------------------------------------------------------


def _holds(pattern: Pattern) -> tuple[Ints, Floats]:
    """Number of the hold of each stretch between vertices, −1 where it moves; begin and end (s)."""
    drive = np.column_stack([pattern.drive_x, pattern.drive_y])
    rest = np.all(np.abs(np.diff(drive, axis=0)) <= STILL_PER_S, axis=1)
    number = np.full(len(pattern), -1, np.int64)
    spans: list[list[float]] = []
    for k in np.flatnonzero(rest):
        if k and rest[k - 1]:
            spans[-1][1] = float(pattern.t_s[k + 1])
        else:
            spans.append([float(pattern.t_s[k]), float(pattern.t_s[k + 1])])
        number[k] = len(spans) - 1
    return number, np.array(spans).reshape(-1, 2)


def _refuse_few(seen: Observations, typed: bool, end_s: float) -> None:
    least = FEWEST["typed" if typed else "camera"]
    most = max((int(np.isfinite(v).sum()) for v in (seen.x_mm, seen.y_mm)), default=0)
    if most < least:
        what = "readings" if typed else "frames with the drive at rest"
        raise DataError(
            f"the recheck has only {most} {what} that can be used after its conditioning; at least "
            f"{least} are needed: {'fill in the whole sheet' if typed else 'film it to its end'}"
        )
    last_s = float(np.max(seen.start_s))
    if not typed and last_s < SEEN * end_s:
        raise DataError(
            f"the film ends {last_s:.0f} s into a recheck of {end_s:.0f} s: the returns that come "
            "twice were not seen; film it to its end"
        )
