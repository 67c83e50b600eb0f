"""Quality of a measurement: figures with a known truth, advice that keeps its word, coverage.

Every limit is put into a recording by hand (noise, rounding, marks, drift, a swaying camera), and
then made smaller just as the advice asks: the component must shrink as foretold.
"""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pytest

from hysteresis.bench import Bench, Fiducial, Tolerance
from hysteresis.errors import InputError
from hysteresis.measure import Measured, measure_camera, measure_typed
from hysteresis.measure import quality_budgets as budgets
from hysteresis.measure.quality import Quality, assess, quality_from_json, read_quality
from hysteresis.measure.quality import write_quality as write_quality
from hysteresis.measure.quality_advice import change
from hysteresis.measure.quality_budgets import rounding_rest
from hysteresis.measure.quality_place import place_sigma_mm, pooled_mark_mm
from hysteresis.measure.quality_sources import sources_of
from hysteresis.metrics import mean_between, returns_to_zero, still_stretches
from hysteresis.plain_content import PartFault
from hysteresis.plan import plan
from hysteresis.recording import observations
from hysteresis.tables import CameraLog, Pattern, TypedSheet
from hysteresis.virtual_bench import SUSPENSIONS, make_rig, photograph, play

from .synthetic import film, make_bench


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return make_bench(tmp_path_factory.mktemp("bench"))


def with_tolerance(bench: Bench, mm: float) -> Bench:
    return bench.model_copy(update={"tolerance": Tolerance(target_mm=mm)})


def returns_pattern(cells: int = 10, watch_s: float = 5.0) -> Pattern:
    """A signature, then returns to zero from random excursions, and the first cell again."""
    rng = np.random.default_rng(9)
    t, x, y, names = [0.0], [0.0], [0.0], []

    def to(name: str, length: float, place: tuple[float, float]) -> None:
        t.append(t[-1] + length)
        x.append(place[0])
        y.append(place[1])
        names.append(name)

    for k in range(20):
        at = tuple(rng.uniform(-0.8, 0.8, 2))
        to(f"sync/{k:03d}/move", 0.08, at)
        to(f"sync/{k:03d}/hold", float(rng.uniform(0.1, 0.5)), at)
    to("sync/020/move", 0.1, (0.0, 0.0))
    places = [tuple(rng.uniform(0.3, 0.9, 2) * rng.choice([-1, 1], 2)) for _ in range(cells)]
    for kind, place in [("ladder", p) for p in places] + [("repeat", places[0])]:
        k = names.count(f"{kind}") + len(t)
        to(f"{kind}/{k:03d}/rest", 1.0, (0.0, 0.0))
        to(f"{kind}/{k:03d}/move", 0.1, place)
        to(f"{kind}/{k:03d}/hold", 1.0, place)
        to(f"{kind}/{k:03d}/back", 0.1, (0.0, 0.0))
        to(f"{kind}/{k:03d}/watch", watch_s, (0.0, 0.0))
    return Pattern(np.array(t), np.array(x), np.array(y), np.ones(len(t), bool),
                   np.array([*names, names[-1]], dtype=object))  # fmt: skip


PATTERN = returns_pattern()


def measured_of(bench: Bench, change=None, pattern: Pattern = PATTERN, **how: float) -> Measured:
    log = film(pattern, bench, **how).log  # type: ignore[arg-type]
    if change is not None:
        u, v = change(log.t_s, log.u_px, log.v_px)
        log = CameraLog(log.frame, log.t_s, u, v, log.weight)
    return measure_camera(log, pattern, bench)


def quality_of(bench: Bench, change=None, pattern: Pattern = PATTERN, **how: float) -> Quality:
    return assess(measured_of(bench, change, pattern, **how), pattern, bench)


def part(quality: Quality, name: str, budget: str = "return_to_zero"):
    return next(c for c in getattr(quality, budget).components if c.name == name)


def figure(quality: Quality, name: str):
    return next(f for f in quality.figures if f.name == name)


# ---- figures -------------------------------------------------------------------------------------


