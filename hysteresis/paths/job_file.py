"""A job file: which toolpaths lie where, in how many layers, and where the spot parks between.

    name = "tile with gasket"
    layers = 6                 # how often all parts are traced, one layer after the other
    feed_mm_s = 40.0           # for parts that name no feed of their own

    [park]                     # after every layer, the last one too: beam off, there it waits
    x_mm = 40.0
    y_mm = 0.0
    wait_s = 3.0

    [[parts]]
    file = "tile.svg"          # beside the job file
    scale = 1.0
    rotate_deg = 0.0
    mirror = "x"               # or "y", or left out
    x_mm = -10.0               # where its origin lies; with a grid, that of the first place
    y_mm = 0.0
    feed_mm_s = 60.0

    [parts.grid]
    columns = 2
    rows = 1
    step_x_mm = 20.0
    step_y_mm = 20.0

The format is this project's own. All but `name` and one part with its file may be left out.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Protocol

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from hysteresis.errors import InputError
from hysteresis.files import read_toml
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.chunking import Rows, rows_of, start_row
from hysteresis.paths.notes import SourceNotes, Tally
from hysteresis.paths.placement import FARTHEST_MM, LARGEST_SCALE, Placement, starts_anywhere

Word = Annotated[str, Field(min_length=1, max_length=200)]
Place = Annotated[float, Field(ge=-FARTHEST_MM, le=FARTHEST_MM)]
Feed = Annotated[float, Field(gt=0, le=1e6)]
HELD_ROWS = 500_000


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Park(_Section):
    """Where the spot waits with the beam off after every layer, and for how long."""

    x_mm: Place
    y_mm: Place
    wait_s: float = Field(ge=0, le=86_400)


class Grid(_Section):
    """Repeats of a part: columns along x, rows along y, steps in mm."""

    columns: int = Field(default=1, ge=1, le=1000)
    rows: int = Field(default=1, ge=1, le=1000)
    step_x_mm: Place = 0.0
    step_y_mm: Place = 0.0


class Part(_Section):
    """A toolpath in its place."""

    file: Word
    scale: float = Field(default=1.0, ge=1.0 / LARGEST_SCALE, le=LARGEST_SCALE)
    rotate_deg: float = Field(default=0.0, ge=-36_000, le=36_000)
    mirror: Literal["x", "y"] | None = None
    x_mm: Place = 0.0
    y_mm: Place = 0.0
    feed_mm_s: Feed | None = None
    grid: Grid = Grid()


class JobSettings(_Section):
    """What a job file says."""

    name: Word
    layers: int = Field(default=1, ge=1, le=100_000)
    feed_mm_s: Feed | None = None
    park: Park | None = None
    parts: tuple[Part, ...] = Field(strict=False, min_length=1, max_length=1000)


@dataclass(frozen=True)
class Job:
    """A job file with the lines on which its parts and its park stand."""

    path: Path
    settings: JobSettings
    line_of_part: tuple[int, ...]
    line_of_park: int


class Source(Protocol):
    """What a part's file is read through (`source.PathSource`)."""

    def chunks(self) -> Iterator[Chunk]: ...

    @property
    def notes(self) -> SourceNotes: ...


OpenPart = Callable[[Path, Placement, float | None], Source]


def read_job(path: Path | str) -> Job:
    """Read and check a job file; one `InputError` for the first of its faults by line."""
    path = Path(path)
    content, line_of = read_toml(path)
    try:
        settings = JobSettings.model_validate(content)
    except ValidationError as error:
        faults = [
            _told(details, line_of) for details in error.errors(include_url=False)
            # a part with a fault does not count, so that "no parts" comes on top of its own fault
            if details["type"] != "too_short" or not details["input"]
        ]  # fmt: skip
        faults.sort(key=lambda fault: (not fault["mend"].startswith("did"), fault["row"] or 1e9))
        raise InputError(faults[0].pop("what"), file=path, **faults[0]) from None
    for i, part in enumerate(settings.parts):
        if "\x00" in part.file or not (path.parent / part.file).is_file():
            raise InputError(
                "there is no such file beside the job file", file=path,
                row=line_of(("parts", i, "file")), column=f"parts.{i + 1}.file", value=part.file,
                mend="check its name",
            )  # fmt: skip
    lines = tuple(line_of(("parts", i)) or 1 for i in range(len(settings.parts)))
    return Job(path, settings, lines, line_of(("park",)) or 1)


