"""Segments that may be added, and the patterns made of them."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.plan.characterise import characterisation
from hysteresis.plan.demands import rolling_rms
from hysteresis.plan.improve import (
    appended,
    extras,
    in_a_row,
    skeleton_for_path,
    tailored,
    waits,
)
from hysteresis.plan.segments import duration_s
from hysteresis.tables import Pattern

from .conftest import bench_with, spans


def still_job() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Three rounds within ±0.3, each followed by 3 s at (0.8, 0): drawn by hand."""
    t, x, y = [0.0], [0.0], [0.0]
    for _ in range(3):
        for dt, px, py in ((0.5, 0.3, 0.0), (0.5, -0.3, 0.3), (0.5, 0.0, -0.3), (0.3, 0.8, 0.0),
                           (3.0, 0.8, 0.0), (0.3, 0.0, 0.0)):  # fmt: skip
            t.append(t[-1] + dt)
            x.append(px)
            y.append(py)
    return np.array(t), np.array(x), np.array(y)


@pytest.mark.parametrize("axes", ["both", "x", "y"])
def test_every_extra_starts_and_ends_at_zero_and_moves_only_what_it_may(
    bench: Bench, axes: str
) -> None:
    found = extras(bench, axes)  # type: ignore[arg-type]
    assert len(found) > 15 and len({e.name for e in found}) == len(found)
    for extra in found:
        first, last = extra.block[0].drive[0], extra.block[-1].drive[-1]
        assert not first.any() and not last.any(), extra.name
        drive = np.vstack([piece.drive for piece in extra.block])
        assert np.abs(drive).max() <= bench.limits.max_drive + 1e-12
        if axes != "both":
            assert not drive[:, "yx".index(axes)].any()
        assert extra.duration_s == pytest.approx(sum(p.t_s[-1] for p in extra.block))


def test_the_pool_varies_what_the_table_of_causes_asks_for(bench: Bench) -> None:
    """Dwells and waits of several lengths, both signs, reversals of several sizes, speeds."""
    pattern, _ = in_a_row(bench, [extra.block for extra in extras(bench)])
    holds = spans(pattern, "/hold")
    lengths = {round(length) for _, _, length, _ in holds}
    assert {1, 3, 10, 30, 60} <= lengths
    watches = {round(length, 1) for _, _, length, _ in spans(pattern, "/watch")}
    assert len(watches) >= 5
    for length in (30, 60):
        signs = {tuple(np.sign(at)) for _, _, span, at in holds if round(span) == length}
        assert {s[0] for s in signs} == {s[1] for s in signs} == {-1.0, 1.0}
    rates = np.abs(np.diff(pattern.drive_x) / np.diff(pattern.t_s))
    sweeps = np.array([str(s).startswith("sweep") for s in pattern.segment[:-1]])
    for speed in (0.2, 0.7, 5.0):
        assert np.isclose(rates[sweeps], speed, rtol=1e-6).any()


@pytest.mark.parametrize("limits", [{}, {"coil_rms": 0.3}, {"slew_per_s": 3.0}])
def test_spans_say_where_each_segment_lies_and_what_it_costs(limits: dict[str, float]) -> None:
    bench = bench_with(limits=limits)
    blocks = [extra.block for extra in extras(bench)]
    pattern, found = in_a_row(bench, blocks)  # raises LimitError if a limit is broken
    assert len(found) == len(blocks)
    for block, span in zip(blocks, found, strict=True):
        row = int(np.searchsorted(pattern.t_s, span.start_s + 1e-6)) - 1
        assert str(pattern.segment[row]).split("/")[0] == block[0].kind
        assert span.end_s - span.start_s == pytest.approx(duration_s(block))
        assert span.cost_s >= span.end_s - span.start_s - 1e-9
        # the same drive there, or a lowered one where the coils ask for it
        at = span.start_s + 0.5 * duration_s(block)
        x = np.interp(at, pattern.t_s, pattern.drive_x)
        t = np.concatenate([[0.0], np.cumsum([p.t_s[-1] for p in block])])
        k = int(np.searchsorted(t, at - span.start_s, side="right")) - 1
        own = np.interp(at - span.start_s - t[k], block[k].t_s, block[k].drive[:, 0])
        if "coil_rms" in limits:
            assert abs(x) <= abs(own) + 1e-9 and x * own >= -1e-12
        else:
            assert x == pytest.approx(own, abs=1e-9)
    rests = sum(s.cost_s - (s.end_s - s.start_s) for s in found)
    assert (rests > 1.0) == ("coil_rms" in limits)
    first, last = str(pattern.segment[0]), str(pattern.segment[-1])
    assert first == "sync/001" and last.startswith("sync/")


def test_where_a_path_waits_is_found() -> None:
    assert waits(*still_job()) == [((0.8, 0.0), pytest.approx(3.0))]
    t = np.array([0.0, 1.0, 2.0, 8.0, 9.0, 9.3, 10.0])
    x = np.array([0.0, 0.5, 0.5, 0.5, 0.0, 0.0, 0.0])  # 7 s at 0.5; at zero there is nothing
    assert waits(t, x, np.zeros(7)) == [((0.5, 0.0), pytest.approx(7.0))]
    assert waits(t, 0.08 * x, np.zeros(7)) == []  # hardly off zero