def test_figures_of_a_film_with_a_known_truth(bench: Bench) -> None:
    quality = quality_of(bench, noise_px=0.1)
    mm_per_px = figure(quality, "resolution").values[0]
    assert mm_per_px == pytest.approx(0.17, rel=0.05)  # 100 mm across about 590 pixels
    floor = figure(quality, "noise_floor").values
    assert floor == pytest.approx([0.1 * mm_per_px] * 2, rel=0.15)
    assert "0 mm at rest" in figure(quality, "clock_error").remark
    assert figure(quality, "rows_used").values[0] > 95
    drift = figure(quality, "drift")
    assert max(np.abs(drift.values)) < 3 * 0.1 * mm_per_px / math.sqrt(2 * 5)
    assert quality.limit == "scatter"
    assert quality.grade == "good" and not [a for a in quality.advice if "zero" in a.measurand]
    assert quality.verdict.startswith("Good") and "scatter of the frames" in quality.verdict


def test_repeatability_against_pandas(bench: Bench) -> None:
    """Largest difference of the part played again, by a table of means of its own."""
    import pandas as pd

    measured = measured_of(bench, noise_px=0.5)
    quality = assess(measured, PATTERN, bench)
    rows = measured.recording
    table = pd.DataFrame(
        {"t": rows.t_s, "x": rows.x_mm, "y": rows.y_mm, "end": rows.t_s + rows.exposure_s}
    )[rows.used]
    again = [str(name) for name in PATTERN.segment[:-1] if str(name).startswith("repeat/")]
    first = [str(name) for name in PATTERN.segment[:-1] if str(name).startswith("ladder/")]
    shift = (
        PATTERN.t_s[list(PATTERN.segment).index(again[0])]
        - PATTERN.t_s[list(PATTERN.segment).index(first[0])]
    )
    largest = 0.0
    for part_name in ("rest", "hold", "watch"):
        k = next(i for i, n in enumerate(PATTERN.segment) if n.startswith("repeat/")
                 and n.endswith(part_name))  # fmt: skip
        start, end = PATTERN.t_s[k], PATTERN.t_s[k + 1]
        start = max((start + end) / 2, end - 0.5)
        means = [
            table[(table.t >= start - s) & (table.end <= end - s)][["x", "y"]].mean()
            for s in (0.0, shift)
        ]
        largest = max(largest, float((means[0] - means[1]).abs().max()))
    assert figure(quality, "repeatability").values[0] == pytest.approx(largest, rel=1e-6)


def test_rounding_left_in_a_mean_against_simulation() -> None:
    """rms of mean(round(x + noise)) - x over places x, 200 000 draws each."""
    rng = np.random.default_rng(1)
    places = (np.arange(40) + 0.5) / 40
    for sigma in (0.0, 0.1, 0.2, 0.3):
        noise = rng.normal(0.0, sigma, 200_000)
        left = [float(np.mean(np.round(x + noise)) - x) for x in places]
        bound = 4 * 0.5 / math.sqrt(200_000) + 1e-3  # sampling, and 40 places for the integral
        assert math.sqrt(np.mean(np.square(left))) == pytest.approx(
            rounding_rest(1.0, sigma), abs=bound
        )
    assert rounding_rest(1.0, 0.0) == pytest.approx(1 / math.sqrt(12), rel=1e-3)
    assert rounding_rest(1.0, 0.5) < 0.002
    assert rounding_rest(0.0, 0.0) == 0.0


def test_place_of_the_registration_against_refits(bench: Bench) -> None:
    """Scatter of 400 refits with clicked marks; 4 standard errors of a standard deviation."""
    from hysteresis.homography import fit_homography

    camera = bench.camera
    assert camera is not None
    px = np.array([(m.u_px, m.v_px) for m in camera.fiducials])
    mm = np.array([(m.x_mm, m.y_mm) for m in camera.fiducials])
    true = fit_homography(px, mm)
    rng = np.random.default_rng(2)
    at = px.mean(axis=0) + np.array([[0, 0], [150, 100], [250, -250]])
    found = []
    for _ in range(400):
        refit = fit_homography(px, mm + rng.normal(0, 0.05, mm.shape))
        found.append(np.column_stack(refit.apply(*at.T)))
    told = place_sigma_mm(true, px, 0.05, *at.T)
    assert np.std(found, axis=0) == pytest.approx(told, rel=4 / math.sqrt(800))


def test_marks_pooled_with_what_a_hand_can_do() -> None:
    assert pooled_mark_mm(math.nan, 0, 0.2) == (pytest.approx(0.04), 8.0)
    assert pooled_mark_mm(0.04, 2, 0.2) == (pytest.approx(0.04), 10.0)
    assert pooled_mark_mm(0.0, 2, 0.2) == (pytest.approx(0.04 * math.sqrt(0.8)), 10.0)
    assert pooled_mark_mm(0.5, 2, 0.2) == (0.5, 2)  # these marks are bad, whoever clicked


