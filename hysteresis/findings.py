"""Everything there is to report about a run, gathered from its files, with what is missing.

A run grows file by file; whatever part of it is there is evaluated, and each missing part is
named with the command that makes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.bench import Bench, read_bench
from hysteresis.characteristics import Pair, absent, figures_of
from hysteresis.errors import DataError, InputError
from hysteresis.files import check_readable, sha256_of
from hysteresis.findings_files import contact_sheet_of, job_of, played_of
from hysteresis.fit.diagnostics import diagnose
from hysteresis.loops import (
    Hysteresis,
    Line,
    Loop,
    loops,
    step_hysteresis,
    straight_line,
    sweep_hysteresis,
)
from hysteresis.measure.quality import Quality, read_quality
from hysteresis.metrics import (
    AXES,
    Recovery,
    ReturnToZero,
    conditioned_from_s,
    recoveries,
    returns_to_zero,
)
from hysteresis.model import FittedModel, read_model
from hysteresis.optics import nominal_optics, spot_from_deflection
from hysteresis.recording import average, observations, simulation_grid
from hysteresis.run_folder import RunFolder
from hysteresis.settled import (
    Repeatability,
    ReversalValue,
    repeatability,
    reversal_value,
    settled_readings,
)
from hysteresis.table_files import read_pattern, read_recording, read_timed_path
from hysteresis.tables import Bools, Floats, Pattern, Recording
from hysteresis.verify import Verification

SIMULATED = "Simulated on the virtual bench: no figure here was measured on a rig"


@dataclass(frozen=True)
class Source:
    """One input of the report: its name, its file's name, and the SHA-256 of its content."""

    what: str
    file: str
    sha256: str


@dataclass(frozen=True)
class Missing:
    """A part that could not be reported, and how to come by it; `key` as in `Source.what`."""

    key: str
    what: str
    mend: str


@dataclass(frozen=True)
class Measured:
    """Figures of the recording alone; empty tuples where the pattern has nothing of the kind."""

    rows: int
    used: int
    duration_s: float
    timed: bool
    set_aside: dict[str, int]
    returns: tuple[ReturnToZero, ...]
    recoveries: tuple[Recovery, ...]
    loops: tuple[Loop, ...]
    lines: dict[str, Line | None]
    hysteresis: tuple[Hysteresis, ...]
    reversal: tuple[ReversalValue, ...]
    repeatability: tuple[Repeatability, ...]


@dataclass(frozen=True)
class FitCheck:
    """Measured minus modelled spots of the rows after conditioning; arrays (n,), NaN: not measured.

    `rms_*_mm` against `noise_*_mm`, the median standard deviation of a row. `says`: which causes
    the residuals follow, a sentence each (`fit.diagnostics`).
    """

    t_s: Floats
    residual_x_mm: Floats
    residual_y_mm: Floats
    sigma_x_mm: Floats
    sigma_y_mm: Floats
    rms_x_mm: float
    rms_y_mm: float
    noise_x_mm: float
    noise_y_mm: float
    says: tuple[str, ...] = ()


@dataclass(frozen=True)
class Findings:
    """What the report tells. Parts that are None are explained in `missing`.

    `quality` is None where the recording was not judged (an older one, or not by `measure`);
    `difficult_frames_png` is the contact sheet of a film's difficult frames, empty without one.
    `folder` is the run's folder as it was named, `run` its own name. `pairs`: published figures
    from the data and from the fitted model, `absent`: key and reason of those that these data
    cannot tell; both empty unless asked for.
    """

    bench: Bench
    note: str
    command: str
    made_at: str
    software: str
    sources: tuple[Source, ...]
    missing: tuple[Missing, ...]
    warnings: tuple[str, ...]
    measured: Measured | None
    fitted: FittedModel | None
    fit_check: FitCheck | None
    played: Verification | None
    quality: Quality | None = None
    difficult_frames_png: bytes = b""
    folder: str = ""
    run: str = ""
    pairs: tuple[Pair, ...] = ()
    absent: tuple[tuple[str, str], ...] = ()


