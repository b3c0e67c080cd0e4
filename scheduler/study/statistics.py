"""Figures of many years in one: nine of ten, who is beaten, and what is sure of a difference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray

MOST_YEARS = 0.9
"""The share of years that "nine of ten" stands for."""
RESAMPLES = 9_999
CONFIDENCE = 0.95


def nine_of_ten(values: FloatArray) -> float:
    """The smallest of the values that at least nine of ten do not exceed; (year,), one at least.

    >>> nine_of_ten(np.arange(1.0, 31)), nine_of_ten(np.array([4.0, 1.0]))
    (27.0, 4.0)
    """
    return float(np.quantile(values, MOST_YEARS, method="inverted_cdf"))


def enough(carried: int, years: int) -> bool:
    """Whether so many of the years are nine in ten.

    >>> enough(27, 30), enough(26, 30), enough(0, 0)
    (True, False, False)
    """
    return years > 0 and 10 * carried >= 9 * years


def not_beaten(points: FloatArray) -> BoolArray:
    """(point,) True where no other is as low in every figure and lower in one; points: (point, figure).

    >>> not_beaten(np.array([[1.0, 5.0], [2.0, 4.0], [2.0, 5.0], [1.0, 5.0]])).tolist()
    [True, True, False, True]
    """
    found = [
        not bool(((points <= point).all(axis=1) & (points < point).any(axis=1)).any()) for point in points
    ]
    return np.array(found, dtype=bool)


@dataclass(frozen=True, slots=True)
class Difference:
    """Of two variants, year by year: the mean, and between what it lies with 95 % confidence."""

    mean: float
    low: float
    high: float

    @property
    def lower(self) -> Literal["first", "second"] | None:
        """Which of the two is lower; None where the interval holds zero."""
        if self.low <= 0 <= self.high:
            return None
        return "first" if self.high < 0 else "second"


def can_resample() -> bool:
    """Whether scipy is there, which draws the years anew."""
    try:
        import scipy.stats  # noqa: F401 - only whether it is there
    except ImportError:
        return False
    return True


def difference(first: FloatArray, second: FloatArray, seed: int) -> Difference | None:
    """first less second, (year,), by bootstrap over the years; None with fewer than two, or without scipy.

    Source: the percentile interval of Efron (1979), scipy's.
    """
    by_year = first - second
    if len(by_year) < 2:
        return None
    if not can_resample():
        return None
    from scipy.stats import bootstrap

    mean = float(by_year.mean())
    if (by_year == by_year[0]).all():
        return Difference(mean, mean, mean)
    found = bootstrap(
        (by_year,), np.mean, n_resamples=RESAMPLES, confidence_level=CONFIDENCE, method="percentile", rng=seed
    ).confidence_interval
    return Difference(mean, float(found.low), float(found.high))