# ---- advice keeps its word -----------------------------------------------------------------------


def swaying(mm_px: float, seed: int = 3):
    """A camera that drifts to and fro slowly: independent each 0.4 s, the same within."""

    def change(t, u, v):
        rng = np.random.default_rng(seed)
        cell = ((t - t[0]) / 0.2).astype(int)
        sway = rng.normal(0, mm_px, (cell.max() + 1, 2))
        return u + sway[cell, 0], v + sway[cell, 1]

    return change


def drifting(px_per_s: float):
    return lambda t, u, v: (u + px_per_s * (t - t[0]), v)


def rounded(step: float):
    return lambda t, u, v: (np.round(u / step) * step, np.round(v / step) * step)


def only(quality: Quality, measurand: str = "return"):
    mine = [a for a in quality.advice if a.measurand.startswith(measurand)]
    assert len(mine) == 1, mine
    return mine[0]


def test_pixels_finer_by_the_factor_bring_the_scatter_down(bench: Bench) -> None:
    rough = with_tolerance(bench, 0.1)
    before = quality_of(rough, noise_px=0.4)
    advice = only(before)
    assert before.limit == advice.component == "scatter" and before.grade == "limited"
    assert "frames in each reading" in advice.text and "pixels" in advice.text
    after = quality_of(rough, noise_px=0.4 / advice.factor)
    assert part(after, "scatter").contribution == pytest.approx(advice.foretold_mm, rel=0.15)
    assert after.return_to_zero.expanded() == pytest.approx(0.1 / 3, rel=0.15)


def test_frames_as_many_as_advised_average_the_scatter_down(bench: Bench) -> None:
    """Scatter of means of so many frames, as drawn, is what was foretold for a difference."""
    quality = quality_of(with_tolerance(bench, 0.1), noise_px=0.4)
    advice = only(quality)
    frames = int(advice.text.split()[1])
    sigma = part(quality, "scatter").value
    drawn = np.random.default_rng(4).normal(0, sigma, (20_000, 2, frames)).mean(axis=2)
    assert np.std(drawn[:, 0] - drawn[:, 1]) <= advice.foretold_mm * 1.02
    less = np.random.default_rng(5).normal(0, sigma, (20_000, 2, max(1, frames - 2))).mean(axis=2)
    assert np.std(less[:, 0] - less[:, 1]) > advice.foretold_mm * 0.98


def test_frames_that_a_codec_repeats_are_not_averaged(bench: Bench) -> None:
    """The error of one frame stays for a whole rest; the tracker knows its size, 0.05 px.

    The spot has no memory, so each return read is an error: 95 % of them lie within U.
    """
    filmed = film(PATTERN, bench, noise_px=0.0)
    moved = np.abs(np.diff(filmed.spot_mm, axis=0)).max(axis=1) > 1e-6
    held = np.cumsum(np.concatenate([[False], moved]))
    error = np.random.default_rng(11).normal(0.0, 0.05, (held[-1] + 1, 2))[held]
    log = filmed.log
    known = np.full(len(log), 0.05)
    log = CameraLog(log.frame, log.t_s, log.u_px + error[:, 0], log.v_px + error[:, 1], log.weight,
                    sigma_u_px=known, sigma_v_px=known)  # fmt: skip
    measured = measure_camera(log, PATTERN, bench)
    quality = assess(measured, PATTERN, with_tolerance(bench, 0.05))
    mm_per_px = figure(quality, "resolution").values[0]
    assert figure(quality, "noise_floor").values == pytest.approx([0.05 * mm_per_px] * 2, rel=0.1)
    assert "repeats frames" in figure(quality, "noise_floor").remark
    assert part(quality, "scatter").contribution == pytest.approx(
        math.sqrt(2.0) * 0.05 * mm_per_px, rel=0.1
    )
    seen = observations(PATTERN, measured.recording)
    returns = returns_to_zero(PATTERN, seen, (50.0, 50.0))
    errors = np.array([r.first.error_mm for r in returns])
    assert len(errors) >= 20
    assert np.mean(np.abs(errors) <= quality.return_to_zero.expanded()) >= 0.85
    assert np.abs(errors).max() > quality.return_to_zero.expanded() / 3  # nor is it far too wide
    assert "less compression" in only(quality).text


