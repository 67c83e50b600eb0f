"""A film read frame by frame: from a video file, or from a folder of stills (`stills.py`).

A first look at the packets, without decoding, gives every frame's time and number, so that a frame
that later cannot be decoded still has its row. Pictures are handed on one at a time; nothing here
grows with the length of the film but the list of times.

Pixels count from 0 at the middle of the upper left one, after the film's own rotation.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt

from hysteresis.errors import InputError

Light = Literal["luma", "red", "green", "blue"]
LIGHTS: tuple[Light, ...] = ("luma", "red", "green", "blue")
Picture = npt.NDArray[np.uint8]
Look = Callable[[Light], Picture]
"""Gives one frame's (height, width) picture of a light measure, upright."""

NOT_DECODED = "not decoded"
TIME_REPEATED = "time repeated"
TIME_MISSING = "time missing"
LEAST_FRAMES = 60

_PIP = "install the camera extra: pip install 'hysteresis[camera]'"
_PLAIN_LUMA = {"yuv420p", "yuvj420p", "yuv422p", "yuvj422p", "yuv444p", "yuvj444p", "yuv411p",
               "nv12", "nv21", "nv16", "gray"}  # fmt: skip
_FULL_RANGE = 2  # AVCOL_RANGE_JPEG
_LIMITED_WHITE, _FULL_WHITE = 235, 255
_NO_FILMS = {"tty", "ass", "srt", "webvtt", "lrc"}  # what plain text is taken for


@dataclass(frozen=True)
class Raw:
    """One frame as it is read: `look` is None where it could not be decoded; time may be NaN."""

    number: int
    t_s: float
    look: Look | None


class Reader(Protocol):
    """Where the frames come from."""

    def read(self, start: int = 0) -> Iterator[Raw]:
        """Frames in order from the last one at or before `start` at which reading can begin."""
        ...


@dataclass(frozen=True)
class Frame:
    """One frame of a clip in the chosen measure of light; `light` is None if not decoded."""

    number: int
    t_s: float
    light: Picture | None


@dataclass(frozen=True)
class Clip:
    """A film that can be read from its beginning as often as is asked.

    count : frames it holds, as far as can be told before decoding.
    starts : numbers of frames at which reading can begin.
    white : grey level above which luma cannot go; channels always go to 255.
    exposure_s : where the files say it, else NaN.
    light : measure of light, 'auto' while it is still to be chosen.
    changes_only : most frames are stored as changes of others, and not quite truly.
    coarse_colour : colour is stored with fewer pixels than luma.
    notes : sentences about the file for the person.
    """

    path: Path
    width: int
    height: int
    count: int
    starts: npt.NDArray[np.int64]
    white: int
    exposure_s: float
    light: Light | Literal["auto"]
    notes: tuple[str, ...]
    reader: Reader
    changes_only: bool = False
    coarse_colour: bool = False

    def seen_as(self, light: Light) -> Clip:
        """The same clip in another measure of light."""
        return replace(self, light=light, white=self.white if light == "luma" else _FULL_WHITE)

    def frames(self) -> Iterator[Frame]:
        """All frames in order, in the clip's measure of light."""
        if self.light == "auto":
            raise ValueError("choose a measure of light first")
        for raw in self.reader.read():
            yield Frame(raw.number, raw.t_s, None if raw.look is None else raw.look(self.light))

    def some(self, numbers: Sequence[int]) -> Iterator[Raw]:
        """Frames of these rising numbers, as far as they can be decoded."""
        wanted, i = sorted(set(numbers)), 0
        while i < len(wanted):
            for raw in self.reader.read(wanted[i]):
                if raw.number < wanted[i]:
                    continue
                if raw.number == wanted[i]:
                    yield raw
                while i < len(wanted) and wanted[i] <= raw.number:
                    i += 1
                if i == len(wanted) or self._begin(wanted[i]) > raw.number + 1:
                    break
            else:
                return  # the film ended before

    def _begin(self, number: int) -> int:
        before = int(np.searchsorted(self.starts, number, side="right")) - 1
        return int(self.starts[max(before, 0)]) if len(self.starts) else 0


