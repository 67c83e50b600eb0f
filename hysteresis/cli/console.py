"""What the commands share when they speak: tables on stdout, progress on stderr, cautions."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator, Sequence

from hysteresis.cautions import caution_line

WIDTH = 100  # of what is printed, and no wider than the terminal
REMARK = 32  # columns of a remark that are left to it
NARROWEST = 16  # to which a column of a table is wrapped


@contextlib.contextmanager
def progress(description: str, total: float | None = None) -> Iterator[Callable[..., None]]:
    """Show that something is under way, as a bar on stderr.

    Where stderr is no terminal it is one plain line.

    Gives a function ``advance(step=1.0)``; without `total` the bar only moves to and fro.

    >>> with progress("Fitting", total=3) as advance:   # doctest: +SKIP
    ...     advance()
    """
    if not sys.stderr.isatty():
        print(f"{description} …", file=sys.stderr, flush=True)
        yield lambda step=1.0: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn()
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(description, total=total)
        yield lambda step=1.0: bar.advance(task, step)
        if total is None:
            bar.update(task, total=1, completed=1)
        else:
            bar.update(task, completed=total)


def rising(advance: Callable[..., None]) -> Callable[[float], None]:
    """A bar of total 1 told by the fraction done, which may repeat or fall back a little."""
    done = 0.0

    def to(fraction: float) -> None:
        nonlocal done
        advance(max(0.0, fraction - done))
        done = max(done, fraction)

    return to


def width() -> int:
    """Columns of a line: those of the terminal, at most `WIDTH`; `WIDTH` where there is none."""
    from shutil import get_terminal_size

    return max(40, min(WIDTH, get_terminal_size((WIDTH, 24)).columns))


def say(text: str) -> None:
    """Sentences of any length, in lines that a terminal shows whole."""
    from textwrap import fill

    for line in text.split("\n"):
        print(fill(line, width(), subsequent_indent="  ", break_long_words=False,
                   break_on_hyphens=False))  # fmt: skip


def table(title: str, columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Print a table with aligned columns: text to the left, columns of figures to the right.

    A table wider than the terminal, or than `WIDTH`, has its longest texts on more lines; nothing
    is cut.
    """
    body = [[str(cell) for cell in row] for row in rows]
    for row in body:
        if len(row) != len(columns):
            raise ValueError(f"{len(columns)} columns, but a row of {len(row)} cells")
    lines = [list(columns), *body]
    widths = [max(len(row[i]) for row in lines) for i in range(len(columns))]
    right = [bool(body) and all(_figure(row[i]) for row in body) for i in range(len(columns))]
    _narrow(widths, right, lines)
    if title:
        print()
        say(title)
    for n, row in enumerate(lines):
        wrapped = [_wrapped(cell, width) for cell, width in zip(row, widths, strict=True)]
        for k in range(max(map(len, wrapped), default=0)):
            cells = [
                (cell[k] if k < len(cell) else "").rjust(width) if to_right
                else (cell[k] if k < len(cell) else "").ljust(width)
                for cell, width, to_right in zip(wrapped, widths, right, strict=True)
            ]  # fmt: skip
            print("  ".join(cells).rstrip())
        if n == 0:
            print("  ".join("-" * width for width in widths))


def _narrow(widths: list[int], right: list[bool], lines: list[list[str]]) -> None:
    """Make columns of text narrower, in place, until a line fits: remarks first, which come last
    and are sentences, then the widest; none below its longest word, which stays whole."""
    least = [
        max(NARROWEST, *(len(word) for row in lines for word in row[i].split() or [""]))
        for i in range(len(widths))
    ]
    while sum(widths) + 2 * (len(widths) - 1) > width():
        texts = [i for i, to_right in enumerate(right) if not to_right and widths[i] > least[i]]
        if not texts:
            return
        remarks = texts[-1] == len(widths) - 1 > 0 and widths[texts[-1]] > REMARK
        widths[texts[-1] if remarks else max(texts, key=lambda i: widths[i])] -= 1


def _wrapped(cell: str, width: int) -> list[str]:
    """A cell on as many lines as it takes."""
    if len(cell) <= width:
        return [cell]
    from textwrap import wrap

    return wrap(cell, width, break_on_hyphens=False, break_long_words=False) or [""]


def _figure(cell: str) -> bool:
    """Whether a cell starts as a figure does, or is empty."""
    return not cell or cell.lstrip("+-−±<>≤≥~ (")[:1].isdigit() or cell in {"-", "–", "—"}


def say_cautions() -> None:
    """Print the cautions; every command that writes an output signal ends with them."""
    say(caution_line())
