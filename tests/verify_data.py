"""Small synthetic runs whose figures are known in closed form, for the tests of verify and report.

The play and stop elements here are written anew, four lines each: nothing of the toolkit's own
kernels is used to make the data that its figures are tested on.
"""

from __future__ import annotations

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.bench import TEMPLATE
from hysteresis.model import (
    Discrepancy,
    FittedModel,
    Parameter,
    RigModel,
    RigState,
    bench_identity,
)
from hysteresis.optics import nominal_optics, spot_from_deflection
from hysteresis.tables import Pattern, Recording, SpotPath

FULL_SCALE_MM = (50.0, 50.0)
FRAME_S, EXPOSURE_S, SIGMA_MM = 1.0 / 30.0, 0.008, 0.01


def play(drive: np.ndarray, radius: float, start: float = 0.0) -> np.ndarray:
    """Play operator, sample by sample: z = max(x − r, min(x + r, z before)) (textbook)."""
    out, z = np.empty(len(drive)), start
    for k, x in enumerate(drive):
        z = max(x - radius, min(x + radius, z))
        out[k] = z
    return out


def pattern_of(pieces: list[tuple[str, float, tuple[float, float]]]) -> Pattern:
    """A pattern from (segment, duration, drive at its end); starts at zero drive."""
    t, x, y, names = [0.0], [0.0], [0.0], []
    for name, duration_s, (to_x, to_y) in pieces:
        t.append(t[-1] + duration_s)
        x.append(to_x)
        y.append(to_y)
        names.append(name)
    return Pattern(
        np.array(t), np.array(x), np.array(y), np.ones(len(t), dtype=bool),
        np.array([*names, names[-1]], dtype=object),
    )  # fmt: skip


def ladder(
    number: int, excursion: tuple[float, float], dwell_s: float, watch_s: float = 4.0
) -> list[tuple[str, float, tuple[float, float]]]:
    """The pieces of one return to zero."""
    name = f"ladder/{number:03d}"
    return [
        (f"{name}/rest", 0.4, (0.0, 0.0)),
        (f"{name}/move", 0.2, excursion),
        (f"{name}/hold", dwell_s, excursion),
        (f"{name}/back", 0.2, (0.0, 0.0)),
        (f"{name}/watch", watch_s, (0.0, 0.0)),
    ]


def recording_of(pattern: Pattern, spot, *, sigma_mm: float = SIGMA_MM, noise=None) -> Recording:
    """Frames of a pattern; `spot(t, drive_x, drive_y) -> (x, y)` on a grid of 1 ms or finer.

    The spot is taken at the middle of each exposure; `noise` is a generator, or None for none.
    """
    t = np.arange(0.0, pattern.t_s[-1] - EXPOSURE_S, FRAME_S)
    fine = np.union1d(np.arange(0.0, pattern.t_s[-1], 1e-3), pattern.t_s)
    drives = [np.interp(fine, pattern.t_s, a) for a in (pattern.drive_x, pattern.drive_y)]
    x, y = (np.interp(t + EXPOSURE_S / 2, fine, a) for a in spot(fine, *drives))
    if noise is not None:
        x, y = (
            x + sigma_mm * noise.standard_normal(len(t)),
            y + sigma_mm * noise.standard_normal(len(t)),
        )
    row = np.clip(np.searchsorted(pattern.t_s, t, side="right") - 1, 0, len(pattern) - 2)
    n = len(t)
    return Recording(
        t, np.full(n, EXPOSURE_S), x, y, np.full(n, sigma_mm), np.full(n, sigma_mm),
        np.ones(n, dtype=bool), np.full(n, "", dtype=object), pattern.segment[row],
    )  # fmt: skip


def straight_spot(t, drive_x, drive_y):
    """A rig without memory whose spot is exactly proportional to the drive."""
    return 50.0 * drive_x, 50.0 * drive_y


def play_spot(radius: float):
    """A rig of one play element per axis, seen through the template's nominal optics."""

    def spot(t, drive_x, drive_y):
        from hysteresis.bench import Bench

        bench = template_bench(Bench)
        return spot_from_deflection(
            play(drive_x, radius), play(drive_y, radius), nominal_optics(bench.optics)
        )

    return spot


def template_bench(cls):
    import tomllib

    return cls.model_validate(tomllib.loads(TEMPLATE))


def plain_model(bench) -> FittedModel:
    """A model of a rig without memory, as a fit might have left it."""
    axis = AxisModel()
    model = RigModel(axis, axis, nominal_optics(bench.optics))
    rest = RigState(axis.rest(), axis.rest())
    return FittedModel(
        model=model, without_memory=model, start=rest, end=rest,
        parameters=(
            Parameter("x_k1", 1.0, 0.01, "drive/FS"),
            Parameter("y_k1", 1.0, float("nan"), "drive/FS"),
        ),
        discrepancy=Discrepancy(0.05, 0.3, 7, 0.01),
        bench=bench_identity(bench),
        figures={"noise_x_mm": SIGMA_MM, "residual_x_mm": 0.012, "residual_over_noise_x": 1.2},
        notes=("the heating of axis x is not identifiable from these data",),
        provenance={"software": "hysteresis 0", "date": "2000-01-01", "inputs": {}, "recipe": "a"},
    )  # fmt: skip


def layered_path(
    layers: int = 6, *, park_mm: tuple[float, float] = (40.0, 0.0), step_s: float = 0.01
) -> SpotPath:
    """Invented job: per layer a square of 20 mm traced in 2 s, then a park of 1 s to one side."""
    corner = 10.0 * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)], dtype=float)
    t, points, beam, at = [0.0], [corner[0]], [], 0.0
    for _ in range(layers):
        for k in range(4):
            n = round(0.5 / step_s)
            for j in range(1, n + 1):
                at += step_s
                t.append(at)
                points.append(corner[k] + (corner[k + 1] - corner[k]) * j / n)
                beam.append(True)
        for point, duration_s in ((park_mm, 0.2), (park_mm, 1.0), (corner[0], 0.2)):
            at += duration_s
            t.append(at)
            points.append(np.array(point))
            beam.append(False)
    xy = np.array(points)
    return SpotPath(np.array(t), xy[:, 0], xy[:, 1], np.array([*beam, False]))
