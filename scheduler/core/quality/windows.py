"""Sliding looks at a series of days; `nan` is missing, and a window without enough values gives `nan`."""

from __future__ import annotations

import numpy as np

from scheduler.core.arrays import FloatArray


def trailing(x: FloatArray, days: int) -> FloatArray:
    """(day, days): each day's value and those of the days before it; before the first day nan.

    >>> trailing(np.array([1.0, 2.0, 3.0]), 2).tolist()
    [[nan, 1.0], [1.0, 2.0], [2.0, 3.0]]
    """
    padded = np.concatenate([np.full(days - 1, np.nan), x])
    return np.lib.stride_tricks.sliding_window_view(padded, days)


def quantile(windows: FloatArray, share: float, *, least: int) -> FloatArray:
    """(day,): the value that `share` of each window's known values do not exceed; nan below `least` values.

    >>> quantile(np.array([[3.0, 1.0, 2.0, np.nan]]), 0.5, least=3)
    array([2.])
    """
    known = np.isfinite(windows).sum(axis=1)
    place = np.clip(share * (known - 1), 0, None)
    low = np.floor(place).astype(np.int64)
    high = np.minimum(low + 1, np.maximum(known - 1, 0))
    rows, ordered = np.arange(len(windows)), np.sort(windows, axis=1)  # nan comes last
    found = ordered[rows, low] + (place - low) * (ordered[rows, high] - ordered[rows, low])
    return np.where(known >= max(least, 1), found, np.nan)


def middle_without(x: FloatArray, half: int) -> FloatArray:
    """(day,): the median of the `half` days before and after, the day itself left out.

    nan with fewer than half of one side's days.

    >>> middle_without(np.array([1.0, 2.0, 90.0, 4.0, 5.0]), 2).tolist()
    [46.0, 4.0, 3.0, 5.0, 47.0]
    """
    gap = np.full(half, np.nan)
    around = np.array(np.lib.stride_tricks.sliding_window_view(np.concatenate([gap, x, gap]), 2 * half + 1))
    around[:, half] = np.nan
    return quantile(around, 0.5, least=half // 2 + 1)


def exact_runs(*columns: FloatArray) -> FloatArray:
    """(day,): how many days in a row, this one among them, have exactly these values; 0 where one is missing.

    >>> exact_runs(np.array([1.0, 2.0, 2.0, np.nan, 2.0]))
    array([1., 2., 2., 0., 1.])
    """
    x = np.stack(columns)
    if not x.shape[1]:
        return np.zeros(0)
    starts = np.concatenate([[True], ~(x[:, 1:] == x[:, :-1]).all(axis=0)])
    run = np.cumsum(starts) - 1
    return np.where(np.isfinite(x).all(axis=0), np.bincount(run)[run], 0).astype(np.float64)
