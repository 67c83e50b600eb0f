"""Outputs: the bytes of a WAV, a part that is continued, a pause's bounds, harm told."""

from __future__ import annotations

import json
import os
import resource
import signal
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from fitted_rigs import bench
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.carrier import Carrier
from hysteresis.cli.compensate_words import harm
from hysteresis.compensate import LONGEST_PAUSE_S, compensate_path, state_after_pause
from hysteresis.compensate.forecast import Forecast
from hysteresis.compensate.restart import PartFile, discard, left_behind, note_of, part_of
from hysteresis.errors import InputError, LimitError
from hysteresis.model import Discrepancy
from hysteresis.paths.wav_bytes import head, is_long, wav_bytes
from hysteresis.wav_files import WavForm, write_samples

from .models import fitted, one_rig, tile

RNG = np.random.default_rng(4)
ROWS = np.column_stack([RNG.uniform(-1, 1, (5001, 2)), RNG.integers(0, 2, 5001)])
ROWS[:3] = [[1, -1, 0], [-1, 1, 1], [0.5 / (2**23 - 1), -0.5 / (2**23 - 1), 1]]  # ends, halves
FORMS = [
    WavForm(16), WavForm(16, dither=True), WavForm(24), WavForm(24, "xy"), WavForm(24, "x"),
    WavForm(24, "y"), WavForm(32), WavForm(24, carrier=Carrier(4000)), WavForm(24, long=True),
    WavForm(32, "xy", long=True),
]  # fmt: skip


def data_of(file: Path) -> bytes:
    content = file.read_bytes()
    return content[content.index(b"data") + 8 :]


@pytest.mark.parametrize("form", FORMS, ids=str)
def test_the_bytes_are_those_of_libsndfile(tmp_path: Path, form: WavForm) -> None:
    """Head first, no way back: samples to the bit, and the same file to a reader."""
    ours, theirs = tmp_path / "ours.wav", tmp_path / "theirs.wav"
    blocks = [ROWS[:1000], ROWS[1000:1003], ROWS[1003:]]
    ours.write_bytes(b"".join(wav_bytes(blocks, len(ROWS), 48_000, form, named=ours)))
    write_samples(theirs, blocks, 48_000, form, named=theirs)
    size = len(ROWS) * len(form.layout) * form.bits // 8
    assert data_of(ours)[:size] == data_of(theirs)[:size]
    for name in ("samplerate", "channels", "frames", "subtype", "format"):
        mine, their = (getattr(soundfile.info(f), name) for f in (ours, theirs))
        assert mine == their, name
    assert ours.stat().st_size % 2 == 0


def test_past_4_gb_the_head_is_that_of_rf64(tmp_path: Path) -> None:
    """Read by libsndfile from a file with a hole, so that no 5 GB are written."""
    samples, form = 600_000_000, WavForm(24)
    assert is_long(samples, form) and not is_long(400_000_000, form)
    file = tmp_path / "long.wav"
    begin = head(samples, 48_000, form)
    with open(file, "wb") as out:
        out.write(begin)
        out.truncate(len(begin) + samples * 9)
    about = soundfile.info(file)
    assert (about.format, about.frames, about.channels) == ("RF64", samples, 3)


@pytest.mark.parametrize("value", [1.0000001, -1.5, np.nan, np.inf])
@pytest.mark.parametrize("form", FORMS[:8], ids=str)
def test_nothing_beyond_full_scale_is_written(form: WavForm, value: float) -> None:
    rows = ROWS.copy()
    rows[4000, 0 if "x" in form.layout else 1] = value
    with pytest.raises(LimitError, match="outside -1 to"):
        list(wav_bytes([rows[:3000], rows[3000:]], len(rows), 48_000, form, named="drive.wav"))


def test_a_length_that_is_not_the_head_s_is_an_error() -> None:
    with pytest.raises(ValueError, match="head says"):
        list(wav_bytes([ROWS], len(ROWS) + 1, 48_000, WavForm(24), named="drive.wav"))


# ---- a part, continued ---------------------------------------------------------------------------

KEY = {"input": {"sha256": "ab"}, "bits": 24}


def pieces(seed: int = 0, count: int = 40) -> list[bytes]:
    rng = np.random.default_rng(seed)
    return [rng.bytes(int(n)) for n in rng.integers(1, 5000, count)]


def written(target: Path, data: list[bytes], upto: int, *, go_on: bool = False) -> None:
    """Write pieces up to one, a checkpoint at each, and leave half-way."""
    with PartFile(target, KEY, go_on=go_on, every_s=-1.0) as out:
        for piece in data[:upto]:
            out.write(piece)


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_a_continued_file_is_the_same_to_the_bit(data: st.DataObject) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        target, made = Path(folder) / "drive.wav", pieces()
        target.write_bytes(b"of the job before")
        for stop in sorted(data.draw(st.lists(st.integers(1, 39), min_size=1, max_size=4))):
            written(target, made, stop, go_on=True)
            with open(part_of(target), "ab") as torn:  # what was written behind the checkpoint
                torn.write(b"torn")
        assert target.read_bytes() == b"of the job before"
        with PartFile(target, KEY, go_on=True) as out:
            for piece in made[::1]:
                out.write(piece)
            out.finish()
        assert target.read_bytes() == b"".join(made)
        assert not left_behind(target)


