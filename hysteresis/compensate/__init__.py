"""Pre-distortion of whole paths: wanted spots in, drive signals out, limits checked.

The chain: wanted spot -> optics inverse -> coupling inverse -> wanted deflection (already smoothed
to the rig's bandwidth by `paths`) -> torque balance -> limits -> drive. Travel moves follow the
path (nothing is gained from a beam that is off yet).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.compensate.forecast import Forecast, forecast, forecast_on_path
from hysteresis.compensate.lead_in import WantedPath, with_lead_in
from hysteresis.compensate.limits import Excess, excesses
from hysteresis.errors import DataError, InputError
from hysteresis.model import FittedModel, RigModel, RigState, content_error
from hysteresis.optics import deflection_from_spot, nominal_optics
from hysteresis.plain_content import PartFault, within
from hysteresis.tables import Bools, DriveSignal, Floats, Pattern, SpotPath

if TYPE_CHECKING:
    from hysteresis.fit.uncertainty import Trust

__all__ = ["Compensated", "Excess", "Forecast", "compensate_path", "state_after_pause"]

MODEL_FILE = "model.json"
FADE_S = 0.3  # in which the drives are led to zero at the end
FORETOLD_S = 600.0
LONGEST_PAUSE_S = 30 * 86400.0  # no recording tells how creep fades over months
LEAST_PAUSE_S = 1e-6
HELD = 0.5  # full scale of the example in the note on AC-coupled outputs


@dataclass(frozen=True)
class Compensated:
    """A path ready for output.

    `planned`: the wanted spots from the first sample of the lead-in on; `drive`: what makes the
    rig follow them; `plain`: the drive of a rig thought to have no memory, for comparison, same
    lead-in; `end`: the rig's state when the output ends; `excesses`: limits not met by `drive`,
    and `plain_excesses` by `plain`, which must be empty before the one or the other is played.
    """

    planned: SpotPath
    drive: DriveSignal
    plain: DriveSignal
    end: RigState
    excesses: tuple[Excess, ...]
    plain_excesses: tuple[Excess, ...]
    forecast: Forecast
    lead_in_s: float
    notes: tuple[str, ...]


def state_after_pause(model: RigModel, state: RigState, pause_s: float) -> RigState:
    """The state after resting at zero drive for `pause_s` seconds.

    InputError where that is not finite, or more than 30 days.
    """
    if not pause_s <= LONGEST_PAUSE_S:
        what = "is longer than 30 days" if np.isfinite(pause_s) else "is not a finite time"
        raise InputError(
            f"the pause {what}", value=pause_s,
            mend=f"give at most {LONGEST_PAUSE_S:.0f} seconds, or leave it out when the rig's "
            "past is not known",
        )  # fmt: skip
    if pause_s < LEAST_PAUSE_S:
        return state
    count = 400
    # steps grow in proportion to the time since: recovery is even in the logarithm of time
    times = pause_s * (np.geomspace(1e-4, 1.0, count) - 1e-4) / (1.0 - 1e-4)
    steps = np.diff(times)
    rest = np.zeros(len(steps))
    return model.spots(rest, rest, steps, state)[2]


def compensate_path(
    fitted: FittedModel,
    bench: Bench,
    path: SpotPath,
    *,
    start: RigState | None = None,
    condition: bool = True,
    history: tuple[Pattern, float] | None = None,
) -> Compensated:
    """Pre-distort a path for one rig.

    `path` holds wanted spots (mm) on an even enough clock, smoothed to the bench's bandwidth
    (as `paths.read_path` returns it). `start` is the rig's state before the output; None: that
    of a rig at rest without a past. `history`: the pattern the model was fitted to and the pause
    (s) since, when that is all the rig did before: the forecast then knows the path. Nothing is
    clipped: where a limit is exceeded the result
    says so. Raises DataError when the path is too short to be one, InputError for a model whose
    content makes no sense, or makes no numbers.
    """
    if len(path) < 2:
        raise DataError("the path has fewer than two points")
    model, known = fitted.model, _known(fitted)
    state = model.rest() if start is None else start
    wanted, drive_x, drive_y, end = _within_drive(model, state, bench, path, condition)
    plain_x, plain_y = _plain_drives(fitted.without_memory, wanted)
    foretold_x, foretold_y, _ = model.spots(plain_x, plain_y, wanted.step_s, state)
    t_s, drive_x, drive_y, x_mm, y_mm, end = _faded_out(model, end, wanted, drive_x, drive_y)
    fade = np.linspace(1.0, 0.0, len(t_s) - len(wanted.t_s) + 1)[1:]
    plain_x = np.concatenate([plain_x, plain_x[-1] * fade])
    plain_y = np.concatenate([plain_y, plain_y[-1] * fade])
    # the beam changes between samples: rows of their own for those moments
    switch = path.t_s[np.flatnonzero(np.diff(path.beam)) + 1] - path.t_s[0] + wanted.lead_in_s
    t_all = np.union1d(t_s, switch)
    x_all, y_all, drive_x, drive_y, plain_x, plain_y = (
        np.interp(t_all, t_s, v) for v in (x_mm, y_mm, drive_x, drive_y, plain_x, plain_y)
    )
    row = np.searchsorted(path.t_s, t_all - wanted.lead_in_s + path.t_s[0] + 1e-9, "right") - 1
    beam = path.beam[np.clip(row, 0, len(path) - 1)] & (row >= 0) & (row < len(path) - 1)
    if not np.all(np.isfinite([drive_x, drive_y, plain_x, plain_y, x_all, y_all])):
        raise content_error(PartFault("model", "makes drives that are not finite"), MODEL_FILE)
    mm_per_drive = max(bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
    notes = []
    if start is None:
        notes.append(
            "the rig's past is not known: creep from earlier moves shifts the whole job until it "
            "has faded; run this right after a characterisation, or after minutes of rest"
        )
    if bench.beam.mode == "always-on":
        notes.append(
            "the beam cannot be switched off: cover the work during the lead-in "
            f"({wanted.lead_in_s:.1f} s), the conditioning swings cross the field"
        )
    notes += _coupling_notes(model, bench)
    return Compensated(
        planned=SpotPath(t_all, x_all, y_all, beam),
        drive=DriveSignal(t_all, drive_x, drive_y, beam),
        plain=DriveSignal(t_all, plain_x, plain_y, beam),
        end=end,
        excesses=excesses(bench, t_all, drive_x, drive_y, x_all, y_all, mm_per_drive),
        plain_excesses=excesses(bench, t_all, plain_x, plain_y, x_all, y_all, mm_per_drive),
        forecast=_forecast(
            fitted, known, bench, history, DriveSignal(t_all, drive_x, drive_y, beam),
            foretold_x - wanted.x_mm, foretold_y - wanted.y_mm, wanted.beam,
        ),
        lead_in_s=wanted.lead_in_s,
        notes=tuple(notes),
    )


def _known(fitted: FittedModel) -> Trust | None:
    """How far to trust the model, checked; InputError for content that makes no sense."""
    if fitted.trust is None:
        return None
    from hysteresis.fit.uncertainty import Trust

    try:
        with within("trust"):
            return Trust.from_json(fitted.trust)
    except PartFault as fault:
        raise content_error(fault, MODEL_FILE) from fault


def _forecast(
    fitted: FittedModel, known: Trust | None, bench: Bench,
    history: tuple[Pattern, float] | None, drive: DriveSignal,
    error_x_mm: Floats, error_y_mm: Floats, traced: Bools,
) -> Forecast:  # fmt: skip
    """The forecast that knows the path, where the model and the rig's past carry it."""
    # numbers too large for the sums below are told by the check at the end
    with np.errstate(all="ignore"):
        out = _foretold(fitted, known, bench, history, drive, error_x_mm, error_y_mm, traced)
    if not np.all(np.isfinite(list(out.to_json().values()))):
        raise content_error(
            PartFault("discrepancy, or trust,", "makes a forecast that is not finite"), MODEL_FILE
        )
    return out


