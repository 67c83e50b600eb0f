"""Learning from a played job: numbers found again, what is held out decides, the path shifted.

The rigs that play here are of the model's own family: whether the arithmetic finds what is there.
What learning is worth on rigs of other physics is tested in tests/test_closing_the_loop.py.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fitted_rigs import bench
from verify_data import layered_path, pattern_of

from hysteresis.axis import AxisModel
from hysteresis.compensate.correction import (
    FOREIGN_MM,
    GAIN,
    MOST_MM,
    Correction,
    apply_correction,
    apply_to_path,
    learn_correction,
    read_correction,
    write_correction,
)
from hysteresis.compensate.learn import (
    MOST_FACTOR,
    learn_model,
    moved_model,
    with_end,
)
from hysteresis.compensate.local_line import FADING, WIDTH_S
from hysteresis.compensate.played_job import (
    PlayedJob,
    kinds_of,
    layers_of,
    played_job,
    seen_mean,
    simulated,
)
from hysteresis.errors import DataError, InputError
from hysteresis.model import RigModel
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.elastic import Heating
from hysteresis.operators.preisach import Preisach
from hysteresis.paths.marks import mark_path
from hysteresis.paths.stream import TimedBlock
from hysteresis.tables import DriveSignal, Floats, SpotPath

from .models import fitted, one_rig

NOISE_MM = 0.015
PATH = layered_path(6)
FRAME_S = 1.0 / 30.0


def drive() -> DriveSignal:
    """The layered path as a drive, its corners rounded by a mean over 50 ms."""
    t = np.arange(0.0, PATH.t_s[-1], 1e-3)
    mean = [seen_mean(PATH.t_s, v, t, 0.05) / 48.0 for v in (PATH.x_mm, PATH.y_mm)]
    return DriveSignal(t, mean[0], mean[1], np.ones(len(t), bool))


def played_by(truth: RigModel, late_s: float = 0.0, seed: int = 1) -> PlayedJob:
    """Spots of a rig, filmed with noise, its clock late by `late_s`."""
    u = drive()
    x, y, _ = truth.spots(u.drive_x, u.drive_y, 1e-3, truth.rest())
    t = np.arange(0.02, u.t_s[-1] - 0.02, FRAME_S)
    rng = np.random.default_rng(seed)
    spots = SpotPath(
        t,
        seen_mean(u.t_s, x, t - late_s, 0.008) + NOISE_MM * rng.standard_normal(len(t)),
        seen_mean(u.t_s, y, t - late_s, 0.008) + NOISE_MM * rng.standard_normal(len(t)),
        np.ones(len(t), bool),
    )
    return played_job(bench(), PATH, spots, u, lambda m: m.rest(), exposure_s=0.008)


def off_by(error: Floats, seed: int = 2, path: SpotPath = PATH) -> PlayedJob:
    """Spots beside the layered path: by `error` (2, n) at (layer begin + k frames), and noise."""
    t = np.arange(0.02, path.t_s[-1] - 0.02, FRAME_S)
    rng = np.random.default_rng(seed)
    spots = [
        np.interp(t, path.t_s, v) + e + NOISE_MM * rng.standard_normal(len(t))
        for v, e in zip((path.x_mm, path.y_mm), error, strict=True)
    ]
    u = DriveSignal(path.t_s, 0 * path.t_s, 0 * path.t_s, path.beam)
    return played_job(
        bench(), path, SpotPath(t, *spots, np.ones(len(t), bool)), u, lambda m: m.rest(),
        exposure_s=0.0,
    )  # fmt: skip


def frames() -> Floats:
    return np.arange(0.02, PATH.t_s[-1] - 0.02, FRAME_S)


# ---- the model ---------------------------------------------------------------------------------


def test_what_a_rig_is_off_by_is_found_within_its_uncertainty() -> None:
    """Six numbers at once. Each may be off by three standard errors and by what the prior draws
    it to no change, which is its share of the prior's weight: (s/width)² of the change."""
    own = one_rig()
    by = {
        "x": {"friction": 0.8, "after_effect_fast": 1.15, "zero_mm": 0.1},
        "y": {"friction": 1.2, "after_effect_slow": 0.9, "spring": 1.01},
    }
    job = played_by(moved_model(own, by))
    found = learn_model(fitted(own), job)
    assert found.accepted and found.block_kind == "layers"
    assert found.held_before_mm > 5 * found.held_after_mm
    noise = NOISE_MM * np.sqrt(2.0)
    assert found.held_after_mm == pytest.approx(noise, rel=0.15)  # of some 120 spots: 7 % of it
    for m in found.moved:
        true = by[m.axis].get(m.direction, 0.0 if m.direction == "zero_mm" else 1.0)
        width = 0.25 if m.unit == "times" else 0.2
        drawn = (m.standard_error / width) ** 2 * abs(m.value - true)
        assert abs(m.value - true) < 3.5 * m.standard_error + drawn + 1e-3, m.words


