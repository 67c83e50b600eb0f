"""The work on one run: a pure function of file contents, the same in any process on any machine.

It writes the contents into a folder of its own, calls what `measure`, `fit` and `compare` call,
and gives back the contents of the new files.
"""

from __future__ import annotations

from dataclasses import asdict, fields, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import TYPE_CHECKING, Any

from hysteresis.bench import read_bench
from hysteresis.characteristics.figure import Characteristic, Condition, Pair
from hysteresis.errors import HysteresisError
from hysteresis.fleet.task import Outcome, Task, failed
from hysteresis.run_folder import RunFolder

if TYPE_CHECKING:
    from hysteresis.compensate.job import PathOptions

NAME = "RUN"
"""What a run is called in what is said of it."""
MADE = ("pattern.csv", "recording.csv", "quality.json", "model.json")
"""New files that a run may get, in the order in which they are written."""


def work(task: Task) -> Outcome:
    """Do a task. A fault of its input, or of ours, is an outcome, never an exception."""
    import scipy.linalg  # noqa: F401  its BLAS is to be there when threads are limited
    from threadpoolctl import threadpool_limits

    begin = perf_counter()

    def since() -> float:
        return perf_counter() - begin

    try:
        with threadpool_limits(limits=1), TemporaryDirectory(prefix="fleet-") as place:
            try:
                folder = _unpacked(task, Path(place))
                files, plain = (_fit if task.kind == "fit" else _forecast)(folder, task)
            except HysteresisError as error:
                return failed(_without(place, str(error)), lasting=True, seconds=since())
        return Outcome(True, files, plain, since())
    except MemoryError:
        return failed("memory ran out", seconds=since())
    except OSError as error:
        return failed(f"the worker's disk: {error.strerror or error}".lower(), seconds=since())
    except Exception as error:  # one run must not stop the others, whatever it is
        return failed(f"unexpected: {type(error).__name__}: {error}", seconds=since())


def _unpacked(task: Task, place: Path) -> RunFolder:
    folder = place / NAME
    folder.mkdir()
    for name, data in task.files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return RunFolder(folder)


def _without(place: str, text: str) -> str:
    """A complaint without the folder that is gone by the time it is read."""
    for root in (place, str(Path(place).resolve())):
        text = text.replace(f"{root}/{NAME}/", "").replace(f"{root}/{NAME}", NAME)
    return text


def _fit(folder: RunFolder, task: Task) -> tuple[dict[str, bytes], dict[str, Any]]:
    """As `measure` and `fit` do it, then the figures as `compare` takes them."""
    from hysteresis.characteristics.of_run import figures_of
    from hysteresis.compare import REFITS
    from hysteresis.fit import fit_recording
    from hysteresis.fit.fitted import absolute_uncertainty_mm, fitted_model
    from hysteresis.fit.record import causes_of, with_record
    from hysteresis.measure.registration_file import read_registration
    from hysteresis.model import read_model, write_model
    from hysteresis.table_files import read_pattern, read_recording

    bench = read_bench(folder.bench_toml)
    if not folder.recording_csv.exists():
        _measure(folder)
    pattern, rows = read_pattern(folder.pattern_csv), read_recording(folder.recording_csv)
    if not folder.model_json.exists():
        registration = None
        if bench.camera is not None and folder.registration_json.exists():
            registration = read_registration(folder.registration_json)
        fit = fit_recording(
            pattern, rows, bench,
            memory=task.memory, zero_mm=absolute_uncertainty_mm(bench, registration),
        )  # fmt: skip
        inputs = {"bench": folder.bench_toml, "pattern": folder.pattern_csv,
                  "recording": folder.recording_csv}  # fmt: skip
        fitted = with_record(fitted_model(fit, bench, inputs), fit, causes_of(fit))
        fitted = replace(fitted, provenance={**fitted.provenance, "date": task.stamp})
        write_model(folder.model_json, fitted)
    # from the file, as every later command has it
    fitted = read_model(folder.model_json, bench)
    pairs = figures_of(pattern, rows, bench, fitted, refits=REFITS)
    files = {
        name: data
        for name in MADE
        if (folder.path / name).exists()
        and (data := (folder.path / name).read_bytes()) != task.files.get(name)
    }
    return files, {"figures": [_pair_to_plain(pair) for pair in pairs]}


