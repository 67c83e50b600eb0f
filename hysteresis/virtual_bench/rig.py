"""One simulated unit: two axes of an invented suspension, its optics and its screen.

Richer on purpose than anything that is fitted: spectra of slip limits and of relaxation times
are dense and off any round grid, friction slips smoothly and at unequal limits on the two
sides, stiffness follows a two-node thermal network, the optics are slightly misaligned and the
screen is tilted. Every magnitude is invented; see `suspensions`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import NormalDist

import numpy as np

from hysteresis.bench import Bench
from hysteresis.tables import Floats
from hysteresis.virtual_bench.suspensions import Suspension, scattered, suspension_named

SLIP_ELEMENTS = 64
BRANCHES = 48
SHORTEST_S, LONGEST_S = 2e-3, 1e5
"""Range of the relaxation times of the after-effect."""
GAIN_SCATTER = 0.05
"""Full scale is what the person measured on this very unit, so its scatter is smaller."""
RESERVE = 1.10
"""Full scale is stated with a reserve of drive, so that its edge can be reached while memory pulls
back (common practice, no source)."""


@dataclass(frozen=True)
class Axis:
    """The true parameters of one axis; deflection in FS, torque in units of drive.

    gain, offset : coil torque per drive; torque at zero drive.
    coupling_corner_hz : corner of an AC-coupled output; 0 for a DC-coupled one.
    inertia, damping : in torque per FS/s² and torque per FS/s.
    uneven, stiffening : s2 and s3 of the elastic curve, whose stiffness is 1.
    stiffness_per_k, zero_per_k : thermal change of stiffness (relative) and of zero torque.
    coil_rise_k, coil_s, share, suspension_s : the coil's final temperature rise per drive²
        over the suspension, its time constant, the share of it that the suspension takes on, and
        the suspension's time constant.
    slip_low, slip_high : slip limits (n,) on the negative and positive side, FS, rising.
    slip_stiffness : (n,). relaxation_s, branch_stiffness : Maxwell branches (m,).
    """

    gain: float
    offset: float
    coupling_corner_hz: float
    inertia: float
    damping: float
    uneven: float
    stiffening: float
    stiffness_per_k: float
    zero_per_k: float
    coil_rise_k: float
    coil_s: float
    share: float
    suspension_s: float
    slip_low: Floats = field(repr=False)
    slip_high: Floats = field(repr=False)
    slip_stiffness: Floats = field(repr=False)
    relaxation_s: Floats = field(repr=False)
    branch_stiffness: Floats = field(repr=False)


@dataclass(frozen=True)
class TrueOptics:
    """Where the spot really falls: nominal angles per FS, true distances, zeros and screen.

    angle_x_rad, angle_y_rad : mechanical mirror angle per FS. zero_x_rad, zero_y_rad : mirror
    angles at rest. distance_mm, gap_mm : true plane distance and mirror gap. tilt_x_rad,
    tilt_y_rad : tilt of the screen about its x and y axis; turn_rad : turn of the mm marks in it.
    """

    angle_x_rad: float
    angle_y_rad: float
    zero_x_rad: float
    zero_y_rad: float
    distance_mm: float
    gap_mm: float
    tilt_x_rad: float
    tilt_y_rad: float
    turn_rad: float


@dataclass(frozen=True)
class Rig:
    """A unit on its bench: what `play` plays. `coupling` (2, 2) acts on the two deflections."""

    bench: Bench
    suspension: Suspension
    seed: int
    axes: tuple[Axis, Axis]
    coupling: Floats
    optics: TrueOptics


def make_rig(bench: Bench, suspension: str | Suspension, seed: int) -> Rig:
    """The unit number `seed` of this suspension on this bench; the same seed, the same unit.

    Raises InputError when no suspension bears the name.
    """
    kind = suspension_named(suspension) if isinstance(suspension, str) else suspension
    rng = np.random.default_rng([seed, 1])
    axes = (_axis(kind, bench, rng), _axis(kind, bench, rng))
    cross = rng.uniform(0.005, 0.015, 2) * rng.choice([-1.0, 1.0], 2)
    coupling = np.array([[1.0, cross[0]], [cross[1], 1.0]])
    return Rig(bench, kind, seed, axes, coupling, _optics(bench, rng))


def _axis(kind: Suspension, bench: Bench, rng: np.random.Generator) -> Axis:
    own = scattered(kind, rng)
    low, high, k_slip = _slip_spectrum(own, rng)
    tau, k_branch = _after_effect_spectrum(own, rng)
    w2 = (2.0 * np.pi * own.resonance_hz) ** 2
    dynamic = 1.0 + k_slip.sum() + np.sum(k_branch * w2 * tau**2 / (1.0 + w2 * tau**2))
    inertia = dynamic / w2
    # Full drive held for 1 s gives about RESERVE FS: friction is then mostly slipping, and branches
    # slower than 1 s still carry their torque.
    held = k_slip @ np.minimum(high, 1.0) + k_branch @ np.exp(-1.0 / tau)
    full = 1.0 + own.stiffening + float(held)
    ac = bench.drive.coupling == "ac"
    corner_hz = float(bench.drive.corner_hz or 0.0) if ac else 0.0
    share = 0.35 * rng.uniform(0.9, 1.1)
    return Axis(
        gain=full * RESERVE * rng.uniform(1.0 - GAIN_SCATTER, 1.0 + GAIN_SCATTER),
        offset=rng.uniform(-0.005, 0.005),
        coupling_corner_hz=corner_hz * rng.uniform(0.9, 1.1),
        inertia=inertia,
        damping=2.0 * own.damping_ratio * np.sqrt(dynamic * inertia),
        uneven=own.uneven,
        stiffening=own.stiffening,
        stiffness_per_k=own.stiffness_per_k,
        zero_per_k=5e-5 * rng.uniform(0.8, 1.2) * rng.choice([-1.0, 1.0]),
        coil_rise_k=8.0 * (1.0 - share) * rng.uniform(0.9, 1.0),  # the coil settles at <= 8 K
        coil_s=15.0 * rng.uniform(0.9, 1.1),
        share=share,
        suspension_s=100.0 * rng.uniform(0.9, 1.1),
        slip_low=low,
        slip_high=high,
        slip_stiffness=k_slip,
        relaxation_s=tau,
        branch_stiffness=k_branch,
    )


def _slip_spectrum(own: Suspension, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    """Slip limits at jittered quantiles of the lognormal spectrum, equal stiffness each."""
    quantile = (np.arange(SLIP_ELEMENTS) + rng.uniform(0.1, 0.9, SLIP_ELEMENTS)) / SLIP_ELEMENTS
    deviate = np.array([NormalDist().inv_cdf(float(p)) for p in quantile])
    limit = own.slip_median * np.exp(own.slip_ln_spread * deviate)
    skew = rng.uniform(0.03, 0.06) * rng.choice([-1.0, 1.0])
    stiffness = np.full(SLIP_ELEMENTS, own.friction_stiffness / SLIP_ELEMENTS)
    return limit * (1.0 - skew), limit * (1.0 + skew), stiffness


def _after_effect_spectrum(own: Suspension, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Relaxation times off any grid, and stiffnesses that give the stated creep per decade.

    With stiffnesses A·w_m, w_m following a mild power law, the relaxation modulus is
    E(t) = 1 + A Σ w_m exp(-t/τ_m). For slow relaxation the creep compliance is close to 1/E(t)
    (textbook viscoelasticity, from memory), so creep per decade c over 1..100 s wants
    (E(1) - E(100))/2 = c E(10), which is linear in A.
    """
    places = (np.arange(BRANCHES) + rng.uniform(-0.3, 0.3, BRANCHES)) / (BRANCHES - 1)
    tau = SHORTEST_S * (LONGEST_S / SHORTEST_S) ** places
    weight = np.gradient(np.log10(tau)) * tau ** (-own.after_effect_tilt)
    fall = weight @ (np.exp(-1.0 / tau) - np.exp(-100.0 / tau)) / 2.0
    middle = weight @ np.exp(-10.0 / tau)
    c = own.after_effect_per_decade
    return tau, weight * c / (fall - c * middle)


