"""Designs in order by what the person decides by, and how sure each place is.

*Weights*: the score of a run is the weighted geometric mean of its figures, each against the
geometric mean over all runs (weighted product model: Bridgman, Dimensional Analysis, 1922; from
memory), so that units cancel and no figure has to be scaled by hand; scores are compared like any
other figure. *Order*: designs are ranked by the first criterion; those that the data do not
separate there are ranked by the second, and so on. Places are drawn: every mean from its own t
distribution (standard error and degrees of freedom of the design), the criteria of an order
independently of each other.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

import numpy as np

from hysteresis.characteristics.figure import Definition
from hysteresis.compare.designs import compare_figure
from hysteresis.compare.figures import BOTH, short_words
from hysteresis.compare.on_path import AFTER
from hysteresis.compare.results import (
    Criterion,
    DesignFigure,
    FigureComparison,
    LeftOut,
    Ranked,
    Ranking,
    RunValue,
)
from hysteresis.errors import DataError, InputError
from hysteresis.tables import Floats

DRAWS = 10_000
FLOOR = 1e-3  # of the median: what a figure of nothing counts as on the way to a logarithm
DEFAULTS = (AFTER.key, "return_to_zero")
_ASKED = re.compile(r"([a-z][a-z0-9_]*)(?:\.(x|y|xy))?(?::([0-9.eE+-]+))?")


def criteria_of(
    words: Sequence[str], figures: Sequence[FigureComparison], also: Sequence[Definition] = ()
) -> tuple[Criterion, ...]:
    """The criteria as asked: KEY, KEY.AXIS, with :WEIGHT or without.

    None: the error left on the own path where one is given, else the return-to-zero error. `also`:
    figures of both axes that are still to come. Raises InputError for a figure that is not there,
    or has no better side, or for odd weights; DataError where none is asked for and none is there.
    """
    usable = {(f.key, f.axis): f.definition for f in figures if not f.conditions}
    usable |= {(one.key, BOTH): one for one in also}
    if not words:
        better = {k: d for k, d in usable.items() if d.better != "neither"}
        if not better:
            raise DataError("the runs share no figure that says which design is better")
        usual = [(key, BOTH) for key in DEFAULTS if (key, BOTH) in better]
        key, axis = [*usual, *better][0]
        return (_criterion(better[key, axis], axis, float("nan"), by_person=False),)
    out, seen = [], set()
    for word in words:
        match = _ASKED.fullmatch(word.strip())
        if match is None:
            raise InputError(
                "--by is a figure's name, with :WEIGHT or without", value=word,
                mend="write return_to_zero, return_to_zero.x, or return_to_zero:0.5",
            )  # fmt: skip
        key, axis, weight = match[1], match[2] or BOTH, match[3]
        if (key, axis) not in usable and match[2] is None:
            axis = next((a for k, a in usable if k == key), axis)
        if (key, axis) not in usable:
            names = ", ".join(dict.fromkeys(k for k, _ in usable))
            raise InputError("these runs have no figure of this name", value=word,
                             mend=f"choose from {names}")  # fmt: skip
        if usable[key, axis].better == "neither":
            raise InputError("neither more nor less of this figure is better", value=word,
                             mend="rank by another one")  # fmt: skip
        if (key, axis) in seen:
            raise InputError("this criterion is given twice", value=word, mend="leave out one")
        seen.add((key, axis))
        out.append(_criterion(usable[key, axis], axis, _weight(word, weight), by_person=True))
    weighted = [c for c in out if np.isfinite(c.weight)]
    if weighted and len(weighted) < len(out):
        raise InputError(
            "some criteria have a weight and some have none", value=" ".join(words),
            mend="give every --by a weight, or none (then they form an order)",
        )  # fmt: skip
    return tuple(out)


def _weight(word: str, text: str | None) -> float:
    if text is None:
        return float("nan")
    try:
        weight = float(text)
    except ValueError:
        weight = float("nan")
    if not (np.isfinite(weight) and weight > 0):
        raise InputError("a weight is a number above 0", value=word, mend="write it as in :0.5")
    return weight


def _criterion(definition: Definition, axis: str, weight: float, *, by_person: bool) -> Criterion:
    better: Literal["less", "more"] = "more" if definition.better == "more" else "less"
    return Criterion(
        definition.key, axis, short_words(definition), definition.unit, better, weight,
        "person" if by_person else "default",
    )  # fmt: skip


def rank(
    criteria: Sequence[Criterion],
    figures: Sequence[FigureComparison],
    *,
    level: float,
    seed: int,
) -> Ranking:
    """Rank the designs; `figures` hold every criterion.

    Raises DataError when fewer than two designs have a figure for each criterion.
    """
    chosen = [
        next(f for f in figures if f.key == c.key and f.axis == c.axis and not f.conditions)
        for c in criteria
    ]
    names, unranked = [], []
    every = [d.suspension for f in figures for d in f.designs]
    every += [b.suspension for f in figures for b in f.beyond]
    for name in dict.fromkeys(every):
        lacking = [c.words for c, f in zip(criteria, chosen, strict=True) if f.of(name) is None]
        if lacking:
            beyond = {b.suspension for f in chosen for b in f.beyond}
            why = "; not all of its runs came back while they were watched" * (name in beyond)
            unranked.append(LeftOut(name, "rank", f"no figure for: {', '.join(lacking)}{why}"))
        else:
            names.append(name)
    weighted = all(np.isfinite(c.weight) for c in criteria)
    deciding = _score(criteria, chosen, level) if weighted else chosen[0]
    if weighted:
        names = [name for name in names if deciding.of(name) is not None]
    if not names:
        raise DataError("no design has a figure for every criterion")
    by = [deciding] if weighted else chosen
    signs = np.array([1.0 if weighted or c.better == "less" else -1.0 for c in criteria[: len(by)]])
    rng = np.random.default_rng(seed)
    means = np.array([[abs(_of(f, n).mean) for f in by] for n in names])
    drawn = np.stack([_draws(f, names, rng) for f in by], axis=-1)  # (draws, designs, criteria)
    # without a second unit of any design nothing is known of how units scatter
    blind = any(all(d.dof < 1 for d in f.designs) for f in by) and len(names) > 1
    groups = [_together(f, names) for f in by]
    keys = _in_order((means * signs)[None], groups)[0]
    places = _places(_in_order(drawn * signs, groups))
    order = [int(k) for k in np.lexsort(keys.T[::-1])]
    rows = [
        Ranked(
            names[k], place + 1, tuple(_of(f, names[k]).mean for f in chosen),
            _of(deciding, names[k]).mean if weighted else float("nan"),
            tuple(
                float("nan") if blind else float(np.mean(places[:, k] == p))
                for p in range(len(names))
            ),
        )
        for place, k in enumerate(order)
    ]  # fmt: skip
    return Ranking(
        "weights" if weighted else "order", tuple(criteria), deciding, tuple(rows),
        tuple(unranked), DRAWS, seed,
    )  # fmt: skip


def _of(figure: FigureComparison, name: str) -> DesignFigure:
    found = figure.of(name)
    assert found is not None
    return found


def _score(
    criteria: Sequence[Criterion], chosen: Sequence[FigureComparison], level: float
) -> FigureComparison:
    """The weighted geometric mean of every run's criteria, each over its mean of all runs.

    Formed for each run, so that what its figures share is not counted twice.
    """
    weights = np.array([c.weight for c in criteria])
    weights = weights / weights.sum()
    by_run = [{v.label: v for v in figure.values} for figure in chosen]
    labels = [v.label for v in chosen[0].values if all(v.label in one for one in by_run)]
    logs, doubts = np.empty((2, len(labels), len(chosen)))
    for c, (criterion, one) in enumerate(zip(criteria, by_run, strict=True)):
        sizes = np.array([abs(one[label].value) for label in labels])
        least = FLOOR * max(float(np.median(sizes)), 1e-12)  # nothing at all has no logarithm
        sizes = np.maximum(sizes, least)
        sign = 1.0 if criterion.better == "less" else -1.0
        logs[:, c] = sign * (np.log(sizes) - np.log(sizes).mean())
        doubts[:, c] = np.array([one[label].u for label in labels]) / sizes
    value, u = np.exp(logs @ weights), np.sqrt(doubts**2 @ weights**2)
    words = " and ".join(f"{c.words.lower()} ({100 * w:.0f} %)" for c, w in zip(criteria, weights,
                                                                        strict=True))  # fmt: skip
    definition = Definition(
        "score", f"Score of {words}",
        "product of (figure / geometric mean over all runs) to the power of its weight",
        "weighted product model: Bridgman, Dimensional Analysis, 1922 (from memory)", "1", "less",
    )  # fmt: skip
    return compare_figure(
        definition, BOTH, (),
        [
            RunValue(label, by_run[0][label].suspension, by_run[0][label].unit, float(v),
                     float(v * d), by_run[0][label].origin)
            for label, v, d in zip(labels, value, u, strict=True)
        ],
        level=level,
    )  # fmt: skip


def _draws(figure: FigureComparison, names: Sequence[str], rng: np.random.Generator) -> Floats:
    """Means (draws, designs) under their intervals; one unit alone is drawn as with one degree of
    freedom and the spread of the design that scatters most: nothing is known of its own."""
    log = figure.scale == "log"
    known = [d for d in figure.designs if d.dof >= 1]
    worst = max((d.u * np.sqrt(len(d.units)) for d in known), default=0.0)
    out = np.empty((DRAWS, len(names)))
    for k, name in enumerate(names):
        d = figure.of(name)
        assert d is not None
        middle = np.log(d.mean) if log else d.mean
        if d.dof >= 1:
            u, dof = d.u, d.dof
        else:
            u, dof = max(float(worst), d.u), 1.0
        value = middle + u * rng.standard_t(dof, DRAWS)
        out[:, k] = np.exp(np.clip(value, -700, 700)) if log else np.abs(value)
    return out


def _together(figure: FigureComparison, names: Sequence[str]) -> Floats:
    """(designs, designs): 1 where the data do not separate two designs in this figure."""
    out = np.ones((len(names), len(names)))
    for i, a in enumerate(names):
        for j, b in enumerate(names):
            d = figure.between(a, b)
            out[i, j] = float(i == j or d is None or not d.separated)
    return out


def _in_order(values: Floats, together: Sequence[Floats]) -> Floats:
    """Sort keys (draws, designs, criteria) of an order.

    By each criterion but the last, designs join the group of the best one that is left and from
    which they are not separated; the group's number comes first, the last criterion decides.
    """
    draws, count, criteria = values.shape
    keys = np.empty_like(values)
    for n in range(draws):
        block = np.zeros(count)
        for c in range(criteria):
            if c == criteria - 1:
                keys[n, :, c] = values[n, :, c]
            else:
                block = _blocks(values[n, :, c], together[c], block)
                keys[n, :, c] = block
    return keys


def _blocks(values: Floats, together: Floats, within: Floats) -> Floats:
    """Numbers of groups of designs that cannot be told apart, inside the groups so far."""
    out = np.empty(len(values))
    rest = list(np.lexsort((values, within)))
    number = 0
    while rest:
        best = rest[0]
        group = [k for k in rest if together[best, k] and within[k] == within[best]]
        for k in group:
            out[k] = number
        rest = [k for k in rest if k not in group]
        number += 1
    return out


def _places(keys: Floats) -> Floats:
    """Place of every design in every draw (draws, designs), from sort keys (…, criteria)."""
    draws, count = keys.shape[:2]
    out = np.empty((draws, count))
    for n in range(draws):
        out[n, np.lexsort(keys[n].T[::-1])] = np.arange(count)
    return out
