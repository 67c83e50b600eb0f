"""A drive on a carrier: any envelope detector gives it back."""

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.carrier import Carrier, cosine, envelope, margin, modulated, smoothed
from hysteresis.errors import InputError
from hysteresis.tables import Floats

RATE = 48_000
CARRIER = Carrier(6000)


def drives(seconds: float = 2.0, seed: int = 0) -> Floats:
    """Two drives of many tones to 60 Hz, whole periods of each, of size 0.98 at most; a beam."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE)) / RATE
    columns = []
    for _ in range(2):
        whole = rng.integers(1, round(60 * seconds), 6, endpoint=True) / seconds
        tones = sum(np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in whole)
        columns.append(0.98 * tones / np.abs(tones).max())
    return np.column_stack([*columns, (t > 0.5).astype(float)])


def joined(blocks) -> Floats:  # type: ignore[no-untyped-def]
    return np.concatenate(list(blocks))


def test_the_magnitude_of_the_analytic_signal_is_the_drive() -> None:
    # scipy.signal.hilbert: a detector that knows nothing of how the signal was made
    planned = drives()
    played = joined(modulated([planned], CARRIER, RATE))
    inner = slice(RATE // 10, -RATE // 10)  # the transform's own ends
    size = np.abs(scipy.signal.hilbert(played[:, :2], axis=0))[inner]
    found = (size * (1 + CARRIER.depth) - 1) / CARRIER.depth
    assert np.abs(found - planned[inner, :2]).max() < 1e-6


def test_a_rectifier_and_a_low_pass_give_the_drive_back() -> None:
    # What stands behind a real output: reconstruction to 16 times the rate, a diode, two poles.
    planned = drives(1.0)
    played = joined(modulated([planned], CARRIER, RATE))[:, 0]
    many = 16
    fine = scipy.signal.resample(played, many * len(played))
    sos = scipy.signal.butter(4, 1000.0, fs=many * RATE, output="sos")
    # forwards and backwards: without delay, as the plan is compared sample by sample
    smooth = scipy.signal.sosfiltfilt(sos, np.abs(fine))[::many] * np.pi / 2
    found = (smooth * (1 + CARRIER.depth) - 1) / CARRIER.depth
    inner = slice(RATE // 10, -RATE // 10)
    assert np.abs(found - planned[:, 0])[inner].max() < 1e-3  # 0.1 % of full scale


def test_our_own_detector_gives_the_plan_smoothed_alike() -> None:
    planned = drives()
    played = joined(modulated(np.array_split(planned, 7), CARRIER, RATE))
    found = joined(envelope(np.array_split(played, 11), CARRIER, RATE))
    wanted = joined(smoothed([planned], CARRIER, RATE))
    assert len(found) == len(planned) - 2 * margin(CARRIER, RATE)
    # The smoothing's zeros meet the mixing products of a steady carrier; those of a tone lie 60 Hz
    # beside, where the raised cosine of length L passes sin(pi f L) / (pi f L (1 - (f L)²)).
    at = (2 * CARRIER.carrier_hz - 60.0) * 8 / CARRIER.carrier_hz
    passed = abs(np.sin(np.pi * at) / (np.pi * at * (1 - at**2)))
    assert np.abs(found - wanted)[:, :2].max() < 2.0 * passed


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 4000), min_size=1, max_size=6), st.integers(1, 9))
def test_blocks_equal_the_whole(sizes: list[int], every: int) -> None:
    planned = drives(0.5)
    cuts = np.cumsum(sizes)
    pieces = np.split(planned, cuts[cuts < len(planned)])
    whole = joined(modulated([planned], CARRIER, RATE))
    assert np.array_equal(joined(modulated(pieces, CARRIER, RATE)), whole)
    pieces = np.split(whole, cuts[cuts < len(whole)])
    one = joined(envelope([whole], CARRIER, RATE, every))
    assert np.abs(joined(envelope(pieces, CARRIER, RATE, every)) - one).max() < 1e-12


def test_never_beyond_full_scale_nor_silent() -> None:
    extremes = np.array([[1.0, -1.0, 1.0]] * 480)
    played = joined(modulated([extremes], CARRIER, RATE))
    assert np.abs(played).max() <= 1.0
    least = (1 - CARRIER.depth) / (1 + CARRIER.depth)
    assert np.abs(played[:, 1]).max() == pytest.approx(least)


def test_the_phase_is_exact_after_hours() -> None:
    ten_hours = 36_000 * RATE
    assert np.array_equal(cosine(ten_hours, 100, CARRIER, RATE), cosine(0, 100, CARRIER, RATE))


@pytest.mark.parametrize(
    ("carrier", "rate", "bandwidth", "words"),
    [
        (Carrier(1000), 48_000, 150.0, "choose one from 1500 to 12000 Hz"),
        (Carrier(13_000), 48_000, 150.0, "choose one from 1500 to 12000 Hz"),
        (Carrier(2000), 4000, 150.0, "no carrier has four samples"),
        (Carrier(6000, 1.0), 48_000, 150.0, "depth"),
    ],
)
def test_what_suits_no_output(carrier: Carrier, rate: int, bandwidth: float, words: str) -> None:
    with pytest.raises(InputError, match=words):
        carrier.check(rate, bandwidth)


def test_an_ordinary_carrier_suits() -> None:
    CARRIER.check(RATE, 150.0)
