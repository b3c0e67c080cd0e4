"""The week seen valve by valve: who runs together, at what flow, how long at least and at most."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from scheduler.core.arrays import BoolArray, FloatArray, Minutes, Mm
from scheduler.core.balance.tape import RunLimits, run_minutes
from scheduler.core.hours.packing import Flows, Times, open_stretches
from scheduler.core.pulsing import Pulsing
from scheduler.core.supply import WITHIN
from scheduler.core.week.problem import Week

_WHOLE = 1e-9


def hours_end(week: Week, day: int) -> float:
    """Minute by which a day's runs are over: whole minutes from its first one on.

    Counted from the begin of that day's watering hours.  The first is 0, but today the earliest that is left.
    """
    first = 0.0 if day else max(week.earliest, 0.0)
    closed = sum(stop - start for start, stop in week.closed[day]) if week.closed else 0.0
    return first + float(np.floor(week.window[day] + closed - first + 1e-6))


def empty_hours(week: Week, day: int) -> Flows:
    """A morning's flow over time before any run of the plan: the usable L/min, less what else runs today."""
    return Flows(week.usable_lpm, () if day else week.busy, week.closed[day] if week.closed else ())


@dataclass(frozen=True)
class Valves:
    """What follows from a `Week` whatever the plan; (day, valve) arrays unless said."""

    week: Week

    @cached_property
    def count(self) -> int:
        """Number of valves."""
        return self.week.valves

    @cached_property
    def of(self) -> tuple[tuple[int, ...], ...]:
        """(valve,) The zones of each valve, as indices in ascending order."""
        return tuple(
            tuple(int(z) for z in np.flatnonzero(self.week.valve == v)) for v in range(self.week.valves)
        )

    @cached_property
    def takes_part(self) -> BoolArray:
        """(day, zone) A planting stands, and no zone of the valve is held."""
        week = self.week
        shut = np.zeros((week.days, week.valves), dtype=bool)
        for day, zone in zip(*np.nonzero(week.held), strict=True):
            shut[day, week.valve[zone]] = True
        return week.standing & ~shut[:, week.valve]

    @cached_property
    def begins(self) -> tuple[bool, ...]:
        """(day,) Some planting begins."""
        return tuple(bool(day.any()) for day in self.week.begins)

    @cached_property
    def flow(self) -> FloatArray:
        """(day, valve) L/min: the sum over the zones that take part (model M8)."""
        return self.sums(np.where(self.takes_part, self.week.flow_lpm, 0.0))

    def sums(self, values: FloatArray) -> FloatArray:
        """(..., valve) sums of (..., zone) values over the zones of each valve, in their order.

        By no product of matrices: each processor adds those up in an order of its own.
        """
        found = np.zeros((*values.shape[:-1], self.week.valves))
        for zone, valve in enumerate(self.week.valve.tolist()):
            found[..., valve] += values[..., zone]
        return found

    def spread(self, minutes: Minutes) -> Minutes:
        """(..., day, zone) minutes from those by (..., day, valve): those who take part all run."""
        return np.where(self.takes_part, minutes[..., self.week.valve], 0.0)

    @cached_property
    def limits(self) -> RunLimits:
        """(zone,) Fill time, shortest and longest run, minutes; the longest cut to whole ones."""
        return RunLimits(self.week.fill, self.week.shortest, np.floor(self.week.longest))

    @cached_property
    def minutes_per_mm(self) -> FloatArray:
        """(day, zone) minutes for one mm net, once the line is full (model M7)."""
        return 1 / self.week.net_per_minute

    @cached_property
    def liters_per_mm(self) -> FloatArray:
        """(day, zone) L that one mm net takes, losses of the field included."""
        return self.week.flow_lpm / self.week.net_per_minute

    @cached_property
    def least(self) -> Minutes:
        """(day, valve) The grower's shortest run, whole minutes; of zones on one valve that of the least."""
        shortest = np.minimum(np.ceil(self.week.shortest), self.limits.longest)
        return self._over_members(np.maximum(shortest, 1), np.fmin, 0.0)

    @cached_property
    def useful(self) -> Minutes:
        """(day, valve) The same, and longer than any line of the valve takes to fill."""
        return np.maximum(self.least, self._over_members(np.floor(self.week.fill) + 1, np.fmax, 0.0))

    @cached_property
    def most(self) -> Minutes:
        """(day, valve) Longest run that valve, zones, hours, flow and caps allow by themselves.

        Whole minutes; 0: none on that day, as where it would be below the shortest run (models M7 and M8).
        """
        week = self.week
        most = self._over_members(self.limits.longest, np.fmax, 0.0)
        if week.had is not None and week.days:
            had = self._over_members(week.had, np.fmax, 0.0)[0]
            most[0] = np.maximum(np.floor(most[0] - had + _WHOLE), 0.0)
        most = np.minimum(most, np.floor(week.valve_cap + _WHOLE))
        most[self.flow > week.usable_lpm * (1 + WITHIN)] = 0.0
        for cap in week.caps:
            for day in cap.days:
                left = np.full(week.valves, np.inf)  # a valve with no crop uses none of it
                np.divide(max(cap.liters, 0), self.flow[day], out=left, where=self.flow[day] > 0)
                most[day] = np.minimum(most[day], np.floor(left + _WHOLE))
        for day in range(week.days):
            for v in np.flatnonzero(most[day] > 0):
                ready = 0.0 if day or week.ready is None else float(week.ready[v])
                most[day, v] = min(most[day, v], self.longest_on(day, int(v), ready))
        most[most < self.least] = 0.0
        return most

    def _over_members(self, own: Minutes, join: np.ufunc, nobody: float) -> Minutes:
        found = np.full((self.week.days, self.week.valves), np.nan)
        for v, zones in enumerate(self.of):
            for z in zones:
                mine = np.where(self.takes_part[:, z], own[z], np.nan)
                found[:, v] = join(found[:, v], mine)
        return np.where(np.isnan(found), nobody, found)

    @cached_property
    def pulsing(self) -> tuple[tuple[Pulsing, ...], ...]:
        """By day and valve: how a run is split, with no rest where only the hours part it."""
        return tuple(
            tuple(self._pulsing(day, [z for z in zones if self.takes_part[day, z]]) for zones in self.of)
            for day in range(self.week.days)
        )

    def _pulsing(self, day: int, zones: Sequence[int]) -> Pulsing:
        week = self.week
        found = [
            Pulsing(
                float(week.longest_pulse[z]), float(week.strip_minutes[day, z]), float(week.fill[z]),
                int(week.least_pulses[day, z]), float(week.pulse_rest[z]),
                week.loose is None or not week.loose[z],
            )
            for z in zones
        ]  # fmt: skip
        joined = Pulsing.together(found) if found else Pulsing()
        return joined._replace(rest=0.0) if joined.whole else joined

    def spread_over(self, valve: int) -> tuple[float, float] | None:
        """First and last minute of today over which the valve's pulses are to lie; None: as they fit."""
        week = self.week
        if week.spread is None or week.light is None or not week.spread[list(self.of[valve])].any():
            return None
        return week.light

    def room(self, day: int) -> float:
        """Whole minutes of watering hours that are left on a day; of today those from `earliest` on."""
        return float(sum(math.floor(stop - start + 1e-6) for start, stop in self.stretches[day]))

    @cached_property
    def stretches(self) -> tuple[Times, ...]:
        """By day: (start, stop) of the windows that are left, minutes after the begin of its hours."""
        return tuple(self._stretches(day, 0.0) for day in range(self.week.days))

    def _stretches(self, day: int, ready: float) -> Times:
        week = self.week
        if week.window[day] <= 0:
            return []
        first = max(ready, 0.0 if day else week.earliest, 0.0)
        return open_stretches(week.closed[day] if week.closed else (), first, hours_end(week, day))

    def longest_on(self, day: int, valve: int, ready: float = 0.0) -> float:
        """Whole minutes of the valve's longest run whose pulses and rests fit the hours of a day."""
        stretches, pulsing = self._stretches(day, ready), self.pulsing[day][valve]
        rooms = [math.floor(stop - start + 1e-6) for start, stop in stretches]
        if len(rooms) < 2:
            return pulsing.longest_within(sum(stop - start for start, stop in stretches))
        if pulsing.most(1) >= max(rooms):
            return float(sum(rooms))
        total, after = 0.0, 0.0
        for start, stop in stretches:
            got = pulsing.longest_within(stop - max(start, after))
            total += got
            after = stop + pulsing.rest if got else after
        return total

    @cached_property
    def conflicts(self) -> tuple[frozenset[int], ...]:
        """(valve,) The valves that none may run beside."""
        found: list[set[int]] = [set() for _ in range(self.week.valves)]
        for group in self.week.apart:
            valves = {int(self.week.valve[z]) for z in group}
            for v in valves:
                found[v] |= valves - {v}
        return tuple(frozenset(others) for others in found)

    @cached_property
    def allowed(self) -> BoolArray:
        """(day,) Water may run."""
        return np.array([self.room(day) > 0 for day in range(self.week.days)], dtype=bool)

    @cached_property
    def next_morning(self) -> tuple[int, ...]:
        """(day,) The next allowed morning after each day; the number of days where the week has none."""
        found, following = [0] * self.week.days, self.week.days
        for day in reversed(range(self.week.days)):
            found[day] = following
            if self.week.window[day] > 0:
                following = day
        return tuple(found)

    def wanted(self, day: int, deficit: Mm) -> Minutes:
        """(zone,) Whole minutes that refill each zone to its own rule (model M7), due or not.

        deficit: (zone,) mm at dawn.  0 for a zone that does not take part.
        """
        week = self.week
        minutes = run_minutes(
            deficit - week.leave_room,
            self.minutes_per_mm[day],
            self.limits,
            stressed=deficit >= week.raw[day],
        )
        return np.asarray(minutes * self.takes_part[day])

    def settling(self, day: int) -> Minutes:
        """(zone,) Whole minutes a settling run asks for on that day (model M10); 0 where none is asked."""
        return self._settling[day]

    @cached_property
    def _settling(self) -> tuple[Minutes, ...]:
        asked = np.minimum(np.ceil(self.week.settle), self.limits.longest)
        return tuple(np.where(self.takes_part, asked, 0.0))

    def most_of(self, zone_minutes: Minutes) -> Minutes:
        """(valve,) minutes from (zone,) ones: zones on one valve run for the longest of theirs."""
        found = np.zeros(self.week.valves)
        np.maximum.at(found, self.week.valve, zone_minutes)
        return found