def gather(
    run: RunFolder,
    *,
    recording: Path | None = None,
    planned: Path | None = None,
    plain: Path | None = None,
    compensated: Path | None = None,
    note: str = "",
    command: str = "",
    seed: int = 1,
    characteristics: bool = False,
) -> Findings:
    """Read and evaluate whatever the run holds; a file named by the person must be there.

    `characteristics`: work out the published figures, too, which takes a few more seconds.
    Raises InputError for a faulty or named but missing file, or when there is nothing at all to
    report; DataError when files do not belong together.
    """
    from importlib.metadata import version

    bench = read_bench(run.bench_toml)
    files: dict[str, Path] = {"bench": run.bench_toml}
    for what, named, usual in (
        ("pattern", None, run.pattern_csv),
        ("recording", recording, run.recording_csv),
        ("model", None, run.model_json),
        ("job", None, run.job_json),
        ("quality", None, run.quality_json),
        ("difficult frames", None, run.difficult_frames_png),
        ("wanted path", planned, run.planned_csv),
        ("played without compensation", plain, run.plain_csv),
        ("played with compensation", compensated, run.compensated_csv),
    ):
        if named is not None:
            _check_named(what, named)
            files[what] = named
        elif usual.exists():
            files[what] = usual
    missing = _missing(run, files)
    played_at_all = "wanted path" in files and (
        "played without compensation" in files or "played with compensation" in files
    )
    if not played_at_all and not {"pattern", "recording"} <= files.keys():
        raise InputError(
            f"there is nothing to report yet: {missing[0].what}",
            file=run.path, mend=missing[0].mend,
        )  # fmt: skip
    fitted = read_model(files["model"], bench) if "model" in files else None
    measured = fit_check = None
    pairs: tuple[Pair, ...] = ()
    untold: tuple[tuple[str, str], ...] = ()
    if "pattern" in files and "recording" in files:
        pattern = read_pattern(files["pattern"])
        rows = read_recording(files["recording"])
        measured = _measured(pattern, rows, bench, fitted)
        if fitted is not None:
            fit_check = check_fit(pattern, rows, fitted)
        if characteristics:
            pairs = figures_of(pattern, rows, bench, fitted)
            untold = absent(pattern, rows, bench, fitted, pairs=pairs)
    job = job_of(files.get("job"))
    quality = read_quality(files["quality"]) if "quality" in files else None
    played = played_of(files, job, bench, seed) if played_at_all else None
    sources = tuple(Source(what, path.name, sha256_of(path)) for what, path in files.items())
    return Findings(
        bench=bench,
        note=note or (SIMULATED if run.simulated_txt.exists() else ""),
        command=command,
        made_at=datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        software=f"hysteresis {version('hysteresis')}, numpy {np.__version__}",
        sources=sources,
        missing=missing,
        warnings=_warnings(run, sources, fitted, job, quality),
        measured=measured,
        fitted=fitted,
        fit_check=fit_check,
        played=played,
        quality=quality,
        difficult_frames_png=contact_sheet_of(files.get("difficult frames")),
        folder=str(run.path),
        run=run.path.resolve().name,
        pairs=pairs,
        absent=untold,
    )


def _check_named(what: str, path: Path) -> None:
    """Refuse a faulty file that the person named, even where nothing can be made of it yet."""
    check_readable(path)
    if what == "recording":
        read_recording(path)
    elif len(read_timed_path(path)) < 2:
        raise InputError("a path has two rows or more", file=path, mend="write it again")


def _missing(run: RunFolder, files: dict[str, Path]) -> tuple[Missing, ...]:
    steps = (
        ("pattern", "there is no pattern", f"hysteresis plan {run.path}"),
        (
            "recording",
            "nothing was measured",
            f"play the pattern, then: hysteresis measure {run.path} --camera FILE "
            "(or --typed FILE)",
        ),
        ("model", "no model was fitted", f"hysteresis fit {run.path}"),
        ("wanted path", "no path was compensated", f"hysteresis compensate {run.path} PATH"),
        (
            "played without compensation",
            "the path was not played without compensation",
            f"play {run.drive_plain_wav.name} and write the spots (t_s,x_mm,y_mm,beam; 0 s at "
            f"the start of the drive) to {run.plain_csv.name}",
        ),
        (
            "played with compensation",
            "the path was not played with compensation",
            f"play {run.drive_wav.name} and write the spots to {run.compensated_csv.name}",
        ),
    )
    return tuple(Missing(*step) for step in steps if step[0] not in files)


# ---- the recording and the fit ------------------------------------------------------------------


def _measured(
    pattern: Pattern, recording: Recording, bench: Bench, fitted: FittedModel | None
) -> Measured:
    seen = observations(pattern, recording)
    optics = nominal_optics(bench.optics) if fitted is None else fitted.model.optics
    full_scale = (bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)
    found = loops(pattern, seen, optics, full_scale)
    steps = settled_readings(pattern, seen, optics, ("staircase",))
    hysteresis: list[Hysteresis | None] = []
    reversal = []
    for k, axis in enumerate(AXES):
        hysteresis.append(step_hysteresis(steps, axis, full_scale[k]))
        sweeps = [loop for loop in found if loop.axis == axis and loop.kind == "sweep"]
        # an axis that moves alone is not blamed for what the other one does
        alone = [loop for loop in sweeps if loop.alone] or sweeps
        hysteresis += [sweep_hysteresis(loop) for loop in alone]
        reversal.append(reversal_value(steps, axis, full_scale[k]))
    reasons: dict[str, int] = {}
    for reason in recording.reason[~recording.used]:
        kind = str(reason).split(":")[0]
        reasons[kind] = reasons.get(kind, 0) + 1
    return Measured(
        rows=len(recording),
        used=len(seen),
        duration_s=float(pattern.t_s[-1]),
        timed=seen.timed,
        set_aside=dict(sorted(reasons.items(), key=lambda item: -item[1])),
        returns=returns_to_zero(pattern, seen, full_scale),
        recoveries=recoveries(pattern, seen),
        loops=found,
        lines={axis: straight_line(found, axis) for axis in AXES},
        hysteresis=tuple(h for h in hysteresis if h is not None),
        reversal=tuple(r for r in reversal if r is not None),
        repeatability=repeatability(pattern, seen),
    )


