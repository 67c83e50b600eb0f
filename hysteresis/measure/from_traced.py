"""A registration from a grid that the rig itself traced: typed readings against the film.

The reading-steps pattern holds the spot still while a person reads its place with a ruler. Where
the camera watched, it saw the same places in pixels. The camera's clock is found from the track
in pixels, which follows the drive as well as one in mm does (the mixture is free); the pixels are
averaged over the last second before each reading and paired with the typed mm.
"""

from __future__ import annotations

import contextlib

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import DataError, InputError
from hysteresis.homography import Homography, fit_homography
from hysteresis.measure import clock as clocks
from hysteresis.measure.camera_log import ordered
from hysteresis.measure.clock import Clock, Track, find_clock
from hysteresis.measure.clock_mirror import CREEP_S
from hysteresis.measure.drive_columns import drive_columns
from hysteresis.measure.from_target import RULER_READ_MM
from hysteresis.measure.granularity import rounding_sigma, rounding_step
from hysteresis.measure.registration import Known, MarksLeft, Registration, place_slopes
from hysteresis.measure.typed_sheet import listed, placed_in
from hysteresis.measure.view_fit import View, fit_homography_of_many
from hysteresis.tables import Bools, CameraLog, Floats, Pattern, TypedSheet

WATCH_S = 1.0
"""The spot is averaged over so long before a reading: creep moves it little, noise averages."""
FEWEST_READINGS, FEWEST_FRAMES = 8, 5
_SLIP = 4.0  # robust standard deviations by which a slip of the pen stands out
_LEAST_SLIP_MM = 1.0
_SAMPLES, _START_MM = 400, 2.0
_RULER_MM = 100.0


def register_traced(
    log: CameraLog, pattern: Pattern, sheet: TypedSheet, bench: Bench
) -> Registration:
    """Pair the typed places with the pixels seen meanwhile, and fit the map.

    The readings' own uncertainty (rounding, or the scatter about the map where that is larger)
    goes into the covariance, a ruler's scale beside it.

    Raises
    ------
    InputError : a sheet that does not belong to the pattern, a log that does not follow it, or
        places that fix no plane.
    DataError : too few readings that were also filmed.
    """
    if bench.camera is None:
        raise InputError("there is no [camera] section", file="bench.toml",
                         mend="add the camera's exposure and frame rate")  # fmt: skip
    placed = placed_in(sheet, pattern)
    t_s, px = _on_pattern_clock(log, pattern, bench, bench.camera.exposure_s)
    read = np.column_stack([sheet.x_mm, sheet.y_mm])
    seen = np.full(read.shape, np.nan)
    for row, at in enumerate(placed.likely_s):
        near = (t_s >= at - WATCH_S) & (t_s + bench.camera.exposure_s <= at)
        if int(near.sum()) >= FEWEST_FRAMES:
            seen[row] = np.median(px[near], axis=0)
    whole = np.isfinite(read).all(axis=1) & np.isfinite(seen).all(axis=1)
    if int(whole.sum()) < FEWEST_READINGS:
        raise DataError(
            f"only {int(whole.sum())} readings of the sheet were also filmed, {FEWEST_READINGS} "
            "are needed: film the whole pattern while reading"
        )
    step = rounding_step(read.ravel())
    return _fitted(seen[whole], read[whole], sheet.reading[whole].tolist(), step)


def _on_pattern_clock(
    log: CameraLog, pattern: Pattern, bench: Bench, exposure_s: float
) -> tuple[Floats, Floats]:
    """Times (n,) on the pattern's clock of the log's usable frames, and their px (n, 2)."""
    frames = ordered(log)
    good = (frames.reason == "") & np.isfinite(frames.u_px) & np.isfinite(frames.v_px)
    px = np.column_stack([frames.u_px[good], frames.v_px[good]])
    track = Track(frames.t_s[good], px, exposure_s)
    if len(track.t_s) < clocks.LEAST_FRAMES:
        raise InputError(
            f"the camera log is too short: {len(track.t_s)} frames can be used",
            mend=f"record at least {clocks.LEAST_FRAMES} frames of the pattern",
        )
    corner = bench.drive.corner_hz
    clock: Clock = find_clock(
        track, drive_columns(pattern, corner_hz=corner),
        drive_columns(pattern, corner_hz=corner, memory=True, relaxation_s=CREEP_S),
    )  # fmt: skip
    if clock.score < clocks.LEAST_SCORE:
        raise InputError(
            "the log does not follow this pattern: at best the drive explains "
            f"{100 * max(clock.score, 0.0):.0f} % of the spot's motion in the picture, "
            f"{100 * clocks.LEAST_SCORE:.0f} % are asked for",
            mend="check that pattern.csv is the one that was played and read",
        )
    return clock.to_pattern(track.t_s), px


