"""Minutes into runs: inside the watering hours, never above what the supply can feed (model M8).

A first plan: valves in order of need, each at the first moment that leaves the flow within the usable
flow all through its run.  A better plan can take the place of `into_hours` with the same arguments.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from scheduler.model import Run, Supply, Unmet

FLOW_TOLERANCE_LPM = 1e-9


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
    longest_pulse_minutes: float | None = None
    pulse_rest_minutes: float = 60.0

    @property
    def minutes(self) -> float:
        return max(ask.minutes for ask in self.zones)

    @property
    def flow_lpm(self) -> float:
        return sum(ask.flow_lpm for ask in self.zones)


@dataclass(frozen=True, slots=True)
class _Placed:
    start: float  # minutes after the window's begin
    stop: float
    flow_lpm: float


def watering_window(day: date, begin: time, until: time, timezone: str) -> tuple[datetime, datetime]:
    """The watering hours of a local day, in its own UTC offsets (a clock change may move their length)."""
    zone = ZoneInfo(timezone)
    utc = ZoneInfo("UTC")
    edges = [datetime.combine(day, at, zone).astimezone(utc).astimezone(zone) for at in (begin, until)]
    return edges[0], edges[1]


def minutes_between(begin: datetime, until: datetime) -> float:
    """True minutes between two aware times (Python's own subtraction ignores a clock change in one zone)."""
    return (until.timestamp() - begin.timestamp()) / 60


def into_hours(
    asks: Sequence[ValveAsk],
    supply: Supply,
    window: tuple[datetime, datetime],
    *,
    earliest: datetime,
    finish: str = "late",
    liters_used: float = 0.0,
) -> tuple[tuple[Run, ...], tuple[Unmet, ...]]:
    """Runs in time order, and what does not fit with the reason.

    earliest: nothing starts before it (a plan made in the middle of the hours).  A run that does not fit
    whole is cut to the longest that does, if that is not below the shortest run; the rest is unmet.
    """
    # true moments: Python compares two times of one zone by the clock, which shows an hour twice in autumn
    begin = max(window[0], earliest, key=datetime.timestamp).astimezone(window[0].tzinfo)
    length = math.floor(minutes_between(begin, window[1]) + 1e-6)
    placed: list[_Placed] = []
    chosen: list[tuple[ValveAsk, list[tuple[float, float]]]] = []
    unmet: list[Unmet] = []
    cap_left = math.inf if supply.daily_cap_l is None else supply.daily_cap_l - liters_used
    for ask in sorted((a for a in asks if a.minutes > 0), key=lambda a: -a.urgency):
        wanted = ask.minutes
        minutes, why = _limited(ask, supply, cap_left, length)
        pulses = _first_fit(ask, minutes, placed, supply.usable_lpm, length) if minutes > 0 else []
        if minutes > 0 and not pulses:
            why = "the watering hours are full"
            minutes, pulses = _shortened(ask, minutes, placed, supply.usable_lpm, length)
        if pulses:
            placed += [_Placed(start, stop, ask.flow_lpm) for start, stop in pulses]
            chosen.append((ask, pulses))
            cap_left -= minutes * ask.flow_lpm
        if minutes < wanted:
            unmet += _unmet(ask, minutes, why)
    last = max((p.stop for p in placed), default=0)
    shift = length - last if finish == "late" else 0
    runs = [run for ask, pulses in chosen for run in _runs(ask, pulses, begin, shift)]
    return tuple(sorted(runs, key=lambda r: (r.start.timestamp(), r.zone, r.pulse))), tuple(unmet)


def _limited(ask: ValveAsk, supply: Supply, cap_left: float, length: float) -> tuple[float, str]:
    """Minutes that flow, caps and the length of the hours allow at all, with the reason of the tightest."""
    if ask.flow_lpm > supply.usable_lpm + FLOW_TOLERANCE_LPM:
        return 0, (
            f"it needs {ask.flow_lpm:.1f} L/min and the supply can feed {supply.usable_lpm:.1f}: "
            "split it over two valves, or shorten the rows"
        )
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


def _pulses(ask: ValveAsk, minutes: float) -> list[tuple[float, float]]:
    """(offset, length) of each pulse: equal whole minutes, none above the longest pulse."""
    if ask.longest_pulse_minutes is None or minutes <= ask.longest_pulse_minutes:
        return [(0.0, minutes)]
    count = math.ceil(minutes / max(1, math.floor(ask.longest_pulse_minutes)))
    base, extra = divmod(round(minutes), count)
    pulses, offset = [], 0.0
    for k in range(count):
        length = base + (k < extra)
        pulses.append((offset, float(length)))
        offset += length + ask.pulse_rest_minutes
    return pulses


def _first_fit(
    ask: ValveAsk, minutes: float, placed: Sequence[_Placed], usable_lpm: float, length: float
) -> list[tuple[float, float]]:
    """(start, stop) of each pulse at the first start that fits; empty where none does."""
    pulses = _pulses(ask, minutes)
    span = pulses[-1][0] + pulses[-1][1]
    starts = {0.0} | {p.stop - offset for p in placed for offset, _ in pulses}
    for start in sorted(s for s in starts if s >= 0 and s + span <= length + 1e-9):
        times = [(start + offset, start + offset + run) for offset, run in pulses]
        if all(_flow_fits(ask.flow_lpm, a, b, placed, usable_lpm) for a, b in times):
            return times
    return []


def _flow_fits(flow: float, start: float, stop: float, placed: Sequence[_Placed], usable: float) -> bool:
    """Flow only rises where a run starts: look at this start and at those inside."""
    moments = [start, *(p.start for p in placed if start < p.start < stop)]
    return all(
        flow + sum(p.flow_lpm for p in placed if p.start <= at < p.stop) <= usable + FLOW_TOLERANCE_LPM
        for at in moments
    )


def _shortened(
    ask: ValveAsk, minutes: float, placed: Sequence[_Placed], usable: float, length: float
) -> tuple[float, list[tuple[float, float]]]:
    least = max(1, math.ceil(ask.shortest_minutes))
    for shorter in range(math.ceil(minutes) - 1, least - 1, -1):
        pulses = _first_fit(ask, shorter, placed, usable, length)
        if pulses:
            return shorter, pulses
    return 0, []


def _unmet(ask: ValveAsk, minutes: float, why: str) -> Iterator[Unmet]:
    for zone in ask.zones:
        wanted = max(ask.minutes - zone.fill_minutes, 0) * zone.net_per_minute
        given = max(minutes - zone.fill_minutes, 0) * zone.net_per_minute if minutes else 0.0
        yield Unmet(zone.zone, wanted - given, why)


def _runs(
    ask: ValveAsk, pulses: Sequence[tuple[float, float]], begin: datetime, shift: float
) -> Iterator[Run]:
    """The fill time is spent once, at the first pulse: afterwards the line stays full."""
    local = begin.tzinfo
    utc = ZoneInfo("UTC")

    def at(minutes: float) -> datetime:
        return (begin.astimezone(utc) + timedelta(minutes=minutes + shift)).astimezone(local)

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
