"""Pre-distorted paths as files: as few rows as the tolerance allows, on the same clock."""

import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from hysteresis.errors import InputError
from hysteresis.paths.positions_out import write_positions
from hysteresis.paths.simplified import Samples, simplified
from hysteresis.table_files import read_timed_path
from hysteresis.tables import Floats

RATE = 1200.0


def curve(seconds: float = 3.0, seed: int = 0) -> Samples:
    """A smooth path with rests and beam changes, as a compensated one looks (invented)."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE)) / RATE
    x, y = (
        sum(rng.uniform(1, 8) * np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in (0.3, 1, 4))
        for _ in range(2)
    )
    still = (t > 1.0) & (t < 1.4)
    at = int(np.flatnonzero(still)[0])
    x, y = np.where(still, x[at], x), np.where(still, y[at], y)
    return Samples(t, x, y, (t % 0.9) > 0.3, (1 + t // 0.25).astype(np.int64))


def joined(blocks) -> Samples:  # type: ignore[no-untyped-def]
    parts = list(blocks)
    return Samples(*(np.concatenate([getattr(p, f) for p in parts]) for f in
                     ("t_s", "x_mm", "y_mm", "beam", "line")))  # fmt: skip


def pieces(path: Samples, cuts: list[int]) -> list[Samples]:
    at = sorted({min(c, len(path.t_s)) for c in cuts} | {0, len(path.t_s)})
    return [
        Samples(path.t_s[a:b], path.x_mm[a:b], path.y_mm[a:b], path.beam[a:b], path.line[a:b])
        for a, b in pairwise(at)
    ]


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 50), st.sampled_from([0.3, 0.05, 0.002]), st.booleans())
def test_within_the_tolerance_at_every_moment(seed: int, tolerance: float, keep: bool) -> None:
    path = curve(1.5, seed=seed)
    rows = joined(simplified([path], tolerance, keep_lines=keep))
    assert np.all(np.diff(rows.t_s) > 0)
    assert rows.t_s[0] == path.t_s[0] and rows.t_s[-1] == path.t_s[-1]
    off = np.hypot(
        np.interp(path.t_s, rows.t_s, rows.x_mm) - path.x_mm,
        np.interp(path.t_s, rows.t_s, rows.y_mm) - path.y_mm,
    )
    assert off.max() <= tolerance * (1 + 1e-9)
    # the place alone, by shapely: no point of either line is further from the other one
    one, other = (shapely.LineString(np.column_stack([p.x_mm, p.y_mm])) for p in (path, rows))
    assert shapely.hausdorff_distance(one, other, densify=0.25) <= tolerance * (1 + 1e-6)
    last = np.searchsorted(rows.t_s, path.t_s + 1e-12, side="right") - 1
    assert np.array_equal(rows.beam[last][:-1], path.beam[:-1])


def test_a_straight_even_way_is_two_rows_and_tolerance_saves_rows() -> None:
    t = np.arange(1000) / RATE
    on = np.ones(1000, dtype=bool)
    straight = Samples(t, 3.0 * t, -t, on, np.zeros(1000, dtype=np.int64))
    assert len(joined(simplified([straight], 1e-6)).t_s) <= 3  # the beam goes on at its first row
    path = curve()
    counts = [
        len(joined(simplified([path], tol, keep_lines=False)).t_s) for tol in (0.001, 0.01, 0.1)
    ]
    assert counts[0] > 2 * counts[1] > 4 * counts[2]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 3600), max_size=8))
def test_blocks_equal_the_whole(cuts: list[int]) -> None:
    path = curve()
    whole, cut = (joined(simplified(p, 0.02)) for p in ([path], pieces(path, cuts)))
    for name in ("t_s", "x_mm", "y_mm", "beam", "line"):
        assert np.array_equal(getattr(whole, name), getattr(cut, name))


def run(program: str) -> tuple[Floats, Floats, Floats, Floats]:
    """A controller of its own, of regular expressions: times, places and beam after each line."""
    t, x, y, beam = 0.0, 0.0, 0.0, 0.0
    out = []
    for line in program.splitlines():
        word = {k: float(v) for k, v in re.findall(r"([GMXYFP])(-?[\d.]+)", line.split("(")[0])}
        if "M" in word:
            beam = float(word["M"] == 3)
        elif word.get("G") == 4:
            t += word["P"]
        elif word.get("G") == 1:
            t += 60 * np.hypot(word["X"] - x, word["Y"] - y) / word["F"]
            x, y = word["X"], word["Y"]
        elif word.get("G") == 0:
            x, y = word["X"], word["Y"]
        else:
            continue
        out.append((t, x, y, beam))
    return tuple(np.array(out).T)  # type: ignore[return-value]


def test_a_controller_that_keeps_the_feeds_keeps_the_clock(tmp_path: Path) -> None:
    path, file = curve(20.0), tmp_path / "positions.ngc"
    rows = joined(simplified([path], 0.02))
    write_positions(file, pieces(rows, [7, 100]), title="tile (layered)")
    t, x, y, beam = run(file.read_text())
    # Coordinates have four decimals, waits below a millisecond go into the next move: an even
    # stretch may begin that much late. The clock does not drift.
    speed = np.hypot(np.diff(path.x_mm), np.diff(path.y_mm)).max() * RATE
    off = np.hypot(np.interp(path.t_s, t, x) - path.x_mm, np.interp(path.t_s, t, y) - path.y_mm)
    assert off.max() <= 0.02 + 1e-4 + 1e-3 * speed
    assert t[-1] == pytest.approx(path.t_s[-1], abs=2e-3)
    switched = t[np.flatnonzero(np.diff(beam)) + 1]
    wanted = path.t_s[np.flatnonzero(np.diff(path.beam.astype(int), prepend=0))]
    assert np.abs(switched - wanted).max() < 2e-3


def test_our_own_reader_of_programs_reads_it(tmp_path: Path) -> None:
    from hysteresis.paths.rs274 import read_rs274

    file = tmp_path / "positions.ngc"
    rows = joined(simplified([curve()], 0.02))
    assert write_positions(file, [rows]) == len(rows.t_s)
    found = read_rs274(file.read_text(), file=file).polyline
    assert np.hypot(found.x_mm[-1] - rows.x_mm[-1], found.y_mm[-1] - rows.y_mm[-1]) < 1e-4
    assert "Caution" in file.read_text()


def test_lines_of_the_toolpath_stay_lines(tmp_path: Path) -> None:
    file = tmp_path / "positions.gcode"
    write_positions(file, simplified([curve()], 0.05))
    marks = [int(n) for n in re.findall(r"\(line (\d+)\)", file.read_text())]
    assert marks == list(range(1, 13))


def test_the_table_reads_back(tmp_path: Path) -> None:
    file = tmp_path / "positions.csv"
    rows = joined(simplified([curve()], 0.02))
    write_positions(file, [rows])
    back = read_timed_path(file)
    assert np.abs(back.x_mm - rows.x_mm).max() <= 0.5e-5 and np.array_equal(back.beam, rows.beam)


def test_other_endings_and_empty_paths_write_nothing(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="endings"):
        write_positions(tmp_path / "p.txt", [curve()])
    with pytest.raises(InputError, match="fewer than two rows"):
        write_positions(tmp_path / "p.csv", [])
    assert not list(tmp_path.iterdir())
