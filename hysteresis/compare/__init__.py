"""Runs side by side: designs, units, differences with intervals, and the verdict in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from hysteresis.compare.figures import compare_figures
from hysteresis.compare.on_path import (
    AFTER,
    BEFORE,
    ForecastsOf,
    PathAsked,
    check_path,
    compare_on_path,
    forecast_runs,
)
from hysteresis.compare.ranking import criteria_of, rank
from hysteresis.compare.results import Comparison, FigureComparison, LeftOut, OnPath, Ranking
from hysteresis.compare.runs import FiguresOf, Opened, open_runs, shown, with_figures
from hysteresis.compare.verdict import verdict_of
from hysteresis.errors import DataError, InputError

__all__ = ["Comparison", "PathAsked", "check_level", "compare", "compare_opened"]

REFITS = 4  # of a model, for the doubt of figures that the data alone do not carry

METHODS = (
    "Replicates are units of a suspension; runs of one unit show the spread within it, both axes "
    "are two figures of one unit. Copies of one measurement count once.",
    "Mean, interval and spreads: one-way random effects with the known uncertainty of each run, "
    "by restricted maximum likelihood (Patterson and Thompson 1971); standard error of Hartung "
    "and Knapp (2001), never less than without their factor (Röver et al. 2015); Student's t with "
    "one degree of freedom less than there are units.",
    "Scale: logarithms where values are positive and the Box-Cox likelihood (1964) does not speak "
    "for the plain scale; means are then geometric, differences are ratios, spreads are shares.",
    "Differences: Welch's t (1947), corrected by Holm (1979) over all pairs of a figure (over "
    "both axes, or all conditions, where there are several); effect size g of Hedges (1981), "
    "interval by the noncentral t distribution (Cumming and Finch 2001).",
    "Apart: by Holm's p. Intervals of differences are not corrected, each holds for itself at the "
    "level; so one that just misses no difference may belong to designs that are not apart.",
    "On a path: plain and compensated error of a run are drawn from one set of what its model does "
    "not know (JCGM 101), and so is the gain, their ratio. That doubt is taken to be common to the "
    "units of a design: it widens the interval of the mean and more units do not lessen it.",
    "Further units: those that give Welch's test 80 % power (noncentral t distribution), were "
    "difference and spreads what they seem, at the level that Holm's first step asks for.",
)


def compare(
    paths: Sequence[Path],
    *,
    asked: PathAsked | None = None,
    by: Sequence[str] = (),
    level: float = 0.95,
    seed: int = 1,
    command: str = "",
    told: Callable[[float], None] = lambda _: None,
) -> Comparison:
    """Compare the runs in these folders.

    asked : the person's own path; None: no error on a path is foretold.
    by : criteria as `ranking.criteria_of` takes them. level : of every interval and test.
    told : called with steps done; a run makes two, with a path three.

    Raises InputError where fewer than two runs can be compared, for a path that cannot be read,
    for criteria that make no sense, or where a path is given and no run has a model.
    """
    from hysteresis.characteristics.of_run import figures_of

    check_level(level, seed)
    opened = open_runs(paths, told)
    return compare_opened(
        opened, lambda *run: figures_of(*run, refits=REFITS), asked=asked, by=by, level=level,
        seed=seed, command=command, told=told,
    )  # fmt: skip


def compare_opened(
    opened: Opened,
    figures: FiguresOf,
    *,
    foretold: ForecastsOf = forecast_runs,
    asked: PathAsked | None = None,
    by: Sequence[str] = (),
    level: float = 0.95,
    seed: int = 1,
    command: str = "",
    told: Callable[[float], None] = lambda _: None,
) -> Comparison:
    """`compare` for runs that are open already, with the functions that give a run's figures and
    foretell the path on the runs."""
    from importlib.metadata import version

    check_level(level, seed)
    if asked is not None:
        _models_for(opened)
        check_path(opened.runs, asked)
    opened = with_figures(opened, figures, told)
    found, left = compare_figures(opened.runs, level=level)
    left = [*opened.left_out, *left]
    if by:  # said before the slow part
        criteria_of(by, found, (AFTER, BEFORE) if asked is not None else ())
    tolerance = min(run.bench.tolerance.target_mm for run in opened.runs)
    path, lost = _on_path(opened, asked, tolerance, level, told, foretold)
    every = [*found, *([path.after, path.before] if path is not None else [])]
    ranking, why = _ranked(every, by, level, seed)
    return Comparison(
        runs=tuple(shown(run) for run in opened.runs), left_out=(*left, *lost),
        notes=opened.notes, optics=opened.runs[0].bench.optics, tolerance_mm=tolerance,
        figures=tuple(found), path=path, ranking=ranking,
        verdict=verdict_of(ranking, path, level, why), level=level, seed=seed,
        made_at=datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        software=f"hysteresis {version('hysteresis')}", command=command, methods=METHODS,
    )  # fmt: skip


def check_level(level: float, seed: int) -> None:
    """InputError for a level or seed without sense."""
    if not 0.5 <= level <= 0.999:
        raise InputError("--level lies between 0.5 and 0.999", value=level, mend="give 0.95")
    if seed < 0:
        raise InputError("--seed is 0 or more", value=seed)


def _models_for(opened: Opened) -> None:
    """InputError where a path is asked for and there is no model to foretell it."""
    if not any(run.fitted is not None for run in opened.runs):
        why = next((out.reason for out in opened.left_out if out.what == "model"), "")
        first = opened.runs[0].folder.path
        raise InputError(
            "no run has a model, so no error on a path can be foretold"
            + (f" (in {first}: {why})" if why else ""),
            mend=f"fit each run first: hysteresis fit {first}",
        )  # fmt: skip


def _on_path(
    opened: Opened, asked: PathAsked | None, tolerance: float, level: float,
    told: Callable[[float], None], foretold: ForecastsOf,
) -> tuple[OnPath | None, list[LeftOut]]:  # fmt: skip
    if asked is None:
        return None, []
    forecasts, lost = foretold(opened.runs, asked, told)
    if not forecasts:
        raise DataError("no run's model foretells the path: " + lost[0].reason)
    return compare_on_path(forecasts, asked, tolerance_mm=tolerance, level=level), lost


def _ranked(
    figures: Sequence[FigureComparison], by: Sequence[str], level: float, seed: int
) -> tuple[Ranking | None, str]:
    """The ranking, or why there is none; what the person asked for wrongly is still refused."""
    try:
        criteria = criteria_of(by, figures)
        return rank(criteria, figures, level=level, seed=seed), ""
    except DataError as error:
        return None, str(error).rstrip(".")
