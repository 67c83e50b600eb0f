"""The column contracts: what each table of a run holds, as small frozen records of arrays.

Reading and writing them is the job of `files`; these records only state columns, units and
meaning, and check that the columns of one table belong together.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Texts = npt.NDArray[Any]  # object array of str

PATTERN_COLUMNS = ("t_s", "drive_x", "drive_y", "beam", "segment")
TYPED_COLUMNS = ("reading", "t_s", "drive_x", "drive_y", "x_mm", "y_mm", "note")
REPEAT_COLUMNS = ("repeats_x", "repeats_y", "scatter_x_mm", "scatter_y_mm")  # all optional
CAMERA_LOG_COLUMNS = ("frame", "t_s", "u_px", "v_px", "weight")  # weight is optional
SEEN_COLUMNS = (
    "sigma_u_px", "sigma_v_px", "flux", "spread_uu_px2", "spread_uv_px2", "spread_vv_px2", "note",
)  # fmt: skip
RECORDING_COLUMNS = (
    "t_s", "exposure_s", "x_mm", "y_mm", "sigma_x_mm", "sigma_y_mm", "used", "reason", "segment",
)  # fmt: skip
TIMED_PATH_COLUMNS = ("t_s", "x_mm", "y_mm", "beam")
POLYLINE_COLUMNS = ("x_mm", "y_mm", "beam", "feed_mm_s")
DRIVE_COLUMNS = ("t_s", "drive_x", "drive_y", "beam")


_UNKNOWN: Any = None  # stands for a column that was not given


class _Columns:
    """Equal length of every column, checked once when the record is made."""

    def __post_init__(self) -> None:
        lengths = {f.name: len(getattr(self, f.name)) for f in fields(self)}  # type: ignore[arg-type]
        if len(set(lengths.values())) > 1:
            raise ValueError(f"columns of unequal length: {lengths}")

    def __len__(self) -> int:
        return len(getattr(self, fields(self)[0].name))  # type: ignore[arg-type]


@dataclass(frozen=True)
class Pattern(_Columns):
    """Vertices of a piecewise-linear drive.

    `t_s` rises strictly from 0. `drive_x`, `drive_y` are fractions of full scale, -1 to +1.
    `beam` (True: on) and `segment` of row i hold from vertex i to vertex i + 1.
    A segment is named `kind/number` or `kind/number/part`, for example `ladder/012/hold`; the
    first two words are the *group* by which data are held out.
    """

    t_s: Floats
    drive_x: Floats
    drive_y: Floats
    beam: Bools
    segment: Texts


@dataclass(frozen=True)
class TypedSheet(_Columns):
    """Readings written down by a person. NaN in `t_s`, `x_mm` or `y_mm` means: left empty.

    A place may be the mean of `repeats_x`, `repeats_y` readings (1 where there is a place and
    nothing else is said) whose standard deviation is `scatter_x_mm`, `scatter_y_mm` (NaN: one
    reading; JCGM 100:2008, 4.2.2: of a single one, not of their mean).
    """

    reading: Ints
    t_s: Floats
    drive_x: Floats
    drive_y: Floats
    x_mm: Floats
    y_mm: Floats
    note: Texts
    repeats_x: Floats = _UNKNOWN
    repeats_y: Floats = _UNKNOWN
    scatter_x_mm: Floats = _UNKNOWN
    scatter_y_mm: Floats = _UNKNOWN

    def __post_init__(self) -> None:
        for axis in ("x", "y"):
            if getattr(self, f"repeats_{axis}") is _UNKNOWN:
                place = np.asarray(getattr(self, f"{axis}_mm"), dtype=float)
                object.__setattr__(self, f"repeats_{axis}", (~np.isnan(place)).astype(float))
            if getattr(self, f"scatter_{axis}_mm") is _UNKNOWN:
                blank = np.full(len(self.reading), np.nan)
                object.__setattr__(self, f"scatter_{axis}_mm", blank)
        super().__post_init__()


@dataclass(frozen=True)
class CameraLog(_Columns):
    """Spot centres in pixels by frame; `t_s` is the camera's own clock at the start of exposure.

    `weight` is 1 where the file has none; 0 means: the tracker itself did not trust this frame,
    and its place may be NaN. What a tracker of ours adds is NaN (`note`: '') where it is not
    known: standard deviations of the centre (of one frame: light noise and background, nothing
    slow), `flux` (sum of the spot's light above the background, grey levels), second moments of
    its light about the centre (px²; a moving spot is drawn out along its way), and in `note` why
    a frame is difficult or not to be used.
    """

    frame: Ints
    t_s: Floats
    u_px: Floats
    v_px: Floats
    weight: Floats
    sigma_u_px: Floats = _UNKNOWN
    sigma_v_px: Floats = _UNKNOWN
    flux: Floats = _UNKNOWN
    spread_uu_px2: Floats = _UNKNOWN
    spread_uv_px2: Floats = _UNKNOWN
    spread_vv_px2: Floats = _UNKNOWN
    note: Texts = _UNKNOWN

    def __post_init__(self) -> None:
        for name in SEEN_COLUMNS:
            if getattr(self, name) is _UNKNOWN:
                blank = "" if name == "note" else np.nan
                column = np.full(len(self.frame), blank, dtype=object if name == "note" else float)
                object.__setattr__(self, name, column)
        super().__post_init__()


@dataclass(frozen=True)
class Recording(_Columns):
    """Measured spots aligned to the pattern's clock: the one table that all fitting reads.

    `t_s` is the start of the exposure on the drive clock (NaN for a typed reading without a
    time: its `segment` then places it), `exposure_s` its length (0: instantaneous), positions
    and standard deviations in mm on the target plane. Either position may be NaN (not
    measured). Rows with `used` False are kept and carry a `reason`; other rows carry ''.
    """

    t_s: Floats
    exposure_s: Floats
    x_mm: Floats
    y_mm: Floats
    sigma_x_mm: Floats
    sigma_y_mm: Floats
    used: Bools
    reason: Texts
    segment: Texts


@dataclass(frozen=True)
class SpotPath(_Columns):
    """Spot against time, piecewise linear: wanted, or played. Beam of row i holds to row i + 1."""

    t_s: Floats
    x_mm: Floats
    y_mm: Floats
    beam: Bools


@dataclass(frozen=True)
class Polyline(_Columns):
    """A toolpath without a clock: go to (x, y) with this beam at this feed.

    `beam` of row i is that of the move *ending* at row i, as is `feed_mm_s`; `dwell_s` is the
    wait after arriving (0 where there is none).
    """

    x_mm: Floats
    y_mm: Floats
    beam: Bools
    feed_mm_s: Floats
    dwell_s: Floats


@dataclass(frozen=True)
class DriveSignal(_Columns):
    """Drive against time, piecewise linear; fractions of full scale."""

    t_s: Floats
    drive_x: Floats
    drive_y: Floats
    beam: Bools


def group_of(segment: str) -> str:
    """The first two words of a segment's name: the unit by which data are held out."""
    return "/".join(segment.split("/")[:2])
