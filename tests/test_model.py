"""Two axes and their optics as one, and the file that carries them."""

from __future__ import annotations

import copy
import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hysteresis.axis import AxisModel
from hysteresis.bench import TEMPLATE, Bench
from hysteresis.errors import InputError
from hysteresis.model import (
    SCHEMA_VERSION,
    Discrepancy,
    FittedModel,
    Parameter,
    RigModel,
    RigState,
    bench_identity,
    fitted_to_json,
    read_model,
    write_model,
)
from hysteresis.operators.after_effect import AfterEffect
from hysteresis.operators.elastic import Dynamics, Elastic, Heating
from hysteresis.operators.maxwell_slip import MaxwellSlip
from hysteresis.operators.preisach import Preisach
from hysteresis.optics import nominal_optics, spot_from_deflection

BENCH = Bench.model_validate(tomllib.loads(TEMPLATE))


def axis(scale: float) -> AxisModel:
    return AxisModel(
        Elastic(0.8, 0.02 * scale, 0.03),
        Heating((0.01, 0.005), (15.0, 100.0)),
        Dynamics(2e-4 * scale, 2e-5),
        MaxwellSlip(np.array([0.02, 0.1, 0.4]), np.array([0.1, 0.05, 0.1]) * scale),
        AfterEffect(np.array([0.05, 1.0, 60.0]), np.array([0.05, 0.02, 0.03]) * scale),
    )


RIG = RigModel(
    axis(1.0),
    axis(1.3),
    replace(nominal_optics(BENCH.optics), coupling_xy=0.02, offset_x_mm=1.0, tilt_y_per_mm=1e-4),
)


def fitted() -> FittedModel:
    t = np.linspace(0, 3, 300)
    *_, end = RIG.spots(0.5 * np.sin(3 * t), 0.4 * np.cos(5 * t), 0.01)
    return FittedModel(
        model=RIG,
        without_memory=RigModel(AxisModel(), AxisModel(Elastic(1.1)), RIG.optics),
        start=RIG.rest(),
        end=end,
        parameters=(
            Parameter("x_k1", 0.8, 0.001, "drive per FS"),
            Parameter("x_slip_01", 0.0, float("nan"), "drive per FS"),
        ),
        discrepancy=Discrepancy(0.02, 0.4, 12, 0.03),
        bench=bench_identity(BENCH),
        figures={"residual_x": 1.1, "held_out": float("nan")},
        notes=("inertia: not seen",),
        provenance={"version": "0.1.0", "recording.csv": "ab12"},
    )


def wanted_path() -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(1, 801) * 2e-3
    rise = np.minimum(t / 0.2, 1.0) ** 2
    return 1.0 + 30 * rise * np.sin(4 * t), 20 * rise * np.cos(3 * t) - 0.3


def test_drives_and_spots_are_inverse_to_each_other() -> None:
    """Bound: rounding of drive, inertia / step² of it the largest part, times the field (mm)."""
    x_mm, y_mm = wanted_path()
    drive_x, drive_y, end = RIG.drives(x_mm, y_mm, 2e-3)
    again_x, again_y, again = RIG.spots(drive_x, drive_y, 2e-3)
    np.testing.assert_allclose(again_x, x_mm, rtol=0, atol=1e-9)
    np.testing.assert_allclose(again_y, y_mm, rtol=0, atol=1e-9)
    np.testing.assert_allclose(again.x, end.x, rtol=0, atol=1e-7)
    np.testing.assert_allclose(again.y, end.y, rtol=0, atol=1e-7)


def test_spots_are_two_axes_seen_through_the_optics() -> None:
    t = np.arange(500) * 2e-3
    drive_x, drive_y = 0.5 * np.sin(9 * t), 0.3 * np.sin(7 * t + 1)
    theta_x, x = RIG.axis_x.deflection(drive_x, 2e-3)
    theta_y, y = RIG.axis_y.deflection(drive_y, 2e-3)
    spot_x, spot_y, end = RIG.spots(drive_x, drive_y, 2e-3)
    np.testing.assert_array_equal(
        (spot_x, spot_y), spot_from_deflection(theta_x, theta_y, RIG.optics)
    )
    np.testing.assert_array_equal(end.x, x)
    np.testing.assert_array_equal(end.y, y)


