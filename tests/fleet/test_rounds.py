"""Rounds over all runs: what is kept, what is done again, and what stops what."""

from __future__ import annotations

import errno
import json
from pathlib import Path

import pytest

from fleet import stand_ins
from hysteresis.fleet import rounds
from hysteresis.fleet.cluster import ClusterLost
from hysteresis.fleet.find import find_runs
from hysteresis.fleet.here import in_process
from hysteresis.fleet.rounds import Row, Stopped, fit_runs
from hysteresis.fleet.store import open_store
from hysteresis.fleet.task import Outcome, failed

NAMES = tuple("abcdef")


@pytest.fixture
def folder(tmp_path) -> Path:
    """Six runs that only the stand-ins can work on."""
    for name in NAMES:
        run = tmp_path / "runs" / name
        run.mkdir(parents=True)
        for file in ("bench.toml", "pattern.csv", "recording.csv"):
            (run / file).write_text(f"{file} of {name}")
    return tmp_path / "runs"


class Counting:
    """An engine in this process that knows what it was asked, and may end after some tasks."""

    def __init__(self, ends_after: int = 99, ends_with: BaseException | None = None) -> None:
        self.asked: list[str] = []
        self.ends_after, self.ends_with = ends_after, ends_with

    def __call__(self, tasks, work):
        for task, outcome in in_process(tasks, work):
            if len(self.asked) == self.ends_after:
                raise self.ends_with or AssertionError
            self.asked.append(task.run)
            yield task, outcome


def fitted(folder: Path, engine=in_process, work=stand_ins.digest, **options) -> dict[str, Row]:
    store = open_store(folder / "fleet")
    found = find_runs(folder, store.path)
    rows = fit_runs(found.runs, store, engine, stamp="today", work=work, **options)
    assert [row.run for row in rows] == [name for name, _ in found.runs]
    return {row.run: row for row in rows}


def states(rows: dict[str, Row]) -> str:
    return " ".join(rows[name].state.replace(" ", "-") for name in sorted(rows))


def models(folder: Path) -> dict[str, bytes]:
    return {p.parent.name: p.read_bytes() for p in sorted(folder.glob("*/model.json"))}


def test_a_second_round_takes_everything_from_the_store(folder) -> None:
    assert states(fitted(folder)) == "done " * 5 + "done"
    before = models(folder)
    assert sorted(before) == list(NAMES)
    engine = Counting()
    assert states(fitted(folder, engine)) == "as-before " * 5 + "as-before"
    assert engine.asked == [] and models(folder) == before


def test_after_ctrl_c_the_next_round_does_only_what_is_left(folder) -> None:
    with pytest.raises(Stopped) as stopped:
        fitted(folder, Counting(2, KeyboardInterrupt()))
    assert (stopped.value.finished, stopped.value.wanted) == (2, 6)
    assert sorted(models(folder)) == ["a", "b"]
    engine = Counting()
    rows = fitted(folder, engine)
    assert engine.asked == ["c", "d", "e", "f"] and all(row.fine for row in rows.values())


def test_a_result_that_was_kept_before_its_files_were_written_is_written_now(folder) -> None:
    fitted(folder)
    before = models(folder)
    (folder / "c" / "model.json").unlink()  # as if the end had come between the two
    engine = Counting()
    fitted(folder, engine)
    assert engine.asked == [] and models(folder) == before


def test_a_changed_input_is_done_anew_and_no_other(folder) -> None:
    fitted(folder)
    before = models(folder)
    (folder / "c" / "recording.csv").write_text("another one")
    engine = Counting()
    assert states(fitted(folder, engine)) == "as-before as-before done " + "as-before " * 2 + (
        "as-before"
    )
    assert engine.asked == ["c"]
    after = models(folder)
    assert {name for name in NAMES if after[name] != before[name]} == {"c"}


def test_other_options_and_other_software_are_done_anew(folder, monkeypatch) -> None:
    fitted(folder)
    engine = Counting()
    fitted(folder, engine, memory="both")
    assert engine.asked == list(NAMES)
    monkeypatch.setattr(rounds, "software", lambda: {"hysteresis": "another"})
    engine = Counting()
    fitted(folder, engine)
    assert engine.asked == list(NAMES)


def test_again_asks_nothing_of_the_store(folder) -> None:
    fitted(folder)
    engine = Counting()
    assert states(fitted(folder, engine, again=True)) == "done " * 5 + "done"
    assert engine.asked == list(NAMES)


