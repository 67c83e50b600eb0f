"""How much a spot centre scatters, from the log itself: at rest, and for wrong frame times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.errors import DataError
from hysteresis.measure.granularity import rounding_sigma, rounding_step
from hysteresis.measure.running import running_median
from hysteresis.tables import Bools, Floats, Ints, Pattern

_SETTLE_S = (0.5, 0.15, 0.0)  # waits after a move that are tried until enough frames remain
_ENOUGH = 100
_FEWEST = 12
_SAME_SIGMA = 1.1  # a factor nearer to one is within the uncertainty of the scatter at rest
_TO_SIGMA = 1.4826  # median absolute deviation to standard deviation of a normal distribution


@dataclass(frozen=True)
class Noise:
    """Scatter of a spot centre at rest (px, along u and v) and of the frame times (s).

    `frames` is the number of triples of frames behind `sigma_px`; `rounded_px` the step to which
    the log's pixels are rounded (0: none to be seen).
    """

    sigma_px: Floats
    frames: int
    rounded_px: float


def still(pattern: Pattern, start_s: Floats, end_s: Floats) -> Bools:
    """Whether the drive stands still throughout each interval."""
    moved = np.abs(np.diff(pattern.drive_x)) + np.abs(np.diff(pattern.drive_y))
    way = np.concatenate([[0.0], np.cumsum(moved)])
    passed = np.interp(end_s, pattern.t_s, way) - np.interp(start_s, pattern.t_s, way)
    return np.asarray(passed <= 1e-9)


def noise_at_rest(
    pattern: Pattern, frame: Ints, t_s: Floats, exposure_s: float, u_px: Floats, v_px: Floats
) -> Noise:
    """Standard deviation along u and v from second differences where the drive stands still.

    Of three frames in a row, ``a - 2 b + c`` has the variance 6 sigma² and no trace of a slow
    creep. Its median absolute deviation is taken, which reflections do not move. The slow part
    of a camera's error (speckle at one place) is not seen in it. `t_s` are the starts of the
    exposures on the pattern's clock; frames in the order of time.

    Raises `DataError` when the spot is never filmed at rest.
    """
    triple = (np.diff(frame[:-1]) == 1) & (np.diff(frame[1:]) == 1)
    for settle_s in _SETTLE_S:
        rest = triple & still(pattern, t_s[:-2] - settle_s, t_s[2:] + exposure_s)
        if int(rest.sum()) >= _ENOUGH:
            break
    if int(rest.sum()) < _FEWEST:
        frame_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else float("nan")
        raise DataError(
            f"the spot is hardly ever filmed at rest for three frames of {frame_s:.2g} s in a row, "
            "so its scatter cannot be told; film at more frames per second, or a pattern with "
            "longer holds, and all of it"
        )
    sigma = []
    steps = []
    for values in (u_px, v_px):
        second = (values[:-2] - 2.0 * values[1:-1] + values[2:])[rest]
        scatter = _TO_SIGMA * float(np.median(np.abs(second - np.median(second)))) / np.sqrt(6.0)
        step = rounding_step(values, largest=1.0, smallest=1e-3)
        steps.append(step)
        sigma.append(max(scatter, rounding_sigma(step), 1e-6))
    return Noise(np.array(sigma), int(rest.sum()), max(steps))


def frame_sigma_px(
    sigma_u_px: Floats, sigma_v_px: Floats, at_rest: Bools, noise: Noise
) -> tuple[Floats, tuple[str, ...]]:
    """Standard deviation of each frame (n, 2) in px, and what is to be said about it.

    Where the tracker gave its own (n,), that holds, but not less than the scatter at rest says: a
    tracker knows light noise and nothing of flicker or speckle. Its median at rest is then raised
    to `Noise.sigma_px`, all frames by the same factor. Frames without one get the scatter at rest.
    """
    sigma = np.tile(noise.sigma_px, (len(sigma_u_px), 1)).astype(np.float64)
    raised = []
    for axis, own in enumerate((sigma_u_px, sigma_v_px)):
        known = np.isfinite(own) & (own > 0.0)
        middle = known & at_rest
        if int(middle.sum()) < _FEWEST:
            continue
        factor = max(1.0, float(noise.sigma_px[axis] / np.median(own[middle])))
        sigma[known, axis] = factor * own[known]
        raised.append(factor)
    if not raised or max(raised) < _SAME_SIGMA:
        return sigma, ()
    return sigma, (
        "at rest the spot scatters "
        + " and ".join(f"{factor:.2g}" for factor in raised)
        + " times as far along u and v as the tracker's own sigma says; sigma was raised to that",
    )


def time_jitter_s(
    frame: Ints, t_s: Floats, error_mm: Floats, velocity_mm_s: Floats, sigma_mm: Floats
) -> float:
    """Standard deviation of the error of single frame times, beyond the clock's own line.

    Frame times stray from a regular beat. If the camera really opened at those moments, the
    spot is where the drive says for them; if only the stamps stray, a moving spot is off by
    minus velocity times the straying. The part k of the straying that is such an error is the
    slope of one on the other; it counts when it is above twice its own standard uncertainty.
    """
    if len(t_s) < 200:
        return 0.0
    beat = np.polyfit(frame - frame[0], t_s, 1)
    straying = t_s - np.polyval(beat, frame - frame[0])
    straying = straying - running_median(straying[:, None], 31)[:, 0]
    speed = np.linalg.norm(velocity_mm_s, axis=1)
    moving = speed > 0
    along = np.zeros(len(speed))
    along[moving] = (error_mm * velocity_mm_s).sum(axis=1)[moving] / speed[moving]
    spread = _TO_SIGMA * float(np.median(np.abs(straying)))
    if spread == 0.0 or not moving.any():
        return 0.0
    # A moving frame is off by ringing, too: as much as a millisecond of its motion is believed.
    weight = 1.0 / ((sigma_mm**2).mean(axis=1) + (1e-3 * speed) ** 2)
    lever = -speed * np.clip(straying, -5 * spread, 5 * spread)
    whole = float((weight * lever**2).sum())
    if whole == 0.0:
        return 0.0
    part = float((weight * lever * along).sum()) / whole
    u_part = float(np.sqrt((weight**2 * lever**2 * (along - part * lever) ** 2).sum())) / whole
    return spread * min(part, 1.0) if part > 2.0 * u_part else 0.0
