"""Reading the runs to compare: what can be compared is taken, the rest is named with its reason."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.bench import Bench, read_bench
from hysteresis.characteristics.figure import Pair
from hysteresis.compare.copies import Marks, copies_of, marks_of
from hysteresis.compare.results import ComparedRun, LeftOut
from hysteresis.errors import DataError, HysteresisError, InputError
from hysteresis.files import sha256_of
from hysteresis.loops import loops, straight_line
from hysteresis.metrics import AXES, recoveries
from hysteresis.model import FittedModel, read_model
from hysteresis.optics import nominal_optics
from hysteresis.recording import observations
from hysteresis.run_folder import RunFolder, open_run
from hysteresis.table_files import read_pattern, read_recording
from hysteresis.tables import Pattern, Recording

UNIT_FACTORS = {10.0: "cm", 25.4: "inches", 1000.0: "m"}
WARMER_C = 5.0  # ambient temperatures further apart than this are told (no source)

FiguresOf = Callable[[Pattern, Recording, Bench, FittedModel | None], Sequence[Pair]]


@dataclass(frozen=True)
class OpenedRun:
    """One run as it was read: its files, and what the characteristics say of it."""

    folder: RunFolder
    label: str
    bench: Bench
    pattern: Pattern
    recording: Recording
    fitted: FittedModel | None
    marks: Marks
    figures: tuple[Pair, ...] = ()

    @property
    def suspension(self) -> str:
        return self.bench.suspension

    @property
    def unit(self) -> str:
        return self.bench.unit


@dataclass(frozen=True)
class Opened:
    """Runs that can be compared, what was left out, and what to mind."""

    runs: tuple[OpenedRun, ...]
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]


def open_runs(paths: Sequence[Path], told: Callable[[float], None] = lambda _: None) -> Opened:
    """Read every run. One that cannot be read does not stop the others.

    `told` is called with 1 for each run done. Raises InputError when fewer than two are left.
    """
    if not paths:
        raise InputError("there are no runs to compare", mend="name two run folders or more")
    left: list[LeftOut] = []
    found: list[OpenedRun] = []
    seen: dict[Path, str] = {}
    for path in paths:
        name = str(path)
        try:
            place = path.resolve()
        except (OSError, RuntimeError) as error:
            left.append(LeftOut(name, "run", f"the folder cannot be reached: {error}"))
            continue
        if place in seen:
            left.append(LeftOut(name, "run", f"given twice (as {seen[place]}), counted once"))
        else:
            seen[place] = name
            run = _opened(path, left)
            if run is not None:
                found.append(run)
        told(1.0)
    found, notes = _same_words(found)
    found = _one_bench(found, left)
    found = _once(found, left)
    found = _labelled(found)
    _enough(found, left, len(paths))
    return Opened(tuple(found), tuple(left), (*notes, *_notes(found)))


def _enough(found: list[OpenedRun], left: list[LeftOut], asked: int) -> None:
    """InputError where there is nothing left to compare with."""
    if len(found) >= 2:
        return
    why = "; ".join(f"{out.run}: {out.reason}" for out in left if out.what == "run")
    mends = dict.fromkeys(out.mend for out in left if out.what == "run" and out.mend)
    what = "one run is nothing to compare" if asked == 1 else (
        f"of {asked} runs {len(found)} can be compared"
    )  # fmt: skip
    if why:
        what += f" ({why if len(why) < 300 else why[:300] + ' …'})"
    raise InputError(what, mend=next(iter(mends), "name two run folders or more, each measured"))


def _opened(path: Path, left: list[LeftOut]) -> OpenedRun | None:
    name = str(path)
    try:
        folder = open_run(path)
        bench = read_bench(folder.bench_toml)
        for file, mend in (
            (folder.pattern_csv, f"hysteresis plan {name}"),
            (folder.recording_csv, f"hysteresis measure {name}"),
        ):
            if not file.exists():
                left.append(LeftOut(name, "run", f"there is no {file.name}", mend))
                return None
        pattern, recording = read_pattern(folder.pattern_csv), read_recording(folder.recording_csv)
        observations(pattern, recording)  # DataError where no row is of use
        marks = marks_of(folder, recording)
    except (HysteresisError, OSError) as error:
        left.append(_refused(name, "run", error))
        return None
    return OpenedRun(folder, name, bench, pattern, recording, _model(folder, bench, left), marks)


def _model(folder: RunFolder, bench: Bench, left: list[LeftOut]) -> FittedModel | None:
    name = str(folder.path)
    if not folder.model_json.exists():
        left.append(LeftOut(name, "model", "there is no model.json", f"hysteresis fit {name}"))
        return None
    try:
        fitted = read_model(folder.model_json, bench)
    except (HysteresisError, OSError) as error:
        left.append(_refused(name, "model", error))
        return None
    inputs = fitted.provenance.get("inputs", {})
    for what, file in (("pattern", folder.pattern_csv), ("recording", folder.recording_csv)):
        then = inputs.get(what, {}).get("sha256") if isinstance(inputs, dict) else None
        if then is not None and then != sha256_of(file):
            left.append(LeftOut(
                name, "model", f"it was fitted to another {what} than the one in this run",
                f"hysteresis fit {name}",
            ))  # fmt: skip
            return None
    return fitted


def _refused(name: str, what: str, error: Exception) -> LeftOut:
    """A complaint about a run, without its name, which stands before it; the cure apart."""
    mend = (error.mend or "") if isinstance(error, InputError) else ""
    reason = _plain(error).removesuffix(f"; {mend.rstrip('.')}").removeprefix(f"{name}: ")
    return LeftOut(name, what, reason, mend)


def _plain(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}".lower()
    return str(error).rstrip(".")


def _same_words(found: list[OpenedRun]) -> tuple[list[OpenedRun], list[str]]:
    """Names that differ in capitals, blanks or hyphens alone are one name: the first one's."""
    notes: list[str] = []
    for field in ("suspension", "unit"):
        first: dict[tuple[str, str], str] = {}
        for k, run in enumerate(found):
            word = str(getattr(run.bench, field))
            within = run.suspension if field == "unit" else ""
            kept = first.setdefault(
                (within, re.sub(r"[\s_-]+", " ", word).strip().casefold()), word
            )
            if kept != word:
                notes.append(f"{field} {word!r} of {run.label} is taken for {kept!r}")
                found[k] = replace(run, bench=run.bench.model_copy(update={field: kept}))
    return found, notes


