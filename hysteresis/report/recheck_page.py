"""Is the stored model still right, and what has moved? The page of a recheck and its history."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version

from hysteresis.bench import Bench
from hysteresis.findings import SIMULATED
from hysteresis.recheck.charts import LEAST
from hysteresis.recheck.results import (
    Judgement,
    LogRow,
    QuickUpdate,
    RecheckHistory,
    Shift,
    probability,
)
from hysteresis.report.drawing import styled
from hysteresis.report.page import Block, Grid, Page, Provenance, Section, Table, Text
from hysteresis.report.parts import (
    cautions_section,
    definitions_section,
    figures,
    grid,
    origin_section,
    sentence,
    warnings,
)
from hysteresis.report.recheck_figures import (
    LIMITS_TOLD,
    change_words,
    chart_pictures,
    history_picture,
    moved_picture,
    name_of_chart,
)
from hysteresis.report.words import plain

LOG = "log of rechecks"
MOST_MOVED = 3  # named in a line of the log's table; recheck_log.csv has all
VERDICTS = {
    "pass": "The stored model still holds.",
    "watch": "The stored model may be about to leave its tolerance: look again soon.",
    "refit": "The stored model no longer holds: take over what moved, or measure anew.",
}
FIRST = "Nothing shows that it moved; only with a reference can more be said."
ANEW = "The stored model no longer holds, and no number of it is blamed: measure anew."
TERMS = (
    (
        "Verdict",
        "Refit: a change is certain and leaves more than the tolerance of bench.toml on the path, "
        "or as much of the spots is explained by none of the numbers. Watch: a change is certain "
        "but leaves less, or one that leaves more cannot be ruled out. Pass: neither.",
    ),
    (
        "Chi-square",
        "Of all changes together under the hypothesis that nothing moved, with the degrees of "
        "freedom and the probability of as much by chance (textbook).",
    ),
    (
        "Control chart",
        "Individuals and moving range of two (Shewhart; ASTM E2587, constants from memory) and "
        "exponentially weighted moving average (Roberts 1959; Lucas and Saccucci 1990, from "
        "memory). Only rechecks of the same model and kind of reading stand in one chart.",
    ),
)


def recheck_page(
    judgement: Judgement,
    history: RecheckHistory,
    bench: Bench,
    origin: Provenance,
    *,
    record: str = "",
    update: QuickUpdate | None = None,
    simulated: bool = False,
    note: str = "",
) -> Page:
    """The verdict, what moved, control charts with their limits, and the log of all rechecks.

    `record` names the recheck in the log; `update` is what a quick update came to, if any.
    """
    with styled():
        body = (*_moved(judgement, origin), *_charts(history, origin), *_log(history, origin))
    return Page(
        question="recheck",
        title=f"{bench.name}: is the stored model still right?",
        facts=(
            *((f"recheck {record}",) if record else ()),
            f"suspension: {bench.suspension}",
            f"unit: {bench.unit}",
            f"tolerance {judgement.on_path.tolerance_mm:g} mm",
        ),
        note=note or (SIMULATED if simulated else ""),
        made_at=datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        origin=origin,
        sections=(
            _in_short(judgement, update),
            cautions_section(),
            *body,
            definitions_section(("Return-to-zero error",), TERMS),
            origin_section(origin.sources, f"hysteresis {version('hysteresis')}", origin.command),
        ),
    )


def _part(origin: Provenance, *whats: str) -> Provenance:
    """The named sources alone; all where none of them is there."""
    chosen = tuple(s for s in origin.sources if s.what in whats)
    return replace(origin, sources=chosen or origin.sources)


def _in_short(judgement: Judgement, update: QuickUpdate | None) -> Section:
    on = judgement.on_path
    told = VERDICTS[judgement.verdict]
    if judgement.only_first:
        told = FIRST
    elif judgement.verdict == "refit" and not judgement.moved:
        told = ANEW
    off = (
        f"error that the change leaves on {on.path}, rms mm (95 % interval)"
        if judgement.fits
        else f"distance from the stored model as it is in {on.path}, rms mm"
    )
    blocks: list[Block | Grid] = [
        Text(f"{judgement.verdict.capitalize()}: {told}", "verdict"),
    ]
    blocks += [Text(sentence(reason), "verdict") for reason in judgement.reasons]
    blocks += [
        Text(
            f"What moved: {s.words}, by {change_words(s.unit, s.moved_by)} ± "
            f"{_size(s, s.moved_by_error)}.",
            "verdict",
        )
        for s in judgement.moved
    ]
    blocks.append(
        Table(
            ("figure", "value"),
            (
                (off, f"{plain(on.error_mm)}" + (
                    f" ({plain(on.low_mm)} … {plain(on.high_mm)})" if judgement.fits else ""
                )),
                ("the largest of it, mm", plain(on.worst_mm)),
                ("tolerance, mm", f"{on.tolerance_mm:g}"),
                ("returns to zero off what the model foretells, rms mm",
                 plain(judgement.return_mm)),
                ("left by the moved model, rms of hold means, mm", plain(judgement.residual_mm)),
                ("noise of one frame or reading, mm", plain(judgement.noise_mm)),
                (f"chi-square on {judgement.degrees} degrees of freedom",
                 plain(judgement.chi_square)),
                ("probability of as much by chance", probability(judgement.p_value)),
            ),
            f"The recheck in figures, against {judgement.against}.",
        )
    )  # fmt: skip
    if update is not None:
        blocks += _update(update)
    return Section("short", "In short", tuple(blocks), "In short")


def _update(update: QuickUpdate) -> list[Block]:
    fell = f"{plain(update.held_before_mm)} to {plain(update.held_after_mm)} mm"
    told = (
        f"A quick update takes over what moved: on {update.held_out} the error went from {fell}."
        if update.accepted
        else f"A quick update was tried and not taken: on {update.held_out} the error would have "
        f"gone from {fell}."
    )
    return [Text(told), *warnings(note.rstrip(".") for note in update.notes)]


def _size(shift: Shift, value: float) -> str:
    return f"{value:.3f} mm" if shift.unit == "mm" else f"{100.0 * value:.2f} %"


def _moved(judgement: Judgement, origin: Provenance) -> tuple[Section, ...]:
    if not judgement.shifts:
        return ()
    table = Table(
        ("number", "change", "± (standard uncertainty)", "blamed"),
        tuple(
            (s.words, change_words(s.unit, s.value), _size(s, s.standard_error),
             "yes" if s.moved else "no")
            for s in judgement.shifts
        ),
        f"Change against {judgement.against}.",
        marked=frozenset(k for k, s in enumerate(judgement.shifts) if s.moved), shape="tall",
    )  # fmt: skip
    made_of = _part(
        origin, "recheck", "recording of the recheck", "pattern of the recheck", "model"
    )
    cells = grid(figures([moved_picture(judgement)], made_of), (table,))
    return (Section("moved", "What moved", cells, "What moved"),)


def _charts(history: RecheckHistory, origin: Provenance) -> tuple[Section, ...]:
    shown = figures(chart_pictures(history.charts), _part(origin, LOG))
    blocks: list[Block | Grid] = []
    if shown:
        one = history.charts[0]
        blocks.append(Text(
            f"In a rig that does not change, one or more of these charts are out in at most "
            f"{100 * one.chance:g} % of rechecks. {LIMITS_TOLD}"
        ))  # fmt: skip
        blocks += grid(*((figure,) for figure in shown))
    elif history.rows:
        blocks.append(Text(
            f"Control charts are drawn from {LEAST} rechecks of one model on; those with a refit "
            "do not count."
        ))  # fmt: skip
    if history.temperature:
        blocks.append(_temperature(history))
    if not blocks:
        return ()
    return (Section("charts", "Control charts", tuple(blocks), "Charts"),)


def _temperature(history: RecheckHistory) -> Table:
    def cell(unit: str, value: float) -> str:
        return f"{value:+.4f}" if unit == "mm" else f"{100.0 * value:+.2f}"

    return Table(
        ("figure", "per kelvin", "95 % interval", "rechecks", "span, K", "told apart from none"),
        tuple(
            (
                name_of_chart(t.name), cell(t.unit, t.per_k).replace("-", "−"),
                f"{cell(t.unit, t.low_per_k)} … {cell(t.unit, t.high_per_k)}".replace("-", "−"),
                str(t.rechecks), f"{t.span_k:.1f}", "yes" if t.told else "no",
            )
            for t in history.temperature
        ),
        "The part of the room's temperature: slope of a straight line. Intervals are of each "
        "alone; told apart by Holm's test of all of them at 5 %.",
        shape="stack",
    )  # fmt: skip


def _log(history: RecheckHistory, origin: Provenance) -> tuple[Section, ...]:
    if not history.rows:
        return ()
    table = Table(
        ("date", "record", "verdict", "error, mm", "up to, mm", "returns, mm", "p", "°C", "model",
         "moved"),
        tuple(_log_row(row) for row in reversed(history.rows)),
        "Every recheck of this unit, the latest first; model: SHA-256 of its file.",
        left=frozenset({0, 1, 2, 8, 9}), shape="stack",
    )  # fmt: skip
    shown = figures([history_picture(history.rows)], _part(origin, LOG))
    return (Section("log", "All rechecks", (*shown, table), "All rechecks"),)


def _log_row(row: LogRow) -> tuple[str, ...]:
    warm = f"{row.temperature_c:.1f}" if math.isfinite(row.temperature_c) else "–"
    names = [name_of_chart(key).rpartition(",")[0] for key in row.moved.split()]
    more = len(names) - MOST_MOVED
    moved = "; ".join(names[:MOST_MOVED]) + (f" and {more} more" if more > 0 else "") or "–"
    return (
        row.date, row.record, row.verdict, plain(row.error_mm), plain(row.error_high_mm),
        plain(row.return_mm), probability(row.p_value), warm, row.model, moved,
    )  # fmt: skip
