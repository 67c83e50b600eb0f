"""Where the pixels of a film or of its log lie on the target plane, asked before anything is read.

A film is checked against the registration before it is followed, so that minutes are not spent on
one that cannot be measured. Beside each log of a film a small file keeps the size of its picture:
a registration made from pictures of another size is scaled to it, then as later.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.measure.registration import Registration
    from hysteresis.run_folder import RunFolder
    from hysteresis.tables import CameraLog

SCHEMA, SCHEMA_VERSION = "hysteresis film", 1
SEEN = "seen.png"


def registration_for_film(
    folder: RunFolder, bench: Bench, film: Path
) -> tuple[Registration, tuple[int, int], bool]:
    """The registration for a film, its picture's size (width, height), and whether it is new.

    New is one found in the film itself: the run has neither registration.json nor fiducials, but
    the printed target lies in the picture. Where it cannot be made out, seen.png shows why.

    Raises `InputError` for what is no film, a bench without a camera, or no registration.
    """
    from hysteresis.cli.console import progress
    from hysteresis.errors import InputError
    from hysteresis.files import write_atomic
    from hysteresis.measure.film_frames import open_clip
    from hysteresis.measure.find_target import TargetFault
    from hysteresis.measure.registration_file import registration_of
    from hysteresis.measure.target_stills import median_frame
    from hysteresis.report.registration_figures import seen_png

    if bench.camera is None:
        raise InputError(
            "there is no [camera] section", file=folder.bench_toml,
            mend="add it with the camera's exposure_s and frame_rate_hz (hysteresis new shows one)",
        )  # fmt: skip
    clip = open_clip(film, frame_rate_hz=bench.camera.frame_rate_hz)
    size = clip.width, clip.height
    if folder.registration_json.exists() or bench.camera.fiducials:
        return registration_of(folder, bench, size_px=size), size, False
    with progress("Looking for the printed target in the film"):
        picture = median_frame(film)
        try:
            return registration_of(folder, bench, picture), size, True
        except InputError as error:
            if not isinstance(error.__cause__, TargetFault):
                raise
            seen = folder.path / SEEN
            fault = error.__cause__
            write_atomic(seen, seen_png(picture, fault.blobs, fault.numbered))
            raise InputError(
                error.what, file=film, mend=f"{error.mend}; {seen} shows what was seen"
            ) from fault


def keep_registration(folder: RunFolder, registration: Registration, film: Path) -> list[str]:
    """Write a registration found in a film as the run's own; the names of the files."""
    from hysteresis.files import sha256_of, write_atomic
    from hysteresis.measure.registration_file import write_registration
    from hysteresis.report.registration_figures import registration_png

    sources = {film.name: sha256_of(film)} if film.is_file() else {}
    picture = folder.path / "registration.png"
    write_atomic(picture, registration_png(registration))
    write_registration(folder.registration_json, registration, sources)
    return [folder.registration_json.name, picture.name]


def registration_for_log(
    folder: RunFolder, bench: Bench, path: Path, log: CameraLog
) -> Registration | None:
    """The registration for a log, scaled to its film's picture where that is known.

    None where the bench has no camera. Raises `InputError` as `registration_of` does, and for
    places outside the picture that the registration belongs to.
    """
    import numpy as np

    from hysteresis.errors import InputError
    from hysteresis.measure.registration_file import registration_of

    if bench.camera is None:
        return None
    size = _size_of_log(path)
    registration = registration_of(folder, bench, size_px=size)
    width, height = registration.width_px, registration.height_px
    u, v = log.u_px[log.weight > 0], log.v_px[log.weight > 0]
    if width and len(u) and (np.median(u) > width or np.median(v) > height):
        raise InputError(
            f"the registration belongs to pictures of {width} by {height} pixels, and most spots "
            "of the log lie outside",
            file=path,
            mend="register again from a picture of the film's size: hysteresis register RUN "
            "--target STILL --force",
        )
    return registration


def note_size(log: Path, film: Path, size: tuple[int, int]) -> None:
    """Write beside a film's log which film it is of and how large the picture was."""
    from hysteresis.files import sha256_of, write_json

    content = {
        "schema": SCHEMA, "schema_version": SCHEMA_VERSION, "film": film.name,
        "picture_px": list(size), "log": {"file": log.name, "sha256": sha256_of(log)},
    }  # fmt: skip
    write_json(log.with_suffix(".json"), content, overwrite=True)


def _size_of_log(log: Path) -> tuple[int, int] | None:
    """The size of the picture that a log's pixels belong to; None where nothing tells it."""
    from hysteresis.errors import InputError
    from hysteresis.files import read_json, sha256_of

    beside = log.with_suffix(".json")
    if not beside.exists():
        return None
    mend = "delete it if the registration was made from pictures of the film's size"
    data: Any = read_json(beside, mend=mend)
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        return None  # another file of this name, of somebody's own
    told, size = data.get("log"), data.get("picture_px")
    if (
        not (isinstance(size, list) and len(size) == 2 and isinstance(told, dict))
        or not all(type(n) is int and n > 0 for n in size)
    ):  # fmt: skip
        raise InputError("this does not say how large the film's picture was", file=beside,
                         mend=mend)  # fmt: skip
    if told.get("sha256") != sha256_of(log):
        return None  # the log is another one by now
    return size[0], size[1]
