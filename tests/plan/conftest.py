"""Benches to plan for: the one of the template, and random ones."""

import tomllib

import numpy as np
import pytest
from hypothesis import strategies as st

from hysteresis.bench import TEMPLATE, Bench

_PLAIN = tomllib.loads(TEMPLATE)


def bench_with(*, camera=True, **sections) -> Bench:
    """The template's bench with some settings changed: bench_with(limits={"slew_per_s": 5.0})."""
    content = {key: dict(v) if isinstance(v, dict) else v for key, v in _PLAIN.items()}
    for section, settings in sections.items():
        content[section] |= settings
    if not camera:
        del content["camera"]
    return Bench.model_validate(content)


@pytest.fixture
def bench() -> Bench:
    return bench_with()


def _decades(low: float, high: float):
    return st.floats(np.log10(low), np.log10(high)).map(lambda e: float(10.0**e))


@st.composite
def benches(draw) -> Bench:
    """Benches from hardly usable to faster than any mirror."""
    limits = {
        "max_drive": draw(st.floats(0.05, 1.0)),
        "slew_per_s": draw(_decades(0.05, 1e4)),
        "bandwidth_hz": draw(_decades(0.5, 5e3)),
        "coil_rms": draw(_decades(0.05, 1.0)),
        "coil_window_s": draw(_decades(1.0, 600.0)),
    }
    corner = draw(st.none() | _decades(5e-4, 50.0))
    drive = {} if corner is None else {"coupling": "ac", "corner_hz": corner}
    beam = {"mode": draw(st.sampled_from(["switched", "always-on"]))}
    return bench_with(limits=limits, drive=drive, beam=beam, camera=draw(st.booleans()))


def spans(pattern, ending: str):
    """(name, start s, length s, drive at start (2,)) of each segment whose name ends so."""
    found = {}
    for k, name in enumerate(pattern.segment[:-1]):
        if name.endswith(ending):
            first = found.setdefault(name, [k, k])
            first[1] = k + 1
    return [
        (
            name,
            pattern.t_s[a],
            pattern.t_s[b] - pattern.t_s[a],
            np.array([pattern.drive_x[a], pattern.drive_y[a]]),
        )
        for name, (a, b) in found.items()
    ]
