"""Units, their memory and their optics, against the sources named at each check."""

from dataclasses import replace

import numpy as np
import pytest

from hysteresis.errors import InputError
from hysteresis.virtual_bench import SUSPENSIONS, make_rig, play
from hysteresis.virtual_bench.play import RUN_IN_S, RUN_OUT_S, _ambient
from hysteresis.virtual_bench.rig import TrueOptics, spot_of

STEP = ([0.0, 0.05, 1.0, 1.05, 2.0], [0.0, 0.5, 0.5, 0.0, 0.0], [0.0, -0.3, -0.3, 0.0, 0.0])


def _axis_arrays(rig):
    return [
        np.concatenate((a.slip_low, a.relaxation_s, a.branch_stiffness, [a.gain, a.inertia]))
        for a in rig.axes
    ]


def test_a_seed_is_a_unit_and_a_sequence_its_past(bench):
    one, again, other = (make_rig(bench, "twisted-cord", seed) for seed in (5, 5, 6))
    np.testing.assert_array_equal(_axis_arrays(one), _axis_arrays(again))
    assert one.optics == again.optics
    assert np.all(np.abs(_axis_arrays(one)[0] - _axis_arrays(other)[0])[:64] > 0)
    assert np.any(_axis_arrays(one)[0] != _axis_arrays(one)[1])  # axes differ within a unit
    first, same, later = (
        play(rig, *STEP, sequence=k).x_mm for rig, k in ((one, 2), (again, 2), (one, 3))
    )
    np.testing.assert_array_equal(first, same)
    assert np.abs(first - later).max() > 1e-3


def test_an_unknown_suspension_is_answered_with_the_names(bench):
    with pytest.raises(InputError, match=r"braided-thread.*metal-flexure"):
        make_rig(bench, "cobweb", 1)


def test_magnitudes_stay_within_the_scatter_between_units(bench):
    kind = SUSPENSIONS["braided-thread"]
    axes = [axis for seed in range(20) for axis in make_rig(bench, kind, seed).axes]
    friction = np.array([a.slip_stiffness.sum() for a in axes]) / kind.friction_stiffness
    assert np.all(np.abs(friction - 1) <= 0.2)
    assert np.ptp(friction) > 0.2  # 40 draws of a range of 0.4
    median = np.array([np.median(np.sqrt(a.slip_low * a.slip_high)) for a in axes])
    assert np.all(np.abs(median / kind.slip_median - 1) < 0.2 + 0.05)  # 64 jittered quantiles
    spread = np.array([np.log(a.slip_low).std() for a in axes])
    assert np.all(np.abs(spread - kind.slip_ln_spread) < 0.1)
    for a in axes:
        skew = np.abs(a.slip_high / a.slip_low - 1) / 2
        assert np.all((skew > 0.028) & (skew < 0.065))


@pytest.mark.parametrize("name", ["braided-thread", "elastic-band", "metal-flexure"])
def test_creep_per_decade_is_the_stated_one(bench, name):
    """Held drive: creep per decade over 1..100 s. Recovery: C log10((t + T)/t).

    Log-creep residue by Boltzmann superposition (textbook viscoelasticity, from memory). Units
    scatter by ±20 % uniformly, so 8 axes average within 3 · 0.2/√3/√8 = 12 %; the power law's
    tilt over the three decades at hand and creep ≈ 1/relaxation add up to 6 %.
    """
    kind = replace(
        SUSPENSIONS[name],
        friction_stiffness=0.0,
        stiffness_per_k=0.0,
        uneven=0.0,
        stiffening=0.0,
        damping_ratio=0.7,  # no ringing at 1 s; creep does not know the damping
    )
    slopes, residues = [], []
    for seed in range(4):
        rig = make_rig(bench, kind, seed)
        rig = replace(rig, axes=tuple(replace(a, zero_per_k=0.0, offset=0.0) for a in rig.axes))
        drive = np.array([0, 0.6, 0.6, 0.0, 0.0])
        played = play(
            rig, [0, 0.05, 100.0, 100.05, 111.0], drive, drive, history="rested", rate_hz=100.0,
        )  # fmt: skip
        for theta in (played.theta_x, played.theta_y):
            slopes.append((theta[10000] - theta[103]) / 2 / theta[1000])
            # T = 100 s, t = 10 s
            residues.append(theta[11003] / theta[1000] / np.log10(110 / 10))
    c = kind.after_effect_per_decade
    assert np.all(np.abs(np.array(slopes) / c - 1) < 0.2 + 0.06)
    assert abs(np.mean(slopes) / c - 1) < 0.12 + 0.06
    assert abs(np.mean(residues) / c - 1) < 0.12 + 0.06


