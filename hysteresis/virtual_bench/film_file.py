"""Simulated films and their truth in files."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.errors import InputError
from hysteresis.files import write_table, writing
from hysteresis.virtual_bench.film import TICKS_PER_S, Film, FilmTruth, frames, truth_of

TITLE = "simulated: an invented rig, not a measurement"
_X264 = ("libx264", "yuv420p", {"preset": "ultrafast", "crf": "20", "bf": "0"})
_KINDS: dict[str, tuple[str, str, dict[str, str]]] = {
    ".mp4": _X264,
    ".mkv": _X264,
    ".avi": ("mjpeg", "yuvj420p", {"qmin": "2", "qmax": "3"}),
}


def check_name(path: Path | str) -> None:
    """Raise InputError unless the name's ending is one that can be written."""
    if Path(path).suffix.lower() not in _KINDS:
        raise InputError(
            "a film of this kind cannot be written",
            file=path,
            mend="end its name with .mp4, .mkv or .avi",
        )


def check_truth_name(path: Path | str) -> None:
    """Raise InputError unless the name ends in .npz or .csv."""
    if Path(path).suffix.lower() not in (".npz", ".csv"):
        raise InputError(
            "the truth cannot be written to a file of this kind",
            file=path,
            mend="end its name with .npz or .csv",
        )


def write_film(
    path: Path | str,
    film: Film,
    *,
    overwrite: bool = True,
    progress: Callable[[float], None] | None = None,
) -> FilmTruth:
    """Render `film` into a file and return its truth, with the stamps as the file holds them.

    .mp4 keeps stamps to 1/90000 s, .mkv to 1 ms; .avi has a fixed frame rate, so a frame's stamp is
    the next free multiple of the frame time (the median one) and its jitter is lost. H.264 (or
    Motion JPEG in .avi) with lossy compression, as cameras have it. `progress` is called with the
    fraction done. Raises InputError for a name or folder that cannot be written.
    """
    import av

    check_name(path)
    path = Path(path)
    suffix = path.suffix.lower()
    codec, pixels, options = _KINDS[suffix]
    typical = float(np.median(np.diff(film.stamp_s))) if len(film) > 1 else 1.0
    rate = Fraction(1.0 / typical).limit_denominator(1000)
    tick = {".avi": 1 / rate, ".mkv": Fraction(1, 1000)}.get(suffix, Fraction(1, TICKS_PER_S))
    ticks = _on_grid(film.stamp_s, tick)
    with writing(path, overwrite=overwrite) as part, _kept_suffix(part, suffix) as target:
        with av.open(str(target), "w") as out:
            out.metadata["title"] = TITLE
            stream: Any = out.add_stream(codec, rate=rate, options=options)
            stream.width, stream.height = film.look.width, film.look.height
            stream.pix_fmt = pixels
            stream.time_base = stream.codec_context.time_base = tick
            for i, picture in enumerate(frames(film)):
                frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
                frame.pts, frame.time_base = int(ticks[i]), tick
                out.mux(stream.encode(frame))
                if progress is not None and i % 30 == 29:
                    progress((i + 1) / len(film))
            out.mux(stream.encode(None))
            kept: Fraction = stream.time_base
        os.replace(target, part)
    stamps = _on_grid(ticks * float(tick), kept) * float(kept)
    return replace(truth_of(film), stamp_s=stamps)


def write_truth(path: Path | str, truth: FilmTruth, *, overwrite: bool = True) -> None:
    """Write the truth beside a film: .npz holds all of it, .csv a row per frame.

    Raises InputError for another ending, or a file that is there already.
    """
    path = Path(path)
    check_truth_name(path)
    columns: dict[str, Any] = {
        f.name: value
        for f in fields(truth)
        if isinstance(value := getattr(truth, f.name), np.ndarray) and value.ndim == 1
    }
    if path.suffix.lower() == ".csv":
        write_table(path, columns, overwrite=overwrite)
        return
    single = ("clock_offset_s", "clock_drift", "exposure_s", "readout_s", "height", "mm_to_px")
    rest: dict[str, Any] = {name: getattr(truth, name) for name in single}
    rest |= {f"lens_{f.name}": getattr(truth.lens, f.name) for f in fields(truth.lens)}
    with writing(path, overwrite=overwrite) as part, open(part, "wb") as out:
        np.savez_compressed(out, **columns, **rest)


@contextlib.contextmanager
def _kept_suffix(part: Path, suffix: str) -> Iterator[Path]:
    """A name beside `part` whose ending tells the container; removed at failure."""
    target = part.with_name(part.name + suffix)
    try:
        yield target
    finally:
        target.unlink(missing_ok=True)


def _on_grid(stamp_s: Any, tick: Fraction) -> Any:
    """Whole ticks nearest to rising stamps, each at least one after the one before."""
    whole = np.round(np.asarray(stamp_s) / float(tick)).astype(np.int64)
    steps = np.arange(len(whole))
    return np.maximum.accumulate(whole - steps) + steps
