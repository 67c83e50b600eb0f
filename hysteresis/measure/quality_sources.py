"""What limits a measurement, in figures: each taken from the recording, its making or the bench."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import DataError
from hysteresis.measure.granularity import rounding_sigma
from hysteresis.measure.measured import Measured
from hysteresis.measure.noise import still
from hysteresis.measure.quality_place import registered, scale_share
from hysteresis.measure.quality_slow import (
    LEAST_REPEATS,
    MAD_EFFICIENCY,
    Drift,
    creep_speed,
    drift,
    frames_read,
    speeds,
    trend,
    typed_drift,
    typed_repeats,
    wander,
)
from hysteresis.metrics import (
    AXES,
    BEFORE_S,
    FIRST_HALF_WIDTH_S,
    FIRST_WAIT_S,
    ReturnToZero,
    returns_to_zero,
)
from hysteresis.recording import Observations, observations
from hysteresis.settled import Repeatability, repeatability
from hysteresis.tables import Floats, Pattern

_ALIKE = 0.5  # of what the light tells: scatter from frame to frame below which they are copies
TYPED_STEP_MM = 0.5  # assumed where no rounding is to be seen, as `from_sheet` does


@dataclass(frozen=True)
class Sources:
    """Magnitudes behind the budgets; arrays (2,) by axis, mm and s. NaN: not known.

    sigma_mm, sigma_dof : one frame or reading at rest, rounding taken out, and how well it is
        known. step_mm : rounding of the log or sheet in mm (0: none seen). wander_mm, wander_dof :
        what the means of one reading scatter beyond their frames. frames_before, frames_after :
        averaged in the two readings of a return to zero. place_mm, place_dof : standard
        uncertainty of a place by the registration, rms and worst of the places seen, (2, 2) by
        axis. scale : relative. place_assumed : no residual stands behind it. creep_mm_s : the
        spot's speed at the reading after a return. wait_s : after which it was read. between_s :
        from the reading before to that after. error_mm : size of the return-to-zero errors (rms).
        reach_mm : rms distance of the places seen from the centre. speed_mm_s, fast_mm_s : median
        and 95 % of the drive's speed where it moves. clock_s : standard uncertainty of a time.
        drift : of the part played again; trend_mm_min : slow trend of the readings at zero drive
        with its standard uncertainty, (2, 2) by axis. alike : frames at rest repeat each other, as
        a codec makes them, so that more of them tell no more. scale_share : of a place's variance
        by the registration, what a common wrong scale has.
    """

    sigma_mm: Floats
    sigma_dof: float
    step_mm: Floats
    wander_mm: Floats
    wander_dof: float
    frames_before: float
    frames_after: float
    frame_s: float
    place_mm: Floats
    place_dof: float
    place_assumed: bool
    scale: float
    creep_mm_s: Floats
    wait_s: float
    between_s: float
    error_mm: Floats
    reach_mm: Floats
    speed_mm_s: float
    fast_mm_s: float
    clock_s: float
    drift: Drift | None
    trend_mm_min: Floats
    repeats: tuple[Repeatability, ...]
    alike: bool = False
    scale_share: float = 0.0


def sources_of(measured: Measured, pattern: Pattern, bench: Bench) -> Sources:
    """Take every magnitude from what was measured.

    Raises DataError when the recording has no row that can be used.
    """
    seen = observations(pattern, measured.recording)
    full = (bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
    returns = returns_to_zero(pattern, seen, full)
    common = _common(pattern, seen, returns, full)
    if measured.source == "typed":
        return _typed(measured, pattern, common)
    return _filmed(measured, pattern, bench, seen, returns, common)


def _common(
    pattern: Pattern,
    seen: Observations,
    returns: tuple[ReturnToZero, ...],
    full: tuple[float, float],
) -> Sources:
    """What camera and ruler have alike; the rest is NaN."""
    by_axis = [[r for r in returns if r.axis == axis] for axis in AXES]
    unknown = np.full(2, np.nan)
    repeats = repeatability(pattern, seen)
    speed = speeds(pattern, full)
    return Sources(
        sigma_mm=unknown,
        sigma_dof=np.inf,
        step_mm=np.zeros(2),
        wander_mm=np.zeros(2),
        wander_dof=np.inf,
        frames_before=1.0,
        frames_after=1.0,
        frame_s=np.nan,
        place_mm=np.full((2, 2), np.nan),
        place_dof=np.inf,
        place_assumed=False,
        scale=np.nan,
        creep_mm_s=np.array([_rms([creep_speed(r) for r in rs]) for rs in by_axis]),
        wait_s=_median([r.first.wait_s for r in returns]),
        between_s=_median([r.dwell_s + r.first.wait_s for r in returns]),
        error_mm=np.array([_rms([r.first.error_mm for r in rs]) for rs in by_axis]),
        reach_mm=np.array(
            [_rms(list(values[np.isfinite(values)])) for values in (seen.x_mm, seen.y_mm)]
        ),
        speed_mm_s=float(np.median(speed)) if len(speed) else 0.0,
        fast_mm_s=float(np.quantile(speed, 0.95)) if len(speed) else 0.0,
        clock_s=np.nan,
        drift=drift(repeats),
        trend_mm_min=trend(pattern, seen),
        repeats=repeats,
    )


# ---- the camera ----------------------------------------------------------------------------------


def _filmed(
    measured: Measured,
    pattern: Pattern,
    bench: Bench,
    seen: Observations,
    returns: tuple[ReturnToZero, ...],
    common: Sources,
) -> Sources:
    registration, clock = measured.registration, measured.clock
    if registration is None or clock is None or bench.camera is None:
        raise DataError("a film is judged by its clock and registration, and this one has none")
    rest = still(pattern, seen.start_s - 0.15, seen.start_s + seen.exposure_s)
    rest = rest if rest.any() else np.ones(len(seen), dtype=bool)
    # of the spot alone: the recording's own sigma may hold the place's uncertainty besides
    px = registration.px_of(seen.x_mm[rest], seen.y_mm[rest])
    noise_px = np.zeros(2) if measured.sigma_px is None else np.asarray(measured.sigma_px)
    sigma = np.nanmedian(np.sqrt(registration.slopes_mm(*px) ** 2 @ noise_px**2), axis=0)
    frames = int(rest.sum()) if measured.noise is None else measured.noise.frames
    step = 0.0 if measured.noise is None else measured.noise.rounded_px
    step_mm = np.full(2, step * registration.mm_per_px)
    # the log's scatter holds the rounding already where noise carries it from step to step
    own = np.sqrt(np.maximum(sigma**2 - rounding_sigma(1.0) ** 2 * step_mm**2, 0.0))
    frame_s = float(np.median(np.diff(np.unique(seen.start_s)))) if len(seen) > 1 else np.nan
    exposure_s = float(np.median(seen.exposure_s))
    window_s = 2.0 * FIRST_HALF_WIDTH_S
    before, after = frames_read(pattern, seen, returns)
    if np.isnan(before + after):  # no return in this pattern: as one would be read
        before = max(1.0, (BEFORE_S - exposure_s) / frame_s)
        after = max(1.0, (window_s - exposure_s) / frame_s)
    alike = _alike(measured)
    if alike:
        before = after = 1.0
    slowly, wander_dof = wander(pattern, seen, own, window_s)
    place, scale, dof, assumed = registered(registration, seen)
    middle_s = 0.5 * float(pattern.t_s[-1])
    return replace(
        common,
        sigma_mm=own,
        # of second differences that overlap: their squares are correlated, 1 + 2 (16 + 1)/36
        sigma_dof=max(1.0, MAD_EFFICIENCY * frames / (1.0 + 2.0 * 17.0 / 36.0))
        if frames
        else np.inf,
        step_mm=step_mm,
        wander_mm=slowly,
        wander_dof=wander_dof,
        frames_before=before,
        frames_after=after,
        frame_s=frame_s,
        place_mm=place,
        place_dof=dof,
        place_assumed=assumed,
        scale=scale,
        clock_s=float(np.hypot(clock.u_offset_s, clock.u_drift * middle_s)),
        wait_s=FIRST_WAIT_S if np.isnan(common.wait_s) else common.wait_s,
        alike=alike,
        scale_share=scale_share(registration, seen),
    )


def _alike(measured: Measured) -> bool:
    """Whether frames at rest scatter far less than the light in one of them can tell.

    A codec writes a still picture once and repeats it: the noise of that one frame stays.
    """
    if measured.noise is None or measured.sigma_px is None or not measured.noise.frames:
        return False
    return bool((measured.noise.sigma_px < _ALIKE * np.asarray(measured.sigma_px)).any())


# ---- the ruler -----------------------------------------------------------------------------------


def _typed(measured: Measured, pattern: Pattern, common: Sources) -> Sources:
    recording = measured.recording
    step = measured.rounding_mm or TYPED_STEP_MM
    pairs = typed_repeats(measured, pattern)
    count = sum(int(np.isfinite(gap).sum()) for gap, _ in pairs)  # of both axes
    sigma = np.array([recording.sigma_x_mm[0], recording.sigma_y_mm[0]])
    own = np.sqrt(np.maximum(sigma**2 - rounding_sigma(step) ** 2, 0.0))
    return replace(
        common,
        sigma_mm=own,
        sigma_dof=float(max(count - 2, 1)) if count >= LEAST_REPEATS else np.inf,
        step_mm=np.full(2, step),
        drift=common.drift or typed_drift(pairs, float(sigma.max())),
    )


def _rms(values: list[float]) -> float:
    good = [v for v in values if np.isfinite(v)]
    return float(np.sqrt(np.mean(np.square(good)))) if good else float("nan")


def _median(values: list[float]) -> float:
    return float(np.median(values)) if values else float("nan")
