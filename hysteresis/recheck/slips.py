"""Slips of the pen in six readings: the stored model foretells each, and so do the other readings.

With so few readings one slip passes for a change of the rig, so each is doubted that nothing else
bears out: one that would fit with its sign turned, and one that lies elsewhere than both the stored
model and the model moved to all other readings foretell. A real change shows in several readings,
which bear one another out.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from hysteresis.errors import InputError
from hysteresis.measure.measured import Doubt, Measured
from hysteresis.model import RigModel
from hysteresis.recheck.estimate import FEWEST, Sight, estimated, sight_of
from hysteresis.tables import Bools, Floats, Pattern

OFF_FS = 0.06  # of full scale: further than a ruler slips (common practice, no source)
FAR_FS = 0.1  # from zero: here a sign can be told
TURNED = 0.3  # of the foretold place: so near it lies with its sign turned


def without_slips(
    model: RigModel, pattern: Pattern, measured: Measured, *, ruler_mm: float,
    full_mm: tuple[float, float], kept: Collection[int] = (),
) -> Measured:  # fmt: skip
    """The readings with the doubtful ones set aside, but for those `kept` by the person's word.

    Raises InputError where too few are left: there the whole sheet is in doubt.
    """
    recording = measured.recording
    sight = sight_of(model, pattern, recording, camera_mm=ruler_mm, full_mm=full_mm)
    doubts, aside = [], np.zeros(len(recording), bool)
    for k, text in _doubtful(sight).items():
        rows = np.isclose(recording.t_s, sight.seen.start_s[k]) & recording.used
        numbers = sorted({int(n) for n in measured.number[rows]} - set(kept))
        aside |= rows & np.isin(measured.number, numbers)
        doubts += [Doubt(n, text) for n in numbers]
    if not doubts:
        return measured
    left = int((recording.used & ~aside).sum())
    if left < FEWEST["typed"]:
        raise InputError(
            f"{len(doubts)} of the readings are where the stored model does not foretell them, and "
            f"only {left} are left; reading {doubts[0].number}: {doubts[0].text}",
            mend="look at the sheet once more; --keep-all uses every reading",
        )
    reason = recording.reason.copy()
    for row in np.flatnonzero(aside):
        told_of = {d.number: d.text for d in doubts}
        reason[row] = f"doubtful: {told_of[int(measured.number[row])]}"
    told = replace(recording, used=recording.used & ~aside, reason=reason)
    return replace(measured, recording=told, doubts=(*measured.doubts, *doubts))


def _doubtful(sight: Sight) -> dict[int, str]:
    """Rows of the sight that nothing bears out, and why."""
    seen = (sight.seen.x_mm, sight.seen.y_mm)
    foretold = np.split(sight.unmoved[0], 2)
    out: dict[int, str] = {}
    sound: Bools = np.ones(len(sight.stretch), bool)
    for name, at, there, full in zip("xy", seen, foretold, sight.full_mm, strict=True):
        with np.errstate(invalid="ignore"):
            turned = (np.abs(there) > FAR_FS * full) & (at * there < 0.0)
            turned &= np.abs(at + there) < TURNED * np.abs(there)
        for k in np.flatnonzero(turned):
            out.setdefault(int(k), f"{_place(name, at[k], there[k])}: is its sign turned?")
        sound &= ~turned
    limit = OFF_FS * np.array(sight.full_mm)[:, None]
    off = np.abs(np.array(seen) - np.array(foretold)) > limit  # NaN: not seen, not off
    while True:  # the worst first: while it is in, it draws the others' foretelling to itself
        worst, size = -1, 0.0
        for k in np.flatnonzero(off.any(axis=0) & sound):
            others = sound.copy()
            others[k] = False
            found = estimated(sight, rows=others)
            left: Floats = np.array([found.left_x_mm[k], found.left_y_mm[k]])
            both = off[:, k] & (np.abs(left) > limit[:, 0])
            if both.any() and (least := float(np.abs(left[both]).max())) > size:
                worst, size, axis = int(k), least, int(np.argmax(both))
                text = (
                    f"{_place('xy'[axis], seen[axis][k], foretold[axis][k])}, and the other "
                    f"readings {seen[axis][k] - left[axis]:.1f} mm"
                )
        if worst < 0:
            break
        out[worst] = text
        sound[worst] = False
    return out


def _place(axis: str, at: float, foretold: float) -> str:
    return f"{axis} is {at:g} mm, but the stored model foretells {foretold:.1f} mm"
