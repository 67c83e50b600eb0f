"""The report as one self-contained HTML page: pictures inside, nothing fetched from anywhere."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import numpy as np

from hysteresis.cautions import CAUTIONS
from hysteresis.findings import Findings, Measured
from hysteresis.measure.quality import Quality
from hysteresis.model import FittedModel
from hysteresis.quantities import format_with_uncertainty
from hysteresis.report.drawing import AFTER, BEFORE, SHADES, Picture, styled
from hysteresis.report.measured_figures import fit_pictures, measured_pictures
from hysteresis.report.memory_figures import memory_pictures
from hysteresis.report.played_figures import played_pictures
from hysteresis.report.quality_figures import quality_pictures
from hysteresis.report.words import DEFINITIONS, plain, row_cells, verdict
from hysteresis.uncertainty_budget import Budget
from hysteresis.verify import Verification

Table = dict[str, Any]


def render(findings: Findings) -> str:
    """The whole page as text. Every text that came from a file is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("hysteresis.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["pieces"] = _pieces
    with styled():
        pictures = {
            "played": [] if findings.played is None else played_pictures(findings.played),
            "measured": measured_pictures(findings),
            "quality": quality_pictures(findings.quality),
            "fit": fit_pictures(findings.fit_check) + memory_pictures(findings.fitted),
        }
    played = findings.played
    return environment.get_template("page.html").render(
        findings=findings,
        colours={"before": BEFORE["color"], "after": AFTER["color"], "mark": SHADES[3]},
        verdict=verdict(findings),
        cautions=CAUTIONS,
        definitions=DEFINITIONS,
        bars=None if played is None else _bars(played),
        summary=None if played is None else _summary(played),
        forecast=None if played is None else _forecast(played),
        layers=None if played is None else _layers(played),
        pictures={key: [_embedded(p) for p in found] for key, found in pictures.items()},
        returns=_returns(findings.measured),
        loops=_loops(findings.measured),
        repeats=_repeats(findings.measured),
        aside=_aside(findings.measured),
        quality=_quality(findings),
        measurement=_measurement(findings.quality),
        budgets=_budgets(findings.quality),
        difficult=_sheet(findings.difficult_frames_png),
        parameters=_parameters(findings.fitted),
        provenance=_provenance(findings),
    )


def _pieces(cell: str) -> list[str]:
    """A cell in parts between which a narrow screen may break it: a figure, then its interval."""
    value, bracket, interval = cell.partition(" (")
    return [value, f"({interval}"] if bracket and interval.endswith(")") else [cell]


def _embedded(picture: Picture) -> dict[str, str]:
    data = base64.b64encode(picture.png).decode("ascii")
    return {
        "key": picture.key,
        "source": f"data:image/png;base64,{data}",
        "caption": picture.caption,
        "alt": picture.alt,
    }


def _table(columns: Sequence[str], rows: Sequence[Sequence[str]], caption: str = "") -> Table:
    return {"columns": columns, "rows": rows, "caption": caption}


def _signed(value: float, decimals: int = 0) -> str:
    """A number with its sign; a rounded zero has none."""
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "−")


def _pm(value: float, u: float, unit: str = "") -> str:
    """A value with two standard uncertainties."""
    return format_with_uncertainty(value, 2.0 * u, unit).replace("-", "−")


# ---- the played job ----------------------------------------------------------------------------


def _bars(played: Verification) -> list[dict[str, Any]] | None:
    """The two rms errors as lengths, in per cent of the longer one."""
    found = [
        (words, key, figures.rms_mm)
        for words, key, figures in (
            ("not compensated", "before", played.before_figures),
            ("compensated", "after", played.after_figures),
        )
        if figures is not None
    ]
    if len(found) < 2:
        return None
    longest = max(size for *_, size in found)
    return [
        {"words": words, "key": key, "mm": plain(size), "share": max(0.4, 100 * size / longest)}
        for words, key, size in found
    ]


