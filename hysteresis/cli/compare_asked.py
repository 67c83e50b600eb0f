"""What `compare` and `fleet` ask of a comparison, and of the path the error is foretold on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.compare import PathAsked

PAUSE_S = 30.0
MOST_SCALE = 1e4

OwnPath = Annotated[
    Path | None,
    typer.Option(
        help="Your own toolpath (CSV, RS-274, SVG, DXF, job file): the error on it is "
        "foretold by every run's model, before and after compensation."
    ),
]
By = Annotated[
    list[str] | None,
    typer.Option(
        help="Figure to rank by, as KEY, KEY.AXIS or KEY:WEIGHT; repeat it for an order, or "
        "with weights for a score. Default: error left on the path, else return_to_zero.",
        metavar="KEY[:WEIGHT]",
    ),
]
PauseS = Annotated[
    float, typer.Option(min=0.0, help="With --path: rest between pattern and path, seconds.")
]
FeedMmS = Annotated[float | None, typer.Option(help="With --path: feed where it gives none, mm/s.")]
Scale = Annotated[float, typer.Option(help="With --path: its scale.")]
RotateDeg = Annotated[float, typer.Option(help="With --path: its turn, counter-clockwise.")]
XMm = Annotated[float, typer.Option(help="With --path: its shift along x.")]
YMm = Annotated[float, typer.Option(help="With --path: its shift along y.")]
Fit = Annotated[
    bool,
    typer.Option("--fit", help="With --path: put it at the field's centre, smaller if it must be."),
]
Level = Annotated[float, typer.Option(help="Level of intervals and of every decision.")]
Seed = Annotated[int, typer.Option(help="Of the draws that tell how sure each place is.")]


def asked_path(
    path: Path | None, pause_s: float, feed_mm_s: float | None, scale: float, rotate_deg: float,
    x_mm: float, y_mm: float, fit: bool,
) -> PathAsked | None:  # fmt: skip
    """The path as asked; None without one. InputError for options that need one, or odd ones."""
    from hysteresis.compare import PathAsked
    from hysteresis.compensate.job import PathOptions
    from hysteresis.errors import InputError
    from hysteresis.files import check_readable
    from hysteresis.paths.placement import Placement

    given = {
        "--pause-s": pause_s != PAUSE_S, "--feed-mm-s": feed_mm_s is not None,
        "--scale": scale != 1.0, "--rotate-deg": rotate_deg != 0.0, "--x-mm": x_mm != 0.0,
        "--y-mm": y_mm != 0.0, "--fit": fit,
    }  # fmt: skip
    if path is None:
        for name, said in given.items():
            if said:
                raise InputError(
                    f"{name} is about a path, and none is given",
                    mend=f"add --path FILE, or leave out {name}",
                )
        return None
    if not 1.0 / MOST_SCALE <= scale <= MOST_SCALE:
        raise InputError(
            f"--scale lies between {1.0 / MOST_SCALE:g} and {MOST_SCALE:g}", value=scale,
            mend="give 1 for the path's own size",
        )  # fmt: skip
    check_readable(path)
    placement = Placement(scale, rotate_deg, x_mm, y_mm, None, fit)
    words = "as in its file" if placement.plain else (
        f"scale {scale:g}, turned {rotate_deg:g}°, shifted {x_mm:g}, {y_mm:g} mm"
        + (", fitted to the field" if fit else "")
    )  # fmt: skip
    return PathAsked(path, PathOptions(placement, feed_mm_s=feed_mm_s), pause_s, words)
