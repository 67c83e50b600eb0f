"""What a fitted friction memory looks like: its initial curve and a loop, or its Preisach plane."""

from __future__ import annotations

from typing import Any

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.model import FittedModel
from hysteresis.operators.preisach import Preisach
from hysteresis.report.drawing import (
    AFTER,
    PAPER,
    SHADES,
    WANTED,
    Picture,
    legend_above,
    new_figure,
    picture,
)
from hysteresis.report.figure_data import stacked
from hysteresis.tables import Floats

TOP = 0.9  # full scale: the swing of the loop that is drawn


def memory_pictures(fitted: FittedModel | None) -> list[Picture]:
    """Pictures of the friction memory of both axes; none where the model has no friction."""
    if fitted is None:
        return []
    axes = {
        name: axis
        for name, axis in (("x", fitted.model.axis_x), ("y", fitted.model.axis_y))
        if isinstance(axis, AxisModel) and axis.friction.small_signal_stiffness() > 0
    }
    if not axes:
        return []
    planes = {n: a.friction for n, a in axes.items() if isinstance(a.friction, Preisach)}
    return [_loops(axes), *([_planes(planes)] if planes else [])]


def _swing() -> Floats:
    """From rest to +TOP, to −TOP, to +TOP, then a smaller loop, in full scale."""
    legs = [(0.0, TOP), (TOP, -TOP), (-TOP, TOP), (TOP, 0.2), (0.2, TOP)]
    return np.concatenate([np.linspace(a, b, 300) for a, b in legs])


def _loops(axes: dict[str, AxisModel]) -> Picture:
    figure = new_figure(3.0)
    every = np.atleast_1d(figure.subplots(1, len(axes), sharey=True))
    theta = _swing()
    data: list[dict[str, Any]] = []
    for (name, axis), panel in zip(axes.items(), every, strict=True):
        torque, _ = axis.friction.torque(theta, np.full(theta.size, 1e-3), axis.friction.rest())
        panel.plot(theta[:300], torque[:300], label="first move from rest", **WANTED)
        panel.plot(theta[300:], torque[300:], label="afterwards", **AFTER)
        panel.set_title(f"axis {name}")
        data += [
            {"axis": name, "series": words, "deflection_fs": theta[part],
             "friction_torque_drive": torque[part]}
            for words, part in (("first move from rest", slice(300)), ("afterwards",
                                                                       slice(300, None)))
        ]  # fmt: skip
    figure.supxlabel("deflection, full scale", fontsize=10.5)
    every[0].set_ylabel("friction torque, drive")
    legend_above(figure, 2, *every)
    return picture(
        figure, "friction",
        "Torque of the fitted friction memory against deflection: the first move from rest, a "
        "loop over nearly the whole field, and a smaller one inside it. The wider the loop, the "
        "more the place depends on where the mirror was before.",
        "Hysteresis loops of the fitted friction torque for each axis",
        stacked(data),
    )  # fmt: skip


def _planes(planes: dict[str, Preisach]) -> Picture:
    from matplotlib.collections import PolyCollection
    from matplotlib.colors import LinearSegmentedColormap, PowerNorm

    colours = LinearSegmentedColormap.from_list("light to dark", [PAPER, *SHADES])
    figure = new_figure(3.3)
    every = np.atleast_1d(figure.subplots(1, len(planes), sharey=True))
    top = max(float(p.density_plane().density.max()) for p in planes.values())
    drawn: Any = None
    data: list[dict[str, Any]] = []
    for (name, plane), panel in zip(planes.items(), every, strict=True):
        cells = plane.density_plane()
        drawn = PolyCollection(
            [_outline(*edges) for edges in zip(cells.a_low, cells.a_high, cells.b_low,
                                               cells.b_high, strict=True)],
            array=cells.density, cmap=colours, edgecolors="#d9dee1", linewidths=0.4,
            norm=PowerNorm(0.35, 0.0, top if top > 0 else 1.0),
        )  # fmt: skip
        panel.add_collection(drawn)
        data.append({
            "axis": name, "upper_from_fs": cells.a_low, "upper_to_fs": cells.a_high,
            "lower_from_fs": cells.b_low, "lower_to_fs": cells.b_high,
            "density_drive_per_fs2": cells.density,
        })  # fmt: skip
        edge = float(plane.node[-1])
        panel.set(xlim=(-edge, edge), ylim=(-edge, edge), aspect="equal", title=f"axis {name}")
        panel.grid(visible=False)
    figure.supxlabel("lower turning point, full scale", fontsize=10.5)
    every[0].set_ylabel("upper turning point, full scale")
    figure.colorbar(drawn, ax=list(every), label="density, drive per full scale²", shrink=0.85)
    return picture(
        figure, "preisach plane",
        "The fitted Preisach plane: each cell holds the friction that slips between a lower and "
        "an upper turning point; near the diagonal small moves, in the corner the largest. Dark "
        "is much.",
        "Density of friction over the half plane of turning points, for each axis",
        stacked(data),
    )  # fmt: skip


def _outline(a_low: float, a_high: float, b_low: float, b_high: float) -> list[tuple[float, float]]:
    """Corners (lower, upper turning point) of a cell; a triangle on the diagonal."""
    if a_low == b_low:
        return [(b_low, a_low), (b_low, a_high), (b_high, a_high)]
    return [(b_low, a_low), (b_high, a_low), (b_high, a_high), (b_low, a_high)]
