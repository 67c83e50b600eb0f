"""The forecast place by place: sums, doubt that only grows, bounded memory, places told apart."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

import numpy as np
import pytest
from fitted_rigs import bench
from verify_data import ladder, layered_path, pattern_of

from hysteresis.compensate.forecast import _held_out
from hysteresis.compensate.forecast_map import (
    CAUSES,
    ForecastMap,
    error_budget,
    forecast_places,
    step_mm,
    ten_worst,
)
from hysteresis.compensate.limits import Excess
from hysteresis.compensate.map_places import (
    EARLY_S,
    LATER_LAYERS,
    LATER_PLACES,
    JobPlaces,
    PlaceCollector,
    places_of_path,
)
from hysteresis.errors import DataError
from hysteresis.fit.structure import Recipe, layout
from hysteresis.fit.uncertainty import Trust
from hysteresis.model import FittedModel
from hysteresis.tables import DriveSignal, Floats
from tests.compensate.models import fitted as as_fitted
from tests.compensate.models import one_rig

RECIPE = Recipe(slip_limits=(0.05, 0.3), relaxation_times_s=(0.5, 20.0))
PLAN = layout(RECIPE)
BEFORE = pattern_of([p for n in (1, 2) for p in ladder(n, (0.6, -0.5), 3.0, 3.0)])
HISTORY = (BEFORE, 30.0)


def unknowns() -> Floats:
    short = np.zeros(len(PLAN.names))
    for axis in "xy":
        for name, value in (("k1", 0.85), ("slip_01", 0.05), ("slip_02", 0.05),
                            ("branch_01", 0.03), ("branch_02", 0.04)):  # fmt: skip
            short[PLAN.index(f"{axis}_{name}")] = value
    return short


def model(doubt: float = 0.02, **sizes: float) -> FittedModel:
    """A model whose unknowns are doubtful by a share, with stated other doubts."""
    rng = np.random.default_rng(1)
    refits = unknowns() * (1.0 + doubt * rng.standard_normal((30, len(PLAN.names))))
    told = {"ahead_mm": 0.05, "length_s": float(BEFORE.t_s[-1]), "zero_mm": 0.02, "counted_mm": 0.0}
    return replace(
        as_fitted(one_rig()), trust=Trust(RECIPE, unknowns(), refits, **told | sizes).to_json()
    )


def places(layers: int = 3) -> JobPlaces:
    path = layered_path(layers)
    scale = bench().optics.full_scale_x_mm
    return places_of_path(
        path, DriveSignal(path.t_s, path.x_mm / scale, path.y_mm / scale, path.beam)
    )


def told(**sizes: float) -> ForecastMap:
    return forecast_places(model(**sizes), bench(), places(), history=HISTORY)


def test_parts_add_in_square_at_each_place_and_in_the_budget() -> None:
    """JCGM 100, equation 10, for independent sources."""
    found = told()
    square = sum(v**2 for v in found.parts.values())
    np.testing.assert_allclose(found.rms_mm**2, square, rtol=1e-12)
    budget = error_budget(found)
    assert budget.combined == pytest.approx(found.whole_rms_mm, rel=1e-12)
    assert sum(budget.shares()) == pytest.approx(1.0, abs=1e-12)
    assert [c.words for c in budget.components] == list(CAUSES.values())


def test_smoothing_and_camera_count_where_they_are_asked_for() -> None:
    found = replace(told(), smoothing_mm=0.3, camera_mm=0.4)
    alone = error_budget(found).combined
    more = error_budget(found, drawn=True, filmed=True).combined
    assert more**2 - alone**2 == pytest.approx(0.3**2 / 2.0 + 0.4**2)


@pytest.mark.parametrize(
    "name, little, much",
    [("doubt", 0.01, 0.03), ("ahead_mm", 0.02, 0.2), ("zero_mm", 0.0, 0.1)],
)
def test_more_doubt_never_means_less_error(name: str, little: float, much: float) -> None:
    """The rms rises at every place; ends of intervals are drawn, and rise but for the draws: 2000
    of them leave an end of a 95 % interval some 5 % uncertain (binomial, textbook)."""
    one, two = told(**{name: little}), told(**{name: much})
    assert (two.rms_mm >= one.rms_mm).all() and (two.rms_mm > one.rms_mm).any()
    assert (two.high_mm > 0.9 * one.high_mm).all()
    assert two.high_mm.mean() > one.high_mm.mean()


def test_the_interval_of_a_pure_shift_is_that_of_a_rayleigh_distance() -> None:
    """A round normal shift of rms distance z: the distance is Rayleigh with σ = z/√2. The shortest
    95 % interval of it, from the density by bisection, is 0.15σ to 2.52σ; 2000 draws tell an end's
    tail to 10 to 20 % of itself."""
    from scipy.optimize import brentq
    from scipy.stats import rayleigh

    def ends(low: float) -> float:
        return float(rayleigh.ppf(rayleigh.cdf(low) + 0.95))

    low = brentq(lambda a: rayleigh.pdf(a) - rayleigh.pdf(ends(a)), 1e-3, 0.3)
    still = replace(
        model(0.0, ahead_mm=0.0, zero_mm=0.2),
        discrepancy=replace(as_fitted(one_rig()).discrepancy, typical_mm=1e-9),
    )
    found = forecast_places(still, bench(), places(), history=HISTORY)
    sigma = 0.2 / np.sqrt(2.0)
    np.testing.assert_allclose(found.rms_mm, 0.2, rtol=1e-3)
    np.testing.assert_allclose(found.high_mm, sigma * ends(low), rtol=0.06)
    np.testing.assert_allclose(found.low_mm, sigma * low, atol=0.12 * sigma)


def test_the_intervals_hold_what_their_model_draws() -> None:
    """Errors drawn anew from the same sources lie inside at 95 %; intervals are of 2000 draws, and
    300 draws judge 400 places, so 1 % is the error of both."""
    found = forecast_places(model(0.0), bench(), places(), history=HISTORY)
    rng = np.random.default_rng(7)
    gap = model().discrepancy
    middle, doubt = _held_out(gap)
    n, gain = 300, found.parts["ahead"] / np.sqrt(2.0)
    square = np.zeros((n, len(found.t_s)))
    scale = np.sqrt(4.0 / rng.chisquare(4.0, (n, 1)))
    size = middle * np.exp(doubt * rng.standard_normal((n, 1)))
    for _ in "xy":
        e = 0.02 / np.sqrt(2.0) * rng.standard_normal((n, 1))
        e = e + rng.standard_normal((n, 1)) * scale * gain / np.sqrt(2.0)
        e = e + size / np.sqrt(2.0) * rng.standard_normal(square.shape)
        square += e**2
    distance = np.sqrt(square)
    inside = np.mean((distance >= found.low_mm) & (distance <= found.high_mm))
    assert 0.92 < inside < 0.98


def test_without_a_known_past_every_place_is_alike() -> None:
    found = forecast_places(model(), bench(), places())
    assert np.ptp(found.rms_mm) == 0.0 and "past is not known" in found.notes[0]


def test_the_worst_places_are_the_worst_and_lie_apart() -> None:
    found = told()
    worst = ten_worst(found)
    assert worst[0].rms_mm == found.rms_mm.max()
    sizes = [w.rms_mm for w in worst]
    assert sizes == sorted(sizes, reverse=True)
    extent = max(np.ptp(found.x_mm), np.ptp(found.y_mm))
    for k, one in enumerate(worst):
        for other in worst[k + 1 :]:
            assert np.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) > 0.05 * extent
        assert one.cause in CAUSES.values() and one.low_mm < one.high_mm
    # nothing left out is worse than the last that is told, but neighbours of those told
    for x, y, rms in zip(found.x_mm, found.y_mm, found.rms_mm, strict=True):
        near = min(np.hypot(w.x_mm - x, w.y_mm - y) for w in worst)
        assert rms <= worst[-1].rms_mm or near <= 0.05 * extent


def test_a_limit_that_is_not_met_is_the_cause_where_it_is_missed() -> None:
    begin, end = 0.6, 1.2
    miss = Excess("max_drive", "x", begin, end, 0.0, 0.0, 1.1, 0.98, 5.0)
    found = forecast_places(model(), bench(), places(), history=HISTORY, excesses=[miss])
    inside = (found.t_s >= begin) & (found.t_s <= end)
    assert inside.any() and (found.parts["limits"][inside] == 5.0).all()
    assert not found.parts["limits"][~inside].any()
    assert ten_worst(found)[0].cause == CAUSES["limits"]


def test_steps_halve_with_every_bit() -> None:
    one, two = (step_mm(model(), bench(), bits) for bits in (16, 17))
    assert one == pytest.approx(2.0 * two)
    # a step of 2^-15, ±half of it, over the stiffness, in mm, two axes
    stiff = one_rig().axis_x.small_signal_stiffness()
    scale = bench().optics.full_scale_x_mm
    assert one == pytest.approx(np.sqrt(2.0) * scale * 2.0**-15 / np.sqrt(12.0) / stiff)


def test_the_content_is_plain() -> None:
    data = json.loads(json.dumps(told().to_json()))
    assert data["budget"]["combined"] == pytest.approx(data["whole_rms_mm"])
    assert len(data["ten_worst"]) <= 10 and len(data["x_mm"]) == len(data["rms_mm"])


def test_asking_twice_gives_the_same() -> None:
    one, two = told(), told()
    np.testing.assert_array_equal(one.high_mm, two.high_mm)


# ---- streams -----------------------------------------------------------------------------------


@dataclass
class Block:
    """Some samples of an invented endless job: a circle each 5 s, then 1 s of travel."""

    first: int
    step_s: float = 0.01

    def __post_init__(self) -> None:
        n = np.arange(self.first, self.first + 4096)
        t = n * self.step_s
        self.layer = (t // 6.0).astype(np.int64)
        self.beam = t % 6.0 < 5.0
        turn = 2.0 * np.pi * (t % 6.0) / 5.0
        self.x_mm, self.y_mm = 10.0 * np.cos(turn), 10.0 * np.sin(turn)
        self.drive_x, self.drive_y = self.x_mm / 50.0, self.y_mm / 50.0
        self.line_of_row = self.layer + 1


def test_hours_of_a_job_are_sampled_in_bounded_memory() -> None:
    collect = PlaceCollector()
    for k in range(200):  # more than two hours
        collect.add(Block(4096 * k))
        assert len(collect._later) <= LATER_LAYERS
        assert sum(v.shape[1] for v in collect._later.values()) <= (LATER_LAYERS + 25) * 1024
    found = collect.done()
    late = set(found.layer[~found.early].tolist())
    assert not found.whole and LATER_LAYERS // 2 <= len(late) <= LATER_LAYERS
    assert len(found.t_s) <= 400 + LATER_LAYERS * LATER_PLACES
    assert found.drive.t_s[-1] <= EARLY_S and found.layers == 200 * 40.96 // 6 + 1
    assert (found.line == found.layer + 1).all()
    steps = np.diff(sorted(late))
    assert steps.max() == steps.min()  # evenly over the job
    words = found.words()
    assert "10 minutes" in words and f"of {found.layers}" in words


def test_a_long_jobs_forecast_takes_little_memory() -> None:
    """As many places as there may be: 2320, of 2000 draws each, 37 MB for one array of them all."""
    import tracemalloc

    collect = PlaceCollector()
    for k in range(200):
        collect.add(Block(4096 * k))
    found = collect.done()
    forecast_places(model(ahead_mm=0.1), bench(), found, history=HISTORY)  # kernels are there
    tracemalloc.start()
    forecast_places(model(ahead_mm=0.1), bench(), found, history=HISTORY)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(found.t_s) > 1000 and peak < 120e6


def test_later_places_take_the_doubt_of_the_nearest_early_one() -> None:
    collect = PlaceCollector()
    for k in range(40):
        collect.add(Block(4096 * k))
    found = collect.done()
    on_map = forecast_places(model(ahead_mm=0.0), bench(), found, history=HISTORY)
    late = np.flatnonzero(~found.early)[::50]
    early = np.flatnonzero(found.early)
    for k in late:
        away = np.hypot(found.x_mm[early] - found.x_mm[k], found.y_mm[early] - found.y_mm[k])
        assert on_map.parts["numbers"][k] == on_map.parts["numbers"][early[np.argmin(away)]]
    assert any("later places" in note for note in on_map.notes)


def test_a_path_in_one_piece_and_in_blocks_gives_the_same_places() -> None:
    path = layered_path(3)
    drive = DriveSignal(path.t_s, path.x_mm / 50.0, path.y_mm / 50.0, path.beam)
    whole = places_of_path(path, drive)
    assert whole.whole and set(whole.layer.tolist()) == {0, 1, 2}
    on = np.interp(whole.t_s, path.t_s, path.beam.astype(float))
    assert (on > 0).all()


def test_a_job_without_a_trace_is_refused() -> None:
    path = layered_path(2)
    dark = replace(path, beam=np.zeros(len(path), dtype=bool))
    with pytest.raises(DataError, match="never on"):
        places_of_path(dark, DriveSignal(path.t_s, 0 * path.t_s, 0 * path.t_s, dark.beam))


def test_the_picture_shows_the_worst_layer_in_dots_of_five_sizes() -> None:
    from io import BytesIO

    from PIL import Image

    from hysteresis.report.job_figures import forecast_picture

    found = told()
    drawn = forecast_picture(found)
    with Image.open(BytesIO(drawn.png)) as image:
        assert image.format == "PNG" and min(image.size) > 500
    worst = max(range(3), key=lambda n: found.rms_mm[found.layer == n].mean())
    assert f"Layer {worst + 1}, the worst" in drawn.caption
    assert f"{found.whole_rms_mm:.3f} mm" in drawn.caption and "dots" in drawn.alt
