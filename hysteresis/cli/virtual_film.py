"""Words of `hysteresis virtual --video`: the simulated film and its truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.virtual_bench import Played
    from hysteresis.virtual_bench.film_look import FilmLook


@dataclass(frozen=True)
class FilmWanted:
    """Where the film goes, and where its truth goes if anywhere; how it is to look."""

    video: Path
    truth: Path | None
    look: FilmLook


def film_wanted(
    video: Path | None, truth: Path | None, look: str, size: str, bench: Bench, force: bool
) -> FilmWanted | None:
    """What was asked for, checked before anything is played; None without --video."""
    from dataclasses import replace

    from hysteresis.errors import InputError
    from hysteresis.run_folder import refuse_overwrite
    from hysteresis.virtual_bench.camera import camera_of
    from hysteresis.virtual_bench.film_file import check_name, check_truth_name
    from hysteresis.virtual_bench.film_look import FILM_LOOKS, check_look

    if video is None:
        if truth is not None:
            raise InputError("--truth belongs to --video", mend="add --video FILE.mp4")
        return None
    if look not in FILM_LOOKS:
        raise InputError(
            "no such look of a film", value=look, mend=f"choose {', '.join(FILM_LOOKS)}"
        )
    marks = camera_of(bench).fiducials
    check_name(video)
    if truth is not None:
        check_truth_name(truth)
    for target in (video, *([truth] if truth is not None else [])):
        refuse_overwrite(target, force)
        if not target.absolute().parent.is_dir():
            raise InputError(
                "the folder to write to does not exist", file=target, mend="make it first"
            )
    width, height = _size(size) or (1280, 720)
    furthest = (max(m.u_px for m in marks), max(m.v_px for m in marks))
    if furthest[0] > width - 1 or furthest[1] > height - 1:
        raise InputError(
            f"the picture is {width} × {height} px, and a fiducial of the bench lies outside it, "
            f"at {furthest[0]:g} right or {furthest[1]:g} down",
            mend="give the camera's size, as in --size 1920x1080",
        )
    chosen = FILM_LOOKS[look]
    lens = replace(
        chosen.lens,
        centre_u_px=(width - 1) / 2,
        centre_v_px=(height - 1) / 2,
        focal_px=chosen.lens.focal_px * width / 1280,
    )
    chosen = replace(chosen, width=width, height=height, lens=lens)
    check_look(chosen)
    return FilmWanted(video, truth, chosen)


def write_wanted(
    wanted: FilmWanted, played: Played, bench: Bench, seed: int, sequence: int, force: bool
) -> list[tuple[str, str]]:
    """Render and write the film; what is to be said of it."""
    import numpy as np

    from hysteresis.cli.console import progress, rising
    from hysteresis.virtual_bench.film import film_of
    from hysteresis.virtual_bench.film_file import write_film, write_truth

    film = film_of(played, bench, seed, wanted.look, sequence=sequence)
    with progress("Filming the simulated rig", total=1.0) as advance:
        truth = write_film(wanted.video, film, overwrite=force, progress=rising(advance))
    facts = [
        ("film frames", f"{len(truth)} of {wanted.look.width} × {wanted.look.height} px"),
        ("spot cut off at 255", f"{np.count_nonzero(truth.saturated)} frames"),
        ("standing reflection", f"{np.count_nonzero(truth.glint)} frames"),
    ]
    if wanted.look.readout_s:
        facts.append(("rolling shutter", f"{1000 * wanted.look.readout_s:g} ms, top to bottom"))
    if wanted.truth is not None:
        write_truth(wanted.truth, truth, overwrite=force)
        facts.append(("truth written", str(wanted.truth)))
    return [*facts, ("film written", str(wanted.video))]


def _size(words: str) -> tuple[int, int] | None:
    from hysteresis.errors import InputError

    if not words:
        return None
    width, _, height = words.lower().partition("x")
    if not (width.isdecimal() and height.isdecimal() and len(words) < 12):
        raise InputError("this is not a picture's size", value=words, mend="write it as 1280x720")
    return int(width), int(height)
