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
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.plan.characterise import characterisation
from hysteresis.run_folder import create_run
from hysteresis.table_files import read_pattern, write_camera_log, write_pattern

HERE = Path(__file__).parent
SIMULATED = "This run was played on the virtual bench.\n"  # the words of `hysteresis virtual`

# Digits that are kept: well below the noise (0.1 px, about 0.017 mm).
PATTERN_DECIMALS = {"t_s": 4, "drive_x": 4, "drive_y": 4}
LOG_DECIMALS = {"t_s": 5, "u_px": 2, "v_px": 2, "weight": 1}


def main() -> None:
    """Make every file, and say what was made."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--out", type=Path, default=HERE)
    out: Path = ask.parse_args().out
    plan = definition()
    out.mkdir(parents=True, exist_ok=True)
    write_atomic(out / plan["job"]["file"], job(plan))
    print(f"Wrote {out / plan['job']['file']}")
    for name in run_names(plan):
        make_run(out / name, plan)
        print(f"Wrote {out / name}", flush=True)


def definition() -> dict[str, Any]:
    """The definition beside this file."""
    return tomllib.loads(read_text(HERE / "make.toml"))


def run_names(plan: dict[str, Any]) -> list[str]:
    """Folders of all runs: thread-1, …, tracer."""
    units = plan["units"]
    return [f"{kind}-{seed}" for kind in units["folders"] for seed in units["seeds"]] + ["tracer"]


def unit_of(name: str, plan: dict[str, Any]) -> tuple[str, int]:
    """Suspension and seed of a run.

    >>> unit_of("elastic-3", definition()), unit_of("tracer", definition())
    (('elastic-band', 3), ('braided-thread', 4))
    """
    if name == "tracer":
        return plan["tracer"]["suspension"], plan["tracer"]["seed"]
    kind, seed = name.rsplit("-", 1)
    return plan["units"]["folders"][kind], int(seed)


def job(plan: dict[str, Any]) -> str:
    """The workshop's job as RS-274 text."""
    return layered_tile_job(plan["job"]["layers"], duration_s=plan["job"]["duration_s"])


def make_run(folder: Path, plan: dict[str, Any]) -> None:
    """One unit with its pattern, and what the camera saw of it."""
    run = create_run(folder)
    suspension, seed = unit_of(folder.name, plan)
    text = bench_text(suspension, seed, plan["frame_rate_hz"], plan)
    write_atomic(run.bench_toml, text)
    write_atomic(run.simulated_txt, SIMULATED)
    bench = Bench.model_validate(tomllib.loads(text))
    asked = characterisation(bench, minutes=plan["minutes"])
    write_pattern(run.pattern_csv, asked, decimals=PATTERN_DECIMALS)
    _shorten(run.pattern_csv)
    pattern = read_pattern(run.pattern_csv)  # what is played is what the file says
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    log = virtual_bench.photograph(played, bench, seed, noise_px=plan["noise_px"])
    write_camera_log(run.camera_log_csv, log, decimals=LOG_DECIMALS)
    _shorten(run.camera_log_csv)


def bench_text(suspension: str, unit: int, frame_rate_hz: float, plan: dict[str, Any]) -> str:
    """The commented bench.toml of one unit: that of `hysteresis new` with its own words put in.

    >>> "frame_rate_hz = 15.0" in bench_text("elastic-band", 3, 15.0, definition())
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