@pytest.mark.parametrize("direction", ["spots", "drives"])
def test_a_split_run_equals_the_whole_run_and_arguments_stay(direction: str) -> None:
    run = getattr(RIG, direction)
    x, y = wanted_path()
    if direction == "spots":
        x, y = x / 60, y / 60
    whole_x, whole_y, end = run(x, y, 2e-3)
    first_x, first_y, state = run(x[:333], y[:333], 2e-3)
    kept = copy.deepcopy(state)
    second_x, second_y, after = run(x[333:], y[333:], 2e-3, state)
    # not at the kernels' block length: equal to rounding, magnified by inertia / step² in drives
    allowed = 1e-9 if direction == "spots" else 1e-10
    np.testing.assert_allclose(np.concatenate([first_x, second_x]), whole_x, atol=allowed)
    np.testing.assert_allclose(np.concatenate([first_y, second_y]), whole_y, atol=allowed)
    for a, b in ((after.x, end.x), (after.y, end.y)):
        np.testing.assert_allclose(a[[0, 5]], b[[0, 5]], atol=1e-10)
    for a, b in ((state.x, kept.x), (state.y, kept.y)):
        np.testing.assert_array_equal(a, b)


def test_model_json_round_trip_to_the_last_bit(tmp_path: Path) -> None:
    path = tmp_path / "model.json"
    one = fitted()
    write_model(path, one)
    again = read_model(path, BENCH)
    assert fitted_to_json(again) == fitted_to_json(one)
    assert json.loads(path.read_text(encoding="utf-8"))["schema_version"] == SCHEMA_VERSION
    assert np.isnan(again.parameters[1].standard_error)
    assert np.isnan(again.figures["held_out"])
    x_mm, y_mm = wanted_path()
    for a, b in zip(
        again.model.drives(x_mm, y_mm, 2e-3, again.end)[:2],
        one.model.drives(x_mm, y_mm, 2e-3, one.end)[:2],
        strict=True,
    ):
        np.testing.assert_array_equal(a, b)


def refused(tmp_path: Path, content: object, bench: Bench | None = None) -> str:
    path = tmp_path / "model.json"
    text = content if isinstance(content, str) else json.dumps(content)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_model(path, bench)
    message = str(caught.value)
    assert "model.json" in message
    assert "\n" not in message
    return message


def test_files_that_are_no_model(tmp_path: Path) -> None:
    for content in ([], {}, {"schema": "something else"}, "7", '"text"', "null"):
        assert "not a model" in refused(tmp_path, content)
    refused(tmp_path, "{")
    refused(tmp_path, "")


def test_a_newer_schema_is_told(tmp_path: Path) -> None:
    data = fitted_to_json(fitted()) | {"schema_version": SCHEMA_VERSION + 1}
    message = refused(tmp_path, data)
    assert str(SCHEMA_VERSION + 1) in message
    assert "update" in message
    for version in (None, "1", 0, -3, True, 1.0):
        assert "schema" in refused(tmp_path, data | {"schema_version": version})


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("name", "another bench"),
        ("suspension", "flexure"),
        ("unit", "B"),
        ("coupling", "ac"),
        ("optics", {"plane_distance_mm": 300.0}),
    ],
)
def test_a_model_of_another_bench_is_told(tmp_path: Path, key: str, value: object) -> None:
    data = fitted_to_json(fitted())
    data["bench"] = {**data["bench"], key: value}
    message = refused(tmp_path, data, BENCH)
    assert "another bench" in message
    assert key in message
    read_model(tmp_path / "model.json")  # without a bench to compare with it is a good model


def spoiled() -> list[tuple[str, object]]:
    """Every way to spoil one entry of a good file: gone, of another kind, not a number."""
    return [
        ("model", None),
        ("model/axis_x", {}),
        ("model/axis_x/elastic/linear", "stiff"),
        ("model/axis_x/elastic/linear", None),
        ("model/axis_x/friction/limit", [0.1]),
        ("model/axis_x/friction/stiffness", [0.1, -0.1, 0.1]),
        ("model/axis_y/after_effect/relaxation_time_s", [1.0, 0.5, 2.0]),
        ("model/axis_y/heating/lag_s", [0.0, 1.0]),
        ("model/optics", {"distance_mm": 250.0}),
        ("model/optics/gap_mm", "wide"),
        ("without_memory", []),
        ("start_state/x", [0.0]),
        ("end_state/y", [0.0, 1.0]),
        ("end_state/x", "rest"),
        ("end_state", None),
        ("parameters", [{"name": "x_k1"}]),
        ("parameters", 7),
        ("discrepancy", {}),
        ("discrepancy/typical_mm", None),
        ("figures", []),
        ("bench", 3),
    ]


@pytest.mark.parametrize(("place", "value"), spoiled())
def test_spoiled_content_is_one_sentence(tmp_path: Path, place: str, value: object) -> None:
    data = copy.deepcopy(fitted_to_json(fitted()))
    *way, last = place.split("/")
    target = data
    for key in way:
        target = target[key]
    target[last] = value
    assert "not as it should be" in refused(tmp_path, data)
    del target[last]
    assert "not as it should be" in refused(tmp_path, data)


