"""The report: draws what was found in a run as one self-contained page; computes nothing."""

from __future__ import annotations

from hysteresis.report.html import render

__all__ = ["render"]
