"""How well does a film of the spot measure?

For each seed a new invented unit with an unknown past plays the characterisation and is filmed by a
webcam with every trouble at once: noise, blur, a rolling shutter, a lens, reflections, dropped and
repeated frames, a changing frame rate; once with an unsaturated and once with a saturated spot. The
spot is followed through the film, the camera registered by a printed target, the film put on the
pattern's clock, all by the project's own code, and each is compared with what is true. Then the
whole job: the fit from the film beside the fit from a perfect log of the same frames, judged by
held excursions that return to zero.

    python -m experiments.filmed_run --seeds 5

Films are written to a temporary folder and thrown away. Everything it prints is simulated.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from experiments.filmed_tables import Outcome, report, summary
from experiments.return_to_zero import as_fitted, example_bench, zero_errors, zero_ladder
from hysteresis import virtual_bench
from hysteresis.bench import Bench
from hysteresis.compensate import compensate_path, state_after_pause
from hysteresis.fit import fit_recording
from hysteresis.fit.fitted import absolute_uncertainty_mm
from hysteresis.measure import measure_camera
from hysteresis.measure.film_frames import open_clip
from hysteresis.measure.find_target import find_target
from hysteresis.measure.follow import follow_film
from hysteresis.measure.from_target import register_target
from hysteresis.measure.measured import Measured
from hysteresis.measure.registration import Registration, register_points
from hysteresis.plan.characterise import characterisation
from hysteresis.tables import CameraLog, Floats, Pattern, Recording, SpotPath
from hysteresis.target import PAPERS_MM, RULER_MM, place_on_page_mm, target_for, write_target_png
from hysteresis.virtual_bench import Played, TrueCamera
from hysteresis.virtual_bench.averages import mean_between
from hysteresis.virtual_bench.film import FilmTruth, film_of, frames, scaled
from hysteresis.virtual_bench.film_file import write_film
from hysteresis.virtual_bench.film_look import FilmLook
from hysteresis.virtual_bench.film_scene import Lens, PlanePicture, project

HERE = Path(__file__).parent
WRONG_PX = 3.0  # a used place further off than this is not the spot


def main() -> None:
    """Print the study's tables."""
    plan = tomllib.loads((HERE / "filmed_run.toml").read_text())
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--short", action="store_true", help="one seed, a short and small film")
    ask.add_argument("--seeds", type=int)
    ask.add_argument("--first-seed", type=int)
    ask.add_argument("--minutes", type=float)
    ask.add_argument("--width", type=int, help="of the film, px: 1280 or 640")
    ask.add_argument("--memory", help="one memory by name, as in hysteresis fit")
    ask.add_argument("--case", choices=tuple(plan["brightness"]), help="only this one")
    ask.add_argument("--no-fit", action="store_true", help="only what the film itself measures")
    chosen = vars(ask.parse_args())
    if chosen.pop("short"):
        plan |= plan["short"]
    plan |= {name: value for name, value in chosen.items() if value is not None}
    cases = (plan["case"],) if "case" in plan else tuple(plan["brightness"])
    outcomes = []
    for seed in range(plan["first_seed"], plan["first_seed"] + plan["seeds"]):
        outcomes += filmed_unit(seed, plan, cases, fit=not plan["no_fit"])
        report(outcomes[-len(cases) :], plan)
    summary(outcomes, plan)


def filmed_unit(
    seed: int, plan: dict[str, Any], cases: tuple[str, ...], *, fit: bool
) -> list[Outcome]:
    """Characterise one unit by film, once for each case, and compare with what is true."""
    bench = example_bench()
    pattern = characterisation(bench, minutes=plan["minutes"])
    rig = virtual_bench.make_rig(bench, plan["suspension"], seed)
    played = virtual_bench.play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y)
    factor = plan["width"] / 1280
    bench, camera = scaled(bench, virtual_bench.true_camera(bench, seed), factor)
    registration, scale = registered(bench, camera, seed, plan)
    outcomes = []
    zeros: dict[str, tuple[float, float]] = {}
    for case in cases:
        look = look_of(plan, plan["brightness"][case])
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "clip.mp4"
            began = time.perf_counter()
            truth = write_film(file, film_of(played, bench, seed, look, true=camera))
            render_s = time.perf_counter() - began
            began = time.perf_counter()
            log = follow_film(open_clip(file)).log
            follow_s = time.perf_counter() - began
        measured = measure_camera(log, pattern, bench, registration=registration)
        if fit:
            zeros[case] = zero_left(bench, pattern, measured.recording, seed, plan)
            if "perfect" not in zeros:
                perfect = perfect_recording(played, pattern, bench, truth, seed, plan)
                zeros["perfect"] = zero_left(bench, pattern, perfect, seed, plan)
        nothing = (np.nan, np.nan)
        outcomes.append(
            Outcome(
                seed, case, len(truth), **place_errors(log, measured, truth),
                **clock_errors(measured, truth), **registration_errors(registration, truth, scale),
                zero_plain=zeros.get(case, nothing)[0], zero_film=zeros.get(case, nothing)[1],
                zero_perfect=zeros.get("perfect", nothing)[1], render_s=render_s,
                follow_s=follow_s,
            )
        )  # fmt: skip
    return outcomes