def _summary(played: Verification) -> Table:
    return _table(
        ("figure", "not compensated", "compensated", "times less"),
        [row_cells(row) for row in played.rows],
        f"Error on the traced path. In brackets: 95 % interval, bootstrap over {played.blocks} "
        f"{played.block_kind}.",
    )


def _forecast(played: Verification) -> Table | None:
    told = played.forecast
    if told is None:
        return None
    before = "–" if played.before_figures is None else plain(played.before_figures.rms_mm)
    after = "–" if played.after_figures is None else plain(played.after_figures.rms_mm)
    low, high = plain(told.after_low_mm), plain(told.after_high_mm)
    interval = f"{plain(told.after_rms_mm)} ({low} … {high})"
    answer = {True: "yes", False: "no", None: "–"}[played.covered]
    return _table(
        ("rms error, mm", "foretold (95 % interval)", "played", "inside"),
        [
            ("not compensated", plain(told.before_rms_mm), before, ""),
            ("compensated", interval, after, answer),
        ],
        "What was foretold before anything was played, and what came.",
    )


def _layers(played: Verification) -> Table | None:
    if len(played.layers) < 2:
        return None

    def cells(figures: Any) -> tuple[str, str, str]:
        if figures is None:
            return "–", "–", "–"
        return plain(figures.rms_mm), plain(figures.bias_mm), plain(figures.worst_mm)

    rows = [
        (str(layer.layer + 1), *cells(layer.before), *cells(layer.after)) for layer in played.layers
    ]
    return _table(
        ("layer", "rms before", "shift before", "worst before", "rms after", "shift after",
         "worst after"),
        rows,
        "Layer by layer, mm.",
    )  # fmt: skip


# ---- the recording -----------------------------------------------------------------------------


def _returns(measured: Measured | None) -> Table | None:
    if measured is None or not measured.returns:
        return None
    rows = []
    by_length = sorted(
        measured.returns, key=lambda r: (r.axis, float(f"{r.dwell_s:.2g}"), r.excursion_fs)
    )
    for r in by_length:
        late = r.last
        rows.append(
            (
                r.axis,
                _signed(100 * r.excursion_fs),
                f"{r.dwell_s:.1f}",
                f"{r.first.wait_s:.2f}",
                _pm(r.first.error_mm, r.first.u_mm),
                _signed(r.percent_fs(r.first), 2),
                "–" if late is None else f"{late.wait_s:.1f}",
                "–" if late is None else _pm(late.error_mm, late.u_mm),
                "–" if late is None else _signed(r.recovered_mm, 3),
            )
        )
    return _table(
        ("axis", "excursion, % drive", "dwell, s", "wait, s", "error, mm", "% of full scale",
         "last wait, s", "last error, mm", "recovered, mm"),
        rows,
        "Return-to-zero errors, ± two standard uncertainties.",
    )  # fmt: skip


def _loops(measured: Measured | None) -> Table | None:
    if measured is None or not (measured.hysteresis or measured.reversal):
        return None
    rows = []
    for h in measured.hysteresis:
        alone = "" if h.alone else "; both axes moved"
        rows.append(
            (
                f"hysteresis of {h.axis} ({h.how}{alone})",
                _pm(h.percent_span, h.u_percent, "% of span"),
                f"{_signed(100 * h.at_drive)} %",
            )
        )
    for b in measured.reversal:
        rows.append(
            (
                f"reversal value B of {b.axis}, {b.targets} targets, {b.runs} "
                f"run{'s' if b.runs > 1 else ''} per direction; mean {plain(b.mean_mm)} mm",
                _pm(b.largest_mm, b.u_mm, "mm"),
                f"{_signed(100 * b.at_drive)} %",
            )
        )
    return _table(("figure", "value", "at drive"), rows, "Hysteresis and reversal value.")


