"""The minimiser against certified non-linear regressions, from both certified starts.

Source: NIST/ITL Statistical Reference Datasets, non-linear regression (public domain), as the
source archive of lmfit 1.3.4 carries them (NIST_STRD/*.dat). Values are certified to 11 digits.
Bennett5 is a magnetisation that relaxes in logarithmic time, Lanczos and MGH17 are sums of
exponentials: the shapes of an after-effect. The other sets are those that NIST calls of higher
difficulty. Digits are counted as NIST does: −log10 of the relative error.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from open_data import member

from hysteresis.fit.gauss_newton import Minimum, minimise

GAIN = 1e-14  # share of the cost below which a gain ends the fit
EPS = float(np.finfo(float).eps)
Curve = Callable[[np.ndarray, np.ndarray], np.ndarray]


def exponentials(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return sum(b[i] * np.exp(-b[i + 1] * x) for i in (0, 2, 4))


def cubics(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (
        1 + b[4] * x + b[5] * x**2 + b[6] * x**3
    )


CURVES: dict[str, Curve] = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1 / b[2]),
    "Lanczos1": exponentials,
    "Lanczos2": exponentials,
    "Lanczos3": exponentials,
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * np.exp(b[1] / (x + b[2])),
    "BoxBOD": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Eckerle4": lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Rat42": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Thurber": cubics,
    "Hahn1": cubics,
}


@dataclass(frozen=True)
class Certified:
    starts: tuple[np.ndarray, np.ndarray]
    at: np.ndarray
    deviation: np.ndarray
    square_sum: float
    y: np.ndarray
    x: np.ndarray


def certified(name: str) -> Certified:
    path = member("lmfit", "1.3.4", "sdist", f"lmfit-1.3.4/NIST_STRD/{name}.dat",
                  licence="BSD-3-Clause")  # fmt: skip
    lines = path.read_text().splitlines()
    row = re.compile(r"\s*b\d\s*=((?:\s+[-+.\dE]+){4})\s*$")
    rows = [found[1].split() for found in map(row.match, lines) if found]
    table = np.array(rows, dtype=float)
    square_sum = next(float(s.split(":")[1]) for s in lines if s.startswith("Residual Sum of Sq"))
    y, x = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float).T
    return Certified((table[:, 0], table[:, 1]), table[:, 2], table[:, 3], square_sum, y, x)


def model_of(curve: Curve, x: np.ndarray):
    """Values and derivatives; these by a complex step, exact to rounding (Squire & Trapp 1998)."""

    def model(b: np.ndarray, slopes: bool):
        with np.errstate(all="ignore"):
            if not slopes:
                return curve(b, x), None
            shifted = b + 1e-30j * np.eye(len(b))
            return curve(b, x), np.column_stack([curve(row, x).imag / 1e-30 for row in shifted])

    return model


def rounding(data: Certified) -> float:
    """How far rounding moves the cost: each residual, by what values of this size are known to,
    times the residuals' root square sum (errors of random sign)."""
    unit = EPS * float(np.abs(data.y).max())
    return unit * (np.sqrt(data.square_sum) + unit)


def fit(name: str, start: int, *, bend: bool = True) -> tuple[Certified, Minimum]:
    data = certified(name)
    found = minimise(
        model_of(CURVES[name], data.x), data.starts[start], data.y, np.ones_like(data.y),
        not_negative=np.zeros(len(data.at), bool), steps=2000, enough=(rounding(data), GAIN),
        bend=bend,
    )  # fmt: skip
    return data, found


def digits(value: np.ndarray | float, true: np.ndarray | float) -> float:
    """Correct digits of the worst, at most the 11 that are certified."""
    error = np.abs(np.asarray(value) - true) / np.abs(true)
    return float(-np.log10(np.maximum(error, 1e-11).max()))


@pytest.mark.parametrize("start", [0, 1], ids=["far", "near"])
@pytest.mark.parametrize("name", CURVES)
def test_certified_values_from_both_starts(name: str, start: int) -> None:
    """A last gain of a share g of the cost leaves each unknown up to √(g · degrees of freedom)
    deviations off, and linear convergence up to ten times that (rounding counts as a gain)."""
    data, found = fit(name, start)
    freedom = len(data.y) - len(data.at)
    square_sum = 2 * found.cost
    inverse = np.linalg.inv(found.root)
    deviation = np.sqrt(np.sum(inverse**2, axis=1) * square_sum / freedom)
    print(
        f"{name} from start {start + 1}: {digits(found.at, data.at):.1f} digits of the values, "
        f"{digits(square_sum, data.square_sum):.1f} of the square sum, "
        f"{digits(deviation, data.deviation):.1f} of the deviations, {found.iterations} steps"
    )
    assert found.converged and found.free.all()
    gain = GAIN + 2 * rounding(data) / data.square_sum
    off = 10 * np.sqrt(gain * freedom)
    np.testing.assert_array_less(
        np.abs(found.at - data.at), off * data.deviation + 1e-10 * np.abs(data.at)
    )
    # the certified square sum has 11 digits
    share = 1e-10 + 2 * gain
    assert square_sum == pytest.approx(data.square_sum, rel=share)
    # the tangent turns with the values: 1e-5 is a hundred times the error that these have left
    np.testing.assert_allclose(deviation, data.deviation, rtol=share + 1e-5)


def test_a_bent_step_follows_a_bent_valley() -> None:
    """Bennett5, whose three values stand in for each other: a tenth of the steps of a straight
    one, to the same place."""
    data, bent = fit("Bennett5", 0)
    _, straight = fit("Bennett5", 0, bend=False)
    print(f"bent {bent.iterations} steps, straight {straight.iterations}")
    assert 10 * bent.iterations < straight.iterations
    assert digits(2 * straight.cost, data.square_sum) > 10
