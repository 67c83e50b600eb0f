"""What to measure next, and for which path: against brute force and repeated draws."""

from __future__ import annotations

import sys
import tomllib
from functools import cache
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from fitted_rigs import bench, camera_fit, filmed, read_by_ruler

from experiments import pattern_design as study
from experiments.return_to_zero import as_fitted
from hysteresis import virtual_bench
from hysteresis.axis import AxisModel
from hysteresis.bench import TEMPLATE
from hysteresis.cli import main
from hysteresis.errors import DataError, InputError
from hysteresis.fit.design import design_for_path
from hysteresis.fit.fitted import fitted_model
from hysteresis.fit.identifiability import half_covariance
from hysteresis.fit.improvement import Known, improvement, known, summary
from hysteresis.fit.linearised import cost, frames_of, greedy, joined, passing
from hysteresis.fit.path_forecast import (
    Prior,
    aim_at,
    forecast_mm,
    gain,
    prior_for,
    prior_root,
    rows_of,
    square_mm2,
)
from hysteresis.fit.structure import Recipe, layout
from hysteresis.model import write_model
from hysteresis.optics import deflection_from_spot, nominal_optics
from hysteresis.plan import characterisation
from hysteresis.plan.improve import extras, in_a_row
from hysteresis.table_files import read_pattern, write_pattern, write_recording
from hysteresis.tables import SpotPath

SUSPENSION, SEED = "braided-thread", 3  # those of the shared camera fit


def job() -> SpotPath:
    """Strokes within ±15 mm and a wait of 3 s at 40 mm after each, drawn by hand."""
    t, x, y, beam = [0.0], [0.0], [0.0], [True]
    for k in range(4):
        for dt, px, py, on in ((0.5, 15.0, 3.0 * k, True), (1.0, -15.0, 5.0, True),
                               (0.5, 0.0, -10.0, True), (0.3, 40.0, 0.0, False),
                               (3.0, 40.0, 0.0, False), (0.3, 0.0, 0.0, False)):  # fmt: skip
            t.append(t[-1] + dt)
            x.append(px)
            y.append(py)
            beam.append(on)
    even = np.arange(0.0, t[-1], 0.01)
    row = np.searchsorted(t, even, side="right") - 1
    return SpotPath(even, np.interp(even, t, x), np.interp(even, t, y), np.array(beam)[row])


# ---- the linear tools ----------------------------------------------------------------------------


def test_greedy_finds_the_best_pair_where_segments_do_not_help_each_other() -> None:
    """Independent unknowns: greedy is optimal there, and is held against every pair."""
    rng = np.random.default_rng(3)
    gains = [np.diag(5.0 * rng.random(4) * (np.arange(4) == k % 4)) for k in range(8)]
    wanted = np.diag(rng.random(4))
    chosen = greedy(gains, [1.0] * 8, lambda g: cost(g, wanted), 2.0)
    best = min(combinations(range(8), 2), key=lambda p: cost(gains[p[0]] + gains[p[1]], wanted))
    assert sorted(chosen) == sorted(best)
    # twice as dear, half as good per second
    dear = greedy(gains, [2.0 if k == chosen[0] else 1.0 for k in range(8)],
                  lambda g: cost(g, wanted), 1.0)  # fmt: skip
    assert chosen[0] not in dear and len(dear) == 1
    assert greedy(gains, [1.0] * 8, lambda g: cost(g, wanted), 9.0, enough=np.inf) == []
    again = greedy(gains, [1.0] * 8, lambda g: cost(g, wanted), 20.0, most_of_one=2)
    assert max(again.count(k) for k in again) == 2


def test_cost_is_the_variance_asked_for() -> None:
    """trace(W (1 + G)⁻¹) by numpy's inverse."""
    rng = np.random.default_rng(1)
    a, b = rng.standard_normal((2, 9, 5))
    expected = np.trace(b.T @ b @ np.linalg.inv(np.eye(5) + a.T @ a))
    assert cost(a.T @ a, b.T @ b) == pytest.approx(expected, rel=1e-10)


