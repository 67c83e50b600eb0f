"""Figures of a recording against closed forms; sources beside each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from verify_data import (
    EXPOSURE_S,
    FULL_SCALE_MM,
    SIGMA_MM,
    ladder,
    pattern_of,
    play,
    recording_of,
    straight_spot,
)

from hysteresis.metrics import (
    conditioned_from_s,
    mean_between,
    recoveries,
    returns_to_zero,
    still_stretches,
)
from hysteresis.recording import observations
from hysteresis.tables import Pattern, Recording


def returns(pattern: Pattern, recording: Recording):
    return returns_to_zero(pattern, observations(pattern, recording), FULL_SCALE_MM)


# ---- return to zero ----------------------------------------------------------------------------


@pytest.mark.parametrize("size", [0.1, 0.25, 0.35, 0.5, 0.8, 1.0])
def test_return_to_zero_of_play_elements_in_closed_form(size: float) -> None:
    """RTZ(H) = Σ w_i min((H − r_i)₊, r_i) of a Prandtl–Ishlinskii operator rested before.

    Follows from Masing's rule (Masing 1926, from memory): h(H) − 2 h(H/2), exact. The linear
    element (r = 0) drops out: the figure says nothing about the gain.
    """
    weights, radii = np.array([0.7, 0.3, 0.2, 0.1]), np.array([0.0, 0.1, 0.2, 0.4])

    def spot(t, drive_x, drive_y):
        x = sum(w * play(drive_x, r) for w, r in zip(weights, radii, strict=True))
        y = sum(w * play(drive_y, r) for w, r in zip(weights, radii, strict=True))
        return 50.0 * x, 50.0 * y

    pattern = pattern_of(ladder(1, (size, -size), 1.0))
    found = returns(pattern, recording_of(pattern, spot))
    expected = np.sum(weights * np.minimum(np.maximum(size - radii, 0.0), radii))
    assert [r.axis for r in found] == ["x", "y"]
    for r, sign in zip(found, (1.0, -1.0), strict=True):
        assert r.excursion_fs == sign * size
        assert r.dwell_s == pytest.approx(1.0)
        assert r.first.error_mm == pytest.approx(sign * 50.0 * expected, abs=1e-9)
        assert r.percent_fs(r.first) == pytest.approx(100.0 * sign * expected, abs=1e-9)
        assert r.last is not None and r.recovered_mm == pytest.approx(0.0, abs=1e-9)


def test_return_to_zero_of_a_stop_bank_in_closed_form() -> None:
    """x_rem = X − 2 g⁻¹(g(X)/2) for k₀ = 0.5, k = (1, .6, .4, .3), r = (.1, .25, .5, .9), X = 0.8.

    g(X) = 1.09, g⁻¹(0.545) = 0.2472222… by hand on the second piece of g, so x_rem = 0.3055555….
    Follows from Masing's rule (Masing 1926, from memory). The torque is scaled so that the drive
    stays within full scale.
    """
    from hysteresis.axis import AxisModel
    from hysteresis.operators.elastic import Elastic
    from hysteresis.operators.maxwell_slip import MaxwellSlip

    scale = 1.0 / 1.2
    axis = AxisModel(
        elastic=Elastic(linear=0.5 * scale),
        friction=MaxwellSlip(
            np.array([0.1, 0.25, 0.5, 0.9]), scale * np.array([1.0, 0.6, 0.4, 0.3])
        ),
    )

    def spot(t, drive_x, drive_y):
        theta, _ = axis.deflection(drive_x, np.diff(t, prepend=-1e-3))
        return 50.0 * theta, 0.0 * theta

    pattern = pattern_of(ladder(1, (1.09 * scale, 0.0), 1.0))
    (found,) = returns(pattern, recording_of(pattern, spot))
    assert found.first.error_mm / 50.0 == pytest.approx(0.8 - 2 * 0.247222222222222, abs=1e-9)
    assert found.first.error_mm / 50.0 == pytest.approx(0.305555555555556, abs=1e-9)


@pytest.mark.parametrize(
    ("dwell_s", "wait_s", "percent"),
    [(10.0, 1.0, 2.0828), (60.0, 1.0, 3.5707), (60.0, 10.0, 1.6902)],
)
def test_residue_of_logarithmic_creep(dwell_s: float, wait_s: float, percent: float) -> None:
    """Boltzmann superposition: C log₁₀((t + T)/t) after a hold T, C = 2 % per decade.

    Textbook (Ferry; from memory); numbers recomputed here to four digits.
    """
    assert percent == pytest.approx(2.0 * np.log10((wait_s + dwell_s) / wait_s), abs=5e-5)
    # the last reading is the mean of the last half second: its middle is `wait_s` after return
    pattern = pattern_of(ladder(1, (0.8, 0.0), dwell_s, watch_s=wait_s + 0.25))
    zero_s = pattern.t_s[4]

    def spot(t, drive_x, drive_y):
        after = np.maximum(t - zero_s, 1e-4)
        creep = np.where(t > zero_s, 0.02 * np.log10((after + dwell_s) / after), 0.0)
        return 50.0 * 0.8 * creep, 0.0 * t

    (found,) = returns(pattern, recording_of(pattern, spot))
    assert found.last is not None
    assert found.last.wait_s == pytest.approx(wait_s, abs=0.02)
    at_wait = 2.0 * np.log10((found.last.wait_s + dwell_s) / found.last.wait_s)
    # a mean over half a second of a curve c/t bends by c h²/(6 t²), h = 0.25 s
    bend = 0.02 * 100 * 0.4343 * 0.25**2 / (6.0 * wait_s**2)
    assert found.percent_fs(found.last) / 0.8 == pytest.approx(at_wait, abs=1.5 * bend + 1e-3)
    assert found.recovered_mm < 0  # it creeps back from the side where it was held


def test_an_ac_coupled_output_leaves_the_other_side() -> None:
    """Undershoot −(1 − e^(−T/τ)) e^(−t/τ) after a hold T: first-order high pass (textbook)."""
    tau, dwell = 1.0 / (2.0 * np.pi * 0.05), 1.0
    pattern = pattern_of(ladder(1, (0.8, 0.0), dwell))
    zero_s = pattern.t_s[4]

    def spot(t, drive_x, drive_y):
        under = -(1.0 - np.exp(-dwell / tau)) * np.exp(-(t - zero_s) / tau)
        return np.where(t > zero_s, 50.0 * 0.8 * under, 50.0 * drive_x), 0.0 * t

    (found,) = returns(pattern, recording_of(pattern, spot))
    expected = -40.0 * (1.0 - np.exp(-dwell / tau)) * np.exp(-found.first.wait_s / tau)
    # the mean over ± 0.1 s of an exponential is larger than its middle by sinh(h/τ)/(h/τ)
    assert found.first.error_mm == pytest.approx(expected, rel=1.3 * 0.1**2 / (6.0 * tau**2))
    assert found.first.error_mm < 0 < found.excursion_fs


def test_the_reading_before_is_taken_off() -> None:
    def spot(t, drive_x, drive_y):
        return 50.0 * drive_x + 1.7, 50.0 * drive_y - 0.4

    pattern = pattern_of([*ladder(1, (0.5, 0.3), 1.0), *ladder(2, (-0.9, 0.0), 2.0)])
    found = returns(pattern, recording_of(pattern, spot))
    assert [(r.group, r.axis) for r in found] == [
        ("ladder/001", "x"), ("ladder/001", "y"), ("ladder/002", "x"),
    ]  # fmt: skip
    assert max(abs(r.first.error_mm) for r in found) < 1e-9


def test_waits_and_dwells_are_the_actual_ones() -> None:
    pattern = pattern_of(ladder(1, (0.5, 0.0), 3.0, watch_s=5.0))
    (found,) = returns(pattern, recording_of(pattern, straight_spot))
    assert found.dwell_s == pytest.approx(3.0)
    assert found.first.wait_s == pytest.approx(0.5, abs=0.02)
    assert found.last is not None and found.last.wait_s == pytest.approx(4.75, abs=0.02)


def test_rows_set_aside_are_not_read() -> None:
    pattern = pattern_of(ladder(1, (0.5, 0.0), 1.0))
    clean = recording_of(pattern, straight_spot)
    x, used = clean.x_mm.copy(), clean.used.copy()
    x[::7] += 30.0
    used[::7] = False
    reason = np.where(used, "", "outlier").astype(object)
    dirty = Recording(clean.t_s, clean.exposure_s, x, clean.y_mm, clean.sigma_x_mm,
                      clean.sigma_y_mm, used, reason, clean.segment)  # fmt: skip
    (found,) = returns(pattern, dirty)
    assert found.first.error_mm == pytest.approx(0.0, abs=1e-9)


def test_a_cell_that_was_not_filmed_before_is_left_out() -> None:
    pattern = pattern_of(ladder(1, (0.5, 0.0), 1.0))
    whole = recording_of(pattern, straight_spot)
    late = whole.t_s > 0.7
    part = Recording(*(getattr(whole, name)[late] for name in whole.__dataclass_fields__))
    assert returns(pattern, part) == ()


def test_stated_uncertainty_matches_the_scatter() -> None:
    """JCGM 100, 4.2.3: the standard uncertainty is the standard deviation of the mean."""
    pattern = pattern_of([p for n in range(1, 151) for p in ladder(n, (0.5, -0.5), 0.5, 1.5)])
    recording = recording_of(pattern, straight_spot, noise=np.random.default_rng(3))
    found = returns(pattern, recording)
    z = np.array([r.first.error_mm / r.first.u_mm for r in found])
    assert len(z) == 300
    # the larger of scatter and sigma is taken, so the scores are a little narrow, never wide
    assert 0.8 < np.std(z) < 1.06
    assert abs(np.mean(z)) < 4.0 / np.sqrt(len(z))


# ---- typed readings ----------------------------------------------------------------------------


def typed_run(timed: bool) -> tuple[Pattern, Recording]:
    """Three steps with a zero reading before, one at the excursion, an early and a late one."""
    pieces, rows = [("reading/001", 6.0, (0.0, 0.0))], [(5.5, 1)]
    number, at = 1, 6.0
    for size in (0.6, -0.3, 0.9):
        for to, hold_s in ((size, 10.0), (0.0, 4.0), (0.0, 8.0)):
            number += 1
            if to != 0.0 or hold_s == 4.0:
                pieces.append((f"reading/{number:03d}/move", 0.2, (to, 0.0)))
                at += 0.2
            pieces.append((f"reading/{number:03d}", hold_s, (to, 0.0)))
            at += hold_s
            rows.append((at - 0.5, number))
    pattern = pattern_of(pieces)
    fine = np.linspace(0.0, pattern.t_s[-1], 20001)
    spot = 50.0 * play(np.interp(fine, pattern.t_s, pattern.drive_x), 0.1)
    t = np.array([row[0] for row in rows])
    n = len(t)
    return pattern, Recording(
        t if timed else np.full(n, np.nan), np.zeros(n), np.interp(t, fine, spot),
        np.full(n, np.nan), np.full(n, 0.3), np.full(n, 0.3), np.ones(n, dtype=bool),
        np.full(n, "", dtype=object),
        np.array([f"reading/{number:03d}" for _, number in rows], dtype=object),
    )  # fmt: skip


@pytest.mark.parametrize("timed", [True, False])
def test_returns_of_typed_readings(timed: bool) -> None:
    """Play of radius r: rested to H and back leaves r (for H > 2 r); from r to −H and back, 2 r."""
    pattern, recording = typed_run(timed)
    found = returns(pattern, recording)
    assert [r.axis for r in found] == ["x", "x", "x"]  # y was not read
    assert [r.excursion_fs for r in found] == [0.6, -0.3, 0.9]
    assert [r.first.error_mm for r in found] == pytest.approx([5.0, -10.0, 10.0], abs=0.02)
    assert [r.dwell_s for r in found] == pytest.approx([10.0] * 3)
    wait = 3.5 if timed else 4.0  # without a time the reading is placed at the end of its hold
    assert [r.first.wait_s for r in found] == pytest.approx([wait] * 3)
    assert all(r.last is not None and r.last.wait_s > 11.0 for r in found)
    assert [r.first.u_mm for r in found] == pytest.approx([0.3 * np.sqrt(2.0)] * 3)


def test_a_conditioning_between_the_readings_breaks_the_pair() -> None:
    pattern = pattern_of([
        ("reading/001", 5.0, (0.0, 0.0)),
        ("conditioning/001", 1.0, (0.0, 0.0)),
        ("reading/002/move", 0.2, (0.5, 0.0)),
        ("reading/002", 5.0, (0.5, 0.0)),
        ("reading/003/move", 0.2, (0.0, 0.0)),
        ("reading/003", 5.0, (0.0, 0.0)),
    ])  # fmt: skip
    n = 3
    recording = Recording(
        np.array([4.5, 10.7, 15.9]), np.zeros(n), np.array([0.0, 25.0, 1.0]), np.full(n, np.nan),
        np.full(n, 0.3), np.full(n, 0.3), np.ones(n, dtype=bool), np.full(n, "", dtype=object),
        np.array(["reading/001", "reading/002", "reading/003"], dtype=object),
    )  # fmt: skip
    assert returns(pattern, recording) == ()


# ---- parts -------------------------------------------------------------------------------------


def test_recovery_curves_follow_the_law_they_are_made_from() -> None:
    pattern = pattern_of(ladder(1, (0.8, 0.0), 10.0, watch_s=8.0))
    zero_s = pattern.t_s[4]

    def law(after):
        return 0.8 * np.log10((after + 10.0) / after)

    def spot(t, drive_x, drive_y):
        return np.where(t > zero_s, law(np.maximum(t - zero_s, 1e-3)), 0.0), 0.0 * t

    recording = recording_of(pattern, spot)
    (curve,) = recoveries(pattern, observations(pattern, recording))
    assert (curve.axis, curve.excursion_fs, curve.dwell_s) == ("x", 0.8, pytest.approx(10.0))
    late = curve.after_s > 0.2
    # a bin is an eighth of a decade wide: its mean bends from the law by less than 1 %
    assert curve.error_mm[late] == pytest.approx(law(curve.after_s[late]), rel=0.01)
    assert np.all(np.diff(curve.after_s) > 0)
    assert np.all(curve.u_mm >= SIGMA_MM / np.sqrt(60))


def test_a_mean_takes_only_frames_that_lie_wholly_inside() -> None:
    pattern = pattern_of([("rest/001", 2.0, (0.0, 0.0))])
    seen = observations(pattern, recording_of(pattern, straight_spot))
    mean = mean_between(seen, 0.5, 1.0)
    inside = (seen.start_s >= 0.5) & (seen.start_s + EXPOSURE_S <= 1.0)
    assert mean is not None and mean.frames == inside.sum()
    assert mean.u_mm[0] == pytest.approx(SIGMA_MM / np.sqrt(inside.sum()))
    assert mean_between(seen, 0.5, 0.505) is None


def test_a_stray_frame_is_no_reading_but_a_ringing_mirror_is() -> None:
    pattern = pattern_of([("rest/001", 2.0, (0.0, 0.0))])
    clean = recording_of(pattern, straight_spot, noise=np.random.default_rng(2))
    x = clean.x_mm.copy()
    x[20] += 5.0
    one, two = (
        mean_between(observations(pattern, replace(clean, x_mm=values)), 0.5, 1.0)
        for values in (clean.x_mm, x)
    )
    assert one is not None and two is not None
    assert two.mm[0] == pytest.approx(one.mm[0], abs=SIGMA_MM)
    ringing = replace(clean, x_mm=np.sin(2 * np.pi * 79.3 * clean.t_s))
    found = mean_between(observations(pattern, ringing), 0.5, 1.0)
    # the scatter of a sine is 1/√2 of its size: the reading says how little it knows
    assert found is not None
    assert found.u_mm[0] == pytest.approx(1 / np.sqrt(2 * found.frames), rel=0.2)


def test_still_stretches_know_from_where_they_were_reached() -> None:
    pattern = pattern_of([
        ("staircase/001", 0.1, (0.5, 0.0)), ("staircase/001", 0.3, (0.5, 0.0)),
        ("staircase/001", 0.1, (0.2, -0.4)), ("staircase/001", 0.1, (0.2, -0.4)),
        ("staircase/001", 0.2, (0.2, -0.4)), ("staircase/001", 0.1, (0.0, 0.0)),
    ])  # fmt: skip
    found = still_stretches(pattern, slice(0, len(pattern) - 1))
    assert [(s.drive, s.approach) for s in found] == [((0.5, 0.0), (1, 0)), ((0.2, -0.4), (-1, -1))]
    assert found[1].end_s - found[1].start_s == pytest.approx(0.3)  # two rows, one stretch


def test_conditioning_ends_where_the_next_kind_begins() -> None:
    pattern = pattern_of([
        ("sync/001", 4.0, (0.0, 0.0)), ("conditioning/001", 2.0, (0.0, 0.0)),
        ("conditioning/001", 1.0, (0.0, 0.0)), ("staircase/001", 1.0, (0.0, 0.0)),
        ("conditioning/002", 1.0, (0.0, 0.0)),
    ])  # fmt: skip
    assert conditioned_from_s(pattern) == 7.0
    assert conditioned_from_s(pattern_of([("sweep/001", 1.0, (0.0, 0.0))])) == 0.0


# ---- what is read while it is held ---------------------------------------------------------------


def test_readings_at_the_excursion_and_their_degrees_of_freedom() -> None:
    """The hold creeps by 0.05 mm/s: readings 0.5 s and 9.75 s after arriving tell it, each less the
    one before; a scatter of n frames has n − 1 degrees of freedom (JCGM 100, 4.2.6)."""
    pattern = pattern_of(ladder(1, (0.8, 0.0), 10.0))
    hold_s, back_s = pattern.t_s[2], pattern.t_s[3]

    def spot(t, drive_x, drive_y):
        held = (t >= hold_s) & (t < back_s)
        return 1.0 + np.where(held, 40.0 + 0.05 * (t - hold_s), 0.0), 0.0 * t

    (found,) = returns(pattern, recording_of(pattern, spot))
    early, late = found.held_early, found.held
    assert early is not None and late is not None
    assert early.wait_s == pytest.approx(0.5, abs=0.02)
    assert late.wait_s == pytest.approx(9.75, abs=0.02)
    for one in (early, late):
        assert one.error_mm == pytest.approx(40.0 + 0.05 * one.wait_s, abs=1e-9)
        assert one.own_u_mm < one.u_mm
    assert late.dof == np.inf  # its scatter by creep, 7 µm, is below the stated 10 µm
    rough = recording_of(pattern, spot, sigma_mm=1e-4)
    (again,) = returns(pattern, rough)
    assert again.held is not None and 10.0 < again.held.dof < 16.0


def test_a_short_hold_has_no_early_reading() -> None:
    pattern = pattern_of(ladder(1, (0.8, 0.0), 1.0))
    (found,) = returns(pattern, recording_of(pattern, straight_spot))
    assert found.held is not None and found.held_early is None
    assert found.held.error_mm == pytest.approx(40.0, abs=1e-9)


def test_the_reading_before_leaves_out_a_mirror_still_on_its_way() -> None:
    """Rest of 0.4 s: frames of its first tenth of a second do not count."""
    pattern = pattern_of([
        ("sweep/001", 1.0, (0.5, 0.0)), ("sweep/001", 1.0, (0.0, 0.0)), *ladder(1, (0.5, 0.0), 1.0)
    ])  # fmt: skip

    def spot(t, drive_x, drive_y):
        return 50.0 * drive_x - 5.0 * ((t > 2.0) & (t < 2.09)), 0.0 * t

    (found,) = returns(pattern, recording_of(pattern, spot))
    assert found.first.error_mm == pytest.approx(0.0, abs=1e-9)
