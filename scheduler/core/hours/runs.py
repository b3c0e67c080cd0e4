"""Minutes into runs of one morning: inside the watering hours, within what the supply can feed (model M8).

Times of day come in here; `packing` knows minutes only.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from scheduler.core.hours.packing import (
    Flows,
    Job,
    Times,
    moved_late,
    open_stretches,
    pack,
    place_in_order,
)
from scheduler.core.hours.windows import Stretch, minutes_between, stretch
from scheduler.core.pulsing import Pulsing, full_hours
from scheduler.core.supply import OVER_FLOW, WITHIN
from scheduler.model import Run, Supply, Unmet, Windows


@dataclass(frozen=True, slots=True)
class Ask:
    """What one zone wants this morning."""

    zone: str
    minutes: float
    flow_lpm: float
    net_per_minute: float
    fill_minutes: float
    first_pulse: int = 1  # above 1 where pulses of this date are already done


@dataclass(frozen=True, slots=True)
class ValveAsk:
    """Zones on one valve: they open as one, for the same minutes."""

    zones: tuple[Ask, ...]
    urgency: float  # deficit against readily available water: the highest goes first
    shortest_minutes: float
    cap_minutes: float
    pulsing: Pulsing = Pulsing()

    @property
    def minutes(self) -> float:
        """Minutes the valve is to be open: the longest that one of its zones asks for.

        >>> asks = (Ask("north", 40.0, 4.0, 0.1, 2.0), Ask("south", 55.0, 3.0, 0.1, 2.0))
        >>> ValveAsk(asks, urgency=1.0, shortest_minutes=5.0, cap_minutes=120.0).minutes
        55.0
        """
        return max(ask.minutes for ask in self.zones)

    @property
    def flow_lpm(self) -> float:
        """L/min through the valve: the sum over its zones (model M8).

        >>> asks = (Ask("north", 40.0, 4.0, 0.1, 2.0), Ask("south", 55.0, 3.0, 0.1, 2.0))
        >>> ValveAsk(asks, urgency=1.0, shortest_minutes=5.0, cap_minutes=120.0).flow_lpm
        7.0
        """
        return sum(ask.flow_lpm for ask in self.zones)


def into_hours(
    asks: Sequence[ValveAsk],
    supply: Supply,
    windows: Windows,
    *,
    earliest: datetime,
    finish: str = "late",
    liters_used: float = 0.0,
) -> tuple[tuple[Run, ...], tuple[Unmet, ...]]:
    """Runs in time order, and what does not fit, mm net by zone with the reason (model M8).

    windows: begin and end of each of the day's watering hours, aware; no run lies across a closed stretch.
    earliest: nothing starts before it (a plan made in the middle of the hours).  finish: "late" ends the runs
    of each window with it, else they start as early as they can.  liters_used: of the daily cap, L.  A run
    that does not fit whole is cut to the longest that does, if that is not below the shortest run; the rest
    is unmet.

    >>> from datetime import date, time
    >>> from scheduler.core.hours.windows import watering_windows
    >>> from scheduler.model import Hours
    >>> ask = ValveAsk((Ask("north", 90.0, 4.0, 0.1, 2.0),), 1.0, shortest_minutes=5.0, cap_minutes=240.0)
    >>> hours = watering_windows(date(2026, 7, 1), [Hours(time(4), time(5))], "UTC")
    >>> runs, unmet = into_hours([ask], Supply(20.0), hours, earliest=hours[0][0])
    >>> runs[0].minutes, round(unmet[0].net_mm, 2), unmet[0].why
    (60.0, 3.0, 'the watering hours are full')
    """
    # true moments: Python compares two times of one zone by the clock, which shows an hour twice in autumn
    begin = max(windows[0][0], earliest, key=datetime.timestamp).astimezone(windows[0][0].tzinfo)
    hours = _left(stretch(windows), minutes_between(windows[0][0], begin))
    order = sorted((a for a in asks if a.minutes > 0), key=lambda a: -a.urgency)
    cap = math.inf if supply.daily_cap_l is None else supply.daily_cap_l - liters_used
    runs = _together(order, supply, cap, hours)
    if runs is None:
        runs, short = _one_by_one(order, supply, cap, hours)
    else:
        short = {}
    if finish == "late":
        runs = moved_late(
            runs, open_stretches(hours.closed, 0.0, hours.length), [ask.pulsing.rest for ask in order]
        )
    timed = [run for k, times in runs.items() for run in timed_runs(order[k], times, begin)]
    unmet = [
        u for k, (minutes, why) in short.items() for u in _unmet(order[k], minutes, why, supply.usable_lpm)
    ]
    return tuple(sorted(timed, key=lambda r: (r.start.timestamp(), r.zone, r.pulse))), tuple(unmet)


def _left(hours: Stretch, lost: float) -> Stretch:
    """What is left of the hours after so many minutes, in whole minutes from there on."""
    closed = tuple((max(start - lost, 0.0), stop - lost) for start, stop in hours.closed if stop > lost)
    return Stretch(float(math.floor(hours.length - lost + 1e-6)), closed)


def _together(
    order: Sequence[ValveAsk], supply: Supply, cap: float, hours: Stretch
) -> Mapping[int, Times] | None:
    """Everything that is asked for, where all of it fits."""
    if sum(ask.minutes * ask.flow_lpm for ask in order) > cap:
        return None
    if any(_limited(ask, supply, cap, hours.length)[0] < ask.minutes for ask in order):
        return None
    flows = Flows(supply.usable_lpm, closed=hours.closed)
    jobs = [_job(k, ask, ask.minutes, flows.open(0.0, hours.length)) for k, ask in enumerate(order)]
    return pack(jobs, hours.length, flows).runs


def _one_by_one(
    order: Sequence[ValveAsk], supply: Supply, cap: float, hours: Stretch
) -> tuple[Mapping[int, Times], dict[int, tuple[float, str]]]:
    """The most urgent first, each cut to what is left; and who goes short: minutes it gets, and why."""
    flows = Flows(supply.usable_lpm, closed=hours.closed)
    stretches = flows.open(0.0, hours.length)
    short: dict[int, tuple[float, str]] = {}
    for k, ask in enumerate(order):
        minutes, why = _limited(ask, supply, cap, hours.length)
        got = 0.0
        if minutes > 0:
            job = _job(k, ask, minutes, stretches), ask.shortest_minutes, ask.pulsing
            got = place_in_order([job], hours.length, flows)[k]
            why = why if got == minutes else full_hours(ask.pulsing, minutes, got, stretches)
        cap -= got * ask.flow_lpm
        if got < ask.minutes:
            short[k] = got, why
    return flows.runs, short


def _job(k: int, ask: ValveAsk, minutes: float, stretches: Times) -> Job:
    return Job(k, ask.flow_lpm, ask.pulsing.lengths(minutes, stretches), ask.pulsing.rest)


def _limited(ask: ValveAsk, supply: Supply, cap_left: float, length: float) -> tuple[float, str]:
    """Minutes that flow, caps and the length of the hours allow at all, with the reason of the tightest."""
    if ask.flow_lpm > supply.usable_lpm * (1 + WITHIN):
        return 0, OVER_FLOW
    if length <= 0:
        return 0, "today's watering hours are over"
    limits = [
        (_whole(ask.cap_minutes), "the valve's cap"),
        (_whole(max(cap_left, 0) / ask.flow_lpm), "the daily cap on water"),
        (ask.minutes, ""),
    ]
    minutes, why = min(limits)
    if minutes < min(ask.shortest_minutes, ask.minutes):
        return 0, why
    return minutes, why


def _whole(minutes: float) -> float:
    return float(math.floor(minutes + 1e-9)) if math.isfinite(minutes) else minutes


def _unmet(ask: ValveAsk, minutes: float, why: str, usable_lpm: float) -> Iterator[Unmet]:
    numbers = (ask.flow_lpm, usable_lpm) if why == OVER_FLOW else ()
    for zone in ask.zones:
        wanted = max(ask.minutes - zone.fill_minutes, 0) * zone.net_per_minute
        given = max(minutes - zone.fill_minutes, 0) * zone.net_per_minute if minutes else 0.0
        yield Unmet(zone.zone, wanted - given, why, numbers)


def timed_runs(ask: ValveAsk, pulses: Sequence[tuple[float, float]], begin: datetime) -> Iterator[Run]:
    """Runs of each zone, in local time, with their litres and net mm (model M9).

    pulses: (start, stop) minutes after `begin`.  The fill time is spent once, at the first pulse: afterwards
    the line stays full.

    >>> ask = ValveAsk((Ask("north", 60.0, 4.0, 0.1, fill_minutes=2.0),), 1.0, 5.0, cap_minutes=120.0)
    >>> begin = datetime(2026, 7, 1, 5, tzinfo=ZoneInfo("UTC"))
    >>> runs = timed_runs(ask, [(0.0, 30.0), (90.0, 120.0)], begin)
    >>> [(f"{run.start:%H:%M}", run.liters, round(run.net_mm, 2)) for run in runs]
    [('05:00', 120.0, 2.8), ('06:30', 120.0, 3.0)]
    """
    local = begin.tzinfo
    utc = ZoneInfo("UTC")

    def at(minutes: float) -> datetime:
        return (begin.astimezone(utc) + timedelta(minutes=minutes)).astimezone(local)

    for zone in ask.zones:
        fill = zone.fill_minutes
        for k, (start, stop) in enumerate(pulses):
            minutes = stop - start
            wets = max(minutes - fill, 0)
            fill = max(fill - minutes, 0)
            yield Run(
                zone=zone.zone,
                pulse=zone.first_pulse + k,
                start=at(start),
                stop=at(stop),
                minutes=minutes,
                liters=minutes * zone.flow_lpm,
                net_mm=wets * zone.net_per_minute,
                flow_lpm=zone.flow_lpm,
            )