def test_the_past_of_one_recording_tells_nothing_of_anothers() -> None:
    """Two recordings with a history each: joined by hand as one regression with all unknowns."""
    plan = layout(Recipe(relaxation_times_s=(1.0, 9.0), history=True, curve=False, axes="x"))
    rng = np.random.default_rng(2)
    size, gone = len(plan.names), passing(plan)
    assert gone.sum() == 2
    first = rng.standard_normal((40, size))
    second = rng.standard_normal((30, size))
    prior = np.where(np.isfinite(plan.prior_sd), 1.0 / plan.prior_sd, 0.0)
    root = np.linalg.qr(np.vstack([first, np.diag(prior)]), mode="r")
    base, of_new = joined(plan, root)
    got = base.T @ base + of_new.T @ second.T @ second @ of_new
    own = np.zeros((30, size + 2))
    own[:, :size][:, ~gone] = second[:, ~gone]
    own[:, size:] = second[:, gone]
    rows = np.vstack([np.hstack([first, np.zeros((40, 2))]), own])
    wanted = rows.T @ rows + np.diag(np.concatenate([prior, prior[gone]]) ** 2)
    np.testing.assert_allclose(got, wanted, atol=1e-9 * np.abs(wanted).max())


# ---- the forecast on a path ----------------------------------------------------------------------


@cache
def prior() -> Prior:
    return prior_for(bench())


def test_a_forecast_is_the_mean_square_of_repeated_draws() -> None:
    """Self-recovery of the formula: unknowns, model error and noise drawn, fitted by numpy's least
    squares with priors, 300 times; the mean has the standard error of those draws, three allowed.
    """
    pattern = characterisation(bench(), 2.0)
    aim = aim_at(prior(), job(), bench(), pattern)
    rows = rows_of(prior(), pattern, bench())
    half = half_covariance(prior_root(prior()))
    both = square_mm2(aim, half, gain(prior(), aim, rows, half))
    assert forecast_mm(prior(), pattern, job(), bench(), aim) == pytest.approx(np.sqrt(both))
    size = half.shape[1]
    pull = gain(prior(), aim, rows, np.eye(size))[:, size:]
    known_rows = np.vstack([rows.rows, prior_root(prior())])
    # a square root of the path's joint mean square of unknowns and model error
    waves = aim.cross.shape[1]
    rng = np.random.default_rng(5)
    information = known_rows.T @ known_rows
    scale = np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information / np.outer(scale, scale)) / np.outer(scale, scale)
    squares = []
    for _ in range(300):
        weights = rng.standard_normal(waves)
        # the estimate's error: unknowns from their prior, noise 1 in units of sigma
        noise = rows.rows.T @ rng.standard_normal(len(rows.rows))
        drawn = rng.standard_normal(size) @ prior_root(prior())
        off = inverse @ (noise + drawn + pull @ weights)
        squares.append([off @ aim.square @ off - 2 * off @ aim.cross @ weights])
    # the model's own error on the path has mean square `own` by its definition
    mean, error = np.mean(squares), np.std(squares) / np.sqrt(len(squares))
    assert abs(mean + aim.own - sum(both)) < 3 * error + 0.02 * aim.own
    assert both[0] > 0 and both[1] > 0


def test_more_of_the_path_itself_is_foretold_to_help() -> None:
    """Cells where the job waits against as long ones with a tenth of the excursion."""
    pool = {e.name: e for e in extras(bench())}
    small = [e.block for n, e in pool.items() if "-0.22, -0.44" in n][:2]
    large = [tuple(p if p.part not in ("move", "hold", "back") else _times(p, 3.0) for p in b)
             for b in small]  # fmt: skip
    base = [e.block for n, e in pool.items() if n.startswith(("grid", "sweep of x at 0.7"))]
    aim = aim_at(prior(), job(), bench(), characterisation(bench(), 2.0))
    values = []
    for cells in (small, large):
        pattern, _ = in_a_row(bench(), [*base, *cells])
        values.append(np.hypot(*forecast_mm(prior(), pattern, job(), bench(), aim)))
    assert values[1] < values[0]


