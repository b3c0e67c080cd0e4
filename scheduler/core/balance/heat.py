"""Degree-days, and the stages of a crop that follow from them (model M11)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np

from scheduler.core.arrays import BoolArray, Celsius, FloatArray
from scheduler.model import Crop, HeatUnits, Location

NORTH, SOUTH = (5, 15), (11, 15)
"""Month and day from which the stored years are counted, where the crop names none (own choice)."""
LEAST_YEARS = 3
LEAST_SHARE_OF_DAYS = 0.9


def degree_days(tmin_c: Celsius, tmax_c: Celsius, heat: HeatUnits) -> FloatArray:
    """Degree-days of each day, degC, never below 0; nan without temperatures.

    Sources: single sine with horizontal cutoff (Baskerville and Emin 1969); `average`: both extremes held to
    base..upper first (McMaster and Wilhelm 1997).

    >>> days = degree_days(np.array([8.0, -3.0]), np.array([28.0, 9.0]), HeatUnits(10.0, 30.0))
    >>> days.round(3).tolist()
    [8.271, 0.0]
    """
    if heat.method == "average":
        top = np.inf if heat.upper_c is None else heat.upper_c
        low, high = (np.clip(t, heat.base_c, top) for t in (tmin_c, tmax_c))
        return np.asarray((low + high) / 2 - heat.base_c)
    above = _above(tmin_c, tmax_c, heat.base_c)
    return above if heat.upper_c is None else above - _above(tmin_c, tmax_c, heat.upper_c)


def _above(tmin_c: Celsius, tmax_c: Celsius, t: float) -> FloatArray:
    """Area of the day's sine over a temperature, degC days."""
    mean, half = (tmax_c + tmin_c) / 2, (tmax_c - tmin_c) / 2
    ratio = (t - mean) / np.where(half > 0, half, 1.0)
    angle = np.arcsin(np.clip(ratio, -1, 1))
    crossing = ((mean - t) * (np.pi / 2 - angle) + half * np.cos(angle)) / np.pi
    return np.asarray(np.where(t <= tmin_c, mean - t, np.where(t >= tmax_c, 0.0 * mean, crossing)))


def calibrated(
    crop: Crop, warmth: FloatArray, known: BoolArray, *, first: date, planted: date, location: Location
) -> FloatArray | None:
    """What the table's stage lengths are worth in degree-days at this site, (4,); None: too few years.

    Meant over `calibration_years`, whose arguments these are.
    """
    found = calibration_years(crop, warmth, known, first=first, planted=planted, location=location)
    return np.mean([sums for _, sums in found], axis=0) if len(found) >= LEAST_YEARS else None


def calibration_years(
    crop: Crop, warmth: FloatArray, known: BoolArray, *, first: date, planted: date, location: Location
) -> list[tuple[date, FloatArray]]:
    """The first day of each stored year's window, and the degree-days through each stage's end in it, (4,).

    warmth: degree-days of each stored day, (day,) from `first` on; known: where it rests on temperatures.
    Windows begin on the crop's reference date, are all stored, over before `planted`, and known on nine
    tenths of their days.
    """
    assert crop.heat is not None
    month, day = crop.heat.reference or (NORTH if location.latitude_deg >= 0 else SOUTH)
    ends = np.cumsum(crop.stage_days)
    found = []
    for year in range(first.year, planted.year + 1):
        begins = date(year, month, day)
        begin = (begins - first).days
        end = begin + int(ends[-1])
        if begin < 0 or end > len(warmth) or first + timedelta(days=end - 1) >= planted:
            continue
        if known[begin:end].mean() >= LEAST_SHARE_OF_DAYS:
            sums = np.concatenate([[0.0], np.cumsum(warmth[begin:end])])
            found.append((begins, sums[ends]))
    return found


def after_observed(bounds: FloatArray, k: int, before: float) -> FloatArray:
    """The stages' ends once stage k (1 development, 2 mid-season, 3 late) was seen to begin; (4,).

    before: days or degree-days reached on the day before.  Earlier ends come no later, the later stages are
    stretched by half of what this one was (own choice).

    >>> after_observed(np.array([150.0, 450.0, 800.0, 1000.0]), 2, 330.0).round(4).tolist()
    [150.0, 330.0, 633.3333, 806.6667]
    """
    ends = np.array(bounds, dtype=np.float64)
    seen = ends[k - 1]
    stretch = 1 + (np.clip(before / seen, 0.5, 2.0) - 1) / 2 if seen > 0 else 1.0
    lengths = np.diff(ends)[k - 1 :] * stretch
    ends[: k - 1] = np.minimum(ends[: k - 1], before)
    ends[k - 1] = before
    ends[k:] = before + np.cumsum(lengths)
    return ends


def sums_of(warmth: Sequence[float] | FloatArray) -> FloatArray:
    """Sum through day 0, 1, 2, ... of a planting, from its own days' degree-days.

    >>> sums_of([2.0, 3.0]).tolist()
    [0.0, 2.0, 5.0]
    """
    return np.concatenate([[0.0], np.cumsum(warmth)])
