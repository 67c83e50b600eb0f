"""A window in which marks of a picture are clicked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from hysteresis.tables import Floats


def clicked_px(picture: Any, marks: list[list[float]]) -> Floats:
    """Pixels (n, 2) clicked for the marks at these mm, in their order.

    Raises `InputError` without a display, or when the window was closed before the last click.
    """
    import numpy as np

    from hysteresis.errors import InputError

    plt = _with_window()
    figure, axes = plt.subplots()
    axes.imshow(picture, cmap="gray")
    clicks: list[tuple[float, float]] = []
    for number, (x, y) in enumerate(marks, start=1):
        axes.set_title(f"click mark {number} of {len(marks)}: x = {x:g}, y = {y:g} mm")
        figure.canvas.draw_idle()
        got = plt.ginput(1, timeout=0)
        if not got:
            raise InputError(
                f"the window was closed before mark {number} of {len(marks)} was clicked",
                mend="click every mark in the order that the title asks for",
            )
        clicks.append(got[0])
        axes.plot(*got[0], marker="+", markersize=14, color="#cf7a16")
    plt.close(figure)
    return np.array(clicks)


def _with_window() -> Any:
    """matplotlib.pyplot with a window; `InputError` where there is no display for one."""
    import os
    import sys

    from hysteresis.errors import InputError

    mend = "give the marks with --point U,V,X,Y, or photograph the printed target and use --target"
    if sys.platform.startswith("linux") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    ):
        raise InputError("clicking needs a window, and there is no display here", mend=mend)
    import matplotlib

    for backend in ("QtAgg", "TkAgg", "MacOSX", "GTK4Agg"):
        try:
            matplotlib.use(backend, force=True)
            import matplotlib.pyplot as plt

            plt.close(plt.figure())
            return plt
        except Exception:  # whatever a toolkit says that is not there or has no display
            continue
    raise InputError("clicking needs a window, and Python has no window toolkit here", mend=mend)
