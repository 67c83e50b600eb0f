"""From a fit to model.json and back, and what a person reads of it."""

from __future__ import annotations

import copy
import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fitted_rigs import bench, bench_with, camera_fit, filmed, typed_fit

from hysteresis.axis import AxisModel
from hysteresis.errors import InputError
from hysteresis.fit.fitted import (
    as_lmfit,
    fitted_model,
    offsets,
    parameter_lines,
    quality,
    unit_of,
)
from hysteresis.fit.recipes import NAMES, candidates
from hysteresis.fit.structure import Recipe, axis_from_full, layout
from hysteresis.model import SCHEMA_VERSION, FittedModel, fitted_to_json, read_model, write_model
from hysteresis.operators.bouc_wen import BoucWen
from hysteresis.operators.drive_chain import DriveChain
from hysteresis.recording import observations


@pytest.fixture(params=["typed", "camera"])
def fit(request: pytest.FixtureRequest):
    return typed_fit() if request.param == "typed" else camera_fit()


@pytest.fixture
def made(fit, tmp_path: Path) -> FittedModel:
    source = tmp_path / "recording.csv"
    source.write_text("t_s\n1\n")
    return fitted_model(fit, bench(), {"recording": source})


def test_a_real_fit_goes_through_the_file_to_the_last_bit(fit, made, tmp_path: Path) -> None:
    path = tmp_path / "model.json"
    write_model(path, made)
    again = read_model(path, bench())
    assert fitted_to_json(again) == fitted_to_json(made)
    u = 0.5 * np.sin(np.arange(400) / 30)
    for model, other, start, also in (
        (fit.model, again.model, fit.end, again.end),
        (fit.without_memory, again.without_memory, None, None),
    ):
        first, second = model.spots(u, -u, 0.01, start), other.spots(u, -u, 0.01, also)
        np.testing.assert_array_equal(first[:2], second[:2])


def test_provenance_names_inputs_by_their_hash(made, tmp_path: Path) -> None:
    inputs = made.provenance["inputs"]["recording"]
    wanted = hashlib.sha256((tmp_path / "recording.csv").read_bytes()).hexdigest()
    assert inputs == {"file": "recording.csv", "sha256": wanted}
    assert made.provenance["software"].startswith("hysteresis ")
    assert made.provenance["date"].endswith("+00:00") and made.provenance["recipe"]


def test_every_unknown_is_listed_with_unit_and_error(fit, made) -> None:
    assert [p.name for p in made.parameters] == list(fit.names)
    for p in made.parameters:
        assert p.unit == unit_of(p.name) and np.isfinite(p.value)
    at_bound = {p.name for p in made.parameters if np.isnan(p.standard_error)}
    assert at_bound and all(p.value == 0.0 for p in made.parameters if p.name in at_bound)


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("x_k1", "drive/FS"), ("y_slip_03", "drive/FS"), ("x_branch_all", "drive/FS"),
        ("x_damping", "drive s/FS"), ("y_inertia", "drive s²/FS"), ("x_history_01", "drive"),
        ("offset_x_mm", "mm"), ("tilt_x_per_mm", "1/mm"), ("clock_offset_s", "s"),
        ("clock_drift", "1"), ("coupling_xy", "1"), ("log_distance", "1"),
    ],
)  # fmt: skip
def test_units_of_unknowns(name: str, unit: str) -> None:
    assert unit_of(name) == unit


def recipes() -> list[Recipe]:
    """Every memory that can be asked for, and what a recipe may have besides."""
    pattern, recording = filmed("braided-thread", 3)
    seen = observations(pattern, recording)
    out = [candidates(pattern, seen, name).recipes[name] for name in NAMES]
    both, play = (out[list(NAMES).index(name)] for name in ("both", "play-creep"))
    whole = replace(both, droop=True, lag=True, saturation=True, heating=True, drift=True)
    laws = [replace(r, after_effect=law) for r in (both, play) for law in ("log", "power")]
    return [*out, whole, *laws]


def exponents(unit: str) -> dict[str, int]:
    """'drive s²/FS' as {'drive': 1, 's': 2, 'FS': -1}."""
    above, _, below = unit.partition("/")
    out: dict[str, int] = {}
    for words, sign in ((above, 1), (below, -1)):
        for word in words.split():
            if word != "1":
                power = {"²": 2, "³": 3}.get(word[-1], 1)
                out[word.rstrip("²³")] = sign * power
    return out


