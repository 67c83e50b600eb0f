"""recheck.json, what one recheck found, and the reference file made of one: written and read."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.files import read_json
from hysteresis.model import bench_identity
from hysteresis.plain_content import PartFault, entries, number, numbers, within, word
from hysteresis.recheck.judge import Baseline
from hysteresis.recheck.results import WORDS, Judgement, OnPath, Shift, Verdict
from hysteresis.tables import Floats

SCHEMA, REFERENCE, SCHEMA_VERSION = "hysteresis recheck", "hysteresis recheck reference", 1
MOST, MOST_FIGURE = 1e6, 1e12
AGAIN = "recheck again: hysteresis recheck"


@dataclass(frozen=True)
class Circumstances:
    """When and of what a recheck was: `date` ISO 8601, names and hashes of model and pattern.

    `temperature_c` is None where it was not told; `source` 'camera' or 'typed'.
    """

    date: str
    record: str
    source: str
    temperature_c: float | None
    model_file: str
    model_sha256: str
    pattern_sha256: str
    simulated: bool


def record_content(about: Circumstances, judgement: Judgement, bench: Bench) -> dict[str, Any]:
    """The content of recheck.json."""
    told = asdict(judgement)
    told["shifts"] = [
        {**asdict(s), "unit": s.unit, "words": s.words} for s in judgement.shifts
    ]  # fmt: skip
    return {
        "schema": SCHEMA, "schema_version": SCHEMA_VERSION, "bench": bench_identity(bench),
        **asdict(about), "judgement": _finite(told),
    }  # fmt: skip


def reference_content(about: Circumstances, baseline: Baseline, bench: Bench) -> dict[str, Any]:
    """The content of a reference file."""
    return {
        "schema": REFERENCE, "schema_version": SCHEMA_VERSION, "bench": bench_identity(bench),
        **asdict(about),
        "directions": [f"{axis} {direction}" for axis, direction in baseline.names],
        "value": baseline.value.tolist(),
        "noise": baseline.noise.ravel().tolist(),
        "part_value": baseline.part_value.tolist(),
        "part_noise": baseline.part_noise.ravel().tolist(),
        "left_mm": baseline.left_mm, "held_mm": _finite(baseline.held_mm),
    }  # fmt: skip


def read_reference(
    path: Path, bench: Bench, model_sha256: str, pattern_sha256: str
) -> tuple[Baseline | None, str]:
    """The reference in a file, or None and why not, in words.

    None where there is no file yet, or it belongs to another model or pattern. Raises InputError
    for a damaged file or one of another bench.
    """
    if not path.exists():
        return None, ""
    mend = "take a new reference with --reference"
    data = _opened(path, REFERENCE, "a reference of rechecks", "reference", mend)
    try:
        for key, value in bench_identity(bench).items():
            if entries(data, "bench").get(key) != value:
                raise InputError(
                    f"the reference belongs to another bench: its {key} is not that of bench.toml",
                    file=path, mend=mend,
                )  # fmt: skip
        for key, mine in (("model", model_sha256), ("pattern", pattern_sha256)):
            if word(data, f"{key}_sha256") != mine:
                return None, f"the reference was taken with another {key} and is not used"
        return _baseline(data), ""
    except PartFault as fault:
        raise InputError(
            f"the reference's content is not as it should be: {fault}", file=path, mend=mend
        ) from fault


def _baseline(data: dict[str, Any]) -> Baseline:
    listed = data.get("directions")
    if not isinstance(listed, list) or not listed:
        raise PartFault("directions", "is not a list")
    names = []
    for entry in listed:
        axis, _, direction = str(entry).partition(" ")
        if axis not in ("x", "y") or direction not in WORDS:
            raise PartFault("directions", f"holds {entry!r}, which is no direction")
        names.append((axis, direction))
    k = len(names)

    def sized(key: str, size: int) -> Floats:
        found = numbers(data, key, most=MOST)
        with within(key):
            if found.size != size:
                raise ValueError(f"has {found.size} numbers, not {size}")
        return np.asarray(found)

    def covariance(key: str) -> Floats:
        found = sized(key, k * k).reshape(k, k)
        with within(key):
            if not np.all(np.linalg.eigvalsh((found + found.T) / 2.0) > -1e-9):
                raise ValueError("is no covariance")
        return found

    return Baseline(
        tuple(names), sized("value", k), covariance("noise"), sized("part_value", k),
        covariance("part_noise"), number(data, "left_mm", 0.0, MOST),
        f"the reference of {word(data, 'date')}", word(data, "record"), word(data, "date"),
        float("nan") if data.get("held_mm") is None else number(data, "held_mm", 0.0, MOST),
    )  # fmt: skip


def read_judgement(path: Path) -> Judgement:
    """The judgement in a recheck.json; InputError, naming the entry, for anything else."""
    data = _opened(path, SCHEMA, "the record of a recheck", "record", AGAIN)
    try:
        told = entries(data, "judgement")
        with within("judgement"):
            return _judgement(told)
    except PartFault as fault:
        raise InputError(
            f"the record's content is not as it should be: {fault}", file=path, mend=AGAIN
        ) from fault


def _judgement(told: dict[str, Any]) -> Judgement:
    verdict = word(told, "verdict")
    if verdict not in get_args(Verdict):
        raise PartFault("verdict", f"is {verdict!r}, not pass, watch or refit")
    on = entries(told, "on_path")
    with within("on_path"):
        on_path = OnPath(
            word(on, "path"),
            *(number(on, key, 0.0, MOST_FIGURE)
              for key in ("error_mm", "low_mm", "high_mm", "worst_mm", "tolerance_mm")),
        )  # fmt: skip
    reasons = told.get("reasons")
    if not isinstance(reasons, list) or not all(isinstance(r, str) for r in reasons):
        raise PartFault("reasons", "is not a list of sentences")
    shifts = told.get("shifts")
    if not isinstance(shifts, list):
        raise PartFault("shifts", "is not a list")
    figures = {
        key: _figure(told, key)
        for key in ("chi_square", "p_value", "return_mm", "residual_mm", "noise_mm")
    }
    return Judgement(
        verdict=cast(Verdict, verdict),
        degrees=int(number(told, "degrees", 0.0, 1e6)),
        shifts=tuple(_shift(entry, k) for k, entry in enumerate(shifts, 1)),
        on_path=on_path,
        against=word(told, "against"),
        reference=str(told.get("reference") or ""),
        reasons=tuple(reasons),
        **figures,
    )


def _figure(told: dict[str, Any], key: str) -> float:
    """A number, or NaN where it was not known (null)."""
    return float("nan") if told.get(key, 0.0) is None else number(told, key, 0.0, MOST_FIGURE)


def _shift(entry: Any, place: int) -> Shift:
    with within(f"shifts.{place}"):
        if not isinstance(entry, dict):
            raise ValueError("is no entry with a name and numbers")
        axis, direction = word(entry, "axis"), word(entry, "direction")
        if axis not in ("x", "y") or direction not in WORDS:
            raise ValueError(f"names {direction!r} of {axis!r}, which is no direction")
        value, error, by, by_error = (
            number(entry, key, -MOST_FIGURE, MOST_FIGURE)
            for key in ("value", "standard_error", "moved_by", "moved_by_error")
        )
        return Shift(axis, direction, value, error, entry.get("moved") is True, by, by_error)


def _opened(path: Path, schema: str, what: str, short: str, mend: str) -> dict[str, Any]:
    """The content of a file of this schema; InputError for anything else."""
    data = read_json(path, mend=mend)
    if not isinstance(data, dict) or data.get("schema") != schema:
        raise InputError(f"this is not {what}", file=path, mend=mend)
    if data.get("schema_version") != SCHEMA_VERSION:
        raise InputError(f"the {short} has another schema version", file=path,
                         value=data.get("schema_version"), mend=mend)  # fmt: skip
    return data


def _finite(content: Any) -> Any:
    """NaN as None: JSON knows no other."""
    if isinstance(content, dict):
        return {k: _finite(v) for k, v in content.items()}
    if isinstance(content, (list, tuple)):
        return [_finite(v) for v in content]
    if isinstance(content, float) and not np.isfinite(content):
        return None
    return content
