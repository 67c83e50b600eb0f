"""What a report says, before it is set: sections of sentences, tables and figures.

One file per question (`fit_page.py`, `verify_page.py`, …) makes a `Page` out of results; two
renderers (`html.py`, `pdf.py`) set it. A page computes nothing, a renderer knows no results.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy.typing as npt

from hysteresis.findings import Source

Question = Literal["fit", "verify", "compare", "recheck"]
Columns = Mapping[str, npt.NDArray[Any]]

MOST_FILES = 5  # named below a figure; all of them stand under Origin and in its CSV
SHORT_HASH = 12  # characters of a SHA-256 in small print: 48 bits tell all files of a bench apart


@dataclass(frozen=True)
class Provenance:
    """Where a figure comes from: run, files with their hashes, and the command that drew it."""

    run: str
    sources: tuple[Source, ...]
    command: str

    def line(self) -> str:
        """The small print below a figure."""
        named = self.sources[:MOST_FILES]
        files = ", ".join(f"{s.file} {s.sha256[:SHORT_HASH]}" for s in named)
        if len(self.sources) > MOST_FILES:
            files += f" and {len(self.sources) - MOST_FILES} more (see Origin)"
        parts = (f"Run {self.run}" if self.run else "", files, self.command)
        return " · ".join(part for part in parts if part)


@dataclass(frozen=True)
class Text:
    """A paragraph; `code` (a command to type) and `tail` follow the words."""

    words: str
    kind: Literal["plain", "verdict", "warning", "note"] = "plain"
    code: str = ""
    tail: str = ""


@dataclass(frozen=True)
class Heading:
    """A heading below that of the section."""

    words: str


@dataclass(frozen=True)
class Bullets:
    """A list of points."""

    items: tuple[Text, ...]


@dataclass(frozen=True)
class Terms:
    """Words with what they mean."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Table:
    """Cells as they are to be read. Columns of `left` hold text, all others figures.

    `marked` rows stand out. `shape`: how a narrow screen sets it ('scroll': in a box of its own
    that scrolls; 'tall': each row as a name with its figures below; 'stack': each cell on a line).
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    left: frozenset[int] = frozenset({0})
    marked: frozenset[int] = frozenset()
    shape: Literal["scroll", "tall", "stack"] = "scroll"

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"{len(self.columns)} columns, but a row of {len(row)} cells")


@dataclass(frozen=True)
class Bars:
    """Lengths side by side: words, the value as it is read, its share of the longest, its look."""

    rows: tuple[tuple[str, str, float, Literal["before", "after"]], ...]


@dataclass(frozen=True)
class Figure:
    """A picture with its caption, a text for who cannot see it, and the data behind it.

    `data` maps column names, which end in their unit, to arrays (n,); empty for a photograph.
    """

    key: str
    png: bytes
    caption: str
    alt: str
    origin: Provenance
    data: Columns = field(default_factory=dict)
    wide: bool = False


Block = Text | Heading | Bullets | Terms | Table | Bars | Figure


@dataclass(frozen=True)
class Grid:
    """Cells side by side where there is room, one below the other where not."""

    cells: tuple[tuple[Block, ...], ...]


@dataclass(frozen=True)
class Section:
    """A part of the page with its own heading; `short` is its name in the table of contents."""

    key: str
    title: str
    blocks: tuple[Block | Grid, ...]
    short: str = ""
    kind: Literal["plain", "cautions"] = "plain"


@dataclass(frozen=True)
class Page:
    """A whole report: the answer to one question."""

    question: Question
    title: str
    facts: tuple[str, ...]
    note: str
    made_at: str
    origin: Provenance
    sections: tuple[Section, ...]

    def figures(self) -> tuple[Figure, ...]:
        """All figures in the order of the page."""
        found = []
        for section in self.sections:
            for block in section.blocks:
                cells = block.cells if isinstance(block, Grid) else ((block,),)
                found += [b for cell in cells for b in cell if isinstance(b, Figure)]
        return tuple(found)
