"""The command line: one file per command beside this one, each with a function `command`.

A command file imports only typer, pathlib and typing at its top and everything heavy inside
the body, so that `hysteresis --help` answers at once.
"""

from __future__ import annotations

import atexit
import errno
import functools
import gc
import importlib
import io
import os
import sys
from collections.abc import Callable
from typing import Annotated, Any

import typer

from hysteresis.errors import HysteresisError

# In the order of the job, which is the order of the help page.
COMMANDS = (
    "new", "target", "register", "plan", "virtual", "measure", "fit", "advise", "compensate",
    "verify", "learn", "recheck", "compare", "fleet", "report", "demo",
)  # fmt: skip

BAD_INPUT, STOPPED = 2, 130

app = typer.Typer(
    name="hysteresis",
    help="Measures the memory of sprung light-steering mirrors and cancels it.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help pages need no import of rich
)


def main() -> None:
    """Run the command line; a complaint is one sentence on stderr and exit code 2."""
    # Importing makes many objects and next to no cycles. Looking for those at the usual rate, and
    # once more through everything at the very end, took a quarter of a short command.
    gc.set_threshold(100_000)
    # On matrices as small as ours a second thread of linear algebra only spins for a core. Before
    # numpy is imported, which reads it.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    atexit.register(gc.freeze)
    for stream in (sys.stdout, sys.stderr):
        # A terminal without ± or ∞ shows a question mark; it must not end the command.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        app(prog_name="hysteresis")
    except HysteresisError as error:
        _leave(str(error).rstrip(".") + ".", BAD_INPUT)
    except OSError as error:
        _leave(_told(error), BAD_INPUT)
    except KeyboardInterrupt:  # before or after a command; within one, see `_stoppable`
        _leave_stopped()


def _leave(sentence: str, code: int) -> None:
    print(f"hysteresis: {sentence}", file=sys.stderr)
    raise SystemExit(code)


def _leave_stopped() -> None:
    _leave("stopped; nothing half-written was kept.", STOPPED)


def _told(error: OSError) -> str:
    """One sentence for what the machine refuses: a full disk, a missing right."""
    mend = {
        errno.ENOSPC: "the disk is full; make room and try again",
        errno.EDQUOT: "your share of the disk is used up; make room and try again",
        errno.EACCES: "no permission; choose another folder or change its rights",
        errno.EPERM: "no permission; choose another folder or change its rights",
        errno.EROFS: "this disk can only be read; choose another folder",
        errno.ENAMETOOLONG: "the file name is too long; choose a shorter one",
    }.get(error.errno or 0, f"{error.strerror or error}".lower())
    return (f"{error.filename}: " if error.filename else "") + mend.rstrip(".") + "."


def _stoppable(command: Callable[..., None]) -> Callable[..., None]:
    """`command`, with Ctrl-C answered by our own line (typer would end without a word)."""

    @functools.wraps(command)
    def stoppable(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except KeyboardInterrupt:
            _leave_stopped()

    return stoppable


def _print_version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        print(f"hysteresis {version('hysteresis')}")
        raise typer.Exit()


@app.callback()
def _whole(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Say the version."),
    ] = False,
) -> None:
    pass


def _register() -> None:
    for name in COMMANDS:
        app.command(name)(_stoppable(importlib.import_module(f"{__name__}.{name}").command))


_register()