def _one_bench(found: list[OpenedRun], left: list[LeftOut]) -> list[OpenedRun]:
    """Runs on the bench that most of them share: full scale, distance, gap, coupling."""
    if not found:
        return found
    kinds = Counter(_geometry(run.bench) for run in found)
    usual = max(kinds, key=lambda kind: kinds[kind])  # of equal ones the first
    out = []
    for run in found:
        mine = _geometry(run.bench)
        if mine == usual:
            out.append(run)
            continue
        names = ("plane_distance_mm", "mirror_gap_mm", "full_scale_x_mm", "full_scale_y_mm",
                 "coupling")  # fmt: skip
        differ = [(n, a, b) for n, a, b in zip(names, mine, usual, strict=True) if a != b]
        reason = "another bench: " + ", ".join(f"{n} is {a}, not {b}" for n, a, b in differ)
        left.append(LeftOut(
            run.label, "run", reason + _unit_slip(differ),
            "compare runs of one bench: figures in mm go with its optics",
        ))  # fmt: skip
    return out


def _geometry(bench: Bench) -> tuple[Any, ...]:
    o = bench.optics
    return (
        float(o.plane_distance_mm), float(o.mirror_gap_mm), float(o.full_scale_x_mm),
        float(o.full_scale_y_mm), bench.drive.coupling,
    )  # fmt: skip


def _unit_slip(differ: list[tuple[str, Any, Any]]) -> str:
    """What it looks like when lengths were written in another unit."""
    for _, a, b in differ:
        if isinstance(a, float) and a > 0 and b > 0:
            ratio = max(a, b) / min(a, b)
            for factor, unit in UNIT_FACTORS.items():
                if abs(ratio / factor - 1.0) < 1e-3:
                    return f" (a factor of {factor:g}: one of them may be in {unit})"
    return ""


def _once(found: list[OpenedRun], left: list[LeftOut]) -> list[OpenedRun]:
    """Copies of one measurement count once; not at all where they claim to be two designs."""
    out = list(found)
    for group in copies_of([run.marks for run in found]):
        members = [found[k] for k in group]
        first = members[0]
        how = first.marks.same_as(members[1].marks)
        if len({run.suspension for run in members}) > 1:
            for run in members:
                others = ", ".join(o.label for o in members if o is not run)
                left.append(LeftOut(
                    run.label, "run", f"the same measurement ({how}) as {others}, under another "
                    "suspension: which one it is cannot be told",
                    "put the right recording into each folder, or leave out the wrong one",
                ))  # fmt: skip
                out.remove(run)
            continue
        for run in members[1:]:
            left.append(LeftOut(
                run.label, "run",
                f"a copy of {first.label} ({first.marks.same_as(run.marks)}), counted once",
            ))  # fmt: skip
            out.remove(run)
    return out


