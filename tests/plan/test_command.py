"""`hysteresis plan`, from the command line to the files of a run."""

import subprocess
import sys

import numpy as np
import pytest
import soundfile

from hysteresis.bench import TEMPLATE, read_bench
from hysteresis.cli import main
from hysteresis.plan import characterisation
from hysteresis.table_files import read_pattern, read_typed_sheet
from hysteresis.virtual_bench.ruler import readings_of

VERIFY = ("--kind", "verification", "--minutes", 2)


@pytest.fixture
def run(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "bench.toml").write_text(TEMPLATE.replace("48000 ", "4000 "), encoding="utf-8")
    return folder


def _hysteresis(monkeypatch, *words) -> int:
    monkeypatch.setattr(sys, "argv", ["hysteresis", *map(str, words)])
    with pytest.raises(SystemExit) as end:
        main()
    return int(end.value.code or 0)


def _names(run):
    return sorted(path.name for path in run.iterdir())


def test_a_characterisation_is_written_shown_and_warned_of(run, monkeypatch, capsys):
    assert _hysteresis(monkeypatch, "plan", run, "--minutes", 2) == 0
    told = capsys.readouterr().out
    assert "2 min 00.0 s" in told and "ladder" in told and "IEC 60825-1" in told
    assert _names(run) == ["bench.toml", "pattern.csv", "pattern.png", "pattern.wav"]
    bench = read_bench(run / "bench.toml")
    read, made = read_pattern(run / "pattern.csv"), characterisation(bench, 2.0)
    assert np.allclose(read.t_s, made.t_s, atol=1e-9) and list(read.segment) == list(made.segment)
    assert np.allclose(read.drive_x, made.drive_x, atol=1e-9)
    # The WAV by another reader, against straight interpolation: 24 bits are 6e-8 of full scale.
    with soundfile.SoundFile(run / "pattern.wav") as wav:
        assert (wav.samplerate, wav.channels, wav.subtype) == (4000, 3, "PCM_24")
        samples = wav.read()
    t = np.arange(len(samples)) / 4000
    assert t[-1] == pytest.approx(made.t_s[-1], abs=1 / 4000)
    assert np.abs(samples[:, 0] - np.interp(t, made.t_s, made.drive_x)).max() < 3e-7
    assert np.abs(samples[:, 1] - np.interp(t, made.t_s, made.drive_y)).max() < 3e-7
    # the third channel is the beam: off in the sync's blinks, on from a vertex to the next
    inside = np.abs(t[:, None] - made.t_s[None, np.flatnonzero(np.diff(made.beam)) + 1])
    lit = made.beam[np.searchsorted(made.t_s, t, side="right").clip(1, len(made.t_s)) - 1]
    sure = (inside.min(axis=1) > 1 / 4000) & (t < made.t_s[-1] - 1 / 4000)
    assert np.abs(samples[sure, 2] - lit[sure]).max() < 0.01 and not lit[sure].all()


def test_reading_steps_come_with_a_sheet(run, monkeypatch, capsys):
    words = ("plan", run, "--kind", "reading-steps", "--readings", 28, "--no-wav")
    assert _hysteresis(monkeypatch, *words) == 0
    assert _names(run) == [
        "bench.toml", "pattern.csv", "pattern.png", "reading_sheet.csv", "reading_sheet.pdf",
    ]  # fmt: skip
    sheet = read_typed_sheet(run / "reading_sheet.csv")
    number, _, end_s = readings_of(read_pattern(run / "pattern.csv"))
    assert np.array_equal(sheet.reading, number) and np.allclose(sheet.t_s, end_s, atol=0.051)
    assert "IEC 60825-1" in capsys.readouterr().out


