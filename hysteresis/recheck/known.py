"""A film or sheet that was rechecked before: judged again it would be judged by itself.

Two sittings never agree in every value: a camera's noise is a hundredth of a millimetre and more,
and twelve readings by ruler agree by chance less than once in a hundred times (they scatter by half
a graduation and more). So a recording with the values of an earlier record is that record.
"""

from __future__ import annotations

import numpy as np

from hysteresis.errors import HysteresisError, InputError
from hysteresis.files import read_json
from hysteresis.run_folder import RecheckFolder
from hysteresis.table_files import read_recording
from hysteresis.tables import Recording

SAME_MM = 2e-3  # records keep fewer decimals


def known_record(
    place: RecheckFolder, recording: Recording, model_sha256: str, *, reference: str = "",
    once_more: bool = False,
) -> str:  # fmt: skip
    """Name of the earlier record that has this recording; '' for a new one.

    `reference`: name of the reference's record. `once_more`: whether the earlier record is wanted,
    for an update by it or to make it the reference. Records that cannot be read are passed over.

    Raises InputError where it is not wanted, or is the reference itself.
    """
    for file in sorted(place.path.glob("*/recheck.json")):
        record = place.record(file.parent.name)
        try:
            told = read_json(record.recheck_json)
            mine = isinstance(told, dict) and told.get("model_sha256") == model_sha256
            if not mine and record.path.name != reference:
                continue
            before = read_recording(record.recording_csv)
        except HysteresisError:
            continue
        if not _agree(before, recording):
            continue
        name = record.path.name
        if name == reference:
            raise InputError(
                f"this recording is the reference, {name}, and would be judged by itself",
                file=record.recording_csv, mend="play the recheck again and take it anew",
            )  # fmt: skip
        if not once_more:
            raise InputError(
                f"this recording was rechecked before, as {name}, and is no new recheck",
                file=record.recording_csv,
                mend="play the recheck again and take it anew, or add --update to take over what "
                "it found",
            )
        return name
    return ""


def _agree(one: Recording, other: Recording) -> bool:
    """Whether all values are the same, and there are some."""
    if len(one) != len(other):
        return False
    a, b = (np.column_stack([r.x_mm, r.y_mm]) for r in (one, other))
    return bool(np.isfinite(a).any() and np.allclose(a, b, rtol=0.0, atol=SAME_MM, equal_nan=True))
