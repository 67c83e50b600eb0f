"""Make the invented recordings of this folder again, on the virtual bench.

    python -m data.make                # into data/, where the files are
    python -m data.make --out other    # beside them, to compare

Everything is simulated: units, workshop, camera and job are invented. `make.toml` beside this
file says what is made and from which seeds; the same seeds make the same files.
"""

from __future__ import annotations

import argparse
import tomllib
from pathlib import Path
from typing import Any

from hysteresis import virtual_bench
from hysteresis.bench import TEMPLATE, Bench
from hysteresis.files import read_text, write_atomic
from hysteresis.measure import measure_camera
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.plan.characterise import characterisation
from hysteresis.run_folder import RunFolder, create_run
from hysteresis.table_files import read_pattern, write_camera_log, write_pattern, write_recording
from hysteresis.tables import CameraLog, Pattern

HERE = Path(__file__).parent
SIMULATED = "This run was played on the virtual bench.\n"  # the words of `hysteresis virtual`

# Digits that are kept: well below the noise (0.017 mm, 0.1 px).
PATTERN_DECIMALS = {"t_s": 4, "drive_x": 4, "drive_y": 4}
LOG_DECIMALS = {"t_s": 5, "u_px": 2, "v_px": 2, "weight": 1}
RECORDING_DECIMALS = {
    "t_s": 4, "exposure_s": 4, "x_mm": 3, "y_mm": 3, "sigma_x_mm": 3, "sigma_y_mm": 3,
}  # fmt: skip


def main() -> None:
    """Make every file, and say what was made."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--out", type=Path, default=HERE)
    out: Path = ask.parse_args().out
    plan = definition()
    out.mkdir(parents=True, exist_ok=True)
    write_atomic(out / plan["job"]["file"], job(plan))
    print(f"Wrote {out / plan['job']['file']}")
    for name in unit_names(plan):
        make_unit(out / name, name, plan)
        print(f"Wrote {out / name}: a recording", flush=True)
    make_tracer(out / plan["tracer"]["folder"], plan)
    print(f"Wrote {out / plan['tracer']['folder']}: a camera log")


def definition() -> dict[str, Any]:
    """The definition beside this file."""
    return tomllib.loads(read_text(HERE / "make.toml"))


def unit_names(plan: dict[str, Any]) -> list[str]:
    """Folders of the measured units, such as thread-1."""
    return [
        f"{kind}-{seed}" for kind in plan["units"]["folders"] for seed in plan["units"]["seeds"]
    ]


def job(plan: dict[str, Any]) -> str:
    """The workshop's job as RS-274 text."""
    return layered_tile_job(plan["job"]["layers"], duration_s=plan["job"]["duration_s"])


def make_unit(folder: Path, name: str, plan: dict[str, Any]) -> None:
    """One measured unit: bench, pattern and recording."""
    kind, seed = name.rsplit("-", 1)
    how = plan["units"]
    run, log, pattern, bench = _filmed(folder, how["folders"][kind], int(seed), how, plan)
    measured = measure_camera(log, pattern, bench)
    write_recording(run.recording_csv, measured.recording, decimals=RECORDING_DECIMALS)
    _shorten(run.recording_csv)


def make_tracer(folder: Path, plan: dict[str, Any]) -> None:
    """One unit as its camera saw it: bench, pattern and camera log."""
    how = plan["tracer"]
    run, log, _, _ = _filmed(folder, how["suspension"], how["seed"], how, plan)
    write_camera_log(run.camera_log_csv, log, decimals=LOG_DECIMALS)
    _shorten(run.camera_log_csv)


def _filmed(
    folder: Path, suspension: str, seed: int, how: dict[str, Any], plan: dict[str, Any]
) -> tuple[RunFolder, CameraLog, Pattern, Bench]:
    """Bench and pattern of one unit, written, and what the camera saw of it."""
    run = create_run(folder)
    text = bench_text(suspension, seed, how["frame_rate_hz"], plan)
    write_atomic(run.bench_toml, text)
    write_atomic(run.simulated_txt, SIMULATED)
    bench = Bench.model_validate(tomllib.loads(text))
    asked = characterisation(bench, minutes=how["minutes"])
    write_pattern(run.pattern_csv, asked, decimals=PATTERN_DECIMALS)
    _shorten(run.pattern_csv)
    pattern = read_pattern(run.pattern_csv)  # what is played is what the file says
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, bench, seed, noise_px=how["noise_px"])
    return run, log, pattern, bench


def bench_text(suspension: str, unit: int, frame_rate_hz: float, plan: dict[str, Any]) -> str:
    """The commented bench.toml of one unit: that of `hysteresis new` with its own words put in.

    >>> "frame_rate_hz = 12.0" in bench_text("elastic-band", 3, 12.0, definition())
    True
    """
    text = TEMPLATE
    for old, new in (
        ('name = "bench one"', f'name = "{plan["bench_name"]}"'),
        ('suspension = "thread" ', f'suspension = "{suspension}" '),
        ('unit = "A"', f'unit = "{unit}"'),
        ("frame_rate_hz = 30.0", f"frame_rate_hz = {frame_rate_hz:.1f}"),
        ("sample_rate_hz = 48000", f"sample_rate_hz = {plan['sample_rate_hz']}"),
        ("# All figures below are invented: put in those of your own rig.",
         "# Invented: a unit on the virtual bench."),
    ):  # fmt: skip
        if text.count(old) != 1:
            raise ValueError(f"the template of bench.toml has no {old!r}")
        text = text.replace(old, new)
    return text


def _shorten(path: Path) -> None:
    """Leave out the zeros at the end of decimals: the same numbers in a third less space."""
    lines = read_text(path).splitlines()
    write_atomic(path, "".join(",".join(map(_short, line.split(","))) + "\n" for line in lines))


def _short(cell: str) -> str:
    """
    >>> [_short(cell) for cell in ("0.5000", "-0.000", "12", "hold/010", "100.0")]
    ['0.5', '0', '12', 'hold/010', '100']
    """
    try:
        float(cell)
    except ValueError:
        return cell
    if "." not in cell:
        return cell
    cut = cell.rstrip("0").rstrip(".")
    return "0" if cut in ("-0", "") else cut


if __name__ == "__main__":
    main()