def _return_error(rig, wait_s=5.0):
    """Return-to-zero error of both axes in FS after 90 % held 10 s from rest, `wait_s` later."""
    u = np.array([0, 0, 0.9, 0.9, 0, 0])
    t = np.array([0, 1, 1.1, 11.1, 11.2, 11.2 + wait_s])
    played = play(rig, t, u, u, history="rested")
    return [th[-1] - th[900] for th in (played.theta_x, played.theta_y)]


def test_thread_remembers_more_than_elastic_and_elastic_more_than_metal(bench):
    """Common practice, no source."""
    thread, elastic, metal = (
        np.median([_return_error(make_rig(bench, name, seed)) for seed in range(5)])
        for name in ("braided-thread", "elastic-band", "metal-flexure")
    )
    assert thread > 2 * elastic
    assert elastic > 5 * abs(metal)
    assert thread > 0.01


@pytest.mark.parametrize("side", [-1, 1])
def test_a_park_on_one_side_of_every_layer_shifts_the_job_towards_it(bench, side):
    """Common practice, no source."""
    rig = make_rig(bench, "braided-thread", 9)
    motif_t = np.linspace(0, 1, 201)
    motif = 0.2 * np.sin(2 * np.pi * 2 * motif_t)
    t, u, drawn, now = [0.0], [0.0], [], 0.0
    for _layer in range(6):
        drawn.append((now + 0.2, now + 1.2))
        t += [*(now + 0.2 + motif_t)]
        u += [*motif]
        t += [now + 1.4, now + 5.4]
        u += [0.8 * side, 0.8 * side]
        now += 5.6
    t, u = [*t, now], [*u, 0.0]
    played = play(rig, t, u, np.zeros(len(t)), history="rested")
    layers = [played.x_mm[(played.t_s >= a) & (played.t_s < b)].mean() for a, b in drawn]
    assert side * (np.mean(layers[2:]) - layers[0]) > 0.5  # mm on a field of 100 mm


def test_the_past_shows_before_the_first_sample_and_ends_at_rest(bench):
    starts = []
    for sequence in range(6):
        rig = make_rig(bench, "braided-thread", 10)
        played = play(rig, [0, 0.5], [0, 0], [0, 0], sequence=sequence)
        starts.append(played.theta_x[0])
        # at rest: recovery of the after-effect only, no ringing from one sample to the next
        assert np.abs(np.diff(played.around.x_mm[:2000])).max() < 0.01
    rested = play(rig, [0, 0.5], [0, 0], [0, 0], history="rested").theta_x[0]
    assert abs(rested) < 0.006  # the offset torque alone
    assert np.std(starts) > 0.002


def test_surroundings_drift_slowly_within_half_a_kelvin():
    t = np.linspace(-3600, 3600, 5000)
    for seed in range(10):
        rng = np.random.default_rng(seed)
        warm = _ambient(rng, from_zero=bool(seed % 2))(t)
        assert np.abs(warm).max() <= 0.5
        assert np.ptp(warm) > 0.1
        assert np.abs(np.diff(warm)).max() / (t[1] - t[0]) < 0.5 * 2 * np.pi / 400


def test_clock_run_in_and_run_out(bench):
    rig = make_rig(bench, "metal-flexure", 1)
    played = play(rig, *STEP, rate_hz=400.0, beam=[1, 1, 0, 0, 0], history="rested")
    np.testing.assert_allclose(played.t_s, np.arange(801) / 400.0, atol=1e-12)
    assert played.around.t_s[0] == pytest.approx(-RUN_IN_S)
    assert played.around.t_s[-1] == pytest.approx(2.0 + RUN_OUT_S)
    inside = np.isin(np.round(played.around.t_s * 400), np.round(played.t_s * 400))
    np.testing.assert_array_equal(played.around.x_mm[inside], played.x_mm)
    np.testing.assert_array_equal(played.beam, played.t_s < 1.0 - 1e-6)