@pytest.mark.parametrize("which", range(len(NAMES) + 5))
def test_units_are_those_by_which_the_equations_keep(which: int) -> None:
    """Told in another unit of drive, angle and time, with every parameter changed as its unit
    says, the same axis moves the same way (dimensional analysis, textbook). A wrong unit of any
    unknown would show in the angle. The strength of a power law holds for times in s alone."""
    recipe = recipes()[which]
    plan = layout(recipe)
    law = recipe.after_effect == "power"
    size = {"drive": 0.5, "FS": 0.8, "s": 1.0 if law else 1.7, "mm": 1.0}
    rng = np.random.default_rng(which)
    usual = 0.002 if recipe.memory == "preisach" else 0.02
    sizes = {
        "damping": 2e-4, "inertia": 1e-6, "k1": 0.8, "bouc_wen_stiffness": 0.1,
        "bouc_wen_reach": 0.1, "branch_exponent": 0.1, "creep_exponent": 0.1, "droop_per_s": 0.5,
        "lag_s": 1e-3,
    }  # fmt: skip
    short = np.array([sizes.get(str(n)[2:], usual) for n in plan.names])
    short *= rng.uniform(0.8, 1.2, len(short))
    units = [unit_of(str(name), recipe.form) for name in plan.names]
    factor = [np.prod([size[w] ** p for w, p in exponents(u).items()]) for u in units]
    other = replace(
        recipe,
        slip_limits=tuple(np.array(recipe.slip_limits) * size[
            "drive" if recipe.form == "compliance" else "FS"]),
        nodes=tuple(np.array(recipe.nodes) * size["FS"]),
        relaxation_times_s=tuple(np.array(recipe.relaxation_times_s) * size["s"]),
        heat_lag_s=(15.0 * size["s"], 100.0 * size["s"]),
    )  # fmt: skip
    again = layout(other)
    values = (offsets(plan) + short) * factor
    u, step = 0.4 * np.sin(np.linspace(0, 20, 4000)) * np.linspace(0, 1, 4000), np.full(4000, 0.01)
    angles = []
    for plan_of, own, scale, time in (
        (plan, short, 1.0, 1.0),
        (again, values - offsets(again), size["drive"], size["s"]),
    ):
        axis, history = axis_from_full(plan_of.recipe, plan_of.full(own)[: plan_of.per_axis])
        state = axis.branch_state(history) if len(history) else axis.rest()
        angles.append(axis.deflection(scale * u, time * step, state)[0])
    assert np.ptp(angles[0]) > 0.2
    # the same arithmetic but for rounding, which a solved balance keeps below 1e-9
    np.testing.assert_allclose(angles[1], size["FS"] * angles[0], rtol=0, atol=1e-9)


def test_every_name_has_a_unit_and_no_other_name_has() -> None:
    for recipe in recipes():
        for name in layout(recipe).names:
            assert set(exponents(unit_of(str(name), recipe.form))) <= {"drive", "FS", "s", "mm"}
    with pytest.raises(KeyError):
        unit_of("x_wizard_01")


def test_a_bouc_wen_element_is_told_by_its_real_numbers() -> None:
    """Exponent, sigma and reach are fitted as what they exceed their least values by; what is
    printed and stored is what the element is made of."""
    fit = camera_fit()
    pattern, recording = filmed("braided-thread", 3)
    recipe = candidates(pattern, observations(pattern, recording), "bouc-wen").recipes["bouc-wen"]
    plan = layout(recipe)
    short = np.random.default_rng(1).uniform(0.05, 0.3, len(plan.names))
    short[plan.index("y_bouc_wen_exponent")] = 0.0  # at its bound
    told = replace(fit, solution=replace(fit.solution, layout=plan, short=short),
                   names=plan.names, values=short, errors=0.1 * short)  # fmt: skip
    made = fitted_model(told, bench(), {})
    stored = {p.name: p for p in made.parameters}
    for axis, first in (("x", 0), ("y", plan.per_axis)):
        model, _ = axis_from_full(recipe, plan.full(short)[first : first + plan.per_axis])
        assert isinstance(model, AxisModel) and isinstance(model.friction, BoucWen)
        for name in BoucWen.unknown_names:
            p = stored[f"{axis}_bouc_wen_{name}"]
            assert p.value == getattr(model.friction, name)
            assert p.standard_error == 0.1 * short[plan.index(p.name)]
    assert stored["y_bouc_wen_exponent"].value == 1.0
    parameters = as_lmfit(told)
    assert parameters["x_bouc_wen_exponent"].value == stored["x_bouc_wen_exponent"].value > 1.0
    assert (parameters["x_bouc_wen_sigma"].min, parameters["x_bouc_wen_sigma"].max) == (0.5, 1.0)
    back = np.array([p.value for p in made.parameters]) - offsets(plan)
    np.testing.assert_allclose(back, short, rtol=0, atol=4e-16)
    assert back[plan.index("y_bouc_wen_exponent")] == 0.0


