"""The drifted rig against hand calculation: what each factor does to a settled deflection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hysteresis import virtual_bench
from hysteresis.errors import InputError
from hysteresis.virtual_bench import Drift, drifted, warmed
from tests.plan.conftest import bench_with


@pytest.fixture(scope="module")
def rig() -> virtual_bench.Rig:
    return virtual_bench.make_rig(bench_with(), "braided-thread", 4)


def settled(rig: virtual_bench.Rig, drive: float = 0.5) -> tuple[float, float]:
    """Deflections at the end of a hold, by the bench's own integrator."""
    t = np.array([0.0, 0.2, 3.0])
    played = virtual_bench.play(rig, t, [0.0, drive, drive], [0.0, drive, drive],
                                history="rested", rate_hz=200.0)  # fmt: skip
    return float(played.theta_x[-1]), float(played.theta_y[-1])


def plain(rig: virtual_bench.Rig) -> virtual_bench.Rig:
    """Without memory, heat or unequal sides: gain u + offset = s (θ + s3 θ³)."""
    axes = tuple(
        replace(a, slip_stiffness=0 * a.slip_stiffness, branch_stiffness=0 * a.branch_stiffness,
                uneven=0.0, stiffening=0.0, coil_rise_k=0.0, damping=0.3 * a.damping + 0.02)
        for a in rig.axes
    )  # fmt: skip
    return replace(rig, axes=axes)  # type: ignore[arg-type]


def test_no_drift_changes_nothing(rig):
    same = drifted(rig, Drift())
    for a, b in zip(rig.axes, same.axes, strict=True):
        for name in a.__dataclass_fields__:
            assert np.allclose(getattr(a, name), getattr(b, name), rtol=1e-14), name
    assert same.optics == rig.optics


def test_a_stiffer_spring_and_a_weaker_coil_by_statics(rig):
    """Hooke: without memory the deflection is torque over stiffness."""
    bare = plain(rig)
    theta = np.array(settled(bare))
    assert np.allclose(settled(drifted(bare, Drift(spring=1.1))), theta / 1.1, rtol=2e-3)
    gain, offset = bare.axes[0].gain, bare.axes[0].offset
    weaker = settled(drifted(bare, Drift(gain=0.9)))[0]
    assert weaker == pytest.approx(theta[0] - 0.1 * gain * 0.5, rel=2e-3)
    assert theta[0] == pytest.approx(gain * 0.5 + offset, rel=2e-2)  # the room drifts by ±0.5 K


def test_the_room_acts_by_the_rigs_own_coefficients(rig):
    """dθ/θ = −dk/k for a linear spring; the shift of zero is its torque over the stiffness."""
    bare = plain(rig)
    k = bare.axes[0].stiffness_per_k
    before, after = settled(bare)[0], settled(warmed(bare, 10.0))[0]
    shift = -10.0 * bare.axes[0].zero_per_k
    assert after == pytest.approx((before + shift) / (1.0 + 10.0 * k), rel=1e-3)
    there = warmed(warmed(bare, 10.0), 5.0).axes[0]
    at_once = warmed(bare, 15.0).axes[0]
    assert there.gain == pytest.approx(at_once.gain, rel=1e-12)
    assert there.stiffness_per_k == pytest.approx(at_once.stiffness_per_k, rel=1e-12)
    assert there.offset == pytest.approx(at_once.offset, rel=1e-12)


def test_factors_reach_only_their_own_axis_and_branches(rig):
    one = drifted(rig, Drift(friction=1.2, after_effect_slow=0.8, axes="y"))
    assert one.axes[0] is rig.axes[0]
    assert np.allclose(one.axes[1].slip_stiffness / rig.axes[1].slip_stiffness, 1.2)
    ratio = one.axes[1].branch_stiffness / rig.axes[1].branch_stiffness
    assert np.allclose(ratio, np.where(rig.axes[1].relaxation_s >= 5.0, 0.8, 1.0))


def test_a_shift_of_zero_moves_the_spot_by_that_much(rig):
    moved = drifted(rig, Drift(zero_x_mm=0.5, zero_y_mm=-0.3))
    zero = np.zeros(1)
    x, y = (b - a for a, b in zip(virtual_bench.rig.spot_of(rig, zero, zero),
                                  virtual_bench.rig.spot_of(moved, zero, zero),
                                  strict=True))  # fmt: skip
    # the screen's tilt and turn are at most 3 degrees: 1 − cos 3° and sin 3.5° of the shift
    assert x[0] == pytest.approx(0.5, abs=0.03) and y[0] == pytest.approx(-0.3, abs=0.04)


def test_a_factor_of_zero_is_refused(rig):
    with pytest.raises(InputError, match="friction"):
        drifted(rig, Drift(friction=0.0))
    with pytest.raises(InputError, match="axis"):
        drifted(rig, Drift(axes="z"))  # type: ignore[arg-type]