def _measure(folder: RunFolder) -> None:
    """recording.csv and quality.json from the run's own log or sheet."""
    from hysteresis.measure.quality import assess
    from hysteresis.measure.run_files import measured_from, own_source, write_measured
    from hysteresis.table_files import read_pattern

    bench = read_bench(folder.bench_toml)
    source, path = own_source(folder)
    pattern = read_pattern(folder.pattern_csv) if folder.pattern_csv.exists() else None
    measured = measured_from(folder, source, path, pattern, bench)
    write_measured(folder, measured, assess(measured, measured.pattern, bench))


def _forecast(folder: RunFolder, task: Task) -> tuple[dict[str, bytes], dict[str, Any]]:
    """The error on the path that the run's model foretells, as `compare` has it."""
    from hysteresis.compare.copies import marks_of
    from hysteresis.compare.on_path import PathAsked, forecast_runs
    from hysteresis.compare.runs import OpenedRun
    from hysteresis.errors import DataError
    from hysteresis.model import read_model
    from hysteresis.table_files import read_pattern, read_recording

    bench = read_bench(folder.bench_toml)
    rows = read_recording(folder.recording_csv)
    run = OpenedRun(
        folder, NAME, bench, read_pattern(folder.pattern_csv), rows,
        read_model(folder.model_json, bench), marks_of(folder, rows),
    )  # fmt: skip
    asked = PathAsked(folder.path / task.path, options_of(task.placement), task.pause_s)
    found, left = forecast_runs([run], asked)
    if not found:
        raise DataError(left[0].reason)
    about = ("label", "suspension", "unit")
    return {}, {f.name: getattr(found[0], f.name) for f in fields(found[0]) if f.name not in about}


def placement_of(options: PathOptions) -> dict[str, Any]:
    """How a path lies and moves, as JSON holds it. Only what `compare` asks of a path."""
    return {**asdict(options.placement), "feed_mm_s": options.feed_mm_s}


def options_of(plain: dict[str, Any]) -> PathOptions:
    """Undo `placement_of`; as in its file where nothing is told."""
    from hysteresis.compensate.job import PathOptions
    from hysteresis.paths.placement import Placement

    told = dict(plain)
    feed = told.pop("feed_mm_s", None)
    return PathOptions(Placement(**told), feed_mm_s=feed)


# ---- figures as plain content --------------------------------------------------------------------


def _pair_to_plain(pair: Pair) -> dict[str, Any]:
    return {
        name: None if (one := getattr(pair, name)) is None else {
            "key": one.key, "axis": one.axis,
            "conditions": [[c.name, _number(c.value), c.unit] for c in one.conditions],
            "value": _number(one.value), "u": _number(one.u), "dof": _number(one.dof),
            "note": one.note,
        }
        for name in ("measured", "modelled")
    }  # fmt: skip


def pair_from_plain(plain: dict[str, Any]) -> Pair:
    """Undo `_pair_to_plain`; numbers to the last bit."""
    return Pair(**{name: _one(plain[name]) for name in ("measured", "modelled")})


def _one(plain: dict[str, Any] | None) -> Characteristic | None:
    from hysteresis.characteristics.definitions import DEFINITIONS

    if plain is None:
        return None
    conditions = tuple(Condition(n, float(v), u) for n, v, u in plain["conditions"])
    value, u, dof = (float(plain[name]) for name in ("value", "u", "dof"))
    return Characteristic(
        DEFINITIONS[plain["key"]], plain["axis"], conditions, value, u, dof, plain["note"]
    )


def _number(value: float) -> float | str:
    """JSON holds no infinity: it is told in words that `float` reads."""
    value = float(value)
    return value if abs(value) < float("inf") else str(value)