def test_the_corner_of_an_ac_coupled_output_is_a_figure_of_the_fit() -> None:
    fit = camera_fit()
    assert not any("corner" in key for key in quality(fit))
    corner_hz = 0.05
    chain = DriveChain(droop_per_s=2 * np.pi * corner_hz)
    model = replace(fit.model, axis_x=replace(fit.model.axis_x, chain=chain))
    figures = quality(replace(fit, model=model))
    assert figures["output_corner_x_hz"] == pytest.approx(corner_hz, rel=1e-15)
    assert "output_corner_y_hz" not in figures


def test_lmfit_carries_values_bounds_and_errors(fit) -> None:
    from lmfit import fit_report

    parameters = as_lmfit(fit)
    assert list(parameters) == list(fit.names)
    for name, value, error in zip(fit.names, fit.values, fit.errors, strict=True):
        assert parameters[name].value == value
        assert parameters[name].stderr == (error if np.isfinite(error) else None)
    assert parameters["x_k1"].min == 0.0 and parameters["offset_x_mm"].min == -np.inf
    assert "x_k1" in fit_report(parameters, show_correl=False)
    lines = parameter_lines(fit)[1:]
    assert len(lines) == len(fit.names) and not any("init" in line for line in lines)
    for name, line in zip(fit.names, lines, strict=True):
        unit = unit_of(str(name))
        assert line.split(":")[0].strip() == name
        assert line.endswith(f"  {unit}") if unit != "1" else line[-1] in "0123456789)"


def test_figures_are_those_of_the_residuals(fit) -> None:
    figures = quality(fit)
    rms = np.sqrt(np.nanmean(fit.residual_x_mm**2))
    assert figures["residual_x_mm"] == pytest.approx(rms, rel=1e-12)
    assert figures["residual_over_noise_x"] == pytest.approx(rms / fit.noise_x_mm, rel=1e-12)
    assert figures["rows"] == len(fit.seen)
    assert figures["error_on_held_out_mm"] == fit.discrepancy.typical_mm


# ---- files that are not what they should be ----------------------------------------------------


def refused(path: Path, content: dict, of=None) -> str:
    path.write_text(json.dumps(content).replace('"HUGE"', "1e999"))
    with pytest.raises(InputError) as caught:
        read_model(path, of)
    message = str(caught.value)
    assert str(path) in message and "\n" not in message and message.endswith(".")
    return message


def test_a_newer_schema_is_told(made, tmp_path: Path) -> None:
    content = fitted_to_json(made) | {"schema_version": SCHEMA_VERSION + 1}
    assert "newer than" in refused(tmp_path / "m.json", content)


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"optics": {"plane_distance_mm": 300.0}}, "optics"),
        ({"drive": {"coupling": "ac", "corner_hz": 0.5}}, "coupling"),
    ],
)
def test_a_model_of_another_bench_is_told(made, tmp_path: Path, changes: dict, what: str) -> None:
    said = refused(tmp_path / "m.json", fitted_to_json(made), bench_with(**changes))
    assert "belongs to another bench" in said and f"its {what} is" in said


def test_limits_and_camera_may_change_without_a_new_fit(made, tmp_path: Path) -> None:
    write_model(tmp_path / "m.json", made)
    changed = bench_with(limits={"max_drive": 0.5}, camera={"exposure_s": 0.01})
    assert read_model(tmp_path / "m.json", changed).bench == made.bench


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("discrepancy/groups", "HUGE"),
        ("discrepancy/typical_mm", "HUGE"),
        ("discrepancy/typical_mm", -1.0),
        ("discrepancy/spread_ln", "HUGE"),
        ("discrepancy/zero_mm", -0.1),
        ("model/axis_x/elastic/linear", 10**400),
        ("model/axis_x/elastic/linear", 0.0),
        ("model/axis_y/elastic/linear", -1.0),
        ("model/axis_x/dynamics/inertia_s2", -1e-5),
        ("without_memory/axis_y/dynamics/damping_s", -1e-5),
    ],
)
def test_absurd_content_is_told(made, tmp_path: Path, place: str, value: object) -> None:
    content = copy.deepcopy(fitted_to_json(replace(made, notes=())))
    *way, last = place.split("/")
    target = content
    for key in way:
        target = target[key]
    target[last] = value
    assert "not as it should be" in refused(tmp_path / "m.json", content)