def _labelled(found: list[OpenedRun]) -> list[OpenedRun]:
    """Short names, unique: design and unit, with a number for further runs of a unit."""
    used: set[str] = set()
    out = []
    for run in found:
        label, number = f"{run.suspension} {run.unit}", 1
        while label in used:
            number += 1
            label = f"{run.suspension} {run.unit} ({number})"
        used.add(label)
        out.append(replace(run, label=label))
    return out


def _notes(found: list[OpenedRun]) -> list[str]:
    """What differs between runs without keeping them from being compared."""
    notes = []
    warm = [run.bench.ambient_c for run in found]
    if max(warm) - min(warm) > WARMER_C:
        notes.append(
            f"ambient temperatures run from {min(warm):g} to {max(warm):g} °C: creep and stiffness "
            "go with it, so part of a difference may be the room's"
        )
    names = {run.bench.name for run in found}
    if len(names) > 1:
        notes.append(
            f"the benches bear {len(names)} names ({', '.join(sorted(names))}); units of one name "
            "are taken for the same unit"
        )
    versions = {str(run.fitted.provenance.get("software", "")) for run in found if run.fitted}
    if len(versions) > 1:
        notes.append(f"models were fitted by different versions: {', '.join(sorted(versions))}")
    recipes = {str(run.fitted.provenance.get("recipe", "")) for run in found if run.fitted}
    if len(recipes) > 1:
        notes.append(f"models are of different memories: {', '.join(sorted(recipes))}")
    if len({run.bench.tolerance.target_mm for run in found}) > 1:
        notes.append("tolerances differ between the benches; the smallest one is taken")
    if not all(_same_pattern(found[0].pattern, run.pattern) for run in found[1:]):
        notes.append(
            "runs were made with different patterns: figures that sum up a run are formed over "
            "the conditions that all of them share"
        )
    return notes


def same_patterns(found: Sequence[OpenedRun]) -> bool:
    """Whether all runs played one pattern."""
    return all(_same_pattern(found[0].pattern, run.pattern) for run in found[1:])


def _same_pattern(a: Pattern, b: Pattern) -> bool:
    return len(a) == len(b) and all(
        np.allclose(getattr(a, name), getattr(b, name), rtol=0.0, atol=1e-6)
        for name in ("t_s", "drive_x", "drive_y")
    )


def with_figures(
    opened: Opened, figures_of: FiguresOf, told: Callable[[float], None] = lambda _: None
) -> Opened:
    """Work out each run's figures; a run that gives none is left out with the reason."""
    runs, left = [], list(opened.left_out)
    for run in opened.runs:
        try:
            pairs = tuple(figures_of(run.pattern, run.recording, run.bench, run.fitted))
            if not pairs:
                raise DataError("no figure can be formed from this pattern and recording")
            runs.append(replace(run, figures=pairs))
        except HysteresisError as error:
            left.append(LeftOut(str(run.folder.path), "run", _plain(error)))
        told(1.0)
    _enough(runs, left, len(opened.runs))
    return Opened(tuple(runs), tuple(left), opened.notes)


def shown(run: OpenedRun) -> ComparedRun:
    """The run as pages draw it: loops and recoveries, through its own optics where fitted."""
    seen = observations(run.pattern, run.recording)
    optics = nominal_optics(run.bench.optics) if run.fitted is None else run.fitted.model.optics
    full = (run.bench.optics.full_scale_x_mm, run.bench.optics.full_scale_y_mm)
    found = loops(run.pattern, seen, optics, full)
    about = {} if run.fitted is None else run.fitted.provenance
    return ComparedRun(
        label=run.label, folder=str(run.folder.path), suspension=run.suspension, unit=run.unit,
        ambient_c=run.bench.ambient_c, simulated=run.folder.simulated_txt.exists(),
        recording_sha256=run.marks.recording_sha256, software=str(about.get("software", "")),
        memory=str(about.get("recipe", "")), loops=found,
        lines={axis: straight_line(found, axis) for axis in AXES},
        recoveries=recoveries(run.pattern, seen),
    )  # fmt: skip
