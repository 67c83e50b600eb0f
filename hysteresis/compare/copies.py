"""Recordings that are copies of one measurement: no replicates, whatever the folder says.

Two measurements of one rig never agree in every value: the noise of a camera is a hundredth of a
millimetre and more. So files with equal content, or with equal values in another spelling (other
decimals, other line ends, other blanks, a shifted clock), are one measurement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from hysteresis.errors import HysteresisError
from hysteresis.files import sha256_of
from hysteresis.run_folder import RunFolder
from hysteresis.table_files import read_camera_log
from hysteresis.tables import Floats, Recording

SAME_MM, SAME_PX = 2e-3, 2e-3
"""Values that agree so well in every row are one measurement written twice."""
FEWEST = 8  # rows; fewer may agree by chance where a person reads half millimetres


@dataclass(frozen=True)
class Marks:
    """By what a measurement is known again: hashes of its files, and its values."""

    recording_sha256: str
    camera_sha256: str
    typed_sha256: str
    spots_mm: Floats = field(repr=False)
    spots_px: Floats = field(repr=False)

    def same_as(self, other: Marks) -> str:
        """How they are the same, in words; '' where they are not."""
        for name, what in (
            ("recording_sha256", "the same recording.csv"),
            ("camera_sha256", "the same camera log"),
            ("typed_sha256", "the same typed readings"),
        ):
            if getattr(self, name) and getattr(self, name) == getattr(other, name):
                return what
        if _agree(self.spots_mm, other.spots_mm, SAME_MM):
            return "the same measured values, written otherwise"
        if _agree(self.spots_px, other.spots_px, SAME_PX):
            return "the same places in the camera log, written otherwise"
        return ""


def marks_of(folder: RunFolder, recording: Recording) -> Marks:
    """The marks of one run; a camera log that cannot be read is known by its hash alone."""
    recorded, filmed, typed = (
        sha256_of(file) if file.exists() else ""
        for file in (folder.recording_csv, folder.camera_log_csv, folder.typed_csv)
    )
    pixels = np.empty((0, 2))
    if filmed:
        try:
            log = read_camera_log(folder.camera_log_csv)
            pixels = np.column_stack([log.u_px, log.v_px])
        except HysteresisError:
            pass
    spots = np.column_stack([recording.x_mm, recording.y_mm])
    return Marks(recorded, filmed, "" if filmed else typed, spots, pixels)


def _agree(a: Floats, b: Floats, most: float) -> bool:
    """Whether two tables (n, 2) agree row by row, with the same cells empty."""
    if a.shape != b.shape or len(a) < FEWEST or not np.array_equal(np.isnan(a), np.isnan(b)):
        return False
    if not np.isfinite(a).any():
        return False
    return bool(np.nanmax(np.abs(a - b)) <= most)


def copies_of(marks: Sequence[Marks]) -> list[list[int]]:
    """Groups of numbers of runs (two or more each) that are one measurement."""
    group = list(range(len(marks)))
    for k, mine in enumerate(marks):
        for j in range(k):
            if group[k] != group[j] and mine.same_as(marks[j]):
                old, new = max(group[k], group[j]), min(group[k], group[j])
                group = [new if g == old else g for g in group]
    return [
        members
        for g in dict.fromkeys(group)
        if len(members := [k for k, own in enumerate(group) if own == g]) > 1
    ]
