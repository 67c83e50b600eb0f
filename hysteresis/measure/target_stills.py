"""Pictures of the target: still files, and films of which the median frame is taken."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from hysteresis.errors import InputError
from hysteresis.files import check_readable
from hysteresis.measure.film_frames import open_clip
from hysteresis.measure.stills import ENDINGS
from hysteresis.measure.target_blobs import Picture, opencv

_FRAMES = 15
_MOST_PIXELS = 120e6


def still_paths(names: list[Path]) -> list[Path]:
    """The files named; of a folder its stills in the order of their names; `InputError` if none."""
    out: list[Path] = []
    for name in names:
        if not name.is_dir():
            out.append(name)
            continue
        inside = sorted(p for p in name.iterdir() if p.suffix.lower() in ENDINGS)
        if not inside:
            raise InputError("the folder holds no pictures", file=name, mend="name the stills")
        out += inside
    return out


def read_still(path: Path) -> Picture:
    """A picture (h, w) in grey: of a still file as it is shown upright, of a film its median.

    Raises `InputError` for what is neither.
    """
    check_readable(path)
    if path.suffix.lower() not in ENDINGS:
        return median_frame(path)
    cv2 = opencv()
    data = np.fromfile(path, dtype=np.uint8)
    try:
        # the default turns a photograph as its EXIF entry says, as film_frames does with films
        picture = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_ANYDEPTH)
    except cv2.error as error:
        raise InputError(
            "this picture cannot be read", file=path, mend="save it anew as PNG or JPEG"
        ) from error
    if picture is None:
        raise InputError("this is no picture", file=path, mend="name a PNG or JPEG file")
    if picture.size > _MOST_PIXELS:
        raise InputError(
            f"the picture is too large: {picture.shape[1]} by {picture.shape[0]} pixels",
            file=path, mend="take it with the setting of the film",
        )  # fmt: skip
    return np.asarray(picture)


def median_frame(path: Path) -> Picture:
    """Median in time of some frames of a film: a moving spot or hand vanishes from it."""
    clip = open_clip(path)
    numbers = np.unique(np.linspace(0, clip.count - 1, _FRAMES).astype(int)).tolist()
    frames = [raw.look("luma") for raw in clip.some(numbers) if raw.look is not None]
    if not frames:
        raise InputError("no frame of this film can be decoded", file=path,
                         mend="save it again with another codec, such as H.264")  # fmt: skip
    return np.asarray(np.median(np.stack(frames), axis=0))
