"""Tables of a recording: returns to zero, loops, repeats; and of how good the measurement is."""

from __future__ import annotations

from hysteresis.findings import Measured
from hysteresis.measure.quality import Quality
from hysteresis.report.page import Table
from hysteresis.report.parts import signed, with_two_u
from hysteresis.report.words import plain
from hysteresis.uncertainty_budget import Budget


def returns_table(measured: Measured) -> tuple[Table, ...]:
    """Every return to zero: none without."""
    rows = []
    by_length = sorted(
        measured.returns, key=lambda r: (r.axis, float(f"{r.dwell_s:.2g}"), r.excursion_fs)
    )
    for r in by_length:
        late = r.last
        rows.append(
            (
                r.axis,
                signed(100 * r.excursion_fs),
                f"{r.dwell_s:.1f}",
                f"{r.first.wait_s:.2f}",
                with_two_u(r.first.error_mm, r.first.u_mm),
                signed(r.percent_fs(r.first), 2),
                "–" if late is None else f"{late.wait_s:.1f}",
                "–" if late is None else with_two_u(late.error_mm, late.u_mm),
                "–" if late is None else signed(r.recovered_mm, 3),
            )
        )
    if not rows:
        return ()
    return (
        Table(
            ("axis", "excursion, % drive", "dwell, s", "wait, s", "error, mm", "% of full scale",
             "last wait, s", "last error, mm", "recovered, mm"),
            tuple(rows),
            "Return-to-zero errors, ± two standard uncertainties.",
        ),
    )  # fmt: skip


def loops_table(measured: Measured) -> tuple[Table, ...]:
    """Hysteresis and reversal value: none without."""
    rows = []
    for h in measured.hysteresis:
        alone = "" if h.alone else "; both axes moved"
        rows.append(
            (
                f"hysteresis of {h.axis} ({h.how}{alone})",
                with_two_u(h.percent_span, h.u_percent, "% of span"),
                f"{signed(100 * h.at_drive)} %",
            )
        )
    for b in measured.reversal:
        rows.append(
            (
                f"reversal value B of {b.axis}, {b.targets} targets, {b.runs} "
                f"run{'s' if b.runs > 1 else ''} per direction; mean {plain(b.mean_mm)} mm",
                with_two_u(b.largest_mm, b.u_mm, "mm"),
                f"{signed(100 * b.at_drive)} %",
            )
        )
    if not rows:
        return ()
    return (
        Table(
            ("figure", "value", "at drive"), tuple(rows), "Hysteresis and reversal value.",
            shape="tall",
        ),
    )  # fmt: skip


def repeats_table(measured: Measured) -> tuple[Table, ...]:
    """Repeatability: none without."""
    if not measured.repeatability:
        return ()
    return (
        Table(
            ("axis", "played again", "later by, s", "readings", "mean difference, mm",
             "largest difference, mm"),
            tuple(
                (r.axis, r.first_group, f"{r.later_s:.0f}", str(r.points),
                 signed(r.mean_mm, 3), with_two_u(r.largest_mm, r.u_mm))
                for r in measured.repeatability
            ),
            "Repeatability: settled readings of a stretch played again, later minus first.",
        ),
    )  # fmt: skip


def used_rows(measured: Measured) -> str:
    """How many rows were used, and why others were not."""
    text = f"{measured.used} of {measured.rows} rows of the recording are used"
    if measured.set_aside:
        parts = [f"{reason}: {count}" for reason, count in measured.set_aside.items()]
        text += f"; set aside, {', '.join(parts)}"
    if not measured.timed:
        text += "; rows without a time are placed by their segment, so waits are the planned ones"
    return text + f". The pattern lasts {measured.duration_s:.0f} s."


def limits_table(quality: Quality) -> Table:
    """The limits of the measurement."""
    rows = tuple(
        (
            figure.words,
            " and ".join(plain(value, 2) for value in figure.values) + f" {figure.unit}",
            figure.remark,
        )
        for figure in quality.figures
    )
    return Table(
        ("figure", "value", "remark"), rows, "The limits of the measurement.",
        left=frozenset({0, 2}), shape="stack",
    )  # fmt: skip


def budget_table(budget: Budget) -> Table:
    """One uncertainty budget."""
    rows = tuple(
        (
            part.words, part.kind, part.distribution, f"{plain(part.u, 2)} {part.unit}",
            _dof(part.dof), plain(abs(part.sensitivity), 2), plain(part.contribution, 2),
            f"{100 * share:.1f}",
        )
        for part, share in zip(budget.components, budget.shares(), strict=True)
        if part.contribution > 0
    )  # fmt: skip
    k = budget.coverage_factor()
    return Table(
        ("component", "type", "distribution", "u", "ν", "|c|", "|c| u, mm", "share, %"),
        rows,
        f"Uncertainty budget (JCGM 100), {budget.measurand}: u_c {plain(budget.combined, 2)} mm, "
        f"ν_eff {_dof(budget.effective_dof)}, k {k:.2f}, U {plain(k * budget.combined, 2)} mm "
        "(95 %).",
        left=frozenset({0, 1, 2}),
    )


def _dof(value: float) -> str:
    return "∞" if value > 999 else f"{value:.0f}"
