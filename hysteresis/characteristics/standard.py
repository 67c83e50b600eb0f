"""A standard pattern on which a model alone tells figures that the run's own pattern cannot show.

Conditioning, a return to zero of 0.7 of the largest drive held for 10 s and watched for 10 s, then
a slow sweep of each axis alone. Readings typed by a person carry no loops; a model fitted to them
foretells these, with the doubt of the model.
"""

from __future__ import annotations

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import LimitError
from hysteresis.plan.assemble import join
from hysteresis.plan.segments import conditioning, ladder_cell, sweep
from hysteresis.recording import Observations
from hysteresis.tables import Pattern, group_of

KEYS = frozenset({
    "hysteresis", "hysteresis_less_dead_band", "dead_band", "nonlinearity_terminal",
    "nonlinearity_best_fit", "loss_factor", "creep_at_held_drive", "after_effect_per_decade",
    "drive_for_full_scale",
})  # fmt: skip
"""Figures that the standard pattern may tell; only their sums over it are taken."""
RATE_PER_S, REACH, DWELL_S = 0.4, 0.9, 10.0
NOTE = f"of the model on a standard pattern: sweep at {RATE_PER_S:g} FS/s, dwell {DWELL_S:g} s"
_FRAME_S, _EXPOSURE_S = 1.0 / 60.0, 0.004
_SIGMA_MM = 1e-3  # any number: weights only


def standard_pattern(bench: Bench) -> Pattern | None:
    """The pattern within the bench's limits; None where they do not allow it."""
    limits, top = bench.limits, bench.limits.max_drive
    blocks = [
        conditioning((top, top), limits),
        ladder_cell((0.7 * top, -0.7 * top), DWELL_S, DWELL_S, limits),
        conditioning((top, top), limits),
        sweep((REACH * top, 0.0), RATE_PER_S, limits),
        sweep((0.0, REACH * top), RATE_PER_S, limits),
    ]
    try:
        return join(blocks, bench)
    except LimitError:
        return None


def blank_frames(pattern: Pattern) -> Observations:
    """Rows of a perfect camera, places yet unknown but finite."""
    t = np.arange(0.0, float(pattern.t_s[-1]) - _EXPOSURE_S, _FRAME_S)
    row = np.clip(np.searchsorted(pattern.t_s, t, side="right") - 1, 0, len(pattern) - 2)
    n = len(t)
    groups = np.array([group_of(str(name)) for name in pattern.segment[row]], dtype=object)
    zero, sigma = np.zeros(n), np.full(n, _SIGMA_MM)
    return Observations(t, np.full(n, _EXPOSURE_S), zero, zero, sigma, sigma, groups,
                        np.arange(n, dtype=float), True)  # fmt: skip
