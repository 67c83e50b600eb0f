"""A camera log made into a recording: the steps in their order."""

from __future__ import annotations

from collections.abc import Set as AbstractSet

import numpy as np
from threadpoolctl import threadpool_limits

from hysteresis.bench import Bench, Camera
from hysteresis.errors import InputError
from hysteresis.measure import clock as clocks
from hysteresis.measure.camera_log import Frames, ordered
from hysteresis.measure.clock import Clock, Track, find_clock
from hysteresis.measure.clock_beam import by_beam, with_beam
from hysteresis.measure.clock_mirror import CREEP_S
from hysteresis.measure.clock_refusals import refuse_still, unseen_segments
from hysteresis.measure.clock_stamps import on_the_beat
from hysteresis.measure.clock_words import clock_notes, exposure_notes
from hysteresis.measure.drive_columns import DriveColumns, drive_columns
from hysteresis.measure.exposure_estimate import disagrees
from hysteresis.measure.frame_light import measured_exposure, per_frame_sigma
from hysteresis.measure.measured import Doubt, Measured
from hysteresis.measure.noise import (
    Noise,
    frame_sigma_px,
    noise_at_rest,
    still,
    time_jitter_s,
)
from hysteresis.measure.outliers import mark_outliers
from hysteresis.measure.registration import Registration, register
from hysteresis.tables import Bools, CameraLog, Floats, Pattern, Recording, Texts

OUT_OF_FIELD = "out of the field"
BEFORE, AFTER = "before the pattern", "after the pattern"
BEAM_OFF = "beam off or switched during the exposure"
BEHIND_AC = 0.95  # score of a film that follows only behind a high pass; wandering may reach 0.9
CORNERS_HZ = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)  # tried where a spot does not follow
_REACH = 2.3
"""A spot further from the middle one than so many full scales cannot be where it was driven."""
_STRAY_SHARE = 0.1


