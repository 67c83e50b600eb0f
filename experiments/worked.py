"""What the worked studies share: a folder to work in, commands run and shown, plain sentences.

A study walks through the toolkit as a person would, by its commands. They run in this process but
in the study's own folder, so that every path that is shown is a short one.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hysteresis.cli.console import say
from hysteresis.files import write_atomic
from hysteresis.paths.example_job import layered_tile_job

DATA = Path(__file__).resolve().parent.parent / "data"
MARK = "made-by-a-worked-study.txt"


@dataclass(frozen=True)
class Study:
    """One study under way. `work`: its folder; `full`: show all that commands say."""

    work: Path
    full: bool = True

    def path(self, name: str) -> Path:
        """A file of the study's folder, as this process finds it."""
        return self.work / name

    def command(self, *words: object, show: bool | None = None) -> str:
        """Run one command of the toolkit and return what it said; all of it is kept in
        commands.txt. Raises RuntimeError with the command's own sentence where it refuses."""
        texts = [str(word) for word in words]
        line = shlex.join(["hysteresis", *texts])
        print(f"\n  $ {line}", flush=True)
        code, said, complaint = run_here(texts, self.work)
        with self.path("commands.txt").open("a", encoding="utf-8") as log:
            print(f"$ {line}\n{said}", file=log)
        if self.full if show is None else show:
            print("\n".join(f"  | {text}".rstrip() for text in said.strip("\n").split("\n")))
        if code:
            raise RuntimeError(f"{line}: {complaint}")
        return said


def run_here(words: list[str], folder: Path) -> tuple[int, str, str]:
    """`hysteresis WORDS…` in this process and a folder: exit code, what it said, its complaint."""
    from hysteresis.cli import main

    out, err, code = io.StringIO(), io.StringIO(), 0
    argv = sys.argv
    sys.argv = ["hysteresis", *words]  # reports show the command they were made by
    try:
        with (
            contextlib.chdir(folder),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
        ):
            main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0
    finally:
        sys.argv = argv
    return code, out.getvalue(), err.getvalue().strip().rpartition("\n")[2]


def asked(doc: str) -> argparse.ArgumentParser:
    """The options that every study has."""
    ask = argparse.ArgumentParser(description=doc.splitlines()[0])
    ask.add_argument("--work", type=Path, default=None,
                     help="folder to work in, kept; a temporary one if unsaid")  # fmt: skip
    ask.add_argument("--reports", type=Path, default=None,
                     help="copy the reports (HTML and PDF) into this folder")  # fmt: skip
    ask.add_argument("--short", action="store_true", help="a small form that soon ends")
    return ask


@contextlib.contextmanager
def begun(work: Path | None, *, full: bool = True) -> Iterator[Study]:
    """A study in a folder of its own; one that is not a study's is left alone."""
    if work is None:
        with tempfile.TemporaryDirectory(prefix="worked-") as folder:
            yield Study(Path(folder), full)
        return
    if work.exists() and any(work.iterdir()):
        if not (work / MARK).is_file():
            raise SystemExit(f"{work} was not made by a worked study and is left alone")
        shutil.rmtree(work)
    work.mkdir(parents=True, exist_ok=True)
    (work / MARK).write_text("Simulated. Delete the whole folder at will.\n", encoding="utf-8")
    yield Study(work, full)


def taken(study: Study, *names: str) -> None:
    """Copy runs and files of data/ into the study's folder."""
    for name in names:
        source, target = DATA / name, study.path(name)
        if source.is_dir():
            shutil.copytree(source, target)
        else:
            shutil.copyfile(source, target)


def job_of(study: Study, plan: dict[str, Any]) -> str:
    """The job of a study: that of data/, or the small one of a short form; its name."""
    name = str(plan["job"])
    if "layered" in plan:
        write_atomic(study.path(name), layered_tile_job(**plan["layered"]))
    else:
        taken(study, name)
    return name


def kept_reports(study: Study, reports: Path | None, names: dict[str, str]) -> None:
    """Copy reports to `reports`: {page in the study's folder, without its ending: new name}."""
    if reports is None:
        return
    reports.mkdir(parents=True, exist_ok=True)
    for page, name in names.items():
        for ending in (".html", ".pdf"):
            source = study.path(page + ending)
            if source.exists():
                shutil.copyfile(source, reports / (name + ending))
                print(f"Kept {reports / (name + ending)}: {source.stat().st_size / 1e3:.0f} kB")


def step(number: int, title: str, why: str) -> None:
    """Tell what comes next, and why."""
    print(f"\n{number}. {title}\n{'-' * (len(title) + 3)}", flush=True)
    say(why)


__all__ = [
    "DATA", "Study", "asked", "begun", "job_of", "kept_reports", "run_here", "say", "step", "taken",
]  # fmt: skip
