"""Which unknowns a fit has: names, starting values, bounds, priors, and how they reach the model.

The kernels know every parameter of both axes (`full`); a fit moves a shorter vector (`short`),
`full = base + spread @ short`. One short unknown may drive many full ones: that is how a law with
one strength (equal stiffness of every Maxwell branch) and a free spectrum are the same code.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.optics import FREE as OPTICS
from hysteresis.tables import Bools, Floats, Texts

SHAPE = ("k1", "k2", "k3", "heat1", "heat2", "damping", "inertia")
CLOCK = ("clock_offset_s", "clock_drift")
TRACE = 1e-9  # stiffness below which a branch does nothing
DRIFT = ("drift_x_mm", "drift_y_mm")
_OTHER = {"x": "y", "y": "x"}


@dataclass(frozen=True)
class Recipe:
    """What a fit may use. `slip_limits` (FS) and `relaxation_times_s` may be empty.

    after_effect: 'spectrum' (one unknown per branch) or 'log' (equal stiffness of all branches).
    axes: those that were measured; another one keeps its nominal gain and has no memory.
    """

    slip_limits: tuple[float, ...] = ()
    relaxation_times_s: tuple[float, ...] = ()
    after_effect: str = "spectrum"
    heating: bool = False
    heat_lag_s: tuple[float, float] = (15.0, 100.0)
    curve: bool = True
    dynamics: bool = False
    history: bool = False
    coupling: bool = True
    tilt: bool = False
    clock: bool = False
    drift: bool = False
    axes: str = "xy"


@dataclass(frozen=True)
class Layout:
    """The unknowns of a fit.

    `names` (s,) of the short vector; `spread` (f, s); `base` (f,); `not_negative` (s,);
    `prior_mean`, `prior_sd` (s,), sd inf where there is no prior.
    """

    recipe: Recipe
    names: Texts
    base: Floats
    spread: Floats
    not_negative: Bools
    prior_mean: Floats
    prior_sd: Floats

    @property
    def per_axis(self) -> int:
        """Full parameters of one axis, in the order of the kernel's sensitivities."""
        r = self.recipe
        return len(SHAPE) + len(r.slip_limits) + 2 * len(r.relaxation_times_s)

    def full(self, short: Floats) -> Floats:
        """Every parameter of model and measurement for a short vector."""
        return self.base + self.spread @ short

    def shorten(self, columns: Floats) -> Floats:
        """Derivatives by full parameters (n, f) as derivatives by the short ones (n, s)."""
        from scipy.sparse import csr_array

        return np.asarray(csr_array(self.spread.T).dot(columns.T).T)

    def index(self, name: str) -> int:
        """Place of a short unknown; KeyError when the fit does not have it."""
        hits = np.flatnonzero(self.names == name)
        if not hits.size:
            raise KeyError(name)
        return int(hits[0])


def full_names(recipe: Recipe) -> list[str]:
    """Names of the full parameters: x axis, y axis, optics, clock, drift."""
    out = []
    for axis in "xy":
        out += [f"{axis}_{name}" for name in SHAPE]
        out += [f"{axis}_slip_{i + 1:02d}" for i in range(len(recipe.slip_limits))]
        branches = range(1, len(recipe.relaxation_times_s) + 1)
        out += [f"{axis}_branch_{m:02d}" for m in branches]
        out += [f"{axis}_history_{m:02d}" for m in branches]
    return out + list(OPTICS) + list(CLOCK) + list(DRIFT)


