"""One morning's runs side by side: never above the usable flow, pulses rested, pairs apart.

A run's pulses are placed one after another at the first moment that fits what already stands (the serial
schedule generation of resource-constrained project scheduling: Kolisch 1996, European Journal of
Operational Research 90; from memory).  Every schedule that no single pulse could leave earlier comes out of
some order of the pulses, so trying all orders finds a packing if there is one; a few good orders find it
nearly always.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from scheduler.core.pulsing import Pulsing
from scheduler.core.supply import WITHIN

Times = list[tuple[float, float]]
"""(start, stop) of each pulse."""
SEARCH_PULSES = 7
"""Up to so many pulses every order is tried, within SEARCH_NODES placements."""
SEARCH_NODES = 800
SHUFFLES = 40
_SMALL = 1e-9


class Job(NamedTuple):
    """One valve's run: its pulses and the rest between them, minutes, and its flow, L/min.

    >>> Job(1, 6.0, (30.0, 30.0), rest=60.0).span
    120.0
    """

    key: int
    flow_lpm: float
    pulses: tuple[float, ...]
    rest: float = 0.0
    ready: float = 0.0  # nothing of it starts before
    starts: tuple[float, ...] = ()  # by pulse, the same of each
    apart: frozenset[int] = frozenset()  # keys it may not run beside

    @property
    def minutes(self) -> float:
        """Minutes of water, all pulses together.

        >>> Job(1, 6.0, (30.0, 30.0), rest=60.0).minutes
        60.0
        """
        return sum(self.pulses)

    @property
    def span(self) -> float:
        """Minutes from the first start to the last stop where nothing is in the way, rests included.

        >>> Job(1, 6.0, (30.0, 20.0, 20.0), rest=60.0).span
        190.0
        """
        return self.minutes + self.rest * (len(self.pulses) - 1)

    def begins(self, pulse: int, after: float) -> float:
        """Minute before which a pulse does not start, 0 the first; after: the end of the last one's rest.

        >>> Job(1, 6.0, (15.0, 15.0), rest=60.0, starts=(120.0, 345.0)).begins(1, after=195.0)
        345.0
        """
        return max(after, self.starts[pulse]) if self.starts else after


def open_stretches(closed: Iterable[tuple[float, float]], begin: float, end: float) -> Times:
    """What the closed stretches leave between two times.

    >>> open_stretches([(120.0, 480.0)], 30.0, 600.0)
    [(30.0, 120.0), (480.0, 600.0)]
    """
    found, at = [], begin
    for start, stop in closed:
        if at < min(start, end):
            found.append((at, min(start, end)))
        at = max(at, stop)
    return [*found, (at, end)] if at < end else found


class Flows:
    """Flow over time as a staircase; times ascend, the last level is that of the open end.

    closed: (start, stop) of stretches in which nothing of it may run, in time order.
    """

    def __init__(
        self,
        usable_lpm: float,
        busy: Iterable[tuple[float, float, float]] = (),
        closed: Iterable[tuple[float, float]] = (),
    ) -> None:
        self.most = usable_lpm * (1 + WITHIN) + _SMALL
        self.times = [-math.inf]
        self.levels = [0.0]
        self.runs: dict[int, Times] = {}
        self.closed = tuple(closed)
        for start, stop, flow in busy:
            self._raise(start, stop, flow)
        for start, stop in self.closed:
            self._raise(start, stop, math.inf)

    def copy(self) -> Flows:
        """The same flow and runs, which can be added to without a change to these.

        >>> one = Flows(10.0)
        >>> one.copy().place(Job(1, 6.0, (30.0,)), room=60.0), one.runs
        (True, {})
        """
        twin = Flows.__new__(Flows)
        twin.most, twin.times, twin.levels = self.most, self.times.copy(), self.levels.copy()
        twin.closed = self.closed
        twin.runs = {key: times.copy() for key, times in self.runs.items()}
        return twin

    def earliest(self, job: Job, after: float, minutes: float) -> float:
        """First start at or after `after` from which the job can run for `minutes`; inf where none is.

        >>> Flows(10.0, busy=[(0, 30, 6.0)]).earliest(Job(1, 5.0, (20.0,)), 0.0, 20.0)
        30
        """
        start = after
        if job.flow_lpm > self.most:
            return math.inf
        while True:
            start = self._flow_from(start, minutes, job.flow_lpm)
            beside = [
                stop
                for key in job.apart
                for begin, stop in self.runs.get(key, ())
                if begin < start + minutes - _SMALL and start < stop - _SMALL
            ]
            if not beside or math.isinf(start):
                return start
            start = max(beside)

    def _flow_from(self, start: float, minutes: float, flow: float) -> float:
        at = bisect_right(self.times, start) - 1
        last = len(self.times) - 1
        while True:
            if self.levels[at] + flow > self.most:
                if at == last:
                    return math.inf
                start = self.times[at + 1]
            elif at == last or self.times[at + 1] >= start + minutes - _SMALL:
                return start
            at += 1

    def add(self, job: Job, start: float, stop: float) -> None:
        """Put one pulse of the job down from start to stop, minutes; whether it fits is not asked.

        >>> flows = Flows(10.0)
        >>> flows.add(Job(1, 6.0, (30.0,)), 15.0, 45.0)
        >>> flows.runs, flows.levels
        ({1: [(15.0, 45.0)]}, [0.0, 6.0, 0.0])
        """
        self._raise(start, stop, job.flow_lpm)
        self.runs.setdefault(job.key, []).append((start, stop))

    def _raise(self, start: float, stop: float, flow: float) -> None:
        if stop <= start:
            return
        first, last = self._edge(start), self._edge(stop)
        for k in range(first, last):
            self.levels[k] += flow

    def _edge(self, at: float) -> int:
        k = bisect_right(self.times, at) - 1
        if self.times[k] == at:
            return k
        self.times.insert(k + 1, at)
        self.levels.insert(k + 1, self.levels[k])
        return k + 1

    def free(self, begin: float, end: float) -> float:
        """Litres that still fit between two times, minutes.

        >>> round(Flows(10.0, busy=[(0, 30, 6.0)]).free(0, 60), 3)
        420.0
        """
        total = 0.0
        for k, level in enumerate(self.levels):
            start = max(self.times[k], begin)
            stop = min(self.times[k + 1] if k + 1 < len(self.times) else end, end)
            if stop > start:
                total += max(self.most - level, 0.0) * (stop - start)
        return total

    def open(self, begin: float, end: float) -> Times:
        """The stretches between two times that are not closed.

        >>> Flows(10.0, closed=[(120.0, 480.0)]).open(30.0, 600.0)
        [(30.0, 120.0), (480.0, 600.0)]
        """
        return open_stretches(self.closed, begin, end)

    def place(self, job: Job, room: float) -> bool:
        """Whether all pulses of the job fit before minute `room`; then each is put down as early as it goes.

        Where one does not fit, nothing of the job stands.

        >>> flows = Flows(10.0)
        >>> flows.place(Job(1, 6.0, (20.0, 20.0), rest=30.0), 90.0), flows.place(Job(2, 6.0, (40.0,)), 90.0)
        (True, False)
        >>> flows.runs
        {1: [(0.0, 20.0), (50.0, 70.0)]}
        """
        kept = self.times.copy(), self.levels.copy()
        after = job.ready
        for k, minutes in enumerate(job.pulses):
            start = self.earliest(job, job.begins(k, after), minutes)
            if start + minutes > room + _SMALL:
                self.times, self.levels = kept
                self.runs.pop(job.key, None)
                return False
            self.add(job, start, start + minutes)
            after = start + minutes + job.rest
        return True


class Packed(NamedTuple):
    """runs: by key, or None where no packing was found; proved: then there is none."""

    runs: Mapping[int, Times] | None
    proved: bool = False


def pack(jobs: Sequence[Job], room: float, empty: Flows, *, search: bool = True) -> Packed:
    """All jobs inside `room` minutes.

    The first order tried is the one given, so that who is first runs first.  search: look through all
    orders where the good ones fail.

    >>> jobs = [Job(1, 6.0, (60.0,)), Job(2, 4.0, (30.0,)), Job(3, 5.0, (30.0,))]
    >>> pack(jobs, 90, Flows(10.0)).runs
    {1: [(0.0, 60.0)], 2: [(0.0, 30.0)], 3: [(60.0, 90.0)]}
    >>> pack(jobs, 60, Flows(10.0)).proved  # 6 and 5 L/min cannot run side by side
    True
    """
    if any(job.span + job.ready > room + _SMALL or job.flow_lpm > empty.most for job in jobs):
        return Packed(None, proved=True)
    if _too_much(jobs, room, empty):
        return Packed(None, proved=True)
    for order in _orders(jobs):
        flows = empty.copy()
        if all(flows.place(job, room) for job in order):
            return Packed(flows.runs)
    if not search:
        return Packed(None)
    if sum(len(job.pulses) for job in jobs) > SEARCH_PULSES:
        return Packed(_shuffled(jobs, room, empty))
    every = _Search(room)
    found = every.run(empty, tuple(jobs), tuple(job.ready for job in jobs), tuple(0 for _ in jobs), -math.inf)
    return Packed(found, proved=found is None and every.nodes < SEARCH_NODES)


def _shuffled(jobs: Sequence[Job], room: float, empty: Flows) -> Mapping[int, Times] | None:
    """Many orders near "the longest first", by chance but the same ones every time."""
    chance = random.Random(len(jobs))
    for _ in range(SHUFFLES):
        order = sorted(jobs, key=lambda j: -j.span * chance.uniform(0.6, 1.4))
        flows = empty.copy()
        if all(flows.place(job, room) for job in order):
            return flows.runs
    return None


def _orders(jobs: Sequence[Job]) -> Iterable[Sequence[Job]]:
    yield jobs
    yield sorted(jobs, key=lambda j: (-j.span, -j.flow_lpm))
    yield sorted(jobs, key=lambda j: (-j.flow_lpm, -j.span))
    yield sorted(jobs, key=lambda j: -j.flow_lpm * j.minutes)


def _too_much(jobs: Sequence[Job], room: float, empty: Flows) -> bool:
    """More flow x time than the hours hold, of all, or of those too big to run beside each other."""
    minutes = _open_minutes(empty, 0.0, room)
    if sum(job.flow_lpm * job.minutes for job in jobs) > empty.most * minutes + 1e-6:
        return True
    return sum(job.minutes for job in jobs if job.flow_lpm > empty.most / 2) > minutes + _SMALL


def _open_minutes(flows: Flows, begin: float, end: float) -> float:
    return sum(stop - start for start, stop in flows.open(begin, end)) if flows.closed else end - begin


class _Search:
    """All orders of the pulses, in order of their starts."""

    def __init__(self, room: float) -> None:
        self.room = room
        self.nodes = 0

    def run(
        self,
        flows: Flows,
        jobs: tuple[Job, ...],
        ready: tuple[float, ...],
        done: tuple[int, ...],
        last: float,
    ) -> Mapping[int, Times] | None:
        """last: the start put down last; what is left starts no sooner, or it comes up in another order."""
        left = [k for k, job in enumerate(jobs) if done[k] < len(job.pulses)]
        if not left:
            return flows.runs
        if self._hopeless(flows, jobs, done, left, last):
            return None
        for k in sorted(left, key=lambda k: -jobs[k].span):
            if self.nodes >= SEARCH_NODES:
                return None
            self.nodes += 1
            job, minutes = jobs[k], jobs[k].pulses[done[k]]
            start = flows.earliest(job, job.begins(done[k], ready[k]), minutes)
            rest = sum(job.pulses[done[k] :]) + job.rest * (len(job.pulses) - done[k] - 1)
            if start < last or start + rest > self.room + _SMALL:
                continue
            twin = flows.copy()
            twin.add(job, start, start + minutes)
            after = (start + minutes + job.rest,)
            found = self.run(
                twin,
                jobs,
                ready[:k] + after + ready[k + 1 :],
                done[:k] + (done[k] + 1,) + done[k + 1 :],
                start,
            )
            if found is not None:
                return found
        return None

    def _hopeless(
        self, flows: Flows, jobs: tuple[Job, ...], done: tuple[int, ...], left: list[int], last: float
    ) -> bool:
        """What is left needs more flow x time than there is from the last start on."""
        begin = max(last, 0.0)
        need = big = 0.0
        for k in left:
            minutes = sum(jobs[k].pulses[done[k] :])
            need += jobs[k].flow_lpm * minutes
            if jobs[k].flow_lpm > flows.most / 2:
                big += minutes
        if big > _open_minutes(flows, begin, self.room) + _SMALL:
            return True
        return need > flows.free(begin, self.room) + 1e-6


def moved_late(runs: Mapping[int, Times], stretches: Times, rest: Sequence[float]) -> Mapping[int, Times]:
    """The runs of each stretch of the hours moved to end with it; between pulses stays the rest of their key.

    >>> moved_late({0: [(0.0, 60.0), (480.0, 500.0)]}, [(0.0, 120.0), (480.0, 600.0)], [60.0])
    {0: [(60.0, 120.0), (580.0, 600.0)]}
    """
    moved: dict[int, Times] = {key: [] for key in runs}
    for begin, end in reversed(stretches):
        mine = [
            (key, start, stop)
            for key, times in runs.items()
            for start, stop in times
            if begin - _SMALL <= start < end
        ]
        shift = end - max((stop for _, _, stop in mine), default=end)
        for key, _, stop in mine:
            if moved[key]:
                shift = min(shift, min(moved[key])[0] - rest[key] - stop)
        for key, start, stop in mine:
            moved[key].append((start + shift, stop + shift))
    return {key: sorted(times) for key, times in moved.items()}


def place_in_order(jobs: Sequence[tuple[Job, float, Pulsing]], room: float, flows: Flows) -> dict[int, float]:
    """Minutes each job gets when they are put down one after another, each cut to the longest that fits.

    jobs: (job, shortest run, how it is split).  The runs are left in `flows`.

    >>> jobs = [(Job(key, 6.0, (60.0,)), 5, Pulsing()) for key in (1, 2)]
    >>> place_in_order(jobs, 90, Flows(10.0))
    {1: 60.0, 2: 30.0}
    """
    got: dict[int, float] = {}
    stretches = flows.open(0.0, room)
    for job, shortest, pulsing in jobs:
        got[job.key] = 0.0
        least = max(1, math.ceil(shortest))
        low, high = least - 1, round(job.minutes)
        if flows.place(job, room) or (job.starts and flows.place(job._replace(starts=()), room)):
            got[job.key] = job.minutes
            continue
        best = None
        high -= 1
        while low < high:  # a shorter run fits wherever a longer one does, but for the pulses' even lengths
            middle = (low + high + 1) // 2
            shorter = job._replace(pulses=pulsing.lengths(float(middle), stretches), starts=())
            if flows.copy().place(shorter, room):
                low, best = middle, shorter
            else:
                high = middle - 1
        if best is not None:
            flows.place(best, room)
            got[job.key] = best.minutes
    return got