def measure_camera(
    log: CameraLog,
    pattern: Pattern,
    bench: Bench,
    *,
    keep: AbstractSet[int] = frozenset(),
    keep_all: bool = False,
    noise_px: float | None = None,
    registration: Registration | None = None,
    take: int | None = None,
) -> Measured:
    """Turn a camera log of this pattern into a recording on the pattern's clock.

    Parameters
    ----------
    keep, keep_all : numbers of frames (or all) that are used although they look like outliers.
    noise_px : standard deviation of a spot centre where it is known; else it is found from frames
        at rest, of which a filmed job has none.
    registration : the map from pixels to mm; the bench's fiducials where it is left out.
    take : which playing of the pattern in the log, from 1; the last whole one where left out.

    Raises
    ------
    InputError : no camera on the bench, fiducials that fix no plane, times that go back, too few
        frames, a spot that stands still, a camera too slow for the pattern, a log that does not
        follow this pattern, or no such take.
    DataError : the spot is never filmed at rest.
    """
    if bench.camera is None:
        raise InputError(
            "there is no [camera] section",
            file="bench.toml",
            mend="add the camera's exposure, frame rate and fiducials",
        )
    registration = register(bench.camera) if registration is None else registration
    frames, stamped = on_the_beat(ordered(log))
    spot = registration.spot_mm(frames.u_px, frames.v_px)
    reason = frames.reason.copy()
    _mark_out_of_field(reason, spot, bench)
    full = np.array([bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm])
    asked = np.array([np.ptp(pattern.drive_x), np.ptp(pattern.drive_y)])
    refuse_still(spot[reason == ""], registration.mm_per_px, full, asked)
    exposure_s = bench.camera.exposure_s

    slow = unseen_segments(pattern, frames.frame_s)
    plain = drive_columns(pattern, corner_hz=bench.drive.corner_hz)
    memory = drive_columns(pattern, corner_hz=bench.drive.corner_hz, memory=True)
    lagging = drive_columns(
        pattern, corner_hz=bench.drive.corner_hz, memory=True, relaxation_s=CREEP_S
    )
    clock = _found_clock(reason, frames, spot, exposure_s, plain, lagging, take)
    if clock.score < clocks.LEAST_SCORE:
        _refuse_clock(clock, pattern, bench, reason, frames, spot)
    exposed = measured_exposure(log, frames, reason == "", spot, clock, plain, exposure_s,
                                registration)  # fmt: skip
    if exposed is not None and disagrees(exposed, exposure_s):
        exposure_s = min(exposed.exposure_s, frames.frame_s)
        clock = _found_clock(reason, frames, spot, exposure_s, plain, lagging, take)
    if bench.beam.mode == "switched":
        clock = _with_beam(clock, pattern, log, frames, reason == "", exposure_s)
    t_s = clock.to_pattern(frames.t_s, frames.v_px)
    t_s = np.where(np.isfinite(t_s), t_s, clock.to_pattern(frames.t_s))
    _mark(reason, t_s < 0.0, BEFORE)
    _mark(reason, t_s + exposure_s > pattern.t_s[-1], AFTER)
    if bench.beam.mode == "switched":
        _mark(reason, _lit(pattern, t_s, exposure_s) < 1.0 - 1e-6, BEAM_OFF)

    good = np.flatnonzero(reason == "")
    if noise_px is None:
        noise = noise_at_rest(
            pattern, frames.frame[good], t_s[good], exposure_s, frames.u_px[good], frames.v_px[good]
        )
    else:
        noise = Noise(np.full(2, noise_px), 0, 0.0)
    rest = (reason == "") & still(pattern, t_s, t_s + exposure_s)
    sigma_px, told = frame_sigma_px(
        log.sigma_u_px[frames.row], log.sigma_v_px[frames.row], rest, noise
    )
    sigma = per_frame_sigma(registration, frames, sigma_px)
    predicted, velocity, _ = _predicted(memory, t_s[good], spot[good], exposure_s)
    # without memory columns, which would share out the gain among them
    mixture = _predicted(plain, t_s[good], spot[good], exposure_s)[2]
    error = spot[good] - predicted
    jitter_s = time_jitter_s(frames.frame[good], frames.t_s[good], error, velocity, sigma[good])
    sigma[good] = np.hypot(sigma[good], jitter_s * velocity)

    strays = _strays(t_s[good], spot[good], error)
    outlier, distance = mark_outliers(error, predicted, sigma[good], frames.frame_s)
    doubts = []
    for k in np.flatnonzero(outlier):
        number = int(frames.frame[good[k]])
        if keep_all or number in keep:
            continue
        text = f"outlier: {distance[k]:.1f} mm from its neighbours"
        reason[good[k]] = text
        doubts.append(Doubt(number, text))
    _refuse_unknown(keep, {int(n) for n in frames.frame[good[outlier]]})

    # Frames are in the order of their numbers; repeated ones may bear any time.
    order = np.argsort(t_s, kind="stable")
    used = reason == ""
    recording = Recording(
        t_s=t_s[order],
        exposure_s=np.full(len(t_s), exposure_s),
        x_mm=spot[order, 0],
        y_mm=spot[order, 1],
        sigma_x_mm=sigma[order, 0],
        sigma_y_mm=sigma[order, 1],
        used=used[order],
        reason=reason[order],
        segment=_segments(pattern, t_s)[order],
    )
    return Measured(
        source="camera",
        recording=recording,
        number=frames.frame[order],
        pattern=pattern,
        doubts=tuple(doubts),
        notes=(
            *registration.notes,
            *_camera_notes(frames, bench.camera, noise, jitter_s),
            *told,
            *stamped,
            *slow,
            *clock_notes(clock, velocity, float(np.ptp(frames.v_px[good]))),
            *exposure_notes(exposed, bench.camera.exposure_s),
            *_coverage_notes(clock, frames, pattern),
            *_field_notes(mixture, bench),
            *strays,
        ),
        clock=clock,
        registration=registration,
        sigma_px=np.median(sigma_px[rest], axis=0) if rest.any() else noise.sigma_px,
        noise=noise,
        jitter_s=jitter_s,
        missing=frames.missing,
        longest_gap_s=frames.longest_gap_s,
        exposure_s=None if exposed is None else exposed.exposure_s,
        u_exposure_s=None if exposed is None else exposed.u_exposure_s,
        readout_s_per_px=clock.readout_s_per_px,
        u_readout_s_per_px=clock.u_readout_s_per_px,
        clock_evidence=clock.evidence,
    )


# ---- steps -------------------------------------------------------------------------------------


def _mark(reason: Texts, where: Bools, text: str) -> None:
    """Give the reason to the rows that have none yet."""
    reason[where & (reason == "")] = text


