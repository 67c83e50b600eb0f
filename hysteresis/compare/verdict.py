"""The answer in words, made from the figures by rules; nothing here is worked out anew.

* A design is *best* when it is separated from every other one (after Holm's correction) in the
  deciding figure; otherwise the ones that are not separated from the first are named together.
* *Software alone is enough* when the whole interval of the best design's error after compensation
  lies within the bench's tolerance and its drive keeps to the limits; *not enough* when that of
  every design lies beyond; *open* otherwise.
* *Compensation gains nothing that can be shown* on a design whose interval of the gain holds 1;
  it makes things worse where the whole interval lies below.
* *As good as*: not separated, and at most `AS_GOOD` times the other's error at the unfavourable
  end of the interval.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from hysteresis.compare.results import (
    FORECAST_DOUBT,
    MOST_UNITS,
    DesignFigure,
    Difference,
    FigureComparison,
    OnPath,
    PathDesign,
    Ranking,
    Verdict,
)

AS_GOOD = 1.25  # common practice for equivalence of ratios (bioequivalence), here by choice


def verdict_of(ranking: Ranking | None, path: OnPath | None, level: float, why: str) -> Verdict:
    """The paragraph. `why`: why nothing could be ranked, where `ranking` is None."""
    if ranking is None:
        return Verdict("none", (), "unasked", None, f"Nothing can be ranked: {why}.")
    names = [row.suspension for row in ranking.rows]
    if len(names) == 1:
        figure = ranking.deciding
        only = _told(figure, figure.of(names[0]))
        text = f"One design only ({names[0]}): there is nothing to rank. {_words(figure)}: {only}."
        software, more_text = _software(path, names[:1])
        more_text += _gains(path)
        return Verdict("none", tuple(names), software, None, " ".join([text, *more_text]))
    kind, best, more, sentences = _first(ranking, level)
    software, about_software = _software(path, best)
    sentences += about_software + _gains(path) + _hardware(path)
    if path is not None:
        sentences.append("Errors on the path are foretold by the models, not played.")
    return Verdict(kind, tuple(best), software, more, " ".join(sentences))


# ---- which is best -------------------------------------------------------------------------------


def _first(
    ranking: Ranking, level: float
) -> tuple[Literal["best", "open"], list[str], int | None, list[str]]:
    figure = ranking.deciding
    names = [row.suspension for row in ranking.rows]
    first = names[0]
    against = {name: _difference(ranking, first, name) for name in names[1:]}
    equal = [n for n, d in against.items() if d is None or not d.separated]
    behind = [n for n in names[1:] if n not in equal]
    share = ranking.rows[0].first_share
    sure = f"It comes first in {_percent(share)} of the draws from the intervals."
    if not equal:
        second = behind[0]
        lead = f"{first} is best: {_lower(_words(figure))} {_told(figure, figure.of(first))}"
        tail = f" against {_told(figure, figure.of(second))} of {second}, the next"
        return "best", [first], 0, [f"{lead}{tail}{_by(figure, against[second], first)}.", sure]
    out = [
        f"The data do not separate {_list([first, *equal])} in {_lower(_words(figure))} "
        f"({100 * level:g} %): "
        + ", ".join(f"{n} {_told(figure, figure.of(n))}" for n in [first, *equal])
        + "."
    ]
    nearest = equal[0]
    d = against[nearest]
    more, words = _units(figure, d, first, nearest)
    out.append(words)
    if len(ranking.criteria) > 1 and ranking.mode == "order":
        later = " and ".join(_lower(c.words) for c in ranking.criteria[1:])
        out.append(f"Where they are not separated, {later} decides: {first} comes first.")
    if len(equal) == 1 and np.isfinite(share):
        out.append(f"{first} comes first in {_percent(share)} of the draws from the intervals.")
    if behind:
        out.append(f"{first} is separated from {_list(behind)}.")
    return "open", [first, *equal], more, out


def _difference(ranking: Ranking, first: str, second: str) -> Difference | None:
    return ranking.deciding.between(first, second)


def _units(
    figure: FigureComparison, d: Difference | None, first: str, second: str
) -> tuple[int | None, str]:
    few = [n for n in (first, second) if len(_of(figure, n).units) < 2]
    if few:
        return None, (
            f"One unit says nothing of how units differ: measure a second unit of {_list(few)}."
        )
    if d is not None and d.note == FORECAST_DOUBT:
        return None, (
            "More units would not settle it: the forecasts themselves are in doubt by more than "
            "the difference. Play the path on a unit of each and verify, or fit longer recordings."
        )
    if d is None or d.more_units is None:
        return None, (
            f"Were they as different as they seem, more than {MOST_UNITS} units of each would be "
            "needed to tell: in this figure they are as good as equal."
        )
    n = d.more_units
    each = f"{n} more unit{'s' if n != 1 else ''} of each"
    by = (
        f"a factor of {d.detectable:.2f}" if figure.scale == "log" else _value(figure, d.detectable)
    )
    return n, (
        f"{each} of {first} and {second} would, with 80 % power, if difference and spreads are "
        f"what they seem; the units there are would separate {by} or more."
    )  # fmt: skip


# ---- is software enough --------------------------------------------------------------------------


def _software(
    path: OnPath | None, best: list[str]
) -> tuple[Literal["yes", "no", "open", "unasked"], list[str]]:
    if path is None:
        return "unasked", [
            "Whether software alone is enough depends on the path: ask again with --path."
        ]
    after = [v for v in path.variants if v.compensated]
    mine = sorted((v for v in after if v.suspension in best), key=lambda v: v.figure.mean)
    if not mine:
        return "open", ["No model of the best design foretells the path: fit one."]
    top = mine[0]
    limit = f"the bench's tolerance of {path.tolerance_mm:g} mm"
    told = f"{top.suspension}: {_mm(top.figure)} left"
    beyond = [f for f in path.forecasts if f.suspension == top.suspension and f.excesses]
    if beyond:
        return "open", [
            f"On this path the compensated drive of {_list([f.label for f in beyond])} exceeds a "
            "limit of the bench: slow the path or shrink it before judging by it."
        ]
    plain = next((v for v in path.variants if v.suspension == top.suspension
                  and not v.compensated), None)  # fmt: skip
    if top.enough == "yes":
        if plain is not None and plain.enough == "yes":
            return "yes", [
                f"{top.suspension} keeps to {limit} on this path even without software "
                f"({_mm(plain.figure)}; compensated {_mm(top.figure)})."
            ]
        return "yes", [f"Software alone is enough for {limit} on this path ({told})."]
    if all(v.enough == "no" for v in after):
        return "no", [f"Software alone is not enough for {limit} on this path ({told})."]
    one = len(top.figure.units) < 2
    why = "one unit only" if one else "the interval reaches across it"
    return "open", [f"Whether software alone is enough for {limit} is open ({told}; {why})."]


def _gains(path: OnPath | None) -> list[str]:
    """Designs on which compensation is not shown to help, or is shown to harm."""
    if path is None:
        return []
    none: list[str] = []
    worse: list[str] = []
    for name in dict.fromkeys(v.suspension for v in path.variants):
        gain, low, high = path.shown_gain(name)
        if low > 1.0 or not np.isfinite(low):
            continue
        told = f"{name} ({gain:.2f} times less error, {low:.2f} … {high:.2f})"
        (worse if high < 1.0 else none).append(told)
    out = []
    if none:
        out.append(f"Compensation gains nothing that can be shown on {_list(none)}.")
    if worse:
        out.append(f"Compensation makes it worse on {_list(worse)}: play those plain.")
    return out


def _hardware(path: OnPath | None) -> list[str]:
    """The best design without software against software on the others."""
    if path is None:
        return []
    plain = [v for v in path.variants if not v.compensated]
    if len(plain) < 2:
        return []
    best = plain[0]
    out = []
    for other in (v for v in path.variants if v.compensated and v.suspension != best.suspension):
        d = next((d for d in path.across if {d.first, d.second} == {other.words, best.words}), None)
        if d is not None:
            out.append(_against(other, best, d))
    return out


def _against(soft: PathDesign, hard: PathDesign, d: Difference) -> str:
    flip = d.first != soft.words
    ratio, low, high = (
        (1 / d.ratio, 1 / d.ratio_high, 1 / d.ratio_low) if flip
        else (d.ratio, d.ratio_low, d.ratio_high)
    )  # fmt: skip
    pair = f"{soft.suspension} compensated ({_mm(soft.figure, short=True)})"
    base = f"{hard.suspension} plain ({_mm(hard.figure, short=True)})"
    if not np.isfinite(d.p_holm):
        return f"{pair} against {base}: a factor of {ratio:.2f}, with too few units to tell."
    within = f"a factor of {ratio:.2f}, {low:.2f} … {high:.2f}"
    if d.separated:
        word = "better" if ratio < 1 else "worse"
        return f"{pair} is {word} than {base}: {within}."
    if high <= AS_GOOD:
        return f"{pair} is as good as {base}: {within}."
    return f"{pair} and {base} are not told apart: {within}."


# ---- words ---------------------------------------------------------------------------------------


def _of(figure: FigureComparison, name: str) -> DesignFigure:
    found = figure.of(name)
    assert found is not None
    return found


def _words(figure: FigureComparison) -> str:
    from hysteresis.compare.figures import short_words

    axis = "" if figure.axis == "xy" else f" ({figure.axis})"
    return short_words(figure.definition) + axis


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]


def _told(figure: FigureComparison, d: DesignFigure | None) -> str:
    """A mean with its interval and unit."""
    if d is None:
        return "not known"
    unit = "" if figure.definition.unit == "1" else f" {figure.definition.unit}"
    if not np.isfinite(d.low):
        return f"{d.mean:.3g}{unit} (one unit)"
    return f"{d.mean:.3g}{unit} ({d.low:.3g} … {d.high:.3g})"


def _mm(d: DesignFigure, *, short: bool = False) -> str:
    if short or not np.isfinite(d.low):
        return f"{d.mean:.3g} mm"
    return f"{d.mean:.3g} mm, {d.low:.3g} … {d.high:.3g}"


def _value(figure: FigureComparison, value: float) -> str:
    unit = "" if figure.definition.unit == "1" else f" {figure.definition.unit}"
    return f"{value:.3g}{unit}"


def _by(figure: FigureComparison, d: Difference | None, first: str) -> str:
    """How much better, with the interval of the difference."""
    if d is None:
        return ""
    if figure.scale == "log":
        ends = (d.ratio, d.ratio_low, d.ratio_high)
        ratio, low, high = ends if d.first != first else (1 / ends[0], 1 / ends[2], 1 / ends[1])
        if ratio < 1:  # more is better
            ratio, low, high = 1 / ratio, 1 / high, 1 / low
        return f" (a factor of {ratio:.2f}, {low:.2f} … {high:.2f})"
    sign = 1.0 if d.first != first else -1.0
    low, high = sorted((sign * d.low, sign * d.high))
    return f" (by {_value(figure, sign * d.difference)}, {low:.3g} … {high:.3g})"


def _list(names: list[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _percent(share: float) -> str:
    if share >= 0.9995:
        return "more than 99.9 %"
    return f"{100 * share:.0f} %" if share < 0.99 else f"{100 * share:.1f} %"