def layout(recipe: Recipe) -> Layout:
    """Unknowns for a recipe, with the priors that keep weak ones near what is plausible.

    Priors (common practice, no source): unequal sides and hardening within ±0.1 of the
    stiffness, coupling within ±0.05, tilt within ±0.06 rad of plane per its distance, plane
    distance within ±3 %, torque of each branch's history within ±1 % of full drive.
    """
    every = full_names(recipe)
    place = {name: k for k, name in enumerate(every)}
    base = np.zeros(len(every))
    for axis in "xy":
        base[place[f"{axis}_k1"]] = 1.0
    columns: list[Floats] = []
    names: list[str] = []
    bound: list[bool] = []
    mean: list[float] = []
    sd: list[float] = []

    def unknown(name: str, targets: dict[str, float], positive: bool, prior: tuple[float, float]
                ) -> None:  # fmt: skip
        column = np.zeros(len(every))
        for target, weight in targets.items():
            column[place[target]] = weight
        columns.append(column)
        names.append(name)
        bound.append(positive)
        mean.append(prior[0])
        sd.append(prior[1])

    def single(name: str, positive: bool, prior: tuple[float, float] = (0.0, np.inf)) -> None:
        unknown(name, {name: 1.0}, positive, prior)

    for axis in recipe.axes:
        base[place[f"{axis}_k1"]] = 0.0
        single(f"{axis}_k1", True)
        if recipe.curve:
            single(f"{axis}_k2", False, (0.0, 0.1))
            single(f"{axis}_k3", False, (0.0, 0.1))
        if recipe.heating:
            single(f"{axis}_heat1", False, (0.0, 0.03))
            single(f"{axis}_heat2", False, (0.0, 0.03))
        if recipe.dynamics:
            single(f"{axis}_damping", True)
            single(f"{axis}_inertia", True)
        for i in range(len(recipe.slip_limits)):
            single(f"{axis}_slip_{i + 1:02d}", True)
        count = len(recipe.relaxation_times_s)
        if count and recipe.after_effect == "log":
            targets = {f"{axis}_branch_{m:02d}": 1.0 for m in range(1, count + 1)}
            unknown(f"{axis}_branch_all", targets, True, (0.0, np.inf))
        else:
            for m in range(1, count + 1):
                single(f"{axis}_branch_{m:02d}", True)
        if recipe.history:
            for m in range(1, count + 1):
                single(f"{axis}_history_{m:02d}", False, (0.0, 0.01))
    tilt = recipe.tilt
    optics_sd = {"coupling_xy": 0.05, "coupling_yx": 0.05, "offset_x_mm": np.inf,
                 "offset_y_mm": np.inf, "tilt_x_per_mm": 2e-4, "tilt_y_per_mm": 2e-4,
                 "log_distance": 0.03}  # fmt: skip
    seen = {name for a in recipe.axes for name in (f"offset_{a}_mm", f"coupling_{a}{_OTHER[a]}")}
    for name in OPTICS:
        wanted = (
            (name.startswith("offset") and name in seen)
            or (name.startswith("coupling") and name in seen and recipe.coupling)
            or (name in ("tilt_x_per_mm", "tilt_y_per_mm", "log_distance") and tilt)
        )
        if wanted:
            single(name, False, (0.0, optics_sd[name]))
    if recipe.clock:
        single("clock_offset_s", False, (0.0, 0.02))
        single("clock_drift", False, (0.0, 1e-4))
    if recipe.drift:
        for axis in recipe.axes:
            single(f"drift_{axis}_mm", False)
    return Layout(
        recipe=recipe,
        names=np.array(names, dtype=object),
        base=base,
        spread=np.column_stack(columns),
        not_negative=np.array(bound),
        prior_mean=np.array(mean),
        prior_sd=np.array(sd),
    )


def axis_from_full(recipe: Recipe, part: Floats) -> tuple[AxisModel, Floats]:
    """One axis and its branch stretches at the start, from that axis' full parameters.

    The unknown of a branch's history is its torque at the start, which enters linearly; a
    branch keeps a trace of stiffness so that the torque can be told as a stretch.
    """
    n, m = len(recipe.slip_limits), len(recipe.relaxation_times_s)
    k1, k2, k3, g1, g2, b, inertia = part[:7]
    model = AxisModel(
        elastic=Elastic(k1, k2, k3),
        heating=Heating((g1, g2), recipe.heat_lag_s),
        dynamics=Dynamics(b, inertia),
        friction=MaxwellSlip(np.array(recipe.slip_limits), np.maximum(part[7 : 7 + n], 0.0)),
        after_effect=AfterEffect(
            np.array(recipe.relaxation_times_s), np.maximum(part[7 + n : 7 + n + m], TRACE)
        ),
    )
    return model, part[7 + n + m :] / model.after_effect.stiffness
