"""In half a minute: is the stored model still right for the tolerance, and what has moved?

`judge_recheck` joins the stage: the recording put beside the model (`estimate`), what a change
would do to a path (`on_path`), the verdict (`judge`). `baseline_of` makes a recheck the reference
of later ones, `quick_update` takes over what moved.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.fit.fitted import absolute_uncertainty_mm
from hysteresis.measure.measured import Measured
from hysteresis.measure.registration import Registration
from hysteresis.model import FittedModel
from hysteresis.recheck.estimate import estimated, sight_of
from hysteresis.recheck.judge import Baseline, Judged, judged, left_mm
from hysteresis.recheck.on_path import PathEffect, effect_on_job, effect_on_recheck
from hysteresis.recheck.results import QuickUpdate
from hysteresis.recheck.slips import without_slips
from hysteresis.recheck.update import end_state, held_out_mm, updated
from hysteresis.tables import Pattern, Recording, SpotPath

__all__ = [
    "Baseline", "Judged", "baseline_of", "end_state", "judge_recheck", "quick_update",
    "readings_kept",
]  # fmt: skip

RULER_MM = 0.3  # how a ruler lies on the target once more (common practice, no source)


def judge_recheck(
    fitted: FittedModel, pattern: Pattern, recording: Recording, bench: Bench, *,
    baseline: Baseline | None = None, effect: PathEffect | None = None,
    job: SpotPath | None = None, registration: Registration | None = None, date: str = "",
) -> Judged:  # fmt: skip
    """Judge a recheck's recording by a stored model.

    `baseline`: the reference, None where there is none; `job`: the wanted path on which a change
    matters, or at once its `effect`;
    the recheck's own holds without either; `registration`: the camera's, where it is not that of
    the bench; `date`: of the recheck, ISO 8601, to tell one that predates its reference.

    Raises DataError for a recording of another pattern, or with too little in it.
    """
    typed = bool(np.all(recording.exposure_s[recording.used] == 0.0))
    lies = RULER_MM if typed else absolute_uncertainty_mm(bench, registration) / np.sqrt(2.0)
    full = _full_mm(bench)
    sight = sight_of(fitted.model, pattern, recording, camera_mm=max(float(lies), 1e-3),
                     full_mm=full)  # fmt: skip
    found, part = estimated(sight), estimated(sight, rows=~sight.repeat)
    if effect is None and job is not None:
        effect = effect_on_job(fitted.model, found.names, job, "the last job")
    effect = effect_on_recheck(sight, found) if effect is None else effect
    misfit = fitted.discrepancy.typical_mm  # on data held out, within a hold
    judgement = judged(
        sight, found, effect, bench.tolerance.target_mm, misfit_mm=misfit, baseline=baseline
    )
    if baseline is not None and date and date < baseline.date:
        early = f"this recheck is dated {date}, before its reference of {baseline.date}"
        judgement = replace(judgement, reasons=(*judgement.reasons, early))
    return Judged(judgement, sight, found, part, pattern, misfit)


def readings_kept(
    fitted: FittedModel, pattern: Pattern, measured: Measured, bench: Bench,
    kept: Collection[int] = (),
) -> Measured:  # fmt: skip
    """Readings by ruler without those that neither the model nor the others bear out.

    `kept`: numbers of readings that are used by the person's word. Raises InputError where too
    few are left.
    """
    return without_slips(fitted.model, pattern, measured, ruler_mm=RULER_MM,
                         full_mm=_full_mm(bench), kept=kept)  # fmt: skip


def baseline_of(one: Judged, words: str, record: str = "") -> Baseline:
    """This recheck as the reference of later ones. InputError where the model does not fit it."""
    if not one.judgement.fits:
        raise InputError(
            "this recheck fits no moved form of the model, so it cannot be a reference",
            mend="look whether something slipped and take it anew, or fit the rig anew",
        )
    return Baseline(
        one.found.names, one.found.value, one.found.noise, one.part.value, one.part.noise,
        left_mm(one.sight, one.found), words, record,
        held_mm=held_out_mm(one.sight, one.misfit_mm),
    )  # fmt: skip


def quick_update(
    fitted: FittedModel, one: Judged, *, date: str, baseline: Baseline | None = None
) -> tuple[FittedModel, QuickUpdate]:
    """The model with what moved taken over, if that holds on what is held out.

    Raises InputError where nothing moved.
    """
    return updated(
        fitted, one.sight, one.judgement, one.pattern, date, misfit_mm=one.misfit_mm,
        baseline=baseline,
    )  # fmt: skip


def _full_mm(bench: Bench) -> tuple[float, float]:
    return bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm
