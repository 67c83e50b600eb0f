"""What the study of films found, in tables: `filmed_run.py` fills them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from hysteresis.cli.console import table

FIGURES = (
    # name, words, goal's name
    ("unsaturated_px", "place of an unsaturated spot, rms per axis, px", "unsaturated_px"),
    ("saturated_px", "place of a saturated spot, rms per axis, px", "saturated_px"),
    ("clock_ms", "clock, offset in the middle of the film, ms", "clock_ms"),
    ("drift_ppm", "clock, drift, ppm", "drift_ppm"),
    ("registration_mm", "registration over the field, rms, mm", "registration_mm"),
    ("registration_worst_mm", "registration over the field, worst, mm", ""),
    ("registration_own_mm", "without the ruler's and the printer's part, rms, mm", ""),
    ("unused_share", "frames of a lit spot that are not used, %", ""),
    ("wrong", "used frames that show something else", ""),
    ("zero_ratio", "return-to-zero error, film over perfect log", "zero_ratio"),
)


@dataclass(frozen=True)
class Outcome:
    """One film. Magnitudes of errors; NaN where the case does not show it.

    `zero_plain`, `zero_film`, `zero_perfect` : rms return-to-zero error in % of full scale without
    compensation, and compensated by either fit.
    """

    seed: int
    case: str
    frames: int
    unsaturated_px: float
    saturated_px: float
    clock_ms: float
    drift_ppm: float
    registration_mm: float
    registration_worst_mm: float
    registration_own_mm: float
    unused_share: float
    wrong: int
    zero_plain: float
    zero_film: float
    zero_perfect: float
    render_s: float
    follow_s: float

    @property
    def zero_ratio(self) -> float:
        return self.zero_film / self.zero_perfect


def report(outcomes: list[Outcome], plan: dict[str, Any]) -> None:
    """Print one unit: a column for each case, the goals beside."""
    rows: list[tuple[str, ...]] = [
        (words, *(_shown(name, getattr(o, name)) for o in outcomes), _goal(plan, goal))
        for name, words, goal in FIGURES
    ]
    for words, name in (
        ("return-to-zero error without compensation, % FS", "zero_plain"),
        ("compensated by the fit from the film, % FS", "zero_film"),
        ("compensated by the fit from the perfect log, % FS", "zero_perfect"),
    ):
        rows.append((words, *(_shown(name, getattr(o, name)) for o in outcomes), ""))
    rows.append(("frames", *(str(o.frames) for o in outcomes), ""))
    for words, name in (("rendered and encoded, frames/s", "render_s"),
                        ("followed, frames/s", "follow_s")):  # fmt: skip
        rows.append((words, *(f"{o.frames / getattr(o, name):.0f}" for o in outcomes), ""))
    table(
        f"Simulated: unit {outcomes[0].seed}, {plan['suspension']}, {plan['minutes']:g} min "
        f"of film at {plan['width']} px",
        ("figure", *(f"{o.case} case" for o in outcomes), "goal"), rows,
    )  # fmt: skip


def summary(outcomes: list[Outcome], plan: dict[str, Any]) -> None:
    """Print median and worst over seeds and cases, and whether the worst meets the goal."""
    rows = []
    for name, words, goal in FIGURES:
        values = np.array([float(getattr(o, name)) for o in outcomes])
        values = values[np.isfinite(values)]
        if not len(values):
            rows.append((words, "–", "–", _goal(plan, goal), "not looked at"))
            continue
        met = "" if not goal else "met" if values.max() <= plan["goals"][goal] else "missed"
        rows.append((words, _shown(name, float(np.median(values))),
                     _shown(name, float(values.max())), _goal(plan, goal), met))  # fmt: skip
    table(
        f"Simulated: {len(outcomes)} films of {plan['suspension']}",
        ("figure", "median", "worst", "goal", "by the worst"), rows,
    )  # fmt: skip


def _shown(name: str, value: float) -> str:
    if not np.isfinite(value):
        return "–"
    return f"{value:.0f}" if name == "wrong" else f"{value:.3g}"


def _goal(plan: dict[str, Any], goal: str) -> str:
    return f"≤ {plan['goals'][goal]:g}" if goal else ""