def open_clip(
    path: Path | str,
    *,
    light: Light | Literal["auto"] = "auto",
    frame_rate_hz: float | None = None,
) -> Clip:
    """Open a video file, or a folder of stills.

    frame_rate_hz : of stills whose files do not tell their times, and of a video without times.

    Raises
    ------
    InputError : PyAV is not there; no such file; not a video, or one that is cut off or empty;
        fewer than 60 frames; stills without times and no frame rate.
    """
    path = Path(path)
    if light != "auto" and light not in LIGHTS:
        raise InputError("no such measure of light", value=light, mend=f"write {', '.join(LIGHTS)}")
    if path.is_dir():
        from hysteresis.measure.stills import open_stills

        clip = replace(open_stills(path, frame_rate_hz), light=light)
    else:
        clip = replace(_open_video(path, frame_rate_hz), light=light)
    if clip.count < LEAST_FRAMES:
        raise InputError(
            f"the film holds {clip.count} frame{'s' * (clip.count != 1)}; at least {LEAST_FRAMES} "
            "are needed",
            file=path,
            mend="film the whole pattern",
        )
    return clip if light == "auto" else clip.seen_as(light)


def upright(picture: Picture, quarters: int) -> Picture:
    """A picture turned by so many quarter turns against the clock, in its own memory."""
    return np.ascontiguousarray(np.rot90(picture, quarters)) if quarters else picture


# ---- video -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class VideoReader:
    """Decodes one video file with PyAV. `pts` of all frames, sorted; empty: none are known.

    `fallback_s` is the time from frame to frame where there are no times.
    """

    path: Path
    pts: npt.NDArray[np.int64]
    keys: npt.NDArray[np.int64]
    tick_s: float
    fallback_s: float
    quarters: int

    def read(self, start: int = 0) -> Iterator[Raw]:
        import av

        at = 0
        with av.open(str(self.path)) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            # a frame is handed out late when many threads hold one each; two cores are enough
            stream.codec_context.thread_count = 0
            if start and len(self.keys) and len(self.pts):
                before = int(np.searchsorted(self.keys, start, side="right")) - 1
                key = int(self.keys[max(before, 0)])
                if key > 0:
                    with contextlib.suppress(av.error.FFmpegError):
                        container.seek(int(self.pts[key]), stream=stream, backward=True)
                        at = key
            if len(self.pts):
                yield from self._by_time(_decoded(container, stream), at)
            else:
                for number, frame in enumerate(_decoded(container, stream)):
                    yield Raw(number, number * self.fallback_s, self._look(frame))

    def _by_time(self, decoded: Iterator[Any], at: int) -> Iterator[Raw]:
        """Frames at their numbers by their time; numbers that do not come are not decoded."""
        first = True
        for frame in decoded:
            if frame.pts is None or frame.pts < self.pts[min(at, len(self.pts) - 1)]:
                if not first:
                    continue  # a second picture of a time that has its own already
                at = int(np.searchsorted(self.pts, frame.pts)) if frame.pts is not None else at
            first = False
            while at < len(self.pts) and self.pts[at] < frame.pts:
                yield Raw(at, self._time(at), None)
                at += 1
            if at < len(self.pts) and self.pts[at] == frame.pts:
                look = None if frame.is_corrupt else self._look(frame)
                yield Raw(at, self._time(at), look)
                at += 1
        for number in range(at, len(self.pts)):
            yield Raw(number, self._time(number), None)

    def _time(self, number: int) -> float:
        return float((self.pts[number] - self.pts[0]) * self.tick_s)

    def _look(self, frame: Any) -> Look:
        def look(light: Light) -> Picture:
            return upright(_light_of(frame, light), self.quarters)

        return look


def _decoded(container: Any, stream: Any) -> Iterator[Any]:
    """Whatever can be decoded; a broken packet is passed over, its number stays open."""
    import av

    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except av.error.FFmpegError:
            packet = None  # the file ends in the middle of a packet: hand out what is held
        with contextlib.suppress(av.error.FFmpegError):
            yield from stream.decode(packet) if packet is None else packet.decode()
        if packet is None:
            return


def _light_of(frame: Any, light: Light) -> Picture:
    """Luma as it is stored, or a colour channel in full range."""
    if light == "luma":
        if frame.format.name not in _PLAIN_LUMA:
            frame = frame.reformat(format="gray")
        return _plane(frame, 0)
    planar = frame.reformat(format="gbrp")
    return _plane(planar, {"green": 0, "blue": 1, "red": 2}[light])


def _plane(frame: Any, number: int) -> Picture:
    plane = frame.planes[number]
    rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    return rows[: frame.height, : frame.width]


