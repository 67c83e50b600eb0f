"""`hysteresis advise`: what to do with the time in which the beam is off, for one path and rig."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hysteresis.cli.path_options import (
    Fit,
    Mirror,
    Model,
    RotateDeg,
    Scale,
    SkipUnknown,
    StartFrom,
    TravelMmS,
    XMm,
    YMm,
)

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.compensate.advice import Recovery
    from hysteresis.compensate.compare_options import OptionCost
    from hysteresis.compensate.job import JobPath
    from hysteresis.model import FittedModel, RigState

SHOWN = 40  # islands whose order is written out
WORTH = 0.99  # an order that is not at least a hundredth better is not worth a change


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with model.json.", metavar="RUN")],
    path: Annotated[
        Path,
        typer.Argument(
            help="Toolpath: CSV, RS-274 (.ngc, .nc, .gcode), SVG, DXF, or a job file (.toml).",
            metavar="PATH",
        ),
    ],
    pause_s: Annotated[
        float | None,
        typer.Option(
            min=0.0,
            help="Seconds at rest between the end of the pattern and the job; leave out when the "
            "rig's past is unknown.",
        ),
    ] = None,
    start_from: StartFrom = None,
    model: Model = None,
    wrong: Annotated[
        float, typer.Option(help="Share by which the memory may be other than fitted, 0 to 1.")
    ] = 0.2,
    extra_s: Annotated[
        float, typer.Option(help="Also try to wait so much longer before each layer, seconds.")
    ] = 2.0,
    excursion_mm: Annotated[
        float | None, typer.Option(help="Hold whose recovery is told; default: 0.8 of the field.")
    ] = None,
    dwell_s: Annotated[float, typer.Option(help="How long that hold lasts.")] = 10.0,
    order_by: Annotated[
        str, typer.Option(help="Order of islands by: memory (at their starts), or travel.")
    ] = "memory",
    feed_mm_s: Annotated[
        float | None, typer.Option(help="Feed where the path gives none, mm/s.")
    ] = None,
    travel_mm_s: TravelMmS = None,
    scale: Scale = 1.0,
    rotate_deg: RotateDeg = 0.0,
    x_mm: XMm = 0.0,
    y_mm: YMm = 0.0,
    mirror: Mirror = None,
    fit: Fit = False,
    skip_unknown: SkipUnknown = False,
) -> None:
    """Say what to do with the time in which the beam is off; nothing is written.

    Compares the options of --beam-off by time and by the error they leave where the model is
    wrong; finds the best place to park and how long to wait there, the time until the mirror is
    back after a hold, and the best order of the first layer's islands, all foretold by the run's
    model.

    \b
    Example:
      hysteresis advise my-run tile.ngc --pause-s 60
    """
    from shlex import join

    from hysteresis.bench import read_bench
    from hysteresis.cli.compensate_before import check_past, past
    from hysteresis.cli.console import progress
    from hysteresis.compensate.advice import recoveries, torque_axes
    from hysteresis.compensate.compare_options import compare_options
    from hysteresis.compensate.forecast import past_unknown
    from hysteresis.compensate.job import PathOptions, open_job
    from hysteresis.errors import InputError
    from hysteresis.model import read_model
    from hysteresis.paths.placement import Placement
    from hysteresis.run_folder import open_run

    if not 0.0 < wrong < 1.0:
        raise InputError("--wrong lies between 0 and 1", value=wrong, mend="give a share like 0.2")
    if order_by not in ("memory", "travel"):
        raise InputError("no such order", value=order_by, mend="choose memory or travel")
    if not 0.0 <= extra_s <= 600.0:
        raise InputError("--extra-s lies between 0 and 600 s", value=extra_s, mend="give seconds")
    folder = open_run(run)
    bench = read_bench(folder.bench_toml)
    check_past(start_from, pause_s)
    source = model or folder.model_json
    fitted = read_model(source, bench)
    torque_axes(fitted.model)
    start, history = past(folder, fitted, source, pause_s=pause_s, start_from=start_from)
    fitted = past_unknown(fitted, start)
    job = open_job(path, bench, PathOptions(
        Placement(scale, rotate_deg, x_mm, y_mm, mirror, fit),  # type: ignore[arg-type]
        skip_unknown=skip_unknown, feed_mm_s=feed_mm_s, travel_mm_s=travel_mm_s,
    ))  # fmt: skip
    back = recoveries(
        fitted, bench, excursion_mm=_hold(bench) if excursion_mm is None else excursion_mm,
        dwell_s=dwell_s, tolerance_mm=bench.tolerance.target_mm,
    )  # fmt: skip
    with progress("Comparing what to do while the beam is off"):
        costs = compare_options(
            fitted, bench, job.blocks, start=start, history=history, wrong=wrong,
            waits_s=(0.0, extra_s) if extra_s > 0 else (0.0,),
        )  # fmt: skip
        shuttered = None
        if bench.beam.mode == "always-on":
            other = bench.model_copy(
                update={"beam": bench.beam.model_copy(update={"mode": "switched"})}
            )
            (shuttered,) = compare_options(
                fitted, other, job.blocks, start=start, wrong=wrong, options=("null",)
            )
    _say_options(costs, shuttered, wrong)
    _say_parks(fitted, bench, job, start, join(["hysteresis", "compensate", str(run), str(path)]))
    _say_recovery(back)
    _say_order(fitted, bench, job, start, order_by)


def _say_options(costs: tuple[OptionCost, ...], shuttered: OptionCost | None, wrong: float) -> None:
    from hysteresis.cli.console import say, table

    waits = any(c.wait_s for c in costs)
    table(
        f"While the beam is off (memory {100 * wrong:.0f} % other than fitted, the worse sign)",
        ("--beam-off", *(("--extra-s",) if waits else ()), "more time, s", "starts of traces, mm",
         "whole trace, mm", "limits exceeded"),
        [
            (c.option, *((f"{c.wait_s:g}",) if waits else ()), f"{c.extra_s:.1f}",
             _mm(c.start_mm), _mm(c.rms_mm), str(c.excesses))
            for c in costs
        ],
    )  # fmt: skip
    first = costs[0]
    own = [c.foretold_mm for c in costs]
    say(
        f"Foretold to be left over the whole trace, as compensate has it: {first.foretold_mm:.3f} "
        f"mm ({first.low_mm:.3f} … {first.high_mm:.3f})"
        + (f", {min(own):.3f} to {max(own):.3f} with the other options" if len(own) > 1 else "")
        + ". That is what the fit's own doubt leaves; the options differ in what a memory that is "
        "other than fitted leaves, above all where traces start."
    )
    alike = {(c.wait_s, _mm(c.start_mm), _mm(c.rms_mm)) for c in costs}
    if first.starts and len({c.option for c in costs}) > 1 and len(alike) == len(
        {c.wait_s for c in costs}
    ):  # fmt: skip
        say(
            "Here condition and null do what follow does: no stretch with the beam off has the "
            "time for them, or the drive that the bench allows."
        )
    if not first.starts:
        say("No trace begins behind a stretch long enough to do anything but follow the path.")
    if shuttered is not None:
        say(
            "The beam of this bench cannot be switched off, so that travel must be followed. Where "
            f"the memory is wrong that leaves {_mm(first.start_mm)} mm at the starts of traces; "
            f"with a shutter, --beam-off null would leave {_mm(shuttered.start_mm)} mm."
        )


def _say_parks(
    fitted: FittedModel, bench: Bench, job: JobPath, start: RigState | None, command: str
) -> None:
    from hysteresis.cli.console import say, table
    from hysteresis.compensate.advice import best_parks, long_stops

    stops = long_stops(fitted.model, bench, job.blocks(), start)
    if not stops:
        print("\nNo park: the beam is never off for half a second between two traces.")
        return
    own = sum(s.length_s for s in stops) / len(stops)
    parks = best_parks(fitted.model, bench, stops, (0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0))
    table(
        "Where to park, and the memory it leaves to the next trace (as mm uncompensated)",
        ("wait, s", "x, mm", "y, mm", "memory left, mm", "at the path's own place, mm"),
        [
            (f"{p.wait_s:g}", f"{p.x_mm:+.1f}", f"{p.y_mm:+.1f}", f"{p.memory_mm:.2f}",
             f"{p.as_it_is_mm:.2f}")
            for p in parks
        ],
    )  # fmt: skip
    count = f"{len(stops)} stretches" if len(stops) > 1 else "one stretch"
    say(
        f"Of the {count} between two traces with the beam off for half a second or more, "
        f"{own:.1f} s on average with the travel. --beam-off null chooses such places by itself, "
        "in the time there is; where each layer ends with a wait, a place of one's own choice goes "
        "with:"
    )
    near = min(parks, key=lambda p: abs(p.wait_s - own))
    print(f"  {command} --park {near.x_mm:.1f},{near.y_mm:.1f} --park-wait-s {near.wait_s:g}")


def _hold(bench: Bench) -> float:
    """The hold whose recovery is told unasked, mm."""
    return 0.8 * min(bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm)


def _say_recovery(found: tuple[Recovery, ...]) -> None:
    from hysteresis.cli.console import table

    one = found[0]
    table(
        f"Back within {one.tolerance_mm:g} mm at zero drive, after {one.excursion_mm:g} mm held "
        f"for {one.dwell_s:g} s",
        ("axis", "time", "95 % of the refits", "left in the end, mm", "creep over"),
        [
            (r.axis, _time(r.time_s), _interval(r), f"{r.left_mm:.3f}", _time(r.settled_s))
            for r in found
        ],
    )  # fmt: skip
    if any(r.time_s == float("inf") for r in found):
        print("Where it never comes back so far, friction holds it: only excursions wipe that.")


def _say_order(
    fitted: FittedModel, bench: Bench, job: JobPath, start: RigState | None, by: str
) -> None:
    from hysteresis.cli.console import say, table
    from hysteresis.compensate.island_order import best_order, islands_of

    islands = islands_of(job.blocks())
    if len(islands) < 2:
        return
    state = fitted.model.rest() if start is None else start
    found = best_order(
        fitted.model, bench, islands, state, travel_mm_s=job.timing.travel_mm_s,
        by=by,  # type: ignore[arg-type]
    )  # fmt: skip
    table(
        f"Order of the first layer's {len(islands)} islands, by {by}",
        ("", "as given", "found"),
        [
            ("travel, mm", f"{found.travel_given_mm:.0f}", f"{found.travel_mm:.0f}"),
            ("memory at their starts, mm", f"{found.memory_given_mm:.3f}",
             f"{found.memory_mm:.3f}"),
        ],
    )  # fmt: skip
    pairs = (
        (found.travel_mm, found.travel_given_mm) if by == "travel"
        else (found.memory_mm, found.memory_given_mm)
    )  # fmt: skip
    if pairs[0] > WORTH * pairs[1]:
        say("The order as given is as good as any that was found.")
        return
    words = " ".join(str(k + 1) for k in found.order[:SHOWN])
    more = len(islands) - SHOWN
    say("Where the order is free: " + words + (f" … and {more} more." if more > 0 else "."))


def _mm(value: float) -> str:
    return f"{value:.3f}" if value == value else "–"


def _interval(r: Recovery) -> str:
    low, high = _time(r.low_s), _time(r.high_s)
    return f"{low} in all of them" if low == high == "never" else f"{low} … {high}"


def _time(value_s: float) -> str:
    if value_s == float("inf"):
        return "never"
    if value_s < 120:
        return f"{value_s:.1f} s"
    return f"{value_s / 60:.0f} min" if value_s < 7200 else f"{value_s / 3600:.1f} h"
