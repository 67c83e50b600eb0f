"""The verdict of a recheck: has the rig moved, which number of it, and does it matter on the path?

*Moved* is decided at 5 % overall: half of it by one chi-square of all directions together, half by
each direction alone (Bonferroni), so that neither a change spread over many nor one in a single
number is overlooked. Which ones are blamed: one after the other, the one that explains most of the
chi-square, while a further one still explains more than chance (forward selection; textbook).

*Against what.* What the model never explained of this pattern is the same in every recheck, so the
first one after a fit becomes the reference and later ones are compared with it: the misfit
cancels. Without a reference the misfit known from the fit widens every interval. `BETWEEN` is what
a rig does from one sitting to the next that has not changed: a room that is a kelvin or two off,
a camera set up again, creep from an unknown past.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hysteresis.errors import DataError
from hysteresis.recheck.estimate import Estimate, Names, Sight, estimated, hold_means, returns_mm
from hysteresis.recheck.on_path import PathEffect, on_path
from hysteresis.recheck.results import Judgement, OnPath, Shift, Verdict
from hysteresis.tables import Bools, Floats, Pattern

ALARM = 0.05  # of a verdict other than pass where nothing changed
BETWEEN = {
    "friction": 0.01, "after_effect_fast": 0.02, "after_effect_slow": 0.10, "spring": 0.006,
    "zero_mm": 0.3,
}  # fmt: skip
"""Standard deviation of a difference of two sittings (common practice, no source). That of the
spring is 2 K of a suspension that loses 0.3 % per kelvin (from memory, for rubber)."""
UNEXPLAINED = 2.0  # times what is usually left of the spots: none of the numbers explains this


@dataclass(frozen=True)
class Baseline:
    """What a recheck is compared with: the reference's estimate, and how it was called.

    `part_value` (k,), `part_noise` (k, k): the same without the part that comes twice. `held_mm`:
    what the model left of that part (NaN: not known). `date`: of the reference, ISO 8601.
    """

    names: Names
    value: Floats
    noise: Floats
    part_value: Floats
    part_noise: Floats
    left_mm: float
    words: str
    record: str
    date: str = ""
    held_mm: float = float("nan")


@dataclass(frozen=True)
class Judged:
    """One recheck: verdict, and what it rests on.

    `found`: of all spots; `part`: without the part that comes twice; `misfit_mm`: how far the
    model may be off within one hold.
    """

    judgement: Judgement
    sight: Sight
    found: Estimate
    part: Estimate
    pattern: Pattern
    misfit_mm: float


def judged(
    sight: Sight, found: Estimate, effect: PathEffect, tolerance_mm: float, *,
    misfit_mm: float, baseline: Baseline | None = None,
) -> Judgement:  # fmt: skip
    """Judge one recheck.

    Parameters
    ----------
    misfit_mm : how far the model may be off within one hold, from its fit.
    baseline : the reference; None where there is none yet.

    Where no moved form of the model fits, the verdict is refit, and no shift is told.

    Raises DataError when the reference tells of other directions than this recheck.
    """
    if not found.fits:
        return _of_another(sight, found, tolerance_mm, baseline)
    names = found.names
    if baseline is not None and baseline.names != names:
        raise DataError(
            f"the reference {baseline.record} was measured on other axes than this recheck; "
            "take a new reference with --reference"
        )
    change, noise = compared(sight, found, misfit_mm, baseline)
    whole = with_sittings(names, noise)
    chi_square, p_value, certain = _moved(change, whole)
    blamed = _blamed(change, whole) if certain else []
    by, by_error = if_only(change, whole, blamed)
    is_blamed = np.isin(np.arange(len(names)), blamed)
    counted = np.array([d != "zero_mm" for _, d in names]) | is_blamed
    told = on_path(effect, by if blamed else change, noise, tolerance_mm, counted, certain)
    left = left_mm(sight, found)
    usual = misfit_mm if baseline is None else baseline.left_mm
    strange = left > UNEXPLAINED * max(usual, _noise_mm(sight))
    verdict, reasons = _verdict(told, certain, strange, left, usual, baseline is not None)
    error = np.sqrt(np.diag(whole))
    shifts = tuple(
        Shift(axis, d, _plain(d, change[k]), float(error[k]), bool(is_blamed[k]),
              _plain(d, by[k]) if is_blamed[k] else 0.0,
              float(by_error[k]) if is_blamed[k] else 0.0)
        for k, (axis, d) in enumerate(names)
    )  # fmt: skip
    return Judgement(
        verdict=verdict,
        chi_square=chi_square,
        degrees=len(names),
        p_value=p_value,
        shifts=shifts,
        on_path=told,
        against="the fit" if baseline is None else baseline.words,
        reference="" if baseline is None else baseline.record,
        return_mm=returns_mm(sight),
        residual_mm=left,
        noise_mm=_noise_mm(sight),
        reasons=reasons,
    )


def _of_another(
    sight: Sight, found: Estimate, tolerance_mm: float, baseline: Baseline | None
) -> Judgement:
    """The judgement where no moved form of the model fits: only how far the model is off."""
    x, y = np.split(sight.unmoved[0], 2)
    as_is = replace(found, left_x_mm=sight.seen.x_mm - x, left_y_mm=sight.seen.y_mm - y)
    off = left_mm(sight, as_is)
    distance = np.hypot(*np.nan_to_num(hold_means(sight, as_is)))
    unknown = float("nan")
    return Judgement(
        verdict="refit", chi_square=unknown, degrees=len(found.names), p_value=unknown, shifts=(),
        on_path=OnPath(
            "the recheck's own holds", off, off, off, float(distance.max()), tolerance_mm
        ),
        against="the fit" if baseline is None else baseline.words,
        reference="" if baseline is None else baseline.record,
        return_mm=returns_mm(sight), residual_mm=left_mm(sight, found), noise_mm=_noise_mm(sight),
        reasons=(
            "these spots fit no moved form of this model: they are of another rig, or something "
            "slipped while they were taken (screen, camera, ruler, suspension)",
            f"by the stored model as it is, the holds are {off:.3f} mm off",
        ),
    )  # fmt: skip


def compared(
    sight: Sight, found: Estimate, misfit_mm: float, baseline: Baseline | None,
    rows: Bools | None = None,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Change of the directions (k,) and its covariance: against the reference, or the fit.

    `rows`: the spots that `found` was fitted to, if not all; the reference's part is then that
    without what comes twice. Against the fit, each hold may be off by the misfit.
    """
    if baseline is None:
        found = estimated(sight, rows=rows, misfit_mm=misfit_mm)
        return found.value, found.noise
    if rows is None:
        return found.value - baseline.value, found.noise + baseline.noise
    return found.value - baseline.part_value, found.noise + baseline.part_noise


