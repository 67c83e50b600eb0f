"""Small films of a spot with known truth, drawn here and encoded by PyAV.

The spot is a Gaussian integrated over each pixel (error function), moved during the exposure in
eleven steps; shot and read noise are normal, independent of pixel and frame. None of it is shared
with what is tested.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from scipy.special import erf

STEPS = 11


def gaussian(height, width, u, v, sigma):
    """Light of 1 in all, integrated over each pixel."""

    def along(count, at):
        edges = np.arange(count + 1) - 0.5
        return np.diff(0.5 * erf((edges - at) / (sigma * np.sqrt(2.0))))

    return np.outer(along(height, v), along(width, u))


@dataclass
class Scene:
    """What is filmed. `path` (frames + 1, 2): places at the frames' starts; NaN: beam off."""

    path: np.ndarray
    height: int = 240
    width: int = 320
    sigma: float = 2.5
    top: float = 150.0  # grey levels of the resting spot above the ground
    read: float = 1.2
    per_level: float = 0.06
    exposure: float = 0.5  # of the frame
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    room: float = 1.0
    drift: float = 0.0  # share by which the room gets brighter over the film
    seed: int = 0
    ghosts: list = field(default_factory=list)  # (k, u, v, share): per frame k or None for all

    def ground(self) -> np.ndarray:
        """Room light falling off to a side, with a printed target of dark squares."""
        v, u = np.mgrid[: self.height, : self.width]
        light = 38.0 + 14.0 * u / self.width + 6.0 * v / self.height
        printed = ((u // 24) % 4 == 0) & ((v // 24) % 3 == 0)
        return self.room * np.where(printed, 0.35 * light, light)

    def _add(self, picture, u, v, flux):
        """Draw a spot out to 7 standard deviations (1e-11 of its light)."""
        reach = int(7 * self.sigma) + 1
        low_u, low_v = max(int(u) - reach, 0), max(int(v) - reach, 0)
        part = picture[low_v : max(int(v) + reach, 0), low_u : max(int(u) + reach, 0)]
        if part.size:
            part += flux * gaussian(*part.shape, u - low_u, v - low_v, self.sigma)

    def frames(self):
        """Frames (h, w, 3) uint8, and the truth (n, 2): mean place over each exposure."""
        rng = np.random.default_rng(self.seed)
        ground = self.ground()
        n = len(self.path) - 1
        flux = self.top * 2.0 * np.pi * self.sigma**2
        for k in range(n):
            light = ground * (1.0 + self.drift * k / n)
            spot = np.zeros((self.height, self.width))
            share = (np.arange(STEPS) + 0.5) / STEPS * self.exposure
            step = self.path[k + 1] - self.path[k]
            moves = np.isfinite(step).all() and np.hypot(*step) < 60.0
            places = self.path[k] + np.outer(
                share if moves else 0.0 * share, step if moves else [0, 0]
            )
            if np.isfinite(self.path[k]).all():
                if not step.any() or not moves:
                    places = places[:1]
                for u, v in places:
                    self._add(spot, u, v, flux / len(places))
            for when, u, v, part in self.ghosts:
                if when is None or k in when:
                    self._add(spot, u, v, part * flux)
            mean = light[..., None] + spot[..., None] * np.array(self.colour)
            noise = (
                rng.standard_normal(mean.shape, np.float32)
                if len(set(self.colour)) > 1
                else np.repeat(
                    rng.standard_normal(mean.shape[:2], np.float32)[..., None], 3, axis=2
                )
            )
            mean, noise = mean.astype(np.float32), noise.astype(np.float32)
            seen = mean + noise * np.sqrt(self.read**2 + self.per_level * mean)
            yield np.clip(np.rint(seen), 0, 255).astype(np.uint8), places.mean(axis=0)


def rests_and_moves(frames, seed=0, width=320, height=240, margin=30.0):
    """A path that rests, ramps, jumps and sweeps; (frames + 1, 2)."""
    rng = np.random.default_rng([seed, 77])
    low, high = np.array([margin, margin]), np.array([width - margin, height - margin])
    out = [rng.uniform(low, high)]
    while len(out) < frames + 1:
        to = rng.uniform(low, high)
        kind = rng.integers(3)
        if kind == 0:  # jump, then rest
            out += [to] * int(rng.integers(15, 40))
        elif kind == 1:  # ramp
            steps = int(rng.integers(8, 40))
            out += [out[-1] + (to - out[-1]) * (k + 1) / steps for k in range(steps)]
        else:
            out += [out[-1]] * int(rng.integers(10, 30))
    return np.array(out[: frames + 1])


def encode(file: Path, frames, *, codec="libx264", rate=30, pts=None, options=None, pix="yuv420p"):
    """Write frames (h, w, 3); `pts` in ms for a film of varying rate."""
    options = (
        {"crf": "20", "preset": "medium"} if options is None and codec == "libx264" else options
    )
    with av.open(str(file), "w") as out:
        stream = out.add_stream(codec, rate=rate)
        stream.pix_fmt = pix
        stream.options = options or {}
        if codec == "mpeg4" or codec == "mjpeg":
            stream.codec_context.qmin = stream.codec_context.qmax = 3
        base = Fraction(1, 1000) if pts is not None else None
        if base is not None:
            stream.codec_context.time_base = base
        for k, picture in enumerate(frames):
            if k == 0:
                stream.height, stream.width = picture.shape[:2]
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            if pts is not None:
                frame.pts, frame.time_base = int(pts[k]), base
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return file


def film(file: Path, scene: Scene, **settings):
    """Encode a scene; returns the truth (n, 2)."""
    truth = []

    def drawn():
        for picture, place in scene.frames():
            truth.append(place)
            yield picture

    encode(file, drawn(), **settings)
    return np.array(truth)


def damaged(source: Path, file: Path, which, seed=0):
    """A copy of a film in which three bytes of the packets `which` are wrong."""
    rng = np.random.default_rng(seed)
    with av.open(str(source)) as film_in, av.open(str(file), "w") as out:
        stream = out.add_stream_from_template(film_in.streams.video[0])
        for k, packet in enumerate(film_in.demux(video=0)):
            if not packet.size:
                continue
            data = bytearray(bytes(packet))
            if k in which:
                for at in rng.integers(min(20, len(data) - 1), len(data), 3):
                    data[at] ^= int(rng.integers(1, 256))
            copy = av.Packet(bytes(data))
            copy.pts, copy.dts, copy.time_base = packet.pts, packet.dts, packet.time_base
            copy.is_keyframe, copy.stream = packet.is_keyframe, stream
            out.mux(copy)
    return file
