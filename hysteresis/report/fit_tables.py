"""Tables of a fitted model: how well it does, what was compared, what the data tell apart."""

from __future__ import annotations

from typing import Any

import numpy as np

from hysteresis.model import FittedModel
from hysteresis.quantities import format_with_uncertainty
from hysteresis.report.page import Table
from hysteresis.report.words import plain

_QUALITY = (
    ("noise of the measurement, mm", "noise_{}_mm", 1.0),
    ("residual of the fit (rms), mm", "residual_{}_mm", 1.0),
    ("residual / noise, rms", "residual_over_noise_{}", 1.0),
    ("residual / noise, robust", "robust_residual_over_noise_{}", 1.0),
    ("residual on data held out / noise, rms", "held_out_over_noise_{}", 1.0),
    ("friction memory, % of stiffness", "friction_share_{}", 100.0),
    ("after-effect, % per decade of time", "after_effect_per_decade_{}", 100.0),
    ("resonance, Hz", "resonance_{}_hz", 1.0),
    ("damping ratio", "damping_ratio_{}", 1.0),
    ("corner of the output, Hz", "output_corner_{}_hz", 1.0),
)


def fit_table(fitted: FittedModel) -> tuple[Table, ...]:
    """How well the model describes the recording."""
    rows = []
    for text, key, factor in _QUALITY:
        cells = [fitted.figures.get(key.format(axis), float("nan")) * factor for axis in "xy"]
        if np.isfinite(cells).any():
            rows.append((text, plain(cells[0]), plain(cells[1])))
    if not rows:
        return ()
    return (Table(("figure", "x", "y"), tuple(rows), "How well the model describes the data."),)


def parameters_table(fitted: FittedModel) -> tuple[Table, ...]:
    """The parameters with a meaning of their own; single elements of a spectrum have none."""
    rows = tuple(
        (
            p.name,
            format_with_uncertainty(p.value, p.standard_error).replace("-", "−")
            if np.isfinite(p.standard_error)
            else f"{plain(p.value)} (at its bound)",
            p.unit,
        )
        for p in fitted.parameters
        if not any(word in p.name for word in ("_slip_", "_branch_", "_history_", "_cell_"))
    )
    if not rows:
        return ()
    return (
        Table(
            ("parameter", "value ± standard error", "unit"),
            rows,
            "Parameters. Single slip elements and Maxwell branches stand in model.json: together "
            "they are well known, one by one they are not.",
            left=frozenset({0, 2}),
            shape="tall",
        ),
    )


def candidates_table(fitted: FittedModel) -> tuple[Table, ...]:
    """The memories that were compared; none where one was asked for by name or none recorded."""
    found = _records(fitted.provenance.get("candidates"),
                     ("held_out_ratio", "worse_by", "uncertain_by", "unknowns"))  # fmt: skip
    if len(found) < 2:
        return ()
    return (
        Table(
            ("memory", "held out / noise", "worse by, %", "± %", "unknowns"),
            tuple(
                (
                    f"{c['name']}{' (chosen)' if c.get('chosen') is True else ''}",
                    plain(c["held_out_ratio"]), f"{100 * c['worse_by']:.0f}",
                    f"{100 * c['uncertain_by']:.0f}", f"{c['unknowns']:.0f}",
                )
                for c in found
            ),
            "Memories compared by their error on data held out; the simplest within two standard "
            "errors of the best is taken.",
            marked=frozenset(k for k, c in enumerate(found) if c.get("chosen") is True),
        ),
    )  # fmt: skip


def causes_table(fitted: FittedModel) -> tuple[Table, ...]:
    """Which causes the data tell apart; none where the fit did not record it."""
    found = fitted.provenance.get("causes")
    if not isinstance(found, list):
        return ()
    rows = tuple(
        (entry[0], entry[1], entry[2])
        for entry in found
        if isinstance(entry, list) and len(entry) == 3 and all(isinstance(c, str) for c in entry)
    )
    if not rows:
        return ()
    return (
        Table(("cause", "figure", "verdict"), rows, "What the data tell apart.",
              left=frozenset({0, 1, 2}), shape="stack"),
    )  # fmt: skip


def _records(content: Any, numbers: tuple[str, ...]) -> list[dict[str, Any]]:
    """Entries with a name and these numbers; what is not of that form is left out."""
    if not isinstance(content, list):
        return []
    return [
        entry
        for entry in content
        if isinstance(entry, dict)
        and isinstance(entry.get("name"), str)
        and all(
            isinstance(entry.get(key), (int, float)) and not isinstance(entry.get(key), bool)
            for key in numbers
        )
    ]
