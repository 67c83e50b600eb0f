"""The demo: the whole job twice, and a table at the end that the files bear out."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from command_line import done

from hysteresis.table_files import read_timed_path


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    out = tmp_path_factory.mktemp("demo") / "runs"
    return out, done("demo", "--out", out)


def test_it_ends_with_a_table_and_the_reports(demo: tuple[Path, str]) -> None:
    out, said = demo
    lines = said.splitlines()
    table = next(k for k, line in enumerate(lines) if "error on the layered tile, mm" in line)
    assert lines[table + 1].split()[:1] == ["suspension"]
    reports = [line.strip() for line in lines if line.strip().endswith("report.html")]
    assert reports == [str(out / name / "report.html") for name in ("thread", "elastic")]
    for report in reports:
        page = Path(report).read_text(encoding="utf-8")
        assert "Simulated: an invented workshop, rig and job" in page
    assert "Simulated: an invented workshop" in said and "parks at one side" in said
    assert "Caution: a beam held still" in said[said.rindex("report.html") :]


def error_mm(run: Path, played: str) -> float:
    planned, spots = (read_timed_path(run / name) for name in ("planned.csv", played))
    x = np.interp(planned.t_s, spots.t_s, spots.x_mm) - planned.x_mm
    y = np.interp(planned.t_s, spots.t_s, spots.y_mm) - planned.y_mm
    return float(np.sqrt(np.mean((x**2 + y**2)[planned.beam])))


@pytest.mark.parametrize(
    ("folder", "suspension", "times"),
    [("thread", "braided-thread", 10), ("elastic", "elastic-band", 1.5)],
)
def test_the_table_is_that_of_the_files(
    demo: tuple[Path, str], folder: str, suspension: str, times: float
) -> None:
    out, said = demo
    before, after = (error_mm(out / folder, f"{n}.csv") for n in ("plain", "compensated"))
    assert before > times * after
    row = next(line for line in said.splitlines() if line.startswith(suspension) and "rms" in line)
    figures = [float(f) for f in re.findall(r"(\d+\.\d+) \(", row)]
    assert figures == pytest.approx([before, after, before / after], rel=0.02)


def test_what_each_command_said_is_kept_and_it_can_be_run_again(demo: tuple[Path, str]) -> None:
    out, said = demo
    log = (out / "commands.txt").read_text(encoding="utf-8")
    commands = re.findall(r"^\$ (hysteresis .*)$", log, re.M)
    assert len(commands) == 16 and [c for c in commands if f"  $ {c}" not in said] == []
    assert "Traceback" not in log and "Warning" not in log
    for word in ("plan", "virtual", "measure", "fit", "compensate", "verify"):
        assert any(c.startswith(f"hysteresis {word} ") for c in commands)
