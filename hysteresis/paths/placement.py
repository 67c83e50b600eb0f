"""Where a drawing or program lies in the field: mirrored, scaled, turned, moved; and the field."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.paths.chunk import Chunk
from hysteresis.tables import Floats, Ints

LARGEST_SCALE = 1e4
FARTHEST_MM = 1e5


@dataclass(frozen=True)
class Placement:
    """What is done to every position, in this order.

    mirror : 'x' turns x round (left becomes right), 'y' turns y round.
    scale : factor about the origin. rotate_deg : then turned, counter-clockwise.
    x_mm, y_mm : then moved.
    fit : instead of `x_mm` and `y_mm`, moved so that its middle lies at the field's centre, and
        made smaller, never larger, until it lies within what the drive reaches.

    Raises InputError for numbers without sense.
    """

    scale: float = 1.0
    rotate_deg: float = 0.0
    x_mm: float = 0.0
    y_mm: float = 0.0
    mirror: Literal["x", "y"] | None = None
    fit: bool = False

    def __post_init__(self) -> None:
        if not 1.0 / LARGEST_SCALE <= self.scale <= LARGEST_SCALE:
            raise InputError(
                f"a scale that is not between {1 / LARGEST_SCALE:g} and {LARGEST_SCALE:g}",
                value=self.scale, mend="use mirror to turn the path round",
            )  # fmt: skip
        if not abs(self.rotate_deg) <= 36_000.0:
            raise InputError("a turn that is no number of degrees", value=self.rotate_deg)
        if not (abs(self.x_mm) <= FARTHEST_MM and abs(self.y_mm) <= FARTHEST_MM):
            raise InputError(
                f"a shift of more than {FARTHEST_MM:g} mm", value=(self.x_mm, self.y_mm),
                mend="give it in mm",
            )  # fmt: skip
        if self.mirror not in (None, "x", "y"):
            raise InputError("mirror is x or y", value=self.mirror, mend="choose one of them")
        if self.fit and (self.x_mm or self.y_mm):
            raise InputError(
                "a shift and fit at once: fit puts the path at the field's centre",
                mend="leave one out",
            )

    @property
    def plain(self) -> bool:
        """Whether every position stays as it is."""
        return self == Placement()

    def of(self, x_mm: Floats, y_mm: Floats) -> tuple[Floats, Floats]:
        """Positions placed; `fit` plays no part here, see `fitted`."""
        x = -x_mm if self.mirror == "x" else x_mm
        y = -y_mm if self.mirror == "y" else y_mm
        x, y = self.scale * x, self.scale * y
        if self.rotate_deg % 360.0:
            # whole quarters exactly, so that a line along x stays one along y
            cos, sin = _cos_sin(self.rotate_deg)
            x, y = cos * x - sin * y, sin * x + cos * y
        return x + self.x_mm, y + self.y_mm

    def fitted(
        self, x_mm: tuple[float, float], y_mm: tuple[float, float], bench: Bench
    ) -> Placement:
        """The placement without `fit` that brings a path of this extent, placed by all but the
        shift, within the reach of the bench.
        """
        reach_x, reach_y = reach_mm(bench)
        half_x, half_y = 0.5 * (x_mm[1] - x_mm[0]), 0.5 * (y_mm[1] - y_mm[0])
        share = min(
            1.0,
            reach_x / half_x if half_x > 0 else 1.0,
            reach_y / half_y if half_y > 0 else 1.0,
        )
        if share < 1.0:
            share *= 1.0 - 1e-9  # rounding must not put it outside again
        return replace(
            self, scale=self.scale * share, fit=False,
            x_mm=-0.5 * share * (x_mm[0] + x_mm[1]), y_mm=-0.5 * share * (y_mm[0] + y_mm[1]),
        )  # fmt: skip


def placed(chunk: Chunk, placement: Placement, *, first: bool) -> Chunk:
    """A chunk in its place.

    A start of line 0 (no position of the file) stays at the field's centre, unless something is
    traced from there (`first`: this is the first chunk).
    """
    if placement.plain:
        return chunk
    line = chunk.polyline
    x, y = placement.of(line.x_mm, line.y_mm)
    if first and starts_anywhere(chunk):
        x[0] = y[0] = 0.0
    return Chunk(replace(line, x_mm=x, y_mm=y), chunk.line_of_vertex)


def starts_anywhere(chunk: Chunk) -> bool:
    """Whether row 0 of the first chunk is no position of the file and nothing is traced from it."""
    return chunk.line_of_vertex[0] == 0 and not chunk.polyline.beam[1:2].any()


def reach_mm(bench: Bench) -> tuple[float, float]:
    """How far from the centre a drive within `max_drive` takes the spot, nominal optics."""
    share = bench.limits.max_drive
    return bench.optics.full_scale_x_mm * share, bench.optics.full_scale_y_mm * share


def check_in_field(
    x_mm: Floats,
    y_mm: Floats,
    lines: Ints,
    bench: Bench,
    file: Path | str | None = None,
) -> None:
    """Raise InputError for the first position that a drive within `max_drive` cannot reach.

    Nominal optics: the reach along an axis is its full scale times `max_drive`, in mm.
    """
    for name, values, reach in zip(("x", "y"), (x_mm, y_mm), reach_mm(bench), strict=True):
        beyond = np.abs(values) - reach
        outside = np.flatnonzero(beyond > 1e-9 * reach)
        if len(outside):
            first, worst = outside[0], outside[np.argmax(beyond[outside])]
            more = (
                f" (worst: {beyond[worst]:.3f} mm in line {lines[worst]})"
                if beyond[worst] > beyond[first]
                else ""
            )
            raise InputError(
                f"{name} = {values[first]:.3f} mm lies {beyond[first]:.3f} mm outside the "
                f"reachable ±{reach:.3f} mm{more}",
                file=file,
                row=int(lines[first]),
                mend="move or scale the path (--fit-limits does), or check the unit (mm or inch) "
                "and full_scale in bench.toml",
            )


def _cos_sin(degrees: float) -> tuple[float, float]:
    quarter = {0.0: (1.0, 0.0), 90.0: (0.0, 1.0), 180.0: (-1.0, 0.0), 270.0: (0.0, -1.0)}
    angle = math.radians(degrees)
    return quarter.get(degrees % 360.0, (math.cos(angle), math.sin(angle)))
