"""Fast pre-distortion of long paths on an even clock: all passes per block, one thread or two.

`RigModel.drives` goes through a path once per pass and takes any clock. This gives the same drives
for one constant step, as an output at an audio rate wants them, several times sooner: a block of
1024 samples goes through every pass while it is in the cache (`kernels.pre_distortion`).
"""

from __future__ import annotations

from threading import Thread

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.model import RigModel, RigState
from hysteresis.optics import RigOptics, turned
from hysteresis.tables import Floats


def drives_on_even_clock(
    model: RigModel,
    x_mm: Floats,
    y_mm: Floats,
    step_s: float,
    state: RigState | None = None,
    *,
    threads: int = 1,
) -> tuple[Floats, Floats, RigState]:
    """Drives that put the spot on the wanted path: `RigModel.drives` for one constant step.

    Parameters
    ----------
    x_mm, y_mm : (n,) wanted spots (mm).
    step_s : time (s) from each sample to the next, and from `state` to the first.
    state : the rig's state before; None: at rest without a past. Not changed.
    threads : 1, or 2 for one axis each.

    Returns drive x, drive y (n,), fractions of full scale, and the state after. They are those of
    `RigModel.drives` but for rounding (1e-10, and what inertia makes of the last bit of an angle,
    which is larger at high rates); the same to the last bit for one thread and two, and for a
    path in pieces of a multiple of 1024 samples. An axis of another form than `AxisModel` goes
    through the plain passes.

    Raises ValueError where the lengths disagree, the step is not positive or a state does not
    belong to the model.
    """
    from hysteresis.kernels import pre_distortion

    x, y = (np.ascontiguousarray(v, dtype=float) for v in (x_mm, y_mm))
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError("x_mm and y_mm are two lists of equal length")
    if not (step_s > 0.0 and np.isfinite(step_s)):
        raise ValueError("the time step is positive")
    if threads not in (1, 2):
        raise ValueError("one thread, or two")
    rest = model.rest()
    before = rest if state is None else state
    after = RigState(np.array(before.x, dtype=float), np.array(before.y, dtype=float))
    if after.x.shape != rest.x.shape or after.y.shape != rest.y.shape:
        raise ValueError("the state does not belong to the model")
    axis_x, axis_y = model.axis_x, model.axis_y
    if not (isinstance(axis_x, AxisModel) and isinstance(axis_y, AxisModel)):
        return model.drives(x, y, step_s, after)
    x, y = turned(x, y, -model.optics.turn_rad)
    step, optics = float(step_s), packed_optics(model.optics)
    out_x, out_y = np.empty(x.size), np.empty(x.size)
    own_x, own_y = (_own(axis, s) for axis, s in ((axis_x, after.x), (axis_y, after.y)))
    for_x = (*axis_x.packed(), after.x[:own_x], out_x)
    for_y = (*axis_y.packed(), after.y[:own_y], out_y)
    if threads == 1:
        pre_distortion.drives_of_both(x, y, step, optics, *for_x, *for_y)
    else:
        one = pre_distortion.drive_of_axis
        other = Thread(target=one, args=(1, x, y, step, optics, *for_y))
        other.start()
        one(0, x, y, step, optics, *for_x)
        other.join()
    if own_x < after.x.size:
        out_x, after.x[own_x:] = axis_x.chain.inverse(out_x, step, after.x[own_x:])
    if own_y < after.y.size:
        out_y, after.y[own_y:] = axis_y.chain.inverse(out_y, step, after.y[own_y:])
    return out_x, out_y, after


def _own(axis: AxisModel, state: Floats) -> int:
    """Length of the state without that of the drive chain."""
    return state.size - (0 if axis.chain.is_plain else axis.chain.rest().size)


def packed_optics(optics: RigOptics) -> Floats:
    """The optics as the kernel `beam_angles` takes them."""
    from hysteresis.kernels import beam_angles

    return beam_angles.packed(
        optics.distance_mm * np.exp(optics.log_distance), optics.gap_mm,
        optics.full_scale_x_rad, optics.full_scale_y_rad,
        optics.coupling_xy, optics.coupling_yx, optics.offset_x_mm, optics.offset_y_mm,
        optics.tilt_x_per_mm, optics.tilt_y_per_mm,
    )  # fmt: skip
