"""Published figures of a rig from data and from the fitted model, side by side."""

from hysteresis.characteristics.absent import absent
from hysteresis.characteristics.definitions import DEFINITIONS
from hysteresis.characteristics.figure import Characteristic, Condition, Definition, Pair
from hysteresis.characteristics.of_run import figures_of

__all__ = [
    "DEFINITIONS", "Characteristic", "Condition", "Definition", "Pair", "absent", "figures_of",
]  # fmt: skip
