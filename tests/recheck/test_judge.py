"""Alarms, blame and verdicts, on estimates whose truth is known and on simulated rigs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hysteresis.errors import InputError
from hysteresis.recheck import baseline_of, judge_recheck, quick_update
from hysteresis.recheck.judge import ALARM, _blamed, _moved, _verdict, if_only
from hysteresis.recheck.results import OnPath, p_words
from hysteresis.virtual_bench import Drift

from .rigs import bench, pattern, recording_of, stored_model


def covariance(rng: np.random.Generator, k: int = 10) -> np.ndarray:
    a = rng.normal(size=(k, k))
    return a @ a.T / k + 0.1 * np.eye(k)


def test_alarms_without_a_change_are_at_most_five_per_cent():
    """Normal changes of known covariance: the union of two tests of half the level each lies
    between one of them and both (Bonferroni's bound; textbook)."""
    rng = np.random.default_rng(3)
    whole = covariance(rng)
    draws = rng.multivariate_normal(np.zeros(10), whole, 1500)
    share = np.mean([_moved(d, whole)[2] for d in draws])
    spread = 3.0 * np.sqrt(ALARM / 1500)
    assert ALARM / 2.0 - spread < share < ALARM + spread


def test_the_one_that_moved_is_blamed_although_all_are_correlated():
    rng = np.random.default_rng(4)
    whole = covariance(rng)
    right = 0
    for k in range(10):
        change = rng.multivariate_normal(np.zeros(10), whole)
        change[k] += 8.0 / np.sqrt(np.linalg.inv(whole)[k, k])
        chosen = _blamed(change, whole)
        right += chosen[0] == k
    assert right >= 9


def test_a_change_of_some_alone_is_generalised_least_squares():
    """Against the formula with the design matrix written out (Aitken; textbook)."""
    rng = np.random.default_rng(6)
    whole, change, rows = covariance(rng, 5), rng.normal(size=5), [1, 3]
    x = np.eye(5)[:, rows]
    inverse = np.linalg.inv(whole)
    by_hand = np.linalg.inv(x.T @ inverse @ x) @ x.T @ inverse @ change
    value, error = if_only(change, whole, rows)
    assert np.allclose(value[rows], by_hand) and value[0] == 0.0
    assert np.allclose(error[rows] ** 2, np.diag(np.linalg.inv(x.T @ inverse @ x)))


@pytest.mark.parametrize(
    ("certain", "error", "high", "strange", "verdict", "word"),
    [
        (False, 0.02, 0.05, False, "pass", "none of more than"),
        (False, 0.02, 0.30, False, "watch", "cannot be ruled out"),
        (True, 0.05, 0.08, False, "watch", "beyond doubt"),
        (True, 0.15, 0.20, False, "refit", "more than 0.1 mm"),
        (False, 0.02, 0.05, True, "refit", "bent, torn or bumped"),
    ],
)
def test_verdicts(certain, error, high, strange, verdict, word):
    told = OnPath("the last job", error, 0.0, high, error, 0.1)
    found, reasons = _verdict(told, certain, strange, 0.3, 0.01, True)
    assert found == verdict and any(word in reason for reason in reasons)


@pytest.fixture(scope="module")
def reference():
    first = judge_recheck(stored_model(), pattern(), recording_of(1), bench())
    return baseline_of(first, "the reference", "first")


def judged(sequence, baseline, drift=None):
    recording = recording_of(sequence, drift or Drift())
    return judge_recheck(stored_model(), pattern(), recording, bench(), baseline=baseline)


def test_without_a_reference_the_misfit_is_not_taken_for_a_change():
    found = judge_recheck(stored_model(), pattern(), recording_of(1), bench()).judgement
    assert not found.moved and found.against == "the fit" and found.reference == ""


def test_another_sitting_is_no_change(reference):
    found = judged(2, reference).judgement
    assert found.verdict == "pass" and not found.moved and found.reference == "first"


def test_friction_of_one_axis_is_found_there_and_updated(reference):
    drift = Drift(friction=1.3, axes="y")
    one = judged(3, reference, drift)
    assert [s.key for s in one.judgement.moved] == ["friction_y"]
    assert one.judgement.moved[0].moved_by == pytest.approx(0.3, abs=0.08)
    better, how = quick_update(stored_model(), one, date="2026-03-01", baseline=reference)
    assert how.accepted and how.held_after_mm < how.held_before_mm
    was, now = stored_model().model.axis_y, better.model.axis_y
    factor = 1.0 + one.judgement.moved[0].moved_by
    assert np.allclose(now.friction.stiffness, was.friction.stiffness * factor)
    assert better.model.axis_x.to_json() == stored_model().model.axis_x.to_json()
    assert better.provenance["rechecked"][0]["moved"][0]["direction"] == "friction"


def test_an_update_says_what_is_left_beyond_the_tolerance(reference):
    """A tolerance of a hundredth of what is left: the note, with the reference's own figure."""
    one = judged(3, reference, Drift(friction=1.3, axes="y"))
    strict = replace(one.judgement.on_path, tolerance_mm=1e-4)
    strict_one = replace(one, judgement=replace(one.judgement, on_path=strict))
    how = quick_update(stored_model(), strict_one, date="2026-03-01", baseline=reference)[1]
    assert how.accepted and "more than the tolerance of 0.0001 mm" in how.notes[0]
    assert f"the reference itself left {reference.held_mm:.4f} mm" in how.notes[0]
    assert 0.0 < reference.held_mm < how.held_before_mm


@pytest.mark.parametrize(
    ("p", "said"),
    [(0.0, "p < 0.0001"), (0.037, "p = 0.037"), (0.9996, "p > 0.99"), (float("nan"), "p = –")],
)
def test_probabilities_in_words(p, said):
    assert p_words(p) == said


def test_an_update_without_a_change_is_refused(reference):
    with pytest.raises(InputError, match="nothing to update"):
        quick_update(stored_model(), judged(2, reference), date="2026-03-01", baseline=reference)
