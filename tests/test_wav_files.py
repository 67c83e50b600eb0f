"""Drive signals as WAV: scale, channels, limits; read back by other readers of WAV."""

import wave
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
import soundfile

from hysteresis.errors import InputError, LimitError
from hysteresis.tables import DriveSignal
from hysteresis.wav_files import read_drive_wav, sampled_blocks, write_drive_wav

RATE = 8000.0


def signal(seconds: float = 0.5) -> DriveSignal:
    return DriveSignal(
        np.array([0.0, seconds / 2, seconds]),
        np.array([-1.0, 1.0, 0.0]),
        np.array([0.0, 0.25, -0.5]),
        np.array([True, False, True]),
    )


def fault(path: Path) -> InputError:
    with pytest.raises(InputError) as caught:
        read_drive_wav(path)
    assert "\n" not in str(caught.value)
    return caught.value


@pytest.mark.parametrize("bits", [16, 24])
def test_codes_in_the_file_as_the_standard_library_reads_them(tmp_path: Path, bits: int) -> None:
    path = tmp_path / "drive.wav"
    write_drive_wav(path, signal(), RATE, bits=bits)
    with wave.open(str(path)) as source:
        assert (source.getnchannels(), source.getframerate()) == (3, 8000)
        assert source.getsampwidth() * 8 == bits
        data = np.frombuffer(source.readframes(source.getnframes()), dtype=np.uint8)
    pad = np.zeros((len(data) // (bits // 8), 4), dtype=np.uint8)
    pad[:, 4 - bits // 8 :] = data.reshape(len(pad), -1)  # little-endian: pad the low bytes
    codes = pad.view("<i4")[:, 0].reshape(-1, 3) >> (32 - bits)
    full = 2 ** (bits - 1) - 1
    assert len(codes) == 4001  # both ends: half a second at 8 kHz and one sample
    assert codes[0].tolist() == [-full, 0, full]
    assert codes[2000].tolist() == [full, round(full / 4), 0]
    assert codes[4000].tolist() == [0, round(-full / 2), full]
    wanted = np.interp(np.arange(4001) / RATE, [0, 0.25, 0.5], [-1, 1, 0]) * full
    assert np.abs(codes[:, 0] - wanted).max() <= 0.5 + 1e-6


@pytest.mark.filterwarnings("ignore:Chunk")  # of peak values, which libsndfile adds
def test_floating_point_as_scipy_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "drive.wav"
    write_drive_wav(path, signal(), RATE, bits=32)
    rate, samples = scipy.io.wavfile.read(path)
    assert rate == 8000 and samples.dtype == np.float32 and samples.shape == (4001, 3)
    wanted = np.interp(np.arange(4001) / RATE, [0, 0.25, 0.5], [-1, 1, 0])
    assert np.abs(samples[:, 0] - wanted).max() < 2**-24


@pytest.mark.parametrize(("bits", "step"), [(16, 2**-15), (24, 2**-23), (32, 2**-24)])
def test_round_trip(tmp_path: Path, bits: int, step: float) -> None:
    path = tmp_path / "drive.wav"
    write_drive_wav(path, signal(), RATE, bits=bits)
    back, rate = read_drive_wav(path)
    wanted = np.concatenate(list(sampled_blocks(signal(), RATE)))
    assert rate == RATE
    assert np.abs(back.drive_x - wanted[:, 0]).max() <= step / 2 * (1 + 1e-3)
    assert np.abs(back.drive_y - wanted[:, 1]).max() <= step / 2 * (1 + 1e-3)
    assert (back.beam == (wanted[:, 2] == 1)).all()
    assert back.drive_x[0] == -1.0 and back.drive_x[2000] == 1.0
    # What was read is on the grid of the file: a second trip changes nothing.
    write_drive_wav(path, back, rate, bits=bits)
    again, _ = read_drive_wav(path)
    for name in ("t_s", "drive_x", "drive_y", "beam"):
        assert (getattr(again, name) == getattr(back, name)).all()


@pytest.mark.parametrize("rate", [1000.0, 44_100.0, 192_000.0])
def test_sampling_keeps_both_ends_and_the_beam_of_the_vertex_before(rate: float) -> None:
    seconds = 2.3  # more than one block at the highest rate
    one = DriveSignal(
        5.0 + np.array([0.0, 0.1, seconds]),  # any start: the first sample is the first vertex
        np.array([0.0, 1.0, 0.0]),
        np.zeros(3),
        np.array([False, True, False]),
    )
    blocks = np.concatenate(list(sampled_blocks(one, rate)))
    assert len(blocks) == round(seconds * rate) + 1
    t_s = np.arange(len(blocks)) / rate
    assert np.abs(blocks[:, 0] - np.interp(t_s, [0, 0.1, seconds], [0, 1, 0])).max() < 1e-9
    on = np.flatnonzero(blocks[:, 2])
    assert on[0] == round(0.1 * rate) and on[-1] == len(blocks) - 2
    assert (np.diff(on) == 1).all()


def test_blocks_stream_through(tmp_path: Path) -> None:
    path = tmp_path / "drive.wav"
    write_drive_wav(path, (np.full((n, 3), 0.5) for n in (1, 0, 7)), 48_000)
    back, rate = read_drive_wav(path)
    assert len(back) == 8 and rate == 48_000
    assert back.t_s[-1] == 7 / 48_000


@pytest.mark.parametrize("bad", [1.0 + 1e-9, -1.5, np.nan, np.inf])
@pytest.mark.parametrize("bits", [16, 24, 32])
def test_nothing_is_clipped(tmp_path: Path, bad: float, bits: int) -> None:
    path = tmp_path / "drive.wav"
    path.write_bytes(b"old")
    blocks = [np.zeros((4000, 3)), np.zeros((4000, 3))]
    blocks[1][400, 1] = bad
    with pytest.raises(LimitError, match=r"drive y is .* at 0\.5500 s, outside -1 to \+1"):
        write_drive_wav(path, iter(blocks), RATE, bits=bits)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_settings_that_no_wav_can_have(tmp_path: Path) -> None:
    path = tmp_path / "drive.wav"
    for rate in (500.0, 44_100.5, 192_001.0):
        with pytest.raises(InputError, match="sample rate"):
            write_drive_wav(path, signal(), rate)
    with pytest.raises(InputError, match="16, 24 or 32 bits"):
        write_drive_wav(path, signal(), RATE, bits=8)
    with pytest.raises(LimitError, match="empty"):
        write_drive_wav(path, iter([]), RATE)
    assert not path.exists()


def test_more_than_four_gigabytes_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hysteresis.wav_files._MAX_WAV_BYTES", 90_000)
    with pytest.raises(LimitError, match=r"24 bits at 8000 Hz holds at most 1 s"):
        write_drive_wav(tmp_path / "drive.wav", signal(3.0), RATE)
    write_drive_wav(tmp_path / "drive.wav", signal(1.0), RATE)


def test_two_channels_are_x_and_y_with_the_beam_on(tmp_path: Path) -> None:
    path = tmp_path / "two.wav"
    soundfile.write(path, np.array([[0.5, -0.5], [0.0, 0.25]]), 48_000, subtype="FLOAT")
    back, _ = read_drive_wav(path)
    assert back.drive_x.tolist() == [0.5, 0.0] and back.drive_y.tolist() == [-0.5, 0.25]
    assert back.beam.all()


def test_the_lowest_code_is_full_scale(tmp_path: Path) -> None:
    path = tmp_path / "low.wav"
    soundfile.write(path, np.array([[-32768, 32767, 32767]], dtype=np.int16), 48_000)
    back, _ = read_drive_wav(path)
    assert back.drive_x[0] == -1.0 and back.drive_y[0] == 1.0 and back.beam[0]


def test_wav_files_that_hold_something_else(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    zeros = np.zeros((10, 3))
    for channels, word in ((1, "1 channel"), (4, "4 channels")):
        soundfile.write(path, np.zeros((10, channels)), 48_000)
        error = fault(path)
        assert error.what == f"the WAV has {word}"
        assert "x, y, beam" in str(error.mend)
    soundfile.write(path, zeros, 48_000, subtype="PCM_U8")
    assert "PCM_U8" in fault(path).what
    soundfile.write(path, zeros, 48_000, format="FLAC")
    assert "FLAC" in fault(path).what
    soundfile.write(path, zeros[:0], 48_000)
    assert "no samples" in fault(path).what
    soundfile.write(path, zeros, 384_000)
    error = fault(path)
    assert error.what == "the sample rate is 384000 Hz" and "192000" in str(error.mend)
    zeros[7, 1] = 1.5
    soundfile.write(path, zeros, 1000, subtype="FLOAT")
    error = fault(path)
    assert (error.row, error.column, error.value) == (8, "y", 1.5)
    assert "0.0070 s" in error.what
    path.write_text("t_s,drive_x\n")
    assert "not a readable WAV" in fault(path).what
    path.write_bytes(b"")
    assert "empty" in fault(path).what
    assert "folder" in fault(tmp_path).what
    assert "no such file" in fault(tmp_path / "no.wav").what
    with open(path, "wb") as handle:
        handle.truncate(513 * 2**20)
    assert "too large" in fault(path).what