def test_dense_samples_play_as_the_vertices_do(bench):
    """A 48 kHz copy of a drive moves the rig as its few vertices do."""
    rig = make_rig(bench, "silicone-strip", 2)
    t, ux, uy = (np.array(a) for a in STEP)
    dense = np.arange(round(2.0 * 48000) + 1) / 48000
    few = play(rig, t, ux, uy)
    many = play(rig, dense, np.interp(dense, t, ux), np.interp(dense, t, uy))
    # both are exact means of the same line: corners at 0.05 s and 1.05 s fall on samples
    np.testing.assert_allclose(many.x_mm, few.x_mm, atol=1e-6)


@pytest.mark.parametrize(
    ("t", "u", "word"),
    [
        ([0, 1, 1], [0, 0, 0], "rise"),
        ([0, 1], [0, 1.2], "range"),
        ([0, 1], [0, np.nan], "finite"),
        ([0], [0], "two vertices"),
        ([0, 1, 2], [0, 0], "length"),
    ],
)
def test_what_is_no_drive_is_refused(bench, t, u, word):
    rig = make_rig(bench, "metal-flexure", 1)
    with pytest.raises(InputError, match=word):
        play(rig, t, u, u)


def _traced(o: TrueOptics, ax: float, ay: float) -> tuple[float, float]:
    """Spot by reflecting a ray at two mirrors and cutting it with the screen: vectors only.

    The beam leaves the first mirror along +y, turned by twice its angle, and meets the second
    mirror, which stands at 45° and turns about x through the origin, so that +y becomes +z.
    """
    ray = np.array([np.sin(2 * ax), np.cos(2 * ax), 0.0])
    start = np.array([0.0, -o.gap_mm, 0.0])
    tilt = np.pi / 4 + ay  # the mirror's turn lifts the beam by twice as much
    normal = np.array([0.0, -np.cos(tilt), np.sin(tilt)])
    hit = start - ray * (normal @ start) / (normal @ ray)
    ray = ray - 2 * (ray @ normal) * normal
    turn_x = np.array(
        [[1, 0, 0], [0, np.cos(o.tilt_x_rad), -np.sin(o.tilt_x_rad)],
         [0, np.sin(o.tilt_x_rad), np.cos(o.tilt_x_rad)]]
    )  # fmt: skip
    turn_y = np.array(
        [[np.cos(o.tilt_y_rad), 0, np.sin(o.tilt_y_rad)], [0, 1, 0],
         [-np.sin(o.tilt_y_rad), 0, np.cos(o.tilt_y_rad)]]
    )  # fmt: skip
    screen = turn_y @ turn_x
    centre = np.array([0.0, 0.0, o.distance_mm])
    face = screen[:, 2]
    place = hit + ray * (face @ (centre - hit)) / (face @ ray)
    x, y, _ = screen.T @ (place - centre)
    c, s = np.cos(o.turn_rad), np.sin(o.turn_rad)
    return c * x + s * y, c * y - s * x


@pytest.mark.parametrize("seed", range(5))
def test_spots_are_those_of_a_traced_ray(bench, seed):
    rig = make_rig(bench, "metal-flexure", seed)
    o = rig.optics
    rng = np.random.default_rng(seed)
    for theta in rng.uniform(-1, 1, (20, 2)):
        x, y = spot_of(rig, *(np.array([v]) for v in theta))
        coupled = rig.coupling @ theta
        expected = _traced(
            o,
            o.angle_x_rad * coupled[0] + o.zero_x_rad,
            o.angle_y_rad * coupled[1] + o.zero_y_rad,
        )
        np.testing.assert_allclose((x[0], y[0]), expected, atol=1e-10)


def test_misalignment_is_slight_and_there(bench):
    for seed in range(10):
        rig = make_rig(bench, "metal-flexure", seed)
        zero = np.zeros(1)
        x, y = spot_of(rig, zero, zero)
        assert 0.25 < np.hypot(x, y)[0] < 2.1  # mm
        tilt = np.degrees(np.hypot(rig.optics.tilt_x_rad, rig.optics.tilt_y_rad))
        assert 1.0 <= tilt <= 3.0
        assert abs(np.degrees(rig.optics.turn_rad)) <= 0.5
        off = abs(rig.optics.distance_mm / bench.optics.plane_distance_mm - 1)
        assert 0.01 <= off <= 0.02
        cross = np.abs(rig.coupling - np.eye(2))
        assert np.all(cross[[0, 1], [1, 0]] >= 0.005) and cross.max() <= 0.015
