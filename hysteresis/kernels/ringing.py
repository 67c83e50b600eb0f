"""A mirror on a spring behind a piecewise-linear drive, exactly.

Over a straight piece of drive, ``u = u0 + s t``, the answer of ``y'' + 2 z w y' + w² y = w² u`` is
the straight line ``u - s 2z/w`` and a decaying oscillation ``Re(c exp(l t))``,
``l = -z w + i w sqrt(1 - z²)`` (textbook). At a corner the answer and its rate stay; the
oscillation takes up the change of slope.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled


def oscillation(step_s, change_of_slope, pole, answer):
    """Complex amplitude c at the start of every piece, from rest.

    `step_s` (k,) lengths of the pieces, `change_of_slope` (k,) at the start of each, `pole` l,
    `answer` the amplitude that a change of slope by one excites.
    """
    amplitude = np.empty(step_s.size, dtype=np.complex128)
    now = 0.0j
    for k in range(step_s.size):
        now += answer * change_of_slope[k]
        amplitude[k] = now
        now *= np.exp(pole * step_s[k])
    return amplitude


oscillation = compiled(oscillation)
