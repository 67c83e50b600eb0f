"""Moves, conditioning, walking steps, sync signature: against formulas and outside programs."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, signal

from hysteresis.plan import segments as seg
from hysteresis.plan import sync
from hysteresis.plan.characterise import characterisation
from tests.plan.conftest import bench_with

LIMITS = bench_with().limits


@pytest.mark.parametrize(("cycles", "share"), [(0.5, 0.70), (1.0, 0.97), (4.0, 0.9997)])
def test_share_of_the_energy_below_the_bandwidth(cycles, share):
    """The shares that the rule for the rise states, by quadrature of the transform itself."""

    def spectrum(f):  # |∫ sin(πt) e^{−2πift} dt|² over 0 … 1, by quadrature of the definition
        t = np.linspace(0.0, 1.0, 2001)
        pulse = np.sin(np.pi * t)
        real = integrate.simpson(pulse * np.cos(2 * np.pi * f * t), x=t)
        imaginary = integrate.simpson(pulse * np.sin(2 * np.pi * f * t), x=t)
        return real**2 + imaginary**2

    below = integrate.quad(spectrum, 0.0, cycles, limit=200)[0]
    whole = 0.25  # Parseval: half of ∫ sin²(πt) dt = 1/2
    assert below / whole == pytest.approx(share, abs=0.005)


@given(
    st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
    st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
    st.floats(0.1, 1e4),
    st.floats(1.0, 5e3),
)
def test_a_move_keeps_to_slew_and_rise(start, stop, slew, bandwidth):
    limits = LIMITS.model_copy(update={"slew_per_s": slew, "bandwidth_hz": bandwidth})
    for cycles in (seg.QUICKEST, 1.0, seg.GENTLE):
        piece = seg.move(start, stop, limits, "rest", cycles=cycles)
        assert np.array_equal(piece.drive[[0, -1]], [start, stop])
        assert piece.duration_s >= cycles / bandwidth
        assert np.abs(np.diff(piece.drive, axis=0).T / np.diff(piece.t_s)).max() <= slew * (
            1 + 1e-9
        )


def test_a_ramp_runs_at_the_rate_asked_and_stops_softly():
    piece = seg.ramp((0.0, 0.0), (0.9, -0.3), 0.5, LIMITS, "sweep")
    rate = np.diff(piece.drive[:, 0]) / np.diff(piece.t_s)
    assert rate.max() == pytest.approx(0.5, rel=1e-9) and np.argmax(np.diff(piece.t_s)) == 4
    assert np.all(np.diff(rate[:5]) > 0) and np.all(np.diff(rate[4:]) < 0)
    assert np.allclose(piece.drive[:, 1], -piece.drive[:, 0] / 3)


def test_together_changes_neither_axis():
    rng = np.random.default_rng(0)
    pieces = []
    for n in (7, 12):
        t = np.concatenate([[0.0], np.cumsum(rng.uniform(0.01, 1.0, n - 1))])
        pieces.append(seg.Piece("rest", "", t, rng.uniform(-1, 1, (n, 2))))
    both = seg.together(*pieces)
    assert np.all(np.diff(both.t_s) > 0)
    for axis, piece in enumerate(pieces):
        again = np.interp(piece.t_s, both.t_s, both.drive[:, axis])
        assert np.allclose(again, piece.drive[:, axis], rtol=0, atol=1e-12)


def _play(x, r, z):
    """Play operator, z_k = max(x_k − r, min(x_k + r, z_{k−1})) (Brokate & Sprekels; from memory).

    Exact at the vertices of a piecewise-linear input, since it is monotone between them.
    """
    for value in x:
        z = max(value - r, min(value + r, z))
    return z


@given(st.floats(0.2, 1.0), st.integers(4, 40), st.floats(0.0, 1.0), st.floats(-1.0, 1.0))
@settings(max_examples=300)
def test_conditioning_leaves_half_a_decrement(top, half_cycles, part, past):
    """|z| ≤ Δ/2 for every threshold up to the peak, whatever the past; derived, see references.

    The bound: after the last swing that moves it, a play rests within half a decrement.
    """
    block = seg.conditioning((top, top), LIMITS, half_cycles=half_cycles)
    r = part * top
    for axis in range(2):
        left = _play(block[0].drive[:, axis], r, past * r)
        assert abs(left) <= top / half_cycles / 2 + 1e-12


def test_linear_conditioning_leaves_less_than_geometric_in_large_thresholds():
    n, top = 20, 1.0
    k = np.arange(n)
    linear = np.concatenate([[top], top * (1 - k / n)]) * (-1.0) ** np.arange(n + 1)
    geometric = top * 0.01 ** (np.arange(n + 1) / n) * (-1.0) ** np.arange(n + 1)
    r = np.linspace(0.3, 0.95, 40)
    left = [max(abs(_play([*way, 0.0], one, one)) for one in r) for way in (linear, geometric)]
    assert left[0] <= top / n / 2 + 1e-12 < left[1]


def test_the_repeated_steps_show_every_phase_of_a_frame():
    frame_s, phases = 1 / 30, 12
    piece = seg.small_steps(0.1, (0.2, -0.3), frame_s, phases, LIMITS)[0]
    for axis, middle in enumerate((0.2, -0.3)):
        u = piece.drive[:, axis]
        up = (u[:-1] < middle - 0.049) & (np.diff(u) > 1e-12) & (u[1:] > middle - 0.05)
        edges = piece.t_s[:-1][up][:phases]  # what may come after them is the way back to zero
        assert len(edges) == phases
        seen = np.sort((edges - edges[0]) % frame_s)
        seen[seen > frame_s - 1e-6] = 0.0
        assert np.allclose(np.diff(np.sort(seen)), frame_s / phases, atol=1e-6)
    moves = [np.any(np.diff(piece.drive[:, a, None], axis=0), axis=1) for a in range(2)]
    inner = (piece.t_s[:-1] > 0.6) & (piece.t_s[:-1] < piece.t_s[-1] - 1.0)
    assert not np.any(moves[0] & moves[1] & inner)  # one axis rings while the other is still


@pytest.mark.parametrize("marks", [sync.SYNC_MARKS_X, sync.SYNC_MARKS_Y])
def test_sync_marks_form_a_golomb_ruler(marks):
    """Definition of a Golomb ruler: no distance between two marks occurs twice."""
    distances = [b - a for a, b in combinations(marks, 2)]
    assert len(set(distances)) == len(distances)


def _frames(t, drive, start, exposure=0.008, rate=30.0):
    """Mean of a piecewise-linear drive over each exposure, exact, by its integral."""
    ends = np.add.outer(start, [0.0, exposure])
    area = integrate.cumulative_trapezoid(drive, t, initial=0.0)

    def at(s):
        k = np.clip(np.searchsorted(t, s, side="right") - 1, 0, len(t) - 2)
        u = np.interp(s, t, drive)
        return area[k] + (s - t[k]) * (drive[k] + u) / 2

    return (at(ends[:, 1]) - at(ends[:, 0])) / exposure


@pytest.mark.parametrize("seed", range(5))
def test_the_sync_signature_is_found_to_a_few_milliseconds(seed):
    """Camera of 30 frames/s, noise of 1 % of full scale, a lagging mirror: below 5 ms."""
    rng = np.random.default_rng(seed)
    piece = sync.sync_signature(0.25, LIMITS)[0]
    fine = np.arange(0.0, piece.duration_s, 1e-3)
    # A second-order mirror, 30 Hz and damping ratio 0.1, by scipy.signal.
    mirror = signal.TransferFunction([1.0], [1 / (2 * np.pi * 30) ** 2, 0.2 / (2 * np.pi * 30), 1])
    offset = rng.uniform(-0.5, 0.5)
    start = np.arange(0.0, piece.duration_s - 1.2, 1 / 30) + 0.55 + rng.uniform(0, 1 / 30)
    error = 0.0
    costs = []
    grid = np.arange(-0.7, 0.7, 0.01)
    seen = []
    for axis in range(2):
        angle = signal.lsim(mirror, np.interp(fine, piece.t_s, piece.drive[:, axis]), fine)[1]
        seen.append(_frames(fine, angle, start + offset) + 0.01 * rng.standard_normal(len(start)))

    def misfit(shift):
        return sum(
            np.sum((seen[a] - _frames(piece.t_s, piece.drive[:, a], start + shift)) ** 2)
            for a in range(2)
        )

    costs = [misfit(s) for s in grid]
    best = grid[int(np.argmin(costs))]
    found = optimize.minimize_scalar(misfit, bounds=(best - 0.02, best + 0.02), method="bounded").x
    error = abs(found - offset)
    assert error < 5e-3
    # Nothing else comes near: away from the truth the misfit is several times as large.
    far = np.abs(grid - offset) > 0.15
    assert min(np.array(costs)[far]) > 5 * misfit(found)


def test_nothing_in_a_characterisation_resembles_the_sync_signature():
    """Normalised correlation of the drive's rate with the signature's, along the whole pattern."""
    pattern = characterisation(bench_with())
    step = 1 / 60
    t = np.arange(0.0, pattern.t_s[-1], step)
    last = np.flatnonzero(np.char.startswith(pattern.segment[:-1].astype(str), "sync/001"))[-1]
    n = int(pattern.t_s[last + 1] / step)
    rate = np.column_stack(
        [np.gradient(np.interp(t, pattern.t_s, u)) for u in (pattern.drive_x, pattern.drive_y)]
    )
    mark = rate[:n]
    match = sum(signal.correlate(rate[:, a], mark[:, a], mode="valid") for a in range(2))
    power = sum(signal.correlate(rate[:, a] ** 2, np.ones(n), mode="valid") for a in range(2))
    match /= np.sqrt(np.maximum(power, 1e-12) * np.sum(mark**2))
    peaks = np.flatnonzero(match > 0.9)
    ends = [0, int(pattern.t_s[-1] / step) - n]
    assert {min(ends, key=lambda e, p=p: abs(e - p)) for p in peaks} == set(ends)
    away = np.min(np.abs(np.subtract.outer(np.arange(len(match)), ends)), axis=1) > 0.2 / step
    assert match[away].max() < 0.5
