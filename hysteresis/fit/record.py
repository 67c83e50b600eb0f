"""What goes into model.json beside the model: what was compared, and what the data tell apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, replace

from hysteresis.fit import Fit
from hysteresis.fit.identifiability import Block, identifiability, table_rows
from hysteresis.model import FittedModel


def causes_of(fit: Fit) -> tuple[Block, ...]:
    """Which causes the data tell apart."""
    return tuple(identifiability(fit.solution, fit.grid, fit.seen, fit.nominal))


def cause_cells(causes: Sequence[Block]) -> list[tuple[str, str, str]]:
    """Cause, figure and verdict of each, in words."""
    return [
        (cause, figure.split("; ")[0], verdict)
        for cause, figure, _, verdict, _ in table_rows(causes)
    ]


def with_record(fitted: FittedModel, fit: Fit, causes: Sequence[Block]) -> FittedModel:
    """The model with what was compared and what the data tell apart, for its report."""
    candidates = [{k: _plain(v) for k, v in asdict(choice).items()} for choice in fit.choices]
    record = {"candidates": candidates, "causes": [list(row) for row in cause_cells(causes)]}
    return replace(fitted, provenance=fitted.provenance | record)


def _plain(value: object) -> object:
    if isinstance(value, str | bool | int):
        return value
    number = float(value)  # type: ignore[arg-type]
    return number if math.isfinite(number) else None
