"""How fast long programs are read, and how much of that the kernel of plain lines is worth.

`python -m pytest -s tests/benchmarks/test_path_reading.py -p no:xdist` prints both.
"""

from __future__ import annotations

import time

import numpy as np

from hysteresis.paths.chunking import chunks_of
from hysteresis.paths.notes import Tally
from hysteresis.paths.rs274 import rows_of_program


def seconds(text: bytes, *, fast: bool) -> float:
    start = time.process_time()
    rows = sum(
        len(chunk.polyline) for chunk in chunks_of(rows_of_program([(text, 1)], Tally(), fast=fast))
    )
    assert rows > 30_000
    return time.process_time() - start


def test_plain_lines_through_the_kernel():
    xy = np.random.default_rng(0).uniform(-30, 30, (40_000, 2))
    text = ("M3 F3000\n" + "".join(f"G1 X{x:.3f} Y{y:.3f} F3000\n" for x, y in xy)).encode()
    seconds(text, fast=True)  # compiled, or taken from the cache
    fast, slow = (
        float(np.median([seconds(text, fast=kernel) for _ in range(3)])) for kernel in (True, False)
    )
    size = len(text) / 1e6
    print(f"\nplain program lines: {size / fast:.0f} MB/s, line by line {size / slow:.1f} MB/s")
    assert slow > 8 * fast  # some 40 here; line by line, 100 MB would take half a minute
