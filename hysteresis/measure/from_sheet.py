"""A typed reading sheet made into a recording: the steps in their order."""

from __future__ import annotations

from collections.abc import Set as AbstractSet

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.measure.granularity import rounding_sigma, rounding_step
from hysteresis.measure.line_shifts import find_shifts
from hysteresis.measure.measured import Doubt, Measured
from hysteresis.measure.neighbours import FEWEST, background_of, neighbours_say
from hysteresis.measure.slips import find_slips
from hysteresis.measure.typed_sheet import Placed, listed, pattern_from, placed_in
from hysteresis.tables import Floats, Pattern, Recording, TypedSheet

NOT_READ = "not read"
_FALLBACK_STEP_MM = 0.5
_FEWEST_REPEATS = 3


def measure_typed(
    sheet: TypedSheet,
    pattern: Pattern | None,
    bench: Bench,
    *,
    keep: AbstractSet[int] = frozenset(),
    kept: AbstractSet[int] = frozenset(),
    keep_all: bool = False,
) -> Measured:
    """Turn a typed sheet into a recording; without a pattern, the sheet's own drives make one.

    Rows in doubt are kept with `used` False and a reason.

    Parameters
    ----------
    keep, keep_all : numbers of readings (or all) that are used although they are in doubt.
    kept : the same for readings that were confirmed before: whether they are in doubt or not.

    Raises
    ------
    InputError : the sheet does not belong to the pattern, no position is filled in, or `keep`
        names a reading that is not in doubt.
    """
    read = np.column_stack([sheet.x_mm, sheet.y_mm])
    if np.isnan(read).all():
        raise InputError(
            "no position is filled in on the sheet", column="x_mm", mend="type the readings"
        )
    placed = pattern_from(sheet) if pattern is None else placed_in(sheet, pattern)
    repeats = np.maximum(np.column_stack([sheet.repeats_x, sheet.repeats_y]), 1.0)
    step = rounding_step((read * repeats).ravel())  # sums, as means lie on no step
    rounding = rounding_sigma(step or _FALLBACK_STEP_MM)
    reader = _scatter_of_reader(sheet, repeats)
    single = max(rounding, reader, _scatter_of_repeats(sheet, read, step or _FALLBACK_STEP_MM))
    # reading a step again averages the reader's own scatter, not what the rig does differently
    # each time, and never what rounding hides from all of them
    sigma = np.sqrt(np.maximum(single**2 - reader**2 * (1.0 - 1.0 / repeats), rounding**2))

    doubts = _doubts(sheet, placed, read, bench, step, rounding)
    for number in sorted(keep - set(doubts)):
        raise InputError(
            "this reading is not in doubt, so there is nothing to keep", value=number,
            mend="name readings that the table of doubtful rows lists",
        )  # fmt: skip
    keep = keep | kept
    reason = np.full(len(sheet), "", dtype=object)
    reason[np.isnan(read).all(axis=1)] = NOT_READ
    for row, number in enumerate(sheet.reading.tolist()):
        if number in doubts and not keep_all and number not in keep:
            reason[row] = "doubtful: " + "; ".join(doubts[number])

    recording = Recording(
        t_s=placed.t_s,
        exposure_s=np.zeros(len(sheet)),
        x_mm=sheet.x_mm.copy(),
        y_mm=sheet.y_mm.copy(),
        sigma_x_mm=sigma[:, 0].copy(),
        sigma_y_mm=sigma[:, 1].copy(),
        used=reason == "",
        reason=reason,
        segment=placed.segment,
    )
    return Measured(
        source="typed",
        recording=recording,
        number=sheet.reading.copy(),
        pattern=placed.pattern,
        doubts=tuple(
            Doubt(number, "; ".join(texts))
            for number, texts in doubts.items()
            if not keep_all and number not in keep
        ),
        notes=(*placed.notes, *_notes(sheet, read, step)),
        derived=pattern is None,
        rounding_mm=step,
    )


