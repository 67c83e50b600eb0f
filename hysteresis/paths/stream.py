"""A toolpath in chunks put on the clock block by block: the same path as at once, any length.

Chunks are planned as they come (`timing.plan_stretch`): a row is passed on once no later row can
change its speed. Most rests end a stretch exactly; where the path goes on without a rest, the
rows within the braking distance of the end are kept for the next round, and nothing is lost
either. Only where the rows kept grow beyond `MOST_OPEN` (their moves are so short, or speeds so
high, that braking takes longer than that; with a limit of jerk: no rest within that many moves),
the spot comes to rest there: the one case in which the result differs from planning at once.

Rows are taken in rounds of a fixed number, counted from the start of the job, samples in blocks
of a fixed number: to the last bit, neither depends on how the job was cut into chunks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.errors import InputError
from hysteresis.kernels import path_samples
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.corners import with_round_corners
from hysteresis.paths.marks import PARK_S, STILL_MM_S
from hysteresis.paths.reached import Reached, watched
from hysteresis.paths.rows import joined_chunks, part
from hysteresis.paths.smoothing import STEPS_PER_KERNEL, hann_weights
from hysteresis.paths.timing import Stretch, Timing, plan_stretch
from hysteresis.paths.waits import with_settling
from hysteresis.tables import Bools, Floats, Ints, Polyline

ROUND_ROWS = 16_384
MOST_OPEN = 4 * ROUND_ROWS
BLOCK_SAMPLES = 65_536
LONGEST_S = 1e6  # a wait beyond this (11 days) is a slip
MOST_RATE_HZ = 192_000.0


@dataclass(frozen=True)
class TimedBlock:
    """Some samples of the finished path, on an even grid.

    Sample `first + i` is at (first + i) · step_s; the path starts half a kernel at rest before
    its first move, as a `SpotPath` of `read_path` does. Positions (mm) are smoothed. `beam` is
    the beam at each sample; it changes at `switch_at` (in samples behind `first`, with fractions,
    rising, from 0 to below the length of the block) to `switch_on`. `line_of_row` is the line
    of the file under way at each sample, `layer` the layer, from 0: a new one begins with the
    first trace behind a park that follows a trace (the way back from the park still counts to
    the layer before).
    `smoothing_mm` is the largest distance that smoothing moved a sample with the beam on.
    """

    first: int
    step_s: float
    x_mm: Floats
    y_mm: Floats
    beam: Bools
    switch_at: Floats
    switch_on: Bools
    line_of_row: Ints
    layer: Ints
    smoothing_mm: float

    def __len__(self) -> int:
        return len(self.x_mm)


def timed_blocks(
    chunks: Iterable[Chunk],
    timing: Timing,
    *,
    grid_step_s: float | None = None,
    reached: Reached | None = None,
) -> Iterator[TimedBlock]:
    """Time and smooth a toolpath of any length.

    Parameters
    ----------
    chunks : the path; see `Chunk`. Waits for the beam and round corners come in here, as the
        settings ask for.
    grid_step_s : step of the grid: an even part of the kernel, 8 to the kernel or more (the
        default is 16).
    reached : counts what of the trace runs at its feed, where it is given.

    Raises
    ------
    InputError for a grid that does not fit the kernel, no chunk at all, and, with the line, for
    places, feeds and waits that are no numbers.
    """
    stretches = planned(chunks, timing)
    if reached is not None:
        stretches = watched(stretches, reached)
    return blocks_of(stretches, timing.kernel_s, grid_step_s=grid_step_s)


def blocks_of(
    stretches: Iterable[tuple[Chunk, Stretch]],
    kernel_s: float,
    *,
    grid_step_s: float | None = None,
) -> Iterator[TimedBlock]:
    """Sample rows that have their speeds, and smooth them; see `timed_blocks`."""
    steps = STEPS_PER_KERNEL
    if grid_step_s is not None:
        ratio = kernel_s / grid_step_s if grid_step_s > 0 else math.nan
        steps = 2 * round(0.5 * ratio) if np.isfinite(ratio) else 0
        if steps < 8 or abs(steps - ratio) > 1e-6:
            raise InputError(
                "the step of the grid must be an even part of the kernel, an eighth or less",
                value=grid_step_s, mend=f"take {kernel_s / STEPS_PER_KERNEL:.6g} s",
            )  # fmt: skip
    return _Sampler(kernel_s / steps, steps).blocks(stretches)


def planned(chunks: Iterable[Chunk], timing: Timing) -> Iterator[tuple[Chunk, Stretch]]:
    """Stretches of rows with their speeds, in order; row 0 of a later one is only a place."""
    chunks = with_settling(_checked(chunks), timing.settle_s, timing.settle_off_s)
    if timing.blend_mm is not None:
        chunks = with_round_corners(
            chunks, timing.blend_mm, sharper_than_rad=timing.corner_rad, approach=timing.approach
        )
    held: Chunk | None = None
    square, bent = 0.0, False
    rounds = _in_rounds(chunks)
    current: Chunk | None = next(rounds)
    moves_left = 0
    while current is not None:
        following = next(rounds, None)
        rows = current if held is None else joined_chunks(held, current)
        plan = plan_stretch(
            rows.polyline, timing, start_square=square, start_bent=bent,
            closed=following is None, forced=moves_left > MOST_OPEN,
        )  # fmt: skip
        square, bent, moves_left = plan.start_square, plan.start_bent, plan.moves_left
        yield rows, plan
        held = part(rows, slice(plan.rows - 1, None))
        held.polyline.dwell_s[0] = 0.0
        current = following


class _Sampler:
    """Samples of planned rows on the grid: raw ones, of which blocks are smoothed.

    Raw sample r is at (r - 2 half + 1) steps on the clock of the path before smoothing, and
    smoothed sample j at (j - half): it is the mean about raw sample j + half - 1.
    """

    def __init__(self, step_s: float, steps: int) -> None:
        self.step_s, self.half = step_s, steps // 2
        self.weights = hann_weights(steps)
        room = BLOCK_SAMPLES + 2 * self.half - 2
        self.x, self.y = np.empty(room), np.empty(room)
        self.on, self.line = np.empty(room, dtype=np.bool_), np.empty(room, dtype=np.int64)
        self.fill, self.first = 0, 0  # samples in the buffer; index of its first
        self.lead, self.place = np.zeros(1), np.zeros(6, dtype=np.int64)
        self.switches: list[tuple[int, float, bool]] = []
        self.last, self.layers = np.zeros(2), np.zeros(6, dtype=np.int64)

    def blocks(self, stretches: Iterable[tuple[Chunk, Stretch]]) -> Iterator[TimedBlock]:
        rows: Chunk | None = None
        for rows, plan in stretches:
            if self.first == self.fill == 0:
                # At rest before the start, for the kernel to reach into.
                still = (2 * self.half - 1) * self.step_s
                yield from self._run(*_standing(rows, 0, still))
            yield from self._run(rows, plan)
        if rows is None:
            raise InputError("the path is empty", mend="give a file that moves the spot")
        # The grid ends half a kernel behind the first sample at or behind the end of the path.
        late = self.lead[0] / self.step_s
        count = int(self.place[3]) + 2 * self.half + (-1 if late > 1.0 - 1e-9 else 0)
        still = self.lead[0] + (count - int(self.place[3]) - 0.5) * self.step_s
        yield from self._run(*_standing(rows, -1, still))
        yield self._block(self.fill - 2 * self.half + 2)

    def _run(self, rows: Chunk, plan: Stretch) -> Iterator[TimedBlock]:
        line = rows.polyline
        count = plan.rows
        x0, y0 = (np.concatenate([v[:1], v[: count - 1]]) for v in (line.x_mm, line.y_mm))
        index, before = np.empty(count + 1, dtype=np.int64), np.empty(count + 1)
        while True:
            self.fill = path_samples.sample_rows(
                plan.lasts_s, plan.way_mm, plan.speed_mm_s, plan.acceleration_mm_s2,
                plan.jerk_mm_s3, x0, y0, plan.along_x, plan.along_y, plan.length_mm,
                line.beam, rows.line_of_vertex, self.step_s, self.lead, self.place,
                self.x, self.y, self.on, self.line, self.fill, index, before,
            )  # fmt: skip
            found = int(self.place[5])
            on = bool(self.place[4])
            # each is the opposite of the one before
            states = [on ^ ((found - 1 - k) % 2 == 1) for k in range(found)]
            self.switches += zip(
                index[:found].tolist(), before[:found].tolist(), states, strict=True
            )
            if self.place[0] == count:
                self.place[0] = 0
                return
            yield self._block(BLOCK_SAMPLES)

    def _block(self, count: int) -> TimedBlock:
        """Smooth the first `count` samples that the buffer carries, and forget them."""
        reach = self.half - 1
        middle = slice(reach, reach + count)
        on, line = self.on[middle].copy(), self.line[middle].copy()
        x, y, layer = np.empty(count), np.empty(count), np.empty(count, dtype=np.int64)
        moved = path_samples.smooth_rows(self.x, self.y, on, self.weights, x, y)
        park_steps = max(math.ceil(PARK_S / self.step_s - 1e-9), 1)
        path_samples.count_layers(
            x, y, on, STILL_MM_S * self.step_s, park_steps, self.last, self.layers, layer
        )
        first = self.first
        at = [(index - reach - first) - before for index, before, _ in self.switches]
        due = sum(place < count for place in at)
        states = [state for *_, state in self.switches[:due]]
        self.switches = self.switches[due:]
        for buffer in (self.x, self.y, self.on, self.line):
            buffer[: self.fill - count] = buffer[count : self.fill].copy()
        self.fill -= count
        self.first += count
        return TimedBlock(
            first, self.step_s, x, y, on, np.array(at[:due]), np.array(states, dtype=np.bool_),
            line, layer, moved,
        )  # fmt: skip


def at_rate(
    blocks: Iterable[Floats],
    step_s: float,
    sample_rate_hz: float,
    *,
    rows: int = BLOCK_SAMPLES,
) -> Iterator[Floats]:
    """Columns on an even grid, at another rate: block by block, the same as at once to the bit.

    Parameters
    ----------
    blocks : arrays (n, k), one behind the other, of samples `step_s` apart.
    sample_rate_hz : up to 192 kHz; sample m of the result is at m / sample_rate_hz.
    rows : rows of each array that comes out (the last one has fewer).

    Returns
    -------
    Arrays (m, k), up to the last sample given. Between samples runs the polynomial of degree 7
    through the eight nearest (Lagrange); beyond either end the end value holds. Where the column
    is smooth, its error is at most 1.07e-3 h⁸ max|f⁽⁸⁾| (textbook remainder, product of the
    distances 43.07 over 8!): of a sine at half the bandwidth, sixteen samples a period, 6.1e-7
    of its amplitude, and at the whole bandwidth, where the smoothing leaves nothing, 1.5e-4.

    Raises InputError for a rate that is not above 0 and up to 192 kHz.
    """
    if not 0.0 < sample_rate_hz <= MOST_RATE_HZ:
        raise InputError(
            "the rate of the output is above 0 and at most 192000 Hz", value=sample_rate_hz,
            mend="choose another rate",
        )  # fmt: skip
    return _at_rate(blocks, 1.0 / (sample_rate_hz * step_s), rows)


def _at_rate(blocks: Iterable[Floats], ratio: float, rows: int) -> Iterator[Floats]:
    window: Floats | None = None
    first, made = -3, 0  # index of the window's first sample; samples made so far
    begun = 0  # samples made of the array under way
    out: Floats | None = None

    def fill(upto: float) -> Iterator[Floats]:
        """All samples below `upto` (in samples of the grid)."""
        nonlocal made, begun, out
        assert window is not None
        while made * ratio < upto:
            if out is None:
                out = np.empty((rows, window.shape[1]))
            # The product is what decides, so that cuts elsewhere give the same samples.
            want = min(rows - begun, max(int((upto - made * ratio) / ratio) + 2, 1))
            while (made + want - 1) * ratio >= upto:
                want -= 1
            path_samples.eight_points(window, first, ratio, made, out[begun : begun + want])
            made, begun = made + want, begun + want
            if begun == rows:
                yield out
                out, begun = None, 0

    for block in blocks:
        if len(block) == 0:
            continue
        block = np.ascontiguousarray(block, dtype=np.float64)
        window = np.concatenate(
            [np.repeat(block[:1], 3, axis=0) if window is None else window, block]
        )
        known = first + len(window) - 4  # a place below needs nothing that is not there
        yield from fill(known)
        needed = min(max(math.floor(made * ratio) - 3 - first, 0), len(window))
        window, first = window[needed:], first + needed
    if window is None:
        return
    end = first + len(window) - 1
    window = np.concatenate([window, np.repeat(window[-1:], 5, axis=0)])
    yield from fill(end + 1e-9 * max(ratio, 1.0))
    if out is not None and begun:
        yield out[:begun]


def beam_at_rate(blocks: Iterable[TimedBlock], sample_rate_hz: float) -> Iterator[Bools]:
    """The beam at each sample of another rate, its changes where they are, one array a block.

    All together they are as many as `at_rate` makes of the same blocks.
    """
    made, state = 0, False
    for block, last in with_last(blocks):
        ratio = 1.0 / (sample_rate_hz * block.step_s)
        end = block.first + len(block) - 1 + 1e-9 * max(ratio, 1.0) if last else float(
            block.first + len(block)
        )  # fmt: skip
        upto = max(math.ceil(end / ratio) + 1, made)
        while upto > made and (upto - 1) * ratio >= end:
            upto -= 1
        place = np.arange(made, upto) * ratio - block.first
        states = np.append(state, block.switch_on)
        yield states[np.searchsorted(block.switch_at, place, side="right")]
        state, made = bool(states[-1]), upto


def with_last(blocks: Iterable[TimedBlock]) -> Iterator[tuple[TimedBlock, bool]]:
    """Each block, and whether it is the last."""
    before: TimedBlock | None = None
    for block in blocks:
        if before is not None:
            yield before, False
        before = block
    if before is not None:
        yield before, True


def _standing(rows: Chunk, row: int, lasts_s: float) -> tuple[Chunk, Stretch]:
    """A rest with the beam off at the first (0) or last (-1) row."""
    line = rows.polyline
    one, nothing = np.zeros(1), np.zeros((1, 1))
    place = Polyline(
        line.x_mm[[row]], line.y_mm[[row]], np.zeros(1, dtype=np.bool_), one, np.full(1, lasts_s)
    )
    plan = Stretch(
        1, 0, one, one, one, np.full((1, 1), lasts_s), nothing, nothing, nothing, nothing,
        0.0, False,
    )  # fmt: skip
    return Chunk(place, rows.line_of_vertex[[row]]), plan


def _checked(chunks: Iterable[Chunk]) -> Iterator[Chunk]:
    for chunk in chunks:
        line = chunk.polyline
        for name, values, bad in (
            ("x_mm", line.x_mm, ~np.isfinite(line.x_mm)),
            ("y_mm", line.y_mm, ~np.isfinite(line.y_mm)),
            ("feed_mm_s", line.feed_mm_s, line.feed_mm_s <= 0.0),
            ("dwell_s", line.dwell_s, ~((line.dwell_s >= 0.0) & (line.dwell_s <= LONGEST_S))),
        ):
            if bad.any():
                first = int(np.flatnonzero(bad)[0])
                raise InputError(
                    "a place, feed or wait that makes no sense",
                    row=int(chunk.line_of_vertex[first]), column=name,
                    value=float(values[first]),
                    mend="give finite places, a feed above 0 and waits from 0 to a million seconds",
                )  # fmt: skip
        yield chunk


def _in_rounds(chunks: Iterable[Chunk]) -> Iterator[Chunk]:
    """The rows in rounds of `ROUND_ROWS`, those that only repeat the one before left out."""
    waiting: list[Chunk] = []
    count, first = 0, True
    for chunk in chunks:
        new = chunk if first else part(chunk, slice(1, None))
        first = False
        waiting.append(new)
        count += len(new.polyline)
        if count < ROUND_ROWS:
            continue
        rows = joined_chunks(*waiting)
        whole = count - count % ROUND_ROWS
        for start in range(0, whole, ROUND_ROWS):
            yield part(rows, slice(start, start + ROUND_ROWS))
        waiting, count = [part(rows, slice(whole, None))], count - whole
    if first:
        raise InputError("the path is empty", mend="give a file that moves the spot")
    if count:
        yield joined_chunks(*waiting)
