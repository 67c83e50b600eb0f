"""What `compensate` says: the table at the end, limits that are not met, parts that are kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.bench import Bench
from hysteresis.cli.compensate_asked import Asked
from hysteresis.cli.compensate_before import Rig
from hysteresis.cli.compensate_foretold import say_foretold
from hysteresis.cli.console import say, say_cautions, table
from hysteresis.compensate.fit_limits import Remedy
from hysteresis.compensate.forecast import Forecast
from hysteresis.compensate.limits import LIMITS, MOST_PLACES
from hysteresis.compensate.restart import PartFile
from hysteresis.compensate.scan import Scan

if TYPE_CHECKING:
    from hysteresis.cli.compensate_job import Written

SLOWER = 1.05  # times as long as the feeds ask for: worth a line
LIMIT_WORDS = {
    "max_drive": "largest drive", "slew_per_s": "fastest change of drive, /s",
    "bandwidth_hz": "fastest movement, Hz at full scale", "coil_rms": "coil rms over its window",
}  # fmt: skip


def too_much(asked: Asked, rig: Rig, found: Scan, known: list[Remedy] | None) -> str:
    """Which limits are not met and what would help; `known` None: not looked for."""
    droop_hz = _corner_hz(rig)
    if droop_hz > 0.0 and any(e.limit in ("max_drive", "coil_rms") for e in found.excesses):
        return _droops(asked, found, droop_hz)
    shown = "; ".join(str(e) for e in found.excesses[:MOST_PLACES])
    more = found.count - min(MOST_PLACES, len(found.excesses))
    tail = f"; and {more} more" if more > 0 else ""
    if known:
        advice = "; ".join(f"{remedy.words} it would fit" for remedy in known)
        advice += " (--fit-limits does the first); or make the path smaller, move it towards the "
        advice += "centre, or slow it down"
    elif known is not None or asked.fit_limits:
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
        f"{asked.path}: the limits of bench.toml are not met, so nothing was written: {shown}"
        f"{tail}; {advice}"
    )


def _corner_hz(rig: Rig) -> float:
    """Corner frequency of the fitted droop; 0 without."""
    axes = (rig.fitted.model.axis_x, rig.fitted.model.axis_y)
    chains = [axis.chain for axis in axes if isinstance(axis, AxisModel)]
    return max((chain.droop_per_s for chain in chains), default=0.0) / (2 * np.pi)


def _droops(asked: Asked, found: Scan, corner_hz: float) -> str:
    """One short sentence: behind an AC-coupled output the drive of a place rises for ever."""
    first = min(
        (e for e in found.excesses if e.limit in ("max_drive", "coil_rms")), key=lambda e: e.t_s
    )
    what = "drive" if first.limit == "max_drive" else "coil rms"
    return (
        f"{asked.path.name}: the output is AC-coupled (corner {corner_hz:.3g} Hz), so the drive "
        f"that holds a place rises: {what} {first.axis} passes {first.allowed:g} at "
        f"{first.t_s:.1f} s, and nothing was written; use a DC-coupled output or "
        "--carrier-hz, or a path about the centre with short waits"
    )


def sentence_of_part(out: PartFile, how: str) -> str:
    """That a part is kept, and how to go on."""
    return (
        f"{how}; {out.part} is kept ({out.made / 2**20:.0f} MB of it done) and is no whole output: "
        "the same command with --go-on continues it, without it begins anew."
    )


def say_done(job: Written, said: list[str], took_s: float) -> None:
    """The table of what was foretold, found and taken, then what to mind and what comes next."""
    found, bench = job.found, job.rig.bench
    table("Forecast over the traced path, limits and time", ("", "value", ""), _rows(job, took_s))
    if job.told is not None:
        say_foretold(job.told)
    largest = found.largest["max_drive"]
    print()
    say(
        f"{found.duration_s:.1f} s of output, {found.lead_in_s:.1f} s of it lead-in; largest "
        f"drive x {largest['x']:.3f}, y {largest['y']:.3f} (allowed {bench.limits.max_drive:g}); "
        "every limit of the bench is met."
    )
    if job.difference is not None:
        say(
            f"Demodulated again, the file is off its plan by {100 * job.difference:.4f} % of full "
            "scale at most."
        )
    for words in [*said, *minded(job)]:
        say(f"Mind: {words}.")
    for words in noted(job):
        say(f"Note: {words}.")
    if job.job.source is not None:
        for word in job.job.source.notes.skipped:
            times = "once" if word.count == 1 else f"{word.count} times, first"
            say(f"Passed over: {word.word}, {times} in line {word.first_line}.")
    if job.discarded is not None:
        say(f"Discarded {job.discarded}: part of an output that was stopped, not continued.")
    if job.continued_mb is not None:
        say(
            f"Went on behind the {job.continued_mb:.0f} MB that were there, compared to the bit."
            if job.continued_mb
            else "There was no part to go on with, so the output was written from its beginning."
        )
    _say_files(job)
    say_cautions()


def _rows(job: Written, took_s: float) -> list[tuple[str, str, str]]:
    found, bench = job.found, job.rig.bench
    rows: list[tuple[str, str, str]] = []
    f = found.forecast
    if f is not None:
        rows += [
            ("error without compensation, rms, mm", f"{f.before_rms_mm:.3f}",
             f"95 %: {f.before_low_mm:.3f} … {f.before_high_mm:.3f}"),
            ("its mean in x, mm", f"{f.before_bias_x_mm:+.3f}", ""),
            ("its mean in y, mm", f"{f.before_bias_y_mm:+.3f}", ""),
            ("error left with compensation, rms, mm", f"{f.after_rms_mm:.3f}",
             f"95 %: {f.after_low_mm:.3f} … {f.after_high_mm:.3f}"
             + ("" if job.rig.start is not None else "; creep from earlier moves comes on top")),
            ("times less with compensation", f"{f.gain:.3g}",
             f"95 %: {f.gain_low:.3g} … {f.gain_high:.3g}"),
            ("tolerance of the bench, mm", f"{bench.tolerance.target_mm:.3f}", ""),
            ("moved by smoothing, at most, mm", f"{found.smoothing_mm:.3f}", ""),
        ]  # fmt: skip
    for limit in LIMITS:
        both = found.largest[limit]
        rows.append((LIMIT_WORDS[limit], f"{max(both.values()):.3f}",
                     f"allowed {getattr(bench.limits, limit):g}"))  # fmt: skip
    layers = f"{found.layers} layers, each up to a wait" if found.layers != 1 else "1 layer"
    rows += [
        ("output, s", f"{found.duration_s:.1f}", f"{found.lead_in_s:.1f} of it lead-in"),
        ("traced, s", f"{found.traced_s:.1f}", f"in {layers}"),
        ("time taken, s", f"{took_s:.1f}", f"{found.duration_s / took_s:.0f} × real time"),
    ]
    return rows


def minded(job: Written) -> list[str]:
    """What may spoil the job, or was asked for in vain."""
    f, asked, out = job.found.forecast, job.asked, []
    if f is not None:
        out += harm(f, job.rig.bench, bool(job.found.plain_count))
    if job.found.traced_s == 0.0:
        out.append("the path never has the beam on, so nothing of it is traced")
    if asked.extra_s > 0.0 and job.found.layers < 2:
        out.append("--extra-s had no effect: the path has one layer")
    source = job.job.source
    if source is not None and source.notes.own_feeds:
        own = source.notes
        share = own.own_feed_mm / own.trace_mm
        out.append(
            "--feed-mm-s had no effect: every move with the beam on has a feed of its own"
            if share > 1.0 - 1e-9 else
            f"the path's own feeds are kept in {own.own_feeds} moves, {100 * share:.0f} % of the "
            "trace; --feed-mm-s is for moves without one"
        )  # fmt: skip
    return out


def noted(job: Written) -> list[str]:
    """What is good to know."""
    found, bench, source = job.found, job.rig.bench, job.job.source
    out, reached = [], job.job.reached
    if reached.times_longer > SLOWER:
        out.append(
            f"{100 * reached.slower_share:.0f} % of the trace is slower than its feed, as corners, "
            f"short moves and the rig's acceleration have it: it takes {reached.takes_s:.1f} s "
            f"instead of {reached.asked_s:.1f} s"
        )
    if bench.beam.mode == "always-on":
        out.append(
            "the beam is always on, so --beam-off can only follow the path: what memory a "
            f"travel leaves goes into the next trace, and {job.job.travel_mm():.0f} mm of travel "
            "are drawn too"
        )
    if found.plain_count and job.with_plain:
        out.append(
            "without compensation the job would exceed a limit, so there is no "
            f"{job.out.plain_wav.name}: {found.plain_excesses[0]}"
        )
    if not job.with_plain:
        out.append(
            f"{job.out.planned_csv.name} and {job.out.plain_wav.name} were not written"
            + ("" if job.asked.plain is False else " (longer than 30 minutes)")
            + "; --plain writes them"
        )
    out += job.notes
    if source is not None:
        out += source.notes.remarks[: len(source.notes.remarks) - len(source.notes.skipped)]
    if job.long:
        out.append("the WAV would pass 4 GB and is written as RF64, which has 64-bit sizes")
    return out


def _say_files(job: Written) -> None:
    asked, out = job.asked, job.out
    kind = "Positions" if asked.positions is not None else "Drive"
    print(f"\n{kind}: {out.target}")
    for file in out.stale:
        print(f"Removed {file}: it belonged to the job before.")
    for picture, what in ((asked.map, "Forecast"), (asked.preview, "Preview")):
        if picture is not None:
            print(f"{what}: {picture}")
    if out.beside is not None:
        say(
            f"The run's own job ({out.beside.name}) stays as it is, and measure, verify and learn "
            f"go by that one. What belongs to this output: {out.job_json}"
            + (f", {out.planned_csv}" if job.with_plain else "") + "."
        )  # fmt: skip
    else:
        print("Play it, film it, and then:")
        print(f"  hysteresis measure {asked.run} --camera FILE --job compensated")
        print(f"  hysteresis verify {asked.run}")
    print()


def harm(f: Forecast, bench: Bench, plain_exceeds: bool) -> list[str]:
    """What a person should know before playing a job that compensation does not make good."""
    allowed = bench.tolerance.target_mm
    out = []
    worse = f.after_rms_mm >= f.before_rms_mm
    if f.gain_low <= 1.0 and not worse:
        out.append(
            f"compensation gains nothing that can be shown here: {f.gain:.2f} times less error, "
            f"{f.gain_low:.2f} … {f.gain_high:.2f}"
        )
    if worse:
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