def test_a_right_model_stays_as_it_is() -> None:
    found = learn_model(fitted(one_rig()), played_by(one_rig()))
    for m in found.moved:
        away = m.value if m.direction == "zero_mm" else np.log(m.value)
        assert abs(away) < 3.5 * m.standard_error + 1e-6, m.words
    assert found.held_after_mm < 1.02 * found.held_before_mm or not found.accepted


def test_a_film_that_is_late_teaches_nothing() -> None:
    """A delay of 2 ms moves the spots by tens of µm; the numbers stay within their uncertainty."""
    found = learn_model(fitted(one_rig()), played_by(one_rig(), late_s=0.002))
    for m in found.moved:
        away = m.value if m.direction == "zero_mm" else np.log(m.value)
        assert abs(away) < 4.0 * m.standard_error + 1e-3, m.words


def test_what_makes_held_out_layers_worse_is_never_taken() -> None:
    """Layers that are learned from lie 0.3 mm to one side, those held out to the other."""
    job = played_by(one_rig())
    own = fitted(one_rig())
    split = replace(job, x_mm=job.x_mm + np.where(job.held, -0.3, 0.3))
    found = learn_model(own, split)
    assert found.held_after_mm > found.held_before_mm
    assert not found.accepted and found.fitted is own
    assert any("left as it was" in note for note in found.notes)


def test_steps_are_bounded_and_the_bound_is_told() -> None:
    own = one_rig()
    by = {"friction": 4.0}
    found = learn_model(fitted(own), played_by(moved_model(own, {"x": by, "y": by})))
    assert all(1 / MOST_FACTOR <= m.value <= MOST_FACTOR for m in found.moved if m.unit == "times")
    assert any(m.at_bound for m in found.moved) == any("bound" in note for note in found.notes)
    assert any(m.at_bound for m in found.moved)


def test_outliers_do_not_pull() -> None:
    job = played_by(one_rig())
    far = np.arange(len(job.t_s)) % 25 == 0
    one = learn_model(fitted(one_rig()), replace(job, x_mm=np.where(far, 70.0, job.x_mm)))
    for m in one.moved:
        away = m.value if m.direction == "zero_mm" else np.log(m.value)
        assert abs(away) < 4.0 * m.standard_error + 1e-6, m.words


def test_learning_twice_gives_the_same() -> None:
    job = played_by(moved_model(one_rig(), {"x": {"friction": 0.8}}))
    one, two = (learn_model(fitted(one_rig()), job) for _ in range(2))
    assert one.moved == two.moved and one.held_after_mm == two.held_after_mm


@pytest.mark.parametrize(
    "friction",
    [
        BoucWen(0.1, 0.1),
        Preisach(np.linspace(-1.2, 1.2, 7), np.full(21, 0.004)),
    ],
)
def test_every_memory_has_a_strength(friction: object) -> None:
    """The torque of the friction alone scales with its factor: drives at twice the friction differ
    from those without it by twice as much, since torque enters the drive as a sum."""
    rig = one_rig()
    axis = replace(rig.axis_x, friction=friction, heating=Heating())
    rig = RigModel(axis, axis, rig.optics)
    theta = 0.5 * np.sin(np.linspace(0.0, 12.0, 3000))
    one, two, five = (
        moved_model(rig, {"x": {"friction": f}}).axis_x.drive(theta, 1e-3)[0] for f in (1, 2, 5)
    )
    np.testing.assert_allclose(five - one, 4.0 * (two - one), atol=1e-12)
    assert np.abs(two - one).max() > 1e-3


