"""Moments of a normal value held to 0 or more, and quantiles of mixed normals; arrays of any shape."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import FloatArray

_TAIL = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)


class Rectified(NamedTuple):
    """Moments of max(0, x) for a normal x, and P(x > 0): the mean slope."""

    mean: FloatArray
    variance: FloatArray
    slope: FloatArray


def _normal(z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(density, distribution function) of the standard normal: Abramowitz and Stegun (1964) 26.2.17,
    within 7.5e-8."""
    z = np.clip(z, -30.0, 30.0)
    density = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    t = 1 / (1 + 0.2316419 * np.abs(z))
    b1, b2, b3, b4, b5 = _TAIL
    tail = density * t * (b1 + t * (b2 + t * (b3 + t * (b4 + t * b5))))
    return density, np.where(z > 0, 1 - tail, tail)


def rectified(mean: FloatArray, sd: FloatArray) -> Rectified:
    """Of a normal x with this mean and sd.

    >>> half = rectified(np.array([0.0]), np.array([1.0]))     # 1/sqrt(2 pi) and 1/2 - 1/(2 pi)
    >>> round(float(half.mean[0]), 5), round(float(half.variance[0]), 5), round(float(half.slope[0]), 6)
    (0.39894, 0.34085, 0.5)
    """
    density, slope = _normal(mean / sd)
    m = np.maximum(mean * slope + sd * density, 0)
    variance = (mean * mean + sd * sd) * slope + mean * sd * density - m * m
    return Rectified(m, np.maximum(variance, 0), slope)


def quantile(share: float, mean: FloatArray, sd: FloatArray) -> FloatArray:
    """The value that `share` of an even mixture of normals lies below; mixed over the first axis.

    >>> round(float(quantile(0.95, np.array([0.0, 0.0]), np.array([1.0, 1.0]))), 3)
    1.645
    """
    sd = np.maximum(sd, 1e-9)
    low, high = (mean - 6 * sd).min(axis=0), (mean + 6 * sd).max(axis=0)
    for _ in range(40):
        middle = (low + high) / 2
        below = _normal((middle - mean) / sd)[1].mean(axis=0) < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2)
