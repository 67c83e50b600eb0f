"""The command line as processes of their own, for tests from end to end."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

COMMAND = [sys.executable, "-c", "from hysteresis.cli import main; main()"]


def call(*words: object) -> subprocess.CompletedProcess[str]:
    """`hysteresis WORDS…` as a process of its own."""
    return subprocess.run([*COMMAND, *map(str, words)], capture_output=True, text=True, timeout=300)


def done(*words: object) -> str:
    """What a command says that must succeed."""
    finished = call(*words)
    assert finished.returncode == 0, finished.stderr
    assert "Traceback" not in finished.stderr and "Warning" not in finished.stderr
    return finished.stdout


def content(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def refused(watched: Path, *words: object) -> str:
    """The one sentence of a refused command; nothing below `watched` has changed."""
    before = content(watched)
    finished = call(*words)
    assert finished.returncode == 2, finished.stdout + finished.stderr
    lines = [line for line in finished.stderr.splitlines() if not line.endswith("…")]
    assert len(lines) == 1, finished.stderr  # beside it stand lines of progress only
    assert lines[0].startswith("hysteresis: ") and lines[0].endswith(".")
    assert content(watched) == before
    return lines[0]
