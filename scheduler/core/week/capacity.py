"""What the supply can carry, as linear rows over the minutes of every morning and valve.

A morning that breaks one of them cannot be packed; one that keeps them all nearly always can
(`pack_day` has the last word).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray, Minutes
from scheduler.core.hours.packing import Job, Packed, pack
from scheduler.core.supply import WITHIN
from scheduler.core.week.valves import Valves, empty_hours, hours_end

SIDE_BY_SIDE = 3
"""Valves so big that at most 1, 2, ... this many run at once get a row of their own."""


@dataclass(frozen=True, slots=True)
class Row:
    """coefficient x minutes, summed, at most `most`; `place`: day x valves + valve.

    `most` is in litres where the coefficients are flows (L/min), in minutes where they are 1.
    """

    place: IntArray
    coefficient: FloatArray
    most: float
    why: str


@dataclass(frozen=True)
class Capacity:
    """All rows of one week: flow and hours of each morning, zones kept apart, and the caps over days."""

    valves: Valves
    use: tuple[float, ...] = ()  # (day,) share of the hours that packing can really use
    rows: tuple[Row, ...] = field(init=False)
    rows_of: tuple[tuple[tuple[int, float], ...], ...] = field(init=False)
    """(place,) of each (day, valve): index of the row, coefficient."""

    def __post_init__(self) -> None:
        rows = tuple(self._rows())
        of: list[list[tuple[int, float]]] = [[] for _ in range(self.valves.week.days * self.valves.count)]
        for r, row in enumerate(rows):
            for place, coefficient in zip(row.place.tolist(), row.coefficient.tolist(), strict=True):
                of[place].append((r, coefficient))
        object.__setattr__(self, "rows", rows)
        object.__setattr__(self, "rows_of", tuple(tuple(found) for found in of))

    def _rows(self) -> Iterator[Row]:
        valves, week = self.valves, self.valves.week
        usable = week.usable_lpm * (1 + WITHIN)
        for day in range(week.days):
            able = np.flatnonzero(valves.most[day] > 0)
            if not len(able):
                continue
            flow, place = valves.flow[day, able], day * valves.count + able
            room = valves.room(day) * (self.use[day] if self.use else 1.0)
            taken = math.fsum(b.flow_lpm * max(b.stop - max(b.start, week.earliest), 0) for b in week.busy)
            yield Row(place, flow, max(usable * room - (0 if day else taken), 0.0), "flow and hours")
            for beside in range(1, SIDE_BY_SIDE + 1):
                big = flow > usable / (beside + 1)
                if np.count_nonzero(big) > beside:
                    yield Row(place[big], np.ones(int(big.sum())), beside * room, "flow and hours")
            for group in week.apart:
                together = np.isin(able, np.unique(week.valve[list(group)]))
                if np.count_nonzero(together) > 1:
                    yield Row(place[together], np.ones(int(together.sum())), room, "zones kept apart")
        for cap in week.caps:
            spots = [day * valves.count + v for day in cap.days for v in np.flatnonzero(valves.most[day] > 0)]
            if spots:
                at = np.array(spots, dtype=np.int64)
                yield Row(at, valves.flow.ravel()[at], max(cap.liters, 0.0), cap.why)

    def slack(self, minutes: Minutes) -> list[float]:
        """What each row has left under (day, valve) minutes, in the order of `rows`; below 0: broken.

        Litres or minutes, as the row has it.
        """
        flat = minutes.ravel()
        return [row.most - math.fsum((row.coefficient * flat[row.place]).tolist()) for row in self.rows]

    def fits(self, minutes: Minutes) -> bool:
        """Whether (day, valve) minutes keep every row, but for rounding.

        Minutes that do not fit cannot be packed; those that do still have to be (`pack_day`).
        """
        return all(left >= -1e-6 for left in self.slack(minutes))


def job_of(valves: Valves, day: int, valve: int, minutes: float) -> Job:
    """One valve's run of a morning as packing wants it: pulses, rests, L/min, and what it may not run beside.

    Key is the valve's index; the pulses are those of `Valves.pulsing`.  Only today can the run have to wait:
    for the first minute left of the hours, for the valve's rest (`Week.earliest`, `Week.ready`), or for the
    daylight over which a seedbed's waterings are spread.
    """
    week = valves.week
    ready = 0.0 if day else max(week.earliest, 0.0)
    if not day and week.ready is not None:
        ready = max(ready, float(week.ready[valve]))
    pulsing = valves.pulsing[day][valve]
    pulses = pulsing.lengths(minutes, valves.stretches[day])
    return Job(
        key=valve,
        flow_lpm=float(valves.flow[day, valve]),
        pulses=pulses,
        rest=pulsing.rest,
        ready=ready,
        starts=() if day or len(pulses) == 1 else _spread(valves.spread_over(valve), pulses, ready),
        apart=valves.conflicts[valve],
    )


def _spread(light: tuple[float, float] | None, pulses: Sequence[float], ready: float) -> tuple[float, ...]:
    """Whole minutes from which on each pulse starts: the first with the light, the last to end with it."""
    if light is None:
        return ()
    begin = max(light[0], ready)
    step = max(light[1] - pulses[-1] - begin, 0.0) / (len(pulses) - 1)
    return tuple(float(math.ceil(begin - 1e-9) + math.floor(k * step)) for k in range(len(pulses)))


def pack_day(
    valves: Valves, day: int, minutes: Minutes, order: Sequence[int] | None = None, *, search: bool = True
) -> Packed:
    """One morning's runs side by side within its hours: (start, stop) of each pulse, by valve.

    Times are minutes after the begin of that day's watering hours.  `runs` is None where no packing was
    found, and `proved` says that there is none.
    minutes: (valve,), 0 where a valve does not run.  order: valves that are to come first.  search: look
    through all orders where the good ones fail.
    """
    running = np.flatnonzero(minutes > 0).tolist()
    if order is not None:
        rank = {v: k for k, v in enumerate(order)}
        running.sort(key=lambda v: rank.get(v, len(rank)))
    jobs = [job_of(valves, day, v, float(minutes[v])) for v in running]
    end, empty = hours_end(valves.week, day), empty_hours(valves.week, day)
    packed = pack(jobs, end, empty, search=search)
    if packed.runs is None and any(job.starts for job in jobs):  # rather all the water than its hours
        return pack([job._replace(starts=()) for job in jobs], end, empty, search=search)
    return packed
