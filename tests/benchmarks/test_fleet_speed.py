"""What spreading work over processes costs and gains, side by side; and the study's short form.

Tasks that wait instead of computing need no core of their own, so that the gain can be seen on a
busy machine, too: it is the engine's, not the machine's. `pytest -s` prints the figures;
`python -m experiments.fleet_speed` times real fits on all cores and through the distributed engine.
"""

from __future__ import annotations

import sys
from time import perf_counter

import pytest
from fleet.stand_ins import asleep, digest, task

from experiments import fleet_speed
from hysteresis.fleet.here import processes

TASKS = 24
GAIN = 1.5
"""Two workers against one; twice were ideal, starting a worker takes what is missing."""


def seconds_with(workers: int) -> float:
    """Time from the first result to the last: how fast tasks follow each other."""
    results = processes(workers)((task(str(k)) for k in range(TASKS)), asleep)
    next(results)
    begin = perf_counter()
    assert sum(1 for _ in results) == TASKS - 1
    return perf_counter() - begin


def test_two_workers_take_half_the_time_of_one() -> None:
    one, two = (min(seconds_with(workers) for _ in range(2)) for workers in (1, 2))
    print(f"\n{TASKS} tasks of 0.1 s: {one:.2f} s by one worker, {two:.2f} s by two, "
          f"{one / two:.2f} times faster")  # fmt: skip
    assert one > GAIN * two


def test_handing_a_task_over_costs_little_beside_a_fit() -> None:
    """A fit takes a second or more; a task of half a megabyte there and back a hundredth of it
    (goal; twice as much is allowed for a busy machine)."""
    data = bytes(500_000)
    tasks = [task(str(k)) for k in range(100)]
    for each in tasks:
        each.files["camera_log.csv"] = data
    results = processes(1)(tasks, digest)
    next(results)
    begin = perf_counter()
    count = sum(1 for _ in results)
    each_s = (perf_counter() - begin) / count
    print(f"\nhanding over 0.5 MB and back: {1e3 * each_s:.2f} ms")
    assert each_s < 0.02


def test_the_study_in_its_short_form_finds_the_same_bytes(
    tmp_path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["fleet_speed", "--short", "--folder", str(tmp_path / "made")])
    fleet_speed.main()
    said = capsys.readouterr().out
    print(said)
    assert said.count("the same") == 2 and "OTHERS" not in said and "1 invented runs" in said
