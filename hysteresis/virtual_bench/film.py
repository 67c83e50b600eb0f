"""Films of a simulated rig: frames as a webcam would deliver them, and the truth beside them.

The sensor is linear (no gamma curve), its noise is normal with the variance of shot and read
noise, independent per pixel and colour. The spot's surroundings get fresh noise in every frame; the
rest of the picture reuses a few ready-made fields, shifted and turned over at random. A print on
the plane is lit by the room, but does not dim the spot. Times are those of the drive clock.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.tables import Bools, Floats, Ints
from hysteresis.virtual_bench import film_light as light
from hysteresis.virtual_bench.camera import TrueCamera, camera_of, true_camera
from hysteresis.virtual_bench.film_look import FilmLook, check_look, glints_of, intervals
from hysteresis.virtual_bench.film_scene import Lens, on_the_plane, project, room_light
from hysteresis.virtual_bench.play import Played

Picture = npt.NDArray[np.uint8]  # (height, width, 3), red, green, blue

TICKS_PER_S = 90_000  # of the film's time stamps
NOISE_FIELDS, SHIFTS = 4, 32
REACH, EDGE = 5.0, 3.0  # standard deviations of the spot: drawn so far; cut when closer to the edge
STEP = 0.25  # standard deviations of the spot by which a blurred spot is moved on


@dataclass(frozen=True)
class FilmTruth:
    """What is true of each frame of a film, in its order; columns (n,).

    `number` in the film, from 0. `exposure` : running number of the exposure, which counts dropped
    ones and stays where a picture is repeated. `start_s` : start of exposure of the first row, on
    the drive clock. `stamp_s` : as the film says. `u_px`, `v_px` : centre of the spot's light as
    the lens shows it (NaN when dark). `lit` : share of the exposure with the beam on. `saturated`
    : some pixel of the spot is cut off at 255. `ghost`, `glint` : such a reflection is in the
    picture. `edge_cut` : the spot is nearer than three standard deviations to the edge.

    stamp = clock_offset_s + (1 + clock_drift) · (start - drive's first vertex), but for noise.
    `mm_to_px` is the map of a perfect lens; `lens` bends its pixels; row v is exposed
    readout_s · v / height later than the first.
    """

    number: Ints
    exposure: Ints
    start_s: Floats
    stamp_s: Floats
    u_px: Floats
    v_px: Floats
    lit: Floats
    saturated: Bools
    ghost: Bools
    glint: Bools
    edge_cut: Bools
    clock_offset_s: float
    clock_drift: float
    exposure_s: float
    readout_s: float
    height: int
    mm_to_px: Floats = field(repr=False)
    lens: Lens

    def __len__(self) -> int:
        return len(self.number)

    @property
    def spot_start_s(self) -> Floats:
        """Start of exposure of the row in which the spot is; of the first row when it is dark."""
        row = np.where(np.isfinite(self.v_px), self.v_px, 0.0)
        return self.start_s + self.readout_s * row / self.height


@dataclass(frozen=True)
class Film:
    """A film that can be rendered: `frames(film)` draws it, `truth_of(film)` says what is in it.

    Columns (n,) per written frame: `exposure`, `start_s`, `stamp_s` as in `FilmTruth`, `level` of
    the room's light; `glints` (n, 4): place, size and brightness of a standing reflection, NaN
    where there is none. `way` : time, spot and beam, `ghost_way` the mirrored one.
    """

    look: FilmLook
    seed: int
    sequence: int
    camera: TrueCamera
    clock_offset_s: float
    exposure_s: float
    exposure: Ints
    start_s: Floats
    stamp_s: Floats
    level: Floats
    glints: Floats = field(repr=False)
    way: tuple[Floats, Floats, Floats, Bools] = field(repr=False)
    ghost_way: tuple[Floats, Floats, Floats, Bools] | None = field(repr=False)

    def __len__(self) -> int:
        return len(self.exposure)


def scaled(bench: Bench, true: TrueCamera, factor: float) -> tuple[Bench, TrueCamera]:
    """Bench and camera for a picture of `factor` times the width (pixel centres: whole numbers)."""
    shift = 0.5 * (factor - 1.0)
    camera = camera_of(bench)
    marks = tuple(
        m.model_copy(update={"u_px": factor * m.u_px + shift, "v_px": factor * m.v_px + shift})
        for m in camera.fiducials
    )
    larger = np.array([[factor, 0.0, shift], [0.0, factor, shift], [0.0, 0.0, 1.0]])
    return (
        bench.model_copy(update={"camera": camera.model_copy(update={"fiducials": marks})}),
        replace(true, mm_to_px=larger @ true.mm_to_px),
    )


def film_of(
    played: Played,
    bench: Bench,
    seed: int,
    look: FilmLook | None = None,
    *,
    true: TrueCamera | None = None,
    sequence: int = 0,
) -> Film:
    """A film of the played spots by camera number `seed`; nothing is rendered yet.

    `true` is the camera's place and clock (`true_camera` of the bench when left out). The film's
    first stamp is zero, as in a file. With a beam that is always on, the drive's beam is ignored.
    Raises InputError when the bench has no camera, or the look is none that can be rendered.
    """
    look = look or FilmLook()
    camera = camera_of(bench)
    true = true or true_camera(bench, seed, sequence=sequence)
    check_look(look)
    rng = np.random.default_rng([seed, 7, sequence])

    begin, end = played.t_s[0] - true.lead_s, played.t_s[-1] + true.tail_s
    interval = intervals(end - begin, 1.0 / camera.frame_rate_hz, look.slow, rng)
    start = begin + np.concatenate(([0.0], np.cumsum(interval)))
    start += rng.uniform(-look.jitter_s, look.jitter_s, len(start))
    start = start[start + camera.exposure_s + look.readout_s <= end]
    if len(start) < 1:
        raise InputError("the film is shorter than one frame", mend="play a longer drive")
    n = len(start)
    seen = rng.random(n) >= look.dropped
    seen[0] = True
    late = rng.normal(0.0, look.stamp_noise_s, n)
    late[0] = 0.0  # the film's clock begins there
    offset = -(1.0 + true.clock_drift) * (start[0] - played.t_s[0])
    stamp = offset + (1.0 + true.clock_drift) * (start - played.t_s[0]) + late
    shown = np.arange(n)
    again = rng.random(n) < look.repeated
    again[0] = False
    kept = np.flatnonzero(seen)
    last = np.concatenate(([0], kept[:-1]))
    shown[kept[again[kept]]] = last[again[kept]]
    ticks = np.round(stamp[kept] * TICKS_PER_S).astype(np.int64)
    ticks = np.maximum.accumulate(ticks - np.arange(len(kept))) + np.arange(len(kept))

    around = played.around
    lit = around.beam if bench.beam.mode == "switched" else np.ones_like(around.beam)
    u, v = project(true.mm_to_px, look.lens, around.x_mm, around.y_mm)
    centre = rng.uniform(0.45, 0.55, 2) * (look.width, look.height)
    ghost = (around.t_s, 2 * centre[0] - u, 2 * centre[1] - v, lit) if look.ghost else None
    drift = rng.uniform(0, 2 * np.pi, 2)
    level = 1.0 + look.drift * 0.7 * (
        np.sin(2 * np.pi * start / 47.0 + drift[0]) + np.sin(2 * np.pi * start / 173.0 + drift[1])
    )
    return Film(
        look, seed, sequence, true, offset, camera.exposure_s, shown[kept], start[shown[kept]],
        ticks / TICKS_PER_S, level[shown[kept]], glints_of(look, n, rng)[shown[kept]],
        (around.t_s, u, v, lit), ghost,
    )  # fmt: skip


def truth_of(film: Film) -> FilmTruth:
    """What is true of every frame; nothing is drawn but the spot itself, without noise."""
    n, look = len(film), film.look
    u, v, lit = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n)
    saturated, ghost, edge = np.zeros(n, bool), np.zeros(n, bool), np.zeros(n, bool)
    ground = _ground(film)
    for i in range(n):
        ghost[i] = film.ghost_way is not None and _drawn(film, i, ghost=True) is not None
        lit[i] = _lit_share(film, i)
        drawn = _drawn(film, i)
        if drawn is None or drawn.total <= 0.0:
            continue
        u[i], v[i], edge[i] = drawn.u_px, drawn.v_px, drawn.edge_cut
        rows, columns = drawn.place
        grey = ground[rows, columns] * film.level[i] + drawn.grey[..., None] * look.colour
        saturated[i] = bool(np.any(grey >= 255.0))
    return FilmTruth(
        np.arange(n), film.exposure, film.start_s, film.stamp_s, u, v, lit, saturated, ghost,
        np.isfinite(film.glints[:, 0]), edge, film.clock_offset_s, film.camera.clock_drift,
        film.exposure_s, look.readout_s, look.height, film.camera.mm_to_px, look.lens,
    )  # fmt: skip


def frames(film: Film) -> Iterator[Picture]:
    """Draw the film, one picture (height, width, 3) after the other; a new array each time."""
    look = film.look
    rng = np.random.default_rng([film.seed, 8, film.sequence])
    ground = _ground(film)
    flat = ground.reshape(look.height, -1)
    sigma = np.sqrt(look.read_noise**2 + look.shot_noise * flat)
    fields = [
        np.clip(
            np.round(
                light.NOISE_STEPS
                * rng.standard_normal((look.height + SHIFTS, flat.shape[1] + SHIFTS), np.float32)
            ), -127, 127,
        ).astype(np.int8)
        for _ in range(NOISE_FIELDS)
    ]  # fmt: skip
    colour = np.asarray(look.colour)
    before: Picture | None = None
    for i in range(len(film)):
        if before is not None and film.exposure[i] == film.exposure[i - 1]:
            yield before.copy()
            continue
        picture = np.empty((look.height, look.width, 3), np.uint8)
        down, right = rng.integers(0, SHIFTS + 1, 2)
        noise = fields[rng.integers(NOISE_FIELDS)]
        noise = noise[down : down + look.height, right : right + flat.shape[1]]
        if rng.random() < 0.5:
            noise = noise[::-1]
        sign = 1.0 if rng.random() < 0.5 else -1.0
        light.darkroom(flat, sigma, film.level[i], noise, sign, picture.reshape(look.height, -1))
        for rows, columns, grey in _lights(film, i):
            mean = ground[rows, columns] * film.level[i] + grey[..., None] * colour
            spread = np.sqrt(look.read_noise**2 + look.shot_noise * mean)
            noisy = mean + spread * rng.standard_normal(mean.shape)
            picture[rows, columns] = (np.clip(noisy, 0.0, 255.0) + 0.5).astype(np.uint8)
        before = picture
        yield picture


@dataclass(frozen=True)
class _Drawn:
    """The light of one spot on a box of pixels; `grey` (rows, columns) in the strongest colour."""

    place: tuple[slice, slice]
    grey: Floats
    total: float
    u_px: float
    v_px: float
    edge_cut: bool


def _lights(film: Film, i: int) -> list[tuple[slice, slice, Floats]]:
    """All light of frame i in boxes that do not overlap: where two do, they are made one."""
    every = (_drawn(film, i), _drawn(film, i, ghost=True), _glint(film, i))
    parts = [(*d.place, d.grey) for d in every if d is not None]
    while True:
        pair = next(
            (
                (a, b)
                for a in range(len(parts))
                for b in range(a)
                if _overlap(parts[a][:2], parts[b][:2])
            ),
            None,
        )
        if pair is None:
            return parts
        first, second = parts.pop(pair[0]), parts.pop(pair[1])
        box = [
            slice(min(p.start, q.start), max(p.stop, q.stop))
            for p, q in zip(first[:2], second[:2], strict=True)
        ]
        grey = np.zeros([s.stop - s.start for s in box])
        for rows, columns, part in (first, second):
            grey[
                rows.start - box[0].start : rows.stop - box[0].start,
                columns.start - box[1].start : columns.stop - box[1].start,
            ] += part
        parts.append((box[0], box[1], grey))


def _overlap(a: tuple[slice, ...], b: tuple[slice, ...]) -> bool:
    return all(p.start < q.stop and q.start < p.stop for p, q in zip(a, b, strict=True))


def _drawn(film: Film, i: int, *, ghost: bool = False) -> _Drawn | None:
    """The spot (or its ghost) of frame i; None where it is dark or out of the picture."""
    look = film.look
    way = film.ghost_way if ghost else film.way
    if way is None:
        return None
    size, strength = (1.5, look.ghost) if ghost else (1.0, 1.0)
    pieces = _pieces(film, i, way)
    return _on_pixels(
        film, pieces, film.start_s[i], size * look.sigma_u_px, size * look.sigma_v_px,
        strength * look.brightness,
    )  # fmt: skip


def _glint(film: Film, i: int) -> _Drawn | None:
    u, v, size, strength = film.glints[i]
    if not np.isfinite(u):
        return None
    look, start = film.look, film.start_s[i]
    pieces = np.array([[start, start + film.exposure_s + look.readout_s * 2, u, v]])
    return _on_pixels(
        film, pieces, start, size * look.sigma_u_px, size * look.sigma_v_px,
        strength * look.brightness,
    )  # fmt: skip


def _on_pixels(
    film: Film, pieces: Floats, start: float, sigma_u: float, sigma_v: float, peak: float
) -> _Drawn | None:
    """Expose one way of light; `peak` is its grey level at rest."""
    look = film.look
    if not len(pieces):
        return None
    row_s = look.readout_s / look.height
    box = light.seen(pieces, start, film.exposure_s, row_s, REACH * sigma_u, REACH * sigma_v)
    if not box[0] <= box[1]:
        return None
    closer_u, closer_v = (REACH - EDGE) * sigma_u, (REACH - EDGE) * sigma_v
    edge_cut = bool(
        box[0] + closer_u < -0.5
        or box[1] - closer_u > look.width - 0.5
        or box[2] + closer_v < -0.5
        or box[3] - closer_v > look.height - 0.5
    )
    left, right = max(int(np.floor(box[0])), 0), min(int(np.ceil(box[1])) + 1, look.width)
    top, bottom = max(int(np.floor(box[2])), 0), min(int(np.ceil(box[3])) + 1, look.height)
    if left >= right or top >= bottom:
        return None
    share = np.zeros((bottom - top, right - left))
    total, total_u, total_v = light.expose(
        pieces, start, film.exposure_s, row_s, sigma_u, sigma_v, left, top, share
    )
    if total <= 0.0:
        return None
    return _Drawn(
        (slice(top, bottom), slice(left, right)), share * (2 * np.pi * sigma_u * sigma_v * peak),
        total, total_u / total, total_v / total, edge_cut,
    )  # fmt: skip


def _pieces(film: Film, i: int, way: tuple[Floats, Floats, Floats, Bools]) -> Floats:
    """The lit way during frame i, over all of its rows (and a little more, for rows beside it)."""
    look, start = film.look, film.start_s[i]
    step = STEP * min(look.sigma_u_px, look.sigma_v_px)
    pieces: Floats = light.way(
        *way, start - 0.1 * look.readout_s, start + film.exposure_s + 1.1 * look.readout_s, step
    )
    return pieces


def _lit_share(film: Film, i: int) -> float:
    """Share of the time for which the rows where the spot is are exposed that has the beam on.

    With a rolling shutter that time is longer or shorter than the exposure for a spot that runs
    with or against the rows.
    """
    t, u, v, lit = film.way
    seen_s = [
        np.maximum(
            np.minimum(p[:, 1], opened + film.exposure_s) - np.maximum(p[:, 0], opened), 0.0
        ).sum()
        for p in (_pieces(film, i, (t, u, v, on)) for on in (lit, np.ones_like(lit)))
        for opened in (film.start_s[i] + film.look.readout_s * p[:, 3] / film.look.height,)
    ]
    return float(seen_s[0] / seen_s[1]) if seen_s[1] > 0.0 else 0.0


def _ground(film: Film) -> npt.NDArray[np.float32]:
    """The scene without a spot, grey levels (height, width, 3)."""
    look = film.look
    rng = np.random.default_rng([film.seed, 9])  # the room stays from film to film
    room = room_light(look.width, look.height, look.room_grey, look.unevenness, rng)
    if look.picture is None:
        return np.repeat(room[..., None], 3, axis=2)
    shade = on_the_plane(
        look.picture, film.camera.mm_to_px, look.lens, look.width, look.height, look.wall
    )
    return room[..., None] * shade
