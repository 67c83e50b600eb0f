"""From the outcome of a fit to what model.json holds and what a person reads."""

from __future__ import annotations

from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.bench import Bench
from hysteresis.files import sha256_of
from hysteresis.fit import Fit
from hysteresis.measure.registration import register
from hysteresis.model import FittedModel, Parameter, bench_identity

CLICK_PX = 0.3  # how well a mark is clicked, where five fiducials cannot tell (no source)


def absolute_uncertainty_mm(bench: Bench) -> float:
    """Standard uncertainty of absolute spots (distance in mm) from the fiducials.

    A homography has 8 unknowns; n marks read with s per coordinate leave about
    s √(8 / 2n) at each coordinate of the field (mean leverage of a linear fit, textbook).
    """
    if bench.camera is None:
        return 0.0
    registration = register(bench.camera)
    guess = CLICK_PX * registration.mm_per_px
    own = registration.residual_mm if np.isfinite(registration.residual_mm) else guess
    freedom = 2 * registration.fiducials - 8
    # few degrees of freedom say little: lean on the guess as if it had been seen four times
    size = np.sqrt((freedom * own**2 + 4 * guess**2) / (freedom + 4))
    return float(np.sqrt(2.0) * size * np.sqrt(8.0 / (2.0 * registration.fiducials)))


def fitted_model(fit: Fit, bench: Bench, inputs: dict[str, Path]) -> FittedModel:
    """What model.json holds; `inputs` are the files whose hashes go into the provenance."""
    return FittedModel(
        model=fit.model,
        without_memory=fit.without_memory,
        start=fit.start_state,
        end=fit.end,
        parameters=tuple(
            Parameter(str(name), float(value), float(error), unit_of(str(name)))
            for name, value, error in zip(fit.names, fit.values, fit.errors, strict=True)
        ),
        discrepancy=fit.discrepancy,
        bench=bench_identity(bench),
        figures=quality(fit),
        notes=fit.notes,
        provenance={
            "software": f"hysteresis {version('hysteresis')}",
            "date": datetime.now(UTC).isoformat(timespec="seconds"),
            "inputs": {name: {"file": path.name, "sha256": sha256_of(path)}
                       for name, path in inputs.items()},
            "recipe": next(c.name for c in fit.choices if c.chosen),
        },
        trust=None if fit.trust is None else fit.trust.to_json(),
    )  # fmt: skip


def quality(fit: Fit) -> dict[str, float]:
    """Figures of the fit: residual against noise, held-out residual, resonance, memory share."""
    figures: dict[str, float] = {"rows": float(len(fit.seen))}
    for axis, residual, held, noise, model in (
        ("x", fit.residual_x_mm, fit.held.residual_x_mm, fit.noise_x_mm, fit.model.axis_x),
        ("y", fit.residual_y_mm, fit.held.residual_y_mm, fit.noise_y_mm, fit.model.axis_y),
    ):
        if not np.isfinite(residual).any():
            continue
        rms, middle = _rms(residual), 1.4826 * float(np.nanmedian(np.abs(residual)))
        figures |= {
            f"noise_{axis}_mm": noise,
            f"residual_{axis}_mm": rms,
            f"residual_over_noise_{axis}": rms / noise,
            f"robust_residual_over_noise_{axis}": middle / noise,
            f"held_out_over_noise_{axis}": _rms(held) / noise,
        }
        stiffness = model.small_signal_stiffness()
        if model.dynamics.inertia_s2 > 0:
            figures[f"resonance_{axis}_hz"] = model.dynamics.resonance_hz(stiffness)
            figures[f"damping_ratio_{axis}"] = model.dynamics.damping_ratio(stiffness)
        figures[f"friction_share_{axis}"] = model.friction_share()
        figures[f"after_effect_per_decade_{axis}"] = model.after_effect_share()
    figures["error_on_held_out_mm"] = fit.discrepancy.typical_mm
    return figures


def unit_of(name: str) -> str:
    """Unit of a fitted unknown, by its name."""
    if name.endswith("_per_mm"):
        return "1/mm"
    if name.endswith("_mm"):
        return "mm"
    if name.endswith("_s"):
        return "s"
    if name.endswith("damping"):
        return "drive s/FS"
    if name.endswith("inertia"):
        return "drive s²/FS"
    if "_history_" in name:
        return "drive"
    if name[:2] in ("x_", "y_") and ("slip" in name or "branch" in name or name[2] == "k"):
        return "drive/FS"
    return "1"


def as_lmfit(fit: Fit) -> Any:
    """The unknowns as `lmfit.Parameters`, with bounds and standard errors, for its reports."""
    import lmfit

    out = lmfit.Parameters()
    for name, value, error in zip(fit.names, fit.values, fit.errors, strict=True):
        positive = any(word in name for word in ("slip", "branch", "k1", "damping", "inertia"))
        out.add(str(name), value=float(value), min=0.0 if positive else -np.inf)
        out[str(name)].stderr = float(error) if np.isfinite(error) else None
    return out


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(values**2))) if np.isfinite(values).any() else float("nan")
