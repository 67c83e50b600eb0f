"""The data behind a figure: columns put together from its series, and written as CSV.

The first lines are comments (`#`): what it is, run, files with SHA-256, command. The table has
one row per mark that is drawn, with its series named, so that a spreadsheet can filter it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from io import StringIO
from typing import Any

import numpy as np
import numpy.typing as npt

from hysteresis.report.page import Columns, Figure

EMBEDDED_ROWS = 1200  # of a figure inside a page; all rows are written by --data
FEW = 40  # rows of a series that are never thinned

Array = npt.NDArray[Any]


def stacked(parts: Iterable[Mapping[str, Any]]) -> dict[str, Array]:
    """Series below each other. Single values stand in every row; what a series lacks is empty.

    Columns come in the order in which they first appear.
    """
    kept = []
    for part in parts:
        arrays = {name: np.asarray(value) for name, value in part.items()}
        length = max((len(a) for a in arrays.values() if a.ndim), default=1)
        if length:
            kept.append({n: np.broadcast_to(a, (length,)) for n, a in arrays.items()})
    out: dict[str, Array] = {}
    for name in dict.fromkeys(name for part in kept for name in part):
        is_text = any(part[name].dtype.kind in "UO" for part in kept if name in part)
        out[name] = np.concatenate([
            (part[name] if name in part else np.full(_length(part), "" if is_text else np.nan))
            .astype(object if is_text else float)
            for part in kept
        ])  # fmt: skip
    return out


def _length(part: Mapping[str, Array]) -> int:
    return len(next(iter(part.values())))


def rows_of(data: Columns) -> int:
    """How many rows the data have."""
    return _length(data) if data else 0


def thinned(data: Columns, most: int = EMBEDDED_ROWS) -> tuple[Columns, int]:
    """At most about `most` rows, and of how many rows one is kept (1: all are).

    Every series (rows with the same texts) is thinned evenly; its last row and short ones stay.
    """
    count = rows_of(data)
    if count <= most:
        return data, 1
    texts = [values.astype(str) for values in data.values() if values.dtype.kind in "UO"]
    change = np.zeros(count, dtype=bool)
    change[0] = True
    for values in texts:
        change[1:] |= values[1:] != values[:-1]
    starts = np.flatnonzero(change)
    ends = np.append(starts[1:], count)
    length = (ends - starts)[np.cumsum(change) - 1]
    place = np.arange(count) - starts[np.cumsum(change) - 1]
    # where short series alone are too many, they are thinned as well
    few = FEW if np.sum(length <= FEW) <= most // 2 else 1
    long = int(np.sum(length > few))
    every = max(int(np.ceil(long / max(most - (count - long), most // 4))), 1)
    keep = (length <= few) | (place % every == 0) | (place == length - 1)
    return {name: values[keep] for name, values in data.items()}, every


def csv_text(figure: Figure, every: int = 1, data: Columns | None = None) -> str:
    """The table as text. `every`: of how many rows one is kept, told in the head."""
    shown = figure.data if data is None else data
    out = StringIO()
    origin = figure.origin
    head = [f"figure {figure.key}: {figure.caption}", f"run: {origin.run}"]
    head += [f"file: {s.file}, SHA-256 {s.sha256}" for s in origin.sources]
    head += [f"command: {origin.command}"]
    if every > 1:
        head.append(
            f"thinned: about one row in {every} of each long series; write all with: "
            "hysteresis report RUN --data DIR"
        )
    for line in head:
        out.write(f"# {' '.join(line.split())}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(shown)
    columns = [_cells(np.asarray(values)) for values in shown.values()]
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


def _cells(values: Array) -> list[str]:
    if values.dtype.kind in "UO":
        return [_harmless(str(value)) for value in values]
    return ["" if value != value else f"{value:.7g}" for value in values.astype(float).tolist()]


def _harmless(text: str) -> str:
    """A text that a spreadsheet does not take for a formula (common practice, no source)."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text
