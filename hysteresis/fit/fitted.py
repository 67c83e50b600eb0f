"""From the outcome of a fit to what model.json holds and what a person reads."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.files import sha256_of
from hysteresis.fit import Fit
from hysteresis.fit.structure import Layout
from hysteresis.measure.registration import Registration, register
from hysteresis.model import FittedModel, Parameter, bench_identity
from hysteresis.tables import Floats

CLICK_PX = 0.3  # how well a mark is clicked, where five fiducials cannot tell (no source)


def absolute_uncertainty_mm(bench: Bench, registration: Registration | None = None) -> float:
    """Standard uncertainty of absolute spots (distance in mm) from the registration.

    Where `registration` knows its own, that of the field's middle and corners (rms, the scale
    aside, which the fit takes for gain); else what the fiducials tell. Without either, 0.

    A homography has 8 unknowns; n marks read with s per coordinate leave about
    s √(8 / 2n) at each coordinate of the field (mean leverage of a linear fit, textbook).
    """
    if registration is not None and registration.known is not None:
        x, y = bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm
        px = registration.px_of(np.array([0.0, -x, x, x, -x]), np.array([0.0, -y, -y, y, y]))
        sigma = registration.place_sigma_mm(*px, scale=False)
        return float(np.sqrt(np.nanmean((sigma**2).sum(axis=1))))
    if bench.camera is None or not (bench.camera.fiducials or registration):
        return 0.0
    registration = registration or register(bench.camera)
    guess = CLICK_PX * registration.mm_per_px
    own = registration.residual_mm if np.isfinite(registration.residual_mm) else guess
    freedom = 2 * registration.fiducials - 8
    # few degrees of freedom say little: lean on the guess as if it had been seen four times
    size = np.sqrt((freedom * own**2 + 4 * guess**2) / (freedom + 4))
    return float(np.sqrt(2.0) * size * np.sqrt(8.0 / (2.0 * registration.fiducials)))


def fitted_model(fit: Fit, bench: Bench, inputs: dict[str, Path]) -> FittedModel:
    """What model.json holds; `inputs` are the files whose hashes go into the provenance."""
    plan = fit.solution.layout
    return FittedModel(
        model=fit.model,
        without_memory=fit.without_memory,
        start=fit.start_state,
        end=fit.end,
        parameters=tuple(
            Parameter(str(name), float(value), float(error), unit_of(str(name), plan.recipe.form))
            for name, value, error in zip(
                fit.names, offsets(plan) + fit.values, fit.errors, strict=True
            )
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
        if isinstance(model, AxisModel) and model.chain.droop_per_s > 0:
            figures[f"output_corner_{axis}_hz"] = model.chain.corner_hz
    figures["error_on_held_out_mm"] = fit.discrepancy.typical_mm
    return figures


def offsets(plan: Layout) -> Floats:
    """Where each unknown (s,) counts from: what it is told as is this plus its short value.

    Not 0 where a bound is: a Bouc-Wen element's reach, sigma and exponent.
    """
    out = np.zeros(len(plan.names))
    for k, column in enumerate(plan.spread.T):
        targets = np.flatnonzero(column)
        if targets.size == 1:
            out[k] = plan.base[targets[0]]
    return out


_UNITS = {
    "torque": {
        "k1": "drive/FS", "k2": "drive/FS²", "k3": "drive/FS³", "damping": "drive s/FS",
        "inertia": "drive s²/FS", "heat1": "1/drive²", "heat2": "1/drive²", "slip": "drive/FS",
        "cell": "drive", "bouc_wen_stiffness": "drive/FS", "bouc_wen_reach": "FS",
        "bouc_wen_sigma": "1", "bouc_wen_exponent": "1", "bouc_wen_asymmetry": "1",
        "bouc_wen_pinching": "1", "branch": "drive/FS", "branch_all": "drive/FS",
        "branch_strength": "drive/FS", "branch_exponent": "1", "history": "drive",
        "droop_per_s": "1/s", "lag_s": "s", "saturation": "1/drive²",
    },
    "compliance": {
        "k1": "FS/drive", "k2": "FS/drive²", "k3": "FS/drive³", "play": "FS/drive",
        "creep": "FS/drive", "creep_all": "FS/drive", "creep_strength": "FS/drive",
        "creep_exponent": "1", "history": "FS",
    },
}  # fmt: skip
"""Units of one axis' unknowns by their names without axis and number; FS: full scale of the angle,
drive: full scale of the drive. The strength of a power law is that for times told in s."""
_SHARED_UNITS = {
    "coupling_xy": "1", "coupling_yx": "1", "offset_x_mm": "mm", "offset_y_mm": "mm",
    "tilt_x_per_mm": "1/mm", "tilt_y_per_mm": "1/mm", "log_distance": "1",
    "clock_offset_s": "s", "clock_drift": "1", "drift_x_mm": "mm", "drift_y_mm": "mm",
}  # fmt: skip


def unit_of(name: str, form: str = "torque") -> str:
    """Unit of a fitted unknown, by its name and the form of the recipe ('torque', 'compliance').

    In compliance form k1, k2 and k3 are those of the deflection under a drive. KeyError for a
    name that no recipe has.
    """
    if name in _SHARED_UNITS:
        return _SHARED_UNITS[name]
    return _UNITS[form][re.sub(r"_\d+$", "", name.partition("_")[2])]


def as_lmfit(fit: Fit) -> Any:
    """The unknowns as `lmfit.Parameters`, with bounds and standard errors, for its reports."""
    import lmfit

    plan = fit.solution.layout
    begins = offsets(plan)
    least = np.where(plan.not_negative, begins, -np.inf)
    out = lmfit.Parameters()
    for k, (name, value, error) in enumerate(zip(fit.names, fit.values, fit.errors, strict=True)):
        out.add(str(name), value=float(begins[k] + value), min=float(least[k]),
                max=float(begins[k] + plan.upper[k]))  # fmt: skip
        out[str(name)].stderr = float(error) if np.isfinite(error) else None
    return out


def parameter_lines(fit: Fit) -> list[str]:
    """lmfit's report of every unknown, a line each, with its unit in place of a starting value."""
    from lmfit import fit_report

    form = fit.solution.layout.recipe.form
    lines = fit_report(as_lmfit(fit), show_correl=False).splitlines()
    units = ("", *(unit_of(str(name), form) for name in fit.names))  # the first line is a title
    return [
        re.sub(r"\s*\(init = [^)]*\)$", "" if unit == "1" else f"  {unit}", line)
        for line, unit in zip(lines, units, strict=True)
    ]


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(values**2))) if np.isfinite(values).any() else float("nan")
