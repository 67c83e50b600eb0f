"""Pictures of a fit: its residuals against time, and beside the noise."""

from __future__ import annotations

from typing import Any

import numpy as np

from hysteresis.findings import FitCheck
from hysteresis.report.drawing import INK, SHADES, Picture, new_figure, picture
from hysteresis.report.figure_data import stacked


def fit_pictures(check: FitCheck | None) -> list[Picture]:
    """Residuals of the fit."""
    return [] if check is None else [_residuals(check)]


def _residuals(check: FitCheck) -> Picture:
    present = [
        (axis, residual, sigma, rms, noise)
        for axis, residual, sigma, rms, noise in (
            ("x", check.residual_x_mm, check.sigma_x_mm, check.rms_x_mm, check.noise_x_mm),
            ("y", check.residual_y_mm, check.sigma_y_mm, check.rms_y_mm, check.noise_y_mm),
        )
        if np.isfinite(residual).any()
    ]
    figure = new_figure(2.5 + 1.85 * len(present))
    every = figure.subplots(len(present) + 1, 1, height_ratios=[1.0] * len(present) + [1.25])
    for axes in every[1 : len(present)]:
        axes.sharex(every[0])
    few = len(check.t_s) < 300
    for (axis, residual, _, rms, noise), axes in zip(present, every, strict=False):
        axes.plot(
            check.t_s, residual, linestyle="none", marker="o" if few else ".",
            markersize=4.0 if few else 1.6, color=SHADES[3], rasterized=True,
        )  # fmt: skip
        axes.axhspan(-2 * noise, 2 * noise, color="#b9c1c6", alpha=0.6, linewidth=0, zorder=0.5)
        finite = residual[np.isfinite(residual)]
        reach = max(3.0 * noise, float(np.quantile(np.abs(finite), 0.998)) * 1.15)
        axes.set_ylim(-reach, reach)
        axes.set_ylabel(f"{axis}, mm")
        axes.set_title(f"{axis}: rms {rms:.3f} mm, noise {noise:.3f} mm (band ± 2 noise)")
    every[len(present) - 1].set_xlabel("time in the pattern, s")
    _histogram(every[-1], present)
    return picture(
        figure,
        "residuals",
        "Measured minus modelled, against time and as a histogram in units of the measurement's "
        "own noise. A perfect model leaves the grey bell; what is broader is the model's error.",
        "Residuals of the fit against time for each axis, and their histogram beside a normal "
        "curve",
        stacked(
            {"axis": axis, "t_s": check.t_s, "residual_mm": residual, "noise_mm": sigma}
            for axis, residual, sigma, *_ in present
        ),
    )


def _histogram(axes: Any, present: list[tuple[Any, ...]]) -> None:
    edges = np.linspace(-6.0, 6.0, 49)
    middle = (edges[:-1] + edges[1:]) / 2.0
    total = max(int(np.isfinite(residual).sum()) for _, residual, *_ in present)
    if total < 300:
        edges = np.linspace(-6.0, 6.0, 17)
    normal = np.exp(-(middle**2) / 2.0) / np.sqrt(2.0 * np.pi)
    axes.fill_between(middle, normal, color="#b9c1c6", alpha=0.8, linewidth=0, label="noise alone")
    styles: tuple[dict[str, Any], ...] = (
        {"color": SHADES[5], "linestyle": "-"},
        {"color": SHADES[1], "linestyle": (0, (3, 1))},
    )
    for (axis, residual, sigma, *_), style in zip(present, styles, strict=False):
        z = (residual / sigma)[np.isfinite(residual)]
        count, _ = np.histogram(np.clip(z, -5.99, 5.99), edges)
        axes.stairs(count / len(z) / np.diff(edges), edges, label=axis, linewidth=1.5, **style)
    axes.set_xlabel("residual / noise (all beyond ± 6 are in the outer bars)")
    axes.set_ylabel("density")
    axes.legend(loc="upper right")
    axes.spines["left"].set_color(INK)