def _foretold(
    fitted: FittedModel, known: Trust | None, bench: Bench,
    history: tuple[Pattern, float] | None, drive: DriveSignal,
    error_x_mm: Floats, error_y_mm: Floats, traced: Bools,
) -> Forecast:  # fmt: skip
    if history is None or known is None:
        return forecast(fitted.discrepancy, error_x_mm, error_y_mm, traced)
    on = traced if traced.any() else np.ones(len(traced), dtype=bool)
    nominal = replace(nominal_optics(bench.optics), turn_rad=fitted.model.optics.turn_rad)
    # a job of hours is judged by its first minutes: what is unknown of a model shows there
    early = drive.t_s <= drive.t_s[0] + FORETOLD_S
    part = DriveSignal(drive.t_s[early], drive.drive_x[early], drive.drive_y[early],
                       drive.beam[early])  # fmt: skip
    pattern, pause_s = history
    return forecast_on_path(
        fitted.discrepancy, known, nominal, pattern, pause_s, part, part.beam,
        error_x_mm[on], error_y_mm[on],
    )  # fmt: skip


def _coupling_notes(model: RigModel, bench: Bench) -> list[str]:
    """What an AC-coupled output means for this path; of the droop that the fit found, if any."""
    chains = [axis.chain for axis in (model.axis_x, model.axis_y) if isinstance(axis, AxisModel)]
    droop = max((chain.droop_per_s for chain in chains), default=0.0)
    if droop > 0.0:
        hold_s = min(chain.longest_hold_s(HELD, most=bench.limits.max_drive) for chain in chains)
        return [
            f"the output is AC-coupled (fitted corner {droop / (2 * np.pi):.3g} Hz): its droop is "
            f"compensated by a drive that rises while a place is held, {HELD:g} FS for at most "
            f"{hold_s:.1f} s from rest; paths whose mean is not zero run away, and then say so"
        ]
    if bench.drive.coupling == "ac":
        return [
            "the output is AC-coupled but the fitted model has no droop, so that held positions "
            "fade; fit with --memory both-and-droop, or use a DC-coupled output"
        ]
    return []


