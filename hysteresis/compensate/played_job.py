"""A job that was played and seen: what there is to learn from, and how it is split to be checked.

`PlayedJob` holds the wanted spots, those seen, and the drive. Its traces fall into layers; layers
that trace the same again are of one *kind*. Every third one of a kind is held out: what is learned
from the others is tried on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hysteresis.bench import Bench
from hysteresis.compensate.lead_in import even_step_s
from hysteresis.errors import DataError
from hysteresis.model import RigModel, RigState
from hysteresis.path_error import is_film
from hysteresis.paths.marks import Marks, mark_path
from hysteresis.recording import simulation_grid
from hysteresis.tables import Bools, DriveSignal, Floats, Ints, Pattern, SpotPath

LONGEST_S = 1800.0  # of a job that is learned from; its first half hour tells enough
FEWEST_SPOTS = 30
PARTS = 9  # of the traced spots, where the path has neither layers nor traces enough
SAME_MM, SAME_S = 0.05, 0.005  # layers nearer than this in place and time are the same
PROBES = 12  # places of each trace at which layers are compared
OUTLIER = 8.0  # robust standard deviations beyond which a spot is no spot of this job


@dataclass(frozen=True)
class Layer:
    """One layer's traces: begin and end (s) of each, (n, 2), on the job's clock."""

    number: int
    traces_s: Floats

    @property
    def begin_s(self) -> float:
        return float(self.traces_s[0, 0])


@dataclass(frozen=True)
class PlayedJob:
    """Spots seen while a drive was played, arrays (n,), beam on throughout.

    `t_s`: middle of each exposure of `exposure_s` seconds (0: an instant); `x_mm`, `y_mm`: seen;
    `wanted_*_mm`: wanted, averaged alike. `layers` and `kind` (one per layer) as the module
    tells; `layer` (n,) places in `layers`, `trace` (n,) the trace within it. `held` (n,): held
    out; `block_kind`: what those are.
    `drive` on an even grid from 0; `start_of`: the state of a model before it.
    """

    t_s: Floats
    x_mm: Floats
    y_mm: Floats
    wanted_x_mm: Floats
    wanted_y_mm: Floats
    exposure_s: float
    layers: tuple[Layer, ...]
    kind: tuple[int, ...]
    layer: Ints
    trace: Ints
    held: Bools
    block_kind: str
    planned: SpotPath
    drive: DriveSignal
    start_of: Callable[[RigModel], RigState]


def played_job(
    bench: Bench,
    planned: SpotPath,
    played: SpotPath,
    drive: DriveSignal,
    start_of: Callable[[RigModel], RigState],
    *,
    exposure_s: float | None = None,
) -> PlayedJob:
    """Bring together what a job wanted, was driven by, and was seen to do.

    All times on one clock, 0 at the start of the drive. `exposure_s`: None takes the bench
    camera's for spots as far apart as frames, and 0 for others. Only the first half hour is used.
    Raises DataError where too few spots were seen while the beam was on.
    """
    step = even_step_s(bench)
    end = min(float(drive.t_s[-1]), float(planned.t_s[-1]), LONGEST_S)
    grid: Floats = np.asarray(step * np.arange(int(end / step + 1e-9) + 1), dtype=np.float64)
    even = DriveSignal(
        grid,
        np.interp(grid, drive.t_s - drive.t_s[0], drive.drive_x),
        np.interp(grid, drive.t_s - drive.t_s[0], drive.drive_y),
        np.ones(len(grid), dtype=bool),
    )
    if exposure_s is None:
        film = bench.camera is not None and is_film(planned, played)
        exposure_s = bench.camera.exposure_s if film and bench.camera is not None else 0.0
    marks = mark_path(planned)
    layers = layers_of(marks)
    place, trace = _within(layers, played.t_s, exposure_s / 2.0)
    use = (place >= 0) & (played.t_s < grid[-1] - exposure_s)
    use &= np.isfinite(played.x_mm) & np.isfinite(played.y_mm)
    if use.sum() < FEWEST_SPOTS:
        raise DataError(
            f"only {int(use.sum())} spots were seen while the beam was on; at least "
            f"{FEWEST_SPOTS} are needed to learn from; film a longer job"
        )
    t, place, trace = played.t_s[use], place[use], trace[use]
    wanted = [seen_mean(planned.t_s, v, t, exposure_s) for v in (planned.x_mm, planned.y_mm)]
    kind = kinds_of(planned, layers)
    held, words = _held_out(kind, place, trace, t)
    return PlayedJob(
        t, played.x_mm[use], played.y_mm[use], wanted[0], wanted[1], exposure_s, layers, kind,
        place, trace, held, words, planned, even, start_of,
    )  # fmt: skip


def state_after_pattern(model: RigModel, start: RigState, pattern: Pattern) -> RigState:
    """The state of a model that began in `start` when the pattern has been played."""
    grid = simulation_grid(pattern.t_s, pattern.drive_x, pattern.drive_y)
    return model.spots(grid.drive_x[1:], grid.drive_y[1:], grid.step_s[1:], start)[2]


def simulated(job: PlayedJob, model: RigModel) -> tuple[Floats, Floats]:
    """Where a model puts the spots (n,), under the drive that was played."""
    step = float(job.drive.t_s[1] - job.drive.t_s[0])
    x, y, _ = model.spots(job.drive.drive_x, job.drive.drive_y, step, job.start_of(model))
    return (
        seen_mean(job.drive.t_s, x, job.t_s, job.exposure_s),
        seen_mean(job.drive.t_s, y, job.t_s, job.exposure_s),
    )


def seen_mean(t_s: Floats, value: Floats, at_s: Floats, exposure_s: float) -> Floats:
    """Mean of a piecewise-linear course over an exposure about each moment; there, if that is 0."""
    if exposure_s <= 0.0:
        return np.interp(at_s, t_s, value)
    whole = np.concatenate([[0.0], np.cumsum(0.5 * (value[1:] + value[:-1]) * np.diff(t_s))])

    def until(moment: Floats) -> Floats:
        """Integral up to each moment, exact for straight pieces."""
        row = np.clip(np.searchsorted(t_s, moment, side="right") - 1, 0, len(t_s) - 2)
        since = moment - t_s[row]
        slope = (value[row + 1] - value[row]) / (t_s[row + 1] - t_s[row])
        return np.asarray(whole[row] + since * (value[row] + 0.5 * slope * since))

    low = np.maximum(at_s - exposure_s / 2.0, t_s[0])
    high = np.minimum(at_s + exposure_s / 2.0, t_s[-1])
    return np.asarray((until(high) - until(low)) / (high - low))


def speed_of(job: PlayedJob, wanted: Floats) -> Floats:
    """Rate (mm/s) at which a spot seen too late lies behind: minus that of the wanted spot."""
    half = 2e-3
    t, at = job.planned.t_s, job.t_s
    before, behind = np.interp(at - half, t, wanted), np.interp(at + half, t, wanted)
    return np.asarray((before - behind) / (2.0 * half))


def without_delay(job: PlayedJob, x: Floats, y: Floats, rows: Bools) -> tuple[Floats, Floats]:
    """Errors less what a late clock of the film makes of them: it cannot be told from the rig.

    The delay is found on `rows`, mean errors free, by least squares with Huber's weights.
    """
    speed = [speed_of(job, v) for v in (job.planned.x_mm, job.planned.y_mm)]
    delay = 0.0
    for _ in range(8):
        left = [e - delay * v for e, v in zip((x, y), speed, strict=True)]
        e = np.concatenate([r[rows] - np.median(r[rows]) for r in left])
        v = np.concatenate([s[rows] - np.mean(s[rows]) for s in speed])
        size = 1.4826 * float(np.median(np.abs(e))) + 1e-9
        weight = np.minimum(1.0, 2.0 * size / np.maximum(np.abs(e), 1e-12))
        delay += float((weight * v) @ e / max(float((weight * v) @ v), 1e-12))
    return x - delay * speed[0], y - delay * speed[1]


def used(job: PlayedJob, *residuals: tuple[Floats, Floats]) -> Bools:
    """Spots that are no outliers by every one of some residuals (x, y): near their layer's middle.

    What a whole layer is off by is no outlier.
    """
    keep = np.ones(len(job.t_s), dtype=bool)
    for pair in residuals:
        for r in pair:
            middle = np.array([
                np.median(r[job.layer == k]) if (job.layer == k).any() else 0.0
                for k in range(len(job.layers))
            ])  # fmt: skip
            away = np.abs(r - middle[job.layer])
            keep &= away <= OUTLIER * max(1.4826 * float(np.median(away)), 1e-9)
    return keep


def rms(x: Floats, y: Floats) -> float:
    """Root of the mean squared distance."""
    return float(np.sqrt(np.mean(x**2 + y**2))) if len(x) else float("nan")


# ---- layers ------------------------------------------------------------------------------------


def layers_of(marks: Marks) -> tuple[Layer, ...]:
    """The layers of a path that trace something, in order."""
    found: dict[int, list[tuple[float, float]]] = {}
    for span in marks.spans_of("trace"):
        found.setdefault(span.layer, []).append((span.start_s, span.end_s))
    return tuple(Layer(n, np.array(spans)) for n, spans in sorted(found.items()))


def kinds_of(planned: SpotPath, layers: tuple[Layer, ...]) -> tuple[int, ...]:
    """Kind of each layer, from 0: equal where the same is traced at the same time in the layer."""
    seen: list[tuple[Layer, Floats]] = []
    out = []
    for layer in layers:
        places = _probed(planned, layer)
        for number, (other, its) in enumerate(seen):
            if other.traces_s.shape != layer.traces_s.shape:
                continue
            apart = (layer.traces_s - layer.begin_s) - (other.traces_s - other.begin_s)
            if np.abs(apart).max() <= SAME_S and np.abs(places - its).max() <= SAME_MM:
                out.append(number)
                break
        else:
            out.append(len(seen))
            seen.append((layer, places))
    return tuple(out)


def _probed(planned: SpotPath, layer: Layer) -> Floats:
    share = (np.arange(PROBES) + 0.5) / PROBES
    t = (layer.traces_s[:, :1] + np.diff(layer.traces_s, axis=1) * share).ravel()
    return np.stack([np.interp(t, planned.t_s, v) for v in (planned.x_mm, planned.y_mm)])


def _within(layers: tuple[Layer, ...], t_s: Floats, margin_s: float) -> tuple[Ints, Ints]:
    """Layer and trace of each moment whose exposure lies in a trace whole; −1 elsewhere."""
    if not layers:
        raise DataError("the wanted path never has the beam on, so there is nothing to learn from")
    spans = np.concatenate([layer.traces_s for layer in layers])
    of = np.repeat(np.arange(len(layers)), [len(layer.traces_s) for layer in layers])
    number = np.concatenate([np.arange(len(layer.traces_s)) for layer in layers])
    row = np.searchsorted(spans[:, 0], t_s - margin_s + 1e-9, side="right") - 1
    inside = (row >= 0) & (t_s + margin_s <= spans[np.maximum(row, 0), 1] + 1e-9)
    row = np.maximum(row, 0)
    return np.where(inside, of[row], -1), np.where(inside, number[row], -1)


def _held_out(kind: tuple[int, ...], place: Ints, trace: Ints, t_s: Floats) -> tuple[Bools, str]:
    """Which spots are held out, and what they are: layers, traces or parts of the trace."""
    turn, count = [], dict.fromkeys(kind, 0)
    for k in kind:
        turn.append(count[k])
        count[k] += 1
    held_layer = np.array([n % 3 == 1 for n in turn])
    if held_layer.any():
        return held_layer[place], "layers"
    number = np.unique(np.stack([place, trace]), axis=1, return_inverse=True)[1].ravel()
    if number.max() + 1 >= PARTS:
        return number % 3 == 1, "traces"
    part = np.minimum(PARTS * np.arange(len(t_s)) // len(t_s), PARTS - 1)
    return part % 3 == 1, "parts of the trace"
