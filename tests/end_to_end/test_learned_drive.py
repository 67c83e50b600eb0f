"""What `learn` wrote goes into the next drive: the command it prints, as a person types it."""

from __future__ import annotations

import hashlib
import json
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
from command_line import content, in_process
from PIL import Image

from hysteresis.cli.learn import _as_before, _next
from hysteresis.table_files import read_timed_path, write_timed_path
from hysteresis.tables import SpotPath
from hysteresis.uncertainty_budget import budget_from_json
from hysteresis.wav_files import read_drive_wav
from tests.end_to_end.test_learn_command import made

__all__ = ["made"]  # its run, played and filmed


def said(*words: object) -> str:
    found = in_process(*words)
    assert found.returncode == 0, found.stderr
    return found.stdout


def path_of(run: Path, job_s: float) -> tuple[SpotPath, float]:
    """The rows of planned.csv between the lead-in and the way out."""
    lead_s = json.loads((run / "job.json").read_text())["lead_in_s"]
    planned = read_timed_path(run / "planned.csv")
    inside = (planned.t_s >= lead_s) & (planned.t_s < lead_s + job_s - 1e-3)
    return SpotPath(
        planned.t_s[inside], planned.x_mm[inside], planned.y_mm[inside], planned.beam[inside]
    ), lead_s  # fmt: skip


@pytest.fixture
def run(made: Path, tmp_path: Path) -> Path:
    run = Path(shutil.copytree(made, tmp_path / "run"))
    shutil.copy(run / "planned.csv", tmp_path / "tile.csv")  # a table with a clock of its own
    # waves in the field that no number of the model stands for: the correction's part
    seen = read_timed_path(run / "compensated.csv")
    x_mm = seen.x_mm + 0.15 * np.sin(0.9 * seen.x_mm + 0.7 * seen.y_mm)
    write_timed_path(
        run / "compensated.csv", SpotPath(seen.t_s, x_mm, seen.y_mm, seen.beam), overwrite=True
    )
    return run


def test_what_was_learned_goes_into_the_next_drive(run: Path, tmp_path: Path) -> None:
    job_s = float(np.ptp(read_timed_path(run / "planned.csv").t_s))
    told = said("learn", run, "--pause-s", 0)
    line = next(v for v in told.splitlines() if v.strip().startswith("hysteresis compensate"))
    words = [str(tmp_path / "tile.csv") if w == "PATH" else w for w in shlex.split(line)[1:]]
    model, correction = run / "model_learned.json", run / "correction.json"
    assert model.exists() and correction.exists()
    assert str(model) in words and str(correction) in words

    at = words.index("--correction")
    said(*words[:at], *words[at + 2 :])
    plain_job = json.loads((run / "job.json").read_text())
    assert plain_job["correction"] is None
    wanted, drive = path_of(run, job_s)[0], read_drive_wav(run / "drive.wav")[0]

    said(*words)
    job = json.loads((run / "job.json").read_text())
    for key, file in (("model", model), ("correction", correction)):
        sha = hashlib.sha256(file.read_bytes()).hexdigest()
        assert job[key] == {"file": file.name, "sha256": sha}
    assert job["duration_s"] == plain_job["duration_s"]
    # the path that is wanted stays; numbers are written to 10 nm
    again, lead_s = path_of(run, job_s)
    np.testing.assert_array_equal(again.t_s, wanted.t_s)
    np.testing.assert_array_equal(again.beam, wanted.beam)
    np.testing.assert_allclose(again.x_mm, wanted.x_mm, rtol=0, atol=1.01e-5)
    np.testing.assert_allclose(again.y_mm, wanted.y_mm, rtol=0, atol=1.01e-5)
    # the drive does not: it moves as far as the correction does
    shifts = json.loads(correction.read_text())["shifts"]
    largest = max(float(np.abs(s["shift_x_mm"]).max()) for s in shifts)
    new = read_drive_wav(run / "drive.wav")[0]
    on_path = (new.t_s >= lead_s) & (new.t_s < lead_s + job_s)
    moved = float(np.abs(new.drive_x - drive.drive_x)[on_path].max())
    # a full scale is 48 mm; memory and spring bring between half and three times as much drive
    assert 0.5 * largest / 48.0 < moved < 3.0 * largest / 48.0


def test_the_correction_played_has_to_be_named(run: Path) -> None:
    said("learn", run, "--pause-s", 0, "--what", "path")
    correction = run / "correction.json"
    told = json.loads((run / "job.json").read_text())
    sha = hashlib.sha256(correction.read_bytes()).hexdigest()
    told["correction"] = {"file": "correction.json", "sha256": sha}
    (run / "job.json").write_text(json.dumps(told))
    before = content(run)
    forgotten = in_process("learn", run, "--force")
    assert forgotten.returncode == 2 and "held the correction correction.json" in forgotten.stderr
    told["correction"]["sha256"] = "0" * 64
    (run / "job.json").write_text(json.dumps(told))
    other = in_process("learn", run, "--correction", correction)
    assert other.returncode == 2 and "not the correction" in other.stderr
    told["correction"] = None
    (run / "job.json").write_text(json.dumps(told))
    none = in_process("learn", run, "--correction", correction)
    assert none.returncode == 2 and "held no correction" in none.stderr
    after = content(run)
    assert {k: v for k, v in after.items() if k != "job.json"} == {
        k: v for k, v in before.items() if k != "job.json"
    }