def _within_drive(
    model: RigModel, state: RigState, bench: Bench, path: SpotPath, condition: bool
) -> tuple[WantedPath, Floats, Floats, RigState]:
    """Wanted path and drives, with conditioning swings as large as the drive allows."""
    reach = 0.9 * bench.limits.max_drive
    for _ in range(6):
        wanted = with_lead_in(model, state, bench, path, amplitude_fs=reach, condition=condition)
        drive_x, x = model.axis_x.drive(wanted.theta_x, wanted.step_s, state.x)
        drive_y, y = model.axis_y.drive(wanted.theta_y, wanted.step_s, state.y)
        lead: Bools = wanted.t_s < wanted.lead_in_s
        largest = float(max(np.abs(drive_x[lead]).max(), np.abs(drive_y[lead]).max()))
        if not condition or largest <= bench.limits.max_drive:
            break
        reach *= 0.97 * bench.limits.max_drive / largest
    return wanted, drive_x, drive_y, RigState(x, y)


def _faded_out(
    model: RigModel, state: RigState, wanted: WantedPath, drive_x: Floats, drive_y: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats, RigState]:
    """The output with its drives led to zero at the end, and the spots that this makes."""
    step = float(wanted.step_s[-1])
    count = max(2, round(FADE_S / step))
    fade = np.linspace(1.0, 0.0, count + 1)[1:]
    out_x, out_y = drive_x[-1] * fade, drive_y[-1] * fade
    x, y, end = model.spots(out_x, out_y, step, state)
    return (
        np.concatenate([wanted.t_s, wanted.t_s[-1] + step * np.arange(1, count + 1)]),
        np.concatenate([drive_x, out_x]),
        np.concatenate([drive_y, out_y]),
        np.concatenate([wanted.x_mm, x]),
        np.concatenate([wanted.y_mm, y]),
        end,
    )


def _plain_drives(still: RigModel, wanted: WantedPath) -> tuple[Floats, Floats]:
    """Drive of the memory-free calibration for the same spots, starting where it would start."""
    theta_x, theta_y = deflection_from_spot(wanted.x_mm, wanted.y_mm, still.optics)
    begin = still.rest()
    for state, theta in ((begin.x, theta_x), (begin.y, theta_y)):
        state[0] = state[1] = theta[0]
    drive_x, _ = still.axis_x.drive(theta_x, wanted.step_s, begin.x)
    drive_y, _ = still.axis_y.drive(theta_y, wanted.step_s, begin.y)
    return drive_x, drive_y