def test_a_model_of_the_persons_is_kept_unless_force_is_said(folder) -> None:
    mine = folder / "b" / "model.json"
    mine.write_text("mine")
    rows = fitted(folder)
    assert {name for name in NAMES if not rows[name].fine} == {"b"}
    assert "is kept; add --force" in rows["b"].reason and mine.read_text() == "mine"
    assert fitted(folder, force=True)["b"].state == "done" and mine.read_text() != "mine"


def test_a_model_that_was_changed_by_hand_is_the_persons_from_then_on(folder) -> None:
    fitted(folder)
    mine = folder / "b" / "model.json"
    mine.write_text("mine by now")
    rows = fitted(folder)
    assert rows["b"].state == "failed" and mine.read_text() == "mine by now"


def test_a_model_that_appeared_while_its_run_was_worked_on_is_kept(folder) -> None:
    def work(task):
        if task.run == "b":
            (folder / "b" / "model.json").write_text("meanwhile")
        return stand_ins.digest(task)

    rows = fitted(folder, work=work)
    assert rows["b"].reason.startswith("model.json: the file exists and is kept")
    assert (folder / "b" / "model.json").read_text() == "meanwhile"


def test_a_fault_of_the_input_is_kept_and_one_of_the_worker_is_tried_again(folder) -> None:
    def work(task):
        if task.run in "bc":
            return failed(f"no {task.run}", lasting=task.run == "b")
        return stand_ins.digest(task)

    rows = fitted(folder, work=work)
    assert [name for name in NAMES if not rows[name].fine] == ["b", "c"]
    engine = Counting()
    again = fitted(folder, engine, work=work)
    assert engine.asked == ["c"] and again["b"].reason == "no b" and again["c"].reason == "no c"


def test_a_full_disk_stops_the_round_and_the_next_goes_on(folder, monkeypatch) -> None:
    real, written = rounds.write_atomic, []

    def full(path, data, **options):
        if len(written) == 3:
            raise OSError(errno.ENOSPC, "No space left on device", str(path))
        real(path, data, **options)
        written.append(path)

    monkeypatch.setattr(rounds, "write_atomic", full)
    with pytest.raises(OSError, match="No space left"):
        fitted(folder)
    assert sorted(models(folder)) == ["a", "b", "c"]
    monkeypatch.undo()
    engine = Counting()
    rows = fitted(folder, engine)
    # the result of d was kept whole before its model could not be written
    assert engine.asked == ["e", "f"] and all(row.fine for row in rows.values())
    assert sorted(models(folder)) == list(NAMES)


def test_a_run_that_cannot_be_written_to_does_not_stop_the_others(folder, monkeypatch) -> None:
    real = rounds.write_atomic

    def shut(path, data, **options):
        if Path(path).parent.name == "b":
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        real(path, data, **options)

    monkeypatch.setattr(rounds, "write_atomic", shut)
    rows = fitted(folder)
    assert [name for name in NAMES if not rows[name].fine] == ["b"]
    assert rows["b"].reason == "cannot be written to: permission denied"


def test_when_the_scheduler_goes_away_the_rest_is_named_and_done_next_time(folder) -> None:
    rows = fitted(folder, Counting(4, ClusterLost("the scheduler went away")))
    assert states(rows) == "done done done done not-done not-done"
    assert rows["f"].reason == "the scheduler went away"
    engine = Counting()
    fitted(folder, engine)
    assert engine.asked == ["e", "f"]


def test_progress_counts_what_is_worked_on(folder) -> None:
    told = []
    fitted(folder, told=lambda finished, wanted: told.append((finished, wanted)))
    assert told == [(k, 6) for k in range(7)]


def test_a_damaged_result_is_worked_out_again(folder) -> None:
    fitted(folder)
    kept = {
        json.loads(path.read_text())["run"]: path
        for path in (folder / "fleet" / "results").glob("*.json")
    }
    kept["d"].write_bytes(kept["d"].read_bytes()[:-40])
    engine = Counting()
    fitted(folder, engine)
    assert engine.asked == ["d"]


def test_an_outcome_without_files_leaves_the_run_alone(folder) -> None:
    rows = fitted(folder, work=lambda task: Outcome(True, plain={"figures": []}))
    assert states(rows) == "done " * 5 + "done" and models(folder) == {}
