"""A comparison on disk: nothing that is not finite, nothing that a spreadsheet would run."""

from __future__ import annotations

import json

import numpy as np
import pytest
from compare_data import ERROR, values_of

from hysteresis.compare.designs import compare_figure
from hysteresis.compare.files import _cell, check_folder, to_plain
from hysteresis.errors import InputError


def test_what_is_not_known_is_null_or_empty():
    found = compare_figure(ERROR, "xy", (), values_of({"a": [1.0], "b": [2.0, 2.1]}), level=0.95)
    plain = to_plain(found)
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    assert plain["differences"][0]["p"] is None and plain["designs"][0]["low"] is None
    assert plain["values"][0] == {"label": "a 0", "suspension": "a", "unit": "0", "value": 1.0,
                                  "u": 0.0, "origin": "measured"}  # fmt: skip
    assert _cell(float("nan")) == "" and _cell(None) == "" and _cell(np.float64(0.25)) == "0.25"
    assert to_plain(np.array([1, 2])) == [1, 2] and to_plain(np.bool_(True)) is True


@pytest.mark.parametrize("name", ["=1+1", "+a", "-a", "@a"])
def test_a_name_is_no_formula(name):
    assert _cell(name) == "'" + name


def test_a_folder_is_checked_and_not_made(tmp_path):
    check_folder(tmp_path / "a" / "b", force=False)
    assert not (tmp_path / "a").exists()
    (tmp_path / "comparison.csv").write_text("mine")
    with pytest.raises(InputError, match=r"comparison\.csv.*--force"):
        check_folder(tmp_path, force=False)
    check_folder(tmp_path, force=True)


def test_a_folder_without_the_right_to_write(tmp_path, monkeypatch):
    """Root may write everywhere, so the question itself is answered with no."""
    monkeypatch.setattr("os.access", lambda *_: False)
    with pytest.raises(InputError, match="no permission"):
        check_folder(tmp_path / "out", force=False)
