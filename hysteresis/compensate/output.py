"""Played blocks as files: samples at the output's rate, tables, positions for a controller."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from queue import Empty, Full, Queue
from threading import Thread
from typing import TypeVar

import numpy as np

from hysteresis.bench import Bench
from hysteresis.carrier import Carrier, envelope, smoothed
from hysteresis.compensate.controller import Controller, positions_for
from hysteresis.compensate.stream import PlayedBlock, as_rows
from hysteresis.errors import LimitError
from hysteresis.model import FittedModel
from hysteresis.paths.simplified import Samples
from hysteresis.paths.stream import at_rate
from hysteresis.tables import Floats
from hysteresis.wav_files import WavForm

BETWEEN = 1e-3  # by which the curve between the grid's samples may pass the largest drive
PADDING = 8  # samples at zero behind the last one, where that falls between two of the output
T = TypeVar("T")


def samples_at_rate(count: int, step_s: float, rate_hz: float) -> int:
    """How many samples `sampled` makes of `count` on the grid."""
    ratio = 1.0 / (rate_hz * step_s)
    count += _padding(count, ratio)
    bound = (count - 1) + 1e-9 * max(ratio, 1.0)
    made = max(math.ceil(bound / ratio) - 1, 0)
    while made * ratio < bound:
        made += 1
    return made


def _padding(count: int, ratio: float) -> int:
    """Samples at zero that let the output end at zero, too."""
    over = (count - 1) / ratio
    return 0 if abs(over - round(over)) < 1e-6 else PADDING


def sampled(
    blocks: Iterable[PlayedBlock], rate_hz: float, bench: Bench, *, plain: bool = False
) -> Iterator[Floats]:
    """Drive x, drive y and beam (n, 3) at the output's rate, block by block.

    Between the grid's samples runs the polynomial of `paths.stream.at_rate`; the beam changes
    where it does. `plain`: the drives without compensation. Raises LimitError, with the place,
    where that polynomial passes the largest drive by more than `BETWEEN`: nothing is clipped.
    """
    switches: deque[tuple[float, bool]] = deque()
    step_s = 0.0

    def drives() -> Iterator[Floats]:
        nonlocal step_s
        count = 0
        for block in blocks:
            step_s = block.step_s
            at = (block.switch_at + block.first).tolist()
            switches.extend(zip(at, block.switch_on.tolist(), strict=True))
            count = block.first + len(block)
            x, y = (block.plain_x, block.plain_y) if plain else (block.drive_x, block.drive_y)
            assert x is not None and y is not None
            yield np.column_stack([x, y])
        more = _padding(count, 1.0 / (rate_hz * step_s))
        if more:
            yield np.zeros((more, 2))

    made, state = 0, False
    most = bench.limits.max_drive * (1.0 + BETWEEN)
    source = drives()
    first = next(source)  # which tells the step

    def all_drives() -> Iterator[Floats]:
        yield first
        yield from source

    for rows in at_rate(all_drives(), step_s, rate_hz):
        ratio = 1.0 / (rate_hz * step_s)
        out = np.empty((len(rows), 3))
        out[:, :2] = rows
        out[:, 2] = state
        while switches and switches[0][0] <= (made + len(rows) - 1) * ratio + 1e-9:
            place, state = switches.popleft()
            out[max(math.ceil((place - 1e-9) / ratio) - made, 0) :, 2] = state
        if not (rows.max() <= most and rows.min() >= -most):
            axis = int(np.argmax(np.abs(rows).max(axis=0)))
            row = int(np.argmax(np.abs(rows[:, axis])))
            raise LimitError(
                f"drive {'xy'[axis]} reaches {rows[row, axis]:.5f} at "
                f"{(made + row) / rate_hz:.4f} s between two samples of the grid, beyond the "
                f"allowed {bench.limits.max_drive:g}; nothing was clipped or written"
            )
        made += len(rows)
        yield out


def beside(items: Iterable[T], work: Callable[[Iterator[T]], None], ahead: int = 2) -> None:
    """Run `work` over `items` in a thread of its own, while this one makes them.

    What either raises is raised here; the other one is then stopped.
    """
    queue: Queue[tuple[T] | None] = Queue(ahead)
    failed: list[BaseException] = []
    stop = False

    def taken() -> Iterator[T]:
        while True:
            try:
                item = queue.get(timeout=0.2)
            except Empty:
                if stop:
                    raise _Stopped from None
                continue
            if stop:
                raise _Stopped
            if item is None:
                return
            yield item[0]

    def run() -> None:
        try:
            work(taken())
        except BaseException as error:
            failed.append(error)

    def put(item: tuple[T] | None) -> bool:
        while worker.is_alive() and not failed:
            try:
                queue.put(item, timeout=0.2)
                return True
            except Full:
                continue
        return False

    worker = Thread(target=run, name="writer")
    worker.start()
    try:
        for item in items:
            if not put((item,)):
                break
        else:
            put(None)
        worker.join()
    except BaseException:
        stop = True
        worker.join()
        raise
    if failed:
        raise failed[0]


class _Stopped(Exception):
    """The other side has ended early."""


# ---- tables --------------------------------------------------------------------------------------


def drive_table(blocks: Iterable[PlayedBlock]) -> Iterator[bytes]:
    """drive.csv: a row at each sample of the grid and each change of the beam, to the last bit."""
    yield b"t_s,drive_x,drive_y,beam\n"
    for rows in as_rows(blocks):
        columns = (v.tolist() for v in (rows.t_s, rows.drive_x, rows.drive_y, rows.beam))
        lines = [f"{t!r},{x!r},{y!r},{on:d}\n" for t, x, y, on in zip(*columns, strict=True)]
        yield "".join(lines).encode("ascii")


def planned_table(blocks: Iterable[PlayedBlock]) -> Iterator[bytes]:
    """planned.csv: the wanted spots at the same rows, to 10 nm; no correction is in them."""
    yield b"t_s,x_mm,y_mm,beam\n"
    for rows in as_rows(block.wanted for block in blocks):
        columns = (v.tolist() for v in (rows.t_s, rows.x_mm, rows.y_mm, rows.beam))
        lines = [f"{t!r},{x:.5f},{y:.5f},{on:d}\n" for t, x, y, on in zip(*columns, strict=True)]
        yield "".join(lines).encode("ascii")


def positions(
    blocks: Iterable[PlayedBlock], controller: Controller, fitted: FittedModel, bench: Bench
) -> Iterator[Samples]:
    """What a controller without memory is to be told, to put out the drives; see `controller`."""
    for rows in as_rows(blocks):
        x, y = positions_for(controller, fitted, bench, rows.drive_x, rows.drive_y)
        yield Samples(rows.t_s, x, y, rows.beam, rows.line)


# ---- the carrier, checked ------------------------------------------------------------------------


def carrier_difference(
    file: Path, plan: Iterable[Floats], carrier: Carrier, form: WavForm, rate: int
) -> float:
    """Largest difference, as a share of full scale, of a written file from its plan.

    `file` is demodulated (`carrier.envelope`) and compared with the drives `plan` (n, 3), smoothed
    in the same way, at every fourth sample.
    """
    import soundfile

    every, block = 4, 65_536
    drives = [k for k, name in enumerate(form.layout) if name != "b"]
    columns = [{"x": 0, "y": 1}[form.layout[k]] for k in drives]

    def read() -> Iterator[Floats]:
        with soundfile.SoundFile(file) as source:
            whole = 2.0**31 if form.bits != 32 else 1.0
            step = 2.0 ** (32 - form.bits)  # a code of the file in those of 32 bits
            top = (2 ** (form.bits - 1) - 1) * step / whole if form.bits != 32 else 1.0
            while len(rows := source.read(block, dtype="float64", always_2d=True)):
                out = np.zeros((len(rows), 2))
                out[:, : len(drives)] = rows[:, drives] / top
                yield out

    def planned() -> Iterator[Floats]:
        for rows in plan:
            out = np.zeros((len(rows), 2))
            out[:, : len(columns)] = rows[:, columns]
            yield out

    seen = _even(envelope(read(), carrier, rate, every))
    meant = _even(smoothed(planned(), carrier, rate, every))
    worst = 0.0
    for a, b in zip(seen, meant, strict=False):
        n = min(len(a), len(b))
        worst = max(worst, float(np.abs(a[:n, : len(drives)] - b[:n, : len(drives)]).max()))
    return worst


def _even(blocks: Iterable[Floats], rows: int = 16_384) -> Iterator[Floats]:
    """The same rows in blocks of one length, the last one shorter."""
    held: Floats | None = None
    for block in blocks:
        held = block if held is None else np.concatenate([held, block])
        while len(held) >= rows:
            yield held[:rows]
            held = held[rows:]
    if held is not None and len(held):
        yield held
