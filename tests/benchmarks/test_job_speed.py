"""Speed and memory of a whole job: read, timed, compensated, checked and written.

An invented layered job on a thread-like rig, 48 kHz, 24 bits, three channels. Asked for: an hour
of it 100 times faster than it plays, in 400 MB; compensation within 1.5 times the kernel's own
time; all else no slower than four times what libsndfile takes to write the same file. CI runs five
minutes; `JOB_MINUTES=60 python -m pytest -s tests/benchmarks/test_job_speed.py -p no:xdist` the
hour. Times are those of the processor, of both threads together: on two free cores the clock on
the wall shows less. `JOB_NULL=1` writes to nowhere.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from compensate.models import fitted, one_rig
from fitted_rigs import bench

from hysteresis.bench import TEMPLATE
from hysteresis.compensate import compensate_stream
from hysteresis.compensate.job import JobPath, PathOptions, open_job
from hysteresis.compensate.output import beside, sampled, samples_at_rate
from hysteresis.compensate.restart import PartFile
from hysteresis.compensate.scan import scan
from hysteresis.compensate.stream import PlayedBlock
from hysteresis.model import bench_identity, write_model
from hysteresis.paths.wav_bytes import is_long, wav_bytes
from hysteresis.pre_distortion import drives_on_even_clock
from hysteresis.wav_files import WavForm

MINUTES = float(os.environ.get("JOB_MINUTES", "5"))
RATE = 48_000


def program(file: Path, seconds: float) -> Path:
    """Layers of wavy lines there and back in chords of 0.3 mm, each followed by a park."""
    rng, lasts = np.random.default_rng(0), 0.0
    with open(file, "w") as out:
        out.write("(Invented: layers of wavy lines.)\nG21 G90 G17\nM5\n")
        while lasts < seconds:
            wave, phase, feed = rng.uniform(2, 5), rng.uniform(0, 6), rng.uniform(50, 100)
            along = np.arange(-15, 15.01, 0.3)
            lines = []
            for k, across in enumerate(np.arange(-8, 8.1, 0.8)):
                run = along if k % 2 == 0 else along[::-1]
                lines.append(np.column_stack([run, across + 0.3 * np.sin(run / wave + phase)]))
            way = np.concatenate(lines)
            x, y = way[0]
            out.write(f"G0 X{x:.4f} Y{y:.4f}\nM3 S1\nG1 F{60 * feed:.1f}\n")
            out.write("".join(f"G1 X{x:.4f} Y{y:.4f}\n" for x, y in way[1:]))
            out.write("M5\nG0 X40 Y0\nG4 P0.5\n")
            lasts += 0.31 * len(way) / feed + 1.15
        out.write("M2\n")
    return file


def whole_job(job: JobPath, target: Path | None) -> float:
    """What the command does: one pass that looks, one that writes; seconds of output."""
    rig, form = fitted(one_rig()), WavForm(24)
    found = scan(rig, bench(), compensate_stream(rig, bench(), job.blocks(), plain=True))
    assert not found.count and found.forecast is not None
    samples = samples_at_rate(found.samples, found.step_s, RATE)
    form = WavForm(24, long=is_long(samples, form))
    blocks = compensate_stream(rig, bench(), job.blocks())

    def written(out: PartFile | None):  # type: ignore[no-untyped-def]
        def work(items) -> None:  # type: ignore[no-untyped-def]
            rows = sampled(items, RATE, bench())
            for piece in wav_bytes(rows, samples, RATE, form, named="drive.wav"):
                if out is not None:
                    out.write(piece)

        return work

    if target is None:
        beside(blocks, written(None))
    else:
        with PartFile(target, {}) as out:
            beside(blocks, written(out))
            out.finish()
    return found.duration_s


def cpu(work):  # type: ignore[no-untyped-def]
    begun = time.process_time()
    return work(), time.process_time() - begun


def test_a_whole_job(tmp_path: Path) -> None:
    file = program(tmp_path / "job.ngc", 60.0 * MINUTES)
    warm = open_job(program(tmp_path / "short.ngc", 5.0), bench(), PathOptions())
    whole_job(warm, tmp_path / "warm.wav")
    job = open_job(file, bench(), PathOptions())
    target = None if os.environ.get("JOB_NULL") else tmp_path / "drive.wav"
    wall = time.perf_counter()
    lasts, taken = cpu(lambda: whole_job(job, target))
    wall = time.perf_counter() - wall
    print(
        f"\n{lasts / 60:.1f} min of job: {taken:.1f} s of processor, {lasts / taken:.0f} × real "
        f"time; on the wall {wall:.1f} s, {lasts / wall:.0f} × (load {os.getloadavg()[0]:.1f})"
    )
    assert lasts / taken > 70  # goal 100; 200 here

    # ---- where it goes
    rig = fitted(one_rig())
    blocks, read = cpu(lambda: list(job.blocks()))
    step = blocks[0].step_s
    state = one_rig().rest()
    x, y = (np.concatenate([getattr(b, n) for b in blocks]) for n in ("x_mm", "y_mm"))
    drives_on_even_clock(one_rig(), x[:1000], y[:1000], step, state)
    kernel = min(
        cpu(lambda: drives_on_even_clock(one_rig(), x, y, step, state))[1] for _ in range(3)
    )
    played: list[PlayedBlock] = []
    compensated = np.inf
    for _ in range(3):
        played, taken_once = cpu(lambda: list(compensate_stream(rig, bench(), blocks)))
        compensated = min(compensated, taken_once)
    ours = len(x) / sum(map(len, played)) * compensated / kernel
    print(f"read and timed {read:.2f} s, compensated {compensated:.2f} s: {ours:.2f} × the kernel "
          "alone (goal 1.5)")  # fmt: skip
    assert ours < 2.5

    # ---- the rest of the chain beside libsndfile
    samples = samples_at_rate(sum(map(len, played)), step, RATE)
    (rows, made) = cpu(lambda: list(sampled(played, RATE, bench())))
    plain = tmp_path / "plain.wav"

    def by_libsndfile() -> None:
        with soundfile.SoundFile(plain, "w", RATE, 3, "PCM_24") as out:
            for block in rows:
                out.write(block)

    def by_us() -> None:
        with PartFile(tmp_path / "ours.wav", {}) as out:
            for piece in wav_bytes(rows, samples, RATE, WavForm(24), named="ours.wav"):
                out.write(piece)
            out.finish()

    if MINUTES <= 10:  # all rows are held here
        _, theirs = cpu(by_libsndfile)
        _, mine = cpu(by_us)
        rest = read + made + mine
        print(f"to the output's rate {made:.2f} s, to the file {mine:.2f} s; libsndfile alone "
              f"{theirs:.2f} s: the rest is {rest / theirs:.1f} × that (goal 4)")  # fmt: skip
        assert rest < 12 * theirs


# VmHWM is the process' own; what getrusage tells begins with the peak of the one that started it
MEASURE = """
import re
from hysteresis.cli import main
try:
    main()