def test_the_zero_moves_spots_as_told_whatever_the_turn() -> None:
    rig = one_rig()
    rig = replace(rig, optics=replace(rig.optics, turn_rad=0.4))
    moved = moved_model(rig, {"x": {"zero_mm": 0.3}, "y": {"zero_mm": -0.2}})
    u = np.linspace(-0.5, 0.5, 50)
    one, two = rig.spots(u, -u, 0.1), moved.spots(u, -u, 0.1)
    np.testing.assert_allclose(two[0] - one[0], 0.3, atol=1e-9)
    np.testing.assert_allclose(two[1] - one[1], -0.2, atol=1e-9)


def test_the_end_of_the_pattern_is_told_anew() -> None:
    pattern = pattern_of([("a/1", 1.0, (0.5, -0.4)), ("a/2", 2.0, (0.5, -0.4))])
    own = fitted(one_rig())
    again = with_end(own, pattern)
    assert np.abs(again.end.x - own.end.x).max() > 0.01
    assert with_end(own, None) is own


# ---- what is seen ------------------------------------------------------------------------------


def test_the_mean_over_an_exposure_is_exact_for_straight_pieces() -> None:
    t = np.array([0.0, 1.0, 3.0, 4.0])
    v = np.array([0.0, 2.0, -2.0, 5.0])
    fine = np.linspace(1.3, 3.3, 2_000_001)
    mean = np.trapezoid(np.interp(fine, t, v), fine) / 2.0
    assert seen_mean(t, v, np.array([2.3]), 2.0)[0] == pytest.approx(mean, abs=1e-9)
    assert seen_mean(t, v, np.array([0.5]), 0.0)[0] == 1.0


def test_layers_that_repeat_are_of_one_kind() -> None:
    layers = layers_of(mark_path(PATH))
    assert len(layers) == 6 and kinds_of(PATH, layers) == (0,) * 6
    other = PATH.x_mm.copy()
    inside = (PATH.t_s > layers[2].traces_s[0, 0]) & (PATH.t_s < layers[2].traces_s[0, 1])
    other[inside] += 0.2
    changed = SpotPath(PATH.t_s, other, PATH.y_mm, PATH.beam)
    assert kinds_of(changed, layers) == (0, 0, 1, 0, 0, 0)


def test_every_third_layer_is_held_out_and_only_whole_exposures_in_traces_count() -> None:
    job = played_by(one_rig())
    assert set(job.layer[job.held].tolist()) == {1, 4}
    for place, layer in enumerate(job.layers):
        t = job.t_s[job.layer == place]
        assert (t - 0.004 >= layer.begin_s - 1e-6).all()
        assert (t + 0.004 <= layer.traces_s[-1, 1] + 1e-6).all()


def test_too_few_spots_are_told() -> None:
    t = np.linspace(0.0, 0.5, 12)
    few = SpotPath(t, 0 * t, 0 * t, np.ones(12, bool))
    u = DriveSignal(PATH.t_s, 0 * PATH.t_s, 0 * PATH.t_s, PATH.beam)
    with pytest.raises(DataError, match="spots were seen"):
        played_job(bench(), PATH, few, u, lambda m: m.rest())


# ---- the path ----------------------------------------------------------------------------------


def shared(size: float = 0.2) -> Floats:
    """An error that repeats with the layers (begin to begin: 3.4 s), one turn a second.

    Opposite sides of the square meet the same of it, so that no delay of the film explains it.
    """
    turn = 2.0 * np.pi * (frames() % 3.4)
    return size * np.stack([np.sin(turn), np.cos(turn)])


def taken_off() -> float:
    """Share that one play takes off a sine of one turn a second: the gain, less what smoothing
    by a normal bell takes, exp(−(ω σ)²/2) (its Fourier transform, textbook), less what belief in
    the layer's mean takes where some 9 spots (4 layers × 2.27 frames) weigh against it."""
    return GAIN * np.exp(-0.5 * (2.0 * np.pi * WIDTH_S) ** 2) * 9.0 / (9.0 + FADING)


def test_an_error_that_layers_share_is_taken_off_by_the_gain() -> None:
    found = learn_correction(off_by(shared()))
    assert found.correction is not None
    noise = NOISE_MM * np.sqrt(2.0)
    assert found.held_before_mm == pytest.approx(np.hypot(0.2, noise), rel=0.05)
    left = np.hypot((1.0 - taken_off()) * 0.2, noise * np.hypot(1.0, GAIN / 3.0))
    assert found.held_after_mm == pytest.approx(left, rel=0.1)


