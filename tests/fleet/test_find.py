"""Which folders are runs, whatever lies around them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from hysteresis.errors import InputError
from hysteresis.fleet.find import find_runs
from hysteresis.fleet.store import open_store


def run(path: Path) -> Path:
    path.mkdir(parents=True, exist_ok=True)
    (path / "bench.toml").write_text("")
    return path


def names(folder: Path) -> list[str]:
    return [name for name, _ in find_runs(folder, folder / "fleet").runs]


def test_runs_are_found_at_any_depth_and_within_runs_in_the_order_of_their_names(tmp_path) -> None:
    for name in ("b", "a/inner", "a", "deep/er/still", ".hidden/run"):
        run(tmp_path / name)
    (tmp_path / "nothing").mkdir()
    assert names(tmp_path) == ["a", "a/inner", "b", "deep/er/still"]


def test_the_folder_itself_may_be_a_run(tmp_path) -> None:
    run(tmp_path)
    assert names(tmp_path) == ["."]


def test_stores_of_results_are_passed_over_by_their_mark_or_by_name(tmp_path) -> None:
    run(tmp_path / "a")
    open_store(tmp_path / "of-before")
    run(tmp_path / "of-before" / "results" / "copy")
    run(tmp_path / "fleet" / "results" / "copy")
    assert names(tmp_path) == ["a"]


def test_links_are_followed_once_and_may_go_in_circles(tmp_path) -> None:
    run(tmp_path / "runs" / "a")
    away = run(tmp_path / "elsewhere" / "b")
    (tmp_path / "runs" / "linked").symlink_to(away)
    (tmp_path / "runs" / "twice").symlink_to(away)
    (tmp_path / "runs" / "up").symlink_to(tmp_path / "runs")
    (tmp_path / "runs" / "a" / "round").symlink_to(tmp_path)
    (tmp_path / "runs" / "self").symlink_to("self")
    (tmp_path / "runs" / "gone").symlink_to("nowhere")
    # 'elsewhere' is reached through a/round first; its runs count once all the same
    assert names(tmp_path / "runs") == ["a", "a/round/elsewhere/b"]


def test_a_folder_that_cannot_be_read_is_named_and_does_not_hide_the_others(
    tmp_path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(tmp_path / "a")
    (tmp_path / "shut").mkdir()
    real = os.scandir

    def scandir(path: Path):
        if Path(path).name == "shut":  # chmod does not keep an administrator out
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    found = find_runs(tmp_path, tmp_path / "fleet")
    assert [name for name, _ in found.runs] == ["a"]
    assert found.troubles == (("shut", "cannot be read: permission denied"),)
    with pytest.raises(InputError, match="this folder cannot be read: permission denied"):
        find_runs(tmp_path / "shut", tmp_path / "fleet")


def test_no_folder_a_file_and_an_empty_folder_are_refused(tmp_path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        find_runs(tmp_path / "none", tmp_path / "fleet")
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="file, not a folder"):
        find_runs(tmp_path / "file", tmp_path / "fleet")
    (tmp_path / "empty" / "below").mkdir(parents=True)
    with pytest.raises(InputError, match="no run was found"):
        find_runs(tmp_path / "empty", tmp_path / "fleet")
