"""Effective degrees of freedom of a sum of independent uncertainties."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """ν_eff of a sum in square of standard uncertainties (u, ν): JCGM 100, G.4, eq. (G.2b)."""
    pairs = [(u, nu) for u, nu in parts if u > 0]
    largest = max((u for u, _ in pairs), default=1.0)  # scaled, so that nothing underflows
    square = sum((u / largest) ** 2 for u, _ in pairs)
    share = sum(((u / largest) ** 2 / square) ** 2 / nu for u, nu in pairs)
    return float(1.0 / share) if share > 0 else np.inf