def test_playing_again_and_again_takes_the_rest_off_too() -> None:
    """The rig adds the same error whatever is aimed at, so each play leaves the same share of the
    last; the correction holds all that came before. What noise of the means came in, a third of a
    spot's, is part of it."""
    correction: Correction | None = None
    sizes = []
    for turn in range(3):
        aim = PATH if correction is None else apply_to_path(PATH, correction)
        added = [
            np.interp(frames(), aim.t_s, a - w)
            for a, w in ((aim.x_mm, PATH.x_mm), (aim.y_mm, PATH.y_mm))
        ]
        found = learn_correction(off_by(shared() + np.stack(added), seed=turn), before=correction)
        sizes.append(found.held_before_mm)
        correction = found.correction or correction
    assert correction is not None and correction.plays >= 2
    noise = NOISE_MM * np.sqrt(2.0)
    for turn in (1, 2):
        left = np.hypot((1.0 - taken_off()) ** turn * 0.2, noise * np.hypot(1.0, GAIN / 3.0))
        assert sizes[turn] == pytest.approx(left, rel=0.15)


def test_errors_of_chance_are_not_learned() -> None:
    """Held-out layers with the opposite error: shifting would make them worse."""
    job = off_by(0.0 * shared())
    sign = np.where(job.held, -1.0, 1.0)
    found = learn_correction(replace(job, x_mm=job.x_mm + 0.2 * sign))
    assert found.correction is None and found.held_after_mm > found.held_before_mm
    assert "left as it was" in found.notes[0]


def test_without_repeated_layers_nothing_is_shifted() -> None:
    turned = SpotPath(PATH.t_s, PATH.x_mm * (1 + 0.02 * PATH.t_s), PATH.y_mm, PATH.beam)
    found = learn_correction(off_by(shared(), path=turned))
    assert found.correction is None and "repeats" in found.notes[0]


def test_a_late_film_does_not_shift_the_path() -> None:
    """A delay moves spots along the trace; what is left of it beside the noise is small."""
    late = np.stack([
        np.interp(frames() - 0.003, PATH.t_s, v) - np.interp(frames(), PATH.t_s, v)
        for v in (PATH.x_mm, PATH.y_mm)
    ])  # fmt: skip
    job = off_by(late)
    assert np.abs(job.x_mm - job.wanted_x_mm).max() > 0.1
    found = learn_correction(job)
    # at corners the delay is no delay of the speed: 20 mm/s × 3 ms × half of it
    assert found.largest_mm < 0.05


def test_outliers_do_not_shift_the_path() -> None:
    job = off_by(shared())
    far = np.arange(len(job.t_s)) % 20 == 3
    one = learn_correction(job)
    two = learn_correction(replace(job, y_mm=np.where(far, 60.0, job.y_mm)))
    assert one.correction is not None and two.correction is not None
    away = one.correction.shifts[0].shift_y_mm - two.correction.shifts[0].shift_y_mm
    assert np.abs(away).max() < 2.0 * NOISE_MM


def learned() -> Correction:
    found = learn_correction(off_by(shared())).correction
    assert found is not None
    return found


def test_shifts_are_smooth_and_bounded() -> None:
    correction = learned()
    moved = apply_to_path(PATH, correction)
    dx, dy = moved.x_mm - PATH.x_mm, moved.y_mm - PATH.y_mm
    t = np.arange(0.0, PATH.t_s[-1], 1e-3)
    for shift in (np.interp(t, PATH.t_s, dx), np.interp(t, PATH.t_s, dy)):
        # knots are 33 ms apart and a smoothstep's steepest rate is 1.5 times the mean one
        rate = 1.5 * 2 * np.abs(shift).max() / 0.033
        assert np.abs(np.diff(shift)).max() < rate * 1e-3
    huge = learn_correction(off_by(0.0 * shared() + 20.0)).correction
    assert huge is not None
    assert np.hypot(huge.shifts[0].shift_x_mm, huge.shifts[0].shift_y_mm).max() <= MOST_MM * 1.001


