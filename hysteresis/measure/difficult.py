"""A few crops of a film's most difficult frames, kept while it is followed."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from hysteresis.measure.film_frames import Frame, Picture
from hysteresis.tables import CameraLog

MOST = 24
HALF_PX = 40  # half width of a crop
_EACH = 6  # of one kind while the film runs

GONE, MANY, WHITE, EDGE, DRAWN, FAINT = (
    "no spot", "several spots", "saturated", "cut by the edge", "drawn out", "faint",
)  # fmt: skip


@dataclass(frozen=True)
class Difficult:
    """A crop (h, w) of one frame, why it is difficult, and what became of it.

    u0, v0 : pixel of the picture at the crop's upper left one. u_px, v_px : the spot's place
    there, NaN for none. other_px : (k, 2) places of further spots in the picture.
    """

    frame: int
    t_s: float
    kind: str
    note: str
    crop: Picture
    u0: int
    v0: int
    u_px: float
    v_px: float
    used: bool
    other_px: npt.NDArray[np.float64]


@dataclass(frozen=True)
class _Kept:
    frame: int
    crop: Picture
    corner: tuple[int, int]
    places: npt.NDArray[np.float64]


@dataclass
class Keeper:
    """Keeps the most difficult frames of each kind; a bounded amount of memory."""

    heaps: dict[str, list[tuple[float, int, _Kept]]] = field(default_factory=dict)
    last: tuple[float, float] | None = None
    gone_for: int = 0

    def look(self, frame: Frame, spots: npt.NDArray[np.void]) -> None:
        """Consider one frame with the spots found in it, brightest first."""
        if frame.light is None:
            return
        if not len(spots):
            self.gone_for += 1
            if self.gone_for == 1:  # the first of a run stands for all
                self._offer(GONE, float(hash_order(frame.number)), frame, spots)
            return
        self.gone_for = 0
        one = spots[0]
        self.last = (float(one["u"]), float(one["v"]))
        if len(spots) > 1:
            self._offer(MANY, float(spots["flux"][1] / one["flux"]), frame, spots)
        if one["clipped"]:
            self._offer(WHITE, float(one["white"]), frame, spots)
        if one["cut"]:
            self._offer(EDGE, float(one["flux"]), frame, spots)
        if one["long"] > 2.0 * one["narrow"]:
            self._offer(DRAWN, float(one["long"]), frame, spots)
        self._offer(FAINT, float(one["sigma_u"] + one["sigma_v"]), frame, spots)

    def _offer(self, kind: str, how: float, frame: Frame, spots: npt.NDArray[np.void]) -> None:
        heap = self.heaps.setdefault(kind, [])
        if len(heap) == _EACH and how <= heap[0][0]:
            return
        assert frame.light is not None
        height, width = frame.light.shape
        middle = self.last or (width / 2, height / 2)
        u0 = int(np.clip(middle[0] - HALF_PX, 0, max(width - 2 * HALF_PX, 0)))
        v0 = int(np.clip(middle[1] - HALF_PX, 0, max(height - 2 * HALF_PX, 0)))
        crop = frame.light[v0 : v0 + 2 * HALF_PX, u0 : u0 + 2 * HALF_PX].copy()
        places = np.column_stack((spots["u"], spots["v"])) if len(spots) else np.zeros((0, 2))
        item = (how, frame.number, _Kept(frame.number, crop, (u0, v0), places))
        if len(heap) < _EACH:
            heapq.heappush(heap, item)
        else:
            heapq.heapreplace(heap, item)


def hash_order(number: int) -> int:
    """A fixed shuffle of numbers, so that what is kept is spread over the film."""
    return (number * 2654435761) % 2**32


def picked(keeper: Keeper, log: CameraLog) -> tuple[Difficult, ...]:
    """Up to 24 crops, kinds in turn, each frame once, with what the log says of it."""
    queues = {
        kind: sorted(heap, reverse=True) for kind, heap in keeper.heaps.items()
    }  # most difficult first
    out: list[Difficult] = []
    taken: set[int] = set()
    row_of = {int(frame): k for k, frame in enumerate(log.frame)}
    for turn in range(_EACH):
        for kind in (GONE, EDGE, MANY, WHITE, DRAWN, FAINT):
            queue = queues.get(kind, [])
            if turn >= len(queue) or len(out) == MOST or queue[turn][1] in taken:
                continue
            kept = queue[turn][2]
            taken.add(kept.frame)
            k = row_of[kept.frame]
            place = np.array([log.u_px[k], log.v_px[k]])
            label = GONE if str(log.note[k]).startswith(GONE) else kind
            others = kept.places
            if len(others) and np.isfinite(place).all():
                others = others[np.hypot(*(others - place).T) > 1e-6]
            out.append(
                Difficult(
                    kept.frame, float(log.t_s[k]), label, str(log.note[k]), kept.crop,
                    *kept.corner, float(place[0]), float(place[1]), bool(log.weight[k] > 0), others,
                )
            )  # fmt: skip
    order = {kind: n for n, kind in enumerate((GONE, EDGE, MANY, WHITE, DRAWN, FAINT))}
    return tuple(sorted(out, key=lambda d: (order[d.kind], d.frame)))