def _doubts(
    sheet: TypedSheet, placed: Placed, read: Floats, bench: Bench, step: float, rounding: float
) -> dict[int, list[str]]:
    """What speaks against which reading, by its number, in the order of the sheet."""
    background = background_of(placed.pattern, placed.likely_s, bench)
    shifts = find_shifts(background, read, rounding)
    off = np.zeros(len(sheet), dtype=bool)
    for shift in shifts:
        off[shift.first : shift.last + 1] = True
    said = neighbours_say(background, read, rounding, left_out=off)
    full = background.full_scale_mm
    found: dict[int, list[str]] = {}
    for row in placed.late:
        found.setdefault(int(sheet.reading[row]), []).append(
            f"t_s = {sheet.t_s[row]:g} s lies outside this reading's hold"
        )
    numbers = sheet.reading.tolist()
    for shift in shifts:
        text = (
            f"readings {numbers[shift.first]} to {numbers[shift.last]} look shifted by one line, "
            f"as if written one line too {'low' if shift.by > 0 else 'high'}"
        )
        for row in shift.rows:
            if not np.isnan(read[row]).all():
                found.setdefault(numbers[row], []).append(text)
    decimals = max(0, int(np.ceil(-np.log10(step or _FALLBACK_STEP_MM))))
    for slip in find_slips(read, said, full, step or _FALLBACK_STEP_MM):
        if off[slip.row]:
            continue  # told once, with its run
        value, name = read[slip.row, slip.axis], "xy"[slip.axis]
        text = (
            f"{name} = {value:g} mm, the neighbours suggest about "
            f"{slip.suggested_mm:.{min(decimals, 1)}f} mm"
        )
        text += f", {slip.guess}" if slip.guess else ""
        found.setdefault(int(sheet.reading[slip.row]), []).append(text)
    return dict(sorted(found.items()))


def _scatter_of_reader(sheet: TypedSheet, repeats: Floats) -> float:
    """Standard deviation of single readings of one step, pooled over steps and axes; 0 without.

    Variances are weighted by their degrees of freedom (pooled variance: any textbook).
    """
    scatter = np.column_stack([sheet.scatter_x_mm, sheet.scatter_y_mm])
    freedom = np.where(np.isnan(scatter), 0.0, repeats - 1.0)
    if not freedom.sum():
        return 0.0
    return float(np.sqrt((np.nan_to_num(scatter) ** 2 * freedom).sum() / freedom.sum()))


def _scatter_of_repeats(sheet: TypedSheet, read: Floats, step: float) -> float:
    """Standard deviation of readings that repeat others, both axes together (one reader and one
    ruler); 0 with too few of them.

    Readings repeat each other when the drive was the same at both and at the three readings
    before. Half of the squared difference of two repeats is a variance (JCGM 100:2008, 4.2);
    what all differences of an axis have in common is drift, the rig's and not the reader's.
    """
    drive = np.round(np.column_stack([sheet.drive_x, sheet.drive_y]), 3)
    past = [tuple(drive[max(row - 3, 0) : row + 1].ravel().tolist()) for row in range(len(sheet))]
    sizes, freedom = [], 0
    for axis in range(2):
        differences = []
        last: dict[tuple[float, ...], float] = {}
        for row in range(3, len(sheet)):
            value = float(read[row, axis])
            if np.isnan(value):
                continue
            if past[row] in last:
                differences.append(value - last[past[row]])
            last[past[row]] = value
        if len(differences) >= _FEWEST_REPEATS:
            sizes.append(np.abs(np.array(differences) - np.median(differences)))
            freedom -= 1
    if not sizes:
        return 0.0
    size = np.concatenate(sizes)
    # 1.4826: median absolute deviation to standard deviation of a normal distribution; a slip of
    # the pen is no scatter, but neither is a rounding step a slip
    size = size[size <= max(3.0 * 1.4826 * float(np.median(size)), 2.5 * step)]
    return float(np.sqrt((size**2).sum() / max(freedom + len(size), 1) / 2.0))


def _notes(sheet: TypedSheet, read: Floats, step: float) -> tuple[str, ...]:
    notes = []
    missing = np.isnan(read)
    for which, words in (
        (missing.all(axis=1), "readings not filled in: "),
        (missing[:, 0] & ~missing[:, 1], "readings without x: "),
        (missing[:, 1] & ~missing[:, 0], "readings without y: "),
    ):
        if which.any() and not (which.all()):
            notes.append(words + listed(sheet.reading[which].tolist()))
        elif which.all():
            notes.append("only one axis was read: " + ("y" if missing[:, 0].all() else "x"))
    if step == 0.0:
        notes.append(
            f"the step to which the values were rounded cannot be seen; {_FALLBACK_STEP_MM:g} mm "
            "is assumed"
        )
    for axis, name in enumerate("xy"):
        if 0 < int((~missing[:, axis]).sum()) < FEWEST:
            notes.append(f"too few readings of {name} to look for slips of the pen in them")
    return tuple(notes)