def test_the_scale_of_a_print_nobody_measured_is_advised(bench: Bench) -> None:
    """Of a target's place the scale is most: its ruler helps, more marks would not."""
    from types import SimpleNamespace

    from hysteresis.measure.quality_place import scale_share

    def place_sigma_mm(u, v, *, scale=True):
        return np.full((len(u), 2), 0.05 if scale else 0.03)

    told = SimpleNamespace(known=True, px_of=lambda x, y: (x, y), place_sigma_mm=place_sigma_mm)
    measured = measured_of(bench)
    share = scale_share(told, observations(PATTERN, measured.recording))
    assert share == pytest.approx(1 - (0.03 / 0.05) ** 2)
    s = dataclasses.replace(sources_of(measured, PATTERN, bench), scale_share=share)
    budget = budgets.place(s, 0, "camera")
    marks = next(c for c in budget.components if c.name == "registration")
    assert "check rulers" in change(budget, marks, 2.0, s, "camera")
    less = dataclasses.replace(s, scale_share=0.3)
    assert "fiducials" in change(budget, marks, 2.0, less, "camera")


def test_a_finer_step_of_the_log(bench: Bench) -> None:
    strict = with_tolerance(bench, 0.2)
    before = quality_of(strict, rounded(1.0), noise_px=0.03)
    assert before.limit == "rounding"
    advice = only(before)
    assert "between pixels" in advice.text and "frames in each" not in advice.text
    after = quality_of(strict, rounded(0.05), noise_px=0.03)
    assert part(after, "rounding").contribution < advice.foretold_mm
    assert after.grade == "good"


def test_slow_wander_is_seen_and_not_averaged_away(bench: Bench) -> None:
    strict = with_tolerance(bench, 0.15)
    before = quality_of(strict, swaying(0.5), noise_px=0.05)
    advice = only(before)
    assert before.limit == advice.component == "wander"
    assert "more frames in one reading would not help" in advice.text
    after = quality_of(strict, swaying(0.5 / advice.factor), noise_px=0.05)
    assert part(after, "wander").contribution == pytest.approx(advice.foretold_mm, rel=0.3)


def test_drift_asks_for_warming_up(bench: Bench) -> None:
    strict = with_tolerance(bench, 0.05)
    before = quality_of(strict, drifting(0.1), noise_px=0.02)
    assert before.limit == "drift"
    advice = only(before)
    assert "warm up" in advice.text and "mm/min" in advice.text
    after = quality_of(strict, drifting(0.1 / advice.factor), noise_px=0.02)
    assert part(after, "drift").contribution == pytest.approx(advice.foretold_mm, rel=0.2)
    assert "played again" in before.verdict


def clicked(bench: Bench, px: float, times: int = 1, seed: int = 6) -> Bench:
    """Marks with an error of so many pixels; `times` more of them, spread alike."""
    rng = np.random.default_rng(seed)
    camera = bench.camera
    assert camera is not None
    marks = []
    for _ in range(times):
        for m in camera.fiducials:
            du, dv = rng.normal(0, px, 2)
            marks.append(Fiducial(u_px=m.u_px + du, v_px=m.v_px + dv, x_mm=m.x_mm, y_mm=m.y_mm))
    return bench.model_copy(
        update={"camera": camera.model_copy(update={"fiducials": tuple(marks)})}
    )


def test_marks_decide_the_place_and_cancel_in_a_return(bench: Bench) -> None:
    log = film(PATTERN, bench, noise_px=0.05).log
    strict = with_tolerance(bench, 0.15)

    def judged(px: float, times: int) -> Quality:
        seen = clicked(strict, px, times)
        return assess(measure_camera(log, PATTERN, seen), PATTERN, seen)

    before = judged(0.5, 2)
    assert before.grade == "good"  # a return to zero does not mind
    assert before.place.largest().name == "registration"
    advice = only(before, "place")
    assert "fiducials" in advice.text
    assert 1.5 < advice.factor**2 < 4.0  # forty marks at most are allowed
    more = judged(0.5, 2 * math.ceil(advice.factor**2))
    assert part(more, "registration", "place").contribution == pytest.approx(
        advice.foretold_mm,
        rel=0.35,  # s of ten marks: 12 degrees of freedom, 20 %
    )
    zero = part(before, "registration").contribution
    assert zero < 0.02 * part(before, "registration", "place").contribution


