"""Pre-distortion of whole paths: wanted spots in, drive signals out, limits checked.

`compensate_path` joins what `stream.compensate_stream` makes of a path of some minutes; jobs of
hours are never held whole. Travel moves follow the path unless `beam_off` is asked for more.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.compensate.forecast import Forecast, past_unknown
from hysteresis.compensate.lead_in import even_step_s, evenly
from hysteresis.compensate.limits import Excess, excesses
from hysteresis.compensate.scan import Early, ErrorSums, forecast_of, known_of
from hysteresis.compensate.stream import (
    FADE_S,
    MODEL_FILE,
    PlayedBlock,
    as_rows,
    compensate_stream,
)
from hysteresis.errors import DataError, InputError
from hysteresis.model import FittedModel, RigModel, RigState
from hysteresis.paths.stream import TimedBlock
from hysteresis.tables import DriveSignal, Floats, Pattern, SpotPath

__all__ = [
    "FADE_S", "MODEL_FILE", "Compensated", "Excess", "Forecast", "PlayedBlock", "blocks_of_path",
    "compensate_path", "compensate_stream", "notes_for", "state_after_pause",
]  # fmt: skip

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
    known = known_of(fitted)
    sums, early = ErrorSums(), Early()
    blocks: list[PlayedBlock] = []
    for block in compensate_stream(
        fitted, bench, blocks_of_path(path, bench), start=start, condition=condition, plain=True
    ):
        sums.add(block)
        early.add(block)
        blocks.append(block)
    rows = list(as_rows(blocks))

    def column(name: str) -> Floats:
        return np.concatenate([getattr(r, name) for r in rows])

    t_s, x_mm, y_mm = (column(name) for name in ("t_s", "x_mm", "y_mm"))
    beam = np.concatenate([r.beam for r in rows])
    drive, plain = (
        DriveSignal(t_s, column(f"{name}_x"), column(f"{name}_y"), beam)
        for name in ("drive", "plain")
    )
    mm_per_drive = max(bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
    lead_in_s = blocks[0].step_s * len(blocks[0])
    return Compensated(
        planned=SpotPath(t_s, x_mm, y_mm, beam),
        drive=drive,
        plain=plain,
        end=blocks[-1].end,
        excesses=excesses(bench, t_s, drive.drive_x, drive.drive_y, x_mm, y_mm, mm_per_drive),
        plain_excesses=excesses(bench, t_s, plain.drive_x, plain.drive_y, x_mm, y_mm,
                                mm_per_drive),
        forecast=forecast_of(past_unknown(fitted, start), known, bench, history, early, sums),
        lead_in_s=lead_in_s,
        notes=tuple(notes_for(fitted.model, bench, start, lead_in_s)),
    )  # fmt: skip


def blocks_of_path(path: SpotPath, bench: Bench) -> Iterator[TimedBlock]:
    """A whole path as one block on the even clock of the torque balance."""
    step = even_step_s(bench)
    even = evenly(path, step)
    rows = np.flatnonzero(np.diff(path.beam)) + 1
    place = (path.t_s[rows] - path.t_s[0]) / step
    count = len(even)
    inside = place < count - 1e-9
    nothing = np.zeros(count, dtype=np.int64)
    yield TimedBlock(
        0, step, even.x_mm, even.y_mm, even.beam, place[inside], path.beam[rows][inside],
        nothing, nothing, 0.0,
    )  # fmt: skip


def notes_for(model: RigModel, bench: Bench, start: RigState | None, lead_in_s: float) -> list[str]:
    """What a person should know of an output that begins in the state `start`."""
    notes = []
    if start is None:
        notes.append(
            "the rig's past is not known: creep from earlier moves shifts the whole job until it "
            "has faded; run this right after a characterisation, or after minutes of rest"
        )
    if bench.beam.mode == "always-on":
        notes.append(
            "the beam cannot be switched off: cover the work during the lead-in "
            f"({lead_in_s:.1f} s), the conditioning swings cross the field"
        )
    return notes + _coupling_notes(model, bench)


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
