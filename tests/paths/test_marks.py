"""Marks of trace, travel and park, and the layers between parks, by hand-made paths."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hysteresis.paths.marks import mark_path
from hysteresis.tables import SpotPath


def path_of(letters: str, step_s: float = 0.1) -> SpotPath:
    """One interval per letter: T trace, m travel moving, p standing with the beam off, s standing
    with the beam on."""
    moving = np.array([c in "Tm" for c in letters])
    x = np.concatenate([[0.0], np.cumsum(moving * 1.0)])
    beam = np.array([*(c in "Ts" for c in letters), False])
    return SpotPath(np.arange(len(letters) + 1) * step_s, x, np.zeros_like(x), beam)


def shown(letters: str, **options) -> tuple[str, str]:
    marks = mark_path(path_of(letters), **options)
    return (
        "".join("TmP"[k] for k in marks.kind[:-1]),
        "".join(str(n) for n in marks.layer[:-1]),
    )


def test_three_kinds():
    assert shown("mTTmpppmTs")[0] == "mTTmPPPmTT"


def test_a_short_stop_is_travel():
    assert shown("TmpmTmppm")[0] == "TmmmTmPPm"
    assert shown("TmpmTmppm", park_s=0.05)[0] == "TmPmTmPPm"
    assert shown("TmpmTmppm", park_s=0.3)[0] == "TmmmTmmmm"


def test_a_layer_ends_with_the_park_behind_its_traces():
    kinds, layers = shown("mTmTppmTmppTmpp")
    assert kinds == "mTmTPPmTmPPTmPP"
    assert layers == "000000111112222"


def test_parks_without_a_trace_between_open_no_layer():
    _, layers = shown("ppmTppmppmTppmpp")
    assert layers == "0000001111111111"
    assert mark_path(path_of("ppmpp")).layers == 1
    assert mark_path(path_of("TTT")).layers == 1


def test_spans_tell_times_and_rows():
    marks = mark_path(path_of("mTTppp"))
    assert [(s.kind, s.layer, s.first, s.last) for s in marks.spans] == [
        ("travel", 0, 0, 1),
        ("trace", 0, 1, 3),
        ("park", 0, 3, 6),
    ]
    assert marks.spans_of("park")[0].duration_s == pytest.approx(0.3)
    assert len(marks.kind) == len(marks.layer) == 7


@given(st.text(alphabet="Tmps", min_size=1, max_size=60))
def test_any_path_is_covered_once_and_layers_hold_a_trace_each(letters):
    marks = mark_path(path_of(letters))
    assert marks.spans[0].first == 0 and marks.spans[-1].last == len(letters)
    for one, two in zip(marks.spans[:-1], marks.spans[1:], strict=True):
        assert one.last == two.first and (one.kind, one.layer) != (two.kind, two.layer)
        assert two.layer - one.layer in (0, 1)
        if two.layer > one.layer:
            assert one.kind == "park"
    traced = {s.layer for s in marks.spans_of("trace")}
    assert traced == set(range(marks.layers)) or (not traced and marks.layers == 1)
    on = np.array([c in "Ts" for c in letters])
    np.testing.assert_array_equal(marks.kind[:-1] == 0, on)
    # every park stands for 0.2 s or longer with the beam off
    for span in marks.spans_of("park"):
        assert span.duration_s >= 0.2 - 1e-9
        assert set(letters[span.first : span.last]) == {"p"}


def test_one_row_has_no_intervals():
    one = SpotPath(np.zeros(1), np.zeros(1), np.zeros(1), np.zeros(1, bool))
    with pytest.raises(ValueError, match="two rows"):
        mark_path(one)
