"""The same bytes however the work is spread, and the same as by the commands for one run."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from command_line import done_here

from hysteresis.bench import read_bench
from hysteresis.characteristics.figure import Pair
from hysteresis.characteristics.of_run import figures_of
from hysteresis.compare import REFITS, PathAsked, compare
from hysteresis.compare.files import write_comparison
from hysteresis.compensate.job import PathOptions
from hysteresis.fleet import here
from hysteresis.fleet.cluster import check_cluster, dask
from hysteresis.fleet.find import find_runs
from hysteresis.fleet.rounds import Row, fit_runs
from hysteresis.fleet.side_by_side import compare_rows
from hysteresis.fleet.store import open_store
from hysteresis.fleet.task import Engine
from hysteresis.fleet.work import MADE, pair_from_plain
from hysteresis.model import read_model
from hysteresis.paths.placement import Placement
from hysteresis.table_files import read_pattern, read_recording

MEMORY = "both"  # one candidate to fit instead of six
STAMP = "2026-01-01T00:00:00+00:00"


def fitted(invented: Path, place: Path, engine: Engine) -> tuple[Path, list[Row]]:
    folder = Path(shutil.copytree(invented, place / "runs"))
    store = open_store(place / "results")
    rows = fit_runs(find_runs(folder, store.path).runs, store, engine, stamp=STAMP, memory=MEMORY)
    assert [row.state for row in rows] == ["done", "done"], rows
    return folder, rows


def contents(folder: Path) -> dict[str, bytes]:
    return {
        f"{run.name}/{name}": (run / name).read_bytes()
        for run in sorted(folder.iterdir())
        for name in MADE
    }


@pytest.fixture(scope="module")
def here_done(invented: Path, tmp_path_factory) -> tuple[Path, list[Row]]:
    return fitted(invented, tmp_path_factory.mktemp("here"), here.in_process)


def test_two_worker_processes_give_the_same_bytes(invented, here_done, tmp_path) -> None:
    folder, rows = fitted(invented, tmp_path, here.processes(2))
    assert contents(folder) == contents(here_done[0])
    assert [row.plain for row in rows] == [row.plain for row in here_done[1]]


def test_a_cluster_gives_the_same_bytes(invented, here_done, tmp_path, cluster) -> None:
    threads, note = check_cluster(cluster)
    assert threads == 2 and note == ""
    folder, rows = fitted(invented, tmp_path, dask(cluster))
    assert contents(folder) == contents(here_done[0])
    assert [row.plain for row in rows] == [row.plain for row in here_done[1]]


def test_measure_and_fit_write_the_same_files_but_for_the_date(invented, here_done, tmp_path):
    run = shutil.copytree(invented / "flexure", tmp_path / "flexure")
    done_here("measure", run)
    done_here("fit", run, "--no-report", "--memory", MEMORY)
    mine, theirs = contents(here_done[0]), contents(tmp_path)
    assert len(theirs) == len(MADE)
    for name in theirs:
        if not name.endswith("model.json"):
            assert mine[name] == theirs[name]
            continue
        date = json.loads(theirs[name])["provenance"]["date"]
        assert mine[name] == theirs[name].replace(date.encode(), STAMP.encode())


def test_figures_come_back_from_the_store_to_the_last_bit(here_done) -> None:
    for row in here_done[1]:
        run = here_done[0] / row.run
        bench = read_bench(run / "bench.toml")
        pairs = figures_of(
            read_pattern(run / "pattern.csv"), read_recording(run / "recording.csv"), bench,
            read_model(run / "model.json", bench), refits=REFITS,
        )  # fmt: skip
        through = [pair_from_plain(one) for one in json.loads(json.dumps(row.plain))["figures"]]
        assert len(pairs) > 20
        assert [told(pair) for pair in through] == [told(pair) for pair in pairs]


def told(pair: Pair) -> list[object]:
    """Everything of a pair, numbers to the last bit (and NaN equal to itself)."""
    return [
        one and (
            one.definition, one.axis, one.note,
            [(c.name, float(c.value).hex(), c.unit) for c in one.conditions],
            [float(number).hex() for number in (one.value, one.u, one.dof)],
        )
        for one in (pair.measured, pair.modelled)
    ]  # fmt: skip


def test_the_comparison_is_that_of_single_runs(here_done, tmp_path) -> None:
    """Figures and forecasts that went through the store give the very tables of `compare`."""
    folder, rows = here_done
    line = tmp_path / "line.csv"
    line.write_text("x_mm,y_mm,beam,feed_mm_s\n0,0,0,200\n15,0,1,200\n15,10,1,200\n")
    folders = {row.run: folder / row.run for row in rows}
    store = open_store(tmp_path / "fleet")
    asked = PathAsked(line, PathOptions(Placement(scale=0.5), feed_mm_s=150.0), 30.0)
    options = {"asked": asked, "by": ("drive_for_full_scale",), "level": 0.9, "seed": 3}
    mine = compare_rows(rows, folders, store, here.in_process, **options)
    theirs = compare(list(folders.values()), **options)
    assert mine.path is not None and len(mine.path.forecasts) == 2
    written = [write_comparison(tmp_path / name, found)
               for name, found in (("mine", mine), ("theirs", theirs))]  # fmt: skip
    for one, other in zip(*written, strict=True):
        if one.suffix == ".csv":  # the other one bears the minute in which it was made
            assert one.read_bytes() == other.read_bytes()