def check_fit(pattern: Pattern, recording: Recording, fitted: FittedModel) -> FitCheck:
    """Simulate the pattern with the model from its start state and compare every used row.

    Each row is compared with the model's deflection averaged over its exposure, at the time
    corrected by the clock that the fit found. Rows before the first conditioning has ended are
    left out: the friction memory of that time is of an unknown past.
    """
    seen = observations(pattern, recording)
    seen = seen.take(seen.start_s >= conditioned_from_s(pattern))
    if not len(seen):
        raise DataError("no usable row was measured after the conditioning at the start")
    model = fitted.model
    dynamic = model.axis_x.dynamics.inertia_s2 > 0 or model.axis_y.dynamics.inertia_s2 > 0
    coarse: dict[str, Any] = {"fine_step_s": 0.01, "settle_s": 0.0, "growth": 0.2}
    grid = simulation_grid(
        pattern.t_s, pattern.drive_x, pattern.drive_y, **({} if dynamic else coarse)
    )
    theta_x, _ = model.axis_x.deflection(grid.drive_x, grid.step_s, fitted.start.x)
    theta_y, _ = model.axis_y.deflection(grid.drive_y, grid.step_s, fitted.start.y)
    clock = {p.name: p.value for p in fitted.parameters}
    middle_s = 0.5 * (grid.t_s[0] + grid.t_s[-1])
    start_s = seen.start_s + clock.get("clock_offset_s", 0.0)
    start_s = start_s + clock.get("clock_drift", 0.0) * (seen.start_s - middle_s)
    mean = average(grid, np.column_stack([theta_x, theta_y]), start_s, seen.exposure_s)
    x, y = spot_from_deflection(mean[:, 0], mean[:, 1], model.optics)
    residual_x, residual_y = seen.x_mm - x, seen.y_mm - y
    return FitCheck(
        t_s=seen.start_s,
        residual_x_mm=residual_x,
        residual_y_mm=residual_y,
        sigma_x_mm=seen.sigma_x_mm,
        sigma_y_mm=seen.sigma_y_mm,
        says=tuple(f.text for f in diagnose(seen, residual_x, residual_y, grid)),
        rms_x_mm=_rms(residual_x),
        rms_y_mm=_rms(residual_y),
        noise_x_mm=_median(seen.sigma_x_mm, np.isfinite(seen.x_mm)),
        noise_y_mm=_median(seen.sigma_y_mm, np.isfinite(seen.y_mm)),
    )


def _rms(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(good**2))) if good.size else float("nan")


def _median(values: Floats, rows: Bools) -> float:
    return float(np.median(values[rows])) if rows.any() else float("nan")


def _warnings(
    run: RunFolder,
    sources: tuple[Source, ...],
    fitted: FittedModel | None,
    job: dict[str, Any] | None,
    quality: Quality | None,
) -> tuple[str, ...]:
    """Inputs that have changed since the model or the job was made from them."""
    now = {source.what: source.sha256 for source in sources}
    out = []
    inputs = {} if fitted is None else fitted.provenance.get("inputs", {})
    for what in ("pattern", "recording"):
        entry = inputs.get(what) if isinstance(inputs, dict) else None
        then = entry.get("sha256") if isinstance(entry, dict) else None
        if then is not None and what in now and then != now[what]:
            out.append(f"the model was fitted to another {what} than the one in this run")
    judged = "" if quality is None else quality.recording_sha256
    if judged and "recording" in now and judged != now["recording"]:
        out.append("the quality of the measurement was judged on another recording")
    model = None if job is None else job.get("model")
    then = model.get("sha256") if isinstance(model, dict) else None
    if then is not None and "model" in now and then not in (now["model"], _other(run, model)):
        out.append("the job was compensated with another model than the one in this run")
    return tuple(out)


def _other(run: RunFolder, model: Any) -> str | None:
    """The hash now of the further model of the run (as `learn` writes) that a job names."""
    name = model.get("file")
    file = run.path / name if isinstance(name, str) and name == Path(name).name else None
    return sha256_of(file) if file is not None and file.is_file() else None