def _optics(bench: Bench, rng: np.random.Generator) -> TrueOptics:
    nominal = bench.optics
    d, e = nominal.plane_distance_mm, nominal.mirror_gap_mm
    spot_off = rng.uniform(0.3, 2.0) * np.exp(2j * np.pi * rng.random())
    tilt = np.deg2rad(rng.uniform(1.0, 3.0)) * np.exp(2j * np.pi * rng.random())
    return TrueOptics(
        angle_x_rad=0.5 * np.arctan(nominal.full_scale_x_mm / (e + d)),
        angle_y_rad=0.5 * np.arctan(nominal.full_scale_y_mm / d),
        zero_x_rad=0.5 * np.arctan(spot_off.real / (e + d)),
        zero_y_rad=0.5 * np.arctan(spot_off.imag / d),
        distance_mm=d * (1.0 + rng.uniform(0.01, 0.02) * rng.choice([-1.0, 1.0])),
        gap_mm=max(e + rng.choice([-1.0, 1.0]), 0.0),
        tilt_x_rad=tilt.real,
        tilt_y_rad=tilt.imag,
        turn_rad=np.deg2rad(rng.uniform(-0.5, 0.5)),
    )


def spot_of(rig: Rig, theta_x: Floats, theta_y: Floats) -> tuple[Floats, Floats]:
    """True spot, mm in the marks of the screen, from the two deflections in FS.

    The beam leaves the first mirror at twice its angle, meets the second one `gap` later and
    leaves it at twice the other angle; that ray is cut with the tilted screen, which passes
    through the nominal centre, and the place is read in the screen's own turned marks.
    """
    o = rig.optics
    (cxx, cxy), (cyx, cyy) = rig.coupling
    double_x = 2.0 * (o.angle_x_rad * (cxx * theta_x + cxy * theta_y) + o.zero_x_rad)
    double_y = 2.0 * (o.angle_y_rad * (cyx * theta_x + cyy * theta_y) + o.zero_y_rad)
    rise = np.tan(double_x)  # sideways, per length travelled beside it
    up, on = np.sin(double_y), np.cos(double_y)

    # columns of the screen's frame: along its x, along its y, its normal
    (sx, cx), (sy, cy) = (
        (np.sin(o.tilt_x_rad), np.cos(o.tilt_x_rad)),
        (np.sin(o.tilt_y_rad), np.cos(o.tilt_y_rad)),
    )
    along_x = np.array([cy, 0.0, -sy])
    along_y = np.array([sy * sx, cx, cy * sx])
    normal = np.cross(along_x, along_y)

    path = (normal[2] * o.distance_mm - normal[0] * o.gap_mm * rise) / (
        normal[0] * rise + normal[1] * up + normal[2] * on
    )
    px, py, pz = (o.gap_mm + path) * rise, path * up, path * on - o.distance_mm
    x = along_x[0] * px + along_x[1] * py + along_x[2] * pz
    y = along_y[0] * px + along_y[1] * py + along_y[2] * pz
    s, c = np.sin(o.turn_rad), np.cos(o.turn_rad)
    return c * x + s * y, c * y - s * x


def constants_of(axis: Axis, step_s: float) -> Floats:
    """The (15,) constants that `integrator.advance` takes, for one fixed sub-step."""
    corner = 2.0 * np.pi * axis.coupling_corner_hz
    keep = np.exp(-corner * step_s)
    rise = 1.0 if corner == 0.0 else (1.0 - keep) / (corner * step_s)
    return np.array(
        [
            step_s,
            axis.gain,
            axis.offset,
            axis.inertia,
            np.exp(-axis.damping / axis.inertia * step_s),
            axis.uneven,
            axis.stiffening,
            axis.stiffness_per_k,
            axis.zero_per_k,
            keep,
            rise,
            axis.coil_rise_k,
            axis.coil_s,
            axis.share,
            axis.suspension_s,
        ]
    )


def branch_steps(axis: Axis, step_s: float) -> tuple[Floats, Floats]:
    """Exact step of each Maxwell branch for an angle that moves linearly over `step_s`."""
    ratio = step_s / axis.relaxation_s
    return np.exp(-ratio), axis.branch_stiffness * -np.expm1(-ratio) / ratio
