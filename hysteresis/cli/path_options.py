"""What `advise` and `compensate` ask of a path and of the rig's past in the same words."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

StartFrom = Annotated[
    Path | None,
    typer.Option(help="job.json of the output played before; --pause-s then counts from its end."),
]
Model = Annotated[
    Path | None,
    typer.Option(help="Another model of this rig, as `learn` writes; default: model.json."),
]
Scale = Annotated[float, typer.Option(help="Scale of the path.")]
RotateDeg = Annotated[float, typer.Option(help="Turn, counter-clockwise.")]
XMm = Annotated[float, typer.Option(help="Shift along x.")]
YMm = Annotated[float, typer.Option(help="Shift along y.")]
Mirror = Annotated[str | None, typer.Option(help="x: left becomes right; or y.")]
Fit = Annotated[
    bool, typer.Option("--fit", help="Put it at the field's centre, smaller if it must be.")
]
TravelMmS = Annotated[float | None, typer.Option(help="Speed of travel moves, mm/s.")]
SkipUnknown = Annotated[
    bool, typer.Option("--skip-unknown", help="Pass over unknown RS-274 words, and list them.")
]
