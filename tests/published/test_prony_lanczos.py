"""Lanczos' sums of exponentials as spectra on a grid: non-negative, no start, no modes assumed.

Source: NIST StRD Lanczos1-3 (nonlinear regression; see test_nist_strd.py), whose certified square
sums are the least that any three exponentials leave.
"""

from __future__ import annotations

import numpy as np
import pytest
from test_nist_strd import certified

from hysteresis.fit.spectrum import prony_spectrum

REFERENCE = {"Lanczos1": 1.1e-7, "Lanczos2": 9.2e-7, "Lanczos3": 2.5e-5}
"""Rms of another non-negative fit on a grid, with 6 to 7 active modes."""


@pytest.mark.parametrize("name", REFERENCE)
def test_the_curve_is_pinned(name: str) -> None:
    data = certified(name)
    rms, modes = [], []
    for count in (100, 200, 400):
        found = prony_spectrum(data.x, data.y, np.geomspace(1 / 30, 1 / 0.3, count), at_rest=False)
        rms.append(float(np.sqrt(np.mean((found.relaxation(data.x) - data.y) ** 2))))
        modes.append(np.count_nonzero(found.modulus))
    print(f"{name}: rms {rms[0]:.2e}, {rms[1]:.2e}, {rms[2]:.2e} with {modes} modes")
    assert rms[1] <= REFERENCE[name]
    assert all(3 <= m <= 8 for m in modes)
    # three certified exponentials are a sum like any other: what is left above them is the error
    # of the grid, which falls fourfold when the spacing is halved
    best = np.sqrt(data.square_sum / data.y.size)
    assert rms[2] <= best + (rms[0] - rms[1]) / 3
