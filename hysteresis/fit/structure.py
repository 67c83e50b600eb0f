"""Which unknowns a fit has: names, starting values, bounds, priors, and how they reach the model.

The kernels know every parameter of both axes (`full`); a fit moves a shorter vector (`short`),
`full = base + spread @ short`. One short unknown may drive many full ones: that is how a law with
one strength (equal stiffness of every Maxwell branch) and a free spectrum are the same code.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hysteresis.axis import AxisModel
from hysteresis.compliance_axis import ComplianceAxis
from hysteresis.model import Axis
from hysteresis.operators.after_effect import AfterEffect, power_law_stiffness
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.memories import Memory
from hysteresis.operators.preisach import Preisach, cell_indices
from hysteresis.optics import FREE as OPTICS
from hysteresis.tables import Bools, Floats, Texts

SHAPE = ("k1", "k2", "k3", "heat1", "heat2", "damping", "inertia")
CURVE = ("k1", "k2", "k3")
CHAIN = ("droop_per_s", "lag_s", "saturation")
CLOCK = ("clock_offset_s", "clock_drift")
TRACE = 1e-9  # stiffness below which a branch does nothing
DRIFT = ("drift_x_mm", "drift_y_mm")
LEAST_REACH = 0.004  # full scale: a Bouc-Wen element that slips sooner is a jump
_OTHER = {"x": "y", "y": "x"}


@dataclass(frozen=True)
class Recipe:
    """What a fit may use. `slip_limits` (FS) and `relaxation_times_s` may be empty.

    form: 'torque', or 'compliance': plays with thresholds `slip_limits` of the drive and Kelvin
    modes with retardation times `relaxation_times_s`, nothing else of an axis.
    memory: 'maxwell-slip' at `slip_limits`, 'preisach' on the plane of `nodes` (FS) with masses
    drawn together by `smoothness` (≥ 0), or 'bouc-wen'.
    after_effect: 'spectrum' (one unknown per branch), 'log' (equal stiffness of all branches) or
    'power' (two unknowns).
    droop, lag, saturation: unknowns of the drive chain; they begin at `droop_start_per_s`
    and at 0.
    axes: those that were measured; another one keeps its nominal gain and has no memory.
    """

    form: str = "torque"
    memory: str = "maxwell-slip"
    slip_limits: tuple[float, ...] = ()
    nodes: tuple[float, ...] = ()
    smoothness: float = 0.0
    relaxation_times_s: tuple[float, ...] = ()
    after_effect: str = "spectrum"
    droop: bool = False
    droop_start_per_s: float = 0.0
    lag: bool = False
    saturation: bool = False
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

    @property
    def chain(self) -> bool:
        """Whether any part of the drive chain is unknown."""
        return self.droop or self.lag or self.saturation

    @property
    def remembers(self) -> bool:
        """Whether there is any memory to fit, of friction or of time."""
        return bool(memory_names(self) or self.relaxation_times_s)


def memory_names(recipe: Recipe) -> list[str]:
    """Names of the unknowns of one axis' friction memory, in the order of its derivatives."""
    if recipe.form == "compliance":
        return [f"play_{i + 1:02d}" for i in range(len(recipe.slip_limits))]
    if recipe.memory == "preisach":
        levels = len(recipe.nodes) - 1
        return [f"cell_{i + 1:03d}" for i in range(levels * (levels + 1) // 2)]
    if recipe.memory == "bouc-wen":
        return [f"bouc_wen_{name}" for name in BoucWen.unknown_names]
    return [f"slip_{i + 1:02d}" for i in range(len(recipe.slip_limits))]


@dataclass(frozen=True)
class Law:
    """A power law of the after-effect: places of its two short unknowns, first full branch."""

    strength: int
    exponent: int
    first: int


@dataclass(frozen=True)
class Layout:
    """The unknowns of a fit.

    `names` (s,) of the short vector; `spread` (f, s); `base` (f,); `not_negative`, `upper` (s,),
    inf where there is no upper bound; `prior_mean`, `prior_sd` (s,), sd inf where there is no
    prior; `smooth_rows` (r, s): further prior rows, expected to be 0 within 1; `laws`: what of
    the full vector is not linear in the short one.
    """

    recipe: Recipe
    names: Texts
    base: Floats
    spread: Floats
    not_negative: Bools
    prior_mean: Floats
    prior_sd: Floats
    upper: Floats
    smooth_rows: Floats
    laws: tuple[Law, ...] = ()

    @property
    def per_axis(self) -> int:
        """Full parameters of one axis, in the order of the kernel's sensitivities."""
        r = self.recipe
        count = len(memory_names(r)) + 2 * len(r.relaxation_times_s)
        if r.form == "compliance":
            return len(CURVE) + count
        return len(SHAPE) + count + len(CHAIN) * r.chain

    def full(self, short: Floats) -> Floats:
        """Every parameter of model and measurement for a short vector."""
        out = self.base + self.spread @ short
        times = np.array(self.recipe.relaxation_times_s)
        for law in self.laws:
            stiffness, _ = power_law_stiffness(short[law.strength], short[law.exponent], times)
            out[law.first : law.first + times.size] = stiffness
        return out

    def shorten(self, columns: Floats, short: Floats) -> Floats:
        """Derivatives by full parameters (n, f) as those by the short ones (n, s) at `short`."""
        from scipy.sparse import csr_array

        spread = self.spread
        times = np.array(self.recipe.relaxation_times_s)
        for law in self.laws:
            if spread is self.spread:
                spread = spread.copy()
            _, slope = power_law_stiffness(short[law.strength], short[law.exponent], times)
            rows = slice(law.first, law.first + times.size)
            spread[rows, law.strength], spread[rows, law.exponent] = slope[:, 0], slope[:, 1]
        return np.asarray(csr_array(spread.T).dot(columns.T).T)

    def prior_rows(self) -> tuple[Floats, Floats]:
        """All that is expected beforehand, as rows in units of their standard deviation."""
        root = np.where(np.isfinite(self.prior_sd), 1.0 / self.prior_sd, 0.0)
        matrix = np.vstack([np.diag(root), self.smooth_rows])
        return matrix, np.concatenate([root * self.prior_mean, np.zeros(len(self.smooth_rows))])

    def index(self, name: str) -> int:
        """Place of a short unknown; KeyError when the fit does not have it."""
        hits = np.flatnonzero(self.names == name)
        if not hits.size:
            raise KeyError(name)
        return int(hits[0])


def full_names(recipe: Recipe) -> list[str]:
    """Names of the full parameters: x axis, y axis, optics, clock, drift."""
    out = []
    compliance = recipe.form == "compliance"
    for axis in "xy":
        names = list(CURVE if compliance else SHAPE) + memory_names(recipe)
        branches = range(1, len(recipe.relaxation_times_s) + 1)
        names += [f"{'creep' if compliance else 'branch'}_{m:02d}" for m in branches]
        names += [f"history_{m:02d}" for m in branches]
        names += list(CHAIN) if recipe.chain and not compliance else []
        out += [f"{axis}_{name}" for name in names]
    return out + list(OPTICS) + list(CLOCK) + list(DRIFT)


class _Unknowns:
    """Collects the short unknowns one by one, while a layout is made."""

    def __init__(self, recipe: Recipe) -> None:
        every = full_names(recipe)
        self.place = {name: k for k, name in enumerate(every)}
        self.base = np.zeros(len(every))
        self.columns: list[Floats] = []
        self.names: list[str] = []
        self.rows: list[tuple[bool, float, float, float]] = []  # ≥ 0, upper, prior mean and sd

    def add(
        self, name: str, *, positive: bool = False, sd: float = np.inf, mean: float = 0.0,
        upper: float = np.inf, targets: dict[str, float] | None = None,
    ) -> int:  # fmt: skip
        """One more unknown; without `targets` it is the full parameter of its own name."""
        column = np.zeros(len(self.base))
        for target, weight in ({name: 1.0} if targets is None else targets).items():
            column[self.place[target]] = weight
        self.columns.append(column)
        self.names.append(name)
        self.rows.append((positive, upper, mean, sd))
        return len(self.names) - 1


def layout(recipe: Recipe) -> Layout:
    """Unknowns for a recipe, with the priors that keep weak ones near what is plausible.

    Priors (common practice, no source): unequal sides and hardening within ±0.1 of the
    stiffness, coupling within ±0.05, tilt within ±0.06 rad of plane per its distance, plane
    distance within ±3 %, torque of each branch's history within ±1 % of full drive.
    """
    u = _Unknowns(recipe)
    for axis in "xy":
        u.base[u.place[f"{axis}_k1"]] = 1.0
        if recipe.memory == "bouc-wen" and recipe.form == "torque":
            for name, least in (("reach", LEAST_REACH), ("sigma", 0.5), ("exponent", 1.0)):
                u.base[u.place[f"{axis}_bouc_wen_{name}"]] = least
    laws = []
    for axis in recipe.axes:
        u.base[u.place[f"{axis}_k1"]] = 0.0
        u.add(f"{axis}_k1", positive=True)
        if recipe.curve:
            u.add(f"{axis}_k2", sd=0.1)
            u.add(f"{axis}_k3", sd=0.1)
        if recipe.form == "torque":
            _shape_unknowns(u, recipe, axis)
        _memory_unknowns(u, recipe, axis)
        laws += _after_effect_unknowns(u, recipe, axis)
        if recipe.form == "torque":
            _chain_unknowns(u, recipe, axis)
    _optics_unknowns(u, recipe)
    if recipe.clock:
        u.add("clock_offset_s", sd=0.02)
        u.add("clock_drift", sd=1e-4)
    if recipe.drift:
        for axis in recipe.axes:
            u.add(f"drift_{axis}_mm")
    positive, upper, mean, sd = zip(*u.rows, strict=True)
    return Layout(
        recipe=recipe,
        names=np.array(u.names, dtype=object),
        base=u.base,
        spread=np.column_stack(u.columns),
        not_negative=np.array(positive),
        prior_mean=np.array(mean),
        prior_sd=np.array(sd),
        upper=np.array(upper),
        smooth_rows=_smooth_rows(recipe, u.names),
        laws=tuple(laws),
    )


def _shape_unknowns(u: _Unknowns, recipe: Recipe, axis: str) -> None:
    if recipe.heating:
        u.add(f"{axis}_heat1", sd=0.03)
        u.add(f"{axis}_heat2", sd=0.03)
    if recipe.dynamics:
        u.add(f"{axis}_damping", positive=True)
        u.add(f"{axis}_inertia", positive=True)


def _memory_unknowns(u: _Unknowns, recipe: Recipe, axis: str) -> None:
    if recipe.form == "torque" and recipe.memory == "bouc-wen":
        # reach, sigma and exponent count from their least values; widths of the priors are
        # common practice, no source
        first = f"{axis}_bouc_wen"
        u.add(f"{first}_stiffness", positive=True)
        u.add(f"{first}_reach", positive=True, mean=0.15, sd=0.5)
        u.add(f"{first}_sigma", positive=True, upper=0.5, mean=0.1, sd=0.3)
        u.add(f"{first}_exponent", positive=True, upper=7.0, mean=0.5, sd=1.5)
        u.add(f"{first}_asymmetry", sd=0.1)
        u.add(f"{first}_pinching", positive=True, upper=0.9, sd=0.1)
        return
    for name in memory_names(recipe):
        u.add(f"{axis}_{name}", positive=True)


def _after_effect_unknowns(u: _Unknowns, recipe: Recipe, axis: str) -> list[Law]:
    count = len(recipe.relaxation_times_s)
    if not count:
        return []
    word = "creep" if recipe.form == "compliance" else "branch"
    branches = [f"{axis}_{word}_{m:02d}" for m in range(1, count + 1)]
    laws = []
    if recipe.after_effect == "log":
        u.add(f"{axis}_{word}_all", positive=True, targets=dict.fromkeys(branches, 1.0))
    elif recipe.after_effect == "power":
        strength = u.add(f"{axis}_{word}_strength", positive=True, targets={})
        exponent = u.add(
            f"{axis}_{word}_exponent", positive=True, upper=0.9, mean=0.05, sd=0.2, targets={}
        )
        laws = [Law(strength, exponent, u.place[branches[0]])]
    else:
        for name in branches:
            u.add(name, positive=True)
    if recipe.history:
        for m in range(1, count + 1):
            u.add(f"{axis}_history_{m:02d}", sd=0.01)
    return laws


def _chain_unknowns(u: _Unknowns, recipe: Recipe, axis: str) -> None:
    if recipe.droop:
        u.add(f"{axis}_droop_per_s", positive=True)
    if recipe.lag:
        u.add(f"{axis}_lag_s", positive=True, sd=0.003, upper=0.1)
    if recipe.saturation:
        u.add(f"{axis}_saturation", positive=True, sd=0.1, upper=2.0)


def _optics_unknowns(u: _Unknowns, recipe: Recipe) -> None:
    sd = {"coupling_xy": 0.05, "coupling_yx": 0.05, "offset_x_mm": np.inf,
          "offset_y_mm": np.inf, "tilt_x_per_mm": 2e-4, "tilt_y_per_mm": 2e-4,
          "log_distance": 0.03}  # fmt: skip
    seen = {name for a in recipe.axes for name in (f"offset_{a}_mm", f"coupling_{a}{_OTHER[a]}")}
    for name in OPTICS:
        wanted = (
            (name.startswith("offset") and name in seen)
            or (name.startswith("coupling") and name in seen and recipe.coupling)
            or (name in ("tilt_x_per_mm", "tilt_y_per_mm", "log_distance") and recipe.tilt)
        )
        if wanted:
            u.add(name, sd=sd[name])


def _smooth_rows(recipe: Recipe, names: list[str]) -> Floats:
    """Densities of neighbouring cells of a Preisach plane are expected to be alike.

    Rows: smoothness × difference of the densities, in torque per full scale squared.
    """
    if recipe.memory != "preisach" or recipe.form != "torque" or recipe.smoothness <= 0:
        return np.zeros((0, len(names)))
    node = np.array(recipe.nodes)
    i, j = cell_indices(node.size - 1)
    width = np.diff(node)
    area = width[i] * width[j] * np.where(i == j, 0.5, 1.0)
    number = {pair: k for k, pair in enumerate(zip(i.tolist(), j.tolist(), strict=True))}
    place = {name: k for k, name in enumerate(names)}
    rows = []
    for axis in recipe.axes:
        columns = [place[f"{axis}_{name}"] for name in memory_names(recipe)]
        for (a, b), k in number.items():
            for other in ((a + 1, b), (a, b + 1)):
                if other not in number:
                    continue
                row = np.zeros(len(names))
                row[columns[k]] = recipe.smoothness / area[k]
                row[columns[number[other]]] = -recipe.smoothness / area[number[other]]
                rows.append(row)
    return np.array(rows)


def memory_from_full(recipe: Recipe, values: Floats) -> Memory:
    """The friction memory of one axis; values that a step left beyond a bound are cut."""
    if recipe.memory == "preisach":
        return Preisach(np.array(recipe.nodes), np.maximum(values, 0.0))
    if recipe.memory == "bouc-wen":
        stiffness, reach, sigma, exponent, asymmetry, pinching = (float(v) for v in values)
        return BoucWen(
            max(stiffness, 0.0), max(reach, LEAST_REACH), min(max(sigma, 0.5), 1.0),
            min(max(exponent, 1.0), 8.0), min(max(asymmetry, -0.9), 0.9),
            min(max(pinching, 0.0), 0.9),
        )  # fmt: skip
    return MaxwellSlip(np.array(recipe.slip_limits), np.maximum(values, 0.0))


def axis_from_full(recipe: Recipe, part: Floats) -> tuple[Axis, Floats]:
    """One axis and its branch stretches at the start, from that axis' full parameters.

    The unknown of a branch's history is its torque at the start, which enters linearly; a
    branch keeps a trace of stiffness so that the torque can be told as a stretch. In compliance
    form it is the deflection by each creep mode, told as its position.
    """
    n, m = len(memory_names(recipe)), len(recipe.relaxation_times_s)
    times = np.array(recipe.relaxation_times_s)
    if recipe.form == "compliance":
        k1, k2, k3 = (float(v) for v in part[:3])
        compliance = np.maximum(part[3 + n : 3 + n + m], TRACE)
        return ComplianceAxis(
            k1, k2, k3, np.array(recipe.slip_limits), np.maximum(part[3 : 3 + n], 0.0),
            times, compliance,
        ), part[3 + n + m :] / compliance  # fmt: skip
    k1, k2, k3, g1, g2, b, inertia = part[:7]
    droop, lag, saturation = part[7 + n + 2 * m :] if recipe.chain else np.zeros(3)
    model = AxisModel(
        elastic=Elastic(k1, k2, k3),
        heating=Heating((g1, g2), recipe.heat_lag_s),
        dynamics=Dynamics(b, inertia),
        friction=memory_from_full(recipe, part[7 : 7 + n]),
        after_effect=AfterEffect(times, np.maximum(part[7 + n : 7 + n + m], TRACE)),
        chain=DriveChain(max(droop, 0.0), max(lag, 0.0), max(saturation, 0.0)),
    )
    return model, part[7 + n + m : 7 + n + 2 * m] / model.after_effect.stiffness
