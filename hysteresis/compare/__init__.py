"""Runs side by side: designs, units, differences with intervals, and the verdict in words."""
