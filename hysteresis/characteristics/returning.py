"""What is left after a held excursion, and what creeps while it is held: zero return and creep.

In the sense of the tests of force transducers (ISO 376:2011, relative zero error f₀ and creep c,
formulas from memory) and load cells (OIML R 60-1:2021, 3.5.10 and 3.7.1). Their times are
prescribed; here the actual dwell and wait stand beside each figure (OIML R 60-2, 2.8.3.2).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hysteresis.characteristics.spread import largest, root_mean_square
from hysteresis.characteristics.view import Found, View, by_axis
from hysteresis.degrees_of_freedom import effective_dof
from hysteresis.metrics import Residue, ReturnToZero

SAME_SIZE = 0.02  # of full scale: excursions of one size


def figures(view: View) -> Iterator[Found]:
    """Return-to-zero error, zero error, zero return, creep at zero and at a held drive."""
    for axis, cells in by_axis(view.returns()).items():
        yield from _return_to_zero(view, axis, cells)
        yield from _at_largest(view, axis, cells)
        yield from _creep(view, axis, cells)


def _return_to_zero(view: View, axis: str, cells: list[ReturnToZero]) -> Iterator[Found]:
    per_mm = 100.0 / cells[0].full_scale_mm
    # where the mirror still rings, a model's phase is another: both means are off by the scatter
    twice = float(np.sqrt(2.0)) if view.exact else 1.0
    for cell in cells:
        for name, residue in (("first", cell.first), ("last", cell.last)):
            if residue is not None:
                yield Found(
                    "return_to_zero", axis, f"{cell.group}/{name}", per_mm * residue.error_mm,
                    per_mm * twice * residue.u_mm, residue.dof, _when(cell, residue), per_mm,
                )  # fmt: skip
    first = np.array([cell.first.error_mm for cell in cells])
    u = twice * np.array([cell.first.u_mm for cell in cells])
    value, doubt = root_mean_square(first, u)
    if view.exact:  # no noise to take off; what still rings stays in doubt
        value = float(np.sqrt(np.mean(first**2)))
    yield Found("return_to_zero", axis, "", per_mm * value, per_mm * doubt, per_mm=per_mm)
    worst = int(np.argmax(np.abs(first)))
    value, doubt = (float(abs(first[worst])), u[worst]) if view.exact else largest(first, u)
    yield Found("return_to_zero_worst", axis, "", per_mm * value, per_mm * doubt, per_mm=per_mm)


def _at_largest(view: View, axis: str, cells: list[ReturnToZero]) -> Iterator[Found]:
    """The cells of the largest size: f₀ of each, and the zero return after the longest dwell."""
    size = max(abs(cell.excursion_fs) for cell in cells)
    at_most = [c for c in cells if abs(c.excursion_fs) > size - SAME_SIZE and c.held is not None]
    if not at_most:
        return
    errors, doubts = [], []
    for cell in at_most:
        assert cell.held is not None
        way = abs(cell.held.error_mm)
        value, u = cell.first.error_mm / way, cell.first.u_mm / way
        errors.append(100.0 * value * np.sign(cell.held.error_mm))
        doubts.append(100.0 * float(np.hypot(u, value * cell.held.u_mm / way)))
        yield Found(
            "relative_zero_error", axis, cell.group, errors[-1], doubts[-1], cell.first.dof,
            _when(cell, cell.first), 100.0 / way,
        )  # fmt: skip
    values, u_all = np.array(errors), np.array(doubts)
    value, u = (float(np.max(np.abs(values))), 0.0) if view.exact else largest(values, u_all)
    per_mm = 100.0 / abs(at_most[0].held.error_mm)  # type: ignore[union-attr]
    yield Found("relative_zero_error", axis, "", value, u, per_mm=per_mm)
    long = max(at_most, key=lambda c: (round(c.dwell_s, 3), c.excursion_fs))
    side = float(np.sign(long.excursion_fs))
    yield Found("zero_return", axis, "", side * long.first.error_mm, long.first.u_mm,
                long.first.dof, per_mm=1.0)  # fmt: skip


def _creep(view: View, axis: str, cells: list[ReturnToZero]) -> Iterator[Found]:
    """Last reading less first, after the return and during the hold, in % of the deflection."""
    for key, early, late in (
        ("creep_at_zero", "first", "last"), ("creep_at_held_drive", "held_early", "held")
    ):  # fmt: skip
        values, doubts = [], []
        per_mm = np.inf
        for cell in cells:
            one, two = getattr(cell, early), getattr(cell, late)
            if one is None or two is None or cell.held is None or two.wait_s < 1.5 * one.wait_s:
                continue
            way = 100.0 / abs(cell.held.error_mm)
            side = float(np.sign(cell.held.error_mm))
            values.append(side * way * (two.error_mm - one.error_mm))
            doubts.append(way * float(np.hypot(two.own_u_mm, one.own_u_mm)))
            per_mm = min(per_mm, way)
            dof = effective_dof(((one.own_u_mm, one.dof), (two.own_u_mm, two.dof)))
            yield Found(
                key, axis, cell.group, values[-1], doubts[-1], dof,
                (("excursion_fs", cell.excursion_fs, "FS"), ("dwell_s", cell.dwell_s, "s"),
                 ("from_s", one.wait_s, "s"), ("to_s", two.wait_s, "s")), way,
            )  # fmt: skip
        if values:
            u_all = np.array(doubts) * (0.0 if view.exact else 1.0)
            value, u = root_mean_square(np.array(values), u_all)
            yield Found(key, axis, "", value, u, per_mm=per_mm)


def _when(cell: ReturnToZero, residue: Residue) -> tuple[tuple[str, float, str], ...]:
    return (
        ("excursion_fs", cell.excursion_fs, "FS"), ("dwell_s", cell.dwell_s, "s"),
        ("wait_s", residue.wait_s, "s"),
    )  # fmt: skip