def blocks_of_path(sizes: list[int]) -> list[TimedBlock]:
    """The layered path on an even grid, cut as told."""
    step = 0.002
    t = step * np.arange(int(PATH.t_s[-1] / step))
    x, y = np.interp(t, PATH.t_s, PATH.x_mm), np.interp(t, PATH.t_s, PATH.y_mm)
    row = np.clip(np.searchsorted(PATH.t_s, t + 1e-9, side="right") - 1, 0, len(PATH) - 1)
    begins = np.array([layer.begin_s for layer in layers_of(mark_path(PATH))])
    layer = np.maximum(np.searchsorted(begins, t + 1e-9, side="right") - 1, 0)
    out, at = [], 0
    for size in [*sizes, len(t)]:
        rows = slice(at, min(at + size, len(t)))
        if rows.stop > rows.start:
            out.append(TimedBlock(at, step, x[rows], y[rows], PATH.beam[row][rows], np.zeros(0),
                                  np.zeros(0, bool), row[rows] + 1, layer[rows], 0.0))  # fmt: skip
        at = rows.stop
    return out


@pytest.mark.parametrize("sizes", [[], [700] * 20, [1, 2, 3000, 5, 1700, 1699]])
def test_blocks_however_cut_equal_the_path_in_one_piece(sizes: list[int]) -> None:
    correction = learned()
    blocks = blocks_of_path(sizes)
    moved = list(apply_correction(blocks, correction))
    t = np.concatenate([b.step_s * (b.first + np.arange(len(b))) for b in blocks])
    flat = [np.concatenate([getattr(b, n) for b in blocks]) for n in ("x_mm", "y_mm", "beam")]
    whole = apply_to_path(SpotPath(t, *flat), correction)
    np.testing.assert_allclose(np.concatenate([b.x_mm for b in moved]), whole.x_mm, atol=1e-9)
    np.testing.assert_allclose(np.concatenate([b.y_mm for b in moved]), whole.y_mm, atol=1e-9)
    assert all(a.first == b.first and len(a) == len(b) for a, b in zip(blocks, moved, strict=True))


def test_another_path_is_refused_with_its_line() -> None:
    blocks = blocks_of_path([])
    other = [replace(b, y_mm=b.y_mm + 2 * FOREIGN_MM) for b in blocks]
    with pytest.raises(InputError, match="another path") as told:
        list(apply_correction(other, learned()))
    assert told.value.row is not None and told.value.mend


def test_a_correction_survives_its_file(tmp_path: Path) -> None:
    file = tmp_path / "correction.json"
    one = learned()
    write_correction(file, one)
    two = read_correction(file)
    np.testing.assert_array_equal(one.shifts[0].shift_x_mm, two.shifts[0].shift_x_mm)
    assert (two.kind_of_layer, two.plays) == (one.kind_of_layer, one.plays)
    assert two.held_after_mm == one.held_after_mm


@pytest.mark.parametrize(
    "damage",
    [
        {"schema": "hysteresis model"},
        {"schema_version": 9},
        {"shifts": []},
        {"shifts": [{"t_s": [0.0, 0.0]}]},
        {"kind_of_layer": [3]},
        {"kind_of_layer": []},
        {"plays": "two"},
        {"held_after_mm": -1.0},
    ],
)
def test_a_damaged_correction_is_one_sentence(tmp_path: Path, damage: dict[str, object]) -> None:
    file = tmp_path / "correction.json"
    write_correction(file, learned())
    file.write_text(json.dumps(json.loads(file.read_text()) | damage))
    with pytest.raises(InputError) as told:
        read_correction(file)
    assert str(file) in str(told.value) and told.value.mend


def test_absurd_shifts_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "correction.json"
    write_correction(file, learned())
    data = json.loads(file.read_text())
    data["shifts"][0]["shift_x_mm"][3] = 400.0
    file.write_text(json.dumps(data))
    with pytest.raises(InputError, match="beyond"):
        read_correction(file)


def test_a_simulated_job_is_what_the_model_does() -> None:
    job = played_by(one_rig())
    x, y = simulated(job, one_rig())
    assert np.std(job.x_mm - x) == pytest.approx(NOISE_MM, rel=0.15)
    assert np.std(job.y_mm - y) == pytest.approx(NOISE_MM, rel=0.15)
    assert isinstance(one_rig().axis_x, AxisModel)
