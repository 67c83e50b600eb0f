"""Published figures of a rig from data and from the fitted model, side by side."""

from hysteresis.characteristics.figure import Characteristic, Condition, Definition, Pair

__all__ = ["Characteristic", "Condition", "Definition", "Pair"]
