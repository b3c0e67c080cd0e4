"""From the minutes of a plan to openings of valves, every morning packed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import Minutes
from scheduler.core.hours.packing import Times, moved_late, place_in_order
from scheduler.core.week.capacity import Capacity, job_of, pack_day
from scheduler.core.week.outcome import Terms, judge
from scheduler.core.week.problem import Outcome, Pulse, Score
from scheduler.core.week.valves import Valves, empty_hours, hours_end


class Packing(NamedTuple):
    """The openings of a week, and the minutes they add up to."""

    minutes: Minutes  # (day, valve) as packed
    pulses: tuple[Pulse, ...]  # in time order
    whole: bool  # nothing had to be cut


def packing(
    capacity: Capacity, terms: Terms, minutes: Minutes, known: Sequence[Mapping[int, Times]] = ()
) -> Packing:
    """Every opening of the week.  What does not fit is cut, and raised again where that serves the crop.

    The driest zone's valve is the first of a morning where there is a choice.  Runs end with their watering
    hours where the week finishes late, but for a day with other water running.
    minutes: (day, valve) whole minutes.  known: by day, where the runs lie already; used where no other
    packing is found.
    """
    valves = capacity.valves
    kept = minutes if capacity.fits(minutes) else _within_caps(capacity, minutes)
    outcome, _ = judge(valves, terms, kept)
    days = np.flatnonzero((kept > 0).any(axis=1)).tolist()
    runs = {day: _pack(valves, day, kept[day], outcome) for day in days}
    if known and kept is minutes:
        runs = {day: known[day] if found is None else found for day, found in runs.items()}
    short = [day for day in days if runs[day] is None]
    if short or kept is not minutes:
        kept = kept.copy()
        for day in short:
            kept[day], runs[day] = _cut(valves, terms, kept, day, outcome)
        for day, v in zip(*np.nonzero(minutes > kept), strict=True):
            _raise(capacity, terms, kept, runs, int(day), int(v), minutes[day, v] - kept[day, v])
    found = [pulse for day in days for pulse in _pulses(valves, day, runs[day] or {})]
    order = sorted(found, key=lambda p: (p.day, p.start, valves.week.zones[valves.of[p.valve][0]]))
    return Packing(kept, tuple(order), kept is minutes)


def _pack(valves: Valves, day: int, minutes: Minutes, outcome: Outcome) -> Mapping[int, Times] | None:
    return pack_day(valves, day, minutes, driest_first(valves, day, outcome)).runs


def packs(capacity: Capacity, minutes: Minutes, outcome: Outcome) -> bool:
    """Whether a packing is found for every morning of (day, valve) minutes, with nothing cut.

    outcome: of these minutes; it says which zone is driest.
    """
    days = np.flatnonzero((minutes > 0).any(axis=1)).tolist()
    return capacity.fits(minutes) and all(
        _pack(capacity.valves, day, minutes[day], outcome) is not None for day in days
    )


def _pulses(valves: Valves, day: int, runs: Mapping[int, Times]) -> Iterator[Pulse]:
    if not runs:
        return
    week = valves.week
    held = day == 0 and (week.busy or any(valves.spread_over(v) for v in runs))
    if week.finish == "late" and not held:  # other water that runs today holds them, or the light
        runs = moved_late(runs, valves.stretches[day], [one.rest for one in valves.pulsing[day]])
    for v, times in runs.items():
        for k, (start, stop) in enumerate(sorted(times), 1):
            yield Pulse(day, v, k, start, stop)


def driest_first(valves: Valves, day: int, outcome: Outcome) -> list[int]:
    """All valves by how dry the driest zone of each is at dawn, the driest first; ties by index.

    How dry: the expected deficit / RAW.  Zones that take no part do not count.
    """
    week = valves.week
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.nan_to_num(outcome.deficit_start[day] / week.raw[day], posinf=0.0)
    urgency = valves.most_of(np.where(valves.takes_part[day], share, 0.0))
    return sorted(range(week.valves), key=lambda v: (-urgency[v], v))


def _cut(
    valves: Valves, terms: Terms, minutes: Minutes, day: int, outcome: Outcome
) -> tuple[Minutes, Mapping[int, Times]]:
    """One morning put down run after run, in the order that serves the crops best."""
    running = np.flatnonzero(minutes[day] > 0).tolist()
    urgency = {v: k for k, v in enumerate(driest_first(valves, day, outcome))}
    flow = valves.flow[day]
    orders = [
        sorted(running, key=lambda v: urgency[v]),
        sorted(running, key=lambda v: -flow[v] * minutes[day, v]),
        sorted(running, key=lambda v: (-flow[v], -minutes[day, v])),
        sorted(running, key=lambda v: -minutes[day, v]),
    ]
    best: tuple[Minutes, Mapping[int, Times]] | None = None
    best_score: Score | None = None
    for order in orders:
        jobs = [
            (
                job_of(valves, day, v, float(minutes[day, v])),
                float(valves.useful[day, v]),
                valves.pulsing[day][v],
            )
            for v in order
        ]
        flows = empty_hours(valves.week, day)
        got = place_in_order(jobs, hours_end(valves.week, day), flows)
        tried = minutes.copy()
        tried[day] = [got.get(v, 0.0) for v in range(valves.count)]
        _, score = judge(valves, terms, tried)
        if best_score is None or score.better_than(best_score):
            best, best_score = (tried[day], flows.runs), score
    assert best is not None
    return best


def _within_caps(capacity: Capacity, minutes: Minutes) -> Minutes:
    """The latest runs give way until every row of the capacity holds."""
    valves, kept = capacity.valves, minutes.copy()
    for row in capacity.rows:
        for place in sorted(row.place.tolist(), reverse=True):
            over = float(row.coefficient @ kept.ravel()[row.place]) - row.most
            if over <= 1e-6:
                break
            day, v = divmod(place, valves.count)
            coefficient = float(row.coefficient[row.place.tolist().index(place)])
            less = kept[day, v] - np.ceil(over / coefficient - 1e-9)
            kept[day, v] = less if less >= valves.useful[day, v] else 0.0
    return kept


def _raise(
    capacity: Capacity,
    terms: Terms,
    minutes: Minutes,
    runs: dict[int, Mapping[int, Times] | None],
    day: int,
    v: int,
    more: float,
) -> None:
    """A run that was cut, made longer again while that is better and still packs; in place."""
    valves = capacity.valves
    outcome, score = judge(valves, terms, minutes)
    while more >= 1:
        tried = minutes.copy()
        tried[day, v] += more
        more = np.floor(more / 2)
        if tried[day, v] < valves.useful[day, v] or not capacity.fits(tried):
            continue
        placed = pack_day(valves, day, tried[day], driest_first(valves, day, outcome), search=False).runs
        if placed is None:
            continue
        outcome, found = judge(valves, terms, tried)
        if found.better_than(score):
            minutes[day], runs[day], score = tried[day], placed, found
