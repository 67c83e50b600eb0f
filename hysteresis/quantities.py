"""Units: conversions between full scale, mm and mrad, and numbers printed with uncertainty.

Everything inside the toolkit is in the unit that its name ends with; this module is where
text typed by a person becomes such a number, and where such a number becomes text.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import TYPE_CHECKING, TypeVar

from hysteresis.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

Number = TypeVar("Number", float, "npt.NDArray[np.float64]")

# Exact by definition (the inch since the agreement of 1959).
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "um": 1e-3, "µm": 1e-3, "μm": 1e-3, "in": 25.4}

# Enough digits for any two floating-point numbers beside each other.
_EXACT = Context(prec=1500, rounding=ROUND_HALF_EVEN)

_LENGTH = re.compile(
    r"\s*([+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+\-]?\d+)?)\s*([^\W\d_]*)\s*", re.ASCII
)


def fs_from_mm(spot_mm: Number, full_scale_mm: float) -> Number:
    """Spot distance from the centre (mm) as a fraction of full scale."""
    return spot_mm / full_scale_mm


def mm_from_fs(spot_fs: Number, full_scale_mm: float) -> Number:
    """Fraction of full scale as spot distance from the centre (mm)."""
    return spot_fs * full_scale_mm


def percent_fs_from_mm(spot_mm: Number, full_scale_mm: float) -> Number:
    """Spot distance or error (mm) in per cent of full scale."""
    return spot_mm / full_scale_mm * 100.0


def full_scale_mrad(full_scale_mm: float, distance_mm: float) -> float:
    """Mechanical mirror angle (mrad) at drive 1: half the beam's, since a mirror doubles angles."""
    return 500.0 * math.atan2(full_scale_mm, distance_mm)


def mrad_from_fs(deflection_fs: Number, full_scale_mm: float, distance_mm: float) -> Number:
    """Deflection as a fraction of full scale to mirror angle in mrad."""
    scale = full_scale_mrad(full_scale_mm, distance_mm)
    return deflection_fs * scale


def number_with_unit(text: str, default_unit: str = "mm") -> float:
    """Read a length such as ``"3.2 mm"``, ``"0.32 cm"`` or ``"3,2"`` and return mm.

    A comma is taken as the decimal sign, as many people write it; a number without a unit is in
    `default_unit`. Raises `InputError` for anything else, also for NaN and infinity.
    """
    match = _LENGTH.fullmatch(text)
    if match is None:
        # `\w` above is ASCII only, so a micro sign arrives here: try again with it spelled 'u'.
        plain = re.sub(r"[µμ]m\s*$", "um", text)
        match = _LENGTH.fullmatch(plain) if plain != text else None
    mend = "write a number and one of the units mm, cm, m, um, in, such as '3.2 mm'"
    if match is None:
        raise InputError("this is not a length", value=text, mend=mend)
    digits, unit = match[1].replace(",", ".").replace("−", "-"), match[2] or default_unit
    factor = MM_PER_UNIT.get(unit.lower() if unit.lower() != "m" else unit)
    if factor is None:
        raise InputError(f"unit {unit!r} of a length is not known", value=text, mend=mend)
    value = float(digits) * factor
    if not math.isfinite(value):
        raise InputError("this length is too large for a number", value=text, mend=mend)
    return value


def parse_length_mm(text: str) -> float:
    """Read a length typed by a person; without a unit it is in mm. See `number_with_unit`."""
    return number_with_unit(text, "mm")


def format_with_uncertainty(value: float, u: float, unit: str = "") -> str:
    """Print a value with its uncertainty, for example ``"0.1230 ± 0.0040 mm"``.

    `u` is given with two significant digits and the value to the same decimal place (JCGM 100,
    7.2.6). Unknown uncertainties are said in words: nothing is printed more exactly than known.
    """
    tail = f" {unit}" if unit else ""
    if math.isnan(value):
        return "not determined"
    if math.isinf(value):
        return f"{'−' if value < 0 else ''}∞{tail}"
    if math.isnan(u):
        return f"{value:.3g}{tail} (uncertainty not known)"
    if math.isinf(u):
        return f"{value:.3g} ± ∞{tail}"
    if u == 0:
        return f"{value:.6g} ± 0{tail}"
    place = _last_place(abs(u))
    if -12 <= place <= 3:
        return f"{_fixed(value, place)} ± {_fixed(abs(u), place)}{tail}"
    power = max(math.floor(math.log10(abs(value))) if value else place + 1, place + 1)
    if power - place > 17:  # more digits than a number holds
        return f"{value:.17g} ± {abs(u):.2g}{tail}"
    shown = place - power
    scaled = (
        Decimal(value).scaleb(-power, context=_EXACT),
        Decimal(abs(u)).scaleb(-power, context=_EXACT),
    )
    return f"({_fixed(scaled[0], shown)} ± {_fixed(scaled[1], shown)})e{power:+03d}{tail}"


def _last_place(u: float) -> int:
    """Power of ten of the second significant digit of `u`, after rounding (0.0996 -> 0.10)."""
    place = Decimal(u).adjusted() - 1
    rounded = Decimal(u).quantize(Decimal(1).scaleb(place), context=_EXACT)
    return rounded.adjusted() - 1


def _fixed(value: float | Decimal, place: int) -> str:
    """`value` rounded to ten to the power `place`, without exponent and without a negative zero."""
    rounded = Decimal(value).quantize(Decimal(1).scaleb(place), context=_EXACT)
    text = f"{rounded:f}"
    return text.lstrip("-") if rounded == 0 else text
