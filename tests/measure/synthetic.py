"""Recordings with a known truth, made here and not by the package.

A pattern of random levels, holds and ramps; a spot that follows it through a known linear map
(and, where asked for, one play operator as memory); a camera that averages over its exposure by
plain sampling, with a known clock, noise and reflections.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from hysteresis.bench import Bench, Camera, read_bench
from hysteresis.bench_template import TEMPLATE
from hysteresis.homography import fit_homography
from hysteresis.tables import CameraLog, Pattern

FULL_SCALE_MM = 50.0


def make_bench(tmp_path, **camera: float) -> Bench:
    path = tmp_path / "bench.toml"
    path.write_text(TEMPLATE, encoding="utf-8")
    bench = read_bench(path)
    if camera:
        old = bench.camera
        assert old is not None
        values = {"exposure_s": old.exposure_s, "frame_rate_hz": old.frame_rate_hz} | camera
        bench = bench.model_copy(update={"camera": Camera(fiducials=old.fiducials, **values)})
    return bench


def make_pattern(seed: int = 0, length_s: float = 60.0, rise_s: float = 0.06) -> Pattern:
    """Random levels on both axes, held 0.2 to 2 s, reached in `rise_s`, some by a slow ramp."""
    rng = np.random.default_rng(seed)
    t, x, y, names = [0.0, 0.5], [0.0, 0.0], [0.0, 0.0], ["sync/001", "sync/001"]
    k = 0
    while t[-1] < length_s:
        k += 1
        target = rng.uniform(-0.95, 0.95, 2) * (rng.random(2) < 0.7)
        rise = rise_s if rng.random() < 0.8 else rng.uniform(0.5, 1.5)
        hold = rng.uniform(0.2, 1.0) if rng.random() < 0.8 else rng.uniform(1.0, 2.5)
        t += [t[-1] + rise, t[-1] + rise + hold]
        x += [target[0]] * 2
        y += [target[1]] * 2
        names += [f"staircase/{k:03d}", f"staircase/{k:03d}"]
    t += [t[-1] + 0.1, t[-1] + 0.6]
    x += [0.0, 0.0]
    y += [0.0, 0.0]
    names += ["rest/001", "rest/001"]
    return Pattern(
        np.array(t), np.array(x), np.array(y), np.ones(len(t), bool), np.array(names, dtype=object)
    )


def play_operator(drive: np.ndarray, threshold: float) -> np.ndarray:
    def onward(z: float, u: float) -> float:
        return min(max(z, u - threshold), u + threshold)

    # plain numbers: ten times as quick as those of numpy, one by one
    return np.array(list(accumulate(drive.tolist(), onward, initial=0.0))[1:])


@dataclass(frozen=True)
class Filmed:
    """A log, and for each of its rows what it really shows."""

    log: CameraLog
    t_pattern: np.ndarray
    spot_mm: np.ndarray  # true mean place over the exposure
    reflected: np.ndarray


def film(
    pattern: Pattern,
    bench: Bench,
    *,
    offset_s: float = 0.7,
    drift: float = 4e-5,
    lead_s: float = 1.0,
    tail_s: float = 0.5,
    noise_px: float = 0.1,
    reflected: float = 0.0,
    jitter_s: float = 0.0,
    stamp_error_s: float = 0.0,
    memory: float = 0.0,
    matrix: np.ndarray | None = None,
    seed: int = 1,
) -> Filmed:
    """Film the pattern; camera clock = offset + (1 + drift) · pattern clock.

    `matrix` (2, 2) maps drive to spot in mm. `jitter_s` moves the exposures and their stamps
    alike, `stamp_error_s` only the stamps. `memory` is the share of a play operator.
    """
    rng = np.random.default_rng(seed)
    camera = bench.camera
    assert camera is not None
    matrix = FULL_SCALE_MM * np.eye(2) if matrix is None else matrix
    frame_s = 1.0 / camera.frame_rate_hz
    count = int((pattern.t_s[-1] + lead_s + tail_s) / frame_s)
    opened = -lead_s + frame_s * np.arange(count) + jitter_s * rng.uniform(-1, 1, count)

    fine = np.arange(-lead_s - 0.1, pattern.t_s[-1] + tail_s + 0.2, 2e-4)
    drives = []
    for drive in (pattern.drive_x, pattern.drive_y):
        u = np.interp(fine, pattern.t_s, drive)
        drives.append((1 - memory) * u + memory * play_operator(u, 0.1) if memory else u)
    places = np.column_stack(drives) @ matrix.T + [1.0, -2.0]
    # the mean over the exposure by the trapezium rule on a fine grid, not by any closed form
    area = np.vstack([np.zeros(2), np.cumsum((places[1:] + places[:-1]) / 2 * 2e-4, axis=0)])
    closed = opened + camera.exposure_s
    spot = np.column_stack(
        [
            (np.interp(closed, fine, area[:, k]) - np.interp(opened, fine, area[:, k]))
            / camera.exposure_s
            for k in range(2)
        ]
    )
    px = np.array([(mark.u_px, mark.v_px) for mark in camera.fiducials])
    mm = np.array([(mark.x_mm, mark.y_mm) for mark in camera.fiducials])
    u, v = fit_homography(mm, px).apply(*spot.T)
    u = u + rng.normal(0, noise_px, count)
    v = v + rng.normal(0, noise_px, count)
    away = np.zeros(count, bool)
    for start in np.flatnonzero(rng.random(count) < reflected / 2):
        stop = start + rng.integers(1, 4)
        u[start:stop] = rng.uniform(px[:, 0].min(), px[:, 0].max())
        v[start:stop] = rng.uniform(px[:, 1].min(), px[:, 1].max())
        away[start:stop] = True
    stamps = offset_s + (1 + drift) * opened + stamp_error_s * rng.normal(0, 1, count)
    log = CameraLog(np.arange(count), stamps, u, v, np.ones(count))
    return Filmed(log, opened, spot, away)


def rows(log: CameraLog, keep: np.ndarray) -> CameraLog:
    return CameraLog(log.frame[keep], log.t_s[keep], log.u_px[keep], log.v_px[keep],
                     log.weight[keep])  # fmt: skip
