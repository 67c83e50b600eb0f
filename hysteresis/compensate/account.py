"""job.json: what an output was made from, what it promises, and the state it leaves the rig in."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.compensate.forecast_map import ForecastMap, error_budget, ten_worst
from hysteresis.compensate.scan import Scan
from hysteresis.errors import InputError
from hysteresis.files import read_json
from hysteresis.model import RigModel, RigState
from hysteresis.plain_content import PartFault, numbers, within

SCHEMA = "hysteresis job"
MEND = "name the job.json of the output played before"


def account(
    *, input_file: dict[str, str], model_file: dict[str, str], options: dict[str, Any],
    output: dict[str, Any], started_from: dict[str, Any] | None, scan: Scan,
    correction_file: dict[str, str] | None = None, told: ForecastMap | None = None,
) -> dict[str, Any]:  # fmt: skip
    """The content of job.json.

    `input_file`, `model_file`, `correction_file`: name and sha256. `options`: what was asked for.
    `output`: name and form of what was written. `started_from`: what was known of the rig's past;
    None: nothing. `told`: the forecast in detail.
    """
    forecast = scan.forecast
    return {
        "schema": SCHEMA,
        "input": input_file,
        "model": model_file,
        "correction": correction_file,
        "options": options,
        "output": output,
        "drive": None if output["kind"] == "positions" else output["file"],
        "started_from": started_from,
        "lead_in_s": scan.lead_in_s,
        "duration_s": scan.duration_s,
        "traced_s": scan.traced_s,
        "layers": scan.layers,
        "largest": scan.largest,
        "smoothing_mm": scan.smoothing_mm,
        "forecast": None if forecast is None else asdict(forecast),
        "ten_worst": None if told is None else [place.to_json() for place in ten_worst(told)],
        "error_budget": None if told is None else error_budget(told).to_json(),
        "looked_at": None if told is None else told.looked_at,
        "end_state": {"x": scan.end.x.tolist(), "y": scan.end.y.tolist()},
    }


def end_of_job(path: Path | str, model: RigModel, model_sha256: str) -> RigState:
    """The state that a job left the rig in, for the next one to start from.

    Raises InputError for a file that is no account of a job, or of one made with another model.
    """
    found = read_json(path, mend=MEND)
    if not isinstance(found, dict) or "end_state" not in found:
        raise InputError("this is not the account of a job", file=path, mend=MEND)
    made_with = found.get("model")
    if not isinstance(made_with, dict) or made_with.get("sha256") != model_sha256:
        raise InputError(
            "that job was made with another model, whose state means nothing to this one",
            file=path, mend="compensate it with this model, or give --pause-s alone",
        )  # fmt: skip
    rest = model.rest()
    try:
        with within("end_state"):
            x, y = (np.asarray(numbers(found["end_state"], name), dtype=float) for name in "xy")
    except (PartFault, TypeError) as fault:
        raise InputError(f"the account is not as it should be: {fault}", file=path,
                         mend=MEND) from fault  # fmt: skip
    if x.shape != rest.x.shape or y.shape != rest.y.shape:
        raise InputError("the state does not belong to this model", file=path, mend=MEND)
    return RigState(x, y)