def look_of(plan: dict[str, Any], brightness: float) -> FilmLook:
    """The film's look at the plan's size; the spot's width in mm stays."""
    film, factor = dict(plan["film"]), plan["width"] / 1280
    lens = Lens(film.pop("k1"), film.pop("k2")).scaled(factor)
    film |= {name: film[name] * factor for name in ("sigma_u_px", "sigma_v_px")}
    return FilmLook(
        width=plan["width"], height=round(720 * factor), brightness=brightness, lens=lens, **film
    )


# ---- registration ------------------------------------------------------------------------------


def registered(
    bench: Bench, camera: TrueCamera, seed: int, plan: dict[str, Any]
) -> tuple[Registration, Floats]:
    """Register the camera by stills of the printed target, the first of them in the plane.

    The printer stretches the page, and a person reads the check rulers with a ruler. Also returns
    by what factor (2,) the scales are wrong in the end, which no registration can know.
    """
    rng = np.random.default_rng([seed, 12])
    stretch = 1.0 + rng.normal(0.0, plan["target"]["stretch"], 2)
    read = RULER_MM * stretch + rng.normal(0.0, plan["target"]["ruler_read_mm"], 2)
    found = [find_target(still) for still in stills(bench, camera, seed, plan, stretch)]
    registration = register_target(found, bench, ruler_mm=(float(read[0]), float(read[1])))
    return registration, read / RULER_MM / stretch


def stills(
    bench: Bench, camera: TrueCamera, seed: int, plan: dict[str, Any], stretch: Floats
) -> list[np.ndarray[Any, np.dtype[np.uint8]]]:
    """Pictures of the printed target by the film's camera and lens, with its noise."""
    look = replace(
        look_of(plan, 0.0),
        picture=printed(plan, stretch),
        room_grey=plan["target"]["room_grey"],
        ghost=0.0,
        glints=0.0,
    )
    t = np.arange(-2000, 1101) / 1000.0
    none = np.zeros(101)
    dark = Played(
        t[2000:2101], none, none, none, none, none > 0,
        SpotPath(t, 0 * t, 0 * t, np.zeros(len(t), bool)),
    )  # fmt: skip
    pictures = []
    for number, (g, h) in enumerate(plan["target"]["tilts_per_mm"]):
        tilted = camera.mm_to_px @ np.array([[1.0, 0, 0], [0, 1.0, 0], [g, h, 1.0]])
        film = film_of(dark, bench, seed, look, true=replace(camera, mm_to_px=tilted),
                       sequence=100 + number)  # fmt: skip
        pictures.append(next(frames(film)))
    return pictures


def printed(plan: dict[str, Any], stretch: Floats) -> PlanePicture:
    """The target's page as it is printed, its middle mark in the plane's zero."""
    across, up = stretch
    import cv2

    target, dpi = target_for(plan["target"]["field_mm"]), plan["target"]["dpi"]
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "target.png"
        write_target_png(target, page, dpi)
        shade = cv2.imread(str(page), cv2.IMREAD_GRAYSCALE) / 255.0
    right, down = place_on_page_mm(target, "a4")
    height, width = (25.4 * n / dpi for n in shade.shape)
    # the page is drawn from below; its last, broken row of pixels is left out at the top
    bottom = down - PAPERS_MM["a4"][1]
    # ink gives back a little light, paper not all of it
    return PlanePicture(
        0.06 + 0.84 * shade, -right * across, (width - right) * across, bottom * up,
        (bottom + height) * up,
    )  # fmt: skip


def registration_errors(
    registration: Registration, truth: FilmTruth, scale: Floats
) -> dict[str, Any]:
    """Error of place on a grid over the field of 100 mm, mm; and what is not the print's scale."""
    line = np.linspace(-50.0, 50.0, 21)
    x, y = (a.ravel() for a in np.meshgrid(line, line))
    u, v = project(truth.mm_to_px, truth.lens, x, y)
    spot, true = registration.spot_mm(u, v), np.column_stack([x, y])
    error, own = np.hypot(*(spot - true).T), np.hypot(*(spot - scale * true).T)
    return {
        "registration_own_mm": float(np.sqrt(np.mean(own**2))),
        "registration_mm": float(np.sqrt(np.mean(error**2))),
        "registration_worst_mm": float(error.max()),
    }


# ---- the film ----------------------------------------------------------------------------------


