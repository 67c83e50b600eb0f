"""Plain content of a file of ours, checked before it is believed: numbers, words, lists.

A fault is a `PartFault`, which says in which part of the file it lies. Python's own complaints
("unexpected keyword argument") tell a person nothing; `within` keeps them inside.
"""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterator
from typing import Any, TypeGuard

import numpy as np

from hysteresis.tables import Floats

MOST = 1e12  # beyond any number that describes a rig in the units of a model
FINITE = 1.7e308


class PartFault(ValueError):
    """What is wrong (`what`) with which part (`place`, as in 'model.optics.gap_mm')."""

    def __init__(self, place: str, what: str) -> None:
        self.place, self.what = place, what
        super().__init__(f"{place} {what}")


@contextlib.contextmanager
def within(name: str) -> Iterator[None]:
    """Everything that fails inside is a PartFault of this part of the file."""
    try:
        yield
    except PartFault as fault:
        raise PartFault(f"{name}.{fault.place}", fault.what) from fault
    except KeyError as error:
        raise PartFault(name, f"lacks its entry {_shown(error.args[0])}") from error
    except ValueError as error:
        raise PartFault(name, f"does not hold together: {error}") from error
    except (TypeError, AttributeError, OverflowError, IndexError) as error:
        raise PartFault(name, "is not of the kind that belongs there") from error


def entries(data: Any, name: str) -> dict[str, Any]:
    """The entry `name` of an object, which must be an object itself; PartFault."""
    value = data.get(name) if isinstance(data, dict) else None
    if not isinstance(value, dict):
        raise PartFault(name, f"is {_shown(value)} where an object with entries is expected")
    return value


def number(data: dict[str, Any], name: str, least: float, most: float) -> float:
    """The number `name` of an object, from `least` to `most`; PartFault."""
    value = data.get(name)
    if not _is_number(value, FINITE):
        raise PartFault(name, f"is {_shown(value)} where a number is expected")
    if not least <= value <= most:
        raise PartFault(name, f"is {_shown(value)}, outside {least:g} to {most:g}")
    return float(value)


def numbers(data: dict[str, Any], name: str, most: float = MOST) -> Floats:
    """The list of numbers `name` of an object, each within ±`most`; PartFault."""
    value = data.get(name)
    if not isinstance(value, list):
        raise PartFault(name, f"is {_shown(value)} where a list of numbers is expected")
    check_numbers({name: value}, most=most)
    return np.array(value, dtype=float)


def word(data: dict[str, Any], name: str, known: Collection[str] | None = None) -> str:
    """The text `name` of an object, one of `known` where that is given; PartFault."""
    value = data.get(name)
    if not isinstance(value, str):
        raise PartFault(name, f"is {_shown(value)} where a text is expected")
    if known is not None and value not in known:
        raise PartFault(name, f"is {_shown(value)}, not one of {', '.join(known)}")
    return value


def check_numbers(
    data: dict[str, Any], *, words: Collection[str] = (), empty: Collection[str] = (),
    most: float = MOST,
) -> None:  # fmt: skip
    """PartFault unless every entry is a number within ±`most`, a flat list of them, or an object.

    `words`: names of entries that are texts instead; `empty`: of those that may be null. Objects
    within are looked at in the same way.
    """
    for name, value in data.items():
        if isinstance(value, dict):
            with within(str(name)):
                check_numbers(value, words=words, empty=empty, most=most)
        elif name in words:
            word(data, name)
        elif not (value is None and name in empty):
            for one in value if isinstance(value, list) else [value]:
                if not _is_number(one, FINITE):
                    raise PartFault(str(name), f"holds {_shown(one)} where a number is expected")
                if not abs(one) <= most:
                    raise PartFault(str(name), f"holds {_shown(one)}, larger than any rig's")


def _is_number(value: Any, most: float) -> TypeGuard[float]:
    """Whole numbers of any length are compared, not converted; yes and no are no numbers."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= most


def _shown(value: Any) -> str:
    if value is None:
        return "missing or empty"
    text = "".join(sign if sign.isprintable() else "?" for sign in repr(value)[:400])
    return text if len(text) <= 40 else f"{text[:37]}…"
