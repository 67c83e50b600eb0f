"""Speed of timing and smoothing a long job in chunks: one invented hour of layers.

A layer is a serpentine of segments of 0.3 mm, as chords of curves come from a drawing, at 50 to
100 mm/s, on a rig of 150 Hz bandwidth; then travel to the side and a park. Asked for: an hour of
it in less than 4 s (900 × real time). `pytest -s` prints what it took; chunks are made outside
the time taken.
"""

from __future__ import annotations

import time
from collections.abc import Iterator

import numpy as np
import pytest

from hysteresis.paths.chunk import Chunk
from hysteresis.paths.stream import at_rate, timed_blocks
from hysteresis.paths.timing import Timing
from hysteresis.tables import Polyline

RIG = {"travel_mm_s": 300.0, "acceleration_mm_s2": 5625.0, "kernel_s": 2 / 150}


def layers(count: int, seed: int = 0) -> Iterator[Chunk]:
    """Invented layers of some 9 s each: wavy lines there and back, then a park."""
    rng = np.random.default_rng(seed)
    place = (0.0, 0.0)
    for _ in range(count):
        wave, phase = rng.uniform(2, 5), rng.uniform(0, 6)
        along = np.arange(-15, 15.01, 0.3)
        lines = []
        for k, across in enumerate(np.arange(-8, 8.1, 0.8)):
            run = along if k % 2 == 0 else along[::-1]
            lines.append(np.column_stack([run, across + 0.3 * np.sin(run / wave + phase)]))
        way = np.concatenate([[place], *lines, [(40.0, 0.0), (40.0, 0.0)]])
        beam = np.ones(len(way), dtype=bool)
        beam[[0, 1, -2, -1]] = False
        feed = np.full(len(way), rng.uniform(50, 100))
        feed[~beam] = np.nan
        dwell = np.zeros(len(way))
        dwell[-1] = 0.5
        place = (40.0, 0.0)
        yield Chunk(
            Polyline(way[:, 0], way[:, 1], beam, feed, dwell), np.arange(len(way), dtype=np.int64)
        )


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"corner": "bounded"},
        {"corner": "round", "corner_tolerance_mm": 0.05},
        {"jerk_mm_s3": 5e5},
    ],
    ids=["rest", "bounded", "round", "jerk"],
)
def test_an_hour_of_layers(settings) -> None:
    timing = Timing(**RIG, **settings)
    for _ in timed_blocks(layers(2), timing):  # compiles
        pass
    chunks = list(layers(360))
    vertices = sum(len(chunk.polyline) for chunk in chunks)
    begun, cpu = time.perf_counter(), time.process_time()
    samples = sum(len(block) for block in timed_blocks(chunks, timing))
    taken, cpu = time.perf_counter() - begun, time.process_time() - cpu
    lasts = samples * timing.kernel_s / 16
    print(
        f"\n{settings or 'rest'}: {vertices} vertices, {lasts / 60:.1f} min in {taken:.2f} s "
        f"({cpu:.2f} s of processor): {lasts / taken:.0f} × real time, an hour in "
        f"{3600 * taken / lasts:.2f} s"
    )
    assert 3600 * cpu / lasts < 4.0


def test_up_to_192_khz() -> None:
    step = RIG["kernel_s"] / 16
    rows = np.random.default_rng(1).normal(size=(65_536, 3))
    for _ in at_rate([rows[:100]], step, 192_000.0):
        pass
    begun = time.process_time()
    made = sum(len(out) for out in at_rate([rows], step, 192_000.0))
    taken = time.process_time() - begun
    print(f"\n3 columns to 192 kHz: {1e9 * taken / made:.1f} ns a sample, "
          f"{made / 192_000 / taken:.0f} × real time")  # fmt: skip
    assert made / 192_000 / taken > 50
