"""Random drive chains, drives and steps: identity, blocks, linearity, slopes, each within the
rounding that the recursion itself can make (bounds counted in operations, stated beside them)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from axis_strategies import numbers
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.kernels import drive_chain as kernel
from hysteresis.operators.drive_chain import DriveChain

EPS = np.finfo(float).eps
NAMES = ("droop_per_s", "lag_s", "saturation")
INFINITESIMAL = 1e-30


def zero_or(low: float, high: float) -> st.SearchStrategy[float]:
    return st.one_of(st.just(0.0), numbers(np.log(low), np.log(high)).map(np.exp))


chains = st.builds(DriveChain, zero_or(0.01, 200.0), zero_or(1e-6, 0.1), zero_or(1e-3, 2.0))


@st.composite
def drives(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """A drive, jumpy or smooth, and its steps: even, or uneven over up to four decades."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    n = draw(st.integers(1, 300))
    rough = draw(st.sampled_from([0.0, 0.9, 0.99]))
    noise = rng.uniform(-1, 1, n)
    for k in range(1, n):
        noise[k] = rough * noise[k - 1] + (1 - rough) * noise[k]
    longest = draw(st.sampled_from([1e-4, 1e-2, 0.3]))
    decades = draw(st.sampled_from([0.0, 1.0, 4.0]))
    return noise / np.abs(noise).max(), longest * 10.0 ** -rng.uniform(0, decades, n)


def inside(chain: DriveChain, u: np.ndarray, step: np.ndarray) -> tuple[float, float, float]:
    """Largest |u|, |v1|, |v2| along a run."""
    v1, _ = replace(chain, lag_s=0.0, saturation=0.0).forward(u, step)
    v2, _ = replace(chain, saturation=0.0).forward(u, step)
    return tuple(float(np.abs(a).max()) for a in (u, v1, v2))


def roundings(
    chain: DriveChain, u: np.ndarray, step: np.ndarray
) -> tuple[float, float, float, float]:
    """What one step of each stage can lose: droop forward (4 operations on |u|, |v1|, |Δu|) and
    backward (6 on |u|, |v1| and x |v1|, x the largest droop · step), lag (3 on |v1|, |v2|),
    saturation and its inverse together as seen at v2 (libm within 4 EPS each; d ln v2/d ln v is
    z coth z ≤ 1 + z, z = √s |v| ≤ √s |v2|)."""
    most_u, most_1, most_2 = inside(chain, u, step)
    x = chain.droop_per_s * step.max()
    return (
        4 * EPS * (3 * most_u + most_1),
        6 * EPS * (most_u + most_1 * (1 + 3 * x)),
        3 * EPS * (most_1 + most_2),
        4 * EPS * most_2 * (2 + np.sqrt(chain.saturation) * most_2),
    )


@settings(max_examples=200, deadline=None)
@given(chains, drives())
def test_inverse_of_forward_is_the_drive(chain: DriveChain, run) -> None:
    """Conditioning: the lag's inverse has the gain 1 + 2 L/h; the droop's adds up every step's
    rounding, and x times the error of v1 (weights x and (1 − φ)/φ ≤ x, the latter twice)."""
    u, step = run
    droop, droop_back, lag, curve = roundings(chain, u, step)
    gain = 1 + 2 * chain.lag_s / step.min()
    x = chain.droop_per_s * step
    in_v1 = gain * (curve + 2 * lag)
    bound = in_v1 * (1 + 3 * x.sum()) + np.sum((1 + x) * droop) + u.size * droop_back
    v, after = chain.forward(u, step)
    back, after_back = chain.inverse(v, step)
    np.testing.assert_allclose(back, u, rtol=0, atol=bound)
    np.testing.assert_allclose(after_back, after, rtol=0, atol=bound)