def _times(piece, factor: float):  # type: ignore[no-untyped-def]
    from dataclasses import replace

    return replace(piece, drive=np.clip(factor * piece.drive, -0.98, 0.98))


def test_a_fitted_model_shapes_the_prior_and_keeps_its_sums() -> None:
    fit = camera_fit()
    found = prior_for(bench(), as_fitted(fit))
    for axis, model in (("x", fit.model.axis_x), ("y", fit.model.axis_y)):

        def total(start: str, axis: str = axis) -> float:
            names = [str(n) for n in found.plan.names]
            return sum(v for n, v in zip(names, found.short, strict=True)
                       if n.startswith(f"{axis}_{start}"))  # fmt: skip

        assert total("slip") == pytest.approx(model.friction_share(), rel=1e-6)
        if isinstance(model, AxisModel):
            branches = model.after_effect.stiffness.sum() / model.small_signal_stiffness()
            assert total("branch") == pytest.approx(branches)
        assert total("k1") + total("slip") + total("branch") == pytest.approx(1.0)
    assert found.error_mm == fit.discrepancy.typical_mm


@cache
def two_minutes():  # type: ignore[no-untyped-def]
    usual = characterisation(bench(), 2.0)
    return usual, design_for_path(bench(), job(), 2.0, usual)


def test_a_pattern_for_a_path_takes_the_same_time_and_promises_no_less() -> None:
    usual, design = two_minutes()
    assert usual.t_s[-1] - 0.05 <= design.pattern.t_s[-1] <= usual.t_s[-1] + 0.05
    assert design.chosen and design.forecast_mm < design.usual_mm


