"""`hysteresis target`: the page to print, by which a camera learns the target plane."""

from pathlib import Path
from typing import Annotated

import typer


def command(
    out: Annotated[Path, typer.Option(help="The page to write (PDF).")] = Path("target.pdf"),
    field_mm: Annotated[
        float, typer.Option("--field-mm", help="Side of the square field to fill, mm.")
    ] = 100.0,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    png: Annotated[
        Path | None, typer.Option("--png", help="Write the page as a picture, too.")
    ] = None,
    dpi: Annotated[float, typer.Option(help="Pixels per inch of that picture.")] = 254.0,
    force: Annotated[bool, typer.Option("--force", help="Write over a file of this name.")] = False,
) -> None:
    """Write the target to print: a page at true scale with dots, rings and two check rulers.

    Print it at 100 % on matt paper, lay it in the plane of the spot, photograph it, and let
    `hysteresis register` read the photograph.

    \b
    Example:
      hysteresis target --out target.pdf
      hysteresis target --out small.pdf --field-mm 40 --paper letter
    """
    from hysteresis.errors import InputError
    from hysteresis.run_folder import refuse_overwrite
    from hysteresis.target import RULER_MM, target_for, write_target_pdf, write_target_png

    target = target_for(field_mm)
    if not 30 <= dpi <= 1200:
        raise InputError("a picture of this fineness is not made", value=dpi,
                         mend="choose 30 to 1200")  # fmt: skip
    for path in (out, *([] if png is None else [png])):
        refuse_overwrite(path, force)
    write_target_pdf(target, out, paper)
    n = 2 * target.half + 1
    print(f"Wrote {out}: {n} × {n} marks, {target.pitch_mm:g} mm apart.")
    if png is not None:
        write_target_png(target, png, dpi, paper)
        print(f"Wrote {png} at {dpi:g} pixels per inch.")
    print(f"Print it at 100 % on matt paper; both check rulers must then be {RULER_MM:g} mm long.")
    print("Then photograph it in the plane of the spot:  hysteresis register RUN --target STILL")