def rows_of_job(job: Job, open_part: OpenPart, tally: Tally) -> Iterator[Rows]:
    """Rows of all layers, one after the other.

    Short parts are held for the next layer, `HELD_ROWS` rows in all; longer ones are read anew.
    The line of a row is that of its part, or of the park, in the job file. Remarks of the parts
    go to `tally` once, with the name of the file.
    """
    settings = job.settings
    yield start_row()
    held: dict[tuple[int, int], list[Rows]] = {}
    room = HELD_ROWS
    for layer in range(settings.layers):
        for index, part in enumerate(settings.parts):
            for number, where in enumerate(_places(part)):
                if (index, number) in held:
                    yield from held[index, number]
                    continue
                source = open_part(
                    job.path.parent / part.file, where, part.feed_mm_s or settings.feed_mm_s
                )
                kept: list[Rows] | None = [] if settings.layers > 1 else None
                for rows in _rows_of_part(source, job.line_of_part[index]):
                    yield rows
                    if kept is not None:
                        kept.append(rows)
                        room -= len(rows.x_mm)
                        if room < 0:  # too long to hold: given back, and read anew every time
                            room += sum(len(each.x_mm) for each in kept)
                            kept = None
                if kept is not None:
                    held[index, number] = kept
                if layer == number == 0:
                    found = source.notes
                    for remark in found.remarks[: len(found.remarks) - len(found.skipped)]:
                        tally.note(f"{part.file}: {remark}", 0)
                    for word in found.skipped:
                        tally.skip(f"{word.word} of {part.file}", word.first_line, word.count)
        if settings.park is not None:
            park = settings.park
            yield rows_of(
                np.full(2, park.x_mm), np.full(2, park.y_mm), beam=False, feed_mm_s=np.nan,
                line=job.line_of_park,
            )._replace(dwell_s=np.array([0.0, park.wait_s]))  # fmt: skip
    if settings.layers > 1:
        tally.heights = settings.layers


def _places(part: Part) -> Iterator[Placement]:
    grid = part.grid
    for row in range(grid.rows):
        for column in range(grid.columns):
            yield Placement(
                part.scale, part.rotate_deg, part.x_mm + column * grid.step_x_mm,
                part.y_mm + row * grid.step_y_mm, part.mirror,
            )  # fmt: skip


def _rows_of_part(source: Source, line: int) -> Iterator[Rows]:
    """Rows of a part; its start becomes a travel, or nothing where it is no place of the file."""
    for number, chunk in enumerate(source.chunks()):
        path = chunk.polyline
        lines = np.full(len(path), line, dtype=np.int64)
        beam, feed = path.beam.copy(), path.feed_mm_s.copy()
        beam[0], feed[0] = False, np.nan
        rows = Rows(path.x_mm, path.y_mm, beam, feed, path.dwell_s, lines)
        first = 1 if number or starts_anywhere(chunk) else 0
        yield Rows._make(column[first:] for column in rows)


def _told(details: ErrorDetails, line_of: Callable[[Any], int | None]) -> dict[str, Any]:
    """What, where and how to mend, from one fault as pydantic lists it."""
    kind, loc, context = details["type"], details["loc"], details.get("ctx", {})
    row = next((line for n in range(len(loc), 0, -1) if (line := line_of(loc[:n]))), None)
    key = ".".join(str(part + 1) if isinstance(part, int) else part for part in loc)
    value = details["input"]
    told: dict[str, Any] = {"row": row, "column": key}
    told["value"] = value if isinstance(value, bool | int | float | str) else None
    if kind == "missing":
        told |= {"what": "this setting is missing", "mend": "add it"}
    elif kind == "extra_forbidden":
        near = difflib.get_close_matches(str(loc[-1]), _known(loc[:-1]), 1, 0.6)
        told |= {"what": "this setting is not known", "value": None}
        told["mend"] = f"did you mean {near[0]}?" if near else "delete it"
    elif kind in {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}:
        side = {"greater_than": "above", "greater_than_equal": "at least"}.get(kind, "at most")
        told["what"] = "this value is not plausible"
        told["mend"] = f"write a number {side} {next(iter(context.values())):g}"
    elif kind in {"float_type", "int_type", "finite_number", "int_from_float"}:
        told["what"] = "this is not a finite number"
        told["mend"] = "write a whole number" if kind.startswith("int") else "write a number"
    elif kind == "literal_error":
        told |= {"what": "this word is not known", "mend": f"write {context['expected']}"}
    elif kind.startswith("string"):
        told |= {"what": "this is no word", "mend": "write a word in quotation marks"}
    elif kind == "too_short":
        told |= {"what": "the job has no parts", "value": None, "mend": "add [[parts]] with a file"}
    else:
        told |= {"what": "this is not of the kind that belongs here", "value": None}
        told["mend"] = "see the job file of the README"
    return told


def _known(section: tuple[int | str, ...]) -> list[str]:
    models: dict[str, Any] = {"park": Park, "grid": Grid, "parts": Part}
    names = [part for part in section if isinstance(part, str)]
    model = models.get(names[-1], JobSettings) if names else JobSettings
    return list(model.model_fields)