@pytest.mark.slow
def test_the_pattern_chosen_for_a_path_on_a_simulated_unit(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Short form of experiments.pattern_design: one unit, one length, half the job, in figures.

    What is asked: neither pattern spoils the job. Which is better is the study's to say.
    """
    plan = tomllib.loads((study.HERE / "pattern_design.toml").read_text(encoding="utf-8"))
    minutes, suspension = plan["minutes"][0], plan["suspensions"][0]
    path = study.layered_job(bench(), plan["layered"] | {"layers": 3, "duration_s": 24.0})
    usual = characterisation(bench(), minutes)
    design = design_for_path(bench(), path, minutes, usual)
    outcome = study.one_unit(bench(), path, usual, design, (suspension, minutes, 1, 11), plan)
    study.report([outcome], design)
    said = capsys.readouterr().out
    print(said)
    assert f"{outcome.chosen.rms_mm:.3f}" in said and f"{outcome.usual.rms_mm:.3f}" in said
    assert left_without_compensation(path, suspension, 11) > 1.0
    assert 0.0 < outcome.chosen.rms_mm < 0.3 and 0.0 < outcome.usual.rms_mm < 0.3


def left_without_compensation(path: SpotPath, suspension: str, seed: int) -> float:
    """Rms error, mm, of a path played on a unit as a rig without memory would want it."""
    u = deflection_from_spot(path.x_mm, path.y_mm, nominal_optics(bench().optics))
    played = virtual_bench.play(virtual_bench.make_rig(bench(), suspension, seed), path.t_s, *u)
    off = [np.interp(path.t_s, played.t_s, seen) - wanted for seen, wanted in
           ((played.x_mm, path.x_mm), (played.y_mm, path.y_mm))]  # fmt: skip
    return float(np.sqrt(np.mean((off[0] ** 2 + off[1] ** 2)[path.beam])))


# ---- what to measure next ------------------------------------------------------------------------


@cache
def run() -> Known:
    pattern, recording = filmed(SUSPENSION, SEED)
    fitted = fitted_model(camera_fit(SUSPENSION, SEED), bench(), {})
    return known(fitted, pattern, recording, bench())


def test_a_fit_taken_up_from_its_files_has_the_standard_errors_that_were_printed() -> None:
    """Without the priors' part of the design effect they can differ by a little, not by much."""
    fit, again = camera_fit(SUSPENSION, SEED), run()
    root, free = again.solution.root, np.isfinite(fit.errors)
    half = half_covariance(root[:, free])
    from hysteresis.fit.uncertainty import design_effect

    effect = design_effect(again.solution, again.seen)
    own = np.sqrt(np.sum(half**2, axis=1) * effect)
    ratio = own / fit.errors[free]
    assert np.median(ratio) == pytest.approx(1.0, abs=0.1)
    assert np.quantile(np.abs(np.log(ratio)), 0.8) < 0.3
    np.testing.assert_array_equal(again.solution.residual_x_mm, fit.residual_x_mm)


@cache
def offered():  # type: ignore[no-untyped-def]
    found = extras(bench())
    return (found, *in_a_row(bench(), [extra.block for extra in found]))


def test_what_is_added_helps_what_was_open_within_the_time() -> None:
    pool, pattern, spans = offered()
    open_before = {f"{b.name} {b.axis}".strip() for b in run().blocks if not b.told}
    short, long = (
        improvement(run(), bench(), pool, pattern, spans, most_s=s) for s in (40.0, 180.0)
    )
    for found, most_s in ((short, 40.0), (long, 180.0)):
        assert {t.label for t in found.targets} <= open_before
        assert sum(c.seconds for c in found.choices) <= most_s
        assert len({c.index for c in found.choices}) == len(found.choices)
        assert all(t.after <= t.before * (1 + 1e-9) for t in found.targets)
        for c in found.choices:
            assert c.name == pool[c.index].name and c.seconds == spans[c.index].cost_s
            assert c.tells and set(c.tells) <= {t.label for t in found.targets}
    worst = [max((t.after for t in f.targets), default=0.0) for f in (short, long)]
    assert worst[1] <= worst[0] + 1e-9
    assert long.targets, "this two-minute recording leaves something open"
    assert min(t.after / t.before for t in long.targets) < 0.9


def test_nothing_is_needed_where_everything_is_told() -> None:
    from dataclasses import replace

    pool, pattern, spans = offered()
    done = replace(
        run(), blocks=tuple(replace(b, verdict="told apart", because="") for b in run().blocks)
    )
    found = improvement(done, bench(), pool, pattern, spans)
    assert not found.targets and not found.choices
    assert summary(found) == [
        "nothing is needed: every cause of this rig is told apart from the others"
    ]


def test_readings_and_foreign_models_are_refused() -> None:
    pattern, recording = read_by_ruler(SUSPENSION, 1)
    fitted = fitted_model(camera_fit(SUSPENSION, SEED), bench(), {})
    with pytest.raises(DataError, match="reading-steps"):
        known(fitted, pattern, recording, bench())
    from dataclasses import replace

    other = replace(fitted, parameters=fitted.parameters[1:])
    with pytest.raises(InputError, match="fit it again"):
        known(other, *filmed(SUSPENSION, SEED), bench())


def test_frames_are_the_cameras() -> None:
    pattern = characterisation(bench(), 2.0)
    frames = frames_of(pattern, bench())
    camera = bench().camera
    assert camera is not None
    np.testing.assert_allclose(np.diff(frames.start_s), 1 / camera.frame_rate_hz)
    assert set(frames.group) <= {"/".join(str(s).split("/")[:2]) for s in pattern.segment}
    assert frames.start_s[-1] + camera.exposure_s <= pattern.t_s[-1]


# ---- the command ---------------------------------------------------------------------------------


@pytest.fixture
def on_disk(tmp_path: Path) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "bench.toml").write_text(TEMPLATE, encoding="utf-8")
    pattern, recording = filmed(SUSPENSION, SEED)
    write_pattern(folder / "pattern.csv", pattern, decimals={"t_s": 9, "drive_x": 9, "drive_y": 9})
    write_recording(folder / "recording.csv", recording)
    write_model(folder / "model.json", fitted_model(camera_fit(SUSPENSION, SEED), bench(), {}))
    return folder


