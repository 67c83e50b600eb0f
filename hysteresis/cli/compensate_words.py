"""What `compensate` says: the table at the end, limits that are not met, parts that are kept."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hysteresis.bench import Bench
from hysteresis.cli.compensate_foretold import say_foretold
from hysteresis.cli.console import say_cautions, table
from hysteresis.compensate.fit_limits import Remedy
from hysteresis.compensate.forecast import Forecast
from hysteresis.compensate.limits import LIMITS, MOST_PLACES
from hysteresis.compensate.restart import PartFile
from hysteresis.compensate.scan import Scan

if TYPE_CHECKING:
    from hysteresis.cli.compensate_job import Written

LIMIT_WORDS = {
    "max_drive": "largest drive", "slew_per_s": "fastest change of drive, /s",
    "bandwidth_hz": "fastest movement, Hz at full scale", "coil_rms": "coil rms over its window",
}  # fmt: skip


def too_much(path: Path, found: Scan, known: list[Remedy] | None, sought: bool) -> str:
    """Which limits are not met and what would help; `known` None: not looked for."""
    shown = "; ".join(str(e) for e in found.excesses[:MOST_PLACES])
    more = found.count - min(MOST_PLACES, len(found.excesses))
    tail = f"; and {more} more" if more > 0 else ""
    if known:
        advice = "; ".join(f"{remedy.words} it would fit" for remedy in known)
        advice += " (--fit-limits does the first); or make the path smaller, move it towards the "
        advice += "centre, or slow it down"
    elif known is not None or sought:
        advice = (
            "no slowing down, shift or scale that was tried makes it fit; make the path smaller, "
            "move it towards the centre, or slow it down"
        )
    else:
        advice = (
            "make the path smaller, move it towards the centre, or slow it down; --fit-limits "
            "finds out how much"
        )
    return (
        f"{path}: the limits of bench.toml are not met, so nothing was written: {shown}{tail}; "
        f"{advice}"
    )


def sentence_of_part(out: PartFile, how: str) -> str:
    """That a part is kept, and how to go on."""
    return (
        f"{how}; {out.part} is kept ({out.made / 2**20:.0f} MB of it done) and is no whole output: "
        "the same command with --go-on continues it, without it begins anew."
    )


def say_done(job: Written, said: list[str], stale: list[Path], took_s: float) -> None:
    """The table of what was foretold, found and taken, then what to mind and what comes next."""
    found, bench, asked = job.found, job.rig.bench, job.asked
    rows: list[tuple[str, str, str]] = []
    f = found.forecast
    if f is not None:
        rows += [
            ("error without compensation, rms, mm", f"{f.before_rms_mm:.3f}", ""),
            ("its mean in x, mm", f"{f.before_bias_x_mm:+.3f}", ""),
            ("its mean in y, mm", f"{f.before_bias_y_mm:+.3f}", ""),
            ("error left with compensation, rms, mm", f"{f.after_rms_mm:.3f}",
             f"95 %: {f.after_low_mm:.3f} … {f.after_high_mm:.3f}"
             + ("" if job.rig.start is not None else "; creep from earlier moves comes on top")),
            ("tolerance of the bench, mm", f"{bench.tolerance.target_mm:.3f}", ""),
            ("moved by smoothing, at most, mm", f"{found.smoothing_mm:.3f}", ""),
        ]  # fmt: skip
    for limit in LIMITS:
        both = found.largest[limit]
        rows.append((LIMIT_WORDS[limit], f"{max(both.values()):.3f}",
                     f"allowed {getattr(bench.limits, limit):g}"))  # fmt: skip
    rows += [
        ("output, s", f"{found.duration_s:.1f}", f"{found.lead_in_s:.1f} of it lead-in"),
        ("traced, s", f"{found.traced_s:.1f}", f"in {found.layers} layer"
         + ("s" if found.layers != 1 else "")),
        ("time taken, s", f"{took_s:.1f}", f"{found.duration_s / took_s:.0f} × real time"),
    ]  # fmt: skip
    table("Forecast over the traced path, limits and time", ("", "value", ""), rows)
    if job.told is not None:
        say_foretold(job.told)
    largest = found.largest["max_drive"]
    print(
        f"\n{found.duration_s:.1f} s of output, {found.lead_in_s:.1f} s of it lead-in; largest "
        f"drive x {largest['x']:.3f}, y {largest['y']:.3f} (allowed {bench.limits.max_drive:g}); "
        "every limit of the bench is met."
    )
    if job.difference is not None:
        print(
            f"Demodulated again, the file is off its plan by {100 * job.difference:.4f} % of full "
            "scale at most."
        )
    for words in said:
        print(f"Mind: {words}.")
    if f is not None:
        for words in harm(f, bench, bool(found.plain_count)):
            print(f"Mind: {words}.")
    if found.traced_s == 0.0:
        print("Mind: the path never has the beam on, so nothing of it is traced.")
    if bench.beam.mode == "always-on":
        print(
            "Note: the beam is always on, so --beam-off can only follow the path: what memory a "
            "travel leaves goes into the next trace, and "
            f"{job.job.travel_mm():.0f} mm of travel are drawn too."
        )
    if found.plain_count and job.with_plain:
        print(
            "Note: without compensation the job would exceed a limit, so there is no "
            f"drive_plain.wav: {found.plain_excesses[0]}."
        )
    if not job.with_plain:
        print(
            "Note: planned.csv and drive_plain.wav were not written"
            + ("" if asked.plain is False else " (longer than 30 minutes)")
            + "; --plain writes them."
        )
    notes = list(job.notes)
    if job.job.source is not None:
        notes += job.job.source.notes.remarks[: len(job.job.source.notes.remarks)
                                              - len(job.job.source.notes.skipped)]  # fmt: skip
    for note in notes:
        print(f"Note: {note}.")
    if job.job.source is not None:
        for word in job.job.source.notes.skipped:
            print(f"Passed over: {word}")
    if job.long:
        print("Note: the WAV would pass 4 GB and is written as RF64, which has 64-bit sizes.")
    if job.discarded is not None:
        print(f"Discarded {job.discarded}: part of an output that was stopped, not continued.")
    if job.continued_mb is not None:
        print(
            f"Went on behind the {job.continued_mb:.0f} MB that were there, compared to the bit."
            if job.continued_mb
            else "There was no part to go on with, so the output was written from its beginning."
        )
    kind = "Positions" if asked.positions is not None else "Drive"
    print(f"\n{kind}: {job.target}")
    for file in stale:
        print(f"Removed {file}: it belonged to the job before.")
    for picture, what in ((asked.map, "Forecast"), (asked.preview, "Preview")):
        if picture is not None:
            print(f"{what}: {picture}")
    print("Play it, film it, and then:")
    print(f"  hysteresis measure {asked.run} --camera FILE --job compensated")
    print(f"  hysteresis verify {asked.run}")
    print()
    say_cautions()


def harm(f: Forecast, bench: Bench, plain_exceeds: bool) -> list[str]:
    """What a person should know before playing a job that compensation does not make good."""
    allowed = bench.tolerance.target_mm
    out = []
    if f.after_rms_mm >= f.before_rms_mm:
        out.append(
            f"compensation is not foretold to help here: {f.after_rms_mm:.3f} mm are left with it, "
            f"{f.before_rms_mm:.3f} mm without; "
            + ("fit again" if plain_exceeds else "play drive_plain.wav, or fit again")
        )
    if f.after_rms_mm > allowed:
        out.append(
            f"the error foretold with compensation, {f.after_rms_mm:.3f} mm, is above the "
            f"tolerance of the bench, {allowed:.3f} mm; measure for longer and fit again, or "
            "allow more in bench.toml (target_mm)"
        )
    return out
