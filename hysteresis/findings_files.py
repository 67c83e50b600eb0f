"""Files of a run that the report alone reads: the job's account, what was played, the frames."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hysteresis.bench import Bench
from hysteresis.errors import DataError, InputError
from hysteresis.files import check_readable, read_json
from hysteresis.table_files import read_timed_path
from hysteresis.tables import SpotPath
from hysteresis.verify import Forecast, Verification, verify_played

MOST_PICTURE = 16 << 20  # bytes: the report holds it inside


def contact_sheet_of(path: Path | None) -> bytes:
    """The picture of the difficult frames; InputError for a file that is no PNG or far too big.

    It is opened here, so that no renderer stumbles over a damaged one.
    """
    if path is None:
        return b""
    check_readable(path)
    content = path.read_bytes()
    if not content.startswith(b"\x89PNG\r\n\x1a\n") or len(content) > MOST_PICTURE:
        raise InputError(
            f"this is not a PNG picture of at most {MOST_PICTURE >> 20} MB", file=path,
            mend="remove it, or measure the film again",
        )  # fmt: skip
    from io import BytesIO

    from PIL import Image

    try:
        with Image.open(BytesIO(content)) as image:
            image.load()
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise InputError(f"this picture cannot be read: {str(error).rstrip('.')}", file=path,
                         mend="remove it, or measure the film again") from error  # fmt: skip
    return content


def job_of(path: Path | None) -> dict[str, Any] | None:
    """The account of a compensated job, its forecast checked; InputError for another file."""
    if path is None:
        return None
    job = read_json(path)
    if not isinstance(job, dict):
        raise InputError("this is not the account of a compensated job", file=path,
                         mend="make it with: hysteresis compensate")  # fmt: skip
    forecast = job.get("forecast")
    if forecast is not None:
        for key in ("before_rms_mm", "after_rms_mm", "after_low_mm", "after_high_mm"):
            value = forecast.get(key) if isinstance(forecast, dict) else None
            if isinstance(value, bool) or not isinstance(value, (int, float)):
                raise InputError(
                    "the forecast has no such number", file=path, column=f"forecast.{key}",
                    value=value, mend="make the job again with: hysteresis compensate",
                )  # fmt: skip
    return job


def played_of(
    files: dict[str, Path], job: dict[str, Any] | None, bench: Bench, seed: int
) -> Verification:
    """What was played against what was wanted; DataError where these do not belong together."""
    paths: dict[str, SpotPath | None] = {}
    for what in ("wanted path", "played without compensation", "played with compensation"):
        paths[what] = read_timed_path(files[what]) if what in files else None
        path = paths[what]
        if path is not None and len(path) < 2:
            raise InputError("a path has two rows or more", file=files[what], mend="write it again")
    wanted = paths["wanted path"]
    assert wanted is not None
    foretold = None if job is None else job.get("forecast")
    forecast = None
    if foretold is not None:
        keys = ("before_rms_mm", "after_rms_mm", "after_low_mm", "after_high_mm")
        forecast = Forecast(*(float(foretold[key]) for key in keys))
    try:
        return verify_played(
            wanted,
            paths["played without compensation"],
            paths["played with compensation"],
            forecast,
            tolerance_mm=bench.tolerance.target_mm,
            seed=seed,
        )
    except DataError as error:
        raise DataError(f"{files['wanted path'].name} and what was played: {error}") from error
