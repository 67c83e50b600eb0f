"""What `hysteresis measure` says about a recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hysteresis.measure import Measured
    from hysteresis.measure.quality import Figure, Quality
    from hysteresis.uncertainty_budget import Budget

_MOST_DOUBTS = 40  # lines of the table of doubtful rows


def say_measured(measured: Measured, path: Path) -> None:
    """Print what measuring found: figures, rows in doubt, notes."""
    from hysteresis.cli.console import say, table
    from hysteresis.measure import rows_by_reason

    recording = measured.recording
    used = int(recording.used.sum())
    word = "frames" if measured.source == "camera" else "readings"
    facts: list[tuple[str, object]] = [
        (f"{word} read", len(recording)),
        (f"{word} used", used),
    ]
    facts += [(f"not used: {reason}", n) for reason, n in rows_by_reason(recording).items()]
    facts += _camera_facts(measured) if measured.source == "camera" else _typed_facts(measured)
    table(f"Measured from {path}", ("what", "value"), facts)
    if measured.doubts:
        shown = measured.doubts[:_MOST_DOUBTS]
        rows = [(doubt.number, doubt.text) for doubt in shown]
        table("In doubt, not used", (word[:-1], "why"), rows)
        more = len(measured.doubts) - len(shown)
        if more:
            print(f"… and {more} more, in recording.csv with their reasons")
        print(f"To use some of them all the same:  --keep {shown[0].number}   (or --keep-all)")
    if measured.notes:
        print()
    for note in measured.notes:
        say(f"Note: {note}.")
    print()


def _camera_facts(measured: Measured) -> list[tuple[str, object]]:
    import numpy as np

    from hysteresis.quantities import format_with_uncertainty

    clock, registration, used = measured.clock, measured.registration, measured.recording.used
    assert clock is not None and registration is not None and measured.sigma_px is not None
    sigma_mm = [
        float(np.median(column[used]))
        for column in (measured.recording.sigma_x_mm, measured.recording.sigma_y_mm)
    ]
    residual = registration.residual_mm
    return [
        ("frames missing in the log", measured.missing),
        ("longest gap", f"{measured.longest_gap_s:.3f} s"),
        ("sigma of a spot, u and v", " and ".join(f"{s:.3f}" for s in measured.sigma_px) + " px"),
        ("sigma of a spot, x and y", " and ".join(f"{s:.4f}" for s in sigma_mm) + " mm"),
        (
            "registration",
            f"{registration.source}, {registration.fiducials} marks, residual "
            + ("not determined" if np.isnan(residual) else f"{residual:.3f} mm"),
        ),
        (
            "clock offset",
            format_with_uncertainty(1e3 * clock.offset_s, 1e3 * clock.u_offset_s, "ms"),
        ),
        ("clock drift", format_with_uncertainty(1e6 * clock.drift, 1e6 * clock.u_drift, "ppm")),
        ("motion that the drive explains", f"{100 * clock.score:.2f} %"),
        *(("clock rests on", said) for said in clock.evidence),
    ]


def _typed_facts(measured: Measured) -> list[tuple[str, object]]:
    recording = measured.recording
    step = measured.rounding_mm
    return [
        ("values rounded to", f"{step:g} mm" if step else "not seen"),
        ("sigma of a reading", f"{recording.sigma_x_mm[0]:.3f} mm"),
        ("readings with a time", int((recording.t_s == recording.t_s).sum())),
    ]


def say_quality(quality: Quality) -> None:
    """Print how good the measurement is: figures, budgets, verdict."""
    from hysteresis.cli.console import say, table

    rows = [(figure.words, _value(figure), figure.remark) for figure in quality.figures]
    table("Quality of the measurement", ("what", "value", "remark"), rows)
    for budget in (quality.return_to_zero, quality.place):
        _say_budget(budget)
    print()
    say(quality.verdict)
    print()


def say_quality_short(quality: Quality) -> None:
    """Print in two lines what a filmed job can show."""
    from hysteresis.cli.console import say

    moving = quality.moving or quality.place
    largest = moving.largest()
    u, zero = moving.expanded(), quality.place.expanded()
    say(
        f"One frame of the job is placed to ±{u:.2g} mm (95 %) at its usual speed, mostly by "
        f"{largest.words}; at rest to ±{zero:.2g} mm. The tolerance is {quality.tolerance_mm:g} mm."
    )


def _value(figure: Figure) -> str:
    return " and ".join(f"{value:.2g}" for value in figure.values) + f" {figure.unit}"


def _say_budget(budget: Budget) -> None:
    """One line for each component that is not nothing, and one for what comes out."""
    from hysteresis.cli.console import table

    nu, rows = budget.effective_dof, []
    for part, share in zip(budget.components, budget.shares(), strict=True):
        if part.contribution > 0:
            rows.append(
                (
                    part.words, part.kind, part.distribution, f"{part.u:.2g} {part.unit}",
                    _whole(part.dof), f"{abs(part.sensitivity):.2g}", f"{part.contribution:.2g}",
                    f"{100 * share:.1f} %",
                )
            )  # fmt: skip
    k = budget.coverage_factor()
    table(
        f"Uncertainty budget (JCGM 100): {budget.measurand}",
        ("component", "type", "distribution", "u", "ν", "|c|", f"|c| u, {budget.unit}", "share"),
        rows,
    )
    print(
        f"u_c = {budget.combined:.2g} {budget.unit}, ν_eff = {_whole(nu)}, k = {k:.2f}, "
        f"U = {k * budget.combined:.2g} {budget.unit} (95 %)"
    )


def _whole(dof: float) -> str:
    return "∞" if dof > 999 else f"{dof:.0f}"
