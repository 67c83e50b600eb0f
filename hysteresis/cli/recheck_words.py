"""What `hysteresis recheck` says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hysteresis.measure import Measured
    from hysteresis.recheck.results import Judgement, QuickUpdate, RecheckHistory, Shift
    from hysteresis.run_folder import RunFolder

VERDICTS = {
    "pass": "the stored model holds",
    "watch": "look again soon",
    "refit": "the stored model no longer holds",
}


FIRST = "nothing shows that it moved; only a reference, as this one, lets the next ones say more"


def say_judgement(judgement: Judgement, measured: Measured, path: Path, unused: str) -> None:
    """Print the verdict, why, and every direction."""
    from hysteresis.cli.console import say, table
    from hysteresis.measure import rows_by_reason
    from hysteresis.recheck.results import p_words

    used = int(measured.recording.used.sum())
    word = "frames" if measured.source == "camera" else "readings"
    aside = ", ".join(f"{n} {why}" for why, n in rows_by_reason(measured.recording).items())
    say(f"{used} {word} of {path} used" + (f"; not used: {aside}." if aside else "."))
    for doubt in measured.doubts[:5]:
        say(f"In doubt, not used: {doubt.number}: {doubt.text} (--keep-all uses it).")
    if unused:
        say(f"Note: {unused}.")
    if judgement.fits:
        table(
            f"Change against {judgement.against}",
            ("number", "change", "± (standard uncertainty)", "blamed"),
            [(s.words, changed(s, s.value), size(s, s.standard_error), "yes" if s.moved else "")
             for s in judgement.shifts],
        )  # fmt: skip
        print()
    words = FIRST if judgement.only_first else VERDICTS[judgement.verdict]
    print(f"{judgement.verdict.upper()}: {words}")
    for reason in judgement.reasons:
        say(f"{reason[0].upper()}{reason[1:]}.")
    for shift in judgement.moved:
        say(f"What moved: {shift.words}, by {changed(shift, shift.moved_by)} ± "
            f"{size(shift, shift.moved_by_error)}.")  # fmt: skip
    if not judgement.fits:
        return
    on = judgement.on_path
    say(
        f"On {on.path}: {on.error_mm:.3f} mm rms (95 % interval {on.low_mm:.3f} to "
        f"{on.high_mm:.3f} mm, largest {on.worst_mm:.3f} mm); the tolerance of bench.toml is "
        f"{on.tolerance_mm:g} mm."
    )
    say(
        f"Returns to zero are {judgement.return_mm:.3f} mm from what the stored model foretells; "
        f"chi-square {judgement.chi_square:.1f} on {judgement.degrees} degrees of freedom, "
        f"{p_words(judgement.p_value)}."
    )
    if not judgement.reference and judgement.against == "the fit":
        say("There was no reference, so what the model never explained widens every interval.")


def say_trend(past: RecheckHistory) -> None:
    """Print what the log shows: charts out of control, and the temperature's part."""
    import math

    from hysteresis.cli.console import say, table

    charts = [c for c in past.charts if c.enough]
    if charts:
        first = charts[0]
        table(
            f"Control charts over {len(first.values)} rechecks (limits from the first "
            f"{first.baseline} without a refit)",
            ("figure", "now", "centre", "limits", "weighted mean", "its limits", ""),
            [
                (c.name, f"{c.values[-1]:.4f}", f"{c.centre:.4f}", f"{c.low:.4f} … {c.high:.4f}",
                 f"{c.ewma[-1]:.4f}", f"{c.ewma_low[-1]:.4f} … {c.ewma_high[-1]:.4f}",
                 "out" if c.out[-1] else "")
                for c in charts
            ],
        )  # fmt: skip
        print()
        shows = (
            f"shows after some {first.seen_after:.0f} of them" if math.isfinite(first.seen_after)
            else "does not show before the limits rest on more of them"
        )  # fmt: skip
        say(f"In a rig that does not change, one of these charts is out in at most "
            f"{100 * first.chance:g} % of rechecks; a lasting change of one standard deviation "
            f"{shows}.")  # fmt: skip
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
    how: QuickUpdate | None, judgement: Judgement, folder: RunFolder, model: Path, asked: bool
) -> None:
    """Print what became of the update, or what to do next."""
    from shlex import join

    from hysteresis.cli.console import say

    run = str(folder.path)
    if how is None:
        if asked:
            say("There is nothing to take over: no number of the model is blamed.")
        if judgement.verdict == "refit":
            quick = "the same command with --update, or " if judgement.moved else ""
            say(f"Next: {quick}measure anew: hysteresis plan {run}")
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
