"""How near the camera's clock is found: offset and drift against the simulated camera's own.

``python -m experiments.camera_clock`` prints one row per suspension, unit and kind of beam:
error of the offset in ms and of the drift in ppm, each with the standard uncertainty that
`measure` states, and how many of all errors lie within twice that.
"""

from __future__ import annotations

import argparse
import time
import tomllib
from dataclasses import dataclass

from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.bench_template import TEMPLATE
from hysteresis.measure import measure_camera
from hysteresis.plan.characterise import characterisation

SUSPENSIONS = ("braided-thread", "elastic-band", "metal-flexure")


@dataclass(frozen=True)
class Row:
    """Errors (found less true) and standard uncertainties of one log; `seconds` of measuring."""

    suspension: str
    seed: int
    beam: str
    offset_ms: float
    u_offset_ms: float
    drift_ppm: float
    u_drift_ppm: float
    seconds: float
    evidence: str

    @property
    def covered(self) -> bool:
        """Whether both errors lie within two standard uncertainties."""
        near = abs(self.offset_ms) <= 2.0 * self.u_offset_ms
        return near and abs(self.drift_ppm) <= 2.0 * self.u_drift_ppm


def measured_clock(suspension: str, seed: int, beam: str, minutes: float) -> Row:
    """Film one unit's characterisation and compare the clock with the camera's own."""
    bench = Bench.model_validate(tomllib.loads(TEMPLATE))
    bench = bench.model_copy(update={"beam": bench.beam.model_copy(update={"mode": beam})})
    pattern = characterisation(bench, minutes)
    rig = virtual_bench.make_rig(bench, suspension, seed)
    played = virtual_bench.play(
        rig, pattern.t_s, pattern.drive_x, pattern.drive_y, beam=pattern.beam
    )
    log = virtual_bench.photograph(played, bench, seed)
    true = virtual_bench.true_camera(bench, seed)
    began = time.process_time()
    clock = measure_camera(log, pattern, bench).clock
    seconds = time.process_time() - began
    assert clock is not None
    return Row(
        suspension, seed, beam,
        1e3 * (clock.offset_s - true.clock_offset_s), 1e3 * clock.u_offset_s,
        1e6 * (clock.drift - true.clock_drift), 1e6 * clock.u_drift,
        seconds, "; ".join(clock.evidence),
    )  # fmt: skip


def main() -> None:
    """Print the table."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seeds", type=int, default=5)
    ask.add_argument("--first-seed", type=int, default=1)
    ask.add_argument("--minutes", type=float, default=3.0)
    ask.add_argument("--suspension", action="append", default=None, help="or all; may be repeated")
    ask.add_argument("--beam", choices=("always-on", "switched", "both"), default="both")
    chosen = ask.parse_args()
    names = tuple(chosen.suspension or SUSPENSIONS)
    if "all" in names:
        names = tuple(virtual_bench.SUSPENSIONS)
    beams = ("always-on", "switched") if chosen.beam == "both" else (chosen.beam,)
    print(f"Simulated, {chosen.minutes:g} min of camera. Errors are found less true.")
    print("suspension       seed beam       offset, ms      ± u   drift, ppm    ± u   CPU, s")
    rows = []
    for name in names:
        for seed in range(chosen.first_seed, chosen.first_seed + chosen.seeds):
            for beam in beams:
                row = measured_clock(name, seed, beam, chosen.minutes)
                rows.append(row)
                print(
                    f"{row.suspension:16s} {row.seed:4d} {row.beam:10s} {row.offset_ms:10.3f} "
                    f"{row.u_offset_ms:8.3f} {row.drift_ppm:12.2f} {row.u_drift_ppm:6.2f} "
                    f"{row.seconds:8.2f}   {row.evidence}",
                    flush=True,
                )
    worst, fastest = max(abs(r.offset_ms) for r in rows), max(abs(r.drift_ppm) for r in rows)
    inside = sum(r.covered for r in rows)
    print(
        f"Largest error: {worst:.3f} ms and {fastest:.2f} ppm (goals 1 ms and 20 ppm); "
        f"within two standard uncertainties: {inside} of {len(rows)}."
    )


if __name__ == "__main__":
    main()
