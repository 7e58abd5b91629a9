"""Matching of found with true events against closed cases and an optimal assignment."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import linear_sum_assignment

from midstance.gait.event_accuracy import contact_time_accuracy, match_events


def test_errors_misses_and_inventions():
    got = match_events([0.105, 1.0, 2.02, 3.5], [0.1, 1.01, 2.0, 4.0])
    assert (got.n, got.missed, got.invented) == (3, 1, 1)
    assert_allclose(got.errors_s, [0.005, -0.01, 0.02])
    assert got.bias_ms == pytest.approx(5.0)
    assert got.median_abs_ms == pytest.approx(10.0)
    assert got.p95_abs_ms == pytest.approx(19.0)
    assert got.pairs.tolist() == [[0, 0], [1, 1], [2, 2]]


def test_each_event_is_used_once():
    got = match_events([1.0, 1.01], [1.004])
    assert (got.n, got.missed, got.invented) == (1, 0, 1)
    assert_allclose(got.errors_s, [-0.004])


@pytest.mark.parametrize(("found", "truth"), [([], []), ([1.0], []), ([], [1.0]), ([1.0], [2.0])])
def test_nothing_to_match(found, truth):
    got = match_events(found, truth)
    assert (got.n, got.missed, got.invented) == (0, len(truth), len(found))
    assert np.isnan(got.bias_ms)
    assert np.isnan(got.p95_abs_ms)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), shift=st.floats(-5, 5))
def test_agrees_with_an_optimal_assignment_and_with_any_clock(seed, shift):
    """Events well apart: nearest first is the optimal assignment, whatever the order and clock."""
    rng = np.random.default_rng(seed)
    truth = np.cumsum(rng.uniform(0.5, 0.9, size=8))
    kept = truth[rng.random(8) > 0.2]
    found = rng.permutation(kept + rng.normal(scale=0.015, size=len(kept)))
    got = match_events(found + shift, truth + shift)
    rows, columns = linear_sum_assignment(np.abs(found[:, None] - truth[None, :]))
    expected = {(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if abs(found[i] - truth[j]) <= 0.1}
    assert {tuple(p) for p in got.pairs.tolist()} == expected


def test_contact_times():
    ic, to = np.array([1.0, 2.0, 3.0]), np.array([1.25, 2.25, 3.25])
    got = contact_time_accuracy(ic + 0.002, to + np.array([0.010, 0.012, 0.014]), ic, to)
    assert got.n == 3
    assert got.bias_ms == pytest.approx(10.0)
    assert got.sd_ms == pytest.approx(np.std([8.0, 10.0, 12.0]))
    assert contact_time_accuracy(ic, [], ic, to).n == 0