def test_parts_for_a_path_may_hold_where_it_waits_on_both_sides(bench: Bench) -> None:
    skeleton = skeleton_for_path(bench, 4.0, *still_job())
    names = [[extra.name for extra in slot] for slot in skeleton.slots]
    every = {name for slot in names for name in slot}
    for side in ("+0.80, +0.00", "-0.80"):
        for dwell in (1, 3, 10, 30):
            assert any(n.startswith(f"dwell of {dwell} s at {side}") for n in every)
    assert any("the path's reach" in name for name in every)
    assert "reversals from the place where the path waits" in every
    # dwells keep their variety whatever form is taken: one length per part, or the path's own
    dwells = [{n.removeprefix("usual ").split(" s at")[0] for n in of} for of in names
              if any("dwell" in n for n in of)]  # fmt: skip
    assert all(len(of) <= 2 for of in dwells) and len(set.union(*dwells)) >= 4
    for form in (0, -1):
        in_a_row(bench, [slot[form].block for slot in skeleton.slots])  # within every limit
    alone = skeleton_for_path(bench, 4.0, *still_job(), axes="x")
    assert not any(p.drive[:, 1].any() for slot in alone.slots for e in slot for p in e.block)


@pytest.mark.parametrize("axes", ["both", "y"])
@pytest.mark.parametrize("minutes", [2.0, 4.0, 7.0])
def test_the_usual_forms_make_the_usual_pattern(bench: Bench, minutes: float, axes: str) -> None:
    """So that whatever is exchanged is held against nothing but the pattern it replaces."""
    skeleton = skeleton_for_path(bench, minutes, *still_job(), axes=axes)  # type: ignore[arg-type]
    pattern, _ = tailored(bench, skeleton, [0] * len(skeleton.slots), minutes)
    usual = characterisation(bench, minutes, axes)  # type: ignore[arg-type]
    assert list(pattern.segment) == list(usual.segment)
    for name in ("t_s", "drive_x", "drive_y"):
        np.testing.assert_allclose(getattr(pattern, name), getattr(usual, name), atol=1e-9)


def test_appended_keeps_the_first_and_numbers_the_second_on(bench: Bench) -> None:
    first = characterisation(bench, 2.0)
    second, _ = in_a_row(bench, [extras(bench)[0].block, extras(bench)[5].block])
    whole = appended(first, second, bench)
    n = len(first)
    assert np.array_equal(whole.t_s[:n], first.t_s)
    assert np.array_equal(whole.drive_y[:n], first.drive_y)
    assert list(whole.segment[: n - 1]) == list(first.segment[:-1])
    assert np.array_equal(whole.drive_x[n:], second.drive_x)
    np.testing.assert_allclose(np.diff(whole.t_s[n:]), np.diff(second.t_s), atol=1e-9)
    before, after = set(first.segment), set(whole.segment[n:])
    assert not before & after  # every name once, or held-out groups would run together
    assert (np.diff(whole.t_s) > 0).all()


def test_appended_waits_until_the_coils_are_cool_enough() -> None:
    bench = bench_with(limits={"coil_rms": 0.35, "coil_window_s": 60.0})
    hot, _ = in_a_row(bench, [e.block for e in extras(bench) if e.name.startswith("dwell of 10")])
    whole = appended(hot, hot, bench)
    for drive in (whole.drive_x, whole.drive_y):
        assert rolling_rms(whole.t_s, drive, 60.0)[1].max() <= 0.35 * (1 + 1e-6)


@pytest.mark.parametrize("minutes", [2.0, 5.0])
def test_a_tailored_pattern_keeps_its_time_and_what_every_pattern_has(
    bench: Bench, minutes: float
) -> None:
    skeleton = skeleton_for_path(bench, minutes, *still_job())
    rng = np.random.default_rng(1)
    for seed in range(3):
        forms = [int(rng.integers(len(slot))) for slot in skeleton.slots]
        pattern, kept = tailored(bench, skeleton, forms, minutes, seed=seed)
        assert len(kept) >= 0.7 * len(skeleton.slots) and list(kept) == sorted(kept)
        assert 60 * minutes - 0.02 < pattern.t_s[-1] <= 60 * minutes
        kinds = [str(s).split("/")[0] for s in pattern.segment]
        for kind in ("sync", "conditioning", "staircase", "sweep", "steps", "repeat", "ladder"):
            assert kind in kinds
        assert kinds[0] == kinds[-1] == "sync"
        assert kinds.index("conditioning") < kinds.index("staircase")

        # the repeat is the early part once more, after conditioning
        def moves(of: str, pattern: Pattern = pattern) -> np.ndarray:
            rows = [k for k, s in enumerate(pattern.segment) if str(s).startswith(of)]
            return pattern.drive_x[rows[0] : rows[-1] + 1]

        again, early = moves("repeat/001"), moves("staircase/001")
        assert np.array_equal(again[: len(early)], early)


def test_too_little_time_is_told(bench: Bench) -> None:
    skeleton = skeleton_for_path(bench, 2.0, *still_job())
    with pytest.raises(InputError, match="minutes on this bench"):
        tailored(bench, skeleton, [0] * len(skeleton.slots), 0.2)
