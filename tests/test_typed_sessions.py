"""The study of typed sessions, in its short form: slips found, sound readings left alone."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from experiments import typed_sessions
from hysteresis import virtual_bench
from hysteresis.tables import TypedSheet

PLAN = tomllib.loads((typed_sessions.HERE / "typed_sessions.toml").read_text())


@pytest.mark.slow
def test_a_few_sessions() -> None:
    """Seeds of their own; of so few only the kinds that no memory can look like must be found."""
    plan = PLAN | {"suspensions": ["braided-thread", "metal-flexure"], "units": 1}
    outcomes = typed_sessions.study(plan, 8, 300)
    slips = [(slip, one) for one in outcomes for slip in one.slips if slip.counts]
    assert len(slips) > 5
    found = [bool((slip.gross & (one.asked | one.doubted)).any()) for slip, one in slips]
    assert np.mean(found) >= 0.9
    assert not any(one.altered for one in outcomes)
    sound = sum(int(one.sound.sum()) for one in outcomes)
    wrongly = sum(int((one.sound & (one.asked | one.doubted)).sum()) for one in outcomes)
    assert wrongly <= 0.03 * sound
    typed_sessions.report(outcomes)


def sheet() -> TypedSheet:
    n = 30
    place = np.random.default_rng(1).uniform(-50, 50, (2, n)).round(1)
    drive = place / 60
    return TypedSheet(np.arange(1, n + 1), 15.0 * np.arange(1, n + 1), *drive, *place,
                      np.full(n, "", dtype=object))  # fmt: skip


@pytest.mark.parametrize("kind", virtual_bench.SLIP_KINDS)
def test_a_slip_changes_what_it_says_and_nothing_else(kind: virtual_bench.SlipKind) -> None:
    honest = sheet()
    before = typed_sessions.places(honest)
    for seed in range(20):
        wrong, changed = virtual_bench.slip_into(honest, kind, np.random.default_rng(seed))
        now = typed_sessions.places(wrong)
        assert np.array_equal(now != before, changed)
        rows = np.flatnonzero(changed.any(axis=1))
        if kind == "rows":
            assert 4 <= rows[-1] - rows[0] + 1 <= 15
            assert any(np.array_equal(now[rows], before[rows + by]) for by in (1, -1))
        elif kind == "axes":
            assert np.array_equal(now[rows], before[rows][:, ::-1])
        else:
            assert changed.sum() <= 1
            ratio = (now / before)[changed]
            wanted = {"sign": [-1], "cm": [0.1], "point": [0.1, 10], "inch": [1 / 25.4]}.get(kind)
            if wanted and len(ratio) and abs(before[changed][0]) > 5:
                # inches are rounded to a hundredth
                assert (
                    min(abs(ratio[0] - one) for one in wanted)
                    < 0.005 / abs(before[changed][0]) + 1e-9
                )
    np.testing.assert_array_equal(typed_sessions.places(honest), before)
