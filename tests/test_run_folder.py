"""The folder of a run."""

from pathlib import Path

import pytest

from hysteresis.bench import TEMPLATE
from hysteresis.errors import InputError
from hysteresis.run_folder import RunFolder, create_run, open_run, refuse_overwrite


def test_make_and_open(tmp_path: Path) -> None:
    run = create_run(tmp_path / "a" / "b")
    assert run.path.is_dir()
    run.bench_toml.write_text(TEMPLATE)
    assert open_run(run.path) == run
    assert create_run(run.path) == run  # again: kept as it is
    assert run.bench_toml.read_text() == TEMPLATE


def test_no_two_files_of_a_run_share_a_name() -> None:
    run = RunFolder(Path("r"))
    names = [name for name, kind in vars(RunFolder).items() if isinstance(kind, property)]
    paths = {getattr(run, name) for name in names}
    assert len(paths) == len(names) == 25
    for name in names:  # the property is named after the file
        assert getattr(run, name) == Path("r") / ".".join(name.rsplit("_", 1))


def test_what_is_no_run(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no such run folder.*hysteresis new"):
        open_run(tmp_path / "missing")
    with pytest.raises(InputError, match=r"holds no bench\.toml.*hysteresis new"):
        open_run(tmp_path)
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(InputError, match="not the folder of a run"):
        open_run(file)
    with pytest.raises(InputError, match="stands in the way"):
        create_run(file)
    with pytest.raises(InputError, match="stands in the way"):
        create_run(file / "below")


def test_refuse_overwrite(tmp_path: Path) -> None:
    file = tmp_path / "file"
    refuse_overwrite(file, force=False)
    file.write_text("kept")
    refuse_overwrite(file, force=True)
    with pytest.raises(InputError, match="--force"):
        refuse_overwrite(file, force=False)
    assert file.read_text() == "kept"