except SystemExit as end:
    assert not end.code, end.code
print("peak", int(re.search(r"VmHWM:\\s*(\\d+) kB", open("/proc/self/status").read())[1]) / 1024)
"""


def peak_mb(folder: Path, minutes: float, *words: str) -> float:
    """Peak memory in MB of the command itself, for a job of so many minutes."""
    run, file = folder / "run", program(folder / f"{minutes:g}.ngc", 60.0 * minutes)
    run.mkdir(exist_ok=True)
    (run / "bench.toml").write_text(TEMPLATE)
    rig = replace(fitted(one_rig()), bench=bench_identity(bench()))
    write_model(run / "model.json", rig)
    words = ("compensate", str(run), str(file), "--force", *words)
    done = subprocess.run([sys.executable, "-c", MEASURE, *words], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    for line in done.stdout.splitlines():
        if line.startswith(("output, s", "time taken")):
            print(line)
    return float(done.stdout.split()[-1])


@pytest.mark.slow
@pytest.mark.parametrize("minutes", [10.0, 60.0])
def test_memory_of_an_hour(tmp_path: Path, minutes: float) -> None:
    peak = peak_mb(tmp_path, minutes, "--no-plain")
    print(f"\n{minutes:.0f} min: peak {peak:.0f} MB (goal 400)")
    assert peak < 400


def test_memory_does_not_grow_with_the_job(tmp_path: Path) -> None:
    """Two minutes against eight; the forecast keeps the first ten minutes' drives."""
    one, two = (peak_mb(tmp_path, minutes, "--no-plain") for minutes in (2.0, 8.0))
    print(f"\n2 min: peak {one:.0f} MB; 8 min: {two:.0f} MB (goal 400)")
    assert two < 400 and two - one < 60