def _mark_out_of_field(reason: Texts, spot: Floats, bench: Bench) -> None:
    full = np.array([bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm])
    usable = (reason == "") & ~np.isnan(spot[:, 0])
    if not usable.any():
        raise InputError(
            "no frame of the camera log can be used",
            mend="check the weights, and the fiducials in bench.toml",
        )
    off = np.abs(spot - np.median(spot[usable], axis=0)) > _REACH * full
    far = np.isnan(spot[:, 0]) | off.any(axis=1)
    share = float(np.mean(far[reason == ""]))
    if share > 0.3:
        raise InputError(
            f"{100 * share:.0f} % of the spots lie further out than the drive can take them",
            mend="check full_scale_x_mm, full_scale_y_mm and the fiducials in bench.toml",
        )
    _mark(reason, far, OUT_OF_FIELD)


def _found_clock(
    reason: Texts,
    frames: Frames,
    spot: Floats,
    exposure_s: float,
    plain: DriveColumns,
    memory: DriveColumns,
    take: int | None = None,
) -> Clock:
    """The clock that fits best; raises `InputError` when there is nothing to compare."""
    usable = reason == ""
    track = Track(frames.t_s[usable], spot[usable], exposure_s, frames.v_px[usable])
    if len(track.t_s) < clocks.LEAST_FRAMES or (
        track.t_s[-1] - track.t_s[0] < clocks.LEAST_OVERLAP_S
    ):
        raise InputError(
            f"the camera log is too short: {len(track.t_s)} frames can be used",
            mend=f"record at least {clocks.LEAST_FRAMES} frames and "
            f"{clocks.LEAST_OVERLAP_S:g} s of the pattern",
        )
    if not np.ptp(plain.value, axis=0).any():
        raise InputError("the pattern never moves the spot", mend="plan another pattern")
    with threadpool_limits(limits=1):  # small dense algebra: more threads only wait
        return find_clock(track, plain, memory, take)


def _with_beam(
    clock: Clock, pattern: Pattern, log: CameraLog, frames: Frames, seen: Bools, exposure_s: float
) -> Clock:
    """The clock with what the blinking of the beam adds to it."""
    first = np.concatenate([[True], np.diff(frames.frame) > 0])
    start_s = clock.to_pattern(frames.t_s, frames.v_px)
    kept = first & np.isfinite(start_s)
    flux = log.flux[frames.row][kept]
    return with_beam(
        clock, by_beam(pattern, frames.frame[kept], start_s[kept], seen[kept], flux, exposure_s)
    )


def _refuse_clock(
    clock: Clock, pattern: Pattern, bench: Bench, reason: Texts, frames: Frames, spot: Floats
) -> None:
    """Raise `InputError`: the log does not follow the pattern, or only behind another output."""
    found: dict[float, float] = {}
    for corner_hz in CORNERS_HZ if bench.drive.coupling == "dc" else ():
        behind = [
            drive_columns(pattern, corner_hz=corner_hz),
            drive_columns(pattern, corner_hz=corner_hz, memory=True, relaxation_s=CREEP_S),
        ]
        other = _found_clock(reason, frames, spot, frames.frame_s / 4, behind[0], behind[1])
        found[corner_hz] = other.score
    best = max(found, key=lambda corner_hz: found[corner_hz], default=0.0)
    if found and found[best] >= BEHIND_AC:
        raise InputError(
            "the spot follows this pattern only as behind an AC-coupled output (corner about "
            f"{best:g} Hz), while bench.toml says that the output is dc-coupled",
            mend=f'set coupling = "ac" and corner_hz = {best:g} in [drive] of bench.toml; '
            "the fit finds the exact corner",
        )
    raise InputError(
        "the log does not follow this pattern: the sync signature was not found (at best the "
        f"drive explains {100 * max(clock.score, 0.0):.0f} % of the spot's motion, "
        f"{100 * clocks.LEAST_SCORE:.0f} % are asked for)",
        mend="check that pattern.csv is the one that was played, and that the output plays "
        "both axes",
    )


def _lit(pattern: Pattern, t_s: Floats, exposure_s: float) -> Floats:
    """Part of each exposure during which the beam is on."""
    on = np.concatenate([[0.0], np.cumsum(np.diff(pattern.t_s) * pattern.beam[:-1])])
    lit = np.interp(t_s + exposure_s, pattern.t_s, on) - np.interp(t_s, pattern.t_s, on)
    return np.asarray(lit / exposure_s)


def _predicted(
    columns: DriveColumns, t_s: Floats, spot: Floats, exposure_s: float
) -> tuple[Floats, Floats, Floats]:
    """Spot that the drive foretells (n, 2), its velocity (n, 2), and the mixture behind it."""
    design, slopes = columns.averaged(t_s, exposure_s), columns.slopes(t_s, exposure_s)
    mixture, error, _ = clocks.robust_mixture(design, slopes, spot, 1e-3)
    return spot - error, slopes @ mixture[1:], mixture


