"""The tables of `experiments.recheck_power`."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from hysteresis.cli.console import table

if TYPE_CHECKING:
    from experiments.recheck_power import Mended, Trial


def print_power(first: list[Trial], later: list[Trial]) -> None:
    """Verdicts per case, who was blamed, and per unit."""
    rows = []
    for case in dict.fromkeys(t.case for t in later):
        mine = [t for t in later if t.case == case]
        count = Counter(t.verdict for t in mine)
        certain = sum(bool(t.moved) for t in mine)
        right = sum(t.blamed_rightly for t in mine) if mine[0].expect else 0
        rows.append((
            case, len(mine), *(count[v] for v in ("pass", "watch", "refit")), certain,
            f"{100 * certain / len(mine):.0f} %", right if mine[0].expect else "–",
        ))  # fmt: skip
    table(
        f"Simulated: {len(later)} rechecks against a reference",
        ("what has changed", "rechecks", "pass", "watch", "refit", "change found", "share",
         "the right number alone"),
        rows,
    )  # fmt: skip
    blamed = []
    for case in dict.fromkeys(t.case for t in later):
        count = Counter(d for t in later if t.case == case for d in {d for _, d in t.moved})
        blamed.append((case, ", ".join(f"{d} {n}" for d, n in count.most_common()) or "nothing"))
    table("Simulated: numbers blamed (rechecks in which)", ("what has changed", "blamed"), blamed)
    units = []
    for name in dict.fromkeys(t.unit for t in later):
        mine = [t for t in later if t.unit == name]
        same = [t for t in mine if not t.expect]
        found = [
            f"{sum(bool(t.moved) for t in part)} of {len(part)}"
            for part in ([t for t in mine if t.expect == e] for e in ("friction", "spring"))
        ]
        units.append((
            name, f"{sum(bool(t.moved) for t in same)} of {len(same)}", *found,
            f"{mine[0].friction_mm:.3f}",
        ))  # fmt: skip
    table(
        "Simulated: by unit",
        ("unit", "false alarms", "10 % of friction found", "10 % of spring found",
         "10 % of friction leaves on the job, mm"),
        units,
    )  # fmt: skip
    count = Counter(t.verdict for t in first)
    print(
        f"\nFirst rechecks, without a reference, nothing changed: {len(first)}, of which "
        f"{sum(bool(t.moved) for t in first)} found a change "
        f"({', '.join(f'{v} {n}' for v, n in count.items())})."
    )
    same = [t for t in later if not t.expect]
    alarms = sum(bool(t.moved) for t in same)
    low, high = interval(alarms, len(same))
    share = 100 * alarms / len(same)
    print(f"False alarms: {alarms} of {len(same)}, {share:.1f} % (95 % interval "
          f"{100 * low:.1f} to {100 * high:.1f} %); asked: at most 5 %.")  # fmt: skip
    for expect in ("friction", "spring"):
        mine = [t for t in later if t.expect == expect]
        found = sum(bool(t.moved) for t in mine)
        low, high = interval(found, len(mine))
        print(f"10 % of {expect} found: {found} of {len(mine)}, {100 * found / len(mine):.0f} % "
              f"(95 % interval {100 * low:.0f} to {100 * high:.0f} %); "
              "asked: at least 95 %.")  # fmt: skip


def interval(count: int, of: int) -> tuple[float, float]:
    """95 % interval of a share (Clopper and Pearson 1934)."""
    from scipy import stats

    low = stats.beta.ppf(0.025, count, of - count + 1) if count else 0.0
    high = stats.beta.ppf(0.975, count + 1, of - count) if count < of else 1.0
    return float(low), float(high)


def print_update(outcomes: list[Mended]) -> None:
    """Error of the job with each model, and the update against the refit."""
    table(
        "Simulated: rms error of the layered job after a drift, mm (about its mean in brackets)",
        ("unit", "drift", "verdict", "moved by", "stored model", "quick update", "fit anew",
         "update / refit", "about the mean"),
        [
            (o.unit, o.case, o.verdict, o.moved or "–", pair(o.stored_mm),
             pair(o.updated_mm) + ("" if o.accepted else ", refused"), pair(o.refit_mm),
             f"{o.updated_mm[0] / o.refit_mm[0]:.2f}", f"{o.updated_mm[1] / o.refit_mm[1]:.2f}")
            for o in outcomes
        ],
    )  # fmt: skip
    for words, at in (("whole", 0), ("about its mean", 1)):
        ratio = np.array([o.updated_mm[at] / o.refit_mm[at] for o in outcomes])
        print(
            f"Error {words}, update over refit: median {np.median(ratio):.2f}, worst "
            f"{ratio.max():.2f}, at most 1.2 in {int((ratio <= 1.2).sum())} of {len(ratio)}; "
            "asked: at most 1.2."
        )


def pair(sizes: tuple[float, float]) -> str:
    return f"{sizes[0]:.3f} ({sizes[1]:.3f})"
