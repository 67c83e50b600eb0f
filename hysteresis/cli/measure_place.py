"""Where the pixels of a film or of its log lie on the target plane, asked before anything is read.

A film is checked against the registration before it is followed, so that minutes are not spent on
one that cannot be measured. Beside each log of a film a small file keeps the size of its picture,
which `measure.run_files` reads.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.measure.registration import Registration
    from hysteresis.run_folder import RunFolder

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


def note_size(log: Path, film: Path, size: tuple[int, int]) -> None:
    """Write beside a film's log which film it is of and how large the picture was."""
    from hysteresis.files import sha256_of, write_json
    from hysteresis.measure.run_files import FILM_SCHEMA, FILM_SCHEMA_VERSION

    content = {
        "schema": FILM_SCHEMA, "schema_version": FILM_SCHEMA_VERSION, "film": film.name,
        "picture_px": list(size), "log": {"file": log.name, "sha256": sha256_of(log)},
    }  # fmt: skip
    write_json(log.with_suffix(".json"), content, overwrite=True)