def _repeats(measured: Measured | None) -> Table | None:
    if measured is None or not measured.repeatability:
        return None
    return _table(
        ("axis", "played again", "later by, s", "readings", "mean difference, mm",
         "largest difference, mm"),
        [
            (r.axis, r.first_group, f"{r.later_s:.0f}", str(r.points),
             _signed(r.mean_mm, 3), _pm(r.largest_mm, r.u_mm))
            for r in measured.repeatability
        ],
        "Repeatability: settled readings of a stretch played again, later minus first.",
    )  # fmt: skip


def _aside(measured: Measured | None) -> str:
    if measured is None:
        return ""
    text = f"{measured.used} of {measured.rows} rows of the recording are used"
    if measured.set_aside:
        parts = [f"{reason}: {count}" for reason, count in measured.set_aside.items()]
        text += f"; set aside, {', '.join(parts)}"
    if not measured.timed:
        text += "; rows without a time are placed by their segment, so waits are the planned ones"
    return text + f". The pattern lasts {measured.duration_s:.0f} s."


# ---- how good the measurement is ----------------------------------------------------------------


def _measurement(quality: Quality | None) -> Table | None:
    if quality is None:
        return None
    rows = [
        (
            figure.words,
            " and ".join(plain(value, 2) for value in figure.values) + f" {figure.unit}",
            figure.remark,
        )
        for figure in quality.figures
    ]
    return _table(("figure", "value", "remark"), rows, "The limits of the measurement.")


def _budgets(quality: Quality | None) -> list[Table]:
    if quality is None:
        return []
    return [_budget(budget) for budget in quality.budgets]


def _budget(budget: Budget) -> Table:
    rows = [
        (
            part.words, part.kind, part.distribution, f"{plain(part.u, 2)} {part.unit}",
            _dof(part.dof), plain(abs(part.sensitivity), 2), plain(part.contribution, 2),
            f"{100 * share:.1f}",
        )
        for part, share in zip(budget.components, budget.shares(), strict=True)
        if part.contribution > 0
    ]  # fmt: skip
    k = budget.coverage_factor()
    return _table(
        ("component", "type", "distribution", "u", "ν", "|c|", "|c| u, mm", "share, %"),
        rows,
        f"Uncertainty budget (JCGM 100), {budget.measurand}: u_c {plain(budget.combined, 2)} mm, "
        f"ν_eff {_dof(budget.effective_dof)}, k {k:.2f}, U {plain(k * budget.combined, 2)} mm "
        "(95 %).",
    )


def _dof(value: float) -> str:
    return "∞" if value > 999 else f"{value:.0f}"


def _sheet(png: bytes) -> str:
    return f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}" if png else ""


# ---- the fit -----------------------------------------------------------------------------------

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
)


def _quality(findings: Findings) -> Table | None:
    fitted = findings.fitted
    if fitted is None:
        return None
    rows = []
    for text, key, factor in _QUALITY:
        cells = [fitted.figures.get(key.format(axis), float("nan")) * factor for axis in "xy"]
        if np.isfinite(cells).any():
            rows.append((text, plain(cells[0]), plain(cells[1])))
    return _table(("figure", "x", "y"), rows, "How well the model describes the recording.")


def _parameters(fitted: FittedModel | None) -> Table | None:
    """The parameters with a meaning of their own; single elements of a spectrum have none."""
    if fitted is None:
        return None
    rows = [
        (
            p.name,
            format_with_uncertainty(p.value, p.standard_error).replace("-", "−")
            if np.isfinite(p.standard_error)
            else f"{plain(p.value)} (at its bound)",
            p.unit,
        )
        for p in fitted.parameters
        if not any(word in p.name for word in ("_slip_", "_branch_", "_history_"))
    ]
    if not rows:
        return None
    return _table(
        ("parameter", "value ± standard error", "unit"),
        rows,
        "Parameters. Single slip elements and Maxwell branches stand in model.json: together they "
        "are well known, one by one they are not.",
    )


def _provenance(findings: Findings) -> Table:
    rows = [(s.what, s.file, s.sha256) for s in findings.sources]
    return _table(("input", "file", "SHA-256"), rows, "What this report was made from.")