def _open_video(path: Path, frame_rate_hz: float | None) -> Clip:
    try:
        import av
    except ImportError:
        raise InputError("reading a film needs PyAV, which is not installed", mend=_PIP) from None
    _check_file(path)
    notes: list[str] = []
    try:
        with av.open(str(path)) as container:
            if not container.streams.video or container.format.name in _NO_FILMS:
                raise InputError("this file holds no film", file=path, mend="name a video file")
            stream = container.streams.video[0]
            pts, keys, broken = _packets(container, stream)
            tick_s = float(stream.time_base or 0.0)
            rate = float(stream.average_rate or stream.guessed_rate or 0.0)
            promised_s = (container.duration or 0) / 1e6
            lossy = bool(stream.codec_context.codec.lossy)
        if not pts:
            raise InputError(
                "the film holds no frames: it is empty, or cut off behind its header",
                file=path, mend="copy it again, or film again",
            )  # fmt: skip
        first = _first_frame(path)
    except av.error.FFmpegError as error:
        cut = b"ftyp" in path.open("rb").read(64)
        raise InputError(
            "this video has no end, so no player can read it (the recording or the copying was "
            "broken off)"
            if cut
            else f"this cannot be read as a film ({_said(error)})",
            file=path,
            mend="copy it again, or film again" if cut else "name a video or a folder of stills",
        ) from None
    turn = round(float(first.rotation) / 90.0) % 4
    known = [p for p in pts if p is not None]
    fallback_s = 1.0 / (frame_rate_hz or rate or 30.0)
    if len(known) < len(pts):
        notes.append(
            f"the film does not tell the time of {'any' if not known else len(pts) - len(known)} "
            f"frame{'s' * (len(pts) - len(known) > 1)}: they are taken to be evenly spaced at "
            f"{1 / fallback_s:.4g} frames/s"
        )
        order = np.empty(0, np.int64)
        starts: npt.NDArray[np.int64] = np.zeros(1, np.int64)
    else:
        order = np.array(known, np.int64)
        by_time = np.argsort(order, kind="stable")
        order = order[by_time]
        starts = np.flatnonzero(np.array(keys)[by_time]).astype(np.int64)
        reached_s = float(order[-1] - order[0]) * tick_s
        if broken or promised_s - reached_s > max(0.5, 0.01 * promised_s):
            notes.append(
                f"the file breaks off: {reached_s:.1f} s of {promised_s:.1f} s are there"
                if promised_s - reached_s > 0.5
                else "the file breaks off within its last frames"
            )
        doubled = int((np.diff(order) == 0).sum())
        if doubled:
            notes.append(f"{doubled} frames bear the same time as the one before")
    if turn:
        notes.append(f"the film is turned by {90 * (turn if turn < 3 else -1)}° as its file says")
    full = first.color_range == _FULL_RANGE or first.format.name.startswith(("yuvj", "gray", "rgb"))
    reformatted = first.format.name not in _PLAIN_LUMA
    size = (first.height, first.width) if turn % 2 else (first.width, first.height)
    return Clip(
        path=path,
        width=size[0],
        height=size[1],
        count=len(pts),
        starts=starts,
        white=_FULL_WHITE if full or reformatted else _LIMITED_WHITE,
        exposure_s=float("nan"),
        light="auto",
        notes=tuple(notes),
        reader=VideoReader(path, order, starts, tick_s, fallback_s, turn),
        changes_only=lossy and not all(keys),
        coarse_colour=first.format.chroma_width(first.width) < first.width,
    )


def _packets(container: Any, stream: Any) -> tuple[list[int | None], list[bool], bool]:
    """Times and key marks of all packets in the order of the file; whether it breaks off."""
    import av

    pts: list[int | None] = []
    keys: list[bool] = []
    try:
        for packet in container.demux(stream):
            if packet.size and not packet.is_discard:
                pts.append(packet.pts)
                keys.append(bool(packet.is_keyframe))
    except av.error.FFmpegError:
        return pts, keys, True
    return pts, keys, False


def _first_frame(path: Path) -> Any:
    import av

    with av.open(str(path)) as container:
        for frame in _decoded(container, container.streams.video[0]):
            return frame
    raise InputError(
        "not one frame of this film can be decoded", file=path,
        mend="save it again with another codec, such as H.264",
    )  # fmt: skip


def _check_file(path: Path) -> None:
    try:
        if not path.exists():
            raise InputError("there is no such file", file=path, mend="check the name and folder")
        if not path.is_file():
            raise InputError("this is not an ordinary file", file=path, mend="name a video file")
        if path.stat().st_size == 0:
            raise InputError("the file is empty", file=path, mend="film again")
        with open(path, "rb"):
            pass
    except (OSError, ValueError) as error:
        raise InputError(f"this file cannot be reached: {error}", file=path) from error


def _said(error: Exception) -> str:
    """What the library says, without its number and the file's name."""
    return str(getattr(error, "strerror", "") or error).lower()
