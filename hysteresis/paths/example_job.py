"""An invented workshop job: a layered tile with a gasket ring, parked to one side every layer.

Nothing here is taken from a real job. Each layer traces the tile's rounded outline, the two
circles of the gasket and a serpentine filling that leaves the gasket's inside free, along x and
y in turn; then the beam goes off and the spot waits at one side, as it would while the next
layer is prepared.
"""

from __future__ import annotations

import math

from hysteresis.errors import InputError
from hysteresis.paths.rs274 import read_rs274
from hysteresis.paths.timing import Timing, plan_motion

# Those that `timing_for` finds for the bench of the template; pass your own bench's instead.
EXAMPLE_TIMING = Timing(travel_mm_s=300.0, acceleration_mm_s2=5625.0, kernel_s=2.0 / 150.0)

FEEDS_MM_S = (2.0, 1000.0)  # slower or faster than this, the example makes no sense


def layered_tile_job(
    layers: int = 6,
    *,
    duration_s: float = 45.0,
    side_mm: float = 34.0,
    spacing_mm: float = 4.0,
    ring_mm: tuple[float, float] = (7.0, 9.0),
    corner_mm: float = 3.0,
    centre_mm: tuple[float, float] = (0.0, 0.0),
    full_scale_x_mm: float = 50.0,
    park_share: float = 0.8,
    park_s: float = 3.0,
    timing: Timing = EXAMPLE_TIMING,
) -> str:
    """Write the job as RS-274 text whose feed makes it last `duration_s`.

    Parameters
    ----------
    layers : how many, each ending with a park.
    duration_s : length of the whole job on the clock of `timing`, smoothing included.
    side_mm, corner_mm : side of the tile and radius of its corners.
    spacing_mm : distance of the filling's lines.
    ring_mm : radii of the gasket's two circles, at the tile's centre.
    centre_mm : centre of the tile in the field.
    full_scale_x_mm, park_share, park_s : the spot parks at x = park_share × full scale, y = 0,
        for so many seconds.
    timing : settings of the clock, for example `timing_for(bench)`.

    Raises
    ------
    InputError when the sizes do not fit together or no feed gives that duration.
    """
    inner, outer = ring_mm
    half = 0.5 * side_mm
    if not (layers >= 1 and 0 < inner < outer < half - spacing_mm and 0 < corner_mm < half):
        raise InputError(
            "the sizes of the example job do not fit together",
            mend="let the ring lie inside the tile, one line apart, and take one layer or more",
        )
    if not (spacing_mm > 0 and park_s >= 0):
        raise InputError(
            "the example job needs a line spacing above 0 and a park of 0 s or more",
            mend="give other figures",
        )

    def text_at(feed_mm_s: float) -> str:
        lines = [
            "(Invented example: layered tile with a gasket ring.)",
            "(The beam goes off and the spot parks at one side after every layer.)",
            "G17 G21 G90",
            "M5",
        ]
        park_x = park_share * full_scale_x_mm
        for layer in range(layers):
            lines.append(f"(layer {layer + 1} of {layers})")
            lines += _outline(half, corner_mm, centre_mm, feed_mm_s)
            for radius in ring_mm:
                lines += _circle(radius, centre_mm)
            lines += _filling(half - 0.5 * spacing_mm, spacing_mm, outer, centre_mm, layer % 2 == 1)
            lines += ["M5", f"G0 X{park_x:.3f} Y0.000", f"G4 P{park_s:.3f}"]
        return "\n".join([*lines, "M2", ""])

    def lasts_s(feed_mm_s: float) -> float:
        line = read_rs274(text_at(feed_mm_s)).polyline
        return plan_motion(line, timing).end_s + timing.kernel_s

    slow, fast = FEEDS_MM_S
    longest, shortest = lasts_s(slow), lasts_s(fast)
    if not shortest <= duration_s <= longest:
        raise InputError(
            f"the example job cannot last {duration_s:g} s: with these sizes it takes "
            f"{shortest:.1f} to {longest:.1f} s",
            mend="change the duration, the number of layers or the park",
        )
    for _ in range(40):  # halve the bracket: faster always means shorter
        middle = math.sqrt(slow * fast)
        if lasts_s(middle) > duration_s:
            slow = middle
        else:
            fast = middle
        if fast - slow < 1e-3:
            break
    return text_at(fast)


def _outline(
    half: float, corner: float, centre: tuple[float, float], feed_mm_s: float
) -> list[str]:
    """The rounded square, counter-clockwise from the middle of its lower side."""
    cx, cy = centre
    flat = half - corner

    def at(x: float, y: float) -> str:
        return f"X{cx + x:.3f} Y{cy + y:.3f}"

    lines = [f"G0 {at(0, -half)}", "M3 S1000", f"G1 {at(flat, -half)} F{60 * feed_mm_s:.1f}"]
    for to_corner, to_side in (
        ((half, -flat), (half, flat)),
        ((flat, half), (-flat, half)),
        ((-half, flat), (-half, -flat)),
        ((-flat, -half), (0.0, -half)),
    ):
        lines += [f"G3 {at(*to_corner)} R{corner:.3f}", f"G1 {at(*to_side)}"]
    return lines


def _circle(radius: float, centre: tuple[float, float]) -> list[str]:
    """A full circle, counter-clockwise from its right."""
    start = f"X{centre[0] + radius:.3f} Y{centre[1]:.3f}"
    return [f"G0 {start}", f"G3 {start} I{-radius:.3f} J0"]


def _filling(
    half: float, spacing: float, hole: float, centre: tuple[float, float], along_y: bool
) -> list[str]:
    """Lines there and back, `spacing` apart, that leave the disc of radius `hole` free."""
    count = math.floor(2.0 * half / spacing + 1e-9)
    lines, forth = [], 1.0
    for k in range(count + 1):
        across = (k - 0.5 * count) * spacing
        stretches = [(-half, half)]
        if abs(across) < hole:
            edge = math.sqrt(hole * hole - across * across)
            stretches = [(-half, -edge), (edge, half)]
        if forth < 0:
            stretches = [(b, a) for a, b in reversed(stretches)]
        for start, end in stretches:
            for code, along in (("G0", start), ("G1", end)):
                x, y = (across, along) if along_y else (along, across)
                lines.append(f"{code} X{centre[0] + x:.3f} Y{centre[1] + y:.3f}")
        forth = -forth
    return lines