@settings(max_examples=200, deadline=None)
@given(chains, drives())
def test_forward_of_inverse_is_the_torque(chain: DriveChain, run) -> None:
    """Forward, nothing is magnified: roundings add up, those of a drive that has grown large."""
    v, step = run
    u, after = chain.inverse(v, step)
    droop, droop_back, lag, curve = roundings(chain, u, step)
    bound = u.size * (droop + droop_back) + 2 * lag + 2 * curve
    again, after_again = chain.forward(u, step)
    np.testing.assert_allclose(again, v, rtol=0, atol=bound)
    assert after_again[0] == after[0]


@settings(max_examples=60, deadline=None)
@given(chains, drives(), st.data())
def test_blocks_equal_one_pass_bit_for_bit(chain: DriveChain, run, data) -> None:
    u, step = run
    cuts = sorted(data.draw(st.lists(st.integers(0, u.size), max_size=5)))
    for method, start in (
        (chain.forward, chain.rest()),
        (chain.inverse, chain.rest()),
        (chain.forward_with_slopes, chain.rest_with_slopes()),
    ):
        *whole, end = method(u, step, start)
        parts, state = [], start
        for a, b in zip([0, *cuts], [*cuts, u.size], strict=True):
            *part, state = method(u[a:b], step[a:b], state)
            parts.append(part)
        np.testing.assert_array_equal(state, end)
        for k, one in enumerate(whole):
            np.testing.assert_array_equal(np.concatenate([p[k] for p in parts]), one)


