"""A simulated person with a ruler: reads the spot at the end of each numbered segment.

And slips when writing it down, in the ways people do.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, get_args

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.tables import Bools, Floats, Ints, Pattern, TypedSheet
from hysteresis.virtual_bench.play import Played

Typo = Literal["any", "digit", "sign", "unit", "none"]
SlipKind = Literal["digit", "sign", "cm", "inch", "point", "axes", "rows"]
SLIP_KINDS: tuple[SlipKind, ...] = get_args(SlipKind)
BEFORE_END_S = 0.6
"""The person reads about this long before the next move, give or take half a second."""


def read_with_ruler(
    played: Played,
    pattern: Pattern,
    bench: Bench,
    seed: int,
    *,
    sequence: int = 0,
    rounding_mm: float = 0.5,
    scatter_mm: float = 0.0,
    time_jitter_s: float = 0.5,
    typo: Typo = "any",
    missing: bool = True,
) -> TypedSheet:
    """The sheet a person would type: one row for each `reading/NNN` segment of the pattern.

    The spot is read against the screen's marks (their zero is the ruler's) with a normal error of
    standard deviation `scatter_mm`, rounded to `rounding_mm` (0: not rounded), at a moment that
    strays by up to `time_jitter_s` from the time noted. `typo`: one entry is mistyped (a digit
    slip, a sign slip, or centimetres for millimetres); `missing`: one entry is left empty. Raises
    InputError when the pattern has no numbered readings.
    """
    number, start_s, end_s = readings_of(pattern)
    rng = np.random.default_rng([seed, 6, sequence])
    n = len(number)
    noted: Floats = np.maximum(end_s - BEFORE_END_S, start_s)
    true = noted + rng.uniform(-time_jitter_s, time_jitter_s, n)
    true = np.clip(true, start_s, end_s)
    xy = np.column_stack([np.interp(true, played.t_s, a) for a in (played.x_mm, played.y_mm)])
    if scatter_mm > 0.0:
        xy += np.random.default_rng([seed, 8, sequence]).normal(0.0, scatter_mm, xy.shape)
    if rounding_mm > 0.0:
        xy = np.round(xy / rounding_mm) * rounding_mm + 0.0  # + 0.0: no minus zero on paper

    if typo != "none":
        _mistype(xy, typo, rng)
    if missing:
        xy[rng.integers(n), rng.integers(2)] = np.nan
    return TypedSheet(
        number,
        noted.round(1),
        np.interp(noted, pattern.t_s, pattern.drive_x),
        np.interp(noted, pattern.t_s, pattern.drive_y),
        xy[:, 0],
        xy[:, 1],
        np.full(n, "", object),
    )


def readings_of(pattern: Pattern) -> tuple[Ints, Floats, Floats]:
    """Number, start and end of every `reading/NNN` segment, in the order of time."""
    names = pattern.segment
    found: dict[str, tuple[float, float]] = {}
    for i, name in enumerate(names[:-1]):
        words = str(name).split("/")
        if words[0] == "reading" and len(words) > 1:
            start = found[words[1]][0] if words[1] in found else pattern.t_s[i]
            found[words[1]] = (start, pattern.t_s[i + 1])
    if not found:
        raise InputError(
            "the pattern has no numbered readings",
            mend="plan one with the reading-steps pattern, or use a camera",
        )
    number = np.array([int(word) for word in found], np.int64)
    start, end = np.array(list(found.values())).T
    return number, start, end


def _mistype(xy: Floats, typo: Typo, rng: np.random.Generator) -> None:
    """Mistype one entry of the (n, 2) readings in place, one that is large enough to show it."""
    kind = str(rng.choice(["digit", "sign", "unit"])) if typo == "any" else typo
    size = np.abs(xy)
    candidates = np.argwhere(size >= min(10.0, size.max()))
    row, column = candidates[rng.integers(len(candidates))]
    value = xy[row, column]
    if kind == "sign":
        xy[row, column] = -value
    elif kind == "unit":
        xy[row, column] = value / 10.0
    else:
        # the digit of the tens is hit one key to the side
        shift = 10.0 if rng.random() < 0.5 or abs(value) < 20.0 else -10.0
        xy[row, column] = value + np.copysign(shift, value)


# ---- slips of the pen ----------------------------------------------------------------------------


def slip_into(
    sheet: TypedSheet, kind: SlipKind, rng: np.random.Generator
) -> tuple[TypedSheet, Bools]:
    """The sheet with one slip of this kind at a random place, and which values (n, 2) it changed.

    Kinds: digit (one digit wrong, doubled, left out, or two exchanged), sign, cm and inch (read
    on the wrong scale), point (ten times too much or too little), axes (x and y exchanged), rows
    (4 to 15 lines written one line too low or too high). A slip may change little, or nothing.
    """
    xy = np.column_stack([sheet.x_mm, sheet.y_mm])
    before = xy.copy()
    if kind == "rows":
        length = int(rng.integers(4, min(16, len(xy) - 1)))
        first = int(rng.integers(1, len(xy) - length))
        run = np.arange(first, first + length)
        xy[run] = before[run + int(rng.choice([-1, 1]))]
    elif kind == "axes":
        row = int(rng.choice(np.flatnonzero(~np.isnan(xy).any(axis=1))))
        xy[row] = xy[row, ::-1]
    else:
        places = np.argwhere(~np.isnan(xy) & (xy != 0.0))
        row, axis = places[rng.integers(len(places))]
        xy[row, axis] = round(_slipped(float(xy[row, axis]), kind, rng), 6)
    changed = (xy != before) & ~(np.isnan(xy) & np.isnan(before))
    return replace(sheet, x_mm=xy[:, 0], y_mm=xy[:, 1]), changed


def _slipped(value: float, kind: str, rng: np.random.Generator) -> float:
    if kind == "sign":
        return -value
    if kind == "cm":
        return value / 10.0
    if kind == "inch":
        return round(value / 25.4, 2)
    if kind == "point":
        return value * 10.0 if rng.random() < 0.5 else value / 10.0
    sign, text = ("-" if value < 0 else ""), f"{abs(value):.2f}".rstrip("0").rstrip(".")
    places = [i for i, mark in enumerate(text) if mark != "."]
    i = places[rng.integers(len(places))]
    way = str(rng.choice(["wrong", "doubled", "left out", "exchanged"]))
    if way == "exchanged" and len(places) > 1:
        k = int(rng.integers(len(places) - 1))
        i, j = places[k], places[k + 1]
        digits = list(text)
        digits[i], digits[j] = digits[j], digits[i]
        return float(sign + "".join(digits))
    if way == "left out" and len(places) > 1:
        return float(sign + "0" + text[:i] + text[i + 1 :])
    if way == "doubled":
        return float(sign + text[:i] + text[i] + text[i:])
    return float(sign + text[:i] + str(rng.integers(10)) + text[i + 1 :])
