"""A folder of stills as a film: sorted as people count, times from the files or a frame rate."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.errors import InputError
from hysteresis.measure.film_frames import Clip, Light, Look, Picture, Raw

ENDINGS = {".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff", ".webp", ".pgm", ".ppm"}

# tags of the Exif standard (CIPA DC-008), from memory
_EXIF_IFD, _ORIENTATION = 0x8769, 0x0112
_TIME_TAKEN, _PART_OF_SECOND, _EXPOSURE = 0x9003, 0x9291, 0x829A
_QUARTERS = {3: 2, 6: 3, 8: 1}  # turns against the clock; cameras write no mirrored ones


@dataclass(frozen=True)
class StillReader:
    """Reads one picture file after another; `t_s` of each, turned as the first one says."""

    paths: tuple[Path, ...]
    t_s: tuple[float, ...]
    size: tuple[int, int]

    def read(self, start: int = 0) -> Iterator[Raw]:
        for number in range(start, len(self.paths)):
            yield Raw(number, self.t_s[number], _look(self.paths[number], self.size))


def open_stills(folder: Path, frame_rate_hz: float | None) -> Clip:
    """The pictures of a folder as a clip.

    Times come from EXIF where every file has one and they rise; otherwise from `frame_rate_hz`.
    Raises `InputError` for a folder without pictures, or pictures without times and no rate.
    """
    inside = sorted((p for p in folder.iterdir() if p.is_file()), key=lambda p: _counted(p.name))
    paths = tuple(p for p in inside if p.suffix.lower() in ENDINGS and not p.name.startswith("."))
    if not paths:
        raise InputError(
            "the folder holds no pictures", file=folder, mend="name a video or a folder of stills"
        )
    notes = [f"{len(paths)} stills from {paths[0].name} to {paths[-1].name}"]
    if len(inside) > len(paths):
        notes.append(f"{len(inside) - len(paths)} files of the folder are no pictures")
    taken = [_exif(path) for path in paths]
    first = next((facts for facts in taken if facts is not None), None)
    if first is None:
        raise InputError("not one picture of this folder can be read", file=folder)
    times = np.array([np.nan if facts is None else facts["t_s"] - first["t_s"] for facts in taken])
    times += [0.0 if facts is None else facts["part_s"] for facts in taken]
    if np.isfinite(times).all() and len(times) > 1 and np.all(np.diff(times) > 0):
        t_s = times - times[0]
        notes.append("times are those of the picture files")
    elif frame_rate_hz is not None:
        t_s = np.arange(len(paths)) / frame_rate_hz
        notes.append(
            f"the pictures do not tell when they were taken: {frame_rate_hz:g} frames/s of "
            "bench.toml are taken for true, and no frame is taken to be missing"
        )
    else:
        raise InputError(
            "the pictures do not tell when they were taken (to parts of a second)",
            file=folder,
            mend="give frame_rate_hz under [camera] in bench.toml",
        )
    exposures = np.array([np.nan if facts is None else facts["exposure_s"] for facts in taken])
    known = exposures[np.isfinite(exposures)]
    size = first["size"]
    return Clip(
        path=folder,
        width=size[0],
        height=size[1],
        count=len(paths),
        starts=np.arange(len(paths), dtype=np.int64),
        white=255,
        exposure_s=float(np.median(known)) if len(known) else float("nan"),
        light="auto",
        notes=tuple(notes),
        reader=StillReader(paths, tuple(t_s.tolist()), size),
    )


def _counted(name: str) -> list[tuple[int, int | str]]:
    """So that 'frame 9' comes before 'frame 10'."""
    return [(0, int(p)) if p.isdecimal() else (1, p.lower()) for p in re.split(r"(\d+)", name) if p]


def _exif(path: Path) -> dict[str, Any] | None:
    """Upright size, time of taking (whole s, part of s) and exposure (s) of one file.

    None if it is no picture.
    """
    from PIL import Image

    try:
        with Image.open(path) as image:
            exif = image.getexif()
            size = image.size
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    if exif.get(_ORIENTATION, 1) in (5, 6, 7, 8):
        size = (size[1], size[0])
    inner = exif.get_ifd(_EXIF_IFD)
    t_s = part_s = exposure_s = np.nan
    with contextlib.suppress(KeyError, TypeError, ValueError):
        moment = datetime.strptime(str(inner[_TIME_TAKEN]).strip("\0 "), "%Y:%m:%d %H:%M:%S")
        part = str(inner.get(_PART_OF_SECOND, "0")).strip("\0 ")
        t_s, part_s = (moment - datetime(2000, 1, 1)).total_seconds(), float(f"0.{part or 0}")
    with contextlib.suppress(KeyError, TypeError, ValueError, ZeroDivisionError):
        exposure_s = float(inner[_EXPOSURE])
    return {"size": size, "t_s": t_s, "part_s": part_s, "exposure_s": exposure_s}


def _look(path: Path, size: tuple[int, int]) -> Look | None:
    """The picture, or None where it is no picture or one of another size."""
    from PIL import Image

    try:
        with Image.open(path) as image:
            turn = _QUARTERS.get(image.getexif().get(_ORIENTATION, 1), 0)
            pixels = _eight_bits(image)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    pixels = np.rot90(pixels, turn)
    if (pixels.shape[1], pixels.shape[0]) != size:
        return None

    def look(light: Light) -> Picture:
        if pixels.ndim == 2:
            return np.ascontiguousarray(pixels)
        if light == "luma":  # weights of ITU-R BT.601, from memory
            mixed = pixels @ np.array([0.299, 0.587, 0.114])
            return np.rint(mixed).astype(np.uint8)
        return np.ascontiguousarray(pixels[..., ("red", "green", "blue").index(light)])

    return look


def _eight_bits(image: Any) -> Picture:
    """Grey (h, w) or colour (h, w, 3) in 8 bits; 16 bits lose their lower half."""
    if image.mode in ("I;16", "I;16B", "I;16L", "I"):
        return (np.asarray(image).astype(np.int64) >> 8).clip(0, 255).astype(np.uint8)
    if image.mode in ("L", "1"):
        return np.asarray(image.convert("L"))
    return np.asarray(image.convert("RGB"))
