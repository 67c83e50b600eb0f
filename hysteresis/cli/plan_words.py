"""What `hysteresis plan` says of a pattern."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.plan import Preview


def say_plan(
    bench: Bench, what: Preview, kind: str, targets: list[Path], stale: list[Path]
) -> None:
    """Print what a pattern will do, and the files that were written or removed."""
    from hysteresis.cli.console import say, table

    limits = bench.limits
    minutes, seconds = divmod(round(what.duration_s, 1), 60.0)
    shortest_ms, floor_ms = 1e3 * what.shortest_rise_s, 500.0 / limits.bandwidth_hz
    rows = [
        ("duration", f"{int(minutes)} min {seconds:04.1f} s", ""),
        ("moving", f"{what.moving_s:.0f} s", ""),
        ("longest time that the lit spot stands still", f"{what.longest_still_s:.1f} s", ""),
        ("largest drive x, y", _both(what.largest_drive, "{:.3f}"), f"{limits.max_drive:g}"),
        (
            "fastest change x, y",
            _both(what.largest_slew_per_s, "{:.3g}") + " per s",
            f"{limits.slew_per_s:g} per s",
        ),
        ("shortest move", f"{shortest_ms:.3g} ms", f"{floor_ms:.3g} ms"),
        (
            f"rms drive over {limits.coil_window_s:g} s, x, y",
            _both(what.hottest_rms, "{:.3f}"),
            f"{limits.coil_rms:g}",
        ),
    ]
    if what.frames is not None:
        rows.append(("camera frames", f"{what.frames}", ""))
    table(f"Pattern: {kind}", ("what", "this pattern", "limit"), rows)
    shares = [
        (part, f"{share:.1f} s", f"{100 * share / what.duration_s:.0f} %")
        for part, share in what.share_s.items()
    ]
    table("What the time goes to", ("segments", "time", "share"), shares)
    for note in what.notes:
        say(f"\nNote: {note}")
    print()
    for path in targets:
        print(f"Wrote {path}")
    for path in stale:
        print(f"Removed {path}: it belonged to the pattern before")


def _both(pair: tuple[float, float], form: str) -> str:
    return ", ".join(form.format(value) for value in pair)
