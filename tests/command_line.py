"""The command line as processes of their own, for tests from end to end."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tempfile
import warnings
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from unittest import mock

COMMAND = [sys.executable, "-c", "from hysteresis.cli import main; main()"]
# what the interpreter keeps to itself by default
QUIET = (DeprecationWarning, PendingDeprecationWarning, ImportWarning, ResourceWarning)


def call(*words: object) -> subprocess.CompletedProcess[str]:
    """`hysteresis WORDS…` as a process of its own, for what hangs on one (signals, streams)."""
    return subprocess.run([*COMMAND, *map(str, words)], capture_output=True, text=True, timeout=300)


def done(*words: object) -> str:
    """What a command says that must succeed; within this process (see `in_process`).

    A start costs one to three seconds of imports and of loading kernels, most commands less.
    """
    finished = in_process(*words)
    assert finished.returncode == 0, finished.stderr
    assert "Traceback" not in finished.stderr and "Warning" not in finished.stderr
    return finished.stdout


done_here = done


def content(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def refused(watched: Path, *words: object) -> str:
    """The one sentence of a refused command; nothing below `watched` has changed.

    Within this process: there are hundreds of refusals, and starting takes longer than refusing.
    """
    before = content(watched)
    finished = in_process(*words)
    assert finished.returncode == 2, finished.stdout + finished.stderr
    lines = [line for line in finished.stderr.splitlines() if not line.endswith("…")]
    assert len(lines) == 1, finished.stderr  # beside it stand lines of progress only
    assert lines[0].startswith("hysteresis: ") and lines[0].endswith(".")
    assert content(watched) == before
    return lines[0]


def in_process(*words: object) -> subprocess.CompletedProcess[str]:
    """`hysteresis WORDS…` within this process: what it says and its exit code, without the start.

    Warnings are shown as a process would show them, not gathered by pytest. What hangs on a process
    of its own (signals, streams) uses `call`.
    """
    from hysteresis.cli import main

    out, err = io.StringIO(), io.StringIO()
    code: object = 0
    argv = mock.patch.object(sys, "argv", ["hysteresis", *map(str, words)])
    warned = warnings.catch_warnings(record=True)
    with argv, redirect_stdout(out), redirect_stderr(err), warned as shown:
        warnings.resetwarnings()
        for quiet in QUIET:
            warnings.simplefilter("ignore", quiet)
        try:
            main()
        except SystemExit as end:
            code = end.code or 0
    for one in shown:
        err.write(warnings.formatwarning(one.message, one.category, one.filename, one.lineno))
    return subprocess.CompletedProcess(list(words), int(str(code)), out.getvalue(), err.getvalue())


class Forked:
    """The command in a process of its own that has the imports behind it already.

    Python's fork server imports once what `preload` names; each command is a fork of it, with
    pipes for its streams, that can be killed like any other process.
    """

    def __init__(self, words: list[str], preload: tuple[str, ...] = ()) -> None:
        import multiprocessing

        server = multiprocessing.get_context("forkserver")
        server.set_forkserver_preload(["command_line", "hysteresis.cli", *preload])
        self.folder = tempfile.TemporaryDirectory()
        names = [str(Path(self.folder.name) / name) for name in ("in", "out")]
        for name in names:
            os.mkfifo(name)
        self.process = server.Process(target=_forked, args=(words, *names), daemon=True)
        self.process.start()
        self.into, self.out = os.open(names[0], os.O_WRONLY), os.open(names[1], os.O_RDONLY)
        assert self.process.pid is not None
        self.pid = self.process.pid

    def wait(self, timeout_s: float = 20.0) -> int | None:
        """The exit code, once it has ended (minus the signal that ended it); closes the pipes."""
        self.process.join(timeout_s)
        for end in (self.into, self.out):
            os.close(end)
        self.folder.cleanup()
        return self.process.exitcode


def _forked(words: list[str], into: str, out: str) -> None:
    """What a fork does: its streams put in place, then the command as from a shell."""
    os.dup2(os.open(into, os.O_RDONLY), 0)
    written = os.open(out, os.O_WRONLY)
    os.dup2(written, 1)
    os.dup2(written, 2)
    sys.stdin, sys.stdout, sys.stderr = (
        os.fdopen(number, mode, closefd=False) for number, mode in ((0, "r"), (1, "w"), (2, "w"))
    )
    sys.argv = ["hysteresis", *words]
    from hysteresis.cli import main

    main()
