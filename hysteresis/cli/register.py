"""`hysteresis register`: how the camera sees the target plane, pixels to mm."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hysteresis.bench import Bench
    from hysteresis.measure.registration import Registration
    from hysteresis.run_folder import RunFolder


def command(
    run: Annotated[Path, typer.Argument(help="Run folder with its bench.toml.", metavar="RUN")],
    target: Annotated[
        list[Path] | None,
        typer.Option(
            help="Picture of the printed target in the plane of the spot (still, film or folder "
            "of stills); give more at other tilts, for the lens.",
            metavar="STILL",
        ),
    ] = None,
    ruler_mm: Annotated[
        str, typer.Option("--ruler-mm", help="What the check rulers measure: 98.5 or ACROSS,UP.")
    ] = "",
    point: Annotated[
        list[str] | None,
        typer.Option(
            help="A mark as u,v,x,y: pixels right and down, mm right and up; four or more.",
            metavar="U,V,X,Y",
        ),
    ] = None,
    click: Annotated[
        Path | None, typer.Option(help="A picture in which to click the marks given by --at.")
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(
            "--at",
            help="With --click: where a mark is, x,y in mm; in the order of the "
            "clicks. The corners of the field if unsaid.",
            metavar="X,Y",
        ),
    ] = None,
    traced: Annotated[
        bool,
        typer.Option(
            "--traced",
            help="Pair the readings of a typed sheet with the spots that the camera saw meanwhile.",
        ),
    ] = False,
    camera: Annotated[
        Path | None, typer.Option(help="With --traced: the log; the run's if unsaid.")
    ] = None,
    typed: Annotated[
        Path | None, typer.Option(help="With --traced: the sheet; the run's if unsaid.")
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Write registration.json anew where there is one.")
    ] = False,
) -> None:
    """Find out how the camera sees the target plane, and write registration.json.

    Best from pictures of the printed target (hysteresis target): the first shows it in the plane
    of the spot, two or more others at different tilts tell about the lens. A registration comes
    before the fiducials of bench.toml.

    \b
    Example:
      hysteresis register my-run --target plane.jpg --ruler-mm 99.6,100.1
      hysteresis register my-run --target plane.jpg --target tilt1.jpg --target tilt2.jpg
      hysteresis register my-run --point 337,643,-50,-50 --point 917,636,50,-50 ...
      hysteresis register my-run --traced --camera camera_log.csv --typed typed.csv
    """
    from hysteresis.bench import read_bench
    from hysteresis.cli.console import say
    from hysteresis.errors import InputError
    from hysteresis.files import sha256_of, write_atomic
    from hysteresis.measure.registration_file import write_registration
    from hysteresis.report.registration_figures import registration_png
    from hysteresis.run_folder import open_run, refuse_overwrite

    folder = open_run(run)
    ways = [bool(target), bool(point), click is not None, traced]
    if sum(ways) != 1:
        raise InputError(
            "say one way to register" if not any(ways) else "say only one way to register",
            mend="give --target STILL, --point U,V,X,Y (four or more), --click PICTURE or --traced",
        )
    if ruler_mm and not target:
        raise InputError("--ruler-mm belongs to --target", mend="leave it out")
    if at and click is None:
        raise InputError("--at belongs to --click", mend="leave it out")
    if (camera or typed) and not traced:
        raise InputError("--camera and --typed belong to --traced", mend="add --traced")
    refuse_overwrite(folder.registration_json, force)
    bench = read_bench(folder.bench_toml)
    files: list[Path] = []
    if target:
        registration = _from_target(folder, bench, target, ruler_mm, files)
    elif point:
        registration = _from_points([_numbers(text, 4, "point") for text in point])
    elif click is not None:
        registration = _from_clicks(bench, click, at or [], files)
    else:
        registration = _from_traced(folder, bench, camera, typed, files)
    write_registration(
        folder.registration_json, registration, {p.name: sha256_of(p) for p in files},
        overwrite=force,
    )  # fmt: skip
    picture = folder.path / "registration.png"
    drawable = registration.left is not None and registration.known is not None
    if drawable:
        write_atomic(picture, registration_png(registration))
    elif picture.exists():
        picture.unlink()  # of another registration, now written over
    _say_registered(registration, bench)
    for note in registration.notes:
        say(f"Note: {note}.")
    drawn = f" and {picture.name}" if drawable else ""
    print(f"Wrote {folder.registration_json}{drawn}. Next:  hysteresis measure {folder.path}")


def _from_target(
    folder: RunFolder, bench: Bench, names: list[Path], ruler: str, files: list[Path]
) -> Registration:
    from hysteresis.cli.console import progress
    from hysteresis.errors import InputError
    from hysteresis.files import write_atomic
    from hysteresis.measure.find_target import TargetFault, find_target
    from hysteresis.measure.from_target import register_target
    from hysteresis.measure.target_stills import read_still, still_paths
    from hysteresis.report.registration_figures import seen_png

    lengths = _numbers(ruler, 0, "ruler-mm") if ruler else []
    if len(lengths) > 2:
        raise InputError("--ruler-mm takes one length or two", value=ruler,
                         mend="write ACROSS,UP in mm")  # fmt: skip
    paths = still_paths(names)
    found = []
    with progress("Looking for the target", total=len(paths)) as advance:
        for path in paths:
            picture = read_still(path)
            try:
                found.append(find_target(picture))
            except TargetFault as fault:
                seen = folder.path / "seen.png"
                write_atomic(seen, seen_png(picture, fault.blobs, fault.numbered))
                raise InputError(
                    fault.what, file=path, mend=f"{fault.mend}; {seen} shows what was seen"
                ) from fault
            advance()
    files += paths
    both = (lengths[0], lengths[-1]) if lengths else None
    return register_target(found, bench, ruler_mm=both)


def _from_points(points: list[list[float]]) -> Registration:
    import numpy as np

    from hysteresis.errors import InputError
    from hysteresis.measure.registration import register_points

    table = np.array(points)
    try:
        return register_points(table[:, :2], table[:, 2:], source="typed points")
    except InputError as error:
        raise InputError(f"the points do not fix the target plane: {error.what}",
                         mend=error.mend) from error  # fmt: skip


def _from_clicks(bench: Bench, path: Path, at: list[str], files: list[Path]) -> Registration:
    from dataclasses import replace

    import numpy as np

    from hysteresis.cli.click_window import clicked_px
    from hysteresis.measure.registration import register_points
    from hysteresis.measure.target_stills import read_still

    x, y = bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm
    marks = [_numbers(text, 2, "at") for text in at] or [[-x, -y], [x, -y], [x, y], [-x, y]]
    picture = read_still(path)
    px = clicked_px(picture, marks)
    files.append(path)
    found = register_points(px, np.array(marks), source="clicked points")
    return replace(found, width_px=picture.shape[1], height_px=picture.shape[0])


def _from_traced(
    folder: RunFolder, bench: Bench, camera: Path | None, typed: Path | None, files: list[Path]
) -> Registration:
    from hysteresis.cli.console import progress
    from hysteresis.measure.from_traced import register_traced
    from hysteresis.table_files import read_camera_log, read_pattern, read_typed_sheet

    log, sheet = camera or folder.camera_log_csv, typed or folder.typed_csv
    tables = read_camera_log(log), read_pattern(folder.pattern_csv), read_typed_sheet(sheet)
    with progress("Pairing readings with the spots seen meanwhile"):
        found = register_traced(*tables, bench)
    files += [log, folder.pattern_csv, sheet]
    return found


def _numbers(text: str, count: int, option: str) -> list[float]:
    """Finite numbers with commas between them, `count` of them (0: any number)."""
    import math

    from hysteresis.errors import InputError

    try:
        values = [float(word) for word in text.split(",")]
    except ValueError:
        values = []
    if not values or (count and len(values) != count) or not all(map(math.isfinite, values)):
        wanted = f"{count} numbers" if count else "numbers"
        raise InputError(f"--{option} takes {wanted} with commas between them", value=text,
                         mend="write no blanks, and decimals with a point")  # fmt: skip
    return values


def _say_registered(registration: Registration, bench: Bench) -> None:
    import numpy as np

    from hysteresis.cli.console import table

    r = registration
    facts: list[tuple[str, object]] = [("made from", r.source), ("marks", r.fiducials)]
    if np.isfinite(r.residual_px):
        facts.append(("residual in the picture", f"{r.residual_px:.3f} px"))
    told = "not determined" if np.isnan(r.residual_mm) else f"{r.residual_mm:.4f} mm"
    facts.append(("residual on the plane", told))
    if r.left is not None:
        length = np.where(r.left.used, np.linalg.norm(r.left.error_mm, axis=1), 0.0)
        worst = int(np.argmax(length))
        x, y = r.left.mm[worst]
        facts.append(("worst mark", f"{length[worst]:.4f} mm, at x = {x:.1f}, y = {y:.1f} mm"))
    facts.append(("size of a pixel", f"{r.mm_per_px:.4f} mm"))
    if r.known is not None:
        x, y = bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm
        px = r.px_of(np.array([0.0, -x, x, x, -x]), np.array([0.0, -y, -y, y, y]))
        for words, scale in (("", True), (", scale aside", False)):
            sigma = np.linalg.norm(r.place_sigma_mm(*px, scale=scale), axis=1)
            for name, value in (("centre", sigma[0]), ("worst corner", sigma[1:].max())):
                facts.append((f"place uncertainty, {name}{words}", f"{value:.4f} mm"))
    if r.source == "target":
        bent = 0.0 if r.lens is None else r.lens.largest_px(r.width_px, r.height_px)
        facts.append(("distortion at the picture's corner", f"{bent:.2f} px"))
    table("Registration", ("what", "value"), facts)
    print()
