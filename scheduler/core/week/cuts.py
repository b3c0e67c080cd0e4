"""Rows for the program, from mornings whose runs could not be packed (no-good cuts)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import BoolArray, IntArray, Minutes
from scheduler.core.supply import WITHIN
from scheduler.core.week.capacity import pack_day
from scheduler.core.week.solver import Model
from scheduler.core.week.valves import Valves

MOST_SIDE_BY_SIDE = 12
"""Above so many valves of a morning not every set that may run together is looked at."""


class Share(NamedTuple):
    """weight x minutes, summed, is at most the hours: sets that run together weigh at most 1."""

    day: int
    weights: Mapping[int, float]


class Cut(NamedTuple):
    """Minutes of some valves that no morning of `room` minutes can hold together."""

    room: float
    minutes: Mapping[int, float]
    flow: Mapping[int, float]  # L/min of each on the day it was found


def time_share(valves: Valves, day: int, minutes: Minutes) -> Share | None:
    """The weights by which a morning's runs need more than the hours, even if every run could be split.

    The dual of fractional bin packing (Gilmore and Gomory 1961, Operations Research 9; from memory): the
    least hours in which sets that may run together cover all minutes.  None where the hours suffice, where
    at most one valve runs, and where more than `MOST_SIDE_BY_SIDE` do.
    minutes: (valve,) of the morning, 0 where a valve does not run.
    Raises `NoSolver` where HiGHS is not there or finds nothing in time.
    """
    running = np.flatnonzero(minutes > 0)
    if not 1 < len(running) <= MOST_SIDE_BY_SIDE:
        return None
    sets = together(valves, day, running)
    model = Model()
    columns = [model.column(0, 1, cost=-float(minutes[v])) for v in running]
    for one in sets:
        model.row([(columns[k], 1.0) for k in np.flatnonzero(one)], high=1)
    solved = model.solve(5.0, 1e-9)
    if -solved.objective <= valves.room(day) + 1e-6:
        return None
    return Share(day, {int(v): float(w) for v, w in zip(running, solved.values, strict=True) if w > 1e-9})


def together(valves: Valves, day: int, running: IntArray) -> BoolArray:
    """(set, valve) The largest sets that may run at one time, of at most `MOST_SIDE_BY_SIDE` valves.

    running: indices of the valves; the columns keep their order.  A set may run where its flows sum to the
    usable flow at most and no two of it are to be kept apart.  Largest: no other valve could be added.
    """
    count = len(running)
    every = (np.arange(1, 2**count)[:, None] >> np.arange(count)) & 1 > 0
    usable = valves.week.usable_lpm * (1 + WITHIN)
    fits = every @ valves.flow[day, running] <= usable
    for k, v in enumerate(running):
        for j in range(k):
            if int(running[j]) in valves.conflicts[int(v)]:
                fits &= ~(every[:, k] & every[:, j])
    able = every[fits]
    codes = set(np.flatnonzero(fits) + 1)
    largest = [
        all(int(code) | 1 << k not in codes for k in range(count) if not int(code) >> k & 1)
        for code in np.flatnonzero(fits) + 1
    ]
    return np.asarray(able[np.array(largest, dtype=bool)])


def unpackable(valves: Valves, day: int, minutes: Minutes) -> Cut | None:
    """The least minutes of a morning that provably do not pack; None without a proof.

    minutes: (valve,) whole minutes, 0 where a valve does not run.  One valve after another is shortened as
    far as the proof still holds, and one that the proof can do without is left out.  Also None for today
    where other water runs, part of the hours is over, or a valve has to rest: such a morning says nothing
    of others.
    """
    week = valves.week
    if (day == 0 and (week.busy or week.earliest > 0 or week.ready is not None)) or not _proved(
        valves, day, minutes
    ):
        return None
    least = minutes.copy()
    for v in np.flatnonzero(least > 0):
        low, high = 0, int(least[v])  # `high` does not pack: find the least that does not
        while low < high:
            middle = (low + high) // 2
            least[v] = middle
            if _proved(valves, day, least):
                high = middle
            else:
                low = middle + 1
        least[v] = high
    which = np.flatnonzero(least > 0).tolist()
    flow = valves.flow[day]
    return Cut(valves.room(day), {v: float(least[v]) for v in which}, {v: float(flow[v]) for v in which})


def _proved(valves: Valves, day: int, minutes: Minutes) -> bool:
    return pack_day(valves, day, minutes).proved
