"""The spot through a whole film: every frame a row of a camera log, and what the film is like."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hysteresis.errors import DataError
from hysteresis.measure.difficult import Difficult, Keeper, picked
from hysteresis.measure.film_frames import (
    LEAST_FRAMES,
    NOT_DECODED,
    TIME_MISSING,
    TIME_REPEATED,
    Clip,
    Frame,
    Picture,
)
from hysteresis.measure.film_light import (
    Ground,
    choose_light,
    sampled,
    standing_light,
    take_frames,
)
from hysteresis.measure.spot import MOST_SPOTS, SPOT, desk_for, find_spots, room_gain
from hysteresis.measure.spot_choice import Chosen, choose_spots
from hysteresis.tables import Bools, CameraLog, Floats, Ints, Texts

NO_SPOT = "no spot"
SEVERAL_SPOTS = "several spots"
SATURATED = "saturated"
CUT = "cut by the edge"
PICTURE_CHANGED = "picture changed"
NOTES = (NO_SPOT, SEVERAL_SPOTS, SATURATED, CUT, NOT_DECODED, TIME_REPEATED, TIME_MISSING,
         PICTURE_CHANGED)  # fmt: skip

_SAMPLING_SHARE = 0.15  # of the progress
_CHANGED_SHARE = 0.2  # of the picture brighter than the ground: not the scene it was
_REST_FRAMES = 24
_REST_PX = 0.5


@dataclass(frozen=True)
class FilmFacts:
    """What a film is like.

    frame_rate_hz : from the median step; variable : steps differ by more than a fifth.
    light : measure of light, `light_why` why it. share_* : of all frames.
    noise_even, noise_per_level : variance of a pixel in levels², at level L even + per_level·L.
    fwhm_px : full width at half maximum of the resting spot. sigma_scale : what the stated sigma
    was multiplied by so that it meets the scatter at rest (1 where the spot never rests).
    notes : sentences for the person.
    """

    frames: int
    duration_s: float
    frame_rate_hz: float
    variable: bool
    light: str
    light_why: str
    share_saturated: float
    share_lost: float
    share_usable: float
    noise_even: float
    noise_per_level: float
    fwhm_px: float
    sigma_scale: float
    exposure_s: float
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Followed:
    """The log, what the film is like, and crops of its most difficult frames."""

    log: CameraLog
    facts: FilmFacts
    difficult: tuple[Difficult, ...]


class NoSpotError(DataError):
    """The film does not show one spot; `seen` is a picture (h, w) of what it does show."""

    def __init__(self, text: str, seen: Picture) -> None:
        self.seen = seen
        super().__init__(text)


@dataclass(frozen=True)
class _Pass:
    """What the one pass over all frames leaves."""

    number: Ints
    t_s: Floats
    decoded: Bools
    changed: Bools
    count: Ints
    spots: npt.NDArray[np.void]


def follow_film(clip: Clip, *, progress: Callable[[float], None] | None = None) -> Followed:
    """Find the spot in every frame of a clip.

    progress : told the share done, 0 to 1.

    Raises
    ------
    InputError : hardly any frame can be decoded.
    NoSpotError : (nearly) no frame shows a spot, or most show two alike, or fewer than 60 frames
        can be used; it carries a picture.
    """
    tell = progress or (lambda share: None)
    why = "as asked"
    found = take_frames(clip, lambda share: tell(_SAMPLING_SHARE * share))
    if clip.light == "auto":
        choice = choose_light(clip, found)
        clip, why = clip.seen_as(choice.light), choice.sentence()
    assert clip.light != "auto"
    sample = sampled(found, clip.light)
    del found
    ground = standing_light(sample, clip.white)
    seen = sample.pictures.max(axis=0)
    del sample
    keeper = Keeper()
    passed = _pass(clip, ground, keeper, tell)
    chosen = choose_spots(passed.spots, passed.count)
    _refuse(clip, passed, chosen, seen)
    log, scale = _log(clip, passed, chosen)
    facts = _facts(clip, passed, chosen, log, ground, scale, why)
    usable = int((log.weight > 0).sum())
    if usable < LEAST_FRAMES:
        raise NoSpotError(
            f"only {usable} frames of {len(log)} show the spot well enough; at least "
            f"{LEAST_FRAMES} are needed",
            seen,
        )
    tell(1.0)
    return Followed(log, facts, picked(keeper, log))


def _pass(clip: Clip, ground: Ground, keeper: Keeper, tell: Callable[[float], None]) -> _Pass:
    desk = desk_for(clip.height, clip.width)
    most = float(ground.light.max())
    gain = limit_gain = 1.0
    limit = ground.limit(gain)
    number: list[int] = []
    t_s: list[float] = []
    decoded: list[bool] = []
    changed: list[bool] = []
    rows: list[npt.NDArray[np.void]] = []
    for frame in clip.frames():
        number.append(frame.number)
        t_s.append(frame.t_s)
        light = frame.light
        decoded.append(light is not None and light.shape == ground.light.shape)
        spots, share = np.zeros(0, SPOT), 0.0
        if decoded[-1] and light is not None:
            gain = room_gain(light, ground, gain)
            if abs(gain - limit_gain) * most > 1.0:
                limit, limit_gain = ground.limit(gain), gain
            spots, share = find_spots(light, ground, limit, gain, desk)
            keeper.look(frame, spots)
        rows.append(spots)
        changed.append(share > _CHANGED_SHARE)
        if len(number) % 16 == 0:
            tell(_SAMPLING_SHARE + (1 - _SAMPLING_SHARE) * len(number) / max(clip.count, 1))
    table = np.zeros((len(rows), MOST_SPOTS), SPOT)
    for k, spots in enumerate(rows):
        table[k, : len(spots)] = spots
    return _Pass(
        np.array(number, np.int64), np.array(t_s), np.array(decoded, bool),
        np.array(changed, bool), np.array([len(spots) for spots in rows], np.int64), table,
    )  # fmt: skip


def _refuse(clip: Clip, passed: _Pass, chosen: Chosen, seen: Picture) -> None:
    """Raise where the film as a whole cannot be followed."""
    decoded = int(passed.decoded.sum())
    found = int((chosen.which >= 0).sum())
    if found < max(0.02 * decoded, 3):
        raise NoSpotError(
            f"{clip.path}: no moving spot is seen in {decoded - found} of {decoded} frames; check "
            "that the spot is in the picture, bright against the room, and that it moves",
            seen,
        )
    twins = int(chosen.twin.sum())
    if twins > 0.5 * found:
        raise NoSpotError(
            f"{clip.path}: {twins} of {found} frames show two spots alike, so the spot cannot be "
            "told from its reflection; cover the reflection or film from another side",
            seen,
        )


def _log(clip: Clip, passed: _Pass, chosen: Chosen) -> tuple[CameraLog, float]:
    """Rows with weight and notes, and what sigma had to be multiplied by."""
    n = len(passed.number)
    row = np.arange(n)
    has = chosen.which >= 0
    spot = passed.spots[row, chosen.which]
    t_s, time_note = _times(passed.t_s)
    notes: list[list[str]] = [[] for _ in range(n)]
    weight = has.astype(float)

    jumped = np.zeros(n, bool)
    where = np.flatnonzero(has)
    jumped[where[1:]] = np.hypot(np.diff(spot["u"][where]), np.diff(spot["v"][where])) > 30.0
    for text, rows, trusted in (
        (NOT_DECODED, ~passed.decoded, False),
        (NO_SPOT, passed.decoded & ~has, False),
        (CUT, has & spot["cut"], False),
        (SEVERAL_SPOTS, has & chosen.rival, True),
        (SATURATED, has & spot["clipped"], True),
        (PICTURE_CHANGED, passed.changed, False),
        (TIME_REPEATED, time_note == TIME_REPEATED, False),
        (TIME_MISSING, time_note == TIME_MISSING, False),
    ):
        for k in np.flatnonzero(rows):
            notes[k].append(text)
        if not trusted:
            weight[rows] = 0.0
    # where two are alike and the spot jumped, nothing tells which is the spot
    weight[chosen.twin & jumped] = 0.0

    def column(name: str) -> Floats:
        return np.where(has, spot[name], np.nan)

    u, v = column("u"), column("v")
    scale = _sigma_scale(passed.number, u, v, column("sigma_u"), column("sigma_v"), weight)
    log = CameraLog(
        frame=passed.number,
        t_s=t_s,
        u_px=u,
        v_px=v,
        weight=weight,
        sigma_u_px=scale * column("sigma_u"),
        sigma_v_px=scale * column("sigma_v"),
        flux=column("flux"),
        spread_uu_px2=column("uu"),
        spread_uv_px2=column("uv"),
        spread_vv_px2=column("vv"),
        note=np.array([", ".join(words) for words in notes], dtype=object),
    )
    return log, scale


def _times(t_s: Floats) -> tuple[Floats, Texts]:
    """Times that never go back, with a note where one was put in or stands still."""
    note = np.full(len(t_s), "", dtype=object)
    known = np.isfinite(t_s)
    note[~known] = TIME_MISSING
    k = np.arange(len(t_s))
    filled = np.where(known, t_s, np.interp(k, k[known], t_s[known]) if known.any() else k)
    highest = np.maximum.accumulate(filled)
    note[1:][(np.diff(highest) <= 0) & (note[1:] == "")] = TIME_REPEATED
    return highest, note


def _sigma_scale(
    number: Ints, u: Floats, v: Floats, sigma_u: Floats, sigma_v: Floats, weight: Floats
) -> float:
    """Scatter of the resting spot over the stated sigma.

    A codec's noise is not that of the sensor, so the film itself is asked: stretches in which the
    spot moves by less than half a pixel are freed of a straight line, and their variance compared
    with the stated one; the median over stretches, for some of them hold real motion.
    """
    k = np.arange(_REST_FRAMES, dtype=float)
    line = np.linalg.qr(np.column_stack((np.ones_like(k), k)))[0]
    degrees = _REST_FRAMES - 2
    ratios = []
    for place, sigma in ((u, sigma_u), (v, sigma_v)):
        for start in range(0, len(u) - _REST_FRAMES + 1, _REST_FRAMES):
            part = slice(start, start + _REST_FRAMES)
            own = place[part]
            if weight[part].min() <= 0 or number[part][-1] - number[part][0] != _REST_FRAMES - 1:
                continue
            if np.ptp(own) > _REST_PX + 6 * float(sigma[part].max()):
                continue
            own = own - own.mean()
            rest = own - line @ (line.T @ own)
            ratios.append(float(rest @ rest) / degrees / float(np.mean(sigma[part] ** 2)))
    if len(ratios) < 6:
        return 1.0
    # median of χ² over its degrees of freedom (Wilson and Hilferty, from memory)
    middle = (1.0 - 2.0 / (9.0 * degrees)) ** 3
    return float(np.clip(np.sqrt(np.median(ratios) / middle), 0.3, 20.0))


def _facts(
    clip: Clip, passed: _Pass, chosen: Chosen, log: CameraLog, ground: Ground, scale: float,
    why: str,
) -> FilmFacts:  # fmt: skip
    step = np.diff(log.t_s)
    step = step[step > 0]
    usual = float(np.median(step)) if len(step) else float("nan")
    has = chosen.which >= 0
    spot = passed.spots[np.arange(len(has)), chosen.which][has]
    still = spot["long"] < 1.3 * spot["narrow"]
    width = spot["narrow"][still] if still.sum() > 20 else spot["narrow"]
    saturated = float(np.mean(spot["clipped"])) * float(np.mean(has)) if len(spot) else 0.0
    notes = list(clip.notes)
    if len(spot) and float(np.mean(spot["clipped"])) > 0.5:
        notes.append(
            f"the spot is saturated in {100 * float(np.mean(spot['clipped'])):.0f} % of the frames "
            "that show it: shorten the exposure or lower the power, and places become finer"
        )
    if len(chosen.places):
        notes.append(
            f"{len(chosen.places)} reflections that stand still were told from the spot, at "
            + ", ".join(f"({u:.0f}, {v:.0f})" for u, v in chosen.places[:4])
            + " px"
        )
    changed = int(passed.changed.sum())
    if changed:
        notes.append(f"{changed} frames show another picture than the rest: was a lamp switched?")
    missing = int((~passed.decoded).sum())
    if missing:
        notes.append(f"{missing} frames could not be decoded; they have rows without a place")
    if not 0.8 <= scale <= 1.25:
        notes.append(
            f"the resting spot scatters {scale:.2g} times as much as the noise of single pixels "
            "makes out (a codec's doing); sigma holds that"
        )
    return FilmFacts(
        frames=len(log),
        duration_s=float(log.t_s[-1] - log.t_s[0]),
        frame_rate_hz=1.0 / usual,
        variable=bool(len(step) and np.mean(np.abs(step - usual) > 0.2 * usual) > 0.005),
        light=str(clip.light),
        light_why=why,
        share_saturated=saturated,
        share_lost=float(np.mean(~has)),
        share_usable=float(np.mean(log.weight > 0)),
        noise_even=ground.noise.even,
        noise_per_level=ground.noise.per_level,
        fwhm_px=float(2.3548 * np.median(width)) if len(width) else float("nan"),
        sigma_scale=scale,
        exposure_s=clip.exposure_s,
        notes=tuple(notes),
    )


__all__ = ["NOTES", "FilmFacts", "Followed", "Frame", "NoSpotError", "follow_film"]
