"""Drive signals out, read back through soundfile itself and through the project's reader."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from hysteresis.errors import InputError, LimitError
from hysteresis.paths.drive_out import resampled, write_drive
from hysteresis.table_files import read_drive_csv
from hysteresis.tables import DriveSignal


def signal(scale: float = 1.0) -> DriveSignal:
    t = np.array([0.0, 0.011, 0.0253, 0.5])
    x = scale * np.array([0.0, 1.0, -1.0, 0.25])
    return DriveSignal(t, x, -0.5 * x, np.array([False, True, False, False]))


@pytest.mark.parametrize(("bits", "step"), [(16, 1 / 32767), (24, 1 / 8388607), (32, 1e-7)])
def test_wav_is_the_piecewise_linear_signal_at_the_sample_rate(tmp_path, bits, step):
    write_drive(tmp_path / "d.wav", signal(), 48_000, bits=bits)
    data, rate = soundfile.read(tmp_path / "d.wav", dtype="float64")
    assert rate == 48_000 and data.shape == (24_001, 3)
    t = np.arange(24_001) / 48_000
    s = signal()
    # full scale of the file's numbers is one step less than soundfile divides by
    np.testing.assert_allclose(data[:, 0], np.interp(t, s.t_s, s.drive_x), atol=1.6 * step)
    np.testing.assert_allclose(data[:, 1], np.interp(t, s.t_s, s.drive_y), atol=1.6 * step)
    np.testing.assert_array_equal(data[:, 2] > 0.5, (t >= 0.011) & (t < 0.0253))


def test_csv_as_it_is_reads_back_to_the_last_bit(tmp_path):
    write_drive(tmp_path / "d.csv", signal(), 48_000)
    back = read_drive_csv(tmp_path / "d.csv")
    for name in ("t_s", "drive_x", "drive_y", "beam"):
        np.testing.assert_array_equal(getattr(back, name), getattr(signal(), name))


def test_csv_at_a_rate(tmp_path):
    write_drive(tmp_path / "d.csv", signal(), 48_000, csv_rate_hz=1000)
    back = read_drive_csv(tmp_path / "d.csv")
    assert len(back) == 501
    s = signal()
    np.testing.assert_allclose(back.drive_x, np.interp(back.t_s, s.t_s, s.drive_x), atol=1e-8)
    on = back.t_s[back.beam]
    assert on[0] == pytest.approx(0.011) and on[-1] == pytest.approx(0.025)


def test_the_last_row_stays_when_it_falls_between(tmp_path):
    back = resampled(signal(), 33.0)
    assert back.t_s[-1] == 0.5 and back.drive_x[-1] == 0.25
    assert (np.diff(back.t_s) > 0).all()


@pytest.mark.parametrize("name", ["d.wav", "d.csv"])
@pytest.mark.parametrize("value", [1.0001, -2.0, np.nan, np.inf])
def test_nothing_is_clipped_and_nothing_is_overwritten(tmp_path, name, value):
    (tmp_path / name).write_text("before")
    bad = signal()
    bad.drive_y[2] = value
    with pytest.raises(LimitError, match=r"drive y is .* at 0.0253 s"):
        write_drive(tmp_path / name, bad, 48_000)
    assert (tmp_path / name).read_text() == "before"
    assert sorted(p.name for p in tmp_path.iterdir()) == [name]


def test_other_endings_rates_and_empty_signals_are_refused(tmp_path):
    with pytest.raises(InputError, match=r"\.wav or \.csv"):
        write_drive(tmp_path / "d.mp3", signal(), 48_000)
    with pytest.raises(InputError):
        write_drive(tmp_path / "d.csv", signal(), 48_000, csv_rate_hz=0)
    with pytest.raises(InputError):
        write_drive(tmp_path / "d.wav", signal(), 48_000, bits=20)
    nothing = DriveSignal(*(np.zeros(0) for _ in range(3)), np.zeros(0, bool))
    with pytest.raises(LimitError, match="empty"):
        write_drive(tmp_path / "d.wav", nothing, 48_000)
    assert not list(tmp_path.iterdir())
