"""Nine years of ten, who is beaten, what is sure: against a count by hand and against scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import bootstrap

from scheduler.study.statistics import difference, enough, nine_of_ten, not_beaten

CASES = settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
figures = st.lists(st.integers(0, 40).map(float), min_size=1, max_size=60)


@CASES
@given(figures)
def test_nine_of_ten_by_counting(values: list[float]) -> None:
    found = nine_of_ten(np.array(values))
    able = [value for value in values if 10 * sum(other <= value for other in values) >= 9 * len(values)]
    assert found == min(able)


@CASES
@given(st.integers(0, 200), st.integers(0, 200))
def test_enough_is_nine_years_in_ten(carried: int, more: int) -> None:
    years = carried + more
    assert enough(carried, years) == (years > 0 and carried >= math.ceil(0.9 * years - 1e-9))


@CASES
@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(0, 5)), min_size=1, max_size=30))
def test_who_is_beaten_by_looking_at_each_pair(points: list[tuple[int, int, int]]) -> None:
    def beats(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
        return one != other and all(a <= b for a, b in zip(one, other, strict=True))

    expected = [not any(beats(other, point) for other in points) for point in points]
    assert not_beaten(np.array(points, dtype=float)).tolist() == expected
    assert any(expected)


def test_the_interval_is_scipys() -> None:
    rng = np.random.default_rng(3)
    first, second = rng.normal(10, 2, 28), rng.normal(9, 2, 28)
    found = difference(first, second, seed=11)
    assert found is not None
    reference = bootstrap(
        (first - second,), np.mean, n_resamples=9999, confidence_level=0.95, method="percentile",
        rng=np.random.default_rng(11),
    ).confidence_interval  # fmt: skip
    assert (found.low, found.high) == pytest.approx((reference.low, reference.high), rel=1e-12)
    normal = (first - second).std(ddof=1) / math.sqrt(28) * 1.96  # the text-book interval is near it
    assert found.high - found.low == pytest.approx(2 * normal, rel=0.15)
    assert found == difference(first, second, seed=11)


def test_no_winner_where_zero_is_possible() -> None:
    years = np.arange(20.0)
    unsure = difference(years + np.tile([1.0, -1.0], 10), years, seed=1)
    lower = difference(years - 1 - np.tile([0.1, -0.1], 10), years, seed=1)
    higher = difference(years + 2, years, seed=1)
    none = difference(years, years, seed=1)
    assert [found and found.lower for found in (unsure, lower, higher, none)] == [
        None,
        "first",
        "second",
        None,
    ]
    assert difference(np.array([1.0]), np.array([2.0]), seed=1) is None


def test_in_nineteen_of_twenty_trials_the_interval_holds_the_truth() -> None:
    """What 95 % means; the percentile interval of 30 values is known to fall a little short of it."""
    rng = np.random.default_rng(0)
    held = 0
    for trial in range(200):
        found = difference(rng.normal(1.0, 3.0, 30), np.zeros(30), seed=trial)
        assert found is not None
        held += found.low <= 1.0 <= found.high
    assert 0.89 <= held / 200 <= 0.99