def test_nothing_is_written_over_unasked_and_nothing_stale_is_left(run, monkeypatch, capsys):
    assert _hysteresis(monkeypatch, "plan", run, *VERIFY) == 0
    before = {path: path.read_bytes() for path in run.iterdir()}
    for words in ((), ("--kind", "reading-steps", "--no-wav")):
        assert _hysteresis(monkeypatch, "plan", run, *words) == 2
        assert "--force" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in run.iterdir()} == before
    words = ("--kind", "reading-steps", "--readings", 10, "--no-wav", "--force")
    assert _hysteresis(monkeypatch, "plan", run, *words) == 0
    assert "Removed" in capsys.readouterr().out and "pattern.wav" not in _names(run)
    # A run that has the sheet of another pattern is as much of a clash as a file of the same name.
    (run / "pattern.csv").unlink()
    (run / "pattern.png").unlink()
    assert _hysteresis(monkeypatch, "plan", run, *VERIFY) == 2
    assert "reading_sheet.csv" in capsys.readouterr().err
    assert _names(run) == ["bench.toml", "reading_sheet.csv", "reading_sheet.pdf"]


def test_a_recheck_leaves_the_pattern_of_the_fit_alone(run, monkeypatch, capsys):
    assert _hysteresis(monkeypatch, "plan", run, "--minutes", 2, "--no-wav") == 0
    before = (run / "pattern.csv").read_bytes()
    for kind, folder in (("recheck", "recheck"), ("recheck-readings", "recheck/readings")):
        words = ("plan", run, "--kind", kind)
        assert _hysteresis(monkeypatch, *words) == 0
        assert f"{folder}/pattern.csv" in capsys.readouterr().out
        assert _hysteresis(monkeypatch, *words) == 2 and "--force" in capsys.readouterr().err
    assert (run / "pattern.csv").read_bytes() == before
    assert _names(run / "recheck") == ["pattern.csv", "pattern.png", "pattern.wav", "readings"]
    sheet = read_typed_sheet(run / "recheck" / "readings" / "reading_sheet.csv")
    assert len(sheet) == 6


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--kind", "wobble"), "characterisation, reading-steps, recheck, verification"),
        (("--minutes", "1"), "2 to 20 minutes"),
        (("--minutes", "nan"), "2 to 20 minutes"),
        (("--kind", "recheck", "--minutes", "3"), "30 s or less"),
        (("--kind", "reading-steps", "--readings", "3"), "10 to 400"),
        (("--axis", "z"), "both, x or y"),
        (("--bits", "12"), "16, 24 or 32"),
    ],
)
def test_bad_requests_get_one_sentence_and_write_nothing(run, monkeypatch, capsys, words, sentence):
    assert _hysteresis(monkeypatch, "plan", run, *words) == 2
    told = capsys.readouterr().err
    assert sentence in told and told.strip().count("\n") == 0 and "Traceback" not in told
    assert _names(run) == ["bench.toml"]


def test_a_bench_that_is_too_slow_is_told_which_limit(run, monkeypatch, capsys):
    text = (run / "bench.toml").read_text().replace("slew_per_s = 60.0", "slew_per_s = 0.05")
    (run / "bench.toml").write_text(text)
    assert _hysteresis(monkeypatch, "plan", run) == 2
    assert "slew_per_s = 0.05" in capsys.readouterr().err and _names(run) == ["bench.toml"]


def test_an_ac_coupled_output_is_warned_of(run, monkeypatch, capsys):
    text = (run / "bench.toml").read_text().replace('coupling = "dc"', 'coupling = "ac"')
    (run / "bench.toml").write_text(text.replace("# corner_hz", "corner_hz"))
    assert _hysteresis(monkeypatch, "plan", run, "--minutes", 2, "--no-wav") == 0
    assert "AC-coupled (corner 0.5 Hz)" in capsys.readouterr().out


def test_help_and_the_command_file_load_nothing_heavy():
    code = (
        "import sys, hysteresis.cli.plan; "
        "print([m for m in ('numpy', 'scipy', 'matplotlib', 'pandas') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
