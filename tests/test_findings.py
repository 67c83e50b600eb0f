"""What is gathered from a run, whole or in part."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from run_on_disk import write_run
from verify_data import SIGMA_MM, template_bench

from hysteresis.bench import Bench
from hysteresis.errors import DataError, InputError
from hysteresis.files import sha256_of
from hysteresis.findings import check_fit, gather
from hysteresis.run_folder import RunFolder
from hysteresis.table_files import read_pattern


@pytest.fixture
def run(tmp_path: Path) -> Path:
    return write_run(tmp_path / "run")


def test_a_whole_run_has_every_part(run: Path) -> None:
    found = gather(RunFolder(run), note="n", command="c")
    assert found.missing == () and found.warnings == ()
    assert (found.note, found.command) == ("n", "c")
    assert [s.what for s in found.sources] == [
        "bench", "pattern", "recording", "model", "job", "wanted path",
        "played without compensation", "played with compensation",
    ]  # fmt: skip
    assert all(len(s.sha256) == 64 for s in found.sources)
    measured = found.measured
    assert measured is not None
    # the third return repeats the first; x comes first from rest: play of 0.03 leaves 0.03 FS
    assert [(r.group, r.axis) for r in measured.returns][:2] == [
        ("ladder/001", "x"), ("ladder/001", "y"),
    ]  # fmt: skip
    assert measured.returns[0].first.error_mm == pytest.approx(50 * 0.03, abs=0.03)
    assert {h.axis for h in measured.hysteresis} == {"x", "y"}
    assert all(h.alone for h in measured.hysteresis)
    assert {r.first_group for r in measured.repeatability} == {"ladder/001"}
    assert len(measured.recoveries) == 6
    assert found.played is not None and found.played.covered is True
    assert found.played.before_figures is not None
    assert found.played.before_figures.rms_mm == pytest.approx(1.0)


def test_the_fit_is_checked_on_rows_after_the_conditioning(run: Path) -> None:
    found = gather(RunFolder(run))
    check = found.fit_check
    assert check is not None
    assert check.t_s.min() >= 1.0
    # the model has no memory, the rig a play of 0.03: its residual is that memory
    assert check.rms_x_mm > 10 * SIGMA_MM
    assert check.noise_x_mm == pytest.approx(SIGMA_MM)


def test_a_true_model_leaves_only_the_noise(run: Path) -> None:
    from verify_data import plain_model, recording_of

    from hysteresis.optics import nominal_optics, spot_from_deflection

    bench = template_bench(Bench)
    pattern = read_pattern(run / "pattern.csv")
    recording = recording_of(
        pattern,
        lambda t, x, y: spot_from_deflection(x, y, nominal_optics(bench.optics)),
        noise=np.random.default_rng(4),
    )
    check = check_fit(pattern, recording, plain_model(bench))
    assert check.rms_x_mm == pytest.approx(SIGMA_MM, rel=0.1)
    assert check.rms_y_mm == pytest.approx(SIGMA_MM, rel=0.1)


def test_the_clock_that_the_fit_found_is_applied(run: Path) -> None:
    """Frames stamped 4 ms early: with the fit's clock offset the residual is back at zero."""
    from dataclasses import replace

    from verify_data import plain_model, recording_of

    from hysteresis.model import Parameter
    from hysteresis.optics import nominal_optics, spot_from_deflection

    bench = template_bench(Bench)
    pattern = read_pattern(run / "pattern.csv")
    recording = recording_of(
        pattern, lambda t, x, y: spot_from_deflection(x, y, nominal_optics(bench.optics))
    )
    early = replace(recording, t_s=recording.t_s - 0.004)
    plain = plain_model(bench)
    clocked = replace(plain, parameters=(Parameter("clock_offset_s", 0.004, 1e-4, "s"),))
    assert check_fit(pattern, early, plain).rms_x_mm > 0.03
    assert check_fit(pattern, early, clocked).rms_x_mm < 2e-3


@pytest.mark.parametrize(
    ("gone", "word"),
    [
        ("pattern.csv", "hysteresis plan"),
        ("recording.csv", "hysteresis measure"),
        ("model.json", "hysteresis fit"),
        ("planned.csv", "hysteresis compensate"),
        ("plain.csv", "drive_plain.wav"),
        ("compensated.csv", "drive.wav"),
    ],
)
def test_each_missing_part_is_named_with_its_remedy(run: Path, gone: str, word: str) -> None:
    (run / gone).unlink()
    found = gather(RunFolder(run))
    assert len(found.missing) == 1
    assert word in found.missing[0].mend
    if gone in ("pattern.csv", "recording.csv"):
        assert found.measured is None and found.fit_check is None
    if gone == "planned.csv":
        assert found.played is None


def test_a_bare_run_has_nothing_to_report(run: Path) -> None:
    for path in run.iterdir():
        if path.name != "bench.toml":
            path.unlink()
    with pytest.raises(InputError, match=r"nothing to report yet.*hysteresis plan"):
        gather(RunFolder(run))


def test_files_changed_since_are_told(run: Path) -> None:
    text = (run / "recording.csv").read_text()
    (run / "recording.csv").write_text(text.rsplit("\n", 2)[0] + "\n")
    (run / "model.json").write_text((run / "model.json").read_text() + "\n")
    found = gather(RunFolder(run))
    assert any("another recording" in w for w in found.warnings)
    assert any("another model" in w for w in found.warnings)


def test_a_job_of_a_learned_model_is_no_change_unless_that_has_changed(run: Path) -> None:
    learned = run / "model_learned.json"
    learned.write_text((run / "model.json").read_text() + "\n")
    job = json.loads((run / "job.json").read_text())
    job["model"] = {"file": learned.name, "sha256": sha256_of(learned)}
    (run / "job.json").write_text(json.dumps(job))
    assert not gather(RunFolder(run)).warnings
    learned.write_text(learned.read_text() + "\n")
    assert any("another model" in w for w in gather(RunFolder(run)).warnings)


def test_played_paths_of_another_clock_are_refused(run: Path) -> None:
    lines = (run / "plain.csv").read_text().splitlines()
    moved = [lines[0]]
    for line in lines[1:]:
        t, rest = line.split(",", 1)
        moved.append(f"{float(t) + 5000},{rest}")
    (run / "plain.csv").write_text("\n".join(moved) + "\n")
    with pytest.raises(DataError, match=r"planned\.csv.*one clock"):
        gather(RunFolder(run))