def sheet_of(pattern: Pattern, step: float, scatter: float, seed: int = 7) -> TypedSheet:
    """Readings of a spot that follows its drive exactly, by a reader who strays."""
    from hysteresis.measure.typed_sheet import reading_windows

    rng = np.random.default_rng(seed)
    windows = reading_windows(pattern)
    end = np.array([w[1] - 0.5 for w in windows.values()])
    ux, uy = (np.interp(end, pattern.t_s, u) for u in (pattern.drive_x, pattern.drive_y))
    read = [50.0 * u + rng.normal(0, scatter, len(u)) for u in (ux, uy)]
    x, y = (np.round(r / step) * step + 0.0 for r in read)
    return TypedSheet(np.array(list(windows)), end, ux, uy, x, y, np.full(len(end), "", object))


def test_a_finer_ruler(bench: Bench) -> None:
    pattern = plan("reading-steps", bench, readings=40)
    loose = with_tolerance(bench, 1.5)

    def judged(step: float) -> Quality:
        measured = measure_typed(sheet_of(pattern, step, 0.01), pattern, loose)
        return assess(measured, pattern, loose)

    before = judged(1.0)
    assert before.limit == "rounding"
    advice = only(before)
    step = float(advice.text.split("read to ")[1].split(" mm")[0])
    after = judged(math.floor(step * 10) / 10)
    assert part(after, "rounding").contribution <= advice.foretold_mm * 1.001
    assert after.return_to_zero.expanded() < before.return_to_zero.expanded()
    assert after.grade == "good"


def test_a_ruler_that_cannot_do_it_is_told_so(bench: Bench) -> None:
    pattern = plan("reading-steps", bench, readings=40)
    measured = measure_typed(sheet_of(pattern, 0.5, 0.3), pattern, bench)
    quality = assess(measured, pattern, bench)
    assert quality.grade == "not enough" and quality.source == "typed"
    assert "measure with a camera" in only(quality).text
    assert quality.verdict.count("camera") == 1
    assert figure(quality, "resolution").values == (0.5,)


def test_nothing_is_advised_where_nothing_is_needed(bench: Bench) -> None:
    quality = quality_of(with_tolerance(bench, 5.0), noise_px=0.1)
    assert quality.grade == "good" and quality.advice == ()
    assert "To bring" not in quality.verdict


def test_advice_names_only_what_is_large(bench: Bench) -> None:
    """Taking away any component that is not advised leaves U above a third of the tolerance."""
    quality = quality_of(with_tolerance(bench, 0.05), swaying(0.3), noise_px=0.3)
    named = {a.component for a in quality.advice if a.measurand.startswith("return")}
    budget = quality.return_to_zero
    assert named
    kept = [c for c in budget.components if c.name in named]
    without_others = dataclasses.replace(budget, components=tuple(kept))
    assert without_others.expanded() > 0.05 / 3
    shrunk = [
        dataclasses.replace(c, value=c.value / next(a.factor for a in quality.advice
                                                    if a.component == c.name))
        if c.name in named else c
        for c in budget.components
    ]  # fmt: skip
    better = dataclasses.replace(budget, components=tuple(shrunk))
    assert better.combined * budget.coverage_factor() == pytest.approx(0.05 / 3, rel=1e-9)


# ---- does the stated uncertainty hold? -----------------------------------------------------------


def true_means(played, start_s, exposure_s):
    """The true spot averaged over each exposure, by the trapezium rule."""
    t = played.around.t_s
    out = []
    for values in (played.around.x_mm, played.around.y_mm):
        area = np.concatenate([[0.0], np.cumsum((values[1:] + values[:-1]) / 2 * np.diff(t))])
        ends = np.interp(start_s + exposure_s, t, area) - np.interp(start_s, t, area)
        out.append(ends / exposure_s)
    return out