def with_sittings(names: Names, noise: Floats) -> Floats:
    """A covariance (k, k) with what differs between sittings of a rig that has not changed."""
    return noise + np.diag([BETWEEN[d] ** 2 for _, d in names])


def left_mm(sight: Sight, found: Estimate) -> float:
    """Rms over the holds of the mean distance that the moved model leaves (mm)."""
    return float(np.sqrt(np.mean(np.nansum(np.square(hold_means(sight, found)), axis=0))))


def logarithms(shifts: tuple[Shift, ...]) -> Floats:
    """The blamed changes (k,) as the model's directions take them: logarithms, and mm."""
    return np.array([
        0.0 if not s.moved else s.moved_by if s.direction == "zero_mm" else np.log1p(s.moved_by)
        for s in shifts
    ])  # fmt: skip


def _plain(direction: str, value: float) -> float:
    """A logarithm of a factor as the fraction of change; mm as they are."""
    return float(value if direction == "zero_mm" else np.expm1(value))


def _noise_mm(sight: Sight) -> float:
    both = np.concatenate([sight.seen.sigma_x_mm, sight.seen.sigma_y_mm])
    return float(np.nanmedian(both))


# ---- has anything moved, and what --------------------------------------------------------------


def _moved(change: Floats, whole: Floats) -> tuple[float, float, bool]:
    """Chi-square of all directions, its probability by chance, and whether something moved."""
    from scipy import stats

    chi_square = float(change @ np.linalg.solve(whole, change))
    p_value = float(stats.chi2.sf(chi_square, len(change)))
    alone = 2.0 * stats.norm.sf(np.abs(change) / np.sqrt(np.diag(whole)))
    certain = p_value < ALARM / 2.0 or float(alone.min()) < ALARM / 2.0 / len(change)
    return chi_square, p_value, bool(certain)


def _blamed(change: Floats, whole: Floats) -> list[int]:
    """Rows of the directions that are blamed, in the order in which they were chosen."""
    from scipy import stats

    inverse = np.linalg.inv(whole)
    enough = float(stats.chi2.isf(ALARM / len(change), 1))
    chosen: list[int] = []
    while len(chosen) < len(change):
        rest = change - if_only(change, whole, chosen)[0]
        # what each further one would take off the chi-square beside those chosen
        gain = np.full(len(change), -np.inf)
        before = float(rest @ inverse @ rest)
        for k in set(range(len(change))) - set(chosen):
            more = change - if_only(change, whole, [*chosen, k])[0]
            gain[k] = before - float(more @ inverse @ more)
        best = int(np.argmax(gain))
        if chosen and gain[best] < enough:
            break
        chosen.append(best)
    return chosen


def if_only(change: Floats, whole: Floats, rows: list[int]) -> tuple[Floats, Floats]:
    """The change and its standard error (k,) if only these directions moved: generalised least
    squares (textbook); 0 elsewhere."""
    value, error = np.zeros(len(change)), np.zeros(len(change))
    if rows:
        inverse = np.linalg.inv(whole)
        part = np.linalg.inv(inverse[np.ix_(rows, rows)])
        value[rows] = part @ (inverse[rows] @ change)
        error[rows] = np.sqrt(np.diag(part))
    return value, error


def _verdict(
    told: OnPath, certain: bool, strange: bool, left: float, usual: float, referred: bool
) -> tuple[Verdict, tuple[str, ...]]:
    """pass, watch or refit, and why, in sentences."""
    reasons = []
    verdict: Verdict = "pass"
    limit = f"{told.tolerance_mm:.3g} mm"
    where = f"on {told.path}"
    if certain and told.error_mm > told.tolerance_mm:
        verdict = "refit"
        reasons.append(f"the change would leave {told.error_mm:.3f} mm {where}, more than {limit}")
    elif certain:
        verdict = "watch"
        reasons.append(
            f"something has changed beyond doubt; it would leave {told.error_mm:.3f} mm {where}, "
            f"within {limit}"
        )
    elif told.high_mm > told.tolerance_mm:
        verdict = "watch"
        reasons.append(
            f"no change is certain, but one of up to {told.high_mm:.3f} mm {where} cannot be "
            f"ruled out, more than {limit}"
        )
        if not referred:
            reasons.append("a reference recheck right after a fit makes the next ones sharper")
    else:
        reasons.append(
            f"no change is certain, and none of more than {told.high_mm:.3f} mm {where} is likely"
        )
    if strange:
        verdict = "refit" if left > told.tolerance_mm else "watch" if verdict == "pass" else verdict
        reasons.append(
            f"{left:.3f} mm of the spots are explained by none of the numbers (usually "
            f"{usual:.3f} mm): look whether the rig is bent, torn or bumped"
        )
    return verdict, tuple(reasons)
