"""Torque from angle: one frozen record per family, joined to an axis in `hysteresis.model`."""
