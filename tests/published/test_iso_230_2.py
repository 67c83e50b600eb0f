"""Positioning figures of ISO 230-2 on a table small enough to be worked out by hand.

Clauses are numbered as in the edition of 2006, as a public implementation quotes them. Five runs
to each of three targets in each direction; deviations in micrometres. Every sample standard
deviation is a whole number by construction: −a, −a, 0, a, a about a mean has s = a.
"""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.characteristics.positioning import freed_of_other_axis, positioning

SPREAD = np.array([-1.0, -1.0, 0.0, 1.0, 1.0])
# target: mean and s approaching from below, mean and s approaching from above
TABLE = ((1.0, 1.0, 4.0, 2.0), (3.0, 2.0, 1.0, 1.0), (-2.0, 1.0, -3.0, 1.0))


def deviations() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x, target, up = [], [], []
    for i, (mean_up, s_up, mean_down, s_down) in enumerate(TABLE):
        for mean, s, side in ((mean_up, s_up, True), (mean_down, s_down, False)):
            x.append(mean + s * SPREAD)
            target += [i] * 5
            up += [side] * 5
    return np.concatenate(x), np.array(target), np.array(up)


def test_hand_worked_table() -> None:
    told = positioning(*deviations())
    exact = {"rel": 1e-14, "abs": 1e-14}
    # 2.12: B_1 = 1 − 4, B_2 = 3 − 1, B_3 = −2 + 3; 2.13: B = 3; 2.14: B̄ = 0
    assert told.reversal == pytest.approx([-3.0, 2.0, 1.0], **exact)
    assert told.largest_reversal == pytest.approx(3.0, **exact)
    assert told.mean_reversal == pytest.approx(0.0, abs=1e-14)
    # 2.10: x̄_i = (x̄_i↑ + x̄_i↓) / 2
    assert told.mean == pytest.approx([2.5, 2.0, -2.5], **exact)
    # 2.16: R_i = 4 s_i
    assert told.repeat_up == pytest.approx([4.0, 8.0, 4.0], **exact)
    assert told.repeat_down == pytest.approx([8.0, 4.0, 4.0], **exact)
    assert (float(told.up), float(told.down)) == pytest.approx((8.0, 8.0), **exact)
    # 2.18: max(2 s↑ + 2 s↓ + |B_i|; R↑; R↓) = 2+4+3, 4+2+2, 2+2+1; 2.19: R = 9
    assert told.repeat == pytest.approx([9.0, 8.0, 5.0], **exact)
    assert told.both == pytest.approx(9.0, **exact)
    # 2.20: E↑ = 3 − (−2), E↓ = 4 − (−3); 2.21: E = 4 − (−3); 2.22: M = 2.5 − (−2.5)
    assert told.systematic_up == pytest.approx(5.0, **exact)
    assert told.systematic_down == pytest.approx(7.0, **exact)
    assert told.systematic == pytest.approx(7.0, **exact)
    assert told.mean_range == pytest.approx(5.0, **exact)
    # 2.23: A↑ = (3 + 4) − (−2 − 2), A↓ = (4 + 4) − (−3 − 2); 2.24: A = 8 − (−5)
    assert told.accuracy_up == pytest.approx(11.0, **exact)
    assert told.accuracy_down == pytest.approx(13.0, **exact)
    assert told.accuracy == pytest.approx(13.0, **exact)


def test_one_run_has_a_reversal_value_but_no_repeatability() -> None:
    told = positioning(np.array([1.0, 4.0]), np.array([0, 0]), np.array([True, False]))
    assert told.largest_reversal == 3.0
    assert np.isnan(told.up) and np.isnan(told.accuracy)


def test_against_pandas_groups() -> None:
    """Means and sample standard deviations as pandas forms them (a general library)."""
    pandas = pytest.importorskip("pandas")
    rng = np.random.default_rng(4)
    target, up = np.repeat(np.arange(6), 10), np.tile([True, False], 30)
    x = rng.standard_normal(60)
    told = positioning(x, target, up)
    table = pandas.DataFrame({"x": x, "target": target, "up": up})
    grouped = table.groupby(["target", "up"])["x"].agg(["mean", "std"]).unstack()
    b = grouped["mean"][True] - grouped["mean"][False]
    assert told.reversal == pytest.approx(b.to_numpy(), rel=1e-12)
    r = 2.0 * grouped["std"].sum(axis=1) + b.abs()
    r = np.maximum(r, 4.0 * grouped["std"].max(axis=1))
    assert told.both == pytest.approx(r.max(), rel=1e-12)


def test_the_other_axis_is_taken_off_and_a_reversal_value_stays() -> None:
    """A reading 50 u + 0.3 v + 0.2 v² + 0.1 u v ∓ 0.7 at the two approaches loses the v terms."""
    rng = np.random.default_rng(1)
    own = np.repeat(np.linspace(-1, 1, 5), 8)
    other, side = rng.uniform(-1, 1, 40), np.tile([1.0, -1.0], 20)
    mm = 50 * own + 0.3 * other + 0.2 * other**2 + 0.1 * own * other - 0.7 * side
    left = freed_of_other_axis(own, other, side) @ mm
    assert left == pytest.approx(50 * own - 0.7 * side, abs=1e-11)