def hysteresis(monkeypatch: pytest.MonkeyPatch, *words: object) -> int:
    monkeypatch.setattr(sys, "argv", ["hysteresis", *map(str, words)])
    with pytest.raises(SystemExit) as end:
        main()
    return int(end.value.code or 0)


def files_of(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


def test_improve_writes_a_new_run_and_leaves_the_old_one_alone(
    on_disk: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before, out = files_of(on_disk), on_disk.parent / "next"
    words = ("plan", "--improve", on_disk, "--out", out, "--no-wav")
    assert hysteresis(monkeypatch, *words) == 0
    told = capsys.readouterr().out
    assert files_of(on_disk) == before
    assert set(files_of(out)) == {"bench.toml", "pattern.csv", "pattern.png"}
    assert "Segments to add" in told and "Add " in told and "IEC 60825-1" in told
    pattern = read_pattern(out / "pattern.csv")
    kinds = [str(s).split("/")[0] for s in pattern.segment]
    assert kinds[0] == kinds[-1] == "sync" and "conditioning" in kinds
    # nothing is written over
    assert hysteresis(monkeypatch, *words) == 2
    assert "--force" in capsys.readouterr().err
    # both in one: the old pattern comes first
    whole = on_disk.parent / "whole"
    assert hysteresis(monkeypatch, "plan", "--improve", on_disk, "--out", whole, "--no-wav",
                      "--whole") == 0  # fmt: skip
    capsys.readouterr()
    both, old = read_pattern(whole / "pattern.csv"), read_pattern(on_disk / "pattern.csv")
    np.testing.assert_allclose(both.drive_x[: len(old)], old.drive_x, atol=1e-9)
    assert both.t_s[-1] > old.t_s[-1] + pattern.t_s[-1] - 1e-6


def test_a_pattern_for_a_path_from_the_command_line(
    on_disk: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = on_disk.parent / "job.csv", on_disk.parent / "for-job"
    wanted = job()
    rows = [f"{t:.4f},{x:.4f},{y:.4f},{int(b)}" for t, x, y, b in
            zip(wanted.t_s, wanted.x_mm, wanted.y_mm, wanted.beam, strict=True)]  # fmt: skip
    path.write_text("\n".join(["t_s,x_mm,y_mm,beam", *rows]) + "\n")
    assert hysteresis(monkeypatch, "plan", on_disk, "--kind", "characterise", "--minutes", 2,
                      "--path", path, "--out", out, "--no-wav") == 0  # fmt: skip
    told = capsys.readouterr().out
    assert "chosen for the path" in told and "from the run's model" in told
    pattern = read_pattern(out / "pattern.csv")
    assert 119.9 < pattern.t_s[-1] <= 120.0


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--improve",), "--out FOLDER"),
        (("--improve", "--path", "x.ngc", "--out", "o"), "two different plans"),
        (("--improve", "--kind", "recheck", "--out", "o"), "characterisations"),
        (("--whole",), "--improve"),
        (("--out", "o"), "--improve and --path"),
        (("--improve", "--minutes", "60", "--out", "o"), "0.2 to 10 minutes"),
    ],
)
def test_options_that_contradict_each_other_get_one_sentence(
    on_disk: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...], sentence: str,
) -> None:  # fmt: skip
    before = files_of(on_disk)
    monkeypatch.chdir(on_disk.parent)
    assert hysteresis(monkeypatch, "plan", on_disk, *words) == 2
    told = capsys.readouterr().err
    assert sentence in told and "Traceback" not in told and told.strip().count("\n") == 0
    assert files_of(on_disk) == before and not (on_disk.parent / "o").exists()
