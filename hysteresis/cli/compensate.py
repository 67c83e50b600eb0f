"""`hysteresis compensate`: pre-distort a toolpath of any length and write the drive signal."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

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


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with model.json.", metavar="RUN")],
    path: Annotated[
        Path,
        typer.Argument(
            help="Toolpath: CSV, RS-274 (.ngc, .nc, .gcode), SVG, DXF, or a job file (.toml).",
            metavar="PATH",
        ),
    ],
    model: Model = None,
    correction: Annotated[
        Path | None,
        typer.Option(help="Correction of this path, as `learn` writes it, to be in the drive."),
    ] = None,
    # ---- what comes out
    out: Annotated[
        Path | None, typer.Option(help="Drive signal, .wav or .csv; default: drive.wav of the run.")
    ] = None,
    positions: Annotated[
        Path | None,
        typer.Option(
            help="Instead of a drive: pre-distorted positions for a controller that knows no "
            "memory, .csv or a program (.ngc, .nc, .gcode)."
        ),
    ] = None,
    controller: Annotated[
        str | None,
        typer.Option(
            help="With --positions, what that controller knows: linear (full scale alone; the "
            "default) or calibrated (this fit's calibration without memory)."
        ),
    ] = None,
    tolerance_mm: Annotated[
        float | None,
        typer.Option(
            help="With --positions: how far they may leave the exact ones, mm; default: 0.01."
        ),
    ] = None,
    bits: Annotated[
        int | None, typer.Option(help="Bits of the WAV: 16, 24 (the default) or 32 (float).")
    ] = None,
    channels: Annotated[
        str | None,
        typer.Option(help="Channels of the WAV: xyb (b: beam; the default), xy, x or y."),
    ] = None,
    dither: Annotated[bool, typer.Option("--dither", help="Dither a WAV of 16 bits.")] = False,
    rate_hz: Annotated[
        float | None, typer.Option(help="Sample rate of the WAV; default: that of bench.toml.")
    ] = None,
    carrier_hz: Annotated[
        int | None,
        typer.Option(
            help="Put the drives on a carrier of so many Hz, for outputs that pass no constant "
            "voltage; the file is demodulated again and compared."
        ),
    ] = None,
    plain: Annotated[
        bool | None,
        typer.Option(
            "--plain/--no-plain",
            help="Write planned.csv and drive_plain.wav, or not; default: for up to 30 minutes.",
        ),
    ] = None,
    preview: Annotated[
        Path | None, typer.Option(help="Also draw the path in its place, as a .png.")
    ] = None,
    map: Annotated[
        Path | None,
        typer.Option(help="Also draw the error foretold at every place, as a .png."),
    ] = None,
    # ---- the rig's past
    pause_s: Annotated[
        float | None,
        typer.Option(
            min=0.0,
            help="Seconds at rest between the end of the pattern and this output; the model then "
            "knows how far creep has recovered. Leave out when the rig's past is unknown.",
        ),
    ] = None,
    start_from: StartFrom = None,
    # ---- where the path lies
    scale: Scale = 1.0,
    rotate_deg: RotateDeg = 0.0,
    x_mm: XMm = 0.0,
    y_mm: YMm = 0.0,
    mirror: Mirror = None,
    fit: Fit = False,
    # ---- how it moves
    feed_mm_s: Annotated[
        float | None,
        typer.Option(help="Feed where the path gives none, mm/s; its own feeds are kept."),
    ] = None,
    travel_mm_s: TravelMmS = None,
    corner: Annotated[
        str, typer.Option(help="Sharp corners: rest (stop there), bounded (slow), or round.")
    ] = "rest",
    corner_tolerance_mm: Annotated[
        float | None, typer.Option(help="With --corner round: how far off the corner, mm.")
    ] = None,
    jerk_mm_s3: Annotated[float | None, typer.Option(help="Limit of jerk along the path.")] = None,
    settle_s: Annotated[
        float, typer.Option(help="Wait with the beam off before it goes on and after it went off.")
    ] = 0.0,
    beam_off: Annotated[
        str,
        typer.Option(
            help="While the beam is off: follow the path, condition (wipe friction) or null "
            "(leave little memory to the next trace)."
        ),
    ] = "follow",
    extra_s: Annotated[float, typer.Option(help="Wait so much longer before each layer.")] = 0.0,
    park: Annotated[
        str | None,
        typer.Option(
            help="After each layer wait at this place with the beam off, mm: X,Y.", metavar="X,Y"
        ),
    ] = None,
    park_wait_s: Annotated[
        float | None, typer.Option(help="With --park: how long to wait there.")
    ] = None,
    fit_limits: Annotated[
        bool,
        typer.Option(
            "--fit-limits",
            help="Move or shrink the path into the field, then slow, shift or scale it until every "
            "limit is met.",
        ),
    ] = False,
    skip_unknown: SkipUnknown = False,
    layers: Annotated[
        list[str] | None,
        typer.Option(help="Trace this layer of a DXF alone; may be repeated. Default: all shown."),
    ] = None,
    # ---- files
    go_on: Annotated[
        bool, typer.Option("--go-on", help="Continue an output that was stopped half-way.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over files that exist.")] = False,
) -> None:
    """Pre-distort a toolpath with the run's model and write the drive signal.

    Begins with a conditioning move. Writes the drive, the same job without compensation
    (drive_plain.wav, for comparison, where that keeps to the limits), the wanted spots
    (planned.csv) and job.json. Limits that are not met are listed and nothing is written.
    Past 4 GB a WAV is RF64. A long output that was stopped is kept as NAME.part. Another --out
    beside the run's job leaves that as it is; its own files are then named after it.

    \b
    Example:
      hysteresis compensate my-run tile.ngc --pause-s 60 --out my-run/drive.wav
    """
    from hysteresis.cli.compensate_asked import Asked
    from hysteresis.cli.compensate_job import compensate_job

    compensate_job(Asked(
        run=run, path=path, model=model, correction=correction, out=out, positions=positions,
        controller=controller, tolerance_mm=tolerance_mm, bits=bits, channels=channels,
        dither=dither, rate_hz=rate_hz, carrier_hz=carrier_hz, plain=plain, preview=preview,
        map=map, pause_s=pause_s, start_from=start_from, scale=scale, rotate_deg=rotate_deg,
        x_mm=x_mm, y_mm=y_mm, mirror=mirror, fit=fit, feed_mm_s=feed_mm_s,
        travel_mm_s=travel_mm_s, corner=corner, corner_tolerance_mm=corner_tolerance_mm,
        jerk_mm_s3=jerk_mm_s3, settle_s=settle_s, beam_off=beam_off, extra_s=extra_s, park=park,
        park_wait_s=park_wait_s, fit_limits=fit_limits, skip_unknown=skip_unknown, layers=layers,
        go_on=go_on, force=force,
    ))  # fmt: skip
