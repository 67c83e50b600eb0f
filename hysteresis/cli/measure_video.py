"""`hysteresis measure --video`: a film of the spot becomes a camera log, and says what it is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hysteresis.measure.follow import FilmFacts, Followed
    from hysteresis.run_folder import RunFolder
    from hysteresis.tables import CameraLog

JOB_LOG = "job_log.csv"
SEEN = "seen.png"

_DECIMALS = {
    "t_s": 6, "u_px": 4, "v_px": 4, "weight": 0, "sigma_u_px": 5, "sigma_v_px": 5, "flux": 1,
    "spread_uu_px2": 3, "spread_uv_px2": 3, "spread_vv_px2": 3,
}  # fmt: skip


def log_from_video(
    folder: RunFolder, film: Path, force: bool, *, light: str = "auto", of_job: bool = False
) -> tuple[CameraLog, Path]:
    """Follow the spot through a film; return its log and the file of the run it was written to.

    Writes camera_log.csv (job_log.csv for the film of a job) and difficult_frames.png, so that
    the film need not be decoded again. Raises `InputError` where there is a log already and not
    `force`, and as `open_clip` and `follow_film` do; a picture of what was seen is left as
    seen.png where no spot was.
    """
    from typing import cast

    from hysteresis.bench import read_bench
    from hysteresis.cli.console import progress, rising
    from hysteresis.errors import DataError
    from hysteresis.files import write_atomic
    from hysteresis.measure.film_frames import Light, open_clip
    from hysteresis.measure.follow import NoSpotError, follow_film
    from hysteresis.report.contact_sheet import contact_sheet, grey_png
    from hysteresis.run_folder import refuse_overwrite
    from hysteresis.table_files import write_camera_log

    target = folder.path / JOB_LOG if of_job else folder.camera_log_csv
    refuse_overwrite(target, force)
    bench = read_bench(folder.bench_toml)
    rate = bench.camera.frame_rate_hz if bench.camera else None
    clip = open_clip(film, light=cast(Light, light), frame_rate_hz=rate)
    try:
        with progress(f"Following the spot through {clip.count} frames", total=1.0) as advance:
            followed = follow_film(clip, progress=rising(advance))
    except NoSpotError as error:
        write_atomic(folder.path / SEEN, grey_png(error.seen))
        raise DataError(
            f"{str(error).rstrip('.')}; {folder.path / SEEN} shows the brightest of what was seen."
        ) from None
    # the picture first: when the log is there, all is
    write_atomic(folder.difficult_frames_png, contact_sheet(followed.difficult))
    write_camera_log(target, followed.log, decimals=_DECIMALS, overwrite=force)
    _say(followed, film, target, folder)
    return followed.log, target


def _say(followed: Followed, film: Path, target: Path, folder: RunFolder) -> None:
    from hysteresis.cli.console import say, table

    table(f"Seen in {film}", ("what", "value"), facts_table(followed.facts))
    print()
    for note in followed.facts.notes:
        say(f"Note: {note}.")
    print(f"Wrote {target} and {folder.difficult_frames_png}.")


def facts_table(facts: FilmFacts) -> list[tuple[str, object]]:
    """What a film is like, in rows of a table."""
    rate = f"{facts.frame_rate_hz:.4g} frames/s" + (", varying" if facts.variable else "")
    rows: list[tuple[str, object]] = [
        ("frames", facts.frames),
        ("duration", f"{facts.duration_s:.1f} s"),
        ("frame rate", rate),
        ("light", f"{facts.light} ({facts.light_why})"),
        ("spot, full width at half maximum", f"{facts.fwhm_px:.1f} px"),
        ("with a place to use", f"{100 * facts.share_usable:.1f} %"),
        ("standard deviation of a place, median", f"{facts.sigma_px:.2g} px"),
        ("no spot", f"{100 * facts.share_lost:.1f} %"),
        ("saturated", f"{100 * facts.share_saturated:.1f} %"),
        ("noise of a dark pixel", f"{facts.noise_even**0.5:.2g} grey levels"),
    ]
    if facts.exposure_s == facts.exposure_s:
        rows.append(("exposure, by the files", f"{1e3 * facts.exposure_s:.3g} ms"))
    return rows
