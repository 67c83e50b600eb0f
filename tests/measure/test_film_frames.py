"""Reading films: times, numbers, turns, broken files; everything has its row or its sentence."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from hysteresis.errors import InputError
from hysteresis.measure.film_frames import open_clip

from .clips import Scene, encode, film, rests_and_moves

FRAMES = 90


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("films")


@pytest.fixture(scope="module")
def scene() -> Scene:
    return Scene(rests_and_moves(FRAMES, 3), height=120, width=160)


def numbers_and_times(clip):
    frames = list(clip.frames())
    return [f.number for f in frames], np.array([f.t_s for f in frames]), frames


@pytest.mark.parametrize(
    ("name", "codec", "pix"),
    [
        ("a.mp4", "libx264", "yuv420p"),
        ("a.mkv", "libx264", "yuv420p"),
        ("a.ts", "libx264", "yuv420p"),
        ("a.avi", "mpeg4", "yuv420p"),
        ("a.mov", "mjpeg", "yuvj420p"),
        ("b.mp4", "libx264", "yuv420p10le"),
    ],
)
def test_every_frame_once_at_its_time(folder, scene, name, codec, pix) -> None:
    film(folder / name, scene, codec=codec, pix=pix)
    clip = open_clip(folder / name, light="luma")
    numbers, t_s, frames = numbers_and_times(clip)
    assert clip.count == FRAMES and numbers == list(range(FRAMES))
    assert t_s == pytest.approx(np.arange(FRAMES) / 30, abs=6e-4)  # mkv tells whole milliseconds
    assert all(f.light is not None and f.light.shape == (120, 160) for f in frames)


def test_varying_times_are_kept(folder, scene) -> None:
    pts = np.cumsum(np.where(np.arange(FRAMES) % 7 == 0, 50, 33))
    film(folder / "vary.mkv", scene, pts=pts)
    _, t_s, _ = numbers_and_times(open_clip(folder / "vary.mkv", light="luma"))
    assert t_s == pytest.approx((pts - pts[0]) / 1000, abs=1e-9)


def test_some_frames_are_those_of_the_whole_film(folder, scene) -> None:
    film(folder / "some.mp4", scene, options={"crf": "20", "g": "15"})
    clip = open_clip(folder / "some.mp4", light="luma")
    assert len(clip.starts) >= FRAMES / 15
    whole = [f.light.copy() for f in clip.frames()]
    wanted = [0, 1, 17, 30, 31, 77, 89]
    got = {raw.number: raw.look("luma") for raw in clip.some(wanted)}
    assert sorted(got) == wanted
    assert all(np.array_equal(got[n], whole[n]) for n in wanted)


def test_colour_channels(folder) -> None:
    picture = np.zeros((64, 80, 3), np.uint8)
    picture[:, :40] = (200, 60, 30)
    picture[:, 40:] = (20, 50, 180)
    encode(folder / "colour.mp4", [picture] * 70, pix="yuv444p", options={"crf": "5"})
    clip = open_clip(folder / "colour.mp4")
    for channel, name in enumerate(("red", "green", "blue")):
        light = next(clip.seen_as(name).frames()).light.astype(int)
        assert light[30, 20] == pytest.approx(int(picture[30, 20, channel]), abs=6)
        assert light[30, 60] == pytest.approx(int(picture[30, 60, channel]), abs=6)


def test_a_turned_film_is_set_upright(folder) -> None:
    """Matrix of the track header by hand: a quarter turn clockwise (ISO/IEC 14496-12)."""
    picture = np.full((64, 96, 3), 30, np.uint8)
    picture[4:12, 80:92] = 220  # upper right; a quarter turn clockwise takes it to the lower right
    encode(folder / "turned.mp4", [picture] * 70)
    data = bytearray((folder / "turned.mp4").read_bytes())
    at = data.index(b"tkhd") + 4 + 40  # behind version, times, track, duration, layer, volume
    one = 1 << 16
    data[at : at + 36] = struct.pack(">9i", 0, one, 0, -one, 0, 0, 64 * one, 0, 1 << 30)
    (folder / "turned.mp4").write_bytes(data)
    clip = open_clip(folder / "turned.mp4", light="luma")
    assert (clip.width, clip.height) == (64, 96)
    light = next(clip.frames()).light
    assert light.shape == (96, 64)
    v, u = np.argwhere(light > 150).mean(axis=0)
    # column 85.5, row 7.5 of 64 rows go to row 85.5 and column 63 − 7.5
    assert (u, v) == pytest.approx((55.5, 85.5), abs=1.0)
    assert any("turned" in note for note in clip.notes)


def test_a_cut_film_gives_what_is_there_and_says_so(folder, scene) -> None:
    film(folder / "cut.mkv", scene)
    data = (folder / "cut.mkv").read_bytes()
    (folder / "cut.mkv").write_bytes(data[: len(data) * 3 // 4])
    clip = open_clip(folder / "cut.mkv", light="luma")
    numbers, _, _ = numbers_and_times(clip)
    assert 60 <= len(numbers) < FRAMES and numbers == list(range(len(numbers)))
    assert any("breaks off" in note for note in clip.notes)


def test_a_damaged_film_keeps_a_row_for_every_frame(folder, scene) -> None:
    """A packet that is no picture at all: its frame has a row without light."""
    import av

    film(folder / "whole.mkv", scene, codec="mjpeg", pix="yuvj420p")
    with (
        av.open(str(folder / "whole.mkv")) as source,
        av.open(str(folder / "damaged.mkv"), "w") as out,
    ):
        stream = out.add_stream_from_template(source.streams.video[0])
        for k, packet in enumerate(source.demux(video=0)):
            if packet.size:
                data = bytes(40) if k in (20, 21, 50) else bytes(packet)
                copy = av.Packet(data)
                copy.pts, copy.dts, copy.time_base = packet.pts, packet.dts, packet.time_base
                copy.is_keyframe, copy.stream = True, stream
                out.mux(copy)
    numbers, t_s, frames = numbers_and_times(open_clip(folder / "damaged.mkv", light="luma"))
    assert numbers == list(range(FRAMES))
    assert [f.number for f in frames if f.light is None] == [20, 21, 50]
    assert t_s == pytest.approx(np.arange(FRAMES) / 30, abs=6e-4)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("text.mp4", b"t_s,u_px\n1,2\n" * 400, "cannot be read as a film"),
        ("text.txt", b"hello\n" * 400, "holds no film"),
        ("empty.mp4", b"", "is empty"),
        ("noise.avi", np.random.default_rng(0).bytes(9000), "cannot be read as a film"),
    ],
)
def test_what_is_no_film_is_refused(folder, name, content, words) -> None:
    (folder / name).write_bytes(content)
    with pytest.raises(InputError, match=words):
        open_clip(folder / name)


def test_a_film_without_its_end_is_refused(folder, scene) -> None:
    film(folder / "endless.mp4", scene)
    data = (folder / "endless.mp4").read_bytes()
    (folder / "endless.mp4").write_bytes(data[: len(data) // 2])
    with pytest.raises(InputError, match="no end"):
        open_clip(folder / "endless.mp4")


def test_a_short_film_is_refused(folder) -> None:
    film(
        folder / "short.mp4",
        Scene(
            rests_and_moves(40, 1),
            height=64,
            width=80,
        ),
    )
    with pytest.raises(InputError, match="40 frames; at least 60"):
        open_clip(folder / "short.mp4")


def test_no_such_file(folder) -> None:
    with pytest.raises(InputError, match="no such file"):
        open_clip(folder / "nothing.mp4")


# ---- stills ------------------------------------------------------------------------------------


def stills(folder: Path, scene: Scene, exif_of=None, ending=".png") -> None:
    folder.mkdir()
    for k, (picture, _) in enumerate(scene.frames()):
        image = Image.fromarray(picture)
        image.save(folder / f"frame {k + 1}{ending}", **(exif_of(k) if exif_of else {}))


def test_stills_are_sorted_as_people_count(folder, scene) -> None:
    stills(folder / "plain", scene)
    clip = open_clip(folder / "plain", light="green", frame_rate_hz=25.0)
    frames = list(clip.frames())
    truth = [picture[..., 1] for picture, _ in scene.frames()]
    assert all(np.array_equal(f.light, t) for f, t in zip(frames, truth, strict=True))
    assert [f.t_s for f in frames] == pytest.approx(np.arange(FRAMES) / 25)
    assert any("25 frames/s" in note for note in clip.notes)


def test_stills_without_times_and_rate_are_refused(folder, scene) -> None:
    stills(folder / "timeless", scene)
    with pytest.raises(InputError, match="frame_rate_hz"):
        open_clip(folder / "timeless")


def test_times_and_exposure_of_stills(folder, scene) -> None:
    def exif_of(k: int) -> dict:
        exif = Image.Exif()
        inner = exif.get_ifd(0x8769)
        ms = 40 * k + (7 if k == 5 else 0)
        inner[0x9003] = f"2024:05:01 10:00:{30 + ms // 1000:02d}"
        inner[0x9291] = f"{ms % 1000:03d}"
        inner[0x829A] = IFDRational(1, 125)
        return {"exif": exif}

    stills(folder / "timed", scene, exif_of, ".jpg")
    clip = open_clip(folder / "timed", light="luma")
    t_s = np.array([f.t_s for f in clip.frames()])
    wanted = 0.04 * np.arange(FRAMES)
    wanted[5] += 0.007
    assert t_s == pytest.approx(wanted, abs=1e-9)
    assert clip.exposure_s == pytest.approx(0.008)


def test_a_broken_still_has_its_row(folder, scene) -> None:
    stills(folder / "broken", scene)
    (folder / "broken" / "frame 12.png").write_bytes(b"no picture")
    Image.new("RGB", (50, 40)).save(folder / "broken" / "frame 20.png")
    clip = open_clip(folder / "broken", light="luma", frame_rate_hz=30.0)
    assert [f.number for f in clip.frames() if f.light is None] == [11, 19]


def test_a_folder_without_pictures_is_refused(folder) -> None:
    (folder / "bare").mkdir()
    with pytest.raises(InputError, match="no pictures"):
        open_clip(folder / "bare")
