"""What a film shows besides the spot: the light that stands still, its noise, the best colour.

All of it comes from a few sampled frames, each with the frame after it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from hysteresis.errors import InputError
from hysteresis.kernels.spot_light import BLOB_FIELDS, bright_blobs, mean_of_free
from hysteresis.measure.film_frames import LIGHTS, Clip, Light, Look, Picture
from hysteresis.tables import Bools, Floats

SAMPLES = 25
_FEW_SAMPLES, _LARGE = 13, 4_000_000  # of pictures of so many pixels, which fill the memory
_COLOUR_SAMPLES = 7
_BETTER, _BETTER_COARSE = 1.5, 5.0  # times luma's strength that a colour must have
_NOISE_PIXELS = 8000  # of each sample
_ENOUGH_STARTS = 12  # fewer: frames in between are decoded for the sample
_DARK_RANK = 0.05  # this share of the sampled frames may be darker: a spot may rest for the others
_LEAST_EXCESS = 6.0  # grey levels above the background, and
_EXCESS_SIGMAS = 5.0  # so many times the noise, is light of a spot
REACH = 2  # px between pixels that belong together


@dataclass(frozen=True)
class Noise:
    """Variance of a pixel of grey level L: even + per_level · L, in levels² (read, shot noise)."""

    even: float
    per_level: float

    def variance(self, level: Floats) -> Floats:
        return np.maximum(self.even + self.per_level * np.maximum(level, 0.0), 1.0 / 12.0)


@dataclass(frozen=True)
class Ground:
    """The standing light of a film (h, w) and the noise of its pixels."""

    light: Floats
    noise: Noise
    white: int

    def limit(self, gain: float) -> Picture:
        """Grey levels above which a pixel has light of a spot, in a room `gain` times as bright."""
        level = gain * self.light
        excess = np.maximum(_LEAST_EXCESS, _EXCESS_SIGMAS * np.sqrt(self.noise.variance(level)))
        # a ground near white leaves nothing to see: 254 lets white itself count
        return np.minimum(np.rint(level + excess), 254.0).astype(np.uint8)


@dataclass(frozen=True)
class Sample:
    """Sampled frames (n, h, w), and the frame after each where there is one (else None)."""

    pictures: Picture
    after: tuple[Picture | None, ...]


def take_frames(clip: Clip, told: Callable[[float], None] | None = None) -> dict[int, Look]:
    """Frames from all over the film by their numbers, of every second one also the next.

    They come from places where decoding can begin if there are enough; otherwise the film is
    decoded once. Raises `InputError` when hardly any frame can be decoded.
    """
    numbers = sample_numbers(clip, SAMPLES if clip.width * clip.height < _LARGE else _FEW_SAMPLES)
    wanted = set(numbers) | {n + 1 for n in numbers[::2] if n + 1 < clip.count}
    found: dict[int, Look] = {}
    for raw in clip.some(sorted(wanted)):
        if raw.look is not None:
            found[raw.number] = raw.look
        if told is not None:
            told(raw.number / clip.count)
    if len(found) < 5:
        raise InputError(
            "hardly any frame of this film can be decoded",
            file=clip.path,
            mend="save it again with another codec, such as H.264",
        )
    return found


def sampled(found: dict[int, Look], light: Light) -> Sample:
    """The frames in one measure of light; a frame after another is no sample of its own."""
    firsts = [n for n in sorted(found) if n - 1 not in found]
    after = tuple(found[n + 1](light) if n + 1 in found else None for n in firsts)
    return Sample(np.stack([found[n](light) for n in firsts]), after)


def sample_numbers(clip: Clip, most: int) -> list[int]:
    """Up to so many frame numbers, spread over the film."""
    pool = clip.starts if len(clip.starts) >= _ENOUGH_STARTS else np.arange(clip.count - 1)
    pick = np.unique(np.rint(np.linspace(0, len(pool) - 1, min(most, len(pool)))).astype(int))
    return [int(n) for n in pool[pick]]


def standing_light(sample: Sample, white: int) -> Ground:
    """Background and noise.

    A spot may stand at one place for most of the film, so a low rank over the samples is the
    first guess; what it makes out as spots is cut out, and the middle of the rest is taken.
    """
    pictures = sample.pictures
    count, height, width = pictures.shape
    rank = max(int(_DARK_RANK * count), 1) if count >= 8 else 0
    dark = _rising(pictures, rank)
    # Blom's approximation of a normal order statistic's expectation, from memory
    below = -NormalDist().inv_cdf((rank + 1 - 0.375) / (count + 0.25))
    even = _residual_noise(pictures, dark.astype(float), np.zeros(pictures.shape, bool))
    first = dark + below * np.sqrt(even.variance(dark.astype(float)))
    rough = Ground(first, even, white)
    limit = rough.limit(1.0)
    spots = np.zeros(pictures.shape, bool)
    for k in range(count):
        for box in _boxes(pictures[k], limit):
            spots[k][box] = True
    ground = np.empty((height, width))
    mean_of_free(pictures, spots, 4.0 * float(np.sqrt(even.variance(first).max())), first, ground)
    noise = _residual_noise(pictures, ground, spots)
    return Ground(ground, _with_cores(noise, sample, spots, ground, white), white)


def _rising(pictures: Picture, rank: int) -> Picture:
    """The value of this low rank (0: darkest) at every pixel of some pictures (n, h, w)."""
    lowest = np.full((rank + 1, *pictures.shape[1:]), 255, np.uint8)
    for picture in pictures:
        rest = picture
        for k in range(rank + 1):
            lowest[k], rest = np.minimum(lowest[k], rest), np.maximum(lowest[k], rest)
    return lowest[rank]


def _boxes(picture: Picture, limit: Picture) -> list[tuple[slice, slice]]:
    """Where spots are, with a rim of half their size."""
    blobs = np.zeros((12, BLOB_FIELDS))
    mark, stack = np.zeros(picture.shape, np.uint8), np.empty(picture.size, np.int32)
    found, _ = bright_blobs(picture, limit, REACH, mark, stack, blobs)
    out = []
    for count, _, u0, u1, v0, v1, _ in blobs[:found]:
        if count < 3:
            continue
        rim = 4 + int(0.5 * max(min(u1 - u0, v1 - v0), 2))
        out.append(
            (
                slice(max(int(v0) - rim, 0), int(v1) + rim + 1),
                slice(max(int(u0) - rim, 0), int(u1) + rim + 1),
            )
        )
    return out


def _residual_noise(pictures: Picture, ground: Floats, spots: Bools) -> Noise:
    """Noise against level of the samples about the ground, a straight line through levels.

    Some thousand pixels of each; single far ones (something else moved) are left out.
    """
    levels, squares = [], []
    stride = max(ground.size // _NOISE_PIXELS, 1) | 1
    flat = ground.ravel()[::stride]
    for picture, spot in zip(pictures, spots, strict=True):
        off = picture.ravel()[::stride] - flat
        off = off - np.median(off)
        free = ~spot.ravel()[::stride]
        levels.append(flat[free])
        squares.append(off[free] ** 2)
    level, square = np.concatenate(levels), np.concatenate(squares)
    return _line(*_binned(level, square, 300))


def _binned(level: Floats, square: Floats, least: int) -> tuple[Floats, Floats, Floats]:
    """Mean level, trimmed mean square and weight, by steps of 8 grey levels."""
    step = (level / 8.0).astype(int)
    out = []
    for k in np.unique(step):
        inside = step == k
        if inside.sum() < least:
            continue
        own = square[inside]
        own = own[own <= 20.0 * max(float(np.quantile(own, 0.7)), 0.25)]
        out.append((float(level[inside].mean()), float(own.mean()), float(len(own))))
    table = np.array(out).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _line(level: Floats, square: Floats, weight: Floats) -> Noise:
    """even + per_level · level with both ≥ 0, relative errors weighted by the root of the count."""
    from scipy.optimize import nnls

    if not len(level):
        return Noise(1.0, 0.0)
    scale = np.minimum(weight, 2000.0) ** 0.5 / np.maximum(square, 0.1)
    columns = np.column_stack((np.ones_like(level), level)) * scale[:, None]
    even, per_level = nnls(columns, square * scale)[0]
    return Noise(max(float(even), 1.0 / 12.0), float(per_level))


def _with_cores(noise: Noise, sample: Sample, spots: Bools, ground: Floats, white: int) -> Noise:
    """The noise line drawn on to the bright middles of spots that stood still for two frames.

    A small motion changes the middle by a plane (the slope of a Gaussian is linear there), which
    is taken out.
    """
    level, square = [], []
    for k, after in enumerate(sample.after):
        if after is None or not spots[k].any():
            continue
        rows, columns = np.flatnonzero(spots[k].any(axis=1)), np.flatnonzero(spots[k].any(axis=0))
        box = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
        before, later = sample.pictures[k][box].astype(float), after[box].astype(float)
        mean = 0.5 * (before + later)
        lit = mean - ground[box]
        core = lit > 0.75 * float(lit.max())
        v, u = np.nonzero(core)
        if len(u) < 8 or lit.max() < 30.0 or mean[core].max() > white - 6:
            continue
        design = np.column_stack((np.ones(len(u)), u, v))
        change = later[core] - before[core]
        rest = change - design @ np.linalg.lstsq(design, change, rcond=None)[0]
        if np.ptp(u) * np.ptp(v) > 4 * len(u) or change.std() > 0.15 * lit.max():
            continue  # it moved, or there are two
        level.append(float(mean[core].mean()))
        square.append(float(rest @ rest) / (len(u) - 3) / 2.0)
    if len(level) < 3 or noise.per_level * np.median(level) > 2.0 * noise.even:
        return noise  # the background's own levels say it well
    slope = (float(np.median(square)) - noise.even) / float(np.median(level))
    return Noise(noise.even, max(slope, 0.0))


# ---- which measure of light --------------------------------------------------------------------


@dataclass(frozen=True)
class Choice:
    """The chosen measure with, per measure, contrast over noise and whether the spot is clipped."""

    light: Light
    strength: dict[Light, float]
    clipped: dict[Light, bool]

    def sentence(self) -> str:
        open_ones = [m for m in LIGHTS if not self.clipped[m]]
        if self.light == "luma" and self.clipped["luma"] and open_ones:
            return (
                f"luma; the spot does not saturate in the {' and '.join(open_ones)} channel, but "
                "colour is stored with fewer pixels"
            )
        if self.light == "luma":
            return "luma shows the spot about as well as any colour"
        mine, luma = self.strength[self.light], self.strength["luma"]
        if self.clipped["luma"] and not self.clipped[self.light]:
            return f"the {self.light} channel, where the spot does not saturate as it does in luma"
        return f"the {self.light} channel, where the spot stands out {mine / luma:.1f} times better"


def choose_light(clip: Clip, found: dict[int, Look]) -> Choice:
    """Luma, or the channel in which the spot stands out far better or does not saturate.

    Luma has the full resolution and costs least, so a channel must be half as strong again. Where
    colour is stored with fewer pixels than luma, a channel's errors are about twice as large for
    the same contrast and more (films of our own, rms: green 0.12 against luma's 0.06 px on fast
    faint streaks; red, though four times as strong, 0.10 against 0.09 px), so it must be 5 times
    as strong; and clipping costs little (0.04 px there), so a clipped luma stays.
    """
    numbers = [n for n in sorted(found) if n - 1 not in found]
    numbers = numbers[:: max(len(numbers) // _COLOUR_SAMPLES, 1)]
    strength: dict[Light, float] = {}
    clipped: dict[Light, bool] = {}
    for light in LIGHTS:
        pictures = np.stack([found[n](light) for n in numbers])
        strength[light], clipped[light] = _standing_out(pictures, clip.seen_as(light).white)
    open_ones = [m for m in LIGHTS if not clipped[m] and strength[m] >= 25.0]
    pool = list(LIGHTS) if clip.coarse_colour else open_ones or list(LIGHTS)
    best = max(pool, key=lambda m: strength[m])
    better = _BETTER_COARSE if clip.coarse_colour else _BETTER
    luma_will_do = "luma" in pool and better * strength["luma"] >= strength[best]
    return Choice("luma" if luma_will_do else best, strength, clipped)


def _standing_out(pictures: Picture, white: int) -> tuple[float, bool]:
    """Contrast over noise, and whether the spot is clipped in most of these pictures."""
    dark = pictures.min(axis=0)
    contrast, noise, clipped = [], [], []
    for picture in pictures:
        excess = picture - dark  # never below 0
        above = np.cumsum(np.bincount(excess.ravel(), minlength=256)[::-1])
        contrast.append(255.0 - float(np.argmax(above >= 8)))
        part = excess.ravel()[::17].astype(float)
        part = part[part <= np.quantile(part, 0.98)]
        noise.append(float(part.std()))
        clipped.append(is_flat_topped(picture, excess, white))
    strength = float(np.median(contrast)) / max(float(np.median(noise)), 0.7)
    return strength, float(np.mean(clipped)) > 0.5


def is_flat_topped(picture: Picture, excess: Picture, white: int) -> bool:
    """Whether the brightest spot is clipped: at white, or flat below it.

    Of a Gaussian's area above half of its top, ln 0.95 / ln 0.5 = 7 % lie above 95 % of the top.
    """
    top = float(excess.max())
    half = int((excess > 0.5 * top).sum())
    at_white = int(((picture >= white - 2) & (excess > 0.5 * top)).sum())
    if at_white >= 4:
        return True
    return top > 30 and half >= 20 and int((excess > 0.95 * top).sum()) > 0.35 * half
