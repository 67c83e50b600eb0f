"""From a fit to model.json and back, and what a person reads of it."""

from __future__ import annotations

import copy
import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fitted_rigs import bench, bench_with, camera_fit, typed_fit

from hysteresis.errors import InputError
from hysteresis.fit.fitted import as_lmfit, fitted_model, quality, unit_of
from hysteresis.model import SCHEMA_VERSION, FittedModel, fitted_to_json, read_model, write_model


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
        ("clock_drift", "1"), ("coupling_xy", "1"), ("log_distance", "1"), ("x_heat1", "1"),
    ],
)  # fmt: skip
def test_units_of_unknowns(name: str, unit: str) -> None:
    assert unit_of(name) == unit


def test_lmfit_carries_values_bounds_and_errors(fit) -> None:
    from lmfit import fit_report

    parameters = as_lmfit(fit)
    assert list(parameters) == list(fit.names)
    for name, value, error in zip(fit.names, fit.values, fit.errors, strict=True):
        assert parameters[name].value == value
        assert parameters[name].stderr == (error if np.isfinite(error) else None)
    assert parameters["x_k1"].min == 0.0 and parameters["offset_x_mm"].min == -np.inf
    assert "x_k1" in fit_report(parameters, show_correl=False)


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
