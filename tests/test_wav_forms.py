"""Other forms of a drive in a WAV: channels, dither, carrier, and files beyond 4 GB."""

from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
import scipy.signal
import soundfile

from hysteresis.carrier import Carrier, margin
from hysteresis.errors import InputError
from hysteresis.tables import Floats
from hysteresis.wav_files import Layout, WavForm, read_drive_wav, write_drive_wav

RATE = 48_000


def block(seconds: float = 1.0) -> Floats:
    t = np.arange(round(seconds * RATE)) / RATE
    return np.column_stack(
        [0.9 * np.sin(40 * t), 0.5 * np.cos(25 * t), (t > seconds / 2).astype(float)]
    )


@pytest.mark.filterwarnings("ignore:Chunk")  # of peak values, which libsndfile adds
@pytest.mark.parametrize(("layout", "picked"), [("xyb", [0, 1, 2]), ("xy", [0, 1]), ("y", [1])])
@pytest.mark.parametrize("bits", [16, 24, 32])
def test_channels_as_two_other_readers_see_them(
    tmp_path: Path, layout: Layout, picked: list[int], bits: int
) -> None:
    path = tmp_path / "drive.wav"
    write_drive_wav(path, [block()], RATE, form=WavForm(bits, layout))
    step = 2.0 ** (1 - bits) if bits < 32 else 2.0**-24
    samples, rate = soundfile.read(path, always_2d=True)
    assert rate == RATE and samples.shape == (RATE, len(picked))
    assert np.abs(samples - block()[:, picked]).max() <= 2 * step
    rate, samples = scipy.io.wavfile.read(path)
    full = {16: 2.0**15, 24: 2.0**31, 32: 1.0}[bits]  # scipy gives 24 bits in the upper of 32
    assert np.abs(samples.reshape(RATE, -1) / full - block()[:, picked]).max() <= 2 * step


def test_dither_makes_the_error_white_and_a_quarter_of_a_step_squared(tmp_path: Path) -> None:
    """Theory: uniform rounding error 1/12 and triangular noise 1/6 of a step squared, uncorrelated
    from sample to sample whatever the signal (Lipshitz et al., J. AES 40 (1992) 355, from memory).
    Here a tone of a third of a step, which plain rounding loses altogether."""
    full = 2**15 - 1
    t = np.arange(8 * RATE) / RATE
    tone = 0.3 / full * np.sin(2 * np.pi * 1000 * t)
    for dither in (True, False):
        write_drive_wav(
            tmp_path / f"{dither}.wav", [np.column_stack([tone, tone, tone * 0])], RATE,
            form=WavForm(16, "xy", dither=dither),
        )  # fmt: skip
    codes = {d: scipy.io.wavfile.read(tmp_path / f"{d}.wav")[1][:, 0] for d in (True, False)}
    assert not codes[False].any()
    error = codes[True] - tone * full
    # the variance of 384 000 squares is known to about half a per cent
    assert np.var(error) == pytest.approx(0.25, rel=0.02)
    _, density = scipy.signal.welch(error, RATE, nperseg=4096)
    level = 0.25 / (RATE / 2)
    assert np.median(density[2:-2]) == pytest.approx(level, rel=0.05)
    assert density[2:-2].max() < 1.6 * level  # no line: 187 averages leave 7 % of scatter
    # and the tone is there, at its size
    at = np.abs(np.mean(codes[True] * np.exp(-2j * np.pi * 1000 * t))) * 2
    assert at == pytest.approx(0.3, abs=0.01)


def test_the_two_channels_have_noise_of_their_own(tmp_path: Path) -> None:
    write_drive_wav(
        tmp_path / "d.wav", [np.zeros((RATE, 3))], RATE, form=WavForm(16, "xy", dither=True)
    )
    codes = scipy.io.wavfile.read(tmp_path / "d.wav")[1]
    assert abs(np.corrcoef(codes.T)[0, 1]) < 0.02


def test_dither_does_not_depend_on_the_blocks_and_never_passes_full_scale(tmp_path: Path) -> None:
    whole = np.concatenate([block(), np.ones((500, 3)), -np.ones((500, 3))])
    for name, cut in (("one", [whole]), ("many", np.array_split(whole, 13))):
        write_drive_wav(tmp_path / f"{name}.wav", cut, RATE, form=WavForm(16, dither=True))
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "many.wav").read_bytes()
    codes = scipy.io.wavfile.read(tmp_path / "one.wav")[1]
    assert codes[-1000:-500].min() == 2**15 - 1 and codes[-500:].max() == -(2**15 - 1)


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_a_drive_on_a_carrier_reads_back(tmp_path: Path, bits: int) -> None:
    path, carrier = tmp_path / "drive.wav", Carrier(6000)
    write_drive_wav(path, np.array_split(block(), 5), RATE, form=WavForm(bits, carrier=carrier))
    played, rate = read_drive_wav(path, carrier)
    assert rate == RATE and len(played) == RATE
    edge = margin(carrier, RATE)
    inner = slice(edge, -edge)
    # smoothing over 8 periods bends a 40 rad/s sine by its curvature; the rest is rounding
    bend = 0.5 * 40**2 * 0.9 * (8 / 6000) ** 2 * (1 / 12 - 0.5 / np.pi**2)
    allowed = bend + 1e-5 + 3 * 2.0 ** (1 - bits)
    assert np.abs(played.drive_x - block()[:, 0])[inner].max() < allowed
    assert np.abs(played.drive_y - block()[:, 1])[inner].max() < allowed
    assert np.mean(played.beam == (block()[:, 2] > 0.5)) > 0.999


def test_beyond_four_gigabytes_the_file_is_rf64(tmp_path: Path) -> None:
    """The head alone: EBU Tech 3306 puts RF64 in the place of RIFF and a ds64 chunk behind it."""
    path = tmp_path / "long.wav"
    write_drive_wav(path, [block()], RATE, form=WavForm(24, long=True))
    head = path.read_bytes()[:40]
    assert head[:4] == b"RF64" and head[8:16] == b"WAVEds64"
    assert int.from_bytes(head[20:28], "little") == path.stat().st_size - 8
    played, _ = read_drive_wav(path)
    assert np.abs(played.drive_x - block()[:, 0]).max() <= 2.0**-23


@pytest.mark.parametrize(
    ("form", "words"),
    [
        (WavForm(12), "16, 24 or 32 bits"),
        (WavForm(24, dither=True), "dither is for 16 bits"),
        (WavForm(24, "yx"), "channels"),  # type: ignore[arg-type]
    ],
)
def test_forms_that_are_none(tmp_path: Path, form: WavForm, words: str) -> None:
    with pytest.raises(InputError, match=words):
        write_drive_wav(tmp_path / "d.wav", [block()], RATE, form=form)
    assert not list(tmp_path.iterdir())
