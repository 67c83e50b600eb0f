"""What `hysteresis recheck` says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hysteresis.measure import Measured
    from hysteresis.recheck.results import Judgement, QuickUpdate, RecheckHistory, Shift
    from hysteresis.run_folder import RunFolder

VERDICTS = {
    "pass": "PASS: the stored model holds",
    "watch": "WATCH: look again soon",
    "refit": "REFIT: the stored model no longer holds",
}


def say_judgement(judgement: Judgement, measured: Measured, path: Path, unused: str) -> None:
    """Print the verdict, why, and every direction."""
    from hysteresis.cli.console import say, table
    from hysteresis.measure import rows_by_reason

    used = int(measured.recording.used.sum())
    word = "frames" if measured.source == "camera" else "readings"
    aside = ", ".join(f"{n} {why}" for why, n in rows_by_reason(measured.recording).items())
    say(f"{used} {word} of {path} used" + (f"; not used: {aside}." if aside else "."))
    for doubt in measured.doubts[:5]:
        say(f"In doubt, not used: {doubt.number}: {doubt.text} (--keep-all uses it).")
    if unused:
        say(f"Note: {unused}.")
    table(
        f"Change against {judgement.against}",
        ("number", "change", "± (standard uncertainty)", "blamed"),
        [(s.words, changed(s, s.value), size(s, s.standard_error), "yes" if s.moved else "")
         for s in judgement.shifts],
    )  # fmt: skip
    print()
    print(VERDICTS[judgement.verdict])
    for reason in judgement.reasons:
        say(f"{reason[0].upper()}{reason[1:]}.")
    for shift in judgement.moved:
        say(f"What moved: {shift.words}, by {changed(shift, shift.moved_by)} ± "
            f"{size(shift, shift.moved_by_error)}.")  # fmt: skip
    on = judgement.on_path
    say(
        f"On {on.path}: {on.error_mm:.3f} mm rms (95 % interval {on.low_mm:.3f} to "
        f"{on.high_mm:.3f} mm, largest {on.worst_mm:.3f} mm); the tolerance of bench.toml is "
        f"{on.tolerance_mm:g} mm."
    )
    say(
        f"Returns to zero are {judgement.return_mm:.3f} mm from what the stored model foretells; "
        f"chi-square {judgement.chi_square:.1f} on {judgement.degrees} degrees of freedom, "
        f"p = {judgement.p_value:.2g}."
    )
    if not judgement.reference and judgement.against == "the fit":
        say("There was no reference, so what the model never explained widens every interval.")


def say_trend(past: RecheckHistory) -> None:
    """Print what the log shows: charts out of control, and the temperature's part."""
    from hysteresis.cli.console import say, table

    charts = [c for c in past.charts if c.enough]
    if charts:
        table(
            f"Control charts over {len(charts[0].values)} rechecks (limits from the first "
            f"{charts[0].baseline})",
            ("figure", "now", "centre", "limits", "weighted mean", "its limits", ""),
            [
                (c.name, f"{c.values[-1]:.4f}", f"{c.centre:.4f}", f"{c.low:.4f} … {c.high:.4f}",
                 f"{c.ewma[-1]:.4f}", f"{c.ewma_low[-1]:.4f} … {c.ewma_high[-1]:.4f}",
                 "out" if c.out[-1] else "")
                for c in charts
            ],
        )  # fmt: skip
        print()
    for effect in past.temperature:
        if effect.told:
            per, low, high = (
                f"{v:+.4f} mm" if effect.unit == "mm" else f"{100 * v:+.2f} %"
                for v in (effect.per_k, effect.low_per_k, effect.high_per_k)
            )
            say(f"{effect.name} goes with the temperature of the room: {per} per K "
                f"(95 % interval {low} to {high}, {effect.rechecks} rechecks over "
                f"{effect.span_k:.1f} K).")  # fmt: skip


def say_update(
    how: QuickUpdate | None, judgement: Judgement, folder: RunFolder, model: Path
) -> None:
    """Print what became of the update, or what to do next."""
    from shlex import join

    from hysteresis.cli.console import say

    run = str(folder.path)
    if how is None:
        if judgement.verdict == "refit":
            say(f"Next: the same command with --update, or measure anew: hysteresis plan {run}")
        return
    for note in how.notes:
        say(f"Mind: {note}.")
    if how.accepted:
        say(f"Updated: on {how.held_out} the error fell from {how.held_before_mm:.4f} to "
            f"{how.held_after_mm:.4f} mm; {model.name} is left as it was.")  # fmt: skip
        print(f"The updated model: {folder.model_rechecked_json}. The next drive with it:")
        new = str(folder.model_rechecked_json)
        print("  " + join(["hysteresis", "compensate", run, "PATH", "--model", new, "--force"]))
        say("With --pause-s SECONDS it goes on from the end of this recheck.")


def changed(shift: Shift, value: float) -> str:
    """A change with its sign: per cent, or mm."""
    return f"{value:+.3f} mm" if shift.unit == "mm" else f"{100.0 * value:+.2f} %"


def size(shift: Shift, value: float) -> str:
    return f"{value:.3f} mm" if shift.unit == "mm" else f"{100.0 * value:.2f} %"