@pytest.mark.parametrize("place", ["model/optics/distance_mm", "model/axis_x/elastic/linear",
                                   "model/axis_x/heating/softening", "end_state/x"])  # fmt: skip
def test_numbers_too_large_to_be_told_are_refused(tmp_path: Path, place: str) -> None:
    """1e999 is good JSON and no number."""
    data = copy.deepcopy(fitted_to_json(fitted()))
    *way, last = place.split("/")
    target = data
    for key in way:
        target = target[key]
    entry = target[last]
    target[last] = ["HUGE", *entry[1:]] if isinstance(entry, list) else "HUGE"
    assert "not as it should be" in refused(tmp_path, json.dumps(data).replace('"HUGE"', "1e999"))


def edited(place: str, value: object) -> dict:
    """The content of a good model with one entry changed."""
    data = copy.deepcopy(fitted_to_json(fitted()))
    *way, last = place.split("/")
    target = data
    for key in way:
        target = target[int(key)] if isinstance(target, list) else target[key]
    target[last] = value
    return data


EDITED = [
    # place, value, words of the refusal beside the place itself
    ("model/axis_x/elastic/cubic", -50.0, "model.axis_x", "not stiff everywhere"),
    ("without_memory/axis_y/elastic/quadratic", 9.0, "without_memory.axis_y", "not stiff"),
    ("model/axis_x/elastic/linear", "stiff", "model.axis_x.elastic.linear", "a number is expected"),
    ("model/axis_x/elastic/linear", 1e30, "model.axis_x.elastic.linear", "larger than any rig's"),
    ("model/axis_x/elastic/linear", 10**400, "model.axis_x.elastic.linear", "number is expected"),
    ("model/axis_x/elastic/wobble", 1.0, "model.axis_x", "Elastic wants cubic, linear, quadratic"),
    ("model/axis_x/friction/wobble", 1.0, "model.axis_x", "has limit, stiffness and nothing else"),
    ("model/axis_x/friction/family", "wizard", "model.axis_x", "'wizard' is no family"),
    ("model/axis_x/friction/family", [1], "model.axis_x.friction.family", "a text is expected"),
    ("model/axis_x/friction/limit", [[1.0], 2], "model.axis_x.friction.limit", "holds [1.0]"),
    ("model/axis_x/friction", "none", "model.axis_x.friction", "a number is expected"),
    ("model/axis_x/after_effect", {}, "model.axis_x", "relaxation_time_s and stiffness"),
    ("model/axis_x/heating/lag_s", [1.0], "model.axis_x", "does not hold together"),
    ("model/axis_x/dynamics/damping_s", True, "model.axis_x.dynamics.damping_s", "holds True"),
    ("model/axis_x/form", 3, "model.axis_x.form", "a text is expected"),
    ("model/optics/distance_mm", 1e300, "model.optics.distance_mm", "larger than any rig's"),
    ("model/optics/distance_mm", 1e6, "model.optics.distance_mm", "outside 1 to 100000"),
    ("model/optics/full_scale_x_rad", 1e6, "model.optics.full_scale_x_rad", "outside"),
    ("model/optics/full_scale_y_rad", 0.8, "model.optics.full_scale_y_rad", "outside"),
    ("model/optics/coupling_xy", 1.0, "model.optics.coupling_xy", "outside -0.99 to 0.99"),
    ("model/optics/tilt_x_per_mm", 1.0, "model.optics.tilt_x_per_mm", "outside"),
    ("model/optics/log_distance", 50.0, "model.optics.log_distance", "outside -3 to 3"),
    ("model/optics/wobble", 1.0, "model.optics", "RigOptics wants"),
    ("discrepancy/typical_mm", 1e300, "discrepancy.typical_mm", "outside 0 to 100000"),
    ("discrepancy/spread_ln", 1e6, "discrepancy.spread_ln", "outside 0 to 20"),
    ("discrepancy/groups", -3, "discrepancy.groups", "outside 0"),
    ("discrepancy/groups", 2.5, "discrepancy.groups", "not a whole number"),
    ("discrepancy/groups", True, "discrepancy.groups", "a number is expected"),
    ("end_state/x", 7, "end_state.x", "a list of numbers is expected"),
    ("end_state/x", [0.0], "end_state.x", "do not fit the axis'"),
    ("provenance/inputs", [], "provenance.inputs", "an object with entries is expected"),
    ("provenance/inputs", {"pattern": "ab"}, "provenance.inputs.pattern", "an object"),
    ("provenance/inputs", {"pattern": {"sha256": 7}}, "provenance.inputs.pattern.sha256", "text"),
    ("provenance", "me", "provenance", "an object with entries is expected"),
    ("parameters", [7], "parameters[0]", "not of the kind"),
    ("parameters", [{"name": "k", "value": "1", "standard_error": None, "unit": ""}],
     "parameters[0].value", "a number is expected"),
    ("figures/held_out", "small", "figures.held_out", "a number is expected"),
    ("notes", "one", "notes", "not a list of texts"),
    ("notes", [1], "notes", "not a list of texts"),
    ("trust", "blindly", "trust", "an object with entries is expected"),
]  # fmt: skip
PYTHONS_WORDS = ("keyword", "sequence element", "NoneType", "object is not", "convert", "iterable")