def _strays(t_s: Floats, spot: Floats, error: Floats) -> tuple[str, ...]:
    """Say where the log leaves the pattern; raise when that is more than a tenth of it."""
    spans = clocks.stray_stretches(t_s, spot, error)
    words = ", ".join(f"{a:.0f} to {b:.0f} s" for a, b in spans[:5])
    if sum(b - a for a, b in spans) > _STRAY_SHARE * float(t_s[-1] - t_s[0]):
        raise InputError(
            f"the log follows this pattern only in part: not at {words} of it",
            mend="check that pattern.csv is the one that was played, and that neither the camera "
            "nor the rig was moved meanwhile",
        )
    if not spans:
        return ()
    return (f"the spot does not follow the pattern at {words}: was something bumped?",)


def _segments(pattern: Pattern, t_s: Floats) -> Texts:
    """Segment in which each exposure starts; '' outside the pattern."""
    row = np.searchsorted(pattern.t_s, t_s, side="right") - 1
    names = pattern.segment[np.clip(row, 0, len(pattern) - 1)].copy()
    names[(t_s < 0.0) | (t_s > pattern.t_s[-1])] = ""
    return names


def _refuse_unknown(keep: AbstractSet[int], outliers: AbstractSet[int]) -> None:
    unknown = sorted(keep - outliers)
    if unknown:
        raise InputError(
            "this frame is no outlier, so there is nothing to keep", value=unknown[0],
            mend="name frames that the table of doubtful rows lists",
        )  # fmt: skip


# ---- what is to be said ------------------------------------------------------------------------


def _camera_notes(frames: Frames, camera: Camera, noise: Noise, jitter_s: float) -> tuple[str, ...]:
    notes = []
    rate = 1.0 / frames.frame_s
    if abs(rate / camera.frame_rate_hz - 1.0) > 0.02:
        notes.append(f"the log has {rate:.3g} frames/s, bench.toml says {camera.frame_rate_hz:.3g}")
    if noise.rounded_px >= 0.2:
        notes.append(
            f"pixels are rounded to {noise.rounded_px:g}: a tracker that finds the centre between "
            "pixels would measure far better"
        )
    if jitter_s > 0:
        notes.append(
            f"single frame times are wrong by {1e3 * jitter_s:.2g} ms; where the spot moves, "
            "sigma holds that times its speed"
        )
    return tuple(notes)


def _coverage_notes(clock: Clock, frames: Frames, pattern: Pattern) -> tuple[str, ...]:
    first, last = clock.to_pattern(frames.t_s[[0, -1]])
    notes = []
    if first > 0.5:
        notes.append(
            f"the log starts {first:.1f} s into the pattern: its clock was found from the rest"
        )
    if last < pattern.t_s[-1] - 0.5:
        notes.append(f"the log ends {pattern.t_s[-1] - last:.1f} s before the pattern does")
    return tuple(notes)


def _field_notes(mixture: Floats, bench: Bench) -> tuple[str, ...]:
    """What the drive does to the spot, against what bench.toml says it does."""
    full = np.array([bench.optics.full_scale_x_mm, bench.optics.full_scale_y_mm])
    gain = mixture[1:3]  # (drive, axis of the spot), mm at drive 1
    notes = []
    rest = mixture[0]
    if np.any(np.abs(rest) > 0.15 * full):
        notes.append(
            f"at zero drive the spot lies at ({rest[0]:.0f}, {rest[1]:.0f}) mm, not in the middle: "
            "check the fiducials' mm"
        )
    if abs(gain[0, 1]) + abs(gain[1, 0]) > abs(gain[0, 0]) + abs(gain[1, 1]):
        return (*notes, "drive x moves the spot along y: check the cables and the fiducials' mm")
    for axis, name in enumerate("xy"):
        moved = float(gain[axis, axis])
        if abs(moved) < 1e-3 * full[axis]:
            continue  # this axis was not driven
        if moved < 0:
            notes.append(
                f"a positive drive moves the spot towards negative {name}: check the coil's sense "
                "and the fiducials' mm"
            )
        if not 0.6 < abs(moved) / full[axis] < 1.6:
            notes.append(
                f"drive 1 moves the spot by about {abs(moved):.0f} mm along {name}, bench.toml "
                f"says full_scale_{name}_mm = {full[axis]:g}"
            )
    return tuple(notes)
