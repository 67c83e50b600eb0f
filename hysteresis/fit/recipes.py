"""What a set of observations can carry: the recipes to try, simplest first."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hysteresis.errors import DataError
from hysteresis.fit.excitation import refuse_poor_excitation
from hysteresis.fit.structure import Recipe
from hysteresis.recording import Observations
from hysteresis.tables import Pattern

RICH = 600  # observations of one axis from which the full set of unknowns is fitted
FEWEST = 8  # below this not even gain, offset and one memory figure stand on anything
SHORTEST_S = 0.03  # shortest relaxation time of the logarithmic law
PLANE_LEVELS = 5  # of each side of a Preisach plane, graded: fine near zero
SMOOTHNESS = 3.0  # of the plane's density, in 1 / (drive per full scale squared)
BRANCHES_PER_DECADE = 3.0  # 3 to 4 suffice (5e-5 of a logarithmic creep at 4; recomputed in tests)


@dataclass(frozen=True)
class Candidates:
    """Recipes by name, simplest first, and plain words on what was left out and why."""

    recipes: dict[str, Recipe]
    notes: tuple[str, ...]
    rich: bool


NAMES = {
    "none": "no memory: spring, optics and clock",
    "droop": "no memory, behind an AC-coupled output",
    "friction": "friction memory as Maxwell-slip elements",
    "power-law": "friction, and after-effect by a power law",
    "after-effect": "after-effect as a spectrum of Maxwell branches",
    "both": "friction as Maxwell-slip elements, and after-effect",
    "bouc-wen": "friction as one Bouc-Wen element, and after-effect",
    "preisach": "friction on a Preisach plane, and after-effect",
    "both-and-droop": "friction and after-effect, behind an AC-coupled output",
    "play-creep": "plays and Kelvin creep of the drive (compliance form), no resonance",
}
"""Every memory that can be asked for by name, in plain words, simplest first."""
ON_DEMAND = ("power-law", "play-creep")
"""Not compared by 'auto'. A power law does as well as the spectrum on data held out, but leaves 1.5
times the error on a job played later (experiments.return_to_zero --memory power-law): what it
cannot bend to is the slow end. Plays and creep of the drive have no resonance and no heating."""


def candidates(pattern: Pattern, seen: Observations, memory: str = "auto") -> Candidates:
    """Recipes that the data can carry; `memory` forces one by name.

    'auto' keeps all but those of `ON_DEMAND`. Raises DataError when the data cannot carry any,
    naming what is missing.
    """
    count = int(max(np.isfinite(seen.x_mm).sum(), np.isfinite(seen.y_mm).sum()))
    _refuse(pattern, seen, count)
    if memory != "none":
        refuse_poor_excitation(pattern, seen)
    notes: list[str] = []
    top = float(max(np.abs(pattern.drive_x).max(), np.abs(pattern.drive_y).max()))
    rich = count >= RICH and seen.timed
    if rich:
        recipes = _rich(_full(pattern, seen, top, notes), top)
    else:
        recipes = _few(seen, count, top, notes)
    if memory != "auto":
        if memory not in recipes:
            raise DataError(
                f"the memory {memory!r} cannot be fitted to these data; "
                f"choose one of: auto, {', '.join(recipes)}"
                + ("" if rich or memory not in NAMES else "; it needs a camera log of a few "
                   "minutes: hysteresis plan RUN --kind characterise")
            )
        recipes = {memory: recipes[memory]}
    else:
        recipes = {name: r for name, r in recipes.items() if name not in ON_DEMAND}
    axes = measured_axes(seen)
    for axis in "xy":
        if axis not in axes:
            notes.append(
                f"axis {axis} was not measured, or not driven: it keeps its nominal gain, nothing "
                "of its memory is known or compensated, and the forecast leaves it out"
            )
    return Candidates(
        {n: replace(r, axes=axes) for n, r in recipes.items()}, tuple(notes), rich
    )


def measured_axes(seen: Observations) -> str:
    """Which axes have any reading: 'xy', 'x' or 'y'."""
    return "".join(
        name for name, values in (("x", seen.x_mm), ("y", seen.y_mm)) if np.isfinite(values).any()
    )


def _refuse(pattern: Pattern, seen: Observations, count: int) -> None:
    if count < FEWEST:
        raise DataError(
            f"only {count} usable readings of one axis, at least {FEWEST} are needed; measure a "
            "pattern made with: hysteresis plan RUN --kind reading-steps"
        )
    if {name.split("/")[0] for name in seen.group} <= {"sync", "conditioning"}:
        raise DataError(
            "every usable row belongs to the sync signature or the conditioning, so that nothing "
            "can be held out to check a fit; measure the whole pattern"
        )
    for axis, drive in (("x", pattern.drive_x), ("y", pattern.drive_y)):
        measured = np.isfinite(seen.x_mm if axis == "x" else seen.y_mm).any()
        if measured and np.ptp(drive) < 0.05:
            raise DataError(
                f"the pattern hardly moves axis {axis} (drive within {np.ptp(drive):.3f}), so its "
                "memory cannot be seen; measure a pattern that moves both axes, or leave that "
                "axis empty"
            )
        values = seen.x_mm if axis == "x" else seen.y_mm
        if measured and np.nanmax(values) - np.nanmin(values) <= 0:
            raise DataError(
                f"all readings of axis {axis} are equal: the spot never moved; check "
                "that the coil is connected and the right spot was measured"
            )


def _full(pattern: Pattern, seen: Observations, top: float, notes: list[str]) -> Recipe:
    frame_s = float(np.median(np.diff(seen.start_s)))
    longest = _longest_hold_s(pattern)
    first = max(1.5 * frame_s, 0.02)
    last = max(20.0 * longest, 10.0 * first)
    count = int(np.ceil(BRANCHES_PER_DECADE * np.log10(last / first))) + 1
    kinds = {name.split("/")[0] for name in pattern.segment}
    dynamics = bool(kinds & {"steps", "sync"})
    if "steps" not in kinds:
        notes.append("no repeated small steps in the pattern: resonance and damping are weak")
    duration = float(pattern.t_s[-1])
    heating = duration >= 120.0
    if not heating:
        notes.append(
            f"{duration:.0f} s are too short to tell heating of the coils from after-effect; "
            "both are in the after-effect"
        )
    if longest < 5.0:
        notes.append(
            f"no hold is longer than {longest:.1f} s: slow after-effect cannot be seen; "
            "a characterisation of more minutes has longer ones"
        )
    return Recipe(
        slip_limits=tuple(np.geomspace(0.004, 0.87 * top, 24)),
        relaxation_times_s=tuple(np.geomspace(first, last, count)),
        heating=heating,
        dynamics=dynamics,
        history=True,
        tilt=True,
        clock=True,
    )


def _rich(full: Recipe, top: float) -> dict[str, Recipe]:
    """Candidates for a camera log, simplest first; `full` has friction and after-effect.

    Maxwell slip counts as simpler than a Bouc-Wen element of fewer numbers: its fit is convex, so
    that there is one answer, while quite different Bouc-Wen constants make the same loops.
    """
    none = replace(full, slip_limits=(), relaxation_times_s=(), history=False)
    edge = 1.25 * top
    half = np.geomspace(0.012, edge, PLANE_LEVELS)
    nodes = tuple(np.concatenate([-half[::-1], [0.0], half]))
    return {
        "none": none,
        "droop": replace(none, droop=True),
        "friction": replace(none, slip_limits=full.slip_limits),
        "power-law": replace(full, after_effect="power"),
        "after-effect": replace(full, slip_limits=()),
        "both": full,
        "bouc-wen": replace(full, memory="bouc-wen", slip_limits=()),
        "preisach": replace(
            full, memory="preisach", slip_limits=(), nodes=nodes, smoothness=SMOOTHNESS
        ),
        "both-and-droop": replace(full, droop=True),
        "play-creep": replace(full, form="compliance", heating=False, dynamics=False),
    }


def _few(seen: Observations, count: int, top: float, notes: list[str]) -> dict[str, Recipe]:
    slips = 3 if count < 30 else 5
    curve = count >= 16
    limits = tuple(np.geomspace(0.03, 0.8 * top, slips))
    out = {
        "none": Recipe(curve=curve, tilt=curve),
        "friction": Recipe(slip_limits=limits, curve=curve, tilt=curve),
    }
    if not seen.timed:
        notes.append(
            "readings without times carry no creep: the after-effect is not fitted and hides in "
            "the friction memory; write the time of each reading to tell them apart"
        )
        return out
    span = float(seen.start_s[-1] - seen.start_s[0])
    # the law is taken to hold at times too short to be read, as creep in logarithmic time does
    longest = max(3.0 * span, 30.0)
    count_times = int(np.ceil(BRANCHES_PER_DECADE * np.log10(longest / SHORTEST_S))) + 1
    times = tuple(np.geomspace(SHORTEST_S, longest, count_times))
    creep = Recipe(relaxation_times_s=times, after_effect="log", curve=curve, tilt=curve)
    out["after-effect"] = creep
    out["both"] = replace(creep, slip_limits=limits)
    notes.append(
        f"{count} readings of an axis carry at most the strength of the after-effect, not its "
        "spectrum, and no resonance; a camera log of a few minutes does"
    )
    return out


def _longest_hold_s(pattern: Pattern) -> float:
    """Longest time for which both drives stand still away from zero."""
    still = (np.diff(pattern.drive_x) == 0) & (np.diff(pattern.drive_y) == 0)
    away = (np.abs(pattern.drive_x[:-1]) > 0.05) | (np.abs(pattern.drive_y[:-1]) > 0.05)
    length = np.diff(pattern.t_s)
    longest, run = 0.0, 0.0
    for k in range(len(length)):
        run = run + length[k] if still[k] and away[k] else 0.0
        longest = max(longest, run)
    return longest