def test_without_going_on_it_begins_anew(tmp_path: Path) -> None:
    target = tmp_path / "drive.wav"
    written(target, pieces(1), 20)
    assert left_behind(target) and not target.exists()
    with PartFile(target, KEY) as out:
        for piece in pieces(2):
            out.write(piece)
        out.finish()
    assert target.read_bytes() == b"".join(pieces(2))


def test_a_part_of_something_else_is_not_continued(tmp_path: Path) -> None:
    target = tmp_path / "drive.wav"
    written(target, pieces(), 20)
    with pytest.raises(InputError, match=r"other settings or files: bits"):
        PartFile(target, KEY | {"bits": 16}, go_on=True)
    with (
        pytest.raises(InputError, match="not the beginning"),
        PartFile(target, KEY, go_on=True) as out,
    ):
        for piece in pieces(9):
            out.write(piece)
    note = json.loads(note_of(target).read_text())
    note_of(target).write_text(json.dumps(note | {"bytes": note["bytes"] + 10**9}))
    with pytest.raises(InputError, match="shorter than its note"):
        PartFile(target, KEY, go_on=True)
    note_of(target).write_text("[]")
    with pytest.raises(InputError, match="not the note of a part"):
        PartFile(target, KEY, go_on=True)
    discard(target)
    assert not left_behind(target)


def test_what_is_not_worth_keeping_is_removed(tmp_path: Path) -> None:
    """No checkpoint was due: a short job leaves nothing."""
    target = tmp_path / "drive.wav"
    with pytest.raises(KeyboardInterrupt), PartFile(target, KEY) as out:
        out.write(b"abc")
        raise KeyboardInterrupt
    assert not list(tmp_path.iterdir())


def test_a_disk_that_is_full_leaves_a_part_to_go_on_with(tmp_path: Path) -> None:
    """A limit on the size of files stands for it; in a process of its own."""
    target, made = tmp_path / "drive.wav", pieces(5, 200)
    target.write_bytes(b"of the job before")
    child = os.fork()
    if child == 0:  # pragma: no cover
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, resource.RLIM_INFINITY))
        code = 1
        try:
            written(target, made, 200)
        except OSError as error:
            code = 27 if error.errno == 27 else 2  # EFBIG
        os._exit(code)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 27
    assert target.read_bytes() == b"of the job before"
    assert 100_000 < part_of(target).stat().st_size <= 200_000
    with PartFile(target, KEY, go_on=True) as out:
        assert out.kept > 100_000
        for piece in made:
            out.write(piece)
        out.finish()
    assert target.read_bytes() == b"".join(made)


# ---- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize("gap", [Discrepancy(np.inf, 0.4, 10, 0.0), Discrepancy(0.1, 1e6, 10, 0.0)])
def test_a_forecast_without_numbers_is_refused(gap: Discrepancy) -> None:
    """Of a model made in a program; one that is read is refused before."""
    with pytest.raises(InputError, match="forecast that is not finite"):
        compensate_path(replace(fitted(one_rig()), discrepancy=gap), bench(), tile())


@pytest.mark.parametrize("pause_s", [1e300, np.inf, np.nan, LONGEST_PAUSE_S * 1.001])
def test_a_pause_without_end_is_refused(pause_s: float) -> None:
    model = one_rig()
    with pytest.raises(InputError, match="give at most 2592000 seconds"):
        state_after_pause(model, model.rest(), pause_s)


@pytest.mark.parametrize("pause_s", [0.0, 5e-324, 1e-300, 1e-6, LONGEST_PAUSE_S])
def test_any_other_pause_can_be_waited(pause_s: float) -> None:
    model = one_rig()
    *_, state = model.spots(np.full(50, 0.3), np.full(50, 0.3), 0.01)
    after = state_after_pause(model, state, pause_s)
    assert np.all(np.isfinite(after.x)) and np.all(np.isfinite(after.y))


def told(before_mm: float, after_mm: float, plain_exceeds: bool = False) -> list[str]:
    gain = before_mm / after_mm
    return harm(
        Forecast(before_mm, 0.0, 0.0, after_mm, 0.0, 1.0, before_mm, before_mm, gain, 0.7 * gain,
                 1.3 * gain, before_mm),
        bench(), plain_exceeds,
    )  # fmt: skip


def test_harm_is_told_in_a_sentence() -> None:
    allowed = bench().tolerance.target_mm
    assert told(2.0 * allowed, 0.5 * allowed) == []
    assert told(2.0 * allowed, allowed) == []
    (one,) = told(1.2 * allowed, allowed)  # 1.2 times less, 0.84 … 1.56: not shown
    assert "gains nothing that can be shown" in one and "0.84 … 1.56" in one
    (one,) = told(0.4 * allowed, 0.5 * allowed)
    assert "not foretold to help" in one and "play drive_plain.wav, or fit again" in one
    (one,) = told(9.0 * allowed, 2.0 * allowed)
    assert "above the tolerance" in one and f"{2.0 * allowed:.3f} mm" in one
    assert len(told(2.0 * allowed, 2.0 * allowed)) == 2
    (one,) = told(0.4 * allowed, 0.5 * allowed, plain_exceeds=True)
    assert one.endswith("; fit again") and "drive_plain" not in one
