"""The reference: what is written is read, and another bench's or a damaged one is refused."""

from __future__ import annotations

import json

import numpy as np
import pytest

from hysteresis.errors import InputError
from hysteresis.files import write_json
from hysteresis.recheck.judge import Baseline
from hysteresis.recheck.record import Circumstances, read_reference, reference_content
from tests.plan.conftest import bench_with

BENCH = bench_with()
ABOUT = Circumstances("2026-03-01", "2026-03-01", "camera", None, "model.json", "aa", "bb", False)
NAMES = (("x", "friction"), ("x", "zero_mm"))
BASE = Baseline(
    NAMES, np.array([0.1, -0.2]), np.eye(2), np.array([0.1, 0.3]), np.eye(2) * 2, 0.01, "", ""
)


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "reference.json"
    write_json(path, reference_content(ABOUT, BASE, BENCH))
    return path


def test_what_is_written_is_read(file):
    found, why = read_reference(file, BENCH, "aa", "bb")
    assert found is not None and why == "" and found.names == NAMES
    assert np.array_equal(found.part_noise, BASE.part_noise) and found.record == "2026-03-01"
    assert found.words == "the reference of 2026-03-01"


def test_of_another_model_or_pattern_it_is_left_aside_with_a_word(file, tmp_path):
    assert read_reference(file, BENCH, "cc", "bb") == (
        None, "the reference was taken with another model and is not used"
    )  # fmt: skip
    assert "another pattern" in read_reference(file, BENCH, "aa", "cc")[1]
    assert read_reference(tmp_path / "none.json", BENCH, "aa", "bb") == (None, "")


@pytest.mark.parametrize(
    ("key", "value", "word"),
    [
        ("schema", "other", "not a reference of rechecks"),
        ("schema_version", 9, "another schema version"),
        ("directions", [], "is not a list"),
        ("directions", ["x wind", "x zero_mm"], "no direction"),
        ("value", [0.1], "1 numbers, not 2"),
        ("noise", [1.0, 2.0, 2.0, 1.0], "no covariance"),
        ("left_mm", -1.0, "left_mm"),
        ("bench", {}, "another bench"),
    ],
)
def test_a_damaged_reference_is_refused(file, key, value, word):
    content = json.loads(file.read_text()) | {key: value}
    file.write_text(json.dumps(content))
    with pytest.raises(InputError, match=word) as told:
        read_reference(file, BENCH, "aa", "bb")
    assert "--reference" in str(told.value)
