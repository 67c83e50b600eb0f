"""`hysteresis virtual`, from the command line to the files of a run."""

import sys

import numpy as np
import pytest

from hysteresis.bench import TEMPLATE, read_bench
from hysteresis.cli import main
from hysteresis.table_files import (
    read_camera_log,
    read_timed_path,
    read_typed_sheet,
    write_drive_csv,
    write_pattern,
)
from hysteresis.tables import DriveSignal, Pattern
from hysteresis.virtual_bench import make_rig, play
from hysteresis.wav_files import write_drive_wav

T = np.array([0.0, 1.0, 1.05, 4.0, 4.05, 8.0])
U = np.array([0.0, 0.0, 0.6, 0.6, 0.0, 0.0])


@pytest.fixture
def run(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "bench.toml").write_text(TEMPLATE, encoding="utf-8")
    names = ["rest/000", "steps/001", "reading/001", "steps/002", "reading/002", "reading/002"]
    pattern = Pattern(T, U, -U, np.ones(6, bool), np.array(names, object))
    write_pattern(folder / "pattern.csv", pattern)
    return folder


def _hysteresis(monkeypatch, *words) -> int:
    """Run the command line; its exit code."""
    monkeypatch.setattr(sys, "argv", ["hysteresis", *map(str, words)])
    with pytest.raises(SystemExit) as end:
        main()
    return int(end.value.code or 0)


def test_a_newcomer_rehearses_with_camera_and_ruler(run, monkeypatch, capsys):
    words = ("virtual", run, "--suspension", "braided-thread", "--seed", 3)
    assert _hysteresis(monkeypatch, *words) == 0
    told = capsys.readouterr().out
    assert "simulated" in told and "nothing was sent to any output" in told
    log = read_camera_log(run / "camera_log.csv")
    assert 240 < len(log) < 310  # 8 s and the overrun at 30 frames/s

    assert _hysteresis(monkeypatch, *words, "--typed") == 0
    sheet = read_typed_sheet(run / "typed.csv")
    assert list(sheet.reading) == [1, 2]
    assert np.isnan([*sheet.x_mm, *sheet.y_mm]).sum() == 1

    before = (run / "camera_log.csv").read_bytes()
    assert _hysteresis(monkeypatch, *words) == 2  # kept, not written over
    assert "--force" in capsys.readouterr().err
    assert _hysteresis(monkeypatch, *words, "--force") == 0
    assert (run / "camera_log.csv").read_bytes() == before  # the same seed, the same log


@pytest.mark.parametrize("kind", ["csv", "wav"])
def test_any_drive_file_is_played(run, tmp_path, monkeypatch, kind):
    signal = DriveSignal(T, U, -U, np.array([1, 1, 0, 0, 1, 1], bool))
    drive, out = tmp_path / f"drive.{kind}", tmp_path / "spots.csv"
    if kind == "csv":
        write_drive_csv(drive, signal)
    else:
        write_drive_wav(drive, signal, 48_000)
    words = ("virtual", run, "--suspension", "twisted-cord", "--seed", 2, "--play", drive)
    seen = tmp_path / "seen.csv"
    assert (
        _hysteresis(monkeypatch, *words, "--out", out, "--sequence", 4, "--camera-log", seen) == 0
    )
    path = read_timed_path(out)
    expected = play(
        make_rig(read_bench(run / "bench.toml"), "twisted-cord", 2), T, U, -U, sequence=4
    )
    np.testing.assert_allclose(path.t_s, expected.t_s, atol=1e-7)
    # 24 bits of a 50 mm full scale are 6e-6 mm; the file keeps 5 decimals
    np.testing.assert_allclose(path.x_mm, expected.x_mm, atol=5e-5)
    np.testing.assert_allclose(path.y_mm, expected.y_mm, atol=5e-5)
    assert path.beam[500] and not path.beam[2000]
    assert len(read_camera_log(seen)) > 100


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--suspension", "cobweb"), "braided-thread"),
        (("--suspension", "metal-flexure", "--out", "x.csv"), "--play"),
        (("--suspension", "metal-flexure", "--play", "missing.csv"), "--out"),
        (
            ("--suspension", "metal-flexure", "--play", "missing.csv", "--out", "x.csv"),
            "missing.csv",
        ),
    ],
)
def test_bad_words_get_one_sentence(run, monkeypatch, capsys, words, told):
    monkeypatch.chdir(run)
    assert _hysteresis(monkeypatch, "virtual", run, *words) == 2
    error = capsys.readouterr().err.strip()
    assert told in error and "Traceback" not in error
    assert len(error.splitlines()) == 1
    assert {p.name for p in run.iterdir()} == {"bench.toml", "pattern.csv"}


def test_no_pattern_and_no_readings_are_said(run, monkeypatch, capsys):
    words = ("virtual", run, "--suspension", "metal-flexure")
    pattern = Pattern(T, U, -U, np.ones(6, bool), np.full(6, "rest/001", object))
    write_pattern(run / "pattern.csv", pattern)
    assert _hysteresis(monkeypatch, *words, "--typed") == 2
    assert "no numbered readings" in capsys.readouterr().err
    (run / "pattern.csv").unlink()
    assert _hysteresis(monkeypatch, *words) == 2
    assert "hysteresis plan" in capsys.readouterr().err
    assert {p.name for p in run.iterdir()} == {"bench.toml"}
