"""How much of a trace runs at the feed it asks for; corners and limits slow the rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from hysteresis.paths.chunk import Chunk
from hysteresis.paths.timing import Stretch

AT_FEED = 1e-6  # relative: rounding


@dataclass
class Reached:
    """Sums over the trace: its way, how much of it is slower than its feed, the time it takes and
    the time that its feeds alone would take."""

    trace_mm: float = 0.0
    slower_mm: float = 0.0
    takes_s: float = 0.0
    asked_s: float = 0.0

    @property
    def slower_share(self) -> float:
        """Share of the way that is slower than its feed; 0 for no trace."""
        return self.slower_mm / self.trace_mm if self.trace_mm else 0.0

    @property
    def times_longer(self) -> float:
        """Time taken over the time at the feeds; 1 for no trace."""
        return self.takes_s / self.asked_s if self.asked_s else 1.0

    def add(self, rows: Chunk, plan: Stretch) -> None:
        """Count the planned rows of a stretch."""
        line, length = rows.polyline, plan.length_mm
        feed, wait = line.feed_mm_s[: plan.rows], line.dwell_s[: plan.rows]
        on = line.beam[: plan.rows] & (length > 0.0) & np.isfinite(feed)
        length, feed = length[on], feed[on]
        lasts, speed = plan.lasts_s[on], plan.speed_mm_s[on]
        even = (plan.acceleration_mm_s2[on] == 0.0) & (plan.jerk_mm_s3[on] == 0.0)
        even &= speed >= feed[:, None] * (1.0 - AT_FEED)
        at_feed = np.sum(np.where(even, speed * lasts, 0.0), axis=1)
        self.trace_mm += float(length.sum())
        self.slower_mm += float(np.maximum(length - at_feed, 0.0).sum())
        self.takes_s += float(lasts.sum() - wait[on].sum())
        self.asked_s += float((length / feed).sum())


def watched(
    stretches: Iterable[tuple[Chunk, Stretch]], reached: Reached
) -> Iterator[tuple[Chunk, Stretch]]:
    """The same stretches, counted as they pass."""
    for rows, plan in stretches:
        reached.add(rows, plan)
        yield rows, plan