def place_errors(log: CameraLog, measured: Measured, truth: FilmTruth) -> dict[str, Any]:
    """Errors of the frames that are used in the end, which of them are wrong, and the share used.

    Of the frames that a fit could use: lit all the time and, on the drive clock, inside the
    pattern (others are set aside for good reason).
    """
    used = np.zeros(len(truth), bool)
    used[measured.number[measured.recording.used]] = True
    row = np.full(len(truth), -1)
    row[log.frame] = np.arange(len(log))
    u, v = log.u_px[row], log.v_px[row]
    error = np.hypot(u - truth.u_px, v - truth.v_px)
    wrong = used & ~(error < WRONG_PX)
    reasons = measured.recording.reason
    outside = np.zeros(len(truth), bool)
    outside[measured.number[[str(r).endswith("the pattern") for r in reasons]]] = True
    could = (truth.lit > 1.0 - 1e-6) & ~outside
    out: dict[str, Any] = {
        "unused_share": float(100.0 * np.mean(~used[could])), "wrong": int(wrong.sum())
    }  # fmt: skip
    for name, which in (("unsaturated_px", ~truth.saturated), ("saturated_px", truth.saturated)):
        good = used & ~wrong & which
        enough = good.sum() >= 0.02 * len(truth)
        out[name] = float(np.sqrt(np.mean(error[good] ** 2) / 2.0)) if enough else float("nan")
    return out


def clock_errors(measured: Measured, truth: FilmTruth) -> dict[str, Any]:
    """What is wrong with the frames' times on the drive clock: a straight line through it.

    True is the start of exposure of the row in which the spot is. A repeated picture, whose stamp
    tells nothing, is left out, and so are stamps' own errors by the line.
    """
    used = measured.recording.used
    number, t_s = measured.number[used], measured.recording.t_s[used]
    fresh = (np.diff(truth.exposure, prepend=-1) > 0)[number] & np.isfinite(truth.u_px[number])
    true = truth.spot_start_s[number[fresh]]
    slope, middle = np.polyfit(true - true.mean(), t_s[fresh] - true, 1)
    return {"clock_ms": abs(1e3 * float(middle)), "drift_ppm": abs(1e6 * float(slope))}


# ---- the whole job -----------------------------------------------------------------------------


def perfect_recording(
    played: Played, pattern: Pattern, bench: Bench, truth: FilmTruth, seed: int,
    plan: dict[str, Any],
) -> Recording:  # fmt: skip
    """The recording from true places of the film's frames: no shutter, no lens, no wrong stamp."""
    fresh = np.flatnonzero((np.diff(truth.exposure, prepend=-1) > 0) & (truth.lit > 1.0 - 1e-6))
    opened = truth.start_s[fresh]
    around, closed = played.around, opened + truth.exposure_s
    ideal = project(truth.mm_to_px, Lens(), around.x_mm, around.y_mm)
    rng = np.random.default_rng([seed, 11])
    u, v = (
        mean_between(around.t_s, px, opened, closed)
        + rng.normal(0.0, plan["perfect"]["noise_px"], len(fresh))
        for px in ideal
    )
    stamp = truth.clock_offset_s + (1.0 + truth.clock_drift) * opened
    log = CameraLog(truth.exposure[fresh], stamp, u, v, np.ones(len(fresh)))
    line = np.linspace(-50.0, 50.0, 5)
    mm = np.column_stack([a.ravel() for a in np.meshgrid(line, line)])
    px = np.column_stack(project(truth.mm_to_px, Lens(), *mm.T))
    return measure_camera(log, pattern, bench, registration=register_points(px, mm)).recording


def zero_left(
    bench: Bench, pattern: Pattern, recording: Recording, seed: int, plan: dict[str, Any]
) -> tuple[float, float]:
    """Fit, then play held excursions after a rest: rms return-to-zero error, before and after."""
    fit = fit_recording(
        pattern, recording, bench, memory=plan["memory"], zero_mm=absolute_uncertainty_mm(bench)
    )
    ladder, cells = zero_ladder(bench, plan["return_to_zero"])
    result = compensate_path(
        as_fitted(fit), bench, ladder, start=state_after_pause(fit.model, fit.end, plan["pause_s"]),
        history=(pattern, plan["pause_s"]),
    )  # fmt: skip
    if result.excesses:
        raise SystemExit(f"seed {seed}: {result.excesses[0]}")
    rig = virtual_bench.make_rig(bench, plan["suspension"], seed)
    left = []
    for drive in (result.plain, result.drive):
        spots = virtual_bench.play_after(rig, pattern, plan["pause_s"], drive)
        x, y = (np.interp(result.planned.t_s, spots.t_s, a) for a in (spots.x_mm, spots.y_mm))
        errors: Floats = zero_errors(
            bench, result.planned.t_s, x, y, cells, result.lead_in_s, plan["return_to_zero"]
        )
        left.append(float(np.sqrt(np.mean(errors**2))))
    return left[0], left[1]


if __name__ == "__main__":
    main()
