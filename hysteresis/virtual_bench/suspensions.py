"""Invented suspensions, braided thread to metal flexure, and the scatter from unit to unit.

Every magnitude here is invented for rehearsal and for tests: it describes no product and no
measured part. Where a range is known from the literature the comment beside it says so; 'from
memory' marks ranges that were recalled, not looked up. Each axis of each unit gets its own draw.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hysteresis.errors import InputError

MEMORY_SCATTER = 0.20
"""Half width of the scatter of memory magnitudes between units, as a fraction (invented)."""
OTHER_SCATTER = 0.10
"""Half width of the scatter of every other magnitude, as a fraction (invented)."""


@dataclass(frozen=True)
class Suspension:
    """What one kind of suspension does to an axis. Stiffness is in units of the elastic one.

    name : the word by which commands find it.
    friction_stiffness : stiffness of all friction elements together before any of them slips.
    slip_median, slip_ln_spread : lognormal spectrum of slip limits: median in fractions of
        full scale, standard deviation of the natural logarithm.
    after_effect_per_decade : creep of a held deflection per decade of time between 1 s and
        100 s, as a fraction of the deflection.
    after_effect_tilt : exponent of the mild power law; a positive one creeps faster early.
    resonance_hz, damping_ratio : small free oscillation about zero.
    stiffness_per_k : relative change of the elastic stiffness per kelvin.
    uneven, stiffening : s2 and s3 of the elastic curve, (deflection + s2 deflection² + s3
        deflection³); the sign of s2 is drawn for each axis.
    """

    name: str
    friction_stiffness: float
    slip_median: float
    slip_ln_spread: float
    after_effect_per_decade: float
    after_effect_tilt: float
    resonance_hz: float
    damping_ratio: float
    stiffness_per_k: float
    uneven: float
    stiffening: float


SUSPENSIONS: dict[str, Suspension] = {
    suspension.name: suspension
    for suspension in (
        # Multifilament cord in bending: nylon 5 to 10 %, polyester 3 to 6 % per decade (from
        # memory; that bending recovery superposes: Chapman, J. Appl. Polym. Sci. 17 (1973)
        # 1693). Friction between fibres is rate-independent; its amount here is invented.
        Suspension("braided-thread", 0.15, 0.15, 1.0, 0.035, 0.03, 35.0, 0.08, -2e-3, 0.025, 0.02),
        Suspension("twisted-cord", 0.10, 0.10, 0.9, 0.025, 0.025, 40.0, 0.06, -2e-3, 0.02, 0.02),
        # Unfilled natural rubber 1.5 to 3 % per decade (from memory; that the rate climbs beyond
        # 200 % stretch: Gent, Rubber Chem. Technol. 36 (1963) 697).
        Suspension("elastic-band", 0.02, 0.2, 1.0, 0.020, 0.02, 25.0, 0.06, -3e-3, 0.03, 0.05),
        # Silicone elastomer 1 to 4 % per decade (from memory).
        Suspension("silicone-strip", 0.008, 0.2, 1.0, 0.015, 0.02, 30.0, 0.05, -1e-3, 0.02, 0.04),
        # Polyimide film 1 to 3 % per decade at modest stress (from memory, weak).
        Suspension("polyimide-strip", 3e-3, 0.2, 1.0, 8e-3, 0.015, 60.0, 0.02, -1e-3, 0.015, 0.02),
        # Spring metals: after-effect 0.01 to 0.1 % (from memory).
        Suspension("metal-flexure", 3e-4, 0.2, 1.0, 3e-4, 0.01, 80.0, 0.005, -3e-4, 0.01, 0.01),
    )
}  # fmt: skip


def suspension_named(name: str) -> Suspension:
    """The suspension of this name; raises InputError that lists the names there are."""
    try:
        return SUSPENSIONS[name]
    except KeyError:
        raise InputError(
            "there is no virtual suspension of this name",
            value=name,
            mend="choose one of " + ", ".join(SUSPENSIONS),
        ) from None


def scattered(suspension: Suspension, rng: np.random.Generator) -> Suspension:
    """One axis of one unit: memory within ±20 %, the rest within ±10 % (uniform, seeded)."""

    def drawn(value: float, half_width: float) -> float:
        return value * (1.0 + rng.uniform(-half_width, half_width))

    return replace(
        suspension,
        friction_stiffness=drawn(suspension.friction_stiffness, MEMORY_SCATTER),
        slip_median=drawn(suspension.slip_median, MEMORY_SCATTER),
        after_effect_per_decade=drawn(suspension.after_effect_per_decade, MEMORY_SCATTER),
        after_effect_tilt=drawn(suspension.after_effect_tilt, MEMORY_SCATTER),
        resonance_hz=drawn(suspension.resonance_hz, OTHER_SCATTER),
        damping_ratio=drawn(suspension.damping_ratio, OTHER_SCATTER),
        stiffness_per_k=drawn(suspension.stiffness_per_k, OTHER_SCATTER),
        uneven=drawn(suspension.uneven, OTHER_SCATTER) * rng.choice([-1.0, 1.0]),
        stiffening=drawn(suspension.stiffening, OTHER_SCATTER),
    )
