"""What error to expect on a path, before anything is played."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from hysteresis.model import Discrepancy
from hysteresis.tables import Bools, Floats

SITUATIONS = 3.0  # common practice, no source; widens or narrows the interval
COVERAGE = 1.96  # normal quantile of a two-sided 95 % interval


@dataclass(frozen=True)
class Forecast:
    """Expected error over the traced part of a path, in mm.

    Before: played with the best drive that knows no memory, as the model foretells it (rms of
    the distance, and its mean in x and y). After: rms left by what the model does not know,
    with a 95 % interval.
    """

    before_rms_mm: float
    before_bias_x_mm: float
    before_bias_y_mm: float
    after_rms_mm: float
    after_low_mm: float
    after_high_mm: float

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def forecast(gap: Discrepancy, error_x_mm: Floats, error_y_mm: Floats, traced: Bools) -> Forecast:
    """Join the foretold error of the plain drive and the model's own error on data held out.

    The error left is taken to be like that on held-out groups of the characterisation: its
    logarithm is normal about the groups', with their spread over the root of the number of
    different situations that a path meets, `SITUATIONS`. `zero_mm`, the uncertainty of absolute
    positions, adds in square. Checked against played errors by experiments.return_to_zero.
    """
    x, y = error_x_mm[traced], error_y_mm[traced]
    if not x.size:
        x, y = error_x_mm, error_y_mm
    spread = gap.spread_ln if np.isfinite(gap.spread_ln) else 1.0
    doubt = spread * np.sqrt(1.0 / SITUATIONS + 1.0 / max(gap.groups, 1))
    # the groups' rms is dominated by the worst ones; their logarithmic mean is the middle
    middle = gap.typical_mm * np.exp(-(spread**2))
    low, high = (middle * np.exp(s * COVERAGE * doubt) for s in (-1.0, 1.0))
    return Forecast(
        before_rms_mm=float(np.sqrt(np.mean(x**2 + y**2))),
        before_bias_x_mm=float(np.mean(x)),
        before_bias_y_mm=float(np.mean(y)),
        after_rms_mm=float(np.hypot(middle, gap.zero_mm)),
        after_low_mm=float(low),
        after_high_mm=float(np.hypot(high, 2.0 * gap.zero_mm)),
    )
