"""What stress costs, the first aim of a plan: one function for the program, the plain steps and the search.

A zone's day costs weight x (Ky lack + extra), lack = 1 - Ks of FAO-56 eq 84.  The first part is what FAO-33
says of yield, in proportion to the lack of use.  The extra is a matter of life and death, and so the same
whatever the crop's Ky: nothing up to a third of the way from RAW to wilting; then 3 for each whole lack, from
two thirds on 9 more (own choice, no source).  Published Ky of single stages lie between 0.2 and 1.5: a litre
for a crop in the middle third outweighs one for the comfort of any other of the same weight and use, and one
for a crop about to wilt outweighs both.  The sum is convex and in straight pieces: a program can have it,
and the deepest stress is the first that is worth relieving.

weight: area x priority x what the zone has suffered (`weights`).  The water of a millimetre grows with the
area as well, so that by the litre large zones count like others, and small ones rather more.
"""

from __future__ import annotations

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Share
from scheduler.core.week.problem import Week

EXTRA = ((1 / 3, 3.0), (2 / 3, 9.0))
"""(lack from which it counts, cost of each whole lack beyond), on top of Ky x lack (own choice)."""
LEAST_AREA = 0.5
"""Of the mean area: a smaller zone counts as so large (own choice): its water is little."""
SUFFERED_DAYS = 14
"""Stress of so many days past counts; as many stress days double the weight.  Own choice, no source."""


def loss_of(lack: Share, week: Week) -> FloatArray:
    """(..., day, zone) What the stress of each zone and day costs, in weighted stress days.

    lack: (..., day, zone) 1 - Ks.

    >>> from types import SimpleNamespace
    >>> week = SimpleNamespace(ky=np.array([[1.0, 0.5]]), weight=np.array([[2.0, 2.0]]))
    >>> loss_of(np.array([[0.2, 0.2], [1.0, 1.0]]), week).round(2).tolist()
    [[0.4, 0.2], [12.0, 11.0]]
    """
    cost = week.ky * lack
    for begin, each in EXTRA:
        cost = cost + each * np.maximum(lack - begin, 0)
    return np.asarray(week.weight * cost)


def loss_of_one(lack: float, ky: float) -> float:
    """The same of one zone and day in plain floats, for a weight of 1.

    >>> [round(loss_of_one(lack, ky=1.0), 2) for lack in (0.0, 0.2, 0.5, 1.0)]
    [0.0, 0.2, 1.0, 6.0]
    """
    cost = ky * lack
    for begin, each in EXTRA:
        if lack <= begin:
            break
        cost += each * (lack - begin)
    return cost


def suffered_days(lack: Share) -> FloatArray:
    """(zone,) Stress days of the last SUFFERED_DAYS days.

    lack: (day, zone) 1 - Ks of days past, 0 where nothing stood.

    >>> suffered_days(np.array([[0.0, 0.5], [0.2, 1.0]])).tolist()
    [0.2, 1.5]
    """
    return np.asarray(lack[-SUFFERED_DAYS:].sum(axis=0))


def weights(
    area_m2: FloatArray, priority: FloatArray, suffered_days: FloatArray, standing: BoolArray
) -> FloatArray:
    """(day, zone) Weights whose mean over what stands is 1.

    area_m2: (day, zone) planted; priority: (zone,) the grower's factor; suffered_days: (zone,) sum of 1 - Ks
    over the last SUFFERED_DAYS.  Each week is planned anew: a zone that went without is the first to be
    spared more of it.  Where nothing stands the weight is 0.

    >>> one_day = np.ones((1, 3), dtype=bool)
    >>> weights(np.array([[300.0, 100.0, 5.0]]), np.ones(3), np.array([0.0, 14.0, 0.0]), one_day).round(2)
    array([[1.59, 1.06, 0.36]])
    """
    area = np.where(standing, area_m2, 0.0)
    count = max(int(np.count_nonzero(standing)), 1)
    least = LEAST_AREA * area.sum() / count
    suffered = 1 + np.clip(suffered_days / SUFFERED_DAYS, 0, 1)
    found = np.where(standing, np.maximum(area, least) * priority * suffered, 0.0)
    mean = found.sum() / count
    return np.asarray(found / mean if mean > 0 else found)
