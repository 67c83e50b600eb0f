"""What is to be said about the camera's clock, its rows and its exposure."""

from __future__ import annotations

import numpy as np

from hysteresis.measure.clock import Clock
from hysteresis.measure.exposure_estimate import Exposure, disagrees
from hysteresis.tables import Floats

_COARSE = 3e-4  # s: a bound on the rows' times below which nobody needs to hear of it


def clock_notes(clock: Clock, velocity_mm_s: Floats, span_px: float) -> tuple[str, ...]:
    """Takes, and rows that are read one after another; `span_px` rows are what the spot covers."""
    notes = []
    number, count = clock.take
    if count > 1:
        notes.append(
            f"the pattern is played {count} times in this log; take {number} is used "
            "(--take N chooses another)"
        )
    fast = float(np.percentile(np.linalg.norm(velocity_mm_s, axis=1), 95))
    if clock.readout_s_per_px != 0.0:
        notes.append(
            f"the camera reads its rows one after another, {1e6 * clock.readout_s_per_px:.3g} ± "
            f"{1e6 * clock.u_readout_s_per_px:.2g} µs per row; the time of each frame is that of "
            "the spot's own row"
        )
    elif np.isfinite(clock.u_readout_s_per_px):
        bound = 2.0 * clock.u_readout_s_per_px * span_px / 2.0
        if bound > _COARSE:
            notes.append(
                f"whether rows are read one after another is not seen; up to {1e3 * bound:.2g} ms "
                f"at the edge of the field, {bound * fast:.2g} mm at {fast:.3g} mm/s"
            )
    return tuple(notes)


def exposure_notes(found: Exposure | None, stated_s: float) -> tuple[str, ...]:
    """Say so when the measured exposure is taken instead of bench.toml's."""
    if found is None or not disagrees(found, stated_s):
        return ()
    return (
        f"the drawn-out light of the moving spot shows an exposure of {1e3 * found.exposure_s:.3g} "
        f"± {1e3 * found.u_exposure_s:.2g} ms, bench.toml says {1e3 * stated_s:.3g} ms: the "
        "measured one is used",
    )
