"""The worked studies in their short forms, and the recordings of data/ made again."""

import csv

import numpy as np
import pytest

from data import make
from experiments import worked_characterise, worked_choose, worked_week
from experiments.worked import MARK, Study, begun, run_here
from hysteresis.bench import read_bench
from hysteresis.table_files import read_camera_log, read_pattern, read_timed_path


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """One run of data/ made again."""
    folder = tmp_path_factory.mktemp("data") / "flexure-1"
    make.make_run(folder, make.definition())
    return folder


def rows(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


def test_the_script_makes_the_same_recording_again(made):
    """Another processor may round the last digit of a centre the other way, no more."""
    kept = make.HERE / "flexure-1"
    assert sorted(f.name for f in made.iterdir()) == sorted(f.name for f in kept.iterdir())
    for name in ("bench.toml", "simulated.txt"):
        assert (made / name).read_text() == (kept / name).read_text()
    for name, digits in (
        ("pattern.csv", make.PATTERN_DECIMALS),
        ("camera_log.csv", make.LOG_DECIMALS),
    ):
        again, there = rows(made / name), rows(kept / name)
        assert again[0] == there[0] and len(again) == len(there)
        for k, column in enumerate(there[0]):
            if column in digits:
                a, b = (np.array([float(row[k]) for row in of[1:]]) for of in (again, there))
                np.testing.assert_allclose(a, b, rtol=0, atol=1.01 * 10.0 ** -digits[column])
            else:
                assert [row[k] for row in again] == [row[k] for row in there]


def test_the_job_is_the_one_of_the_script():
    plan = make.definition()
    kept = make.HERE / plan["job"]["file"]
    assert kept.read_text(encoding="utf-8") == make.job(plan)


def test_every_run_of_data_can_be_read_and_says_that_it_is_simulated():
    plan = make.definition()
    names = make.run_names(plan)
    assert sorted(names) == sorted(
        f.name for f in make.HERE.iterdir() if (f / "bench.toml").exists()
    )
    for name in names:
        folder = make.HERE / name
        bench = read_bench(folder / "bench.toml")
        suspension, seed = make.unit_of(name, plan)
        assert (bench.suspension, bench.unit) == (suspension, str(seed))
        assert "invented" in bench.name
        assert (folder / "simulated.txt").read_text(encoding="utf-8") == make.SIMULATED
        pattern, log = (
            read_pattern(folder / "pattern.csv"),
            read_camera_log(folder / "camera_log.csv"),
        )
        # frames for the whole pattern, but for the few that the camera drops
        assert len(log) == pytest.approx(pattern.t_s[-1] * bench.camera.frame_rate_hz, rel=0.05)


def test_the_data_are_small():
    assert sum(f.stat().st_size for f in make.HERE.rglob("*") if f.suffix != ".pyc") < 2e6


def test_numbers_lose_zeros_only():
    text = "t_s,segment\n0.5000,hold/010\n-0.000,a/1\n100.0,b/20\n12,c/3\n"
    cells = [make._short(cell) for line in text.split() for cell in line.split(",")]
    assert cells == ["t_s", "segment", "0.5", "hold/010", "0", "a/1", "100", "b/20", "12", "c/3"]


def test_a_folder_of_somebody_else_is_left_alone(tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(SystemExit, match="left alone"), begun(tmp_path):
        pass
    assert (tmp_path / "thesis.txt").read_text() == "mine"


def test_an_own_folder_is_made_anew(tmp_path):
    with begun(tmp_path / "work") as study:
        (study.path("old.txt")).write_text("old")
    with begun(tmp_path / "work") as study:
        assert [f.name for f in study.work.iterdir()] == [MARK]


def test_a_refused_command_ends_the_study_with_its_sentence(tmp_path):
    with pytest.raises(RuntimeError, match="no such run folder"):
        Study(tmp_path).command("fit", "nowhere")
    assert run_here(["fit", "nowhere"], tmp_path)[0] == 2


# ---- short forms -------------------------------------------------------------------------------


def test_characterise_in_short(tmp_path, capsys):
    """The camera's word on the plain job agrees with the truth as well as the camera knows places
    (that on the compensated one is shifted in time, as a pure delay is no error)."""
    plan = worked_characterise.definition(short=True)
    with begun(tmp_path / "work", full=False) as study:
        outcome = worked_characterise.characterise(study, plan)
        worked_characterise.tell(outcome, plan["pause_s"])
        said = capsys.readouterr().out
        assert str(tmp_path) not in said + study.path("commands.txt").read_text(encoding="utf-8")
        page = study.path(f"{plan['run']}/report.html").read_text(encoding="utf-8")
        assert str(tmp_path) not in page and "Simulated" in page
        wanted, seen = (
            read_timed_path(study.path(f"{plan['run']}/plain{of}.csv")) for of in ("_true", "")
        )
    x, y = (np.interp(seen.t_s, wanted.t_s, getattr(wanted, k)) for k in ("x_mm", "y_mm"))
    off_mm = np.hypot(seen.x_mm - x, seen.y_mm - y)[seen.beam]
    # place by registration: 0.05 mm (95 %, as measure says); noise of a frame: 0.02 mm
    assert np.median(off_mm) < 0.07
    assert outcome.true_mm > 0.5  # a model without memory cancels none
    low, middle, high = outcome.foretold_mm
    assert low <= middle <= high
    held = "holds" if low <= outcome.true_mm <= high else "does not hold"
    assert f"That interval {held} the true error" in " ".join(said.split())


def test_choose_in_short(tmp_path, capsys):
    """The flexure of the virtual bench remembers a sixtieth of what its elastic band does."""
    plan = worked_choose.definition(short=True)
    with begun(tmp_path / "work", full=False) as study:
        worked_choose.choose(study, plan)
        found = worked_choose.played(study, plan)
        worked_choose.tell(found)
    said = capsys.readouterr().out
    assert [p.unit for p in found] == ["elastic-1", "flexure-1"]
    elastic, flexure = found
    assert flexure.before_mm < 0.3 * elastic.before_mm
    held = sum(p.held for p in found)
    assert f"holds what was played on {held} of 2 units" in " ".join(said.split())


def test_week_in_short(tmp_path, capsys):
    """On the last day friction is up by 24 %, and half a minute of recheck says so."""
    plan = worked_week.definition(short=True)
    with begun(tmp_path / "work", full=False) as study:
        days = worked_week.week(study, plan)
        worked_week.tell(days, tolerance_mm=0.1)
        worked_week.found(days)
    (day,) = days
    assert {"friction_x", "friction_y"} <= set(day.row.moved.split())
    assert day.row.verdict == "refit" and day.taken_over
    for axis in "xy":  # half a minute knows friction to 1.5 % (recheck's own word), 3 of that
        assert day.row.values[f"friction_{axis}"] == pytest.approx(0.24, abs=0.05)
    for error in (day.plain, day.stored, day.rechecked):
        assert error.rms_mm == pytest.approx(np.hypot(error.shift_mm, error.form_mm))
    assert day.rechecked.form_mm < day.stored.form_mm < day.plain.form_mm
