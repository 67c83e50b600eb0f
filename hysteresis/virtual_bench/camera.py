"""A simulated webcam that watches the screen: what it writes down, with all its habits."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hysteresis.bench import Bench
from hysteresis.bench import Camera as CameraOnBench
from hysteresis.errors import InputError
from hysteresis.tables import CameraLog, Floats
from hysteresis.virtual_bench.averages import mean_between
from hysteresis.virtual_bench.play import Played


@dataclass(frozen=True)
class TrueCamera:
    """How this camera really sees the screen and tells the time.

    mm_to_px : (3, 3) projective map from the screen's marks, mm, to pixels.
    clock_offset_s, clock_drift : its time stamp is offset + (1 + drift) · time of the drive.
    lead_s, tail_s : it films this much longer than the drive, before and after.
    """

    mm_to_px: Floats = field(repr=False)
    clock_offset_s: float
    clock_drift: float
    lead_s: float
    tail_s: float


def true_camera(bench: Bench, seed: int, *, sequence: int = 0, click_px: float = 0.2) -> TrueCamera:
    """The camera number `seed`, for one filming (`sequence`); place is kept, clock is not.

    The bench's fiducials were clicked with an error of `click_px` (standard deviation), so the
    true projective map is that of the fiducials less one draw of such errors. Raises InputError
    when the bench has no camera.
    """
    marks = camera_of(bench).fiducials
    mm = np.array([(f.x_mm, f.y_mm) for f in marks])
    px = np.array([(f.u_px, f.v_px) for f in marks])
    clicks = np.random.default_rng([seed, 3]).normal(0.0, click_px, px.shape)
    rng = np.random.default_rng([seed, 4, sequence])
    lead_s = rng.uniform(0.5, 1.5)
    # the first stamp is 0 to 0.8 s: an offset of ±0.4 s about the moment of starting
    return TrueCamera(
        mm_to_px=_projective(mm, px - clicks),
        clock_offset_s=lead_s + rng.uniform(0.001, 0.801),
        clock_drift=rng.uniform(-60e-6, 60e-6),
        lead_s=lead_s,
        tail_s=rng.uniform(0.3, 0.9),
    )


def photograph(
    played: Played,
    bench: Bench,
    seed: int,
    *,
    sequence: int = 0,
    noise_px: float = 0.1,
    dropped: float = 0.01,
    repeated: float = 0.002,
    reflected: float = 0.004,
    jitter_s: float = 3e-4,
    click_px: float = 0.2,
) -> CameraLog:
    """Film the played spots: the log of spot centres, as a tracker would write it.

    noise_px : standard deviation of a spot centre, each axis. dropped, repeated, reflected :
    fraction of frames that are missing, written twice, or show a reflection instead of the
    spot (single frames and short bursts). jitter_s : half width of the jitter of the start of
    an exposure; the time stamp carries it. With a switched beam, frames during which the beam
    is off are missing too. Raises InputError when the bench has no camera.
    """
    camera = camera_of(bench)
    true = true_camera(bench, seed, sequence=sequence, click_px=click_px)
    rng = np.random.default_rng([seed, 5, sequence])

    interval_s = 1.0 / camera.frame_rate_hz
    start, end = played.t_s[0] - true.lead_s, played.t_s[-1] + true.tail_s
    filmed_s = end - start - camera.exposure_s - jitter_s
    n = max(int(np.floor(filmed_s * camera.frame_rate_hz)) + 1, 0)
    opened = start + np.arange(n) * interval_s + rng.uniform(-jitter_s, jitter_s, n)
    closed = opened + camera.exposure_s

    around = played.around
    u, v = _applied(true.mm_to_px, around.x_mm, around.y_mm)
    u_px = mean_between(around.t_s, u, opened, closed) + rng.normal(0.0, noise_px, n)
    v_px = mean_between(around.t_s, v, opened, closed) + rng.normal(0.0, noise_px, n)
    _reflect(u_px, v_px, reflected, camera, rng)

    seen = rng.random(n) >= dropped
    if bench.beam.mode == "switched":
        lit = mean_between(around.t_s, around.beam.astype(float), opened, closed)
        seen &= lit > 1.0 - 1e-6
    frames = np.repeat(np.arange(n), seen * (1 + (rng.random(n) < repeated)))
    stamp = true.clock_offset_s + (1.0 + true.clock_drift) * (opened - played.t_s[0])
    return CameraLog(frames, stamp[frames], u_px[frames], v_px[frames], np.ones(len(frames)))


def camera_of(bench: Bench) -> CameraOnBench:
    """The bench's camera; raises InputError when it has none, or one without fiducials."""
    if bench.camera is None:
        raise InputError(
            "the bench has no camera", mend="add a [camera] table with fiducials to bench.toml"
        )
    if not bench.camera.fiducials:
        raise InputError(
            "the simulated camera stands where the fiducials say, and there are none",
            file="bench.toml", mend="add fiducials to [camera]",
        )  # fmt: skip
    return bench.camera


def _reflect(
    u_px: Floats, v_px: Floats, fraction: float, camera: CameraOnBench, rng: np.random.Generator
) -> None:
    """Put a reflection in place of the spot on about `fraction` of the frames, in place.

    Half of the places are single frames, the others bursts of 2 to 6 frames during which the
    reflection stays where it is (2.5 frames on average).
    """
    n = len(u_px)
    starts = np.flatnonzero(rng.random(n) < fraction / 2.5)
    marks: Floats = np.array([(f.u_px, f.v_px) for f in camera.fiducials])
    low: Floats = np.min(marks, axis=0)
    high: Floats = np.max(marks, axis=0)
    margin = 0.1 * (high - low)
    for first in starts.tolist():
        length = 1 if rng.random() < 0.5 else int(rng.integers(2, 7))
        last = min(first + length, n)
        place = rng.uniform(low - margin, high + margin)
        u_px[first:last] = place[0] + rng.normal(0.0, 0.5, last - first)
        v_px[first:last] = place[1] + rng.normal(0.0, 0.5, last - first)


def _projective(source: Floats, target: Floats) -> Floats:
    """The (3, 3) projective map source -> target (n, 2), by the direct linear transform.

    Textbook (Hartley and Zisserman, Multiple View Geometry, from memory): two rows for each
    pair, points centred and scaled first, the smallest singular vector taken.
    """
    a, b = _normalising(source), _normalising(target)
    (x, y), (u, v) = _applied(a, *source.T), _applied(b, *target.T)
    one, zero = np.ones_like(x), np.zeros_like(x)
    rows = np.concatenate(
        (
            np.column_stack((x, y, one, zero, zero, zero, -u * x, -u * y, -u)),
            np.column_stack((zero, zero, zero, x, y, one, -v * x, -v * y, -v)),
        )
    )
    h = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    matrix = np.linalg.inv(b) @ h @ a
    return matrix / matrix[2, 2]


def _normalising(points: Floats) -> Floats:
    middle = points.mean(axis=0)
    scale = np.sqrt(2.0) / np.sqrt(((points - middle) ** 2).sum(axis=1)).mean()
    return np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1.0]])


def _applied(matrix: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    return (
        (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / w,
        (matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / w,
    )
