"""The quick update: the few numbers that moved, moved in the model, if that holds on what was not
used.

The part of the recheck that comes twice (of a sheet, the last reading) is held out: the change is
found once more without it, and model and moved model foretell it, each with its own past and place
of the camera. Only then is the change of all spots taken over. The model of the fit stays as it
is; the new one tells in its provenance what was moved and why.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hysteresis.compensate.learn import MOST_FACTOR, MOST_ZERO_MM
from hysteresis.compensate.played_job import state_after_pattern
from hysteresis.errors import InputError
from hysteresis.fit.directions import by_axis, moved_file, moved_model
from hysteresis.model import FittedModel, RigState
from hysteresis.recheck.estimate import Sight, estimated, state_before, with_model
from hysteresis.recheck.judge import Baseline, compared, if_only, logarithms, with_sittings
from hysteresis.recheck.results import Judgement, QuickUpdate
from hysteresis.tables import Floats, Pattern


def updated(
    fitted: FittedModel, sight: Sight, judgement: Judgement, pattern: Pattern, date: str, *,
    misfit_mm: float, baseline: Baseline | None = None,
) -> tuple[FittedModel, QuickUpdate]:  # fmt: skip
    """The updated model, or the model as it was where the update does not hold, and how it went.

    Its state `end` is that after this recheck, so that a job may go on from there. Raises
    InputError when the recheck found nothing that moved.
    """
    rows = [k for k, s in enumerate(judgement.shifts) if s.moved]
    if not rows:
        raise InputError(
            "no number of the model has moved, so there is nothing to update",
            mend="leave out --update; the stored model still holds",
        )
    what = "the part that comes twice" if sight.repeat.sum() > 1 else "the last reading"
    change = logarithms(judgement.shifts)
    most = [MOST_ZERO_MM if sight.names[k][1] == "zero_mm" else np.log(MOST_FACTOR) for k in rows]
    before, after = _held_out(sight, rows, misfit_mm, baseline)
    if np.any(np.abs(change[rows]) > most):
        note = (
            f"a number would change by more than a factor of {MOST_FACTOR:g}, or the zero by more "
            f"than {MOST_ZERO_MM:g} mm: this is another rig; the model is left as it was; fit anew"
        )
        return fitted, QuickUpdate(False, what, before, after, (note,))
    if not after < before:
        note = (
            f"on {what} the error would go from {before:.4f} to {after:.4f} mm: the model is left "
            "as it was; fit the rig again"
        )
        return fitted, QuickUpdate(False, what, before, after, (note,))
    names = [sight.names[k] for k in rows]
    by = by_axis(names, change[rows])
    notes = _left(what, after, judgement.on_path.tolerance_mm, baseline)
    told = {
        "date": date,
        "moved": [
            {"axis": s.axis, "direction": s.direction, "by": s.moved_by,
             "standard_error": s.moved_by_error}
            for s in judgement.moved
        ],
        "against": judgement.against, "held_out": what, "held_before_mm": before,
        "held_after_mm": after,
    }  # fmt: skip
    better = moved_file(fitted, by, "rechecked", told)
    end = end_state(with_model(sight, better.model), pattern, misfit_mm)
    return replace(better, end=end), QuickUpdate(True, what, before, after, notes)


def held_out_mm(sight: Sight, misfit_mm: float) -> float:
    """Rms distance (mm) of the spots held out from the sight's own model; NaN where none are."""
    return _astray(sight, [n for n in sight.names if n[1] == "zero_mm"], misfit_mm)


def _left(
    what: str, after: float, tolerance_mm: float, baseline: Baseline | None
) -> tuple[str, ...]:
    """A word where more is left on what is held out than the tolerance, or than there was before.

    The reference's own figure tells how much of it the model never explained.
    """
    usual = float("nan") if baseline is None else baseline.held_mm
    known = f"; the reference itself left {usual:.4f} mm there" if np.isfinite(usual) else ""
    if after <= tolerance_mm and not after > 2.0 * usual:
        return ()
    than = f"more than the tolerance of {tolerance_mm:g} mm" if after > tolerance_mm else (
        "more than twice as much as before"
    )  # fmt: skip
    return (f"the updated model still leaves {after:.4f} mm on {what}, {than}{known}",)


def end_state(sight: Sight, pattern: Pattern, misfit_mm: float) -> RigState:
    """The state of the sight's model when the recheck has ended, for a job that goes on from there.

    The zero is taken to be the model's: then how far the spots lie from it tells the creep left
    from an unknown past, which half a minute cannot tell from another zero.
    """
    past = estimated(sight, (), misfit_mm=misfit_mm).past
    return state_after_pattern(sight.model, state_before(sight, past), pattern)


def _held_out(
    sight: Sight, rows: list[int], misfit_mm: float, baseline: Baseline | None
) -> tuple[float, float]:
    """Rms distance (mm) on what is held out, of the model and of the one moved without it."""
    use = ~sight.repeat
    found = estimated(sight, rows=use)
    change, noise = compared(sight, found, misfit_mm, baseline, use)
    by = if_only(change, with_sittings(sight.names, noise), rows)[0]
    moved = with_model(sight, moved_model(sight.model, by_axis(list(sight.names), by)))
    # a zero that is to be moved must not be fitted away
    zeros = [n for k, n in enumerate(sight.names) if n[1] == "zero_mm" and k not in rows]
    return _astray(sight, zeros, misfit_mm), _astray(moved, zeros, misfit_mm)


def _astray(sight: Sight, free: list[tuple[str, str]], misfit_mm: float) -> float:
    left = estimated(sight, free, ~sight.repeat, misfit_mm=misfit_mm)
    size: Floats = np.nansum(
        np.square([left.left_x_mm[sight.repeat], left.left_y_mm[sight.repeat]]), axis=0
    )
    return float(np.sqrt(np.mean(size)))