@pytest.mark.slow
def test_stated_uncertainty_holds_the_true_error(bench: Bench) -> None:
    """20 simulated units: U covers ≥ 90 % of true errors and is at most twice too wide.

    Marks are clicked with 0.2 px here, so that they disagree as real ones do.
    """
    pattern = plan("recheck", bench)
    held: dict[str, list[bool]] = {"zero": [], "place": []}
    widths: dict[str, list[tuple[float, float]]] = {"zero": [], "place": []}
    names = [kind.name for kind in SUSPENSIONS.values()]
    for seed in range(20):
        rig = make_rig(bench, names[seed % len(names)], seed)
        played = play(rig, pattern.t_s, pattern.drive_x, pattern.drive_y, beam=pattern.beam)
        log = photograph(played, bench, seed, click_px=0.0)
        seen_bench = clicked(bench, 0.2, seed=seed)
        measured = measure_camera(log, pattern, seen_bench)
        quality = assess(measured, pattern, seen_bench)
        seen = observations(pattern, measured.recording)
        x, y = true_means(played, seen.start_s, seen.exposure_s)
        true = dataclasses.replace(seen, x_mm=x, y_mm=y)
        both = [returns_to_zero(pattern, o, (50.0, 50.0)) for o in (seen, true)]
        errors = {"zero": [a.first.error_mm - b.first.error_mm
                           for a, b in zip(*both, strict=True)], "place": []}  # fmt: skip
        for still in still_stretches(pattern, slice(0, len(pattern) - 1), 0.5):
            window = (still.start_s + 0.3, still.start_s + 0.5)
            a, b = (mean_between(o, *window) for o in (seen, true))
            if a is not None and b is not None:
                errors["place"] += [a.mm[k] - b.mm[k] for k in range(2)]
        for name, budget in (("zero", quality.return_to_zero), ("place", quality.place)):
            u = budget.expanded()
            held[name] += [abs(e) <= u for e in errors[name]]
            widths[name].append((u, float(np.mean(np.square(errors[name])))))
    for name in held:
        covered = float(np.mean(held[name]))
        u, square = np.mean(widths[name], axis=0)
        wide = u / (1.96 * math.sqrt(square))
        print(f"{name}: {100 * covered:.1f} % of {len(held[name])} held, U {wide:.2f} × needed")
        assert covered >= 0.90
        assert wide <= 2.0


# ---- quality.json --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def quality(bench: Bench) -> Quality:
    return quality_of(with_tolerance(bench, 0.03), noise_px=0.2)


def test_json_there_and_back(quality: Quality, tmp_path) -> None:
    assert quality_from_json(json.loads(json.dumps(quality.to_json(), allow_nan=False))) == quality
    write_quality(tmp_path / "quality.json", quality, "ab" * 32)
    assert read_quality(tmp_path / "quality.json").recording_sha256 == "ab" * 32


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("grade",), "excellent"),
        (("limit",), "drift"),
        (("format",), "hysteresis quality 9"),
        (("tolerance_mm",), "much"),
        (("return_to_zero",), []),
        (("return_to_zero", "components", 0, "value"), -1.0),
        (("return_to_zero", "components", 0, "distribution"), "bell"),
        (("return_to_zero", "components", 0, "value"), 7.0),  # does not fit the result any more
        (("return_to_zero", "components"), {}),
        (("place", "expanded_95"), True),
        (("figures", 0, "values"), "0.1"),
        (("advice", 0), 3),
        (("verdict",), None),
    ],
)
def test_a_file_that_was_tampered_with_is_refused(quality, tmp_path, path, value) -> None:
    content = quality.to_json()
    place = content
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    with pytest.raises(PartFault):
        quality_from_json(content)
    file = tmp_path / "quality.json"
    file.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_quality(file)
    assert told.value.column and "hysteresis measure" in str(told.value)


def test_a_registration_that_knows_its_own_uncertainty_is_believed(bench: Bench) -> None:
    """Places told to 0.07 and 0.03 mm by 60 points: those figures, their degrees of freedom."""
    from types import SimpleNamespace

    from hysteresis.measure.quality_place import registered
    from hysteresis.measure.registration import register

    assert bench.camera is not None
    told = SimpleNamespace(
        known=SimpleNamespace(terms=("k1",)), fiducials=60, residual_mm=0.05,
        px_of=register(bench.camera).px_of,
        place_sigma_mm=lambda u, v: np.column_stack([np.full(len(u), 0.07), np.full(len(u), 0.03)]),
    )  # fmt: skip
    measured = measured_of(bench)
    seen = observations(PATTERN, measured.recording)
    place, scale, dof, assumed = registered(told, seen)
    assert place == pytest.approx(np.array([[0.07, 0.03], [0.07, 0.03]]))
    assert (dof, assumed) == (120 - 8 - 1, False)
    assert 0 < scale < 0.02
