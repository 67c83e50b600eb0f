"""One sitting: a job played after its pattern is played on the rig that remembers both."""

import numpy as np
import pytest

from hysteresis.tables import DriveSignal, Pattern
from hysteresis.virtual_bench import make_rig, play, play_after
from hysteresis.virtual_bench.play import RUN_IN_S

RATE_HZ = 1000.0


def pattern(level=0.9):
    t = np.array([0.0, 0.5, 0.7, 3.0, 3.2, 4.0])
    u = level * np.array([0.0, 0.0, 1.0, 1.0, 0.0, 0.0])
    return Pattern(t, u, -u, np.ones(6, bool), np.full(6, "ladder/001", object))


def job(start_s=0.0):
    t = np.array([0.0, 0.2, 0.5, 1.0, 1.4])
    beam = np.array([0, 1, 1, 0, 0], bool)
    return DriveSignal(start_s + t, 0.3 * np.array([0, 0, 1, -1, 0.0]), np.zeros(5), beam)


def at(played, t_s):
    """x and y at given times on the played clock."""
    return np.array([np.interp(t_s, played.t_s, v) for v in (played.x_mm, played.y_mm)])


@pytest.mark.parametrize("start_s", [0.0, 12.5])
def test_it_is_the_pattern_the_pause_and_the_job_in_one_drive(bench, start_s):
    rig, before, after, pause_s = make_rig(bench, "braided-thread", 4), pattern(), job(start_s), 2.0
    played = play_after(rig, before, pause_s, after, rate_hz=RATE_HZ)
    begin = before.t_s[-1] + pause_s
    whole = play(
        rig,
        np.concatenate([before.t_s, begin + after.t_s - start_s]),
        np.concatenate([before.drive_x, after.drive_x]),
        np.concatenate([before.drive_y, after.drive_y]),
        rate_hz=RATE_HZ,
    )
    t = np.arange(0.0, 1.4, 1 / RATE_HZ)
    np.testing.assert_allclose(at(played, start_s + t), at(whole, begin + t), atol=1e-6)


def test_its_clock_and_beam_are_those_of_the_job(bench):
    rig, after = make_rig(bench, "elastic-band", 4), job(7.0)
    played = play_after(rig, pattern(), 0.5, after, rate_hz=RATE_HZ)
    assert abs(played.t_s[0] - 7.0) <= 0.5 / RATE_HZ
    assert abs(played.t_s[-1] - 8.4) <= 1.0 / RATE_HZ
    assert len(played.t_s) == len(played.x_mm) == len(played.theta_y) == len(played.beam)
    on = (played.t_s > 7.2 - 1e-6) & (played.t_s < 8.0 - 1e-6)
    np.testing.assert_array_equal(played.beam, on)
    # a camera that starts early sees the pause before, on the same clock
    around = played.around
    assert around.t_s[0] == pytest.approx(7.0 - RUN_IN_S, abs=1 / RATE_HZ)
    assert not around.beam[(around.t_s > 7.0) & (around.t_s < 7.2)].any()
    np.testing.assert_array_equal(at(played, played.t_s)[0], played.x_mm)
    np.testing.assert_allclose(
        np.interp(played.t_s, around.t_s, around.x_mm), played.x_mm, atol=1e-9
    )


def test_the_rig_remembers_the_pattern_and_forgets_part_of_it_in_the_pause(bench):
    rig, still = make_rig(bench, "braided-thread", 5), job()
    start = {}
    for level in (0.9, -0.9):
        for pause_s in (0.5, 60.0):
            played = play_after(rig, pattern(level), pause_s, still, rate_hz=RATE_HZ)
            start[level, pause_s] = played.x_mm[:100].mean()
    apart = {p: start[0.9, p] - start[-0.9, p] for p in (0.5, 60.0)}
    # towards the side where it was held, and less after a minute; friction stays
    assert apart[0.5] > 1.0
    assert 0.2 * apart[0.5] < apart[60.0] < 0.9 * apart[0.5]


def test_no_pause_at_all_is_a_millisecond_and_progress_ends_at_one(bench):
    told = []
    rig = make_rig(bench, "metal-flexure", 1)
    played = play_after(rig, pattern(), 0.0, job(), rate_hz=RATE_HZ, progress=told.append)
    assert told[-1] == 1.0 and np.isfinite(played.x_mm).all()


def test_a_sequence_selects_the_past_of_the_whole_sitting(bench):
    rig = make_rig(bench, "braided-thread", 6)
    one, same, other = (
        play_after(rig, pattern(), 1.0, job(), sequence=k, rate_hz=RATE_HZ).x_mm for k in (0, 0, 1)
    )
    np.testing.assert_array_equal(one, same)
    assert np.abs(one - other).max() > 1e-3


def test_a_pattern_is_played_after_a_pattern(bench):
    """For a recheck in the same sitting."""
    rig = make_rig(bench, "elastic-band", 2)
    played = play_after(rig, pattern(), 1.0, pattern(0.5), rate_hz=RATE_HZ)
    assert played.t_s[-1] == pytest.approx(4.0, abs=1 / RATE_HZ) and played.beam.all()