def test_the_next_command_places_the_path_as_before(run: Path, tmp_path: Path) -> None:
    """What the account of a job tells is enough to make its path again."""
    drawing = tmp_path / "line.svg"
    drawing.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20">'
        '<path d="M 2 2 L 18 9" fill="none" stroke="black"/></svg>'
    )
    placed = ("--scale", 0.5, "--x-mm", -3, "--mirror", "x", "--feed-mm-s", 20, "--settle-s", 0.1)
    said("compensate", run, drawing, *placed, "--extra-s", 0.25, "--pause-s", 2, "--force")
    account = json.loads((run / "job.json").read_text())
    wanted = (run / "planned.csv").read_bytes()
    words = shlex.split(_next(run, account, None, None, 2.0))
    assert words[2:4] == [str(run), "line.svg"] and words[-1] == "--force"
    said("compensate", run, drawing, *words[4:])
    assert (run / "planned.csv").read_bytes() == wanted
    again = json.loads((run / "job.json").read_text())
    assert again["options"] == account["options"]
    assert _as_before({"slowed": 0.5, "layers": ["a", "b"], "fit": True, "feed_mm_s": None}) == [
        "--fit-limits", "--layers", "a", "--layers", "b", "--fit",
    ]  # fmt: skip


def test_a_correction_of_another_path_is_refused(run: Path, tmp_path: Path) -> None:
    said("learn", run, "--pause-s", 0, "--what", "path")
    path = read_timed_path(tmp_path / "tile.csv")
    other = tmp_path / "other.csv"
    write_timed_path(other, SpotPath(path.t_s, 0.9 * path.x_mm, path.y_mm, path.beam))
    before = content(run)
    correction = run / "correction.json"
    found = in_process("compensate", run, other, "--correction", correction, "--force")
    assert found.returncode == 2 and "learned from another path" in found.stderr
    assert "other.csv, line " in found.stderr
    for words in (("--correction", run / "model.json"), ("--model", correction)):
        found = in_process("compensate", run, other, *words, "--force")
        assert found.returncode == 2 and str(words[1]) in found.stderr
    kept = ("compensate", run, other, "--model", tmp_path / "m.json", "--force")
    assert in_process(*kept).returncode == 2  # it is not there
    kept = ("compensate", run, other, "--correction", correction, "--out", correction, "--force")
    assert in_process(*kept).returncode == 2
    assert content(run) == before


def test_worst_places_and_budget_are_told_and_drawn(run: Path, tmp_path: Path) -> None:
    words = ("compensate", run, tmp_path / "tile.csv", "--force", "--no-plain")
    out = said(*words, "--map", tmp_path / "map.png")
    assert "Worst places foretold" in out and "What the error is made of" in out
    with Image.open(tmp_path / "map.png") as image:
        assert image.format == "PNG" and min(image.size) > 500
    job = json.loads((run / "job.json").read_text())
    worst = job["ten_worst"]
    assert 1 <= len(worst) <= 10
    rms = [place["rms_mm"] for place in worst]
    assert rms == sorted(rms, reverse=True)
    path = read_timed_path(tmp_path / "tile.csv")
    for place in worst:  # each on the trace, which is sampled every millisecond or so
        away = np.hypot(path.x_mm - place["x_mm"], path.y_mm - place["y_mm"])
        assert away.min() < 0.2
    budget = budget_from_json(job["error_budget"])
    np.testing.assert_allclose(
        budget.combined**2, sum(c.contribution**2 for c in budget.components), rtol=1e-9
    )
    row = next(v for v in out.splitlines() if "parts add in square" in v)
    assert row.split()[0] == f"{budget.combined:.4f}"
    assert in_process(*words, "--map", tmp_path / "map.gif").returncode == 2


def test_layers_of_a_drawing_are_chosen(run: Path, tmp_path: Path) -> None:
    import ezdxf

    drawing = ezdxf.new(units=4)
    for name, y in (("cut", 5.0), ("notes", -5.0)):
        drawing.layers.add(name)
        drawing.modelspace().add_line((-5, y), (5, y), dxfattribs={"layer": name})
    drawing.saveas(tmp_path / "two.dxf")
    words = ("compensate", run, tmp_path / "two.dxf", "--feed-mm-s", 30, "--force")
    said(*words, "--layers", "cut")
    planned = read_timed_path(run / "planned.csv")
    moved_mm = json.loads((run / "job.json").read_text())["smoothing_mm"]
    assert 0.0 < moved_mm < 0.1
    np.testing.assert_allclose(planned.y_mm[planned.beam], 5.0, rtol=0, atol=moved_mm + 1e-5)
    found = in_process(*words, "--layers", "cuts")
    assert found.returncode == 2 and "no layer of this name" in found.stderr
    table = in_process("compensate", run, tmp_path / "tile.csv", "--layers", "cut", "--force")
    assert table.returncode == 2 and "--layers" in table.stderr