@pytest.mark.parametrize(("place", "value", "told", "words"), EDITED)
def test_edited_content_is_told_with_its_place(
    tmp_path: Path, place: str, value: object, told: str, words: str
) -> None:
    message = refused(tmp_path, edited(place, value))
    assert f"not as it should be: {told} " in message and words in message
    assert message.endswith("; fit it again.")
    assert not any(word in message for word in PYTHONS_WORDS)


def test_nan_is_told_with_line_and_key(tmp_path: Path) -> None:
    text = json.dumps(fitted_to_json(fitted()), indent=2)
    line = next(k for k, row in enumerate(text.splitlines(), 1) if '"typical_mm"' in row)
    message = refused(tmp_path, text.replace('"typical_mm": 0.02', '"typical_mm": NaN'))
    assert f"line {line}, column typical_mm: this is not a number of JSON ('NaN')" in message
    assert message.endswith("; fit it again.")


def test_a_spring_that_turns_soft_beyond_the_field_can_be_read(tmp_path: Path) -> None:
    """The stiffness k1 + 3 k3 θ² is zero at √(0.8 / (3 · 0.2)) = 1.15 full scale, within the ±1.2
    of the fit's own note; with k3 = 0.27 at 0.994."""
    path = tmp_path / "model.json"
    data = edited("model/axis_x/elastic", {"linear": 0.8, "quadratic": 0.0, "cubic": -0.2})
    path.write_text(json.dumps(data), encoding="utf-8")
    own = read_model(path).model.axis_x
    assert isinstance(own, AxisModel) and not own.elastic.is_monotone()
    data["model"]["axis_x"]["elastic"]["cubic"] = -0.27
    assert "not stiff everywhere" in refused(tmp_path, data)


def test_a_plane_of_friction_brings_a_spring_of_its_own(tmp_path: Path) -> None:
    """Mass k per full scale along the diagonal is a stop and a spring of stiffness k beside it
    (see Preisach): a soft spring of the axis is then yet stiff as a whole."""
    node = np.linspace(-1.2, 1.2, 7)
    mass = np.array([0.2 if i == j else 0.0 for i in range(6) for j in range(i + 1)])
    soft = AxisModel(Elastic(0.1, 0.0, -0.08), friction=Preisach(node, mass))
    alone = AxisModel(Elastic(0.1, 0.0, -0.08))
    assert AxisModel.from_json(soft.to_json()).elastic == soft.elastic
    with pytest.raises(ValueError, match="not stiff"):
        AxisModel.from_json(alone.to_json())


@pytest.mark.parametrize("kept", [-1.0, 0.5, 1e6])
def test_more_reversals_than_there_is_room_for_are_refused(tmp_path: Path, kept: float) -> None:
    """A count beyond its room would make a kernel read what is not its own."""
    plane = AxisModel(friction=Preisach(np.linspace(-1.0, 1.0, 5), np.full(10, 0.01)))
    rig = replace(RIG, axis_y=plane)
    one = replace(fitted(), model=rig, start=rig.rest(), end=rig.rest())
    data = fitted_to_json(one)
    data["end_state"]["y"][8] = kept
    assert "end_state.y" in refused(tmp_path, data)


@pytest.mark.parametrize("value", [0.0, -250.0])
def test_optics_that_reach_nowhere_are_refused(tmp_path: Path, value: float) -> None:
    data = copy.deepcopy(fitted_to_json(fitted()))
    data["model"]["optics"]["distance_mm"] = value
    assert "not as it should be" in refused(tmp_path, data)


def test_writing_leaves_an_old_model_alone_where_asked(tmp_path: Path) -> None:
    path = tmp_path / "model.json"
    write_model(path, fitted())
    before = path.read_bytes()
    with pytest.raises(InputError):
        write_model(path, fitted(), overwrite=False)
    broken = replace(fitted(), end=RigState(np.array([np.nan]), np.zeros(1)))
    with pytest.raises(ValueError, match="JSON"):
        write_model(path, broken)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["model.json"]