@settings(max_examples=60, deadline=None)
@given(chains, drives(), numbers(-3.0, 3.0))
def test_without_saturation_it_is_linear(chain: DriveChain, run, factor: float) -> None:
    """Doubling and the other side to the last bit; any factor, and a sum, to rounding: v1 adds up
    the roundings of its steps, the lag is a mean and adds its own at most N times."""
    chain = replace(chain, saturation=0.0)
    u, step = run
    v, state = chain.forward(u, step)
    for exact in (2.0, -1.0, 0.25):
        scaled, after = chain.forward(exact * u, step)
        np.testing.assert_array_equal(scaled, exact * v)
        np.testing.assert_array_equal(after, exact * state)
        back, scaled_back = (chain.inverse(torque, step)[0] for torque in (v, scaled))
        np.testing.assert_array_equal(scaled_back, exact * back)
    droop, _, lag, _ = roundings(chain, u, step)
    bound = 2 * u.size * (droop + lag)
    scaled, _ = chain.forward(factor * u, step)
    np.testing.assert_allclose(scaled, factor * v, rtol=0, atol=bound * (abs(factor) + EPS))
    other = np.roll(u, u.size // 3)
    both, _ = chain.forward(u + other, step)
    apart, _ = chain.forward(other, step)
    droop, _, lag, _ = roundings(chain, other, step)
    bound = 2 * (bound + 2 * u.size * (droop + lag))
    np.testing.assert_allclose(both, v + apart, rtol=0, atol=bound)


@settings(max_examples=60, deadline=None)
@given(chains, drives())
def test_with_saturation_the_mirror_image_stays_exact(chain: DriveChain, run) -> None:
    u, step = run
    np.testing.assert_array_equal(chain.forward(-u, step)[0], -chain.forward(u, step)[0])


@settings(max_examples=60, deadline=None)
@given(chains, drives())
def test_lag_never_overshoots(chain: DriveChain, run) -> None:
    """A backward Euler step is a mean of the newest drive and the last current."""
    u, step = run
    v, _ = replace(chain, droop_per_s=0.0, saturation=0.0).forward(u, step)
    assert v.max() <= max(u.max(), 0.0) + 3 * EPS
    assert v.min() >= min(u.min(), 0.0) - 3 * EPS


@settings(max_examples=60, deadline=None)
@given(
    st.one_of(st.just(0.0), numbers(1e-12, 1e4)),
    st.lists(numbers(-1e3, 1e3), min_size=2, max_size=50, unique=True),
)
def test_saturation_rises_strictly(saturation: float, drive: list[float]) -> None:
    """Strictly where the curve rises by more than the rounding of arsinh between two drives: by at
    least the smaller of its two slopes times their distance. Its inverse undoes it."""
    u = np.sort(drive)
    v, _ = DriveChain(saturation=saturation).forward(u, 1.0)
    slope = 1 / np.sqrt(1 + saturation * u**2)
    rise = np.diff(u) * np.minimum(slope[1:], slope[:-1])
    rounding = 4 * EPS * np.maximum(np.abs(v[1:]), np.abs(v[:-1]))
    assert np.all(np.diff(v) >= -rounding)
    assert np.all(np.diff(v)[rise > 2 * rounding] > 0)
    assert np.all(np.abs(v) <= np.abs(u) * (1 + 4 * EPS))
    back, _ = DriveChain(saturation=saturation).inverse(v, 1.0)
    z = np.sqrt(saturation) * np.abs(v)
    assert np.all(np.abs(back - u) <= 4 * EPS * np.abs(u) * (2 + z))


# --- slopes -------------------------------------------------------------------------------------


def complex_run(numbers_: list[complex], u: np.ndarray, step: np.ndarray) -> np.ndarray:
    """The recursion in its plain form, with complex numbers: v1 ← e^−x v1 + φ Δu, and so on."""
    d, lag, s = numbers_
    v1 = v2 = before = 0.0
    out = np.empty(u.size, complex)
    for n in range(u.size):
        x = step[n] * d
        phi = -np.expm1(-x) / x if x != 0 else 1.0
        v1 = np.exp(-x) * v1 + phi * (u[n] - before)
        before = u[n]
        v2 = (step[n] * v1 + lag * v2) / (step[n] + lag)
        small = abs(s) < 1e-20  # then √s v2 is too small for arcsinh to keep its cubic term
        out[n] = v2 - s * v2**3 / 6 if small else np.arcsinh(np.sqrt(s) * v2) / np.sqrt(s)
    return out


@settings(max_examples=100, deadline=None)
@given(chains, drives())
def test_slopes_are_those_of_a_complex_step(chain: DriveChain, run) -> None:
    """Im f(p + iε)/ε is the derivative without a difference (Squire & Trapp 1998, from memory).

    Bounds, for the kernel and the reference alike: an error e1 of v1, the roundings of N steps,
    enters ∂v1/∂d with weight h and each step adds 8 roundings; the reference's φ'(x) loses 1/x;
    ∂v2/∂L adds (v2 − v1) h/(h + L)² with weights whose sum is at most 1/(h + L); the reference's
    ∂v/∂s loses |v|/s; the slope of the curve changes by s |v2| e1."""
    u, step = run
    v, slope, _ = chain.forward_with_slopes(u, step)
    np.testing.assert_array_equal(v, chain.forward(u, step)[0])
    values = [chain.droop_per_s, chain.lag_s, chain.saturation]
    droop, _, lag, _ = roundings(chain, u, step)
    most_u, most_1, most_2 = inside(chain, u, step)
    n, x = u.size, chain.droop_per_s * step
    e1 = n * (droop + lag)
    size = np.abs(slope).max(axis=0) * np.sqrt(1 + chain.saturation * most_2**2)
    ill = np.where(x > 0, 1 + 1 / np.maximum(x, 1e-300), 1.0)
    turned = chain.saturation * most_2 * e1
    bounds = [
        np.sum(8 * EPS * size[0] + step * (8 * EPS * (most_1 + 2 * most_u) * (1 + ill) + e1)),
        (2 * e1 + 8 * EPS * (most_1 + most_2)) / (step.min() + chain.lag_s) + 8 * n * EPS * size[1],
        4 * EPS * most_2 / (chain.saturation or 1.0) + 30 * EPS * size[2] + 0.5 * most_2**2 * e1,
    ]
    for p, bound in enumerate(bounds):
        moved = [complex(a) for a in values]
        moved[p] += 1j * INFINITESIMAL
        reference = complex_run(moved, u, step)
        np.testing.assert_allclose(v, reference.real, rtol=0, atol=2 * (e1 + 8 * EPS * most_2))
        bound = 2 * (bound + turned * size[p])
        np.testing.assert_allclose(
            slope[:, p], reference.imag / INFINITESIMAL, rtol=0, atol=bound, err_msg=NAMES[p]
        )


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("zero", [False, True])
def test_slopes_against_differences_of_the_kernel(name: str, zero: bool) -> None:
    """Differences of `forward` itself, one-sided at zero, of order 2 with steps ε and ε/2: their
    distance is three times the finer one's error but for the next order in ε."""
    rng = np.random.default_rng(4)
    u = 0.8 * np.sin(np.cumsum(rng.normal(0, 0.2, 500)))
    step = rng.uniform(5e-4, 2e-3, u.size)
    chain = replace(DriveChain(3.0, 2e-3, 0.3), **({name: 0.0} if zero else {}))
    value = getattr(chain, name)
    natural = {"droop_per_s": 1.0, "lag_s": 1e-3, "saturation": 1.0}[name]

    def at(change: float) -> np.ndarray:
        return replace(chain, **{name: value + change}).forward(u, step)[0]

    def difference(e: float) -> np.ndarray:
        if zero:
            return (4 * at(e) - 3 * at(0.0) - at(2 * e)) / (2 * e)
        return (at(e) - at(-e)) / (2 * e)

    _, slope, _ = chain.forward_with_slopes(u, step)
    slope = slope[:, NAMES.index(name)]
    e = 1e-4 * natural
    coarse, fine = difference(e), difference(e / 2)
    rounding = 8 * sum(roundings(chain, u, step)) * np.sqrt(u.size) / e
    bound = np.abs(coarse - fine) + rounding
    print(f"{name} at {value}: {np.abs(slope - fine).max():.1e} of {np.abs(slope).max():.1e}")
    assert np.all(np.abs(slope - fine) <= bound)
    assert bound.max() < 1e-4 * np.abs(slope).max()


# --- the small functions, to rounding -----------------------------------------------------------


def decimals(*values: float):
    from decimal import Decimal

    return [Decimal(float(a)) for a in values]


def test_hold_terms_and_the_slope_by_saturation_to_rounding() -> None:
    """Against 60 digits (Python's decimal), across the change from series to closed form. The
    closed forms lose what their cancellation loses: (x²/2)/x at x = 1/2, q/3 at q = 1/4."""
    from decimal import localcontext

    with localcontext() as context:
        context.prec = 60
        for value in [*np.geomspace(1e-9, 60, 300), 0.5, np.nextafter(0.5, 0)]:
            (x,) = decimals(value)
            faded = 1 - (-x).exp()
            wanted = faded, 1 - faded / x, ((-x).exp() - faded / x) / x
            got = decimals(*kernel.hold_terms(value))
            for a, b, allowed in zip(got, wanted, (2, 6, 16), strict=True):
                assert abs(float((a - b) / b)) < allowed * EPS
        for q in [*np.geomspace(1e-9, 1e3, 300), 0.25, np.nextafter(0.25, 0)]:
            for saturation in (1e-3, 1.0, 7.0):
                v2 = np.sqrt(q / saturation)
                s, z = decimals(saturation, v2)
                root = (s * z * z).sqrt()
                arsinh = (root + (s * z * z + 1).sqrt()).ln()
                wanted = (z / (1 + s * z * z).sqrt() - arsinh / s.sqrt()) / (2 * s)
                v = kernel.levelled(v2, np.sqrt(saturation))
                (got,) = decimals(kernel.levelling_by_saturation(v2, v, saturation))
                assert abs(float((got - wanted) / wanted)) < 4 * (1 + 3 / 0.25) * EPS
    assert kernel.hold_terms(0.0) == (0.0, 0.0, -0.5)
