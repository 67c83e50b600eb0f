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
from hysteresis.measure.spot_scatter import Scatter, find_scatter, moving, standing_sigma
from hysteresis.tables import Bools, CameraLog, Floats, Ints, Texts

NO_SPOT = "no spot"
SEVERAL_SPOTS = "several spots"
SATURATED = "saturated"
CUT = "cut by the edge"
PICTURE_CHANGED = "picture changed"
AFTER_DAMAGE = "after damage"
NOTES = (NO_SPOT, SEVERAL_SPOTS, SATURATED, CUT, NOT_DECODED, TIME_REPEATED, TIME_MISSING,
         PICTURE_CHANGED, AFTER_DAMAGE)  # fmt: skip

_SAMPLING_SHARE = 0.15  # of the progress
_DAMAGED_SHARE = 0.1  # of the frames: damage explains what is wrong with the rest
_CHANGED_SHARE = 0.2  # of the picture brighter than the ground: not the scene it was


@dataclass(frozen=True)
class FilmFacts:
    """What a film is like.

    frame_rate_hz : from the median step; variable : steps differ by more than a fifth.
    light : measure of light, `light_why` why it. share_* : of all frames.
    noise_even, noise_per_level : variance of a pixel in levels², at level L even + per_level·L.
    fwhm_px : full width at half maximum of the resting spot. scatter_rest, scatter_moving : of the
    centre, over what single pixels' noise makes out (NaN: unknown). sigma_px : median stated
    sigma of the used frames.
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
    scatter_rest: float
    scatter_moving: float
    sigma_px: float
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
    log, scatter = _log(clip, passed, chosen)
    facts = _facts(clip, passed, chosen, log, ground, scatter, why)
    usable = int((log.weight > 0).sum())
    if usable < LEAST_FRAMES:
        _refuse_damaged(clip, passed, seen)
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
    twins = int(chosen.twin.sum())
    few = found < max(0.02 * decoded, 3) or (found < LEAST_FRAMES and found < 0.2 * decoded)
    if few or twins > 0.5 * found:
        _refuse_damaged(clip, passed, seen)
    if few:
        raise NoSpotError(
            f"{clip.path}: no moving spot is seen in {decoded - found} of {decoded} frames; check "
            "that the spot is in the picture, bright against the room, and that it moves",
            seen,
        )
    if twins > 0.5 * found:
        raise NoSpotError(
            f"{clip.path}: {twins} of {found} frames show two spots alike, so the spot cannot be "
            "told from its reflection; cover the reflection or film from another side",
            seen,
        )


def _refuse_damaged(clip: Clip, passed: _Pass, seen: Picture) -> None:
    """Raise where damage to the file is the likelier cause of what is wrong with the spot."""
    missing = int((~passed.decoded).sum())
    behind = int(_after_damage(clip, passed).sum())
    if missing + behind < _DAMAGED_SHARE * len(passed.number):
        return
    remains = (
        f", and {behind} that follow, up to the next whole one, show remains of other pictures"
        if behind
        else ""
    )
    raise NoSpotError(
        f"{clip.path}: the film is damaged: {missing} of {len(passed.number)} frames cannot be "
        f"decoded{remains}; copy the file again, or film again",
        seen,
    )


def _log(clip: Clip, passed: _Pass, chosen: Chosen) -> tuple[CameraLog, Scatter]:
    """Rows with weight and notes, and what the scatter made of sigma."""
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
        (AFTER_DAMAGE, _after_damage(clip, passed), False),
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
    place = np.column_stack((u, v))
    sigma = np.column_stack((column("sigma_u"), column("sigma_v")))
    good = weight > 0
    scatter = find_scatter(passed.number, t_s, place, sigma, good)
    sigma *= np.clip(scatter.factor(moving(place, good)), 0.3, 30.0)[:, None]
    if clip.changes_only:
        sigma = np.hypot(sigma, standing_sigma(clip.light, clip.coarse_colour))
    log = CameraLog(
        frame=passed.number,
        t_s=t_s,
        u_px=u,
        v_px=v,
        weight=weight,
        sigma_u_px=sigma[:, 0],
        sigma_v_px=sigma[:, 1],
        flux=column("flux"),
        spread_uu_px2=column("uu"),
        spread_uv_px2=column("uv"),
        spread_vv_px2=column("vv"),
        note=np.array([", ".join(words) for words in notes], dtype=object),
    )
    return log, scatter


def _after_damage(clip: Clip, passed: _Pass) -> Bools:
    """Decoded frames between one that could not be and the next at which reading can begin.

    A decoder conceals what it cannot read by pieces of other pictures, and builds on that.
    """
    n = len(passed.number)
    if not clip.changes_only:
        return np.zeros(n, bool)
    row = np.arange(n)
    whole = np.isin(passed.number, clip.starts) & passed.decoded
    last_whole = np.maximum.accumulate(np.where(whole, row, -1))
    last_damaged = np.maximum.accumulate(np.where(passed.decoded, -1, row))
    return passed.decoded & (last_damaged > last_whole)


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


def _facts(
    clip: Clip, passed: _Pass, chosen: Chosen, log: CameraLog, ground: Ground, scatter: Scatter,
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
        where = ", ".join(f"({u:.0f}, {v:.0f})" for u, v in chosen.places[:4])
        more = ", …" if len(chosen.places) > 4 else ""
        notes.append(f"reflections that stand still were told from the spot, at {where}{more} px")
    changed = int(passed.changed.sum())
    if changed:
        notes.append(f"{changed} frames show another picture than the rest: was a lamp switched?")
    missing = int((~passed.decoded).sum())
    if missing:
        notes.append(f"{missing} frames could not be decoded; they have rows without a place")
    behind = int(_after_damage(clip, passed).sum())
    if behind:
        notes.append(
            f"the film is damaged: {behind} frames that follow one which could not be decoded, up "
            "to the next whole one, may show remains of other pictures and are not used"
        )
    if scatter.moving > 1.5 or scatter.rest > 1.5:
        notes.append(
            f"the spot scatters {np.nanmax((scatter.rest, scatter.moving)):.2g} times as much as "
            "the noise of single pixels makes out, as behind a codec; sigma holds that"
        )
    return FilmFacts(
        frames=len(log),
        duration_s=float(log.t_s[-1] - log.t_s[0]),
        frame_rate_hz=float(1.0 / np.mean(step[np.abs(step - usual) < 0.5 * usual])),
        variable=bool(len(step) and np.mean(np.abs(step - usual) > 0.2 * usual) > 0.005),
        light=str(clip.light),
        light_why=why,
        share_saturated=saturated,
        share_lost=float(np.mean(~has)),
        share_usable=float(np.mean(log.weight > 0)),
        noise_even=ground.noise.even,
        noise_per_level=ground.noise.per_level,
        fwhm_px=float(2.3548 * np.median(width)) if len(width) else float("nan"),
        scatter_rest=scatter.rest,
        scatter_moving=scatter.moving,
        sigma_px=_typical(log),
        exposure_s=clip.exposure_s,
        notes=tuple(notes),
    )


def _typical(log: CameraLog) -> float:
    used = log.weight > 0
    both = np.concatenate((log.sigma_u_px[used], log.sigma_v_px[used]))
    return float(np.median(both)) if len(both) else float("nan")


__all__ = ["NOTES", "FilmFacts", "Followed", "Frame", "NoSpotError", "follow_film"]
