"""The families of rate-independent memory an axis may have, and how a file tells them apart."""

from __future__ import annotations

from dataclasses import MISSING, fields
from typing import Any

import numpy as np

from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.preisach import Preisach

Memory = MaxwellSlip | Preisach | BoucWen

FAMILIES: dict[str, type[Memory]] = {
    "maxwell-slip": MaxwellSlip,
    "preisach": Preisach,
    "bouc-wen": BoucWen,
}


def family_of(memory: Memory) -> str:
    """The word by which files and tables know this family."""
    return next(name for name, kind in FAMILIES.items() if isinstance(memory, kind))


def memory_to_json(memory: Memory) -> dict[str, Any]:
    """Plain numbers and lists, with the family's name."""
    return {"family": family_of(memory)} | memory.to_json()


def memory_from_json(data: dict[str, Any]) -> Memory:
    """Inverse of `memory_to_json`; KeyError, TypeError or ValueError on anything else.

    Without a family it is Maxwell-slip, the only one that earlier files knew.
    """
    content = dict(data)
    name = content.pop("family", "maxwell-slip")
    if not isinstance(name, str) or name not in FAMILIES:
        raise ValueError(f"{name!r} is no family of memory known here")
    known = {f.name: f.default is MISSING for f in fields(FAMILIES[name]) if f.init}
    missing = [key for key, needed in known.items() if needed and key not in content]
    if missing or not set(content) <= set(known):
        raise ValueError(f"a memory of family {name} has {', '.join(known)} and nothing else")
    values: dict[str, Any] = {
        key: np.array(value, dtype=float) if isinstance(value, list) else value
        for key, value in content.items()
    }
    if name == "bouc-wen":
        values = {key: v if v is None else float(v) for key, v in values.items()}
    return FAMILIES[name](**values)