def _fitted(px: Floats, mm: Floats, numbers: list[int], step: float) -> Registration:
    """Least squares on the plane, where the ruler errs; slips of the pen set aside."""
    homography, keep = _start(px, mm)
    for _ in range(8):
        error = np.column_stack(homography.apply(*px.T)) - mm
        length = np.linalg.norm(error, axis=1)
        limit = max(_SLIP * float(np.median(length[keep])) / 1.1774, _LEAST_SLIP_MM, 2.0 * step)
        before, keep = keep, length <= limit
        if int(keep.sum()) < FEWEST_READINGS:
            raise DataError("too few readings agree with what the camera saw meanwhile")
        homography = _plane(px[keep], mm[keep])
        if np.array_equal(before, keep):
            break
    error = np.column_stack(homography.apply(*px.T)) - mm
    freedom = 2 * int(keep.sum()) - 8
    residual = float(np.sqrt((error[keep] ** 2).sum() / freedom))
    view = _view(homography, px[keep], mm[keep])
    by = place_slopes(view, None, (), np.column_stack(homography.apply(*px[keep].T)))
    by = by.reshape(-1, 8)
    size = np.linalg.norm(by, axis=0)
    each = max(residual, rounding_sigma(step))
    covariance = each**2 * np.linalg.inv((by / size).T @ (by / size)) / np.outer(size, size)
    slopes = homography.jacobian(*px[keep].mean(axis=0))
    back = np.linalg.inv(homography.jacobian(*px.T))
    notes = [f"places are as good as the readings: {each:.2g} mm each"]
    if not keep.all():
        aside = listed([n for n, k in zip(numbers, keep, strict=True) if not k])
        notes.append(f"readings set aside, far from where the camera saw the spot: {aside}")
    return Registration(
        homography=homography,
        fiducials=int(keep.sum()),
        residual_mm=residual,
        mm_per_px=float(np.sqrt(abs(np.linalg.det(slopes)))),
        notes=tuple(notes),
        known=Known(view, (), covariance, np.full(2, RULER_READ_MM / _RULER_MM)),
        source="traced grid",
        left=MarksLeft(mm, np.einsum("nij,nj->ni", back, error), error, keep),
    )


def _start(px: Floats, mm: Floats) -> tuple[Homography, Bools]:
    """The map through some four readings that most others agree with, and which do.

    Random samples, seeded (Fischler & Bolles, Comm. ACM 24 (1981) 381, from memory). Most
    readings are taken near zero, where any map fits: far ones are drawn more often.
    """
    rng = np.random.default_rng(0)
    far = np.linalg.norm(px - np.median(px, axis=0), axis=1)
    chance = far / far.sum() if far.sum() > 0.0 else None
    best: tuple[float, Homography] | None = None
    for _ in range(_SAMPLES):
        four = rng.choice(len(px), 4, replace=False, p=chance)
        with contextlib.suppress(InputError):
            h = fit_homography(px[four], mm[four])
            error = np.linalg.norm(np.column_stack(h.apply(*px.T)) - mm, axis=1)
            cost = float(np.minimum(error, _START_MM).sum())
            if best is None or cost < best[0]:
                best = cost, h
    if best is None:
        raise InputError("the readings do not fix the target plane",
                         mend="read places all over the field, not along one line")  # fmt: skip
    error = np.linalg.norm(np.column_stack(best[1].apply(*px.T)) - mm, axis=1)
    return best[1], error <= _START_MM


def _plane(px: Floats, mm: Floats) -> Homography:
    try:
        return fit_homography_of_many(px, mm)
    except InputError as error:
        raise InputError(
            f"the readings do not fix the target plane: {error.what}",
            mend="read places all over the field, not along one line",
        ) from error


def _view(homography: Homography, px: Floats, mm: Floats) -> View:
    """The same map the other way, between scaled coordinates."""
    (x, y), size = mm.mean(axis=0), float(np.max(np.abs(mm - mm.mean(axis=0))))
    (u, v), wide = px.mean(axis=0), float(np.max(np.abs(px - px.mean(axis=0))))
    outward = np.array([[size, 0.0, x], [0.0, size, y], [0.0, 0.0, 1.0]])
    inward = np.array([[1 / wide, 0.0, -u / wide], [0.0, 1 / wide, -v / wide], [0.0, 0.0, 1.0]])
    matrix = inward @ np.linalg.inv(homography.matrix) @ outward
    return View(matrix / matrix[2, 2], np.array([x, y]), size, np.array([u, v]), wide)
